"""Live: a campaign while it is measured.

What lives here: sweeps taken up as they come and judged against their repeats (`intake`), a log and traces that are still
being written (`follower`), the posterior kept current between full runs (`anchor`, `current`), what to measure next and when
to stop (`bounds`, `proposal`, `stopping`), the object that ties them together (`campaign`), and an instrument that is simulated
(`instrument`).  Work per sweep does not depend on how many there were.  What may not live here: commands, files that commands write, a model of its own.
"""
