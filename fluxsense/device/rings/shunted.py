"""The ring whose nodes are shunted to a common point: one state at every flux, period of four flux quanta."""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from fluxsense.device.rings.kind import FloatArray, Numbers, Ring, RingField

SINGLE_STATE_SHUNT_RATIO: Final = 2.0
"""A shunted ring has one state at every flux when its shunt ratio is above this value (L < L_J/4).

The Z mode's curvature 4 (cos f + alpha/2) stays positive over the whole period only then.
"""

SHUNT_RATIO: Final = RingField("shunt_ratio", "shunt ratio L_J/(2L)", 3.0, 0.0, 1e6)


class ShuntedRing(Ring):
    """Four junctions, and an inductor L from each node to one floating common point; alpha = L_J/(2L)."""

    name: ClassVar[str] = "shunted"
    words: ClassVar[str] = "shunted to a common point"
    fields: ClassVar[tuple[RingField, ...]] = (SHUNT_RATIO,)

    def junction_phase(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """The arm's own phase."""
        return f

    def arm_stiffness(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """cos f."""
        return np.asarray(np.cos(f))

    def arm_bend(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Minus cos f."""
        return np.asarray(-np.cos(f))

    def shunt(self, numbers: Numbers) -> FloatArray:
        """The shunt ratio."""
        return numbers["shunt_ratio"]

    def refused(self, numbers: Numbers) -> tuple[str, str] | None:
        """A shunt ratio at which the ring leaves its symmetric state at some flux."""
        least = float(np.min(numbers["shunt_ratio"]))
        if least > SINGLE_STATE_SHUNT_RATIO:
            return None
        return (
            f"a ring with L_J/(2L) = {least:g} leaves its symmetric state at some flux, which the model does not follow",
            "Give a ratio above 2 (shunt inductance below a quarter of the Josephson inductance), or a bare ring",
        )


KIND = ShuntedRing()
