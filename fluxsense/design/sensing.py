"""A study's device in the trade's units: noise of each loop's flux and of the source, self-Kerr, and the pump's power.

Flux noise is that of one loop read with its pump on, gain, the other loop's flux and all nuisances known: what is quoted of
other sensors.  What the unknowns make of it is the business of `fluxsense.design.sensitivity`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.constants import FLUX_QUANTUM_WB
from fluxsense.design.sensitivity import Bench, planned_experiment
from fluxsense.device.chip import (
    ChipParameters,
    loop_indices,
    loop_outlines_m,
    nominal_parameters,
    study_flux_map,
)
from fluxsense.device.pumped import josephson_energy_hz, self_kerr_hz
from fluxsense.device.rings import ring_kind
from fluxsense.magnetics.loops import distance_to_outline
from fluxsense.model.parameter import Parameter
from fluxsense.model.slopes import scattering_slopes
from fluxsense.readout.chain import WORRYING_MARGIN_DB, Chain, ChainReport, report, sweep_seconds
from fluxsense.readout.kerr import KerrLimit, kerr_limit, photons_in_stages, shifted_transmission
from fluxsense.readout.noise import power_ratio
from fluxsense.readout.published import Comparison, compare
from fluxsense.readout.sensitivity import (
    LoopSensitivity,
    centre_moment_noise_mu_b,
    energy_resolution_hbar,
    field_noise_t,
    flicker_corner_hz,
    flux_noise_at_one_frequency,
    noise_from_information,
    source_noise,
)
from fluxsense.study import Stage, Study
from fluxsense.study.kinds import source_kinds

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

SWEEP_POINTS = 201
"""Frequencies at which slopes are looked at, at least."""
MODE_STEP_HZ = 1e6
"""Scale of a mode's frequency over which the transmission is smooth, for slopes."""
POWER_SPAN_DB = 12.0
"""How far below its limit the pump's power is looked at."""


@dataclass(frozen=True)
class SettingSlopes:
    """One setting of one isolator with the source out, on a grid of frequencies.

    Attributes
    ----------
    setting : int
    s : ndarray (2, 2, F) of complex
        S[to port, from port].
    by_flux : ndarray (2, 2, F) of complex
        [stage, path (S21, S12), F], per Phi0.
    by_mode : ndarray (2, 2, F) of complex
        The same by the signal modes' frequencies, per Hz.
    kerr_hz : ndarray (2,) or None
        Shift of each signal mode per photon, positive downwards; None where no critical current is stated.
    """

    setting: int
    s: ComplexArray
    by_flux: ComplexArray
    by_mode: ComplexArray
    kerr_hz: FloatArray | None


@dataclass(frozen=True)
class PumpPoint:
    """An isolator at one pump power: best isolation (dB) and best flux noise (Phi0/sqrt(Hz)) over its settings."""

    power_w: float
    isolation_db: float
    flux_noise_phi0: float


@dataclass(frozen=True)
class IsolatorSensing:
    """One isolator in the trade's units.

    Attributes
    ----------
    isolator : str
    chain : ChainReport
        In the middle of the sweep.
    loops : tuple of LoopSensitivity
    kerr : KerrLimit or None
        None where no critical current is stated.
    """

    isolator: str
    chain: ChainReport
    loops: tuple[LoopSensitivity, ...]
    kerr: KerrLimit | None


@dataclass(frozen=True)
class Sensing:
    """A study's device in the trade's units.

    Attributes
    ----------
    isolators : tuple of IsolatorSensing
    source_noise : tuple of float
        Along x, y, z, all loops together, each at its best frequency: A m^2/sqrt(Hz) or T/sqrt(Hz).
    seconds_per_sweep : float
    comparisons : tuple of Comparison
        Published sensors beside the device.
    """

    isolators: tuple[IsolatorSensing, ...]
    source_noise: tuple[float, float, float]
    seconds_per_sweep: float
    comparisons: tuple[Comparison, ...]


def _grid(study: Study) -> FloatArray:
    sweep = study.sweep
    return np.linspace(sweep.start_hz, sweep.stop_hz, max(SWEEP_POINTS, sweep.points))


def setting_slopes(bench: Bench, parameters: ChipParameters) -> list[SettingSlopes]:
    """Scattering matrix and slopes of a bench's settings at the nominal flux with the source out."""
    model, i = bench.model, bench.isolator
    bare = parameters.changed(source=np.zeros_like(parameters["source"]))
    flux = model.probe_flux(bare, i)
    stages = model.study.isolators[i].stages
    modes = [
        Parameter(f"signal mode {n}", "signal_frequency_hz", (i, n), x.signal_frequency_hz, MODE_STEP_HZ, "Hz")
        for n, x in enumerate(stages)
    ]
    _, slopes = scattering_slopes(model, bare, i, flux, modes)
    every = model.scattering(bare, i, ("11", "12", "21", "22"), flux=flux)[0]
    # slopes by the frequency at zero flux to slopes by the frequency that the mode has at this flux
    now = model.kernel_rows(bare, i, flux)["signal_frequency_hz"]  # (P, 2)
    factor = now / np.array([x.signal_frequency_hz for x in stages])
    return [
        SettingSlopes(
            setting,
            every[p].reshape(2, 2, -1),
            slopes[0, :2, p],
            slopes[0, 2:, p] / factor[p][:, None, None],
            _kerr_hz(stages, flux[0, p], now[p]),
        )
        for p, setting in enumerate(bench.settings)
    ]


def _kerr_hz(stages: Sequence[Stage], flux_phi0: FloatArray, frequency_hz: FloatArray) -> FloatArray | None:
    """Shift of each signal mode (2,) per photon of its own, Hz; None where a critical current is not stated."""
    out = []
    for stage, flux, frequency in zip(stages, flux_phi0, frequency_hz, strict=True):
        if stage.critical_current_a is None:
            return None
        ring = ring_kind(stage.ring)
        numbers = {x.name: np.asarray(getattr(stage, x.name)) for x in ring.fields}
        f = ring.quarter_phase(flux, stage.branch)
        lam = ring.stiffness(ring.quarter_phase(0.0, 0), numbers) / ring.stiffness(f, numbers)
        p = stage.signal_participation
        share = p * lam / (1 + p * (lam - 1))
        out.append(self_kerr_hz(ring, f, numbers, frequency, share, josephson_energy_hz(stage.critical_current_a)))
    return np.array(out)


def sensing(study: Study, chain: Chain) -> Sensing:
    """Noise of flux, field and moment, self-Kerr and comparison of a study read out through a chain.

    Parameters
    ----------
    study : Study
    chain : Chain

    Returns
    -------
    Sensing

    Raises
    ------
    InputError
        If the study plans no setting or the chain cannot be worked with.
    """
    grid = _grid(study)
    experiment = planned_experiment(study, frequency_hz=grid)
    parameters = nominal_parameters(study)
    rows, outlines, loops = study_flux_map(study), loop_outlines_m(study), loop_indices(study)
    middle = 0.5 * (study.sweep.start_hz + study.sweep.stop_hz)
    at = report(chain, middle)
    isolators = []
    best = np.full(len(study.loops), np.inf)
    for i, iso in enumerate(study.isolators):
        points = [x for b in experiment.benches if b.isolator == i for x in setting_slopes(b, parameters)]
        found = []
        for stage, loop in enumerate(loops[i]):
            one = _loop_sensitivity(study, chain, at, points, (stage, int(loop), grid))
            best[loop] = min(best[loop], one.flux_noise_phi0)
            found.append(one)
        isolators.append(IsolatorSensing(iso.name, at, tuple(found), _kerr(study, at, points, grid, i)))
    noise = source_noise(best, rows)
    return Sensing(
        tuple(isolators),
        (float(noise[0]), float(noise[1]), float(noise[2])),
        sweep_seconds(chain.readout, study.sweep.points),
        tuple(_comparisons(study, float(best.min()), float(noise.min()), outlines)),
    )


def _loop_sensitivity(
    study: Study, chain: Chain, at: ChainReport, points: Sequence[SettingSlopes], where: tuple[int, int, FloatArray]
) -> LoopSensitivity:
    """One loop over an isolator's settings; where: (stage, position among the loops, frequencies)."""
    stage, number, grid = where
    loop = study.loops[number]
    slopes = np.abs(np.stack([x.by_flux[stage] for x in points]))  # (settings, 2, F)
    _, _, f = np.unravel_index(int(np.argmax(slopes)), slopes.shape)
    noise = float(flux_noise_at_one_frequency(at.power_w, at.system_k, slopes.max()))
    per_point = (slopes**2).sum(axis=1).mean(axis=1).max()  # both directions, at the best setting
    per_sweep = per_point * study.sweep.points / at.sigma**2
    swept = float(noise_from_information(per_sweep / sweep_seconds(chain.readout, study.sweep.points)))
    slow = study.noise.flux_slow_phi0
    inductance = loop.inductance_phi0_per_a
    return LoopSensitivity(
        loop=loop.name,
        flux_noise_phi0=noise,
        frequency_hz=float(grid[f]),
        flux_noise_sweep_phi0=swept,
        field_t=field_noise_t(noise, loop_outlines_m(study)[number]),
        centre_mu_b=centre_moment_noise_mu_b(noise, loop_outlines_m(study)[number]),
        energy_hbar=None if inductance is None else energy_resolution_hbar(noise, inductance * FLUX_QUANTUM_WB),
        corner_hz=flicker_corner_hz(slow, noise) if slow > 0 else None,
    )


def _kerr(
    study: Study, at: ChainReport, points: Sequence[SettingSlopes], grid: FloatArray, isolator: int
) -> KerrLimit | None:
    """Self-Kerr bias of the worst setting against the noise of its averaged sweeps."""
    linewidth = [x.signal_linewidth_hz for x in study.isolators[isolator].stages]
    bias = 0.0
    for point in points:
        if point.kerr_hz is None:
            return None
        photons = photons_in_stages(point.s, at.power_w, grid, linewidth)
        change = shifted_transmission(point.by_mode, point.kerr_hz, photons)
        bias = max(bias, float(np.max(np.abs(change))))
    return kerr_limit(at.power_w, bias, at.sigma / float(np.sqrt(study.plan.repeats)))


def _comparisons(study: Study, flux_phi0: float, source: float, outlines: Sequence[FloatArray]) -> list[Comparison]:
    """Published sensors beside the device for the study's source."""
    if not source_kinds()[study.source.kind].has_position:
        return compare(flux_phi0, field_noise_t=source)
    place = np.array(study.source.position_m)
    distance = min(float(distance_to_outline(place, x)) for x in outlines)
    return compare(flux_phi0, moment_noise_a_m2=source, distance_m=distance)


@dataclass(frozen=True)
class ProbePower:
    """A probe power to propose.

    Attributes
    ----------
    power_w : float
        At the chip.
    held_by : str
        What keeps it from being higher: "self-Kerr" (its bias equals the noise), "compression" (a stage comes within
        `WORRYING_MARGIN_DB` of its compression point) or "limit" (the study's, of the source).
    name : str
        The isolator or the stage that does.
    """

    power_w: float
    held_by: str
    name: str


def best_probe_power(found: Sensing, source_w: float, limit_w: float | None) -> ProbePower | None:
    """The highest probe power that neither biases a sweep by more than its noise nor saturates a stage.

    Parameters
    ----------
    found : Sensing
        At the power in use.
    source_w : float
        Source power in use.
    limit_w : float, optional
        Highest source power allowed.

    Returns
    -------
    ProbePower or None
        None where no isolator's critical currents are stated, so that nothing is known of the first.
    """
    kerr = [(x.kerr.equal_power_w, x.isolator) for x in found.isolators if x.kerr is not None]
    if not kerr:
        return None
    at = found.isolators[0].chain
    power, name = min(kerr)
    choices = [ProbePower(power, "self-Kerr", name)]
    close = at.closest_to_compression
    if close is not None:
        room = power_ratio(close.margin_db - WORRYING_MARGIN_DB)
        choices.append(ProbePower(at.power_w * room, "compression", close.name))
    if limit_w is not None:
        choices.append(ProbePower(at.power_w * limit_w / source_w, "limit", "source"))
    return min(choices, key=lambda x: x.power_w)


def against_pump_power(study: Study, chain: Chain, isolator: int, limit_w: float, count: int = 7) -> list[PumpPoint]:
    """Isolation and flux noise of an isolator against the pump's power, up to a limit.

    Parameters
    ----------
    study : Study
    chain : Chain
    isolator : int
    limit_w : float
    count : int
        Powers, evenly spaced in dB over `POWER_SPAN_DB` below the limit.

    Returns
    -------
    list of PumpPoint
        Each the best over the isolator's settings.
    """
    name = study.isolators[isolator].name
    own = [s for s in study.settings if name in s.isolators]
    out = []
    middle = 0.5 * (study.sweep.start_hz + study.sweep.stop_hz)
    at = report(chain, middle)
    for power in limit_w * 10 ** (np.linspace(-POWER_SPAN_DB, 0, count) / 10):
        settings = tuple(replace(s, isolators=(name,), pump_power_w=float(power)) for s in own)
        experiment = planned_experiment(study, settings=settings, frequency_hz=_grid(study))
        parameters = nominal_parameters(study)
        points = [x for b in experiment.benches if b.isolator == isolator for x in setting_slopes(b, parameters)]
        slope = max(float(np.max(np.abs(x.by_flux))) for x in points)
        ratio = max(
            float(np.max(np.abs(np.log10(np.abs(x.s[1, 0]) + 1e-10) - np.log10(np.abs(x.s[0, 1]) + 1e-10))))
            for x in points
        )
        noise = float(flux_noise_at_one_frequency(at.power_w, at.system_k, slope))
        out.append(PumpPoint(float(power), 20 * ratio, noise))
    return out
