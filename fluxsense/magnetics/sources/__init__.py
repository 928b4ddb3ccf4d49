"""Kinds of sources, one file each; every module here with an object ``KIND`` is found by itself.

A kind is a `fluxsense.magnetics.sources.kind.Source` with its name, the dimension of its vector, whether it has a place,
its own fields in the study, and its flux in loops.  Modules import numpy only inside the methods that need it, since the
study's reader looks at every kind.  `fluxsense.study.kinds.source_kinds` has them all by name.
"""
