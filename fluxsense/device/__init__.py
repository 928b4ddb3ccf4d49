"""From flux in the loops to scattering parameters.

Lives here: the ring (flux to circulating current, inductance and coupling), the
converter (one pumped ring with its two modes), the isolator (two converters in an
interferometer) and the chip that holds them.  Plain arrays in, plain arrays out.

May not live here: fields and outlines (``magnetics``), files of any kind
(``traces``), priors and likelihoods (``infer``), figures (``report``).
"""
