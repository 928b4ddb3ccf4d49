"""Probability that a sweep transmits one way, by the fluxes in a pair's two loops.

A pair transmits by the sign of the product of its rings' circulating currents and of the sine of the pump phase
difference.  With a flux F in a loop that varies by a normal flux noise from sweep to sweep, the probability that the
ring's current is positive is a sum of differences of the normal distribution function over the intervals in which
sin f > 0: (k, k + 1/2) for a bare ring in its ground branch, (4 k, 4 k + 2) for a shunted one.  Both loops vary
independently, so with q_1, q_2 those probabilities, a sweep of positive pump phase transmits from 1 to 2 with
p = q_1 q_2 + (1 - q_1)(1 - q_2), and is read so with e + (1 - 2 e) p, e the rate of wrong readings.

That is what the currents alone decide.  Where a pair hardly converts, near a flip or far from its working point, noise of the
analyser, of the gain and of the pump-off sweeps decides with them: `fluxsense.infer.reading_noise` adds it, from the forward model
of the stated chip and the study's noise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache, partial

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.device.chip import Probe
from fluxsense.device.rings import ring_kind
from fluxsense.infer.reading_noise import ReadingNoise, node_values
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

SURE = 1e-12
"""Probabilities are kept this far from 0 and 1."""
FLUX_STEP = 0.01
"""Step of central differences by a flux, in standard deviations of the flux noise."""


@dataclass(frozen=True)
class ReadingLaw:
    """Probability that sweeps of one isolator transmit from 1 to 2, by the fluxes in its two loops.

    Attributes
    ----------
    study : Study
    isolator : int
    probes : tuple of Probe
        Of that isolator, pump on.
    sign : int
        Of the pump phase difference for pump port 1.
    quick : bool
        Noise at fewer fluxes, good to a part in a hundred: for a search over many probes.
    """

    study: Study
    isolator: int
    probes: tuple[Probe, ...]
    sign: int
    quick: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "_turn", np.array([_phase_sign(p, self.sign, self._name) for p in self.probes]))

    @property
    def _name(self) -> str:
        return self.study.isolators[self.isolator].name

    def _positive(self, flux_phi0: FloatArray, sd: float) -> list[FloatArray]:
        """Probability (...) that each ring's current is positive, at mean fluxes (..., 2) and flux noise sd."""
        return [
            ring_kind(stage.ring).positive_probability(flux_phi0[..., k], sd, stage.branch)
            for k, stage in enumerate(self.study.isolators[self.isolator].stages)
        ]

    @cached_property
    def _noise(self) -> list[ReadingNoise]:
        """Of every probe; those that differ in state, cooldown or bias alone are read alike at given fluxes."""
        still = (0.0,) * len(self.study.bias_lines)
        alike = [replace(p, state=0, cooldown=0, bias_a=still) for p in self.probes]
        return [_noise_of(replace(self, probes=(p,))) for p in alike]

    def _decided(self, turn: float, flux_phi0: FloatArray) -> FloatArray:
        """1 where currents alone make a sweep transmit from 1 to 2, 0 where the other way, 1/2 between, at fluxes (..., 2)."""
        same = _alike(*self._positive(flux_phi0, 0.0))
        return same if turn > 0 else 1 - same

    def nodes(self, flux_phi0: FloatArray) -> FloatArray:
        """Probability (M, B, P) of transmission from 1 to 2 at mean fluxes (B, P, 2), for each of `node_values`."""
        same = _alike(*self._positive(flux_phi0, self.study.noise.flux_phi0))
        decided = np.where(self._turn > 0, same, 1 - same)  # type: ignore[attr-defined]
        noise = np.stack([one(flux_phi0[:, n]) for n, one in enumerate(self._noise)], axis=-1)
        return np.asarray(np.clip(decided + noise, 0.0, 1.0))

    def forward(self, flux_phi0: FloatArray) -> FloatArray:
        """Probability (B, P) of transmission from 1 to 2 at mean fluxes (B, P, 2)."""
        return np.asarray(np.tensordot(node_values()[1], self.nodes(flux_phi0), axes=1))

    def slopes(self, flux_phi0: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Probability (B, P), and its derivatives (B, 2, P) by the two fluxes, per Phi0."""
        step = FLUX_STEP * self.study.noise.flux_phi0
        steps = step * np.array([[0.0, 0.0], [1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
        batch, probes, _ = flux_phi0.shape
        around = self.forward((flux_phi0 + steps[:, None, None]).reshape(-1, probes, 2)).reshape(5, batch, probes)
        return around[0], np.stack([around[1] - around[2], around[3] - around[4]], axis=1) / (2 * step)


@lru_cache(maxsize=64)
def _noise_of(law: ReadingLaw) -> ReadingNoise:
    """Of a law of one probe: an inference makes laws of the same sweeps again and again, with the rest of the study as it was."""
    (turn,) = law._turn  # type: ignore[attr-defined]
    decided = partial(law._decided, turn)
    return ReadingNoise.of(law.study, law.isolator, law.probes[0], law.sign, decided, quick=law.quick)


def _alike(first: FloatArray, second: FloatArray) -> FloatArray:
    """Probability that both currents of a pair have one sign, each positive with its own."""
    return first * second + (1 - first) * (1 - second)


def misread(probability: FloatArray, rate: FloatArray | float) -> FloatArray:
    """Probability of reading 'from 1 to 2', with a rate of wrong readings that broadcasts against the probabilities."""
    return np.asarray(rate + (1 - 2 * rate) * probability)


def mean_of_nodes(p: FloatArray) -> FloatArray:
    """Mean (...) of probabilities (M, ...) over what the sweeps of a group share."""
    return np.asarray(np.tensordot(node_values()[1], p, axes=1))


def _phase_sign(probe: Probe, port_sign: int, isolator: str) -> float:
    """Sign of the sine of the pump phase difference."""
    if probe.pump_port is not None:
        return float(port_sign if probe.pump_port == 1 else -port_sign)
    phase = probe.pump_phase_rad or 0.0
    sine = float(np.sin(phase))
    if abs(sine) < 0.5:
        raise InputError(
            f"the pump phase of isolator {isolator}, {np.degrees(phase):.4g} degrees, is far from +-90 degrees, where a pair "
            "does not transmit one way",
            remedy="Leave those sweeps out, or use the complex traces",
        )
    return float(np.sign(sine))
