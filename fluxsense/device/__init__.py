"""From flux in the loops to scattering parameters.

Lives here: kinds of rings (``rings``: flux to circulating current and stiffness), the ring under its pump (``pumped``,
``stages``), the isolator (``isolator``: two converters in an interferometer), what lies
between it and the analyser (``setup``), the chip that holds them (``chip``) and lines for simulated sweeps (``lines``).
Plain arrays in, plain arrays out.

May not live here: fields and outlines (``magnetics``), files of any kind (``data``), priors and likelihoods (``model``),
figures (``report``).
"""
