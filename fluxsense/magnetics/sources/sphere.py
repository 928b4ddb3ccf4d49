"""A uniformly magnetised sphere of a known radius: outside it, exactly a point dipole at its centre (textbook).

Inside it is not, so that no wire may pass through it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from fluxsense.magnetics.sources.dipole import Dipole
from fluxsense.magnetics.sources.kind import number
from fluxsense.study.fields import Field, Quantity

if TYPE_CHECKING:
    from fluxsense.magnetics.sources.kind import FloatArray


class Sphere(Dipole):
    """A magnetised sphere."""

    name = "sphere"
    words = "a magnetised sphere"
    has_extent = False
    fields: tuple[Field, ...] = (
        Quantity(key="radius", attribute="radius_m", dimension="length", low=0.0, strict=True, words="radius"),
    )

    def matter(self, numbers: Mapping[str, object]) -> tuple[FloatArray, float]:
        """All within the radius."""
        return super().matter(numbers)[0], number(numbers, "radius_m")


KIND = Sphere()
