"""Every kind of ring through every command that reads a study with one; `characterize` has tests of its own for each."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from conftest import run
from small_study import study_text

from fluxsense.device.rings import ring_kinds
from fluxsense.jobs.simulate import read_truth_source
from fluxsense.study import read_study

LINES = {
    "shunted": 'ring = "shunted"\nshunt_ratio = 3.0',
    "bare": 'ring = "bare"',
    "stray arms": 'ring = "stray arms"\nshunt_ratio = 3.0\narm_inductance_ratio = 0.08\narm_inductance_ratio_sd = 0.01',
}
FLUXES = ((0.3, 0.3, 0.3, 0.3), (0.3, -0.3, 0.3, -0.3))
"""Where a bare ring holds its ground branch."""
LAYOUT = """
[layout]
outlines = ["square"]
size = ["10 um", "30 um"]
chip_size = ["800 um", "200 um"]
"""


@pytest.mark.slow
@pytest.mark.parametrize("kind", [k.name for k in ring_kinds()])
def test_every_kind_of_ring_in_every_command(tmp_path: Path, kind: str) -> None:
    text = study_text(fluxes=FLUXES, extra=LAYOUT).replace(LINES["shunted"], LINES[kind])
    path = tmp_path / "study.toml"
    path.write_text(text.replace('reference_flux = "0.5 Phi0"', 'reference_flux = "0.3 Phi0"'), encoding="utf-8")
    study = read_study(path)
    assert {s.ring for i in study.isolators for s in i.stages} == {kind}

    def done(command: str, *options: object) -> dict:
        outcome = run([command, path, "--json", *options])
        assert outcome.code in (0, 1), outcome.err
        return json.loads(outcome.out)

    assert done("check")["verdict"]["trust"] != "unusable"
    done("simulate", "--seed", 5)
    answer = done("orient", "--seed", 2)
    assert answer["verdict"]["trust"] == "reliable", answer["verdict"]["reasons"]
    truth = read_truth_source(tmp_path / "truth.toml", study)[0]
    away = np.degrees(np.arccos(truth @ answer["direction"]["vector"] / np.linalg.norm(truth)))
    assert away < 2 * answer["region"][-1]["cone_deg"]
    said = [x["name"] for x in answer["rests_on"]]
    assert any("arm inductance ratio" in x for x in said) == (kind == "stray arms")
    assert done("detect", "--seed", 2)["log_bayes_factor"] > 10
    assert done("plan", "--seed", 2)["settings"]
    assert done("layout", "--starts", 1, "--steps", 10)["criterion"] == "error"


@pytest.mark.parametrize(
    ("line", "told"), [(LINES["bare"], True), ('ring = "bare"\nbranch = 0', False), (LINES["shunted"], False)]
)
def test_a_ring_that_flips_is_told_before_minutes_pass(tmp_path: Path, line: str, told: bool) -> None:
    """A campaign of this study took 22 s of processor time with bare rings, 6 s with shunted ones (measured, this machine)."""
    text = study_text(fluxes=FLUXES, points=9, repeats=2).replace(LINES["shunted"], line)
    path = tmp_path / "study.toml"
    path.write_text(text.replace('reference_flux = "0.5 Phi0"', 'reference_flux = "0.3 Phi0"'), encoding="utf-8")
    said = json.loads(run(["check", path, "--json"]).out)["warnings"]
    assert any("orient takes about four times as long" in x for x in said) == told
