"""Source or none from counts: by hand, by a grid over the source, and by counted alarms of simulated campaigns.

References: Rao's score statistic of a binomial count and chi-square (textbook, scipy); evidences summed on a grid written out here.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import run
from scipy.special import ndtr
from scipy.stats import binom, chi2, norm
from small_study import SIDE_UM, small_study

from fluxsense.base.errors import InputError
from fluxsense.data.counts import votes_from_rows
from fluxsense.detection import evidence
from fluxsense.detection.counted import CountCampaign, drawn_counts
from fluxsense.detection.detect import compare_count_sources
from fluxsense.infer.counts import VoteProblem, without_source
from fluxsense.jobs.detect import detect
from fluxsense.jobs.simulate import draw_truth, simulate_directions, write_campaign
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, read_study

SD_PHI0 = 0.04
STEPS = (-0.1, 0.0, 0.1)
FLUX_PHI0 = (SIDE_UM * 1e-6) ** 2 / 2.067833848e-15 * 0.3e-6


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    made = small_study(
        tmp_path_factory.mktemp("counted"),
        fluxes=[(0.5, a, 0.5, a) for a in STEPS] + [(a, 0.5, a, 0.5) for a in STEPS],
        ports=(1,) * 6,
        repeats=20,
        flux_noise_mphi0=1e3 * SD_PHI0,
        wiring="+90 deg",
        size_ut=0.3,
        extra='\n[data]\nkind = "direction"\nwrong_way = 0.03\n',
    )
    quiet = replace(made.noise, white=1e-5, gain_drift=0.0, phase_drift_rad=0.0, residual_gain=0.0)
    return replace(made, noise=quiet, loops=tuple(x.with_sd(offset_phi0=0.0) for x in made.loops))


def problem_of(study: Study, votes: dict | None = None) -> VoteProblem:
    if votes is None:
        votes, _ = votes_from_rows(simulate_directions(study, draw_truth(study, 1, source=(0.0, 0.0, 0.0))), ".")
    return VoteProblem(Unknowns(study, ("c1",), [0, 1]), votes, (1, 1))


def near_zero(problem: VoteProblem, loop: int) -> list[int]:
    """Groups with the source in and only the loop of that number near its flip, the other at half a flux quantum."""
    return [
        n for n, k in enumerate(problem.votes)
        if k.state == "in" and k.isolator == "ab"[loop // 2] and abs(k.bias_a[loop]) < 0.2 / 600
    ]  # fmt: skip


def test_information_by_hand(study: Study) -> None:
    """A field along y moves only the loop whose normal it is, a2, and the slanted b2: both by closed forms."""
    problem = problem_of(study)
    m = CountCampaign(without_source(problem)).block()
    expected = 0.0
    for loop, cosine in ((1, 1.0), (3, -1 / np.sqrt(6))):
        for n in near_zero(problem, loop):
            mean = 600 * tuple(problem.votes)[n].bias_a[loop]
            p = 0.03 + 0.94 * ndtr(mean / SD_PHI0)
            slope = 0.94 * norm.pdf(mean / SD_PHI0) / SD_PHI0 * FLUX_PHI0 * cosine
            expected += 20 * slope**2 / (p * (1 - p))
    assert m[1, 1] == pytest.approx(expected, rel=5e-4)


def test_false_alarms_come_at_the_rate_of_chi_square(study: Study) -> None:
    """Counts drawn without a source, offsets uncertain; and with one the statistic is larger."""
    uncertain = replace(study, loops=tuple(x.with_sd(offset_phi0=0.02) for x in study.loops))
    campaign = CountCampaign(without_source(problem_of(uncertain)))
    drawn = drawn_counts(campaign, np.random.default_rng(2), 2)
    null = np.concatenate([d.statistics(np.random.default_rng(n), 1500) for n, d in enumerate(drawn)])
    for rate in (0.1, 0.01):
        alarms = int(np.sum(null > chi2.isf(rate, 3)))
        assert binom.cdf(alarms, 3000, 0.85 * rate) > 1e-3
        assert binom.sf(alarms - 1, 3000, 1.15 * rate) > 1e-3
    source = 0.5 * study.source.size * np.array([0.6, 0.48, 0.64])
    hit = drawn[0].statistics(np.random.default_rng(9), 300, source)
    v = source / study.source.size
    assert np.mean(hit) == pytest.approx(3 + v @ drawn[0].campaign.block() @ v, rel=0.15)  # noncentral: mean 3 + lambda


def test_batch_equals_loop(study: Study) -> None:
    campaign = CountCampaign(
        without_source(problem_of(replace(study, loops=tuple(x.with_sd(offset_phi0=0.02) for x in study.loops))))
    )
    k = np.random.default_rng(1).integers(0, 21, (5, len(campaign.sweeps))).astype(float)
    together, _ = campaign.fit(k)
    for n in range(5):
        np.testing.assert_allclose(campaign.fit(k[n : n + 1])[0][0], together[n], rtol=1e-9)


def grid_of_fields(votes: dict) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Fields (N, 3) in stated sizes, log-likelihoods of counts there and without a source by the binomial law, and a cell's volume."""
    line = np.linspace(-3, 3, 49)
    grid = np.stack(np.meshgrid(line, line, line, indexing="ij"), axis=-1).reshape(-1, 3)
    normals = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], np.array([-1, -1, 2]) / np.sqrt(6)])
    log_p, log_none = np.zeros(len(grid)), 0.0
    for key, v in votes.items():
        first = 2 * "ab".index(key.isolator)
        for on, where in ((key.state == "in", "source"), (False, "none")):
            flux = [600 * key.bias_a[n] + on * FLUX_PHI0 * grid @ normals[n] for n in (first, first + 1)]
            q1, q2 = (ndtr(f / SD_PHI0) for f in flux)
            p = 0.03 + 0.94 * (q1 * q2 + (1 - q1) * (1 - q2))
            value = v.forward * np.log(p) + (v.count - v.forward) * np.log1p(-p)
            if where == "source":
                log_p += value
            else:
                log_none += float(np.asarray(value).flat[0])
    return grid, log_p, log_none, (line[1] - line[0]) ** 3


def grid_evidence(grid: np.ndarray, log_p: np.ndarray, cell: float, size: float = 1.0) -> float:
    """Log evidence of a source whose size is `size` times the stated one."""
    density = np.exp(-1.5 * np.sum(grid**2, axis=1) / size**2) * (1.5 / np.pi) ** 1.5 / size**3 * cell
    return float(log_p.max() + np.log(np.sum(density * np.exp(log_p - log_p.max()))))


@pytest.fixture(scope="module")
def some_votes(study: Study) -> dict:
    truth = draw_truth(study, 4, source=tuple(0.3e-6 * np.array([0.9, -1.0, 0.6])))
    return votes_from_rows(simulate_directions(study, truth), ".")[0]


def test_bayes_factor_against_a_grid(study: Study, some_votes: dict) -> None:
    """Evidence of a source summed over a grid of fields with the binomial law, against two routes of the package."""
    problem = problem_of(study, some_votes)
    grid, log_p, log_none, cell = grid_of_fields(some_votes)
    expected = grid_evidence(grid, log_p, cell) - log_none
    effort = evidence.Effort(draws=1500, fit_draws=600, steps=40, walkers=16)
    source, _ = evidence.weigh(problem, np.random.default_rng(5), effort)
    none, _ = evidence.weigh(without_source(problem), np.random.default_rng(6), effort)
    assert source.log_value - none.log_value == pytest.approx(expected, abs=0.12)
    assert expected > 5


@pytest.mark.parametrize("width", [1 / 3, pytest.param(1.0, marks=pytest.mark.slow)])
def test_source_models_on_counts_against_a_grid(study: Study, some_votes: dict, width: float) -> None:
    """A size prior a third as wide, by the same grid; and the same model twice."""
    second = replace(study, source=replace(study.source, size=study.source.size * width))
    grid, log_p, _, cell = grid_of_fields(some_votes)
    expected = grid_evidence(grid, log_p, cell) - grid_evidence(grid, log_p, cell, width)
    assert expected > 2 or width == 1
    found = compare_count_sources(study, second, some_votes, (1, 1), 3)
    assert found.doubts == ()
    assert found.log_bayes_factor == pytest.approx(expected, abs=0.06 + 4 * found.sd)


def test_detect_for_directions(study: Study, tmp_path: Path) -> None:
    done = run(["detect", study.path, "--json", "--simulations", "40", "--out", tmp_path])
    document = json.loads(done.out)
    assert done.code == 0, document["verdict"]
    assert document["planned"]
    small = document["experiment"]["smallest_size"]
    assert 0 < small["best_direction"] < small["random_direction"]
    assert document["experiment"]["repeats_fall"]["without_flux_noise"] is None
    assert (tmp_path / "detection.html").exists()


def test_source_models_on_counts_by_the_command(study: Study, some_votes: dict, tmp_path: Path) -> None:
    """A log of directions, and the same study with a source three times as large."""
    shutil.copy(study.path, tmp_path / "study.toml")
    text = study.path.read_text(encoding="utf-8")
    (tmp_path / "wide.toml").write_text(
        text.replace('size = "0.3 uT"', 'size = "0.9 uT"').replace("A small", "A wide"), encoding="utf-8"
    )
    here = read_study(tmp_path / "study.toml")
    write_campaign(here, draw_truth(here, 4, source=tuple(0.3e-6 * np.array([0.9, -1.0, 0.6]))), tmp_path)
    command = ["detect", here.path, "--against", tmp_path / "wide.toml", "--json", "--simulations", "40"]
    done = run([*command, "--out", tmp_path / "out"])
    models = json.loads(done.out)["source_models"]
    assert models["agree"]
    assert '"A wide study for tests"' in models["sentence"]
    assert 0 < models["log_bayes_factor"] < 3 * np.log(3)


def test_source_models_on_other_data_are_not_compared(study: Study, some_votes: dict) -> None:
    other = replace(study, data=replace(study.data, kind="complex"))
    with pytest.raises(
        InputError, match=r'their kinds of data are "direction" and "complex"\. Compare studies that differ'
    ):
        compare_count_sources(study, other, some_votes, (1, 1))


@pytest.mark.parametrize("kind", ["direction", "complex"])
def test_a_planned_experiment_compares_nothing(study: Study, kind: str) -> None:
    planned = replace(study, data=replace(study.data, kind=kind))
    for asked in ({"against": planned}, {"toward": [(0.0, 0.0, 1.0)]}):
        with pytest.raises(InputError, match="there are no sweeps to compare directions or source models with"):
            detect(planned, planned=True, **asked)
