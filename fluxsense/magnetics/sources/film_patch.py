"""A rectangular patch of a thin film, uniformly magnetised in any direction; its thickness is neglected."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from fluxsense.magnetics.sources.kind import Body, legendre, number
from fluxsense.study.fields import Axis, Field, Quantity

if TYPE_CHECKING:
    from fluxsense.magnetics.sources.kind import FloatArray

NODES: Final = 16
"""Along each side: error below 1e-9 of the flux where every wire is half a side away from the middle, or farther."""


class FilmPatch(Body):
    """A patch of magnetised film."""

    name = "film_patch"
    words = "a patch of magnetised film"
    fields: tuple[Field, ...] = (
        Quantity(key="width", attribute="width_m", dimension="length", low=0.0, strict=True, words="side along x_axis"),
        Quantity(key="depth", attribute="depth_m", dimension="length", low=0.0, strict=True, words="side across it"),
        Axis(key="normal", default=(0.0, 0.0, 1.0), words="normal of the film"),
        Axis(key="x_axis", default=(1.0, 0.0, 0.0), words="direction of its width, made normal to the normal"),
    )

    def nodes(self, numbers: Mapping[str, object]) -> tuple[FloatArray, FloatArray]:
        """A grid of points in the patch."""
        import numpy as np

        x, wx = legendre(NODES, number(numbers, "width_m"))
        y, wy = legendre(NODES, number(numbers, "depth_m"))
        return _grid(x, y, numbers), np.outer(wx, wy).ravel()

    def matter(self, numbers: Mapping[str, object]) -> tuple[FloatArray, float]:
        """A grid of points in the patch, and half the diagonal of a mesh."""
        import numpy as np

        count = 2 * NODES + 1
        width, depth = number(numbers, "width_m"), number(numbers, "depth_m")
        x, y = (np.linspace(-0.5 * side, 0.5 * side, count) for side in (width, depth))
        return _grid(x, y, numbers), 0.5 * float(np.hypot(width, depth)) / (count - 1)


def _grid(x: FloatArray, y: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
    """Points (Q, 3) of all pairs of coordinates in the patch's plane."""
    import numpy as np

    normal, first = np.array(numbers["normal"]), np.array(numbers["x_axis"])
    first = first - (first @ normal) * normal
    first /= np.sqrt(first @ first)
    return np.asarray((x[:, None, None] * first + y[None, :, None] * np.cross(normal, first)).reshape(-1, 3))


KIND = FilmPatch()
