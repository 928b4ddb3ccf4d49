"""Slips of whole campaigns, and of one setting, that the sweeps show before anything is fitted.

No reference outside: the tests simulate campaigns without any slip, whose loops sit at offsets that reverse a ring's current, so that a
pair transmits the other way; and campaigns in which one setting's sweeps were made otherwise than its rows say.  That slips of whole
campaigns are named where there are some stands in `tests/faults/test_mistakes.py`.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_study import small_study

import fluxsense.infer.slips as slips
from fluxsense.base.findings import Finding
from fluxsense.data.digest import Digest
from fluxsense.data.settings import setting_names
from fluxsense.infer.slips import slip_findings
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.report.sentences import sentence
from fluxsense.study import Study


def test_offsets_that_turn_a_pair_round_are_no_slip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = small_study(
        tmp_path, wiring="+90 deg", offset_sd_mphi0=200.0, fluxes=((0.3, 0.3, 0.3, 0.3), (0.3, -0.3, 0.3, -0.3))
    )
    digests = [simulate_digest(study, draw_truth(study, seed)) for seed in range(12)]
    assert [f for digest in digests for f in slip_findings(study, digest)] == []
    monkeypatch.setattr(slips, "OFFSETS", (0.0,))  # offsets taken for known
    assert [f.code for f in slip_findings(study, digests[0])] == ["sweeps unlike the study"]


def measured_otherwise(folder: Path, wiring: str, setting: int | None, **changed: object) -> tuple[Study, Digest]:
    """A campaign in which isolator "a" was swept otherwise at one setting (or at all) than the study and the log say."""
    study = small_study(folder, wiring=wiring)
    done = [replace(s, **changed) if n == setting or setting is None else s for n, s in enumerate(study.settings)]  # type: ignore[arg-type]
    as_said = simulate_digest(study, draw_truth(study, 4))
    as_done = simulate_digest(replace(study, settings=tuple(done)), draw_truth(study, 4))
    groups = dict(as_said)
    on = [k for k in as_said if k.pump_on and k.isolator == "a"]
    for key in on:
        name = setting_names(study, on)[key]
        for other, group in as_done.items():
            same = (other.isolator, other.pump_on, other.state) == (key.isolator, True, key.state)
            if same and setting_names(replace(study, settings=tuple(done)), [other])[other] == name:
                groups[key] = group
    return study, Digest(groups)


ONE_REVERSED = (8.33333e-4, -8.33333e-4, 8.33333e-4, 8.33333e-4)


@pytest.mark.parametrize(
    ("wiring", "setting", "changed", "said"),
    [
        ("+90 deg", 0, {"pump_port": 2}, [("slip: port of a setting", {"settings": ("s1",), "isolator": "a"})]),
        ("from reference", 0, {"pump_port": 2}, [("slip: port of a setting", {"settings": ("s1", "s2"), "isolator": "a"})]),
        ("+90 deg", 0, {"bias_a": ONE_REVERSED}, [("slip: port of a setting", {"settings": ("s1",), "isolator": "a"})]),
        (
            "from reference", 1, {"pump_frequency_hz": 2.0e9},
            [("slip: no conversion in a setting", {"settings": ("s2",), "isolator": "a"})],
        ),
        ("from reference", None, {"pump_frequency_hz": 2.0e9}, [("slip: no conversion", {"isolators": ("a",)})]),
        ("+90 deg", None, {"pump_power_w": 1e-18}, [("slip: no conversion", {"isolators": ("a",)})]),
        ("+90 deg", 0, {"pump_power_w": 1.3e-9}, []),  # not as stated, and nothing usual
        ("+90 deg", None, {}, []),
    ],
)  # fmt: skip
def test_one_setting_measured_otherwise(
    wiring: str, setting: int | None, changed: dict[str, object], said: list[object], tmp_path: Path
) -> None:
    found = slip_findings(*measured_otherwise(tmp_path, wiring, setting, **changed))
    assert [(f.code, dict(f.items)) for f in found] == said
    assert all(f.doubt for f in found)


def test_trapped_flux_may_do_what_a_wrong_port_does(tmp_path: Path) -> None:
    """With offsets that may reverse currents no setting is blamed."""
    digest = measured_otherwise(tmp_path, "+90 deg", 0, pump_port=2)[1]
    loose = small_study(tmp_path, wiring="+90 deg", offset_sd_mphi0=200.0)
    assert all(f.doubt == 0 for f in slip_findings(loose, digest))


def test_whoever_measures_elsewhere_than_planned_is_told_and_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No sweep is at a setting of the study: that is said, and the fit decides, also where a first look found the sweeps strange."""
    strange = Finding("sweeps unlike the study", isolators=("east",))
    monkeypatch.setattr("fluxsense.jobs.orient.slip_findings", lambda *_: [strange])
    study = small_study(tmp_path, wiring="+90 deg", fluxes=((0.45, 0.45, 0.45, 0.45), (0.45, -0.45, 0.45, -0.45)))
    truth = draw_truth(study, 1)
    digest = simulate_digest(study, truth)
    planned = small_study(tmp_path, wiring="+90 deg")
    result = orient(planned, digest, seed=1)
    assert result.verdict.trust == "reliable"
    assert any("no sweep of the log is of a setting of this study" in x for x in result.document["findings"])
    assert sentence(strange) not in result.document["findings"]
    assert result.region_contains(truth.parameters["source"][0])[0.95]
