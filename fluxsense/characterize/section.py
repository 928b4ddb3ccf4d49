"""The chip section of a study: fitted values with units and standard deviations, and a study file that holds it.

Everything else of the study is carried over.  Every value gets its `_sd`, the full one with all others unknown, and serves
`orient` as a prior; how they hang together is not carried over, so that `orient` knows somewhat less than the sweeps tell.
The standard deviation of an offset is that of the whole flux at the worst pump-on bias.  Of the set-up's numbers (hybrid,
arms, pump ports, the pump's shift) those are written of which the sweeps told more than the study had stated.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.base.files import write_beside
from fluxsense.base.units import format_quantity
from fluxsense.characterize.fit import IsolatorFit
from fluxsense.characterize.tracks import SHAPES
from fluxsense.device.chip import OF_PORT
from fluxsense.study import study_of_tree
from fluxsense.study.types import ISOLATOR, SETUP, STAGE_MODES
from fluxsense.study.write import toml_text

CHIP_TABLES: Final = ("chip", "loop", "bias_line", "coil", "isolator")


def characterized_tree(
    tree: Mapping[str, object], fits: Mapping[str, IsolatorFit], powers_w: Mapping[str, float]
) -> dict[str, object]:
    """A study's values with those of fitted isolators replaced; the tree handed in stays as it is.

    Parameters
    ----------
    tree : mapping
        As `fluxsense.study.read_tree` returns it.
    fits : mapping of isolator name to IsolatorFit
    powers_w : mapping of isolator name to float
        Reference power of the couplings.
    """
    out: dict[str, Any] = copy.deepcopy(dict(tree))
    for isolator in out.get("isolator", []):
        fit = fits.get(isolator["name"])
        if fit is None:
            continue
        _isolator(isolator, fit, powers_w[isolator["name"]])
        for k in (0, 1):
            name = isolator[f"stage_{k + 1}"]["loop"]
            loop = next(x for x in out["loop"] if x["name"] == name)
            _loop(loop, fit, k)
            for line in fit.model.lines:
                entry = next(x for x in out["bias_line"] if x["name"] == fit.model.study.bias_lines[line].name)
                entry.setdefault("mutual", {})[name] = _text(fit.value("mutual", k, line), "mutual")
                entry.setdefault("mutual_sd", {})[name] = _text(fit.error("mutual", k, line), "mutual", 4)
    return out


def _text(value: float, dimension: str, digits: int = 9) -> str:
    return format_quantity(float(value), dimension, digits)


def _isolator(table: dict[str, Any], fit: IsolatorFit, power_w: float) -> None:
    iso = fit.model.study.isolators[fit.model.isolator]
    table.setdefault("link", iso.link_kind)
    table["reference_flux"] = _text(iso.reference_flux_phi0, "flux")
    table["reference_power"] = _text(power_w, "power")
    if fit.pumped:
        table["link_amplitude"] = round(fit.value("link_amplitude"), 8)
        table["link_amplitude_sd"] = float(f"{min(fit.error('link_amplitude'), 1.0):.4g}")
        table["link_phase"] = _text(fit.value("link_phase_rad"), "angle")
        table["link_phase_sd"] = _text(min(fit.error("link_phase_rad"), np.pi), "angle", 4)
        table["pump_port_1_phase"] = "+90 deg" if fit.model.port_sign > 0 else "-90 deg"
        # a study centres this error at zero, so its spread must hold the fitted value too
        spread = math.hypot(fit.value("pump_phase_error_rad"), fit.error("pump_phase_error_rad"))
        table["pump_phase_error_sd"] = _text(min(spread, 0.99), "angle", 4)
    for k in (0, 1):
        _stage(table[f"stage_{k + 1}"], fit, k)
    _setup(table, fit)


TOLD: Final = 0.8
"""Part of its prior's standard deviation below which a number of the set-up has been told by the sweeps."""


def _setup(table: dict[str, Any], fit: IsolatorFit) -> None:
    """What the sweeps told of the hybrid, the arms, the pump ports and the analyser."""
    keys = {f.attribute: (place, f) for place, fields in ((table, ISOLATOR), (None, SETUP)) for f in fields}
    for p, value, sd in zip(fit.model.parameters, fit.vector, fit.sd, strict=True):
        attribute = OF_PORT[p.array].format(p.item + 1) if p.array in OF_PORT else p.array
        if not (p.assumed and p.listed) or attribute not in keys or sd > TOLD * p.sd:
            continue
        place, one = keys[attribute]
        where = table.setdefault("setup", {}) if place is None else place
        dimension = getattr(one, "dimension", None)
        where[one.key] = round(float(value), 8) if dimension is None else _text(value, dimension)
        where[f"{one.key}_sd"] = float(f"{sd:.4g}") if dimension is None else _text(sd, dimension, 4)


def _stage(table: dict[str, object], fit: IsolatorFit, k: int) -> None:
    kind = fit.model.kinds[k]
    ring = fit.model.stage(k).ring
    held = () if ring == table.get("ring") else ("arm_inductance_ratio", "arm_inductance_ratio_sd")
    table["ring"] = ring
    for key in ("shunt_ratio", "shunt_ratio_sd", "branch", *held):
        table.pop(key, None)
    if SHAPES[kind].shunted:
        table["shunt_ratio"] = round(fit.value("shunt_ratio", k), 8)
        table["shunt_ratio_sd"] = float(f"{min(fit.error('shunt_ratio', k), 1e6):.4g}")
    else:
        table["branch"] = "ground"
    for one in STAGE_MODES:
        if fit.model.index(one.attribute, k) < 0:
            continue
        for old in one.former:
            table.pop(old, None)
            table.pop(f"{old}_sd", None)
        value, sd = fit.value(one.attribute, k), fit.error(one.attribute, k)
        if one.dimension is None:
            table[one.key] = round(value, 8)
            table[f"{one.key}_sd"] = float(f"{min(sd, one.spread.most if one.spread else sd):.4g}")
            continue
        if one.strict:
            sd = min(sd, 0.33 * value)
        table[one.key] = _text(value, one.dimension, 10)
        table[f"{one.key}_sd"] = _text(sd, one.dimension, 4)


def _loop(table: dict[str, object], fit: IsolatorFit, k: int) -> None:
    last = len(fit.model.cooldowns) - 1
    table["offset"] = _text(fit.value("offset", k, last), "flux")
    table["offset_sd"] = _text(max(offset_sd_phi0(fit, k), 1e-6), "flux", 4)
    if fit.model.index("area", k) >= 0:
        for old in ("effective_area", "effective_area_sd"):
            table.pop(old, None)
        table["flux_focusing"] = round(fit.value("area", k), 8)
        table["flux_focusing_sd"] = float(f"{min(fit.error('area', k), 0.33 * fit.value('area', k)):.4g}")


def offset_sd_phi0(fit: IsolatorFit, k: int) -> float:
    """Largest standard deviation of the flux of loop k over the pump-on sweeps: offset and mutual inductances together."""
    last = len(fit.model.cooldowns) - 1
    at = [fit.model.index("offset", k, last), *(fit.model.index("mutual", k, x) for x in fit.model.lines)]
    block = fit.covariance[np.ix_(at, at)]
    rows = [r for r in fit.model.records if r.row.pump_on] or list(fit.model.records)
    weights = np.array([[1.0, *(r.row.bias_a[x] for x in fit.model.lines)] for r in rows])
    return float(np.sqrt(np.max(np.einsum("ri,ij,rj->r", weights, block, weights))))


def write_characterized(
    folder: Path, tree: Mapping[str, object], heads: Sequence[str], *, force: bool = False
) -> list[str]:
    """Write ``chip.toml`` (the chip section) and ``study.toml`` (the whole study with it).

    The study is left out if the section is not complete: an isolator that was not fitted, or without pump-on sweeps.

    Parameters
    ----------
    folder : Path
        Must exist.
    tree : mapping
        From `characterized_tree`.
    heads : sequence of str
        Comment lines on top.
    force : bool
        Replace files that are there.

    Returns
    -------
    list of str
        Names of the files written.

    Raises
    ------
    InputError
        If a file exists and `force` is not given; nothing is written then.
    """
    refuse_existing(folder, force=force)
    whole = copy.deepcopy(dict(tree))
    whole["traces"] = {"log": "log.csv"}
    part: dict[str, object] = {key: whole[key] for key in CHIP_TABLES if key in whole}
    text = toml_text(part, [*heads, "The chip section alone: copy it over that of another study."])
    write_beside(folder / "chip.toml", text.encode(), sync=True)
    try:
        study_of_tree(copy.deepcopy(whole), folder / "study.toml")
    except InputError:
        return ["chip.toml"]
    write_beside(folder / "study.toml", toml_text(whole, heads).encode(), sync=True)
    return ["chip.toml", "study.toml"]


def refuse_existing(folder: Path, *, force: bool) -> None:
    """Raise InputError if a file that would be written exists and `force` is not given."""
    for path in (folder / "chip.toml", folder / "study.toml"):
        if path.exists() and not force:
            raise InputError(
                f"{path.name} exists already",
                where=str(folder),
                remedy="Choose another folder with --out, or replace it with --force",
            )
