"""Numbers of a study that can be read and still cannot be meant: what they would do, before anything is measured.

The bounds are common practice, no source: they lie far outside what a working experiment has.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Final, TypedDict

import numpy as np

from fluxsense.base.findings import TRUST, Finding
from fluxsense.device.chip import (
    ChipModel,
    known_flux_phi0,
    loop_outlines_m,
    matched_pump_frequency_hz,
    nominal_parameters,
    setting_probe,
    source_extent_m,
    study_flux_map,
    with_source_out,
)
from fluxsense.magnetics.flux_map import clearance_m
from fluxsense.magnetics.sources import source_kind
from fluxsense.study import Study

MOST_FLUX_PHI0: Final = 10.0
"""Flux of a source in a loop beyond which the unit of its size, or its place, is not what was meant."""
MUCH_FLUX_PHI0: Final = 0.5
LEAST_FLUX_PHI0: Final = 1e-6
"""Flux below which no campaign sees a source."""
LOUD: Final = 0.2
"""Noise of a group's mean, relative to unit transmission, from which the ratio of two means is not normal.

Of a campaign whose source gives a log Bayes factor of 190 at 0.09, 20 are left at 0.19 where more noise alone would leave 47, and at
0.26 the data would speak against the source that is there (-25).
"""
MUCH_FLUX_NOISE_PHI0: Final = 0.05
NEAR: Final = 0.5
"""Standard deviation of a place over its distance to the nearest wire from which that is told."""
WEAK_FLUX_PHI0: Final = 0.02
POWER_OFF_DB: Final = 10.0
NARROW: Final = 0.2
"""Coupling over half of the geometric mean of the linewidths below which next to nothing is converted, and its inverse."""
LOSSY: Final = 0.5


def plausibility_findings(study: Study) -> list[Finding]:
    """What a study says that cannot be meant, or that defeats its purpose; what makes it unusable carries a doubt."""
    return [
        *_source_findings(study),
        *_place_findings(study),
        *_noise_findings(study),
        *_plan_findings(study),
    ]


def _source_findings(study: Study) -> Iterator[Finding]:
    """Sources, and known sources, of a flux that no loop can have or no campaign can see."""
    flux = np.linalg.norm(study_flux_map(study), axis=1) * study.source.size
    most, loop = float(flux.max()), study.loops[int(flux.argmax())].name
    unusable = TRUST.index("unusable")
    if most > MOST_FLUX_PHI0:
        yield Finding("source too strong", unusable, source="A source of the stated size", loop=loop, flux=most)
    elif most > MUCH_FLUX_PHI0:
        yield Finding("source strong", loop=loop, flux=most)
    elif most < LEAST_FLUX_PHI0:
        yield Finding("source too weak", loop=loop, flux=most)
    for state, known in zip(study.states, known_flux_phi0(study), strict=True):
        worst = int(np.abs(known).argmax())
        if abs(known[worst]) > MOST_FLUX_PHI0:
            source, flux_phi0 = f'The known source of state "{state.name}"', float(abs(known[worst]))
            yield Finding("source too strong", unusable, source=source, loop=study.loops[worst].name, flux=flux_phi0)


def _place_findings(study: Study) -> Iterator[Finding]:
    """Sources that reach into the wires, or may lie on either side of them."""
    kind = source_kind(study.source.kind)
    if not kind.has_position:
        return
    position = np.array(study.source.position_m)
    away = min(clearance_m(kind, o, position, dict(study.source.numbers)) for o in loop_outlines_m(study))
    reach = 0.5 * source_extent_m(study)
    if reach > away:
        yield Finding("extent beyond wire", TRUST.index("unusable"), extent_um=2e6 * reach, away_um=1e6 * away)
    spread = max(study.source.position_sd_m)
    if spread > NEAR * away:
        yield Finding("place unknown", spread_um=1e6 * spread, away_um=1e6 * away)


def _noise_findings(study: Study) -> Iterator[Finding]:
    """Noise that leaves nothing to be seen."""
    if not study.data.of_counts:
        yield from loud_findings(study.noise.white, study.plan.off_repeats)
    if study.noise.flux_phi0 > MUCH_FLUX_NOISE_PHI0:
        yield Finding("much flux noise", flux=study.noise.flux_phi0)


def loud_findings(white: float, repeats: int, doubt: int = 0) -> list[Finding]:
    """That the mean of some sweeps, by which others are divided, is not known to `LOUD`; empty if it is.

    Parameters
    ----------
    white : float
        Noise per quadrature and point of one sweep, relative to unit transmission.
    repeats : int
        Sweeps with the pump off.
    doubt : int
        What that leaves of the trust in a result (`Finding.doubt`).
    """
    mean = white / math.sqrt(max(repeats, 1))
    if not mean > LOUD:
        return []
    enough = math.ceil((white / LOUD) ** 2)
    return [Finding("noise near the signal", doubt, white=white, repeats=repeats, enough=enough, percent=100 * mean)]


def _plan_findings(study: Study) -> Iterator[Finding]:
    """Plans without the source, and settings that are the same twice."""
    kinds = {s.name: s.kind for s in study.states}
    if study.plan.states and not {kinds[s] for s in study.plan.states} & {"in", "turned"}:
        yield Finding("no source planned", states=tuple(study.plan.states))
    for a, b in combinations(study.settings, 2):
        same = (a.isolators, a.bias_a, a.pump_port, a.pump_phase_rad, a.pump_power_w, a.pump_frequency_hz)
        if same == (b.isolators, b.bias_a, b.pump_port, b.pump_phase_rad, b.pump_power_w, b.pump_frequency_hz):
            yield Finding("setting twice", first=a.name, second=b.name)


class WayEntry(TypedDict):
    """Which way an isolator transmits with a sign pattern and a pump port, as `check` lists it."""

    signs: str
    pump_port: int
    direction: str
    directionality_db: float
    frequency_hz: float


class SettingEntry(TypedDict):
    """An isolator at one setting, as `check` lists it."""

    setting: str
    flux_phi0: list[float]
    coupling_sign: list[str]
    pump_frequency_hz: float
    direction: str
    isolation_db: float
    frequency_hz: float
    insertion_loss_db: float
    reflection_db: float
    isolation_bandwidth_hz: float


class IsolatorEntry(TypedDict):
    """An isolator, as `check` lists it."""

    isolator: str
    wiring: str
    directions: list[WayEntry]
    settings: list[SettingEntry]


def isolation_findings(study: Study, isolators: Sequence[IsolatorEntry], enough_db: float) -> list[Finding]:
    """Settings that leave isolators too little isolation to work with, each reason once.

    Parameters
    ----------
    study : Study
    isolators : sequence of IsolatorEntry
        ``isolator`` and ``settings``, each with ``setting`` and ``isolation_db``, as `check` lists them.
    enough_db : float
    """
    if study.data.of_counts:
        return []
    names = [s.name for s in study.settings]
    found: dict[tuple[Finding, ...], list[tuple[str, str, float]]] = {}
    good = False
    for i, isolator in enumerate(isolators):
        for entry in isolator["settings"]:
            if entry["isolation_db"] >= enough_db:
                good = True
                continue
            why = _reason(study, names.index(entry["setting"]), i)
            found.setdefault(why, []).append((entry["setting"], isolator["isolator"], entry["isolation_db"]))
    useless = TRUST.index("unusable")
    out = []
    for why, places in found.items():
        doubt = useless if not good and any(f.code == "why: beside the modes" for f in why) else 0
        out.append(
            Finding(
                "little isolation",
                doubt,
                places=tuple(dict.fromkeys(f"{setting} of {isolator}" for setting, isolator, _ in places)),
                isolation_db=max(db for _, _, db in places),
                enough_db=enough_db,
                why=why,
            )
        )
    return out


def _reason(study: Study, setting: int, isolator: int) -> tuple[Finding, ...]:
    """Why an isolator does not isolate at a setting, as far as one number tells; empty if none does."""
    chosen, iso = study.settings[setting], study.isolators[isolator]
    probe = setting_probe(study, setting, isolator, 0)
    grids = [np.array([study.sweep.start_hz])] * len(study.isolators)
    model = ChipModel(with_source_out(study), [probe], grids)
    parameters = nominal_parameters(study)
    flux = model.probe_flux(parameters, isolator)
    signal = model.rates(parameters, isolator, flux).signal_hz[0, 0]
    if float(signal.max()) < study.sweep.start_hz or float(signal.min()) > study.sweep.stop_hz:
        start, stop = study.sweep.start_hz / 1e9, study.sweep.stop_hz / 1e9
        return (Finding("why: beside the modes", start_ghz=start, stop_ghz=stop, mode_ghz=float(signal.mean()) / 1e9),)
    wide = max(s.signal_linewidth_hz + s.idler_linewidth_hz for s in iso.stages)
    matched = matched_pump_frequency_hz(study, isolator, chosen.bias_a, chosen.pump_power_w)
    if abs(probe.pump_frequency_hz - matched) > wide:
        return (Finding("why: pump beside", pump_ghz=probe.pump_frequency_hz / 1e9, matched_ghz=matched / 1e9),)
    least = int(np.argmin(np.abs(flux[0, 0])))
    if abs(float(flux[0, 0, least])) < WEAK_FLUX_PHI0:
        return (Finding("why: no flux", loop=iso.stages[least].loop, flux=float(abs(flux[0, 0, least]))),)
    level_db = 10 * math.log10(chosen.pump_power_w / iso.reference_power_w)
    if abs(level_db) > POWER_OFF_DB:
        return (Finding("why: power", level_db=level_db),)
    for n, stage in enumerate(iso.stages, 1):
        rho = 2 * stage.coupling_hz / math.sqrt(stage.signal_linewidth_hz * stage.idler_linewidth_hz)
        if not NARROW < rho < 1 / NARROW:
            return (Finding("why: coupling", stage=n, rho=rho),)
        if stage.signal_internal_hz > LOSSY * stage.signal_linewidth_hz:
            return (Finding("why: loss", stage=n),)
    return ()
