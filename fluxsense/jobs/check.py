"""Before anything is measured: fluxes, working points, ways of transmission, ambiguities of a study, and what its log holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.files import write_beside
from fluxsense.base.findings import TRUST, Finding, Verdict
from fluxsense.data.campaign import campaign_rows, campaign_traces, load_campaign
from fluxsense.data.log import LogRow
from fluxsense.data.log_checks import as_findings, log_findings, trace_findings
from fluxsense.device.chip import (
    ChipModel,
    Probe,
    check_geometry,
    loop_indices,
    matched_pump_frequency_hz,
    nominal_parameters,
    setting_probe,
    study_flux_map,
    with_source_out,
)
from fluxsense.device.stages import stages_of
from fluxsense.infer.budget import (
    extent_findings,
    flip_findings,
    flux_map_rank,
    rank_findings,
    reference_findings,
    zero_bias_findings,
)
from fluxsense.infer.plausible import IsolatorEntry, SettingEntry, WayEntry, isolation_findings, plausibility_findings
from fluxsense.infer.slips import slip_findings
from fluxsense.infer.verdict import kept_findings, left_out_findings
from fluxsense.jobs.options import ENOUGH_ISOLATION_DB
from fluxsense.jobs.readout import measured_findings, readout_part
from fluxsense.jobs.result import Provenance, Result, as_study, make_document
from fluxsense.report.lines import check_lines
from fluxsense.report.sentences import sentences
from fluxsense.study import Study

if TYPE_CHECKING:
    from fluxsense.report.documents import CheckDocument, CheckedReadout

SIGN_PATTERNS = ((1, 1), (-1, 1), (1, -1), (-1, -1))


@dataclass(frozen=True, repr=False)
class Check(Result):
    """What `check` says of a study.

    Attributes
    ----------
    findings : tuple of Finding
    """

    KIND: ClassVar[str] = "check"

    findings: tuple[Finding, ...]

    def lines(self) -> list[str]:
        return check_lines(cast("CheckDocument", self.document))


def check(study: Study | str | Path, *, quick: bool = False) -> Check:
    """Read and validate a study: flux map, working points, ways of transmission, rank and ambiguities, log and traces.

    Parameters
    ----------
    study : Study or path
    quick : bool
        Leave the traces unread.

    Returns
    -------
    Check

    Raises
    ------
    InputError
        If the study or its log cannot be read, or the geometry is impossible, such as a dipole on a loop's wire.
    """
    study = as_study(study)
    check_geometry(study)
    rank = flux_map_rank(study)
    rows = study_flux_map(study)
    isolators = [_isolator(study, i) for i in range(len(study.isolators))]
    findings = [
        *rank_findings(study),
        *reference_findings(study, study.plan.states),
        *extent_findings(study),
        *flip_findings(study),
        *(zero_bias_findings(study, [s.bias_a for s in study.settings]) if study.settings else []),
        *plausibility_findings(study),
        *isolation_findings(study, isolators, ENOUGH_ISOLATION_DB),
    ]
    readout = readout_part(study)
    findings += [] if readout is None else readout.findings
    rows_of_log = campaign_rows(study) if study.log.exists() else None
    if rows_of_log is not None:
        findings += _campaign_findings(study, rows_of_log, quick)
    body = {
        "source": {
            "kind": study.source.kind,
            "size": study.source.size,
            "unit": study.source.unit,
        },
        "flux_map": {
            loop.name: {
                "phi0_for_stated_size": [float(x) for x in rows[n] * study.source.size],
                "phi0_per_unit": [float(x) for x in rows[n]],
            }
            for n, loop in enumerate(study.loops)
        },
        "rank": rank.rank,
        "singular_phi0": [float(x) for x in rank.singular_phi0],
        "isolators": isolators,
        "readout": None if readout is None else readout.body,
        "warnings": sentences(findings),
        "traces": None if rows_of_log is None else _trace_summary(rows_of_log),
    }
    verdict = Verdict.of(findings, "sound study")
    document = make_document(Check, study, verdict, Provenance(study.sha256), body)
    return Check(document, study, verdict, tuple(findings))


def write_readout_page(path: str | Path, found: Check) -> None:
    """Write what follows from the study's read-out chain as a page.

    Raises
    ------
    InputError
        If the study says nothing of its read-out or the file cannot be written.
    """
    if found.document["readout"] is None:
        raise InputError(
            "there is no read-out to write a page of",
            where=found.study.path.name,
            remedy="Add a section [readout] and at least one [[setting]] to the study",
        )
    from fluxsense.report.readout_page import readout_page  # figures and templates: slow to import

    write_beside(
        path, readout_page(cast("CheckedReadout", found.document)).encode("utf-8", "backslashreplace"), sync=True
    )


def _campaign_findings(study: Study, rows: Sequence[LogRow], quick: bool) -> list[Finding]:
    """What can be said against the log, and unless `quick` against its traces."""
    found = as_findings(log_findings(rows, study))
    if quick or study.data.of_counts:
        return found
    found += as_findings(trace_findings(rows, campaign_traces(study), study))
    if any(f.doubt for f in found):
        return found
    try:
        digest = load_campaign(study)
    except InputError as fault:
        return [*found, Finding("said", TRUST.index("unusable"), text=str(fault))]
    if not study.data.of_magnitudes:
        found += slip_findings(study, digest)
    return [
        *found,
        *measured_findings(study, digest),
        *left_out_findings(digest, digest.distrusted),
        *kept_findings(digest.distrusted),
    ]


def _trace_summary(rows: Sequence[LogRow]) -> dict[str, object]:
    """What the log holds."""
    return {
        "rows": len(rows),
        "pump_on": sum(r.pump_on for r in rows),
        "states": sorted({r.state for r in rows}),
        "cooldowns": sorted({r.cooldown for r in rows}),
    }


def _isolator(study: Study, i: int) -> IsolatorEntry:
    """Wiring, ways of transmission and working points of one isolator."""
    iso = study.isolators[i]
    return {
        "isolator": iso.name,
        "wiring": {1: "+90 deg", -1: "-90 deg", None: "from reference"}[iso.pump_port_1_sign],
        "directions": sign_pattern_directions(study, i),
        "settings": [_setting(study, n, i) for n, s in enumerate(study.settings) if iso.name in s.isolators],
    }


def sign_pattern_directions(study: Study, isolator: int) -> list[WayEntry]:
    """Direction of transmission for each sign pattern of the two fluxes and each pump port.

    The loops are put at plus or minus the isolator's reference flux, at the reference power and the matched pump
    frequency.  Where the wiring is not stated, +90 degrees for pump port 1 is assumed and named so.

    Returns
    -------
    list of dict
        ``signs``, ``pump_port``, ``direction`` ("1 to 2" or "2 to 1"), ``directionality_db``.
    """
    iso = study.isolators[isolator]
    loops = loop_indices(study)[isolator]
    flux = iso.reference_flux_phi0
    out: list[WayEntry] = []
    for signs in SIGN_PATTERNS:
        offsets = dict(zip(loops.tolist(), (s * flux for s in signs), strict=True))
        placed = replace(
            study,
            loops=tuple(replace(x, offset_phi0=offsets.get(n, 0.0)) for n, x in enumerate(study.loops)),
        )
        still = tuple(0.0 for _ in study.bias_lines)
        pump = matched_pump_frequency_hz(placed, isolator, still)
        probes = [Probe(isolator, True, port, None, iso.reference_power_w, pump, still, 0, 0) for port in (1, 2)]
        f = _window(study)
        model = ChipModel(placed, probes, [f] * len(study.isolators))
        s = model.scattering(nominal_parameters(placed), isolator)[0]
        for port in (1, 2):
            db = _directionality_db(s[port - 1])
            best = int(np.argmax(np.abs(db)))
            out.append(
                {
                    "signs": "".join("+" if x > 0 else "-" for x in signs),
                    "pump_port": port,
                    "direction": "1 to 2" if db[best] > 0 else "2 to 1",
                    "directionality_db": float(db[best]),
                    "frequency_hz": float(f[best]),
                }
            )
    return out


def _window(study: Study) -> npt.NDArray[np.float64]:
    """The sweep's frequencies, at least 201 of them."""
    return np.linspace(study.sweep.start_hz, study.sweep.stop_hz, max(201, study.sweep.points))


def _directionality_db(s: npt.NDArray[np.complex128]) -> npt.NDArray[np.float64]:
    """20 log10(abs(S21)/abs(S12)) along frequency, kept within 200 dB."""
    a, b = np.abs(s[0]), np.abs(s[1])
    floor = 1e-10 * max(float(a.max()), float(b.max()), 1e-300)
    return np.asarray(20 * np.log10(np.maximum(a, floor) / np.maximum(b, floor)))


def _setting(study: Study, setting: int, isolator: int) -> SettingEntry:
    """Working point of one isolator at one setting with the source out."""
    chosen = study.settings[setting]
    probe = setting_probe(study, setting, isolator, 0)
    f = _window(study)
    model = ChipModel(with_source_out(study), [probe], [f] * len(study.isolators))
    parameters = nominal_parameters(study)
    flux = model.probe_flux(parameters, isolator)[0, 0]
    s = model.scattering(parameters, isolator, ("11", "21", "12", "22"))[0, 0]
    db = _directionality_db(s[1:3])
    best = int(np.argmax(np.abs(db)))
    forward = s[1] if db[best] > 0 else s[2]
    signs = stages_of(study.isolators[isolator], isolator, study.path.name).signs(flux)
    above = np.abs(db) >= ENOUGH_ISOLATION_DB
    width = float(np.count_nonzero(above) * (f[1] - f[0]))
    return {
        "setting": chosen.name,
        "flux_phi0": [float(x) for x in flux],
        "coupling_sign": ["+" if x > 0 else "-" if x < 0 else "0" for x in signs],
        "pump_frequency_hz": probe.pump_frequency_hz,
        "direction": "none" if abs(db[best]) < 0.1 else "1 to 2" if db[best] > 0 else "2 to 1",
        "isolation_db": float(abs(db[best])),
        "frequency_hz": float(f[best]),
        "insertion_loss_db": float(-20 * np.log10(max(abs(forward[best]), 1e-10))),
        "reflection_db": float(20 * np.log10(max(abs(s[0][best]), abs(s[3][best]), 1e-10))),
        "isolation_bandwidth_hz": width,
    }
