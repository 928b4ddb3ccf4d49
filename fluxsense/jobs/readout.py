"""A study's read-out chain in the trade's units, as part of what `check` and `plan` say, and measured noise beside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np

from fluxsense.base.constants import BOHR_MAGNETON_A_M2
from fluxsense.base.findings import Finding
from fluxsense.base.units import watt_to_dbm
from fluxsense.data.chains import chain_of, looks_hz, with_probe_power
from fluxsense.data.digest import Digest
from fluxsense.data.noise_levels import measure_noise, relative_white
from fluxsense.design.sensing import (
    IsolatorSensing,
    PumpPoint,
    Sensing,
    against_pump_power,
    best_probe_power,
    sensing,
)
from fluxsense.device.chip import ChipModel, nominal_parameters, setting_probe, with_source_out
from fluxsense.readout.allotment import Band, allot, overlaps
from fluxsense.readout.chain import (
    NOTABLE_FACTOR,
    WORRYING_MARGIN_DB,
    Cause,
    Chain,
    ChainReport,
    causes,
    white_noise,
)
from fluxsense.readout.published import Comparison
from fluxsense.readout.qubit import (
    FERRITE,
    ISOLATIONS_DB,
    LOSSES_DB,
    Resonator,
    in_place_of_ferrite,
    isolator_element,
    qubit_readout,
)
from fluxsense.study import Study
from fluxsense.study.readout import Element, Qubit

NEAR_SELF_KERR: Final = "near self-Kerr"
BANDWIDTHS = 2.0
"""Linewidths of a sensor's band beside the distance of its two modes."""


@dataclass(frozen=True)
class ReadoutPart:
    """What is said of a study's read-out chain.

    Attributes
    ----------
    body : dict
        As it stands in the document.
    findings : tuple of Finding
    """

    body: dict[str, object]
    findings: tuple[Finding, ...]


def readout_part(study: Study, pump_limit_w: float | None = None) -> ReadoutPart | None:
    """The chain, the sensitivity that it gives, its margins, and what is to be minded; None without a chain or a setting.

    Parameters
    ----------
    study : Study
    pump_limit_w : float, optional
        Pump power up to which isolation and sensitivity are shown; left out if not given.

    Raises
    ------
    InputError
        If the chain cannot be worked with.
    """
    chain = chain_of(study)
    if chain is None or not study.settings or not study.plan.states:
        return None
    found = sensing(study, chain)
    at = found.isolators[0].chain
    white = white_noise(chain, looks_hz(study.sweep))
    findings = [
        *stated_findings(study, chain, white),
        *margin_findings(at),
        *kerr_findings(found),
        *other_sensor_findings(found),
        *band_findings(study),
    ]
    body = _chain_entry(at) | {
        "white": white,
        "white_used": study.noise.white,
        "seconds_per_sweep": found.seconds_per_sweep,
        "seconds_per_sweep_used": study.plan.seconds_per_sweep,
        "source_noise_per_root_hz": list(found.source_noise),
        "isolators": [_isolator_entry(x) for x in found.isolators],
        "beside": [_comparison_entry(c) for c in found.comparisons],
    }
    body["qubit"] = None if study.readout is None else qubit_entry(study, chain, study.readout.qubit)
    if pump_limit_w is not None:
        body["against_pump_power"] = {
            iso.name: [_pump_entry(p) for p in against_pump_power(study, chain, i, pump_limit_w)]
            for i, iso in enumerate(study.isolators)
        }
    return ReadoutPart(body, tuple(findings))


# ---------------------------------------------------------------- what is to be minded


CAUSES: Final[dict[str, Callable[[Cause], Finding]]] = {
    "power": lambda c: Finding("cause: power", level_db=c.level_db),
    "compression": lambda c: Finding("cause: compression", stage=c.stage, level_db=c.level_db),
    "amplifier": lambda c: Finding("cause: amplifier", stage=c.stage, factor=c.factor),
    "bandwidth": lambda c: Finding("cause: bandwidth", factor=c.factor),
}
"""Findings for what would explain a scatter that is not the chain's."""


@dataclass(frozen=True)
class ProbeProposal:
    """A probe power that `plan` proposes.

    Attributes
    ----------
    study : Study
        With it; as it was where none is proposed.
    findings : tuple of Finding
        On the power in use before.
    body : dict or None
        As it stands in the document; None without a chain.
    """

    study: Study
    findings: tuple[Finding, ...]
    body: dict[str, object] | None


def probe_proposal(study: Study) -> ProbeProposal:
    """The study with the probe power at which self-Kerr bias equals noise, or the highest below that its chain and limits allow."""
    chain = chain_of(study)
    if chain is None or not study.plan.states:
        return ProbeProposal(study, (), None)
    found = sensing(study, chain)
    best = best_probe_power(found, chain.readout.source_power_w, study.limits.source_power_w)
    now = found.isolators[0].chain.power_w
    body: dict[str, object] = {"now_w": now, "now_source_w": chain.readout.source_power_w}
    if best is None:
        nothing = {"proposed_w": None, "source_w": None, "held_by": None, "name": None}
        return ProbeProposal(study, (Finding("self-Kerr unknown"),), body | nothing)
    moved = with_probe_power(study, best.power_w)
    source = chain.readout.source_power_w if moved.readout is None else moved.readout.source_power_w
    body |= {"proposed_w": best.power_w, "source_w": source, "held_by": best.held_by, "name": best.name}
    return ProbeProposal(moved, tuple(kerr_findings(found)), body)


def stated_findings(study: Study, chain: Chain, white: float) -> list[Finding]:
    """Whether the white noise that the study states is the chain's."""
    stated = study.noise.white
    if alike(stated, white):
        return []
    return [Finding("stated noise against the chain", seen=stated, white=white, factor=stated / white)]


def measured_findings(study: Study, digest: Digest) -> list[Finding]:
    """Whether the noise that repeats show is the chain's, and what would explain it; nothing without a chain or repeats."""
    chain = chain_of(study)
    if chain is None:
        return []
    levels = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    if not levels.measured:
        return []
    seen, white = relative_white(digest, levels), white_noise(chain, looks_hz(study.sweep))
    if alike(seen, white):
        return []
    said = Finding("measured noise against the chain", seen=seen, white=white, factor=seen / white)
    return [said, *(CAUSES[c.key](c) for c in causes(chain, _middle(study), seen))]


def alike(seen: float, white: float) -> bool:
    """Whether two noise levels are within `NOTABLE_FACTOR` of each other; true where one is nothing to compare with."""
    return not (seen > 0 and white > 0) or 1 / NOTABLE_FACTOR <= seen / white <= NOTABLE_FACTOR


def margin_findings(at: ChainReport) -> list[Finding]:
    """Stages used near their 1 dB compression point."""
    return [
        Finding("near compression", stage=x.name, margin_db=x.margin_db, lost_db=x.gain_lost_db)
        for x in (*at.down, *at.up)
        if x.margin_db < WORRYING_MARGIN_DB
    ]


def kerr_findings(found: Sensing) -> list[Finding]:
    """Isolators whose probe is near the power at which its self-Kerr shift equals the noise."""
    return [
        Finding(
            NEAR_SELF_KERR,
            isolator=x.isolator,
            margin_db=-x.kerr.margin_db,
            equal_dbm=watt_to_dbm(x.kerr.equal_power_w),
            power_dbm=watt_to_dbm(x.kerr.power_w),
        )
        for x in found.isolators
        if x.kerr is not None and x.kerr.near
    ]


def other_sensor_findings(found: Sensing) -> list[Finding]:
    """Another kind of sensor that would be hundreds of times better for this source where it is."""
    here = {c: max(x for x in (c.moment_factor, c.field_factor, 0.0) if x is not None) for c in found.comparisons}
    best = max(found.comparisons, key=lambda c: here[c])
    if not best.far_better:
        return []
    return [Finding("another sensor", sensor=best.sensor.words, factor=here[best], remark=best.sensor.remark)]


def sensor_bands(study: Study) -> list[Band]:
    """The bands of the isolators that share a line: both signal modes, as far as they tune, with `BANDWIDTHS` linewidths."""
    out = []
    shared = () if study.readout is None else study.readout.shared
    for i, iso in enumerate(study.isolators):
        if iso.name not in shared:
            continue
        modes = [f for k, s in enumerate(study.settings) if iso.name in s.isolators for f in _modes_hz(study, k, i)]
        modes += [s.signal_frequency_hz for s in iso.stages] if not modes else []
        width = max(modes) - min(modes) + BANDWIDTHS * max(s.signal_linewidth_hz for s in iso.stages)
        out.append(Band(iso.name, 0.5 * (max(modes) + min(modes)), width))
    return out


def _modes_hz(study: Study, setting: int, isolator: int) -> list[float]:
    """Signal modes (2,) of an isolator at a setting with its pump on and the source out."""
    probe = setting_probe(study, setting, isolator, 0)
    parameters = nominal_parameters(study)
    grids = [np.array([probe.pump_frequency_hz])] * len(study.isolators)
    model = ChipModel(with_source_out(study), [probe], grids)
    rates = model.rates(parameters, isolator, model.probe_flux(parameters, isolator))
    return [float(f) for f in rates.signal_hz[0, 0]]


def band_findings(study: Study) -> list[Finding]:
    """Sensors that share a line and come too near each other, with the least move that sets them apart."""
    bands = sensor_bands(study)
    if study.readout is None or len(bands) < 2:
        return []
    guard = study.readout.guard_hz
    if guard is None:
        own = [i for i in study.isolators if i.name in study.readout.shared]
        guard = max(s.signal_linewidth_hz for i in own for s in i.stages)
    close = overlaps(bands, guard)
    if not close:
        return []
    room = sum(b.width_hz for b in bands) + guard * (len(bands) - 1)
    middle = sum(b.centre_hz for b in bands) / len(bands)
    placed = allot(bands, middle - room, middle + room, guard)
    said = [
        Finding("bands overlap", first=x.first, second=x.second, overlap_mhz=-x.apart_hz / 1e6, guard_mhz=guard / 1e6)
        if x.apart_hz < 0
        else Finding("no guard band", first=x.first, second=x.second, apart_mhz=x.apart_hz / 1e6, guard_mhz=guard / 1e6)
        for x in close
    ]
    apart = Finding(
        "bands apart",
        sensors=tuple(b.name for b in placed),
        centres_ghz=tuple(b.centre_hz / 1e9 for b in placed),
        widths_mhz=tuple(b.width_hz / 1e6 for b in placed),
    )
    return [*said, apart]


# ---------------------------------------------------------------- entries of the document


def _middle(study: Study) -> float:
    return 0.5 * (study.sweep.start_hz + study.sweep.stop_hz)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _chain_entry(at: ChainReport) -> dict[str, object]:
    close = at.closest_to_compression
    return {
        "frequency_hz": at.frequency_hz,
        "power_at_chip_w": at.power_w,
        "incoming_k": at.incoming_k,
        "system_k": at.system_k,
        "quanta": at.quanta,
        "excess_quanta": at.excess_quanta,
        "limiting": at.limiting.name,
        "least_margin": None if close is None else {"stage": close.name, "db": close.margin_db},
        "stages": [
            {
                "name": x.name,
                "place": place,
                "power_w": x.power_w,
                "gain_db": x.gain_db,
                "noise_k": x.noise_k,
                "margin_db": _finite(x.margin_db),
            }
            for place, stages in (("down", at.down), ("up", at.up))
            for x in stages
        ],
    }


def qubit_entry(study: Study, chain: Chain, asked: Qubit | None) -> dict[str, object] | None:
    """A qubit's resonator read out through the chain: with its ferrite isolators, with the study's isolator, and with none.

    Raises
    ------
    InputError
        If the isolator is not measured at the setting, or the resonator cannot be worked with.
    """
    if asked is None:
        return None
    resonator = Resonator(asked.resonator_hz, asked.linewidth_hz, asked.pull_hz, asked.photons, asked.integration_s)
    up = chain.readout.up
    forward, backward = _through(study, asked)
    ferrites = [x for x in up if x.kind == FERRITE]
    kelvin = (ferrites or up)[0].temperature_k

    def told(line: Sequence[Element]) -> dict[str, float]:
        return asdict(qubit_readout(resonator, line, chain.networks))

    def device(loss_db: float, isolation_db: float) -> dict[str, float]:
        one = isolator_element(asked.isolator, 10 ** (-loss_db / 20), 10 ** (-isolation_db / 20), kelvin)
        return told(in_place_of_ferrite(up, one))

    loss, isolation = (max(-20 * math.log10(max(x, 1e-10)), 0.0) for x in (forward, backward))
    return {
        **asdict(asked),
        "insertion_loss_db": loss,
        "isolation_db": isolation,
        "lines": {
            "ferrite": told(up) if ferrites else None,
            "device": device(loss, isolation),
            "none": told(in_place_of_ferrite(up, None)),
        },
        "by_loss": [{"loss_db": x, **device(x, isolation)} for x in LOSSES_DB],
        "by_isolation": [{"isolation_db": x, **device(loss, x)} for x in ISOLATIONS_DB],
    }


def _through(study: Study, asked: Qubit) -> tuple[float, float]:
    """Amplitudes that an isolator passes the way in which it passes more, and the other way, at a resonator's frequency."""
    i = [x.name for x in study.isolators].index(asked.isolator)
    k = [x.name for x in study.settings].index(asked.setting)
    grids = [np.array([asked.resonator_hz])] * len(study.isolators)
    model = ChipModel(with_source_out(study), [setting_probe(study, k, i, 0)], grids)
    s = np.abs(model.scattering(nominal_parameters(study), i))[0, 0, :, 0]
    return float(s.max()), float(s.min())


def _isolator_entry(x: IsolatorSensing) -> dict[str, object]:
    return {
        "isolator": x.isolator,
        "loops": [
            {
                "loop": one.loop,
                "flux_noise_phi0": one.flux_noise_phi0,
                "frequency_hz": one.frequency_hz,
                "flux_noise_sweep_phi0": one.flux_noise_sweep_phi0,
                "field_noise_t": _finite(one.field_t),
                "centre_mu_b": one.centre_mu_b,
                "centre_a_m2": one.centre_mu_b * BOHR_MAGNETON_A_M2,
                "energy_hbar": one.energy_hbar,
                "flicker_corner_hz": one.corner_hz,
            }
            for one in x.loops
        ],
        "self_kerr": None
        if x.kerr is None
        else {
            "bias": x.kerr.bias,
            "noise": x.kerr.noise,
            "equal_power_w": _finite(x.kerr.equal_power_w),
            "margin_db": _finite(x.kerr.margin_db),
        },
    }


def _comparison_entry(c: Comparison) -> dict[str, object]:
    return {
        "sensor": c.sensor.words,
        "remark": c.sensor.remark,
        "source": c.sensor.source,
        "read": c.sensor.mark,
        "flux_noise_phi0": c.sensor.flux_noise_phi0,
        "field_noise_t": c.sensor.field_noise_t,
        "flux_factor": c.flux_factor,
        "moment_factor": c.moment_factor,
        "approach_factor": c.approach_factor,
        "field_factor": c.field_factor,
    }


def _pump_entry(p: PumpPoint) -> dict[str, object]:
    return {"power_w": p.power_w, "isolation_db": p.isolation_db, "flux_noise_phi0": p.flux_noise_phi0}
