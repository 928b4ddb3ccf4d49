"""An instrument that is simulated, to try an acquisition loop with before there is a chip.

It measures what the model says with the noise that the study states, through lines of unknown gain and delay.  The noise of the
k-th sweep of a setting is a stream of its own, so that two loops that take the same sweeps get the same noise.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from fluxsense.base.streams import stream
from fluxsense.data.digest import GroupKey
from fluxsense.data.touchstone import Sweep
from fluxsense.device.chip import ChipModel, ChipParameters
from fluxsense.device.lines import line_gain
from fluxsense.model.likelihood import probe_of
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
PORTS = ("11", "21", "12", "22")


class SimulatedInstrument:
    """Sweeps of a chip whose true numbers are given.

    Parameters
    ----------
    study : Study
    parameters : ChipParameters
        The truth, a batch of one.
    port_signs : sequence of int
        The true wiring of each isolator's pump ports.
    seed : int
        Of lines and noise.

    Attributes
    ----------
    time_s : float
        Of its clock: a sweep takes what the study's plan says, and `wait` lets time pass.
    """

    def __init__(self, study: Study, parameters: ChipParameters, port_signs: Sequence[int], seed: int) -> None:
        self.study, self.parameters, self.port_signs = study, parameters, tuple(port_signs)
        self._seed = seed
        self._frequency_hz = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, study.sweep.points)
        self._gains = [
            line_gain(stream(seed, "lines of a simulated instrument", i), self._frequency_hz)
            for i in range(len(study.isolators))
        ]
        self._taken: dict[GroupKey, int] = {}
        self.time_s = 0.0

    def wait(self, seconds: float) -> None:
        """Let time pass, for settling or a change of the source."""
        self.time_s += seconds

    def measure(self, setting: GroupKey, repeats: int = 1) -> list[tuple[float, Sweep]]:
        """Take sweeps of one setting.

        Parameters
        ----------
        setting : GroupKey
        repeats : int

        Returns
        -------
        list of (float, Sweep)
            When each was taken, in s, and the sweep.
        """
        study, noise = self.study, self.study.noise
        probe = probe_of(study, setting, study.plan.cooldowns)
        i = probe.isolator
        model = ChipModel(study, [probe], [self._frequency_hz] * len(study.isolators), self.port_signs)
        flux = model.probe_flux(self.parameters, i)  # (1, 1, 2)
        own = self._stream(setting, 0)
        residual = 1 + noise.residual_gain * _normal(own, 4)
        level = np.median(np.abs(self._gains[i]), axis=1)
        out = []
        for _ in range(repeats):
            number = self._taken[setting] = self._taken.get(setting, 0) + 1
            rng = self._stream(setting, number)
            shift = noise.flux_phi0 * rng.standard_normal((1, 1, 2))
            s = model.scattering(self.parameters, i, PORTS, flux=flux + shift)[0, 0]  # (4, F)
            drift = 1 + noise.gain_drift * rng.standard_normal(4)
            drift = drift * np.exp(1j * noise.phase_drift_rad * rng.standard_normal(4))
            raw = s * self._gains[i] * (residual * drift)[:, None]
            raw = raw + noise.white * level[:, None] * _normal(rng, raw.shape)
            if study.data.of_magnitudes:
                raw = np.abs(raw).astype(np.complex128)
            self.time_s += study.plan.seconds_per_sweep
            f = self._frequency_hz
            out.append((self.time_s, Sweep(f, raw.reshape(2, 2, f.size).transpose(2, 1, 0), 50.0)))
        return out

    def _stream(self, setting: GroupKey, number: int) -> np.random.Generator:
        text = repr(setting.as_json()).encode()
        words = [int.from_bytes(text[k : k + 4], "little") for k in range(0, len(text), 4)]
        return stream(self._seed, "noise of a simulated instrument", number, *words)


def _normal(rng: np.random.Generator, shape: int | tuple[int, ...]) -> npt.NDArray[np.complex128]:
    return np.asarray(rng.standard_normal(shape) + 1j * rng.standard_normal(shape))
