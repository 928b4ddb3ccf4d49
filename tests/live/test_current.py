"""The answer between full runs against the same posterior by brute force, and the object that a laboratory's loop talks to.

Outside references: a grid over the source vector with the likelihood of the model itself, neither draws nor polynomials
(common practice, no source); the posterior of `orient`, which has tests of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

import fluxsense
from fluxsense.base.errors import InputError
from fluxsense.base.sphere import angle_between_rad
from fluxsense.data.digest import group_key
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import draw_truth, sweeps
from fluxsense.live.campaign import REPEATS, Live
from fluxsense.live.current import FEWEST
from fluxsense.live.intake import Taken
from fluxsense.live.stopping import Wanted
from fluxsense.model.problem import CampaignProblem, log_posterior
from fluxsense.study import Study

FIELD_T = np.array([0.5e-6, 0.3e-6, 0.6e-6])


def arriving(study: Study, seed: int = 1) -> list[Taken]:
    """The sweeps of a simulated campaign, source out and in by turns as the plan has them."""
    truth = draw_truth(study, seed, FIELD_T)
    return [Taken(group_key(row), sweep, row.time_s, row.file) for row, sweep in sweeps(study, truth)]


def put(campaign: Live, every: list[Taken]) -> Iterator[Taken]:
    for taken in every:
        campaign.add(taken.key, taken.sweep, time_s=taken.time_s, name=taken.name)
        yield taken


@pytest.fixture(scope="module")
def grown(tmp_path_factory: pytest.TempPathFactory) -> tuple[Live, set[int]]:
    """A campaign taken up sweep by sweep, and after how many sweeps there were full runs."""
    study = small_study(tmp_path_factory.mktemp("grown"), repeats=6)
    campaign, runs = Live(study, seed=2), set()
    for _ in put(campaign, arriving(study)):
        if campaign.current is not None:
            runs.add(campaign.current.anchor.sweeps)
    return campaign, runs


def moments(campaign: Live) -> tuple[np.ndarray, np.ndarray]:
    current = campaign.current
    assert current is not None
    mean = current.weights @ current.x
    centred = current.x - mean
    return mean, np.sqrt(np.diag((current.weights[:, None] * centred).T @ centred))


def test_the_weights_are_those_of_the_posterior_on_a_grid(grown: tuple[Live, set[int]]) -> None:
    campaign, _ = grown
    current = campaign.current
    assert current is not None
    assert current.unknowns.size == 3
    whole = current.anchor.problem(campaign.study, campaign.digest, current.unknowns)
    assert isinstance(whole, CampaignProblem)
    mean, sd = moments(campaign)
    axes = [np.linspace(m - 6 * s, m + 6 * s, 25) for m, s in zip(mean, sd, strict=True)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    values = log_posterior(whole, grid)
    weight = np.exp(values - values.max())
    evidence = values.max() + np.log(weight.sum() * np.prod([a[1] - a[0] for a in axes]))
    weight /= weight.sum()
    exact = weight @ grid
    exact_sd = np.sqrt(weight @ (grid - exact) ** 2)
    error = 1 / np.sqrt(current.effective)
    np.testing.assert_allclose((mean - exact) / exact_sd, 0, atol=4.5 * error)
    np.testing.assert_allclose(sd / exact_sd, 1, atol=4.5 * error)
    spread = np.sqrt(len(current.x) / current.effective - 1) / np.sqrt(len(current.x))
    assert current.log_evidence == pytest.approx(
        evidence, abs=5 * spread + 0.05
    )  # 0.05: what polynomials may be off by
    assert current.effective > FEWEST


def test_the_answer_is_that_of_orient(grown: tuple[Live, set[int]]) -> None:
    campaign, _ = grown
    answer = campaign.answer
    full = orient(campaign.study, campaign.intake.digest, seed=1)
    assert answer.direction is not None
    apart = np.degrees(angle_between_rad(answer.direction, np.array(full.document["direction"]["vector"])))
    assert apart < 0.25 * answer.cone_deg
    theirs = {r["level"]: r["cone_deg"] for r in full.document["region"]}
    for region in answer.body["region"]:
        assert region["cone_deg"] == pytest.approx(theirs[region["level"]], rel=0.2)
    assert answer.body["size"]["mean"] == pytest.approx(
        full.document["size"]["mean"], abs=0.5 * answer.body["size"]["sd"]
    )
    assert answer.verdict.trust == "reliable"
    assert "within" in str(answer)
    assert "reliable" in str(answer)


def test_the_cone_shrinks_and_few_full_runs_are_made(grown: tuple[Live, set[int]]) -> None:
    campaign, runs = grown
    assert campaign.current is not None
    cones = [m.cone_deg for m in campaign.history]
    assert cones[-1] < 0.7 * cones[0]
    assert [a.sweeps < b.sweeps for a, b in pairwise(campaign.history)].count(False) == 0
    assert 1 <= len(runs) <= 6, runs


def test_same_sweeps_same_answer(grown: tuple[Live, set[int]]) -> None:
    campaign, _ = grown
    study = campaign.study
    again = Live(study, seed=2)
    for _ in put(again, arriving(study)):
        pass
    assert again.answer.body == campaign.answer.body


def test_before_there_is_an_answer_it_says_what_is_missing(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    campaign = Live(study, seed=1)
    assert campaign.answer.direction is None
    assert campaign.answer.cone_deg == np.inf
    assert "Waiting for a sweep with the pump on and the source in" in str(campaign.answer)
    every = arriving(study)
    with_source = next(t for t in every if t.key.state == "in" and t.key.pump_on)
    campaign.add(with_source.key, with_source.sweep)
    assert "Waiting for a pump-off sweep" in str(campaign.answer)
    assert campaign.answer.verdict.trust == "unusable"


def test_an_isolator_that_comes_later_is_taken_up(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    every = arriving(study)
    first, second = ([t for t in every if t.key.isolator == name] for name in "ab")
    campaign = Live(study, seed=1, here=False)
    for _ in put(campaign, first):
        pass
    assert campaign.due
    campaign._here = True
    list(put(campaign, second[:1]))
    alone = campaign.answer
    assert alone.direction is not None
    assert campaign.current is not None
    campaign._here = False
    list(put(campaign, second[1:]))
    if not campaign.current.fits(campaign.digest):
        assert "Isolators or cooldowns have come" in str(campaign.answer)
    assert campaign.due
    campaign._here = True
    one = second[-1]
    other = replace(one, sweep=replace(one.sweep, s=one.sweep.s * 1.0001), name="once more", identity=b"")
    list(put(campaign, [other]))
    assert campaign.current.fits(campaign.digest)
    assert campaign.answer.cone_deg < alone.cone_deg


@pytest.mark.slow
def test_a_set_up_that_is_not_the_model_is_said_and_followed(tmp_path: Path) -> None:
    study = small_study(tmp_path, repeats=6)
    wrong = replace(study, isolators=tuple(_detuned(i) for i in study.isolators))
    campaign = Live(study, seed=1)
    for _ in put(campaign, arriving(wrong)):
        pass
    assert campaign.answer.direction is not None
    assert campaign.answer.verdict.trust != "reliable"
    assert "further from the model than its noise" in str(campaign.answer)


def _detuned(isolator: object) -> object:
    stages = tuple(replace(s, signal_frequency_hz=s.signal_frequency_hz + 4e6) for s in isolator.stages)  # type: ignore[attr-defined]
    return replace(isolator, stages=stages)  # type: ignore[type-var]


def test_few_repeats_end_nothing(tmp_path: Path) -> None:
    """Of a covariance of four, n draws tell the inverse n/(n - 5) times too large in the mean (inverse Wishart law, textbook)."""
    rng = np.random.default_rng(3)
    found = [np.trace(np.linalg.inv(x.T @ x / REPEATS)) / 4 for x in rng.standard_normal((4000, REPEATS, 4))]
    assert np.mean(found) == pytest.approx(REPEATS / (REPEATS - 5), rel=0.06)
    for repeats in (2, 4):
        study = small_study(tmp_path, repeats=repeats, points=9, wiring="+90 deg")
        campaign = Live(study, seed=1, wanted=Wanted(cone_deg=60.0))
        for _ in put(campaign, arriving(study)):
            freedom = [sum(g.count - 1 for k, g in campaign.digest.items() if k.isolator == name) for name in "ab"]
            if campaign.stop is not None:
                assert min(freedom) >= REPEATS
                break
            if campaign.answer.direction is not None and 0 < min(f for f in freedom if f) < REPEATS:
                assert campaign.answer.verdict.trust == "tentative"
                assert "may be too small until there are 10" in str(campaign.answer)
        assert campaign.answer.cone_deg < 60.0
        assert (campaign.stop is None) == (max(freedom) < REPEATS)


def test_what_makes_no_sense_is_refused(tmp_path: Path) -> None:
    campaign = fluxsense.Live(small_study(tmp_path))
    with pytest.raises(InputError, match='isolator "z" is not in the study'):
        campaign.setting("z", "in", bias_a={})
    with pytest.raises(InputError, match='no bias line "x"'):
        campaign.setting("a", "in", bias_a={"x": 1e-3})
    with pytest.raises(InputError, match="needs port or phase, power and frequency"):
        campaign.setting("a", "in", bias_a={}, pump_port=1)
    key = campaign.setting("a", "in", bias_a={"a1": 1e-3})
    assert not key.pump_on
    assert key.bias_a == (1e-3, 0.0, 0.0, 0.0)
    assert key.cooldown == "c1"
    with pytest.raises(InputError, match="no sweep"):
        campaign.add(key)
    votes = small_study(tmp_path, flux_noise_mphi0=0.5, extra='[data]\nkind = "direction"\n')
    with pytest.raises(InputError, match="cannot be followed"):
        Live(votes)
