"""Slips of whole campaigns that the sweeps show before anything is fitted.

No reference outside: the test simulates campaigns without any slip, whose loops sit at offsets that reverse a ring's current, so that a
pair transmits the other way.  That slips are named where there are some stands in `tests/faults/test_mistakes.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from small_study import small_study

import fluxsense.infer.slips as slips
from fluxsense.infer.slips import slip_findings
from fluxsense.jobs.simulate import draw_truth, simulate_digest


def test_offsets_that_turn_a_pair_round_are_no_slip(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    study = small_study(
        tmp_path, wiring="+90 deg", offset_sd_mphi0=200.0, fluxes=((0.3, 0.3, 0.3, 0.3), (0.3, -0.3, 0.3, -0.3))
    )
    digests = [simulate_digest(study, draw_truth(study, seed)) for seed in range(12)]
    assert [f for digest in digests for f in slip_findings(study, digest)] == []
    monkeypatch.setattr(slips, "OFFSETS", (0.0,))  # offsets taken for known
    assert [f.code for f in slip_findings(study, digests[0])] == ["sweeps unlike the study"]
