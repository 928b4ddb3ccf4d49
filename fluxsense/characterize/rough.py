"""A study whose isolators are not characterized yet.

Loops, bias lines, isolators' names and which loop belongs to which stage are known from the design; frequencies,
linewidths and the rest are what characterization finds.  Where the file is silent on those, placeholders stand in, so
that the ordinary reader can validate everything else; no placeholder is used as a start value.
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fluxsense.study import Study, read_tree, study_of_tree
from fluxsense.study.types import LINK_AMPLITUDE, PLACEHOLDERS, SHUNTED_RINGS, STAGE_MODES


@dataclass(frozen=True)
class RoughStudy:
    """A study to be characterized.

    Attributes
    ----------
    study : Study
        With placeholders where the file is silent.
    tree : dict
        The file's own values, without placeholders.
    power_stated : tuple of bool
        Per isolator, whether the file states a reference power.
    """

    study: Study
    tree: dict[str, Any]
    power_stated: tuple[bool, ...]

    def missing_for_pump(self, isolator: int) -> list[str]:
        """What the file would have to say of an isolator before its pump can be set."""
        table = self.tree["isolator"][isolator]
        missing = [] if self.power_stated[isolator] else ["reference_power"]
        for number in (1, 2):
            stage = table.get(f"stage_{number}", {})
            missing += [f"stage_{number}.{key}" for key in ("signal_frequency", "idler_frequency") if key not in stage]
        return missing


def read_rough(path: str | Path) -> RoughStudy:
    """Read a study in which the isolators' parameters may be missing.

    Parameters
    ----------
    path : str or Path
        The TOML file.  ``reference_flux`` and ``reference_power`` may be missing too.

    Returns
    -------
    RoughStudy

    Raises
    ------
    InputError
        As `fluxsense.study.read_study`.
    """
    file = Path(path)
    tree, sha256 = read_tree(file)
    isolators = tree.get("isolator", [])
    stated = ["reference_power" in x for x in (isolators if isinstance(isolators, list) else []) if isinstance(x, dict)]
    return RoughStudy(study_of_tree(with_placeholders(tree), file, sha256), tree, tuple(stated))


def with_placeholders(tree: Mapping[str, object]) -> dict[str, object]:
    """A copy of a study's tree in which every stage can be read."""
    filled: dict[str, object] = copy.deepcopy(dict(tree))
    isolators = filled.get("isolator", [])
    for isolator in isolators if isinstance(isolators, list) else []:
        if not isinstance(isolator, dict):
            continue
        isolator.setdefault("reference_flux", "0.5 Phi0")
        isolator.setdefault("reference_power", "-60 dBm")
        for number in (1, 2):
            stage = isolator.get(f"stage_{number}")
            if not isinstance(stage, dict):
                continue
            for one in STAGE_MODES:
                for old in one.former:
                    if old in stage:
                        stage.setdefault(one.key, stage.pop(old))
            shunted = stage.get("ring", PLACEHOLDERS["ring"]) in SHUNTED_RINGS
            high = "signal_frequency" in stage and "idler_frequency" not in stage
            for key, value in PLACEHOLDERS.items():
                if shunted or key != "shunt_ratio":
                    stage.setdefault(key, "900 GHz" if high and key == "idler_frequency" else value)
            if LINK_AMPLITUDE.get(isolator.get("link", ""), 0.0) == 1.0:
                stage.setdefault("idler_termination", "60 MHz")
    return filled
