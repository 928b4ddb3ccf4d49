"""Characterization: sweeps of bias, pump power, pump frequency and pump phase to ring and isolator parameters.

What lives here: reading sweeps with their log, start values from the data alone, fits, what may be wrong with the
sweeps, working points, and the chip section of a study with uncertainties that serve `orient` as priors.  What may not:
a forward model (every prediction comes from `fluxsense.device`), printing, figures, inference of a source.

rough.py    a study whose isolators are not known yet: placeholders where nothing is stated
records.py  log and traces to records: the mean of consecutive repeats, in the order of time
tracks.py   resonance against bias current; kind of ring, flux per current and offset from its shape
model.py    one isolator's parameters to predicted sweeps, with line gain and drift eliminated exactly
fit.py      from start values to values, uncertainties, correlations
faults.py   what is wrong with sweeps that cannot be believed
reflection.py  whether S11 and S22 follow what was fitted to transmission
sample.py   uncertainties by sampling, on request
points.py   working points and the band over which isolation can be had
section.py  the chip section and the study that holds it
run.py      all of it for every isolator
(An isolator takes 4 s of one core where the study calls everything unstated exact, 13 to 25 s with an ordinary set-up.  How often
90% intervals hold: `tests/validation/characterize_rows.py`, `characterize_coverage.py`.)
document.py  its keys
virtual.py  sweeps as an instrument would write them, from a stated truth and a seed

Imports run downwards: `infer` and below.
"""
