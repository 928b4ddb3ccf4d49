"""Modes that have moved between cooldowns: without a number for it the fit is bad, with it good, and the changes come out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from small_study import fitted, small_study

from fluxsense.infer.orient import misfit_deviations, prepare
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.parameter import MODE_CHANGE
from fluxsense.model.priors import uncertain_parameters
from fluxsense.study import Study


def with_change(study: Study, sd_hz: float) -> Study:
    """The study in two cooldowns, between which modes move by that much."""
    each = [replace(i, setup=i.setup.with_sd(mode_change_hz=sd_hz)) for i in study.isolators]
    return replace(study, isolators=tuple(each), plan=replace(study.plan, cooldowns=("c1", "c2")))


def test_modes_that_moved_are_found(tmp_path: Path) -> None:
    study = with_change(small_study(tmp_path, wiring="+90 deg"), 1e6)
    truth = draw_truth(study, 4)
    change = 1e6 * np.random.default_rng(2).normal(size=(1, 2, 2, 2, 2))
    change[:, :, 0] = 0.0
    moved = replace(truth, parameters=truth.parameters.changed(mode_change_hz=change))
    digest = simulate_digest(study, moved)
    problem, modes, _ = prepare(study, digest, rng=np.random.default_rng(0))
    assert misfit_deviations(problem, modes[0].x) < 3.0
    found = problem.parameters(modes[0].x[None])
    source = found["source"][0] / np.linalg.norm(found["source"])
    assert source @ truth.parameters["source"][0] / np.linalg.norm(truth.parameters["source"]) > np.cos(np.radians(2))
    means = problem.likelihood.eliminated_means(found)
    for i, own in problem.likelihood.eliminated.items():
        for p, value in zip(own, means[i], strict=True):
            if p.array == MODE_CHANGE:  # a linewidth is 40 MHz, white noise 0.01 in a sweep of 21 points
                assert abs(p.sd * value - change[(0, *p.index)]) < 0.7e6, p.name
    # negative control: the same sweeps with modes that are said to stay
    still, x = fitted(with_change(study, 0.0), digest, truth.port_signs, truth.parameters["source"][0])
    assert misfit_deviations(still, x) > 5.0


def test_each_cooldown_but_the_first_has_changes(tmp_path: Path) -> None:
    study = with_change(small_study(tmp_path), 2e6)
    for cooldowns, count in ((("c1",), 0), (("c1", "c2"), 8), (("c1", "c2", "c3"), 16)):
        own = [p for p in uncertain_parameters(study, cooldowns, [0, 1]) if p.array == MODE_CHANGE]
        assert len(own) == count == len({p.index for p in own})
        assert all(p.index[1] > 0 and p.sd == 2e6 and p.mean == 0 for p in own)
