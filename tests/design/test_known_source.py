"""The shortest sweeps with a known source: what they promise against simulated campaigns that take just these sweeps.

The outside reference is the simulator's truth.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from known_source import CODES, MADE, truth_of

from fluxsense.data.digest import Digest
from fluxsense.design.known_source import (
    ENOUGH,
    MOST_CURRENT_A,
    SLANT,
    SOURCE,
    WANTED_PHI0,
    KnownSourcePlan,
    known_source_findings,
    known_source_plan,
    with_proposed_source,
)
from fluxsense.device.chip import known_flux_phi0
from fluxsense.infer.blind import blind_test, judged
from fluxsense.infer.blind import free_fluxes as fluxes_of
from fluxsense.jobs.result import as_study
from fluxsense.jobs.simulate import simulate_digest, stated_truth
from fluxsense.jobs.start import start
from fluxsense.report.sentences import sentences
from fluxsense.study import Study

OF_SINGLE_LOOPS = {"some signs", "exchanged loops"}
"""What may stay open where a coil gives a loop little flux."""


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """The starter without its known source."""
    study = as_study(start(tmp_path_factory.mktemp("starter")))
    plan = replace(study.plan, states=("out", "in"))
    return replace(study, coils=(), states=tuple(s for s in study.states if s.kind != "calibration"), plan=plan)


def simulated(study: Study) -> Digest:
    assert all(iso.pump_port_1_sign for iso in study.isolators)  # or it would be told with another wiring
    return simulate_digest(study, stated_truth(study, study.source.size * np.array(SOURCE), 4))


@pytest.fixture(scope="module")
def proposed(bare: Study) -> KnownSourcePlan:
    return known_source_plan(bare, simulated)


def campaign(study: Study, plan: KnownSourcePlan, seed: int) -> Digest:
    """A simulated campaign with the study's own sweeps and just the proposed ones with the known source."""
    truth = truth_of(study, seed)
    settings = tuple(s for s in plan.study.settings if s.name in plan.settings)
    few = replace(plan.study.plan, states=(plan.state,), repeats=plan.repeats, off_repeats=plan.repeats)
    known = simulate_digest(replace(plan.study, settings=settings, plan=few), truth_of(plan.study, seed))
    assert truth.port_signs == truth_of(plan.study, seed).port_signs
    assert known.sweeps == plan.sweeps
    return Digest({**simulate_digest(study, truth), **known})


def test_the_proposed_sweeps_keep_what_they_promise(bare: Study, proposed: KnownSourcePlan) -> None:
    assert proposed.new
    assert set(proposed.left_open) <= OF_SINGLE_LOOPS
    assert all(value > ENOUGH for code, value in proposed.against if code not in proposed.left_open)
    for seed in (11,):
        digest = campaign(bare, proposed, seed)
        signs = truth_of(bare, seed).port_signs
        found = fluxes_of(proposed.study, digest, signs)
        assert found is not None
        test = judged(proposed.study, found)
        assert (test.named, test.unexplained) == ((), False)
        assert {m.code for m in test.open} <= OF_SINGLE_LOOPS
        for mistake in ("height", "axes", "isolators"):
            wrong, _ = MADE[mistake]((proposed.study, digest), np.random.default_rng(seed))
            assert {m.code for m in judged(wrong, found).named} == {CODES[mistake]}
        wrong, _ = MADE["signs"]((proposed.study, digest), np.random.default_rng(seed))
        test = blind_test(wrong, digest, signs)
        assert test is not None
        assert "all signs" in {m.code for m in test.named}


def test_a_plan_of_two_cooldowns_is_tested_in_one(bare: Study, proposed: KnownSourcePlan) -> None:
    two = replace(bare, plan=replace(bare.plan, cooldowns=("first", "second")))
    found = known_source_plan(two, simulated)
    assert (found.settings, found.repeats, found.sweeps) == (proposed.settings, proposed.repeats, proposed.sweeps)
    assert found.study.plan.cooldowns == ("first", "second")


def test_a_study_with_a_known_source_is_told_so(proposed: KnownSourcePlan) -> None:
    said = sentences(known_source_findings(replace(proposed, new=False, left_open=())))
    assert "tests these" in said[0]
    assert len(said) == 1
    said = sentences(known_source_findings(replace(proposed, left_open=("exchanged loops", "other side"))))
    assert "two loops exchanged" in said[1]
    assert "below for above" in said[1]


def test_the_proposed_coil_drives_the_loops_as_wanted(bare: Study) -> None:
    study = with_proposed_source(bare)
    flux = known_flux_phi0(study)[-1]
    assert np.max(np.abs(flux)) == pytest.approx(WANTED_PHI0, rel=0.6)
    assert study.states[-1].current_a <= MOST_CURRENT_A
    assert study.plan.states == bare.plan.states
    corners = np.array(study.coils[0].outline_m)
    middle = corners.mean(axis=0)
    assert middle == pytest.approx(np.array(bare.source.position_m), abs=1e-8)
    area = 0.5 * np.cross(corners - middle, np.roll(corners, -1, axis=0) - middle).sum(axis=0)
    assert area / np.linalg.norm(area) == pytest.approx(np.array(SLANT) / np.linalg.norm(SLANT), abs=2e-3)
    assert known_flux_phi0(replace(study, states=(*bare.states, replace(study.states[-1], current_a=0.0))))[-1] == (
        pytest.approx(np.zeros(len(flux)), abs=0)
    )


def test_a_uniform_source_gets_a_known_field(tmp_path: Path) -> None:
    study = as_study(start(tmp_path, "field_1nT"))
    plan = replace(study.plan, states=("out", "in"))
    study = replace(study, coils=(), states=tuple(s for s in study.states if s.kind != "calibration"), plan=plan)
    found = known_source_plan(study, simulated)
    assert found.study.states[-1].field_t is not None
    assert np.max(np.abs(known_flux_phi0(found.study)[-1])) == pytest.approx(WANTED_PHI0, rel=0.05)
    assert {"exchanged axes", "other side"} <= set(found.left_open)  # a uniform field is the same everywhere
    assert "It cannot tell" in sentences(known_source_findings(found))[1]
