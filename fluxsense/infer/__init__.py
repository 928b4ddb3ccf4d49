"""From digests to directions: unknowns and their priors, likelihoods, the search for modes, samplers, evidence, verdicts.

What may live here: everything that turns a forward model and a digest into a posterior and judges it.  What may not:
reading files, printing, figures.
"""
