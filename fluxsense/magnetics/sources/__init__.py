"""Kinds of sources, one file each; every module here with an object ``KIND`` is found by itself.

A kind is a `fluxsense.magnetics.sources.kind.Source` with its name, the dimension of its vector, whether it has a place,
its own fields in the study, and its flux in loops.  Modules import numpy only inside the methods that need it, since the
study's reader looks at every kind.  `fluxsense.study.kinds.source_kinds` has them all by name.
"""

from __future__ import annotations

from typing import cast

from fluxsense.base.errors import InputError
from fluxsense.magnetics.sources.kind import Source
from fluxsense.study.kinds import source_kinds


def source_kind(name: str) -> Source:
    """The kind of source of that name.

    Raises
    ------
    InputError
        If there is none.
    """
    kinds = source_kinds()
    if name not in kinds:
        known = " or ".join(f'"{x}"' for x in kinds)
        raise InputError(f"The source kind {name!r} is not known", remedy=f"Use {known}")
    return cast(Source, kinds[name])
