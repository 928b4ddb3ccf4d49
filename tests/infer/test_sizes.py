"""Sizes of what no study can state, learned from data in which they are known."""

from __future__ import annotations

from pathlib import Path

from small_study import small_study

from fluxsense.infer.sizes import drift_from_blocks
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood


def drift_seen(folder: Path, slow_mphi0: float) -> tuple[float, float]:
    study = small_study(folder, wiring="+90 deg", repeats=40, slow_mphi0=slow_mphi0)
    truth = draw_truth(study, 4)
    return drift_from_blocks(
        RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, reference=truth.parameters)
    )


def test_blocks_show_flux_that_wanders_within_groups_and_nothing_where_it_does_not(tmp_path: Path) -> None:
    """Flicker of 3 mPhi0, simulated sweep by sweep, is taken for flicker of that size; white noise alone for nothing."""
    walk, flicker = drift_seen(tmp_path, 3.0)
    assert walk == 0.0
    assert 1.5e-3 < flicker < 6e-3
    assert drift_seen(tmp_path, 0.0) == (0.0, 0.0)


def test_without_a_reference_point_there_are_no_slopes_to_read_along(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg")
    assert drift_from_blocks(RatioLikelihood(study, simulate_digest(study, draw_truth(study, 4)))) == (0.0, 0.0)
