"""A field that is the same everywhere; its vector is the field in T, its flux the field times the area vector (Stokes)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from fluxsense.magnetics.sources.kind import Source

if TYPE_CHECKING:
    from fluxsense.magnetics.sources.kind import FloatArray
    from fluxsense.magnetics.wires import Wires


class UniformField(Source):
    """The same field at every loop."""

    name = "uniform_field"
    words = "a uniform field"
    dimension = "field"
    has_position = False

    def rows(self, wires: Wires, position_m: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
        """Area vectors, (..., L, 3) in m^2 = Wb/T."""
        import numpy as np

        return np.broadcast_to(wires.area, (*position_m.shape[:-1], *wires.area.shape))


KIND = UniformField()
