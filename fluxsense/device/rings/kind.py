"""What every kind of ring has in common: four equal arms round a loop, perhaps shunted to a common point.

Node phases p_1..p_4 in order round the ring; an arm's phase is d_k = p_(k+1) - p_k + f with f = (pi/2)(F + n), a quarter
of the phase of the loop's flux F (flux quanta) and of the n flux quanta that a latching ring has let in.  Each arm has an
energy u(d) in units of the junction's E_J (for a plain junction -cos d).  Modes: X = p1 - p3, Y = p2 - p4,
Z = (p1 + p3 - p2 - p4)/2.  An inductor L from each node to one floating common point adds alpha (X^2/2 + Y^2/2 + Z^2)
with the shunt ratio alpha = L_J/(2L).  The arms' phases are f -+ Z + (Y -+ X)/2 and so on, hence for X, Y small at any Z

    E / E_J = E_0(Z) + 1/2 (X, Y) [[K, -s], [-s, K]] (X, Y)^T,
    K = (k(f + Z) + k(f - Z))/2 + alpha,     s = (k(f - Z) - k(f + Z))/2,     k = u'',

and the curvature by Z at rest is 4 k(f) + 2 alpha.  With k = cos this is the usual ring modulator (Bergeal et al.,
Nature Physics 6, 296 (2010); shunted: Roch et al., Phys. Rev. Lett. 108, 147701 (2012); cited from memory, derived anew).

A kind is a class of its own with one instance, registered; what it is made of (`Ring.fields`) are fields of a stage in
the study or named arrays of the model.  Every method takes plain arrays that broadcast and checks nothing;
`Ring.checked` does.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import ClassVar, Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
Numbers = Mapping[str, FloatArray]
"""What a ring is made of: arrays by the names in `Ring.fields`."""

SMALLEST_SD_PHI0: Final = 1e-6


@dataclass(frozen=True)
class RingField:
    """One number that a ring is made of.

    name is the field of the study's stage and the named array of the model; default is its value where a study does not
    say; low and high are bounds, both excluded; words name it in sentences.
    """

    name: str
    words: str
    default: float
    low: float
    high: float


class Ring(ABC):
    """A kind of ring.

    Attributes
    ----------
    name : str
        As the study writes it.
    words : str
        What it is, for people.
    fields : tuple of RingField
    period_phi0 : float
        Flux after which it is the same again; its circulating current is positive in the first half.
    latches : bool
        Whether it can hold a branch away from its ground state.
    """

    name: ClassVar[str]
    words: ClassVar[str]
    fields: ClassVar[tuple[RingField, ...]] = ()
    period_phi0: ClassVar[float] = 4.0
    latches: ClassVar[bool] = False

    def quarter_phase(self, flux_phi0: npt.ArrayLike, branch: npt.ArrayLike | None = None) -> FloatArray:
        """Phase f of an arm at rest, rad, for a flux in flux quanta; only rings that latch take notice of the branch."""
        return np.asarray(0.5 * np.pi * np.asarray(flux_phi0, dtype=np.float64))

    def numbers_of(self, stage: object) -> Numbers:
        """What the ring of a study's stage is made of."""
        return {x.name: np.array(float(getattr(stage, x.name, x.default))) for x in self.fields}

    @abstractmethod
    def junction_phase(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Phase across an arm's junction when the arm's phase is f; `sin` of it is the circulating current over I_c."""

    @abstractmethod
    def arm_stiffness(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """k(f) = u''(f): curvature of an arm's energy, units of E_J."""

    @abstractmethod
    def arm_bend(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """k''(f) = u''''(f), units of E_J; minus cos f for a plain junction.  It makes the self-Kerr shift."""

    def shunt(self, numbers: Numbers) -> FloatArray | float:
        """Shunt ratio alpha, 0 where there are no shunts."""
        return 0.0

    def refused(self, numbers: Numbers) -> tuple[str, str] | None:
        """What is wrong with such a ring (bounds apart) and a remedy; None if it can be modelled at every flux."""
        return None

    def checked(self, numbers: Numbers) -> Numbers:
        """The same numbers as float arrays, after a check.

        Raises
        ------
        InputError
            For a number that is missing, unknown or out of bounds, and for what `refused` names.
        """
        known = {x.name: x for x in self.fields}
        out: dict[str, FloatArray] = {}
        for name in {**known, **numbers}:
            if name not in known or name not in numbers:
                wrong = "is missing" if name in known else "is not part of it"
                raise InputError(
                    f"a ring ({self.words}) has no such number or lacks it: {name.replace('_', ' ')} {wrong}",
                    where=name,
                    remedy=f"Give {_listed(x.name for x in self.fields)} for this kind.",
                )
            field, value = known[name], np.asarray(numbers[name], dtype=np.float64)
            bad = ~((value > field.low) & (value < field.high))
            if np.any(bad):
                raise InputError(
                    f"the {field.words} must lie between {field.low:g} and {field.high:g}, got {value[bad].flat[0]:g}",
                    where=name,
                )
            out[name] = value
        fault = self.refused(out)
        if fault is not None:
            raise InputError(fault[0], where=self.name, remedy=fault[1])
        return out

    def circulating_current(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Current round the ring in units of the junctions' critical current."""
        return np.asarray(np.sin(self.junction_phase(f, numbers)))

    def stiffness(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """K(f) of the X and Y modes without a pump, units of E_J."""
        return np.asarray(self.arm_stiffness(f, numbers) + self.shunt(numbers))

    def inductance_ratio(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Inductance of the X and Y modes relative to zero flux; nan where there is no such state of the ring."""
        return self._ratio(f, numbers, 1.0)

    def pump_inductance_ratio(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Inductance of the Z mode, which carries the pump, relative to zero flux; nan as in `inductance_ratio`."""
        return self._ratio(f, numbers, 0.5)

    def _ratio(self, f: FloatArray, numbers: Numbers, part: float) -> FloatArray:
        shunt = part * np.asarray(self.shunt(numbers))
        curvature = self.arm_stiffness(np.asarray(f, dtype=np.float64), numbers) + shunt
        if np.any(curvature <= 0.0):
            curvature = np.where(curvature > 0.0, curvature, np.nan)
        return np.asarray((self.arm_stiffness(np.zeros(()), numbers) + shunt) / curvature)

    def mode_frequency_hz(
        self, f: FloatArray, numbers: Numbers, zero_flux_hz: npt.ArrayLike, participation: npt.ArrayLike
    ) -> FloatArray:
        """Frequency of a mode without a pump: w0/sqrt(1 + p (lam - 1)), Hz.

        A lumped mode w = 1/sqrt(L C), of whose inductance at zero flux the part p scales with `inductance_ratio`.
        """
        total = 1.0 + np.asarray(participation) * (self.inductance_ratio(f, numbers) - 1.0)
        return np.asarray(np.asarray(zero_flux_hz) / np.sqrt(total))

    def sign(self, f: FloatArray, numbers: Numbers) -> FloatArray:
        """Sign of coupling and circulating current, 0 within rounding of no current."""
        return np.asarray(np.sign(np.round(self.circulating_current(f, numbers), 12)))

    def positive_probability(self, flux_phi0: FloatArray, sd_phi0: float, branch: int | None = None) -> FloatArray:
        """Probability that the circulating current is positive, for mean fluxes of any shape and normal flux noise.

        Parameters
        ----------
        flux_phi0 : ndarray
        sd_phi0 : float
            Taken as at least `SMALLEST_SD_PHI0`.
        branch : int, optional
            Branch held, of a ring that latches.

        Returns
        -------
        ndarray
            Same shape: the normal law's weight of the first half of every period.
        """
        sd, period = max(sd_phi0, SMALLEST_SD_PHI0), self.period_phi0
        first = np.floor(flux_phi0 / period)
        reach = int(np.ceil(8 * sd / period))
        total = np.zeros(np.shape(flux_phi0))
        for k in range(-reach, reach + 1):
            begin = (first + k) * period
            total += ndtr((begin + 0.5 * period - flux_phi0) / sd) - ndtr((begin - flux_phi0) / sd)
        return np.clip(total, 0.0, 1.0)


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "no numbers"
