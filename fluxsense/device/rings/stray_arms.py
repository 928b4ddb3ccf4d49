"""The shunted ring with a stray inductance in each of its arms, in series with the junction.

With r = L_stray/L_J the arm's energy at phase f is the least of -cos q + (f - q)^2/(2 r) over the junction's phase q:

    q + r sin q = f  (Kepler's equation with eccentricity -r; one solution for r < 1),    u' = sin q,
    k = u'' = cos q/(1 + r cos q),     u''' = -sin q/(1 + r cos q)^3,
    u'''' = -cos q/(1 + r cos q)^4 - 3 r sin^2 q/(1 + r cos q)^5,

each by dq/df = 1/(1 + r cos q).  At two flux quanta k = -1/(1 - r): one state at every flux needs alpha > 2/(1 - r).
"""

from __future__ import annotations

from typing import ClassVar, Final

import numpy as np

from fluxsense.device.rings.kind import FloatArray, Numbers, RingField
from fluxsense.device.rings.shunted import SHUNT_RATIO, ShuntedRing

MOST_STEPS: Final = 60

ARM_RATIO: Final = RingField("arm_inductance_ratio", "stray inductance of an arm over L_J", 0.05, -1e-9, 0.9)


class StrayArmsRing(ShuntedRing):
    """Four arms, each a junction and a stray inductance r L_J in series; nodes shunted to a common point."""

    name: ClassVar[str] = "stray arms"
    words: ClassVar[str] = "shunted to a common point, with stray inductance in its arms"
    fields: ClassVar[tuple[RingField, ...]] = (SHUNT_RATIO, ARM_RATIO)

    def junction_phase(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """q with q + r sin q = f, by Newton's method from f - r sin f/(1 + r cos f); rad."""
        r = numbers["arm_inductance_ratio"]
        q = f - r * np.sin(f) / (1.0 + r * np.cos(f))
        for _ in range(MOST_STEPS):
            step = (q + r * np.sin(q) - f) / (1.0 + r * np.cos(q))
            q = q - np.clip(step, -1.0, 1.0)
            if not np.any(np.abs(step) > 1e-9):  # the next step would be of the order of its square
                break
        return np.asarray(q)

    def arm_stiffness(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """cos q/(1 + r cos q)."""
        cosine = np.cos(self.junction_phase(f, numbers))
        return np.asarray(cosine / (1.0 + numbers["arm_inductance_ratio"] * cosine))

    def arm_bend(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """-cos q/(1 + r cos q)^4 - 3 r sin^2 q/(1 + r cos q)^5."""
        q, r = self.junction_phase(f, numbers), numbers["arm_inductance_ratio"]
        d = 1.0 + r * np.cos(q)
        return np.asarray(-np.cos(q) / d**4 - 3.0 * r * np.sin(q) ** 2 / d**5)

    def refused(self, numbers: Numbers) -> tuple[str, str] | None:
        """A shunt ratio at which the ring leaves its symmetric state at some flux."""
        ratio, r = np.broadcast_arrays(numbers["shunt_ratio"], numbers["arm_inductance_ratio"])
        if np.all(ratio * (1.0 - r) > 2.0):
            return None
        worst = np.argmin(ratio * (1.0 - r))
        return (
            f"a ring with L_J/(2L) = {ratio.flat[worst]:g} and stray inductances of {r.flat[worst]:g} L_J in its arms leaves "
            "its symmetric state at some flux, which the model does not follow",
            f"Give a shunt ratio above 2/(1 - stray) = {2.0 / (1.0 - r.flat[worst]):.4g}",
        )


KIND = StrayArmsRing()
