"""The ring without shunts: it latches, and its coupling changes sign at half-integer flux."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fluxsense.base.errors import InputError
from fluxsense.device.rings.kind import SMALLEST_SD_PHI0, FloatArray, IntArray, Numbers, Ring


class BareRing(Ring):
    """Four junctions and nothing else.

    It can sit on any branch n with abs(F + n) < 1, where its arms have the phase (pi/2)(F + n).  The energy of branch n
    is -4 E_J cos f, lowest for the smallest abs(F + n); a branch stays a local minimum while cos f > 0.
    """

    name: ClassVar[str] = "bare"
    words: ClassVar[str] = "no shunts, latching"
    period_phi0: ClassVar[float] = 1.0
    latches: ClassVar[bool] = True

    def quarter_phase(self, flux_phi0: npt.ArrayLike, branch: npt.ArrayLike | None = None) -> FloatArray:
        """Phase (pi/2)(F + n) of an arm.

        Parameters
        ----------
        flux_phi0 : array_like
            Flux F in the loop, in flux quanta.
        branch : array_like of int, optional
            Branch n that the ring holds; broadcasts.  It is honoured where it is (meta)stable, abs(F + n) < 1, and
            replaced by the ground branch n = -round(F) elsewhere (a tie at half-integer F goes to even n).

        Raises
        ------
        InputError
            For a branch that is not an integer.
        """
        flux = np.asarray(flux_phi0, dtype=np.float64)
        held = -np.round(flux)
        if branch is not None:
            number = _whole(branch, "branch")
            held = np.where(np.abs(flux + number) < 1.0, number, held)
        return np.asarray(0.5 * np.pi * (flux + held))

    def junction_phase(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """The arm's own phase."""
        return f

    def arm_stiffness(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """cos f."""
        return np.asarray(np.cos(f))

    def arm_bend(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Minus cos f."""
        return np.asarray(-np.cos(f))

    def positive_probability(self, flux_phi0: FloatArray, sd_phi0: float, branch: int | None = None) -> FloatArray:
        """Probability of a positive current; in branch n it is positive for 0 < F + n < 1 and negative for -1 < F + n < 0."""
        total = super().positive_probability(flux_phi0, sd_phi0)
        if branch is None:
            return total
        sd = max(sd_phi0, SMALLEST_SD_PHI0)
        for low, sign in ((-float(branch), 1.0), (-1.0 - float(branch), 0.0)):
            # the ground branch is positive below the middle of the interval and negative above
            inside = [ndtr((x - flux_phi0) / sd) for x in (low, low + 0.5, low + 1.0)]
            total = total + sign * (inside[2] - inside[0]) - (inside[1] - inside[0])
        return np.clip(total, 0.0, 1.0)


def follow_branch(flux_path_phi0: npt.ArrayLike, start_branch: int | None = None) -> IntArray:
    """Branch of a bare ring at each point of a flux ramp.

    Parameters
    ----------
    flux_path_phi0 : array_like, shape (T,)
        Flux in the order in which it is applied, in flux quanta.  Between two points the flux is taken to move
        monotonically.
    start_branch : int, optional
        Branch before the first point; the ground branch of the first point if not given.

    Returns
    -------
    ndarray of int, shape (T,)
        Branch n at each point.  It is kept while abs(F + n) < 1; there the local minimum disappears (cos f = 0) and the
        ring is taken to settle in the ground branch -round(F) of that point.

    Raises
    ------
    InputError
        If the path is not one-dimensional or not finite, or the start is not an integer.

    Notes
    -----
    Thermal escape over the vanishing barrier is left out: at millikelvin temperature it moves the jump a little below
    abs(F + n) = 1.
    """
    path = np.asarray(flux_path_phi0, dtype=np.float64)
    if path.ndim != 1 or not np.all(np.isfinite(path)):
        raise InputError(
            f"a flux ramp must be a plain list of finite numbers, got an array of shape {path.shape}",
            where="flux_path_phi0",
            remedy="Give one ramp at a time, in flux quanta.",
        )
    if path.size == 0:
        return np.empty(0, dtype=np.int64)
    held = round(-path[0]) if start_branch is None else int(_whole(start_branch, "start_branch"))
    branches = []
    for flux in path.tolist():  # plain numbers: ramps are short, and this is called for thousands of them
        if abs(flux + held) >= 1.0:
            held = round(-flux)
        branches.append(held)
    return np.array(branches, dtype=np.int64)


def _whole(value: npt.ArrayLike, where: str) -> FloatArray:
    number = np.asarray(value, dtype=np.float64)
    broken = ~(np.isfinite(number) & (number == np.round(number)))
    if np.any(broken):
        raise InputError(
            f"a branch is a whole number, got {number[broken].flat[0]:g}",
            where=where,
            remedy="Use ..., -1, 0, 1, ...: minus the number of flux quanta that the ring has let in.",
        )
    return number


KIND = BareRing()
