"""A small magnetic body: a point dipole, whose vector is its moment in A m^2."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from fluxsense.magnetics.sources.kind import Source

if TYPE_CHECKING:
    from fluxsense.magnetics.sources.kind import FloatArray
    from fluxsense.magnetics.wires import Wires


class Dipole(Source):
    """A point dipole; see `fluxsense.magnetics.wires` for its flux."""

    name = "dipole"
    words = "a small magnetic body"
    dimension = "moment"
    has_extent = True

    def rows(self, wires: Wires, position_m: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
        """Closed form per straight edge, (..., L, 3) in Wb per A m^2."""
        from fluxsense.magnetics.wires import unit_current_rows

        return unit_current_rows(wires, position_m)

    def thirds(self, wires: Wires, position_m: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
        """Closed form per straight edge, (..., L, 7) in Wb per A m^4."""
        from fluxsense.magnetics.wires import unit_current_thirds

        return unit_current_thirds(wires, position_m)


KIND = Dipole()
