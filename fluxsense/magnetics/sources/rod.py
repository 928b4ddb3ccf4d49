"""A thin rod along a known axis, uniformly magnetised in any direction.

Its moment is spread evenly over its length.  Magnetised along itself it is two magnetic charges, one at each end.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from fluxsense.magnetics.sources.kind import Body, legendre, number
from fluxsense.study.fields import Axis, Field, Quantity

if TYPE_CHECKING:
    from fluxsense.magnetics.sources.kind import FloatArray

NODES: Final = 24
"""Error below 1e-9 of the flux where every wire is half of the rod's half length away from it, or farther."""


class Rod(Body):
    """A magnetised rod."""

    name = "rod"
    words = "a magnetised rod"
    fields: tuple[Field, ...] = (
        Quantity(key="length", attribute="length_m", dimension="length", low=0.0, strict=True, words="length"),
        Axis(key="axis", words="direction along the rod"),
    )

    def nodes(self, numbers: Mapping[str, object]) -> tuple[FloatArray, FloatArray]:
        """Points along the axis."""
        import numpy as np

        along, weights = legendre(NODES, number(numbers, "length_m"))
        return along[:, None] * np.array(numbers["axis"]), weights

    def matter(self, numbers: Mapping[str, object]) -> tuple[FloatArray, float]:
        """Points along the rod, and half their distance."""
        import numpy as np

        length = number(numbers, "length_m")
        return np.linspace(-0.5 * length, 0.5 * length, 2 * NODES + 1)[:, None] * np.array(
            numbers["axis"]
        ), 0.25 * length / NODES


KIND = Rod()
