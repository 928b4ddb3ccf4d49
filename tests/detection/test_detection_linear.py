"""The campaign to first order in the source, detection rates by simulation, and the command `detect`.

References: Rao's score statistic is chi-square with three degrees of freedom without a source and noncentral with one
(Kay II, ch. 6, from memory); the log Bayes factor of a linear normal model is checked against the matrix formula of
`linear_log_evidence`, which has its own published-form check; derivatives against the chip model itself.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Measured, run
from document_types import misfits
from reference.evidence import linear_log_evidence
from scipy import stats
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import random_directions
from fluxsense.cli import FILES
from fluxsense.data.digest import Digest
from fluxsense.detection import experiment
from fluxsense.detection.detect import SequentialDetection, compare_sources, planned_likelihood
from fluxsense.detection.linear import (
    LinearCampaign,
    drawn_campaigns,
    information_by_repeats,
    linear_campaign,
    linear_log_bayes_factor,
    position_nodes,
    scaled_digest,
    score_statistic,
)
from fluxsense.detection.sequential import AGAINST, CONTINUE, FOR
from fluxsense.detection.stored import load_stored
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.report.documents import DetectionDocument
from fluxsense.study import DirectionPrior, Study, read_study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return small_study(
        tmp_path_factory.mktemp("linear"), points=15, phase_sd_deg=1.0, strength_sd=0.02, wiring="+90 deg"
    )


@pytest.fixture(scope="module")
def empty(study: Study) -> Digest:
    """A campaign without a source."""
    return simulate_digest(study, draw_truth(study, 5, source=(0.0, 0.0, 0.0)))


@pytest.fixture(scope="module")
def campaign(study: Study, empty: Digest) -> LinearCampaign:
    likelihood = planned_likelihood(study, empty)
    size = linear_campaign(study, empty, likelihood).unknowns.size
    return linear_campaign(study, empty, likelihood, at=np.zeros(size))


def test_score_of_a_weak_source_is_information_times_source(campaign: LinearCampaign) -> None:
    """Noise-free campaigns: the chip model's own ratios with a weak source give the score M v."""
    likelihood = campaign.likelihood
    quiet = campaign.unknowns.parameters(np.zeros((3, campaign.unknowns.size)))
    v = 1e-3 * np.eye(3)
    shifted = quiet.changed(source=v * campaign.study.source.size)
    score, nuisances = campaign.fit(likelihood.predict(shifted))
    empty, _ = campaign.fit(likelihood.predict(quiet))
    expected = v @ campaign.information
    np.testing.assert_allclose(score - empty, expected, atol=3e-3 * np.abs(expected).max())
    assert np.all(np.abs(nuisances) < 1)


def test_nuisances_alone_give_no_score(campaign: LinearCampaign) -> None:
    """Offsets and strengths far from their means, no noise: the fit follows, the score stays small against its scatter."""
    x = 1.5 * np.random.default_rng(3).standard_normal((4, campaign.unknowns.size))
    score, fitted = campaign.fit(campaign.likelihood.predict(campaign.unknowns.parameters(x)))
    scatter = np.sqrt(np.diag(campaign.information))
    assert np.max(np.abs(score) / scatter) < 0.5
    assert np.max(np.abs(fitted - x)) < 0.5


def test_bayes_factor_is_the_matrix_formula() -> None:
    rng = np.random.default_rng(0)
    a = rng.standard_normal((9, 3))
    y = rng.standard_normal(9) + a @ [0.4, -0.2, 0.1]
    score, information = a.T @ y, a.T @ a
    exact = linear_log_evidence(y, a, np.eye(9), np.eye(3) / 3) - linear_log_evidence(
        y, a[:, :0], np.eye(9), np.zeros((0, 0))
    )
    assert linear_log_bayes_factor(information, score) == pytest.approx(exact, abs=1e-10)
    twice = np.tile(information, (2, 2))
    assert linear_log_bayes_factor(twice, np.tile(score, 2)) == pytest.approx(exact, abs=1e-10)


@pytest.mark.parametrize("size", [None, 0.5, 3.0])
def test_bayes_factor_of_a_prior_of_any_size(campaign: LinearCampaign, size: float | None) -> None:
    """Of three independent normal components whose root mean square length is the size, each has a third of its square.

    Reference: the density of a normal (`reference.evidence`), for data of unit noise that have the campaign's score and information.
    """
    stated = campaign.study.source.size
    lower = np.linalg.cholesky(campaign.block())
    y = np.array([4.0, -2.0, 3.0])
    prior = (1.0 if size is None else size) ** 2 / 3 * np.eye(3)
    exact = linear_log_evidence(y, lower.T, np.eye(3), prior) - stats.multivariate_normal(cov=np.eye(3)).logpdf(y)
    found = campaign.log_bayes_factor(lower @ y, None if size is None else size * stated)
    assert found == pytest.approx(exact, rel=1e-8)


def test_expected_bayes_factor_is_the_mean(campaign: LinearCampaign) -> None:
    m = campaign.block()
    rng = np.random.default_rng(1)
    v = 2.0 * np.linalg.inv(np.linalg.cholesky(m)).T @ [1.0, 0.5, -0.5]
    scores = experiment.draw_scores(rng, m, 20_000) + m @ v
    values = linear_log_bayes_factor(m, scores)
    expected = experiment.expected_log_bayes_factor(m, v)
    assert abs(values.mean() - expected) < 4 * values.std() / np.sqrt(values.size)
    none = linear_log_bayes_factor(m, experiment.draw_scores(rng, m, 20_000))
    assert abs(none.mean() - experiment.expected_log_bayes_factor_without(m)) < 4 * none.std() / np.sqrt(none.size)


def test_false_alarms_and_detection_by_simulation(campaign: LinearCampaign) -> None:
    """Through the full chip model with nuisances drawn from their priors; the long table is tests/validation/detection_rates.py."""
    rng = np.random.default_rng(2)
    count = 600
    null = campaign.statistic(campaign.simulate(rng, count))
    for a in (0.5, 0.1):
        measured = np.mean(null >= experiment.chi_square_threshold(a, 3))
        assert abs(measured - a) < 4 * np.sqrt(a * (1 - a) / count)
    assert stats.kstest(null, stats.chi2(3).cdf).pvalue > 1e-4
    threshold = float(experiment.chi_square_threshold(0.01, 3))
    drawn = drawn_campaigns(campaign.study, campaign.likelihood.digest, campaign, rng, 6)
    size = experiment.ScoreDraws.of([d.campaign.information for d in drawn], rng).smallest(threshold, 0.9)
    length = size * campaign.study.source.size
    hit = np.concatenate([d.statistics(rng, count // 6, length * random_directions(rng, count // 6)) for d in drawn])
    assert abs(np.mean(hit >= threshold) - 0.9) < 4 * np.sqrt(0.09 / count)
    # negative control: half the size is not detected at that rate
    weak = campaign.statistic(
        campaign.simulate(rng, 200, 0.5 * size * campaign.study.source.size * random_directions(rng, 200))
    )
    assert np.mean(weak >= threshold) < 0.6


def test_measured_statistic_of_a_digest(study: Study, empty: Digest) -> None:
    """A whole digest without a source and one with: noise measured, wiring as stated."""
    own = linear_campaign(study, empty, planned_likelihood(study, empty))
    assert own.statistic(own.measured_score()[0]) < stats.chi2.isf(1e-4, 3)
    loud = simulate_digest(study, draw_truth(study, 6, source=(2e-7, 0.0, 1e-7)))
    seen = linear_campaign(study, loud, planned_likelihood(study, loud))
    assert seen.statistic(seen.measured_score()[0]) > 100


def test_repeats_and_flux_noise(study: Study, empty: Digest) -> None:
    noisy = replace(study, noise=replace(study.noise, flux_phi0=1e-3))
    likelihood = planned_likelihood(noisy, empty)

    def information(factor: float, kind: str) -> float:
        found = linear_campaign(
            noisy, empty, likelihood, repeats_factor=factor, flux_noise=kind, at=np.zeros(campaign_size)
        )
        return float(np.trace(found.block()))

    campaign_size = linear_campaign(noisy, empty, likelihood).unknowns.size
    assert information(4, "white") == pytest.approx(4 * information(1, "white"), rel=0.15)
    assert information(1, "none") > information(1, "white") > information(1, "slow")
    # slow flux noise stops the growth
    assert information(1e6, "slow") < 3 * information(100, "slow")
    assert information(1e6, "white") > 1000 * information(100, "white")
    assert scaled_digest(empty, 0.01).sweeps == len(empty)


@pytest.mark.parametrize("flux_noise", [0.0, 1e-3])
def test_information_by_repeats_is_that_of_a_campaign_with_as_many(
    study: Study, empty: Digest, flux_noise: float
) -> None:
    noisy = replace(study, noise=replace(study.noise, flux_phi0=flux_noise, residual_gain=3e-4))
    likelihood = planned_likelihood(noisy, empty)
    zero = np.zeros(linear_campaign(noisy, empty, likelihood).unknowns.size)
    at = information_by_repeats(linear_campaign(noisy, empty, likelihood, at=zero))
    for factor in (1.0, 3.0, 100.0):
        for kind in ("white", "none", "slow"):
            exact = linear_campaign(noisy, empty, likelihood, repeats_factor=factor, flux_noise=kind, at=zero).block()
            # the pump-off power that scales the noise is smoothed a little differently with other counts
            np.testing.assert_allclose(
                at(factor, kind), exact, atol=(1e-9 if factor == 1 else 2.5e-2) * np.abs(exact).max()
            )
    assert np.all(np.diff([np.trace(at(f, "white")) for f in (0.5, 1.0, 2.0, 4.0)]) > 0)


def test_drawn_scores_give_the_statistic_and_its_laws() -> None:
    """One position: chi-square and its noncentral kin; two positions: against scores formed one by one."""
    generator = np.random.default_rng(4)
    a = generator.standard_normal((20, 3))
    one = experiment.ScoreDraws.of([a.T @ a], generator, 40_000)
    assert stats.kstest(one.statistics(), stats.chi2(3).cdf).pvalue > 1e-4
    threshold = float(stats.chi2.isf(0.01, 3))
    np.testing.assert_allclose(one.thresholds([0.01]), threshold, rtol=0.05)
    found = one.smallest(threshold, 0.8)
    expected = experiment.smallest_size(a.T @ a, 0.01, 0.8).any_direction
    assert abs(found / expected - 1) < 0.01
    assert abs(one.detection(found, threshold) - 0.8) < 1e-3
    two = np.concatenate([a, a + 0.5 * generator.standard_normal(a.shape)], axis=1)
    m = two.T @ two
    draws = experiment.ScoreDraws.of([m], np.random.default_rng(1), 2000)
    scores = experiment.draw_scores(np.random.default_rng(1), m, 2000)
    np.testing.assert_allclose(draws.statistics(), score_statistic(m, scores), rtol=1e-9)
    # negative control: taken for one position the threshold for two lets too much through
    assert np.mean(draws.statistics() >= threshold) > 0.012
    blind = experiment.ScoreDraws.of([np.diag([1.0, 1.0, 0.0])], generator, 2000)
    assert np.isfinite(blind.smallest(threshold, 0.5))


def test_derivatives_at_the_fitted_nuisances_lose_no_source(study: Study, empty: Digest) -> None:
    """Far from the prior means: the statistic with derivatives there reaches the noncentrality v^T M v, the other less."""
    wide = replace(study, loops=tuple(x.with_sd(offset_phi0=0.05) for x in study.loops))
    likelihood = planned_likelihood(wide, empty)
    zero = np.zeros(linear_campaign(wide, empty, likelihood).unknowns.size)
    means = linear_campaign(wide, empty, likelihood, at=zero)
    generator = np.random.default_rng(8)
    reached, lost = [], []
    for drawn in drawn_campaigns(wide, empty, means, generator, 12):
        own = drawn.campaign
        v = 3 * np.linalg.inv(np.linalg.cholesky(own.block())).T @ random_directions(generator, 1)[0]
        source = v * wide.source.size
        for c, values in ((own, reached), (means, lost)):
            score = c.simulate(generator, 60, source, nuisances=drawn.nuisances)
            values.append(c.statistic(score).mean())
    expected, error = 3 + 9, np.sqrt(2 * (3 + 2 * 9) / (12 * 60))
    assert abs(np.mean(reached) - expected) < 4 * error
    assert np.mean(lost) < np.mean(reached) - 2 * error


def test_positions_stand_for_the_prior() -> None:
    grain = read_study(Path(__file__).parents[2] / "data_demo/grain/study.toml")
    nodes = position_nodes(grain, 2000)
    np.testing.assert_allclose(nodes[0], grain.source.position_m)
    np.testing.assert_allclose(nodes.std(axis=0), grain.source.position_sd_m, rtol=0.05)
    exact = replace(grain, source=replace(grain.source, position_sd_m=(0.0, 0.0, 0.0)))
    assert position_nodes(exact).shape == (1, 3)


def test_sequential_detection_batch_by_batch(study: Study) -> None:
    test = SequentialDetection.start(study, 0.01, 0.05)
    assert test.state.decision == CONTINUE
    loud = simulate_digest(study, draw_truth(study, 6, source=(2e-7, 0.0, 1e-7)))
    after = test.update(loud)
    assert after.state.decision == FOR
    assert after.port_signs is not None
    assert test.state.batches == 0  # a value: not changed
    quiet = simulate_digest(study, draw_truth(study, 5, source=(0.0, 0.0, 0.0)))
    assert test.update(quiet).state.decision == AGAINST
    # told from a source a thousand times weaker, the same empty campaign decides nothing
    faint = SequentialDetection.start(study, 0.01, 0.05, size=1e-9)
    assert faint.update(quiet).state.decision == CONTINUE
    with pytest.raises(InputError, match="above zero"):
        SequentialDetection.start(study, 0.01, 0.05, size=0.0)


# ---------------------------------------------------------------- source models


@pytest.mark.slow
def test_source_models_against_known_factors(tmp_path: Path) -> None:
    """The same model twice: 0.  A hemisphere that holds the whole posterior against the sphere: ln 2, the ratio of solid
    angles.  A size prior twice as wide: the matrix formula of the linear model, which the priors' ratio gives here, since
    the data fix the source far better than either prior."""
    first = small_study(tmp_path, points=11, repeats=2, wiring="+90 deg")
    v = np.array([0.3, -0.2, 0.8]) * 1e-6
    digest = simulate_digest(first, draw_truth(first, 3, source=tuple(v)))
    hemisphere = replace(
        first, source=replace(first.source, direction=DirectionPrior("cap", (0.0, 0.0, 1.0), np.pi / 2))
    )
    doubled = replace(first, source=replace(first.source, size=2 * first.source.size))
    # normal prior of variance 1/3 per component in stated sizes: ln ratio of its densities at the source
    s = v / first.source.size
    prior_ratio = -1.5 * (s @ s) + 1.5 * (s @ s) / 4 + 3 * np.log(2)
    for second, expected in ((first, 0.0), (hemisphere, -np.log(2)), (doubled, prior_ratio)):
        found = compare_sources(first, second, digest, 4)
        assert found.doubts == ()
        assert found.sd < 0.1
        assert abs(found.log_bayes_factor - expected) < 4 * found.sd + 0.01


def test_studies_of_other_traces_are_not_compared(study: Study, empty: Digest) -> None:
    with pytest.raises(InputError, match="do not describe the same traces: their states are out, in and out"):
        compare_sources(study, replace(study, states=study.states[:1]), empty)


def test_a_wider_size_prior_by_the_command(measured: Measured, tmp_path: Path) -> None:
    """Two routes in one document: the other study's evidence, and the same posterior weighed with the other prior."""
    folder = tmp_path / "campaign"
    shutil.copytree(measured.folder, folder)
    text = (folder / "study.toml").read_text()
    (folder / "wide.toml").write_text(text.replace('size = "1.0 uT"', 'size = "2.0 uT"').replace("A small", "A wide"))
    outcome = run(["detect", folder / "study.toml", "--against", folder / "wide.toml", "--simulations", 0, "--json"])
    assert outcome.code in (0, 1)
    document = json.loads(outcome.out)
    models, moved = document["source_models"], document["prior_sensitivity"][1]
    assert models["agree"]
    assert '"A wide study for tests"' in models["sentence"]
    assert abs(models["log_bayes_factor"] + moved["change"]) < 4 * np.hypot(models["sd"], moved["sd"]) + 0.01


@pytest.mark.slow
def test_a_dipole_against_a_field_by_the_command(measured: Measured, tmp_path: Path) -> None:
    """The traces hold a uniform field; a dipole near one loop explains them far worse."""
    folder = tmp_path / "campaign"
    shutil.copytree(measured.folder, folder)
    text = (folder / "study.toml").read_text()
    dipole = text.replace(
        'kind = "uniform_field"\nsize = "1.0 uT"',
        'kind = "dipole"\nposition = ["0 um", "0 um", "40 um"]\nsize = "1000 fA m^2"',
    )
    dipole = dipole.replace("A small study for tests", "A dipole over the first loop")
    assert dipole.count("dipole") >= 1
    (folder / "other.toml").write_text(dipole)
    outcome = run(["detect", folder / "study.toml", "--against", folder / "other.toml", "--simulations", 0, "--json"])
    assert outcome.code in (0, 1)
    models = json.loads(outcome.out)["source_models"]
    assert models["log_bayes_factor"] > 100
    assert '"A small study for tests"' in models["sentence"]


# ---------------------------------------------------------------- the command


@pytest.fixture(scope="module")
def detected(measured: Measured, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict]:
    folder = tmp_path_factory.mktemp("detect") / "campaign"
    shutil.copytree(measured.folder, folder)
    outcome = run(
        ["detect", folder / "study.toml", "--json", "--simulations", 60, "--toward=10,20", "--toward=200,-50"],
        second=True,
    )
    assert outcome.code in (0, 1)
    return folder, json.loads(outcome.out)


def test_detect_document(detected: tuple[Path, dict], measured: Measured) -> None:
    _, document = detected
    result = json.loads((measured.folder / "results/result.json").read_text())
    assert misfits(document, DetectionDocument) == []
    assert document["log_bayes_factor"] > 10
    error = 5 * np.hypot(document["log_bayes_factor_sd"], result["log_bayes_factor_sd"]) + 0.05
    assert abs(document["log_bayes_factor"] - result["log_bayes_factor"]) < error
    assert abs(document["log_bayes_factor_bridge"] - document["log_bayes_factor"]) < error
    assert document["provenance"]["digest_hash"] == result["provenance"]["digest_hash"]
    assert [round(s["size_prior_times"], 3) for s in document["prior_sensitivity"]] == [0.5, 2.0]
    assert sum(d["probability_in_list"] for d in document["directions"]) == pytest.approx(1)
    assert document["statistic"]["exceeds_threshold"]
    e = document["experiment"]
    assert e["smallest_size"]["best_direction"] <= e["smallest_size"]["random_direction"]
    assert e["thresholds"]["known"] < e["thresholds"]["unknown_direction"]
    assert abs(e["simulated"]["detection"] - 0.9) < 0.2


def test_detect_writes_its_section_once(detected: tuple[Path, dict]) -> None:
    folder, first = detected
    assert set(FILES["detect"][1]) <= {p.name for p in (folder / "results").iterdir()}
    page = (folder / "results/report.html").read_text()
    outcome = run(["detect", folder / "study.toml", "--simulations", 0])
    assert "Kass and Raftery 1995" in outcome.out
    assert "sigma" not in outcome.out
    again = (folder / "results/report.html").read_text()
    assert page.count('id="confidence"') == again.count('id="confidence"') == 1
    for one in (page, again):  # numbered by the style as every section is, and before the cautions
        assert (
            one.index('id="settings"') < one.index('<section id="confidence">') < one.index('<section id="cautions">')
        )
        assert '<div class="rail"><h2><bdi>Confidence</bdi></h2></div>' in one
        assert "counter-increment: part" in one
    second = json.loads((folder / "results/detection.json").read_text())
    assert second["log_bayes_factor"] == first["log_bayes_factor"]  # same seed, same answer
    assert second["experiment"]["roc"] == first["experiment"]["roc"]


def test_figures_are_figures(detected: tuple[Path, dict]) -> None:
    from matplotlib.figure import Figure

    from fluxsense.report.confidence import detection_figure, growth_figure, roc_figure

    for draw in (roc_figure, detection_figure, growth_figure):
        assert isinstance(draw(detected[1]), Figure)


def test_stored_posterior_round_trip_and_damage(detected: tuple[Path, dict], tmp_path: Path) -> None:
    folder, _ = detected
    path = folder / "results/posterior.npz"
    stored = load_stored(path)
    stored.save(tmp_path / "again.npz")
    again = load_stored(tmp_path / "again.npz")
    np.testing.assert_array_equal(again.x, stored.x)
    assert again.port_signs == stored.port_signs
    assert again.reference is not None
    raw = path.read_bytes()
    (tmp_path / "bad.npz").write_bytes(raw[: len(raw) // 2])
    with pytest.raises(InputError, match="damaged"):
        load_stored(tmp_path / "bad.npz")
    with pytest.raises(InputError, match="there is no such stored posterior"):
        load_stored(tmp_path / "none.npz")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--toward=10"], "not an azimuth and an elevation"),
        (["--toward=10,95"], "not an azimuth and an elevation"),
        (["--false-alarm=0.7"], "promised false-alarm rate is 0.7"),
        (["--detection=1.2"], "promised miss rate"),
        (["--simulations=-1"], "--simulations -1 is too small"),
    ],
)
def test_wrong_options_are_sentences(measured: Measured, arguments: list[str], said: str) -> None:
    outcome = run(["detect", measured.folder / "study.toml", *arguments])
    assert outcome.code == 2
    assert said in outcome.err


def test_planned_experiment_without_traces(tmp_path: Path) -> None:
    small_study(tmp_path, points=15)
    outcome = run(["detect", tmp_path / "study.toml", "--simulations", 0])
    assert outcome.code == 0
    assert "experiment as planned" in outcome.out
    assert "Bayes factor" not in outcome.out
    assert (tmp_path / "results/detection.html").exists()
    refused = run(["detect", tmp_path / "study.toml", "--toward=1,2"])
    assert refused.code == 2
    assert "no sweeps" in refused.err


@pytest.mark.slow
def test_a_campaign_without_a_source_says_so(tmp_path: Path) -> None:
    small = small_study(tmp_path, points=15, repeats=2)
    (tmp_path / "truth_none.toml").write_text('[source]\nazimuth = "0 deg"\nelevation = "0 deg"\nsize = "0 T"\n')
    assert run(["simulate", small.path, "--truth", tmp_path / "truth_none.toml", "--seed", 4]).code == 0
    outcome = run(["detect", small.path, "--simulations", 0])  # without orient: it infers first
    assert "The data favour no source over a source" in outcome.out
    assert "if there is a source after all" in outcome.out
    assert "inferring first" in outcome.err
    assert (tmp_path / "results/posterior.npz").exists()
