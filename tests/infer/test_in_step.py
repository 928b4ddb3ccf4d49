"""Walks in step: the same answers as one after the other, faults passed on, and nothing left running."""

from __future__ import annotations

import threading
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from small_study import small_study

from fluxsense.base.sphere import random_directions
from fluxsense.infer.in_step import in_step
from fluxsense.infer.modes import ascend, ascend_all
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem, curvature
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]
Function = Callable[[FloatArray], FloatArray]


def _walk(number: int, questions: int) -> Callable[[Function], float]:
    """Asks so many questions, each made from the last answer."""

    def walk(ask: Function) -> float:
        x = np.full((number + 1, 2), float(number))
        for _ in range(questions):
            x = x + ask(x)[:, None]
        return float(x.sum())

    return walk


def _squares(x: FloatArray) -> FloatArray:
    return np.asarray(np.sin(x).sum(axis=1))


def test_walks_of_different_lengths_give_what_each_gives_alone_in_fewer_calls():
    walks = [_walk(n, n * 3) for n in range(4)]
    sizes: list[int] = []

    def counted(x: FloatArray) -> FloatArray:
        sizes.append(len(x))
        return _squares(x)

    found = in_step(walks, counted)
    assert found == [walk(_squares) for walk in walks]
    # three questions of walks 1, 2 and 3 together, three of 2 and 3, three of 3 alone
    assert sizes == [2 + 3 + 4] * 3 + [3 + 4] * 3 + [4] * 3
    assert in_step([], counted) == []


def test_the_same_questions_go_together_however_the_threads_run():
    def calls() -> list[list[float]]:
        seen: list[list[float]] = []

        def noted(x: FloatArray) -> FloatArray:
            seen.append(x[:, 0].tolist())
            return _squares(x)

        in_step([_walk(n, 5) for n in range(5)], noted)
        return seen

    first = calls()
    assert all(calls() == first for _ in range(20))


@pytest.mark.parametrize("error", [ValueError("no such value"), KeyboardInterrupt()])
def test_what_the_function_raises_ends_every_walk(error):
    before = threading.active_count()

    def fails(x: FloatArray) -> FloatArray:
        raise error

    with pytest.raises(type(error)):
        in_step([_walk(n, 2) for n in range(4)], fails)
    for thread in threading.enumerate():
        if thread is not threading.current_thread() and thread.daemon and thread.name.endswith("(run)"):
            thread.join(10.0)
    assert threading.active_count() <= before


def test_what_a_walk_raises_is_raised_and_ends_the_others():
    def bad(ask: Function) -> float:
        ask(np.zeros((1, 2)))
        raise RuntimeError("lost the way")

    with pytest.raises(RuntimeError, match="lost the way"):
        in_step([_walk(1, 50), bad, _walk(2, 50)], _squares)


def test_climbs_in_step_end_where_each_ends_alone(tmp_path):
    study = small_study(tmp_path)
    truth = draw_truth(study, 3)
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, residual_gain=0.02)
    problem = CampaignProblem(
        Unknowns(study, likelihood.cooldowns, [0], leave_out=("pump_phase_error_rad",)), likelihood
    )
    rng = np.random.default_rng(5)
    starts = problem.unknowns.draw(rng, 6)
    starts[:, :3] = random_directions(rng, 6)
    starts[5, 0] = np.inf  # where the prior vanishes
    together = ascend_all(problem, starts)
    assert together[5] is None
    assert sum(mode is not None for mode in together) >= 4
    starts = starts[:5]
    for start, mode in zip(starts, together[:5], strict=True):
        alone = ascend(problem, start)
        assert (alone is None) == (mode is None)
        if alone is None or mode is None:
            continue
        assert mode.log_posterior == pytest.approx(alone.log_posterior, abs=2e-3)
        gradient = curvature(problem, mode.x)[1] + problem.unknowns.prior_curvature(mode.x)[0]
        assert float(gradient @ mode.covariance @ gradient) < 1e-2  # standard deviations left to go, squared
    batch = problem.curvatures(starts)
    for n, start in enumerate(starts):
        value, gradient, information = curvature(problem, start)
        assert batch[0][n] == pytest.approx(value, rel=1e-9, abs=1e-6)
        np.testing.assert_allclose(batch[1][n], gradient, rtol=1e-6, atol=1e-6 * np.abs(gradient).max())
        np.testing.assert_allclose(batch[2][n], information, rtol=1e-6, atol=1e-6 * np.abs(information).max())
