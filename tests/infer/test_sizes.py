"""Sizes of what no study can state, learned from data in which they are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_study import small_study

from fluxsense.data.digest import Digest
from fluxsense.infer.budget import limits
from fluxsense.infer.sizes import drift_findings, drift_from_blocks
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.sentences import sentence


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


def test_sweeps_that_were_not_taken_in_turns_are_said_where_flux_wanders(tmp_path: Path) -> None:
    """All out first, then all in: a walk leaves 1/sqrt(3) of its growth between two halves (an integral by hand)."""
    study = small_study(tmp_path, wiring="+90 deg", repeats=40)
    in_turns = replace(study, plan=replace(study.plan, rounds=4))
    truth = draw_truth(study, 4)
    digest = simulate_digest(study, truth)
    wandering = RatioLikelihood(study, digest, truth.port_signs, sizes=Sizes(flux_walk_phi0=1e-3))
    (found,) = drift_findings(wandering)
    assert abs(dict(found.items)["percent"] - 100 / 3**0.5) < 5
    assert sentence(found).startswith("The sweeps with the source out and those with it in were not taken in turns: 6")
    assert drift_findings(RatioLikelihood(study, digest, truth.port_signs)) == []
    mixed = simulate_digest(in_turns, truth)
    assert drift_findings(RatioLikelihood(in_turns, mixed, truth.port_signs, sizes=Sizes(flux_walk_phi0=1e-3))) == []
    # each group's only block moved to one time: no order, nothing to say
    still = Digest({k: replace(g, blocks=replace(g.blocks, time_s=0 * g.blocks.time_s)) for k, g in digest.items()})
    assert drift_findings(RatioLikelihood(study, still, truth.port_signs, sizes=Sizes(flux_walk_phi0=1e-3))) == []


def test_what_was_learned_of_drift_limits_the_answer_as_a_calculation_by_hand_says(tmp_path: Path) -> None:
    """A flux walk far above all else: without it the error is that of a likelihood that never had one."""
    study = small_study(tmp_path, wiring="+90 deg", repeats=40)
    truth = draw_truth(study, 4)
    digest = simulate_digest(study, truth)
    unknowns = Unknowns(study, ["c1"], [0, 1], leave_out=integrated_arrays(study))
    x = unknowns.whitened(truth.parameters)[0]

    def error_deg(sizes: Sizes) -> tuple[float, dict[str, float]]:
        likelihood = RatioLikelihood(
            study, digest, truth.port_signs, sizes=sizes, reference=truth.parameters, points=every_few
        )
        now, table = limits(CampaignProblem(unknowns, likelihood), x)
        return now, {limit.kind: limit.error_if_known_deg for limit in table}

    quiet, without = error_deg(Sizes())
    loud, learned = error_deg(Sizes(flux_walk_phi0=5e-3))
    assert "drift" not in without
    assert "remainder" not in learned
    assert loud > 1.5 * quiet
    assert abs(learned["drift"] / quiet - 1) < 1e-6


def test_what_is_eliminated_limits_the_answer_as_a_study_that_knows_it_says(tmp_path: Path) -> None:
    """Flux focusing factors of 10%: known, they leave the error of a study that says they are exact."""
    study = small_study(tmp_path, wiring="+90 deg", repeats=40)
    truth = draw_truth(study, 4)
    digest = simulate_digest(study, truth)
    unknowns = Unknowns(study, ["c1"], [0, 1], leave_out=integrated_arrays(study))
    x = unknowns.whitened(truth.parameters)[0]

    def error_deg(focusing_sd: float) -> tuple[float, dict[str, float]]:
        here = replace(study, loops=tuple(loop.with_sd(flux_focusing=focusing_sd) for loop in study.loops))
        likelihood = RatioLikelihood(here, digest, truth.port_signs, reference=truth.parameters, points=every_few)
        now, table = limits(CampaignProblem(unknowns, likelihood), x)
        return now, {limit.kind: limit.error_if_known_deg for limit in table}

    exact, without = error_deg(0.0)
    unsure, found = error_deg(0.1)
    assert "area" not in without
    assert unsure > 1.5 * exact
    assert found["area"] == pytest.approx(exact, rel=1e-6)
