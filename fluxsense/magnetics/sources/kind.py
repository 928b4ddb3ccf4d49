"""What every kind of source has in common: a vector in which its flux is linear, perhaps a place and a shape."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, SupportsFloat, cast

from fluxsense.study.fields import Field

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from fluxsense.magnetics.wires import Wires

    FloatArray = NDArray[np.float64]


def number(numbers: Mapping[str, object], name: str) -> float:
    """A number among the values of a kind's own fields."""
    return float(cast("SupportsFloat", numbers[name]))


class Source(ABC):
    """A kind of source.

    Attributes
    ----------
    name : str
        As a study writes it.
    words : str
        What it is, for people.
    dimension : str
        Of its vector: "field", "moment", or another key of `fluxsense.base.units.UNITS`.
    has_position : bool
        Whether it stands at a place, which may be uncertain.
    has_shape : bool
        Whether it has axes of its own, which turn with it.
    has_extent : bool
        Whether the study may say how far it reaches across; such a kind has `thirds`.
    fields : tuple of Field
        What a study has to say of it besides; their values come back as `numbers`, by attribute.
    """

    name: str
    words: str
    dimension: str
    has_position: bool = True
    has_shape: bool = False
    has_extent: bool = False
    fields: tuple[Field, ...] = ()

    @abstractmethod
    def rows(self, wires: Wires, position_m: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
        """Flux of every loop per unit of the source vector, without checks.

        Parameters
        ----------
        wires : Wires
            L loops.
        position_m : ndarray (..., 3)
            Places of the source in m; a kind without a place takes no notice of them.
        numbers : mapping
            Values of the kind's own fields.

        Returns
        -------
        ndarray (..., L, 3)
            In Wb per unit of the vector.
        """

    def thirds(self, wires: Wires, position_m: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
        """Second derivatives (..., L, 7) of `rows` by the place, as `fluxsense.magnetics.wires.THIRDS` lists them.

        In Wb per unit of the vector and m^2; zero for a kind whose shape is no question.
        """
        import numpy as np

        return np.zeros((*position_m.shape[:-1], len(wires.radius), 7))

    def matter(self, numbers: Mapping[str, object]) -> tuple[FloatArray, float]:
        """Where the source has matter: points (Q, 3) about its place, and how far it reaches about each, in m.

        No wire may pass there.
        """
        import numpy as np

        return np.zeros((1, 3)), 0.0


class Body(Source):
    """A uniformly magnetised body: its flux is the mean of that of dipoles spread over it.

    The mean is taken at Gauss-Legendre nodes.  With n of them along a length 2h, and all wires at least d from its
    middle, the error is of order ``(d/h + sqrt(1 + (d/h)^2))^(-2n)`` of the flux (analyticity of the integrand,
    L. N. Trefethen, SIAM Review 50, 67 (2008), from memory).  The vector is the whole moment in A m^2.
    """

    dimension = "moment"
    has_shape = True

    @abstractmethod
    def nodes(self, numbers: Mapping[str, object]) -> tuple[FloatArray, FloatArray]:
        """Points (Q, 3) of the body about its place, in m, and their weights (Q,), which sum to one."""

    def rows(self, wires: Wires, position_m: FloatArray, numbers: Mapping[str, object]) -> FloatArray:
        """Mean over the nodes of a dipole's rows, (..., L, 3) in Wb per A m^2."""
        import numpy as np

        from fluxsense.magnetics.wires import unit_current_rows

        points, weights = self.nodes(numbers)
        spread = unit_current_rows(wires, position_m[..., None, :] + points)
        return np.asarray(np.einsum("...qli,q->...li", spread, weights))


def legendre(count: int, length_m: float) -> tuple[FloatArray, FloatArray]:
    """Gauss-Legendre nodes about the middle of a length and their weights, which sum to one."""
    import numpy as np

    nodes, weights = np.polynomial.legendre.leggauss(count)
    return 0.5 * length_m * nodes, 0.5 * weights
