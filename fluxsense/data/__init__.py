"""Data: measured sweeps, the log that says what each one is, the digest that the likelihood reads, and what repeats say of the noise.

Files are read and written here and turned into plain arrays in SI units.  The sign of time is changed here, once, on
reading and on writing (``touchstone``).  No circuit model, no likelihood and no figure belongs in this folder.
"""
