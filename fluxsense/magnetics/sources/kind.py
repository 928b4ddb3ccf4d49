"""What every kind of source has in common: a vector in which its flux is linear, perhaps a place and a shape."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from fluxsense.study.fields import Field

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from fluxsense.magnetics.wires import Wires

    FloatArray = NDArray[np.float64]


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
    has_extent : bool
        Whether the study may say how far it reaches across.
    fields : tuple of Field
        What a study has to say of it besides; their values come back as `numbers`, by attribute.
    """

    name: str
    words: str
    dimension: str
    has_position: bool = True
    has_extent: bool = False
    fields: tuple[Field, ...] = ()

    @abstractmethod
    def rows(self, wires: Wires, position_m: FloatArray | None, numbers: Mapping[str, Any]) -> FloatArray:
        """Flux of every loop per unit of the source vector, without checks.

        Parameters
        ----------
        wires : Wires
            L loops.
        position_m : ndarray (..., 3) or None
            Places of the source in m; None for a kind without a place.
        numbers : mapping
            Values of the kind's own fields.

        Returns
        -------
        ndarray (..., L, 3)
            In Wb per unit of the vector; without a place the leading axes are missing.
        """

    def reach_m(self, numbers: Mapping[str, Any]) -> float:
        """Distance in m from its place within which the source has matter: no wire may pass there."""
        return 0.0
