"""Model: the unknowns with their priors, the noise, and one file per likelihood.

What turns a digest and a set of parameters into a number, a residual or slopes lives here.  No search, no sampler, no file.
"""
