"""The chain between the instruments and the chip: powers, temperatures and bandwidths to noise, sensitivity and time.

Lives here: effective temperatures (`noise`), cascaded two-port networks (`networks`), the elements of a line and what
they do to signal and noise (`chain`), noise of flux, field and moment (`sensitivity`), published sensors to stand beside
(`published`), the probe's self-Kerr shift (`kerr`), frequencies of several sensors on one line (`allotment`), and the
dispersive read-out of a qubit through the same chain (`qubit`).

May not live here: files (``data`` reads Touchstone, arrays come in), priors and likelihoods, sentences and figures.
Powers are in W, temperatures in K, frequencies in Hz; noise temperatures count the vacuum.
"""
