"""`detect` of magnitudes: the score statistic of whole simulated digests, and the command.

Outside: Rao's statistic is chi-square without a source (textbook); the digests are simulated trace by trace with white complex noise
of which the magnitude is kept, not drawn from the likelihood's own law.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from conftest import run
from scipy import stats
from small_study import small_study

from fluxsense.data.digest import Digest
from fluxsense.detection.detect import planned_likelihood
from fluxsense.detection.linear import LinearCampaign, information_by_repeats, linear_campaign
from fluxsense.jobs.simulate import draw_truth, simulate_digest, write_campaign
from fluxsense.study import Study

MAGNITUDE = '\n[data]\nkind = "magnitude"\n'


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return small_study(
        tmp_path_factory.mktemp("magnitude"), extra=MAGNITUDE, wiring="+90 deg", points=15, phase_sd_deg=2.0,
        strength_sd=0.02, size_ut=0.1, repeats=4,
    )  # fmt: skip


@pytest.fixture(scope="module")
def empty(study: Study) -> Digest:
    return simulate_digest(study, draw_truth(study, 2, source=(0.0, 0.0, 0.0)))


def at_means(study: Study, digest: Digest) -> LinearCampaign:
    likelihood = planned_likelihood(study, digest)
    size = linear_campaign(study, digest, likelihood).unknowns.size
    return linear_campaign(study, digest, likelihood, at=np.zeros(size))


def test_a_weak_source_gives_information_times_source(study: Study, empty: Digest) -> None:
    campaign = at_means(study, empty)
    quiet = campaign.unknowns.parameters(np.zeros((3, campaign.unknowns.size)))
    v = 1e-3 * np.eye(3)
    score, _ = campaign.fit(campaign.likelihood.predict(quiet.changed(source=v * study.source.size)))
    none, _ = campaign.fit(campaign.likelihood.predict(quiet))
    expected = v @ campaign.information
    np.testing.assert_allclose(score - none, expected, atol=3e-3 * np.abs(expected).max())
    np.testing.assert_allclose(information_by_repeats(campaign)(1.0), campaign.block(), rtol=1e-6)


def test_magnitudes_say_less_than_the_traces_that_they_come_from(study: Study, tmp_path: Path) -> None:
    whole = small_study(
        tmp_path, wiring="+90 deg", points=15, phase_sd_deg=2.0, strength_sd=0.02, size_ut=0.1, repeats=4
    )
    seen = []
    for one in (study, whole):
        digest = simulate_digest(one, draw_truth(one, 2, source=(0.0, 0.0, 0.0)))
        seen.append(np.linalg.eigvalsh(at_means(one, digest).block()))
    assert np.all(seen[0] > 0)
    assert np.all(seen[0] < seen[1])


def test_the_statistic_of_whole_digests_is_chi_square(study: Study) -> None:
    """Sixteen campaigns without a source, simulated trace by trace; and a source in one."""
    values = []
    for seed in range(16):
        digest = simulate_digest(study, draw_truth(study, 100 + seed, source=(0.0, 0.0, 0.0)))
        own = linear_campaign(study, digest, planned_likelihood(study, digest))
        values.append(float(own.statistic(own.measured_score()[0])))
    assert stats.kstest(values, stats.chi2(3).cdf).pvalue > 1e-3
    assert np.mean(values) == pytest.approx(3.0, abs=4 * np.sqrt(6 / 16))
    loud = simulate_digest(study, draw_truth(study, 6, source=(4e-7, 0.0, 2e-7)))
    seen = linear_campaign(study, loud, planned_likelihood(study, loud))
    assert seen.statistic(seen.measured_score()[0]) > 60


def test_the_command(study: Study) -> None:
    """From files: the evidence of two routes beside that of `orient`, and the experiment."""
    write_campaign(study, draw_truth(study, 6, source=(4e-7, 0.0, 2e-7)), study.folder)
    outcome = run(["detect", study.path, "--simulations", "40", "--toward=0,26.6", "--toward=90,0", "--json"])
    assert outcome.code in (0, 1), outcome.err
    document = json.loads(outcome.out)
    result = json.loads((study.folder / "results" / "result.json").read_text())
    assert document["log_bayes_factor"] > 20
    assert document["log_bayes_factor"] == pytest.approx(result["log_bayes_factor"], rel=0.02, abs=0.5)
    assert document["experiment"]["smallest_size"]["random_direction"] < 4e-7
    assert document["experiment"]["simulated"]["detection"] > 0.6
    assert document["directions"][0]["probability_in_list"] > 0.9
