"""What an analyser's noise does to readings of direction: their probability over the fluxes of both loops.

A sweep is read by the sign of D = sum_f w (|S21|^2/P21 - |S12|^2/P12), P the powers of its pump-off mean and w a weight that
leaves out where that passes next to nothing (`fluxsense.data.counts.transmits_forward`).  Away from a flip D is many times its
noise and only the rings' currents decide; next to one, where the pair hardly converts, noise decides.  With mean D(F) and standard
deviation s(F) of D at fluxes F, from the forward model of the stated chip, a sweep reads 'from 1 to 2' with Phi((D + b)/s); flux
noise averages that over F.  b is what all sweeps of a group share: the noise of their pump-off mean and the gain that is left
between both; it is normal, and its nodes are those of Gauss and Hermite.

To first order in the noise n of variance v per quadrature of a path of power p = |S|^2 and pump-off power P from K sweeps

    var |S + n|^2 = 4 p v + 4 v^2,    var P = 4 P v/K + 4 (v/K)^2,    var of a gain's power = 4 (its standard deviation)^2

(derived).  What is tabulated is only the difference Phi((D + b)/s) - [currents agree], averaged over the flux noise by two
matrix products; the rest has a closed form.  Points lie close where currents turn round and the difference jumps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fluxsense.device.chip import ChipModel, Probe, nominal_parameters, off_probe
from fluxsense.device.rings import ring_kind
from fluxsense.study import Stage, Study

if TYPE_CHECKING:
    from scipy.interpolate import RectBivariateSpline

FloatArray = npt.NDArray[np.float64]

NODES: Final = 5
"""Values of what the sweeps of a group share."""


@dataclass(frozen=True)
class Spacing:
    """Distances of the points of a flux: next to a flip and up to where they grow quickly (standard deviations of the flux noise; an
    analyser's noise may act over little), factors from one to the next up to there and beyond, and the largest (flux quanta)."""

    finest: float
    fine: float
    growth: tuple[float, float]
    coarse_phi0: float


CLOSE: Final = Spacing(0.01, 0.25, (2.0, 1.3), 0.045)
WIDE: Final = Spacing(0.03, 0.4, (2.2, 1.6), 0.13)
MOST_FREQUENCIES: Final = (41, 15)
"""Frequencies at which sweeps are solved, and in a search; their sums stand for those over all."""
REACH: Final = 6.0
"""Flux noise is followed so many standard deviations."""
HELD: Final = 0.98
"""Part of a held branch that is solved: at its end the ring leaves it."""
AT_ONCE: Final = 2000
"""Pairs of fluxes that are solved together: bounds the memory."""


def node_values() -> tuple[FloatArray, FloatArray]:
    """Standard normal values (M,) of what a group shares, and their weights (M,), which add up to one."""
    z, weight = np.polynomial.hermite_e.hermegauss(NODES)
    return z, weight / weight.sum()


@dataclass(frozen=True)
class Axis:
    """Points of one loop's flux over a period, or over the branch that a ring is held in.

    Attributes
    ----------
    points : ndarray (N,)
    period : float
        0 where the ring is held in a branch.
    """

    points: FloatArray
    period: float

    @classmethod
    def of(cls, stage: Stage, sd_phi0: float, spacing: Spacing = CLOSE) -> Axis:
        """Close points where the current turns round."""
        kind = ring_kind(stage.ring)
        half, steps = 0.5 * kind.period_phi0, [0.0]
        step = spacing.finest * sd_phi0
        while steps[-1] < 0.5 * half:
            steps.append(steps[-1] + min(step, spacing.coarse_phi0))
            step *= spacing.growth[step >= spacing.fine * sd_phi0]
        rise = 0.5 * half * np.array(steps) / steps[-1]
        quarter = np.concatenate([rise, half - rise[-2::-1]])  # from one flip to the next
        if kind.latches and stage.branch is not None:
            quarter = quarter[quarter < HELD * half] * 2.0  # a held branch is twice as long, and has no flip at its end
            return cls(np.concatenate([-quarter[:0:-1], quarter]) - stage.branch, 0.0)
        return cls(np.concatenate([-quarter[:0:-1], quarter]), kind.period_phi0)

    def inside(self, flux_phi0: FloatArray) -> FloatArray:
        """Fluxes carried into the points' range."""
        if self.period:
            return np.asarray(flux_phi0 - self.period * np.round(flux_phi0 / self.period))
        return np.clip(flux_phi0, self.points[0], self.points[-1])

    def averaging(self, sd_phi0: float) -> FloatArray:
        """Matrix (N, N) that averages values at the points over normal flux noise about each of them."""
        p = self.points
        weight = np.gradient(p)
        weight[[0, -1]] *= 0.5 if self.period else 1.0
        reach = int(np.ceil(REACH * sd_phi0 / self.period)) if self.period else 0
        shifts = self.period * np.arange(-reach - 1, reach + 2) if self.period else np.zeros(1)
        z = (p[None, :, None] + shifts - p[:, None, None]) / sd_phi0
        out = weight * np.exp(-0.5 * z**2).sum(axis=2)
        return np.asarray(out / out.sum(axis=1, keepdims=True))


@dataclass(frozen=True)
class ReadingNoise:
    """What noise adds to the probability of one probe's reading 'from 1 to 2', over the mean fluxes of both loops.

    Attributes
    ----------
    axes : pair of Axis
    tables : ndarray (M, N1, N2)
        One for each of `node_values`.
    """

    axes: tuple[Axis, Axis]
    tables: FloatArray

    def __post_init__(self) -> None:
        from scipy.interpolate import RectBivariateSpline  # slow to import, and of directions only

        one, two = (a.points for a in self.axes)
        object.__setattr__(self, "_splines", [RectBivariateSpline(one, two, t) for t in self.tables])

    def __call__(self, flux_phi0: FloatArray) -> FloatArray:
        """Addition (M, ...) at fluxes (..., 2)."""
        one, two = (axis.inside(flux_phi0[..., k]) for k, axis in enumerate(self.axes))
        splines: list[RectBivariateSpline] = self._splines  # type: ignore[attr-defined]
        return np.array([s.ev(one, two) for s in splines])

    @classmethod
    def of(
        cls,
        study: Study,
        isolator: int,
        probe: Probe,
        sign: int,
        hard: Callable[[FloatArray], FloatArray],
        *,
        quick: bool = False,
    ) -> ReadingNoise:
        """Of sweeps of a study's probe.

        Parameters
        ----------
        study : Study
        isolator : int
        probe : Probe
            Pump on.
        sign : int
            Of the pump phase difference for pump port 1.
        hard : callable
            Fluxes (..., 2) to 1 where the currents alone make a sweep read 'from 1 to 2', 0 where the other way.
        quick : bool
            At fewer fluxes.
        """
        sd, spacing = study.noise.flux_phi0, WIDE if quick else CLOSE
        first, second = (Axis.of(stage, sd, spacing) for stage in study.isolators[isolator].stages)
        # both fluxes reversed reverse both couplings, and transmission knows their product alone: half of the pairs will do
        even = all(np.array_equal(a.points, -a.points[::-1]) for a in (first, second))
        rows = first.points[: first.points.size // 2 + 1] if even else first.points
        half = np.stack(np.meshgrid(rows, second.points, indexing="ij"), axis=-1)
        found = np.array(decision(study, isolator, probe, sign, half.reshape(-1, 2), MOST_FREQUENCIES[quick]))
        found = found.reshape(3, *half.shape[:2])
        if even:
            found = np.concatenate([found, found[:, -2::-1, ::-1]], axis=1)
        mean, own, shared = found
        flux = np.stack(np.meshgrid(first.points, second.points, indexing="ij"), axis=-1)
        z, _ = node_values()
        soft = ndtr((mean + z[:, None, None] * shared) / np.maximum(own, 1e-300)) - hard(flux)
        tables = first.averaging(sd) @ soft @ second.averaging(sd).T
        return cls((first, second), tables)


def decision(
    study: Study,
    isolator: int,
    probe: Probe,
    sign: int,
    flux_phi0: FloatArray,
    most_frequencies: int = MOST_FREQUENCIES[0],
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean of D at fluxes (N, 2), standard deviation of its own noise, and of what the sweeps of a group share, (N,) each.

    Of the stated chip, with as many pump-off sweeps as the study plans, taken at the same fluxes.
    """
    noise, planned = study.noise, max(1, study.plan.off_repeats)
    points = study.sweep.points
    every = max(1, -(-points // most_frequencies))
    f = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, points)[::every]
    share = points / f.size
    on = replace(probe, state=0, cooldown=0)
    count = len(study.isolators)
    models = [ChipModel(study, [p], [f] * count, [sign] * count) for p in (on, off_probe(on))]
    nominal = nominal_parameters(study)
    mean, own, shared = (np.empty(len(flux_phi0)) for _ in range(3))
    v = noise.white**2
    for start in range(0, len(flux_phi0), AT_ONCE):
        some = slice(start, start + AT_ONCE)
        here = flux_phi0[some, None, :]
        many = nominal.repeated(len(here))
        on_power, off_power = (np.abs(m.scattering(many, isolator, flux=here)[:, 0]) ** 2 for m in models)
        seen = off_power + 2 * v / planned  # (N, 2, F): the mean of a noisy power
        passed = np.sqrt(seen[:, 0] * seen[:, 1])
        weight = np.minimum(passed / np.median(passed, axis=1, keepdims=True), 1.0)[:, None] / seen
        level = share * np.sum(weight * (on_power + 2 * v), axis=2)
        mean[some] = level[:, 0] - level[:, 1]
        white = share * np.sum(weight**2 * (4 * on_power * v + 4 * v**2), axis=(1, 2))
        loose = (4 * off_power * v / planned + 4 * (v / planned) ** 2) / seen**2
        of_off = share * np.sum(weight**2 * on_power**2 * loose, axis=(1, 2))
        gain = 4 * np.sum(level**2, axis=1)
        own[some] = np.sqrt(white + gain * noise.gain_drift**2)
        shared[some] = np.sqrt(of_off + gain * (noise.gain_drift**2 / planned + 2 * noise.residual_gain**2))
    return mean, own, shared


__all__ = ["Axis", "ReadingNoise", "decision", "node_values"]
