"""What `check` says of a study before anything is measured: fluxes, working points, directions, ambiguities."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from fluxsense.base.units import OWN_UNIT, format_quantity
from fluxsense.device.chip import (
    ChipModel,
    Probe,
    check_geometry,
    loop_indices,
    matched_pump_frequency_hz,
    nominal_parameters,
    setting_probe,
    study_flux_map,
)
from fluxsense.device.stages import Stages
from fluxsense.infer.budget import flux_map_rank, rank_words, reference_words, zero_bias_words
from fluxsense.study import Study

SIGN_PATTERNS = ((1, 1), (-1, 1), (1, -1), (-1, -1))
ENOUGH_ISOLATION_DB = 15.0
"""Isolation that a working isolator has at least (common practice, no source)."""


def overview(study: Study) -> dict[str, Any]:
    """Everything that `check` prints, as plain values.

    Parameters
    ----------
    study : Study

    Returns
    -------
    dict
        Keys ``flux_map``, ``rank``, ``isolators`` (with ``directions`` and ``settings``), ``warnings``.

    Raises
    ------
    InputError
        If the geometry is impossible, such as a dipole on a loop's wire.
    """
    check_geometry(study)
    rank = flux_map_rank(study)
    rows = study_flux_map(study)
    warnings = rank_words(study)
    warnings += reference_words(study, study.plan.states)
    warnings += zero_bias_words(study, [s.bias_a for s in study.settings]) if study.settings else []
    isolators = []
    for i, iso in enumerate(study.isolators):
        settings = [_setting(study, n, i) for n, setting in enumerate(study.settings) if iso.name in setting.isolators]
        for entry in settings:
            # where only the direction counts, settings near the flip are the ones that tell
            if entry["isolation_db"] < ENOUGH_ISOLATION_DB and study.data.kind != "direction":
                warnings.append(
                    f'Setting "{entry["setting"]}" leaves isolator "{iso.name}" only {entry["isolation_db"]:.1f} dB of '
                    f"isolation; a working isolator has {ENOUGH_ISOLATION_DB:g} dB or more (common practice)."
                )
        isolators.append(
            {
                "isolator": iso.name,
                "wiring": {1: "+90 deg", -1: "-90 deg", None: "from reference"}[iso.pump_port_1_sign],
                "directions": sign_pattern_directions(study, i),
                "settings": settings,
            }
        )
    return {
        "title": study.title,
        "invented": study.invented,
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
        "warnings": warnings,
    }


def sign_pattern_directions(study: Study, isolator: int) -> list[dict[str, Any]]:
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
    out = []
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


def _window(study: Study) -> np.ndarray[Any, np.dtype[np.float64]]:
    """The sweep's frequencies, at least 201 of them."""
    return np.linspace(study.sweep.start_hz, study.sweep.stop_hz, max(201, study.sweep.points))


def _directionality_db(s: Any) -> Any:
    """20 log10(abs(S21)/abs(S12)) along frequency, kept within 200 dB."""
    a, b = np.abs(s[0]), np.abs(s[1])
    floor = 1e-10 * max(float(a.max()), float(b.max()), 1e-300)
    return 20 * np.log10(np.maximum(a, floor) / np.maximum(b, floor))


def _setting(study: Study, setting: int, isolator: int) -> dict[str, Any]:
    """Working point of one isolator at one setting with the source out."""
    chosen = study.settings[setting]
    probe = setting_probe(study, setting, isolator, 0)
    f = _window(study)
    quiet = replace(study, states=(replace(study.states[0], kind="out"), *study.states[1:]))
    model = ChipModel(quiet, [probe], [f] * len(study.isolators))
    parameters = nominal_parameters(study)
    flux = model.probe_flux(parameters, isolator)[0, 0]
    s = model.scattering(parameters, isolator, ("11", "21", "12", "22"))[0, 0]
    db = _directionality_db(s[1:3])
    best = int(np.argmax(np.abs(db)))
    forward = s[1] if db[best] > 0 else s[2]
    signs = Stages(study.isolators[isolator], isolator, study.path.name).signs(flux)
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


def overview_lines(document: dict[str, Any]) -> list[str]:
    """The overview as lines of text."""
    source = document["source"]
    dimension = next(name for name, unit in OWN_UNIT.items() if unit == source["unit"])
    lines = [document["title"], ""]
    if document["invented"]:
        lines.insert(1, "(an invented scenario)")
    lines.append(
        f"Flux of a source of {format_quantity(source['size'], dimension, 4)} along x, y, z in each loop (mPhi0):"
    )
    for name, row in document["flux_map"].items():
        lines.append(f"  {name:20s}" + "".join(f"{1e3 * x:10.3f}" for x in row["phi0_for_stated_size"]))
    singular = ", ".join(f"{1e3 * x:.3g}" for x in document["singular_phi0"])
    lines.append(f"Rank of the flux map: {document['rank']} (singular values {singular} mPhi0)")
    for entry in document["isolators"]:
        lines += ["", f"Isolator {entry['isolator']} (phase difference for pump port 1: {entry['wiring']})"]
        if entry["wiring"] == "from reference":
            lines.append("  directions below hold for +90 deg; with -90 deg each is reversed")
        lines.append("  signs of the two fluxes, pump port 1 / pump port 2: direction of transmission")
        for k in range(0, len(entry["directions"]), 2):
            one, two = entry["directions"][k : k + 2]
            lines.append(
                f"    {one['signs']}   {one['direction']} ({one['directionality_db']:+.1f} dB) / "
                f"{two['direction']} ({two['directionality_db']:+.1f} dB)"
            )
        for s in entry["settings"]:
            flux = ", ".join(f"{x:+.3f}" for x in s["flux_phi0"])
            lines.append(
                f"  setting {s['setting']}: flux ({flux}) Phi0, coupling signs ({', '.join(s['coupling_sign'])}), "
                f"pump {s['pump_frequency_hz'] / 1e9:.4f} GHz, transmits {s['direction']}"
            )
            lines.append(
                f"    isolation {s['isolation_db']:.1f} dB at {s['frequency_hz'] / 1e9:.4f} GHz, insertion loss "
                f"{s['insertion_loss_db']:.2f} dB, reflection {s['reflection_db']:.1f} dB, 15 dB over "
                f"{s['isolation_bandwidth_hz'] / 1e6:.1f} MHz"
            )
    lines.append("")
    if document["warnings"]:
        lines += [f"Note: {x}" for x in document["warnings"]]
    else:
        lines.append("Nothing to object to.")
    return lines
