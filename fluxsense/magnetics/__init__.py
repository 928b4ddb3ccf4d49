"""Magnetostatics of filaments and point dipoles: from geometry to flux in each loop.

Here live outlines of loops (`loops`), fields, fluxes and mutual inductances of
dipoles and thin wires (`wires`), kinds of sources (`sources`), sources that are
not points (`extent`), and the linear map from a source vector to the flux of
every loop (`flux_map`).  What does not belong here: Josephson
physics, files, units written as text, priors, random numbers.  Everything is in
SI units and every function is pure.
"""
