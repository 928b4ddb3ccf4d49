"""Confidence: was there a source, which way does it point, and what would be missed.

What lives here: Bayes factors by two routes, probabilities of statements on the direction, detection and false-alarm
probabilities, sequential stopping.  What may not: figures, sentences, command lines.

probabilities.py  statements on the direction from posterior draws, with their Monte Carlo error; closed forms
evidence.py       log evidence by importance and by bridge sampling; their agreement; hypotheses; closed forms
linear.py         the campaign to first order in a weak source: information, scores, simulated campaigns
counted.py        the same of counts of transmission
experiment.py     detection against false alarms, smallest detectable size, smallest angle, growth with repeats
sequential.py     Wald's test, batch by batch, with overshoot
stored.py         what `orient` leaves for `detect`, as one file without pickle
draws.py          draws of the source with their prior, which `orient` leaves for `compare`
overlap.py        two posteriors: of one source, or of two
detect.py         promised rates, the planned likelihood, batch by batch, source models compared

Imports run downwards: `infer` and below.  Nothing is imported here, because scipy.stats is slow to import.
"""
