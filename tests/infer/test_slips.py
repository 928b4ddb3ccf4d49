"""Slips of whole campaigns that the sweeps show before anything is fitted.

No reference outside: the test simulates campaigns without any slip, whose loops sit at offsets that reverse a ring's current, so that a
pair transmits the other way.  That slips are named where there are some stands in `tests/faults/test_mistakes.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from small_study import small_study

import fluxsense.infer.slips as slips
from fluxsense.base.findings import Finding
from fluxsense.infer.slips import slip_findings
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.report.sentences import sentence


def test_offsets_that_turn_a_pair_round_are_no_slip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = small_study(
        tmp_path, wiring="+90 deg", offset_sd_mphi0=200.0, fluxes=((0.3, 0.3, 0.3, 0.3), (0.3, -0.3, 0.3, -0.3))
    )
    digests = [simulate_digest(study, draw_truth(study, seed)) for seed in range(12)]
    assert [f for digest in digests for f in slip_findings(study, digest)] == []
    monkeypatch.setattr(slips, "OFFSETS", (0.0,))  # offsets taken for known
    assert [f.code for f in slip_findings(study, digests[0])] == ["sweeps unlike the study"]


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
