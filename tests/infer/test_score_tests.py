"""Score tests of what the study holds still: right size on good data, the likelihood ratio they stand for, what they find."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import ndtri
from scipy.stats import binom, kstest
from small_study import fitted, small_study

from fluxsense.data.digest import Digest
from fluxsense.infer.modes import ascend
from fluxsense.infer.predictive import PredictiveCheck, predictive_check
from fluxsense.infer.score_tests import _conflict, unseen_findings
from fluxsense.jobs.orient import orient
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.sentences import sentences
from fluxsense.study import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    return small_study(
        tmp_path_factory.mktemp("suspects"),
        wiring="+90 deg",
        points=21,
        repeats=6,
        strength_sd=0.02,
        flux_noise_mphi0=0.3,
    )


def with_stage(study: Study, isolator: int, number: int, **changes: object) -> Study:
    """The study with fields of one stage changed."""
    isolators = list(study.isolators)
    stages = list(isolators[isolator].stages)
    stages[number] = replace(stages[number], **changes)  # type: ignore[arg-type]
    isolators[isolator] = replace(isolators[isolator], stages=tuple(stages))
    return replace(study, isolators=tuple(isolators))


def checked(study: Study, other: Study, truth: Truth) -> PredictiveCheck:
    """The check of data of another chip against the study."""
    problem, x = fitted(study, simulate_digest(other, truth), truth.port_signs, truth.parameters["source"][0])
    explicit, wide = problem.explicit(x)
    return predictive_check(Linearised.of(explicit, wide), np.random.default_rng(0))


@pytest.mark.parametrize("campaigns", [16, pytest.param(40, marks=pytest.mark.slow)])
def test_good_data_are_suspected_as_often_as_the_probabilities_say(study: Study, campaigns: int) -> None:
    found = [checked(study, study, draw_truth(study, seed)).suspicion for seed in range(1, campaigns + 1)]
    for values in ([s.probability for s in found], [s.conflict for s in found]):
        low = int(np.sum(np.array(values) < 0.2))
        assert min(values) > 1e-4
        assert binom.sf(low - 1, len(found), 0.2) > 1e-3
    assert {s.tests for s in found} == {80}
    assert sum(s.shift_sd > 0 for s in found) <= 1


@pytest.mark.parametrize("campaigns", [12, pytest.param(30, marks=pytest.mark.slow)])
def test_points_in_a_notch_count_by_their_own_law(tmp_path: Path, campaigns: int) -> None:
    """Magnitudes with a few points near the noise: nothing is suspected that the model explains.

    The mode belongs to those points as to all others: without their pull, scores along what the unknowns nearly explain
    are of another point than the mode, and probabilities of 1e-8 and less come out.
    """
    extra = '\n[data]\nkind = "magnitude"\n'
    study = small_study(tmp_path, wiring="+90 deg", points=21, repeats=6, strength_sd=0.02, extra=extra)
    study = replace(study, noise=replace(study.noise, white=0.03))
    found, notched = [], 0
    for seed in range(1, campaigns + 1):
        truth = draw_truth(study, seed)
        problem, x = fitted(study, simulate_digest(study, truth), truth.port_signs, truth.parameters["source"][0])
        notched += any(f.notch is not None for f in problem.likelihood.families)
        found.append(predictive_check(Linearised.of(*problem.explicit(x)), np.random.default_rng(0)).suspicion)
    assert notched >= campaigns // 3
    for values in ([s.probability for s in found], [s.conflict for s in found]):
        assert min(values) > 1e-4
        assert binom.sf(int(np.sum(np.array(values) < 0.2)) - 1, len(found), 0.2) > 1e-3
    assert sum(s.shift_sd > 0 for s in found) <= 1


def test_score_and_shift_are_those_of_a_fit_with_the_parameter_free(study: Study) -> None:
    """A linewidth 4% off: the score's chi-square is twice the gain in log posterior, its shift that of the fit."""
    width = study.isolators[0].stages[1].idler_linewidth_hz
    other = with_stage(study, 0, 1, idler_linewidth_hz=1.04 * width)
    truth = draw_truth(study, 8)
    digest = simulate_digest(other, truth)
    problem, x = fitted(study, digest, truth.port_signs, truth.parameters["source"][0])
    found = predictive_check(Linearised.of(problem, x), np.random.default_rng(0)).suspicion
    assert found.name == "the idler linewidth of stage 2 of isolator a"
    free = with_stage(study, 0, 1, stated_sd=(("idler_linewidth_hz", 0.3 * width),))
    unknowns = Unknowns(free, ("c1",), everything=True)
    likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=problem.likelihood.reference)
    wide = CampaignProblem(unknowns, likelihood)
    column = [n.array for n in unknowns.nuisances].index("idler_linewidth_hz") + 3
    mode = ascend(wide, np.insert(x, column, 0.0))
    assert mode is not None
    held, _, _ = problem.curvatures(x[None])
    gain = mode.log_posterior - float(held[0] + problem.unknowns.log_prior(x[None])[0])
    gain += 0.5 * np.log(2 * np.pi)  # the free parameter's prior density, flat over the width that matters
    count = 2 * found.tests
    chi_square = float(ndtri(found.probability / count) ** 2)
    assert chi_square == pytest.approx(2 * gain, rel=0.1)
    moved = mode.x[:3] - x[:3]
    unit = x[:3] / np.linalg.norm(x[:3])
    tangent = np.linalg.svd(unit[None])[2][1:]
    at_mode = ascend(problem, x)
    assert at_mode is not None
    spread = tangent @ at_mode.covariance[:3, :3] @ tangent.T
    distance = float(np.sqrt(0.5 * (tangent @ moved) @ np.linalg.solve(spread, tangent @ moved)))
    assert found.shift_sd == pytest.approx(distance, rel=0.15, abs=0.05)


@pytest.mark.parametrize(
    "field",
    [
        "signal_frequency_hz",
        "signal_linewidth_hz",
        "signal_participation",
        "idler_linewidth_hz",
        "idler_participation",
        "coupling_hz",
    ],
)
def test_a_wrong_chip_parameter_is_seen(study: Study, field: str) -> None:
    value = getattr(study.isolators[1].stages[0], field)
    change = 1e6 if field == "signal_frequency_hz" else 0.05 * value
    truth = draw_truth(study, 8)
    found = checked(study, with_stage(study, 1, 0, **{field: value + change}), truth).suspicion
    assert found.probability < 1e-6
    assert found.shift_sd > 0.3
    assert "isolator b" in found.name or "loop b1" in found.name


def test_a_nuisance_far_from_its_prior_is_a_conflict(study: Study) -> None:
    truth = draw_truth(study, 6)
    offset = np.array(truth.parameters["offset_phi0"])
    offset[0, :, 2] = 0.06  # six standard deviations
    far = replace(truth, parameters=truth.parameters.changed(offset_phi0=offset))
    found = checked(study, study, far).suspicion
    assert found.conflict_name == "offset b1"
    assert found.conflict_sd == pytest.approx(6.0, abs=0.3)
    assert found.conflict < 1e-6
    assert found.shift_sd == 0.0


@pytest.mark.parametrize("noise", [0.3, 1.0, 2.0])
def test_conflict_with_the_prior_is_a_probability(tmp_path: Path, noise: float) -> None:
    """Where prior and model hold, the probability of one nuisance's distance is uniform: Kolmogorov and Smirnov's test by scipy.

    1500 linear campaigns of 8 numbers with a source and one nuisance drawn from their priors, fitted by the normal equations;
    the data say much, half and little of the nuisance.
    """
    study = small_study(tmp_path, wiring="+90 deg", offset_sd_mphi0=0.0, strength_sd=0.02)
    problem = SimpleNamespace(unknowns=Unknowns(study, isolators=[0]))
    assert problem.unknowns.names[3:] == ("pump strength a",)
    rng = np.random.default_rng(9)
    precision = np.diag([3.0, 3.0, 3.0, 1.0])
    slopes = rng.standard_normal((8, 4)) / noise
    covariance = np.linalg.inv(slopes.T @ slopes + precision)
    true = rng.standard_normal((1500, 4)) / np.sqrt(np.diag(precision))
    modes = (true @ slopes.T + rng.standard_normal((1500, 8))) @ slopes @ covariance
    found = [_conflict(problem, x, covariance) for x in modes]  # type: ignore[arg-type]
    assert kstest([f.conflict for f in found], "uniform").pvalue > 1e-3
    np.testing.assert_array_equal([f.conflict_sd for f in found], modes[:, 3])


def test_a_jump_that_passes_for_a_source_is_named(study: Study) -> None:
    """Three tenths of the jump called unseen, put into the data, are not seen and move the direction by as much of what was said."""
    truth = draw_truth(study, 8)
    good = simulate_digest(study, truth)
    found = checked(study, study, truth).suspicion
    loop = [v.name for v in study.loops].index(found.unseen_loop)
    assert found.unseen_shift_sd > 2
    assert sentences(unseen_findings(found, in_turns=False))[0].startswith("A jump of ")
    # between sweeps in turns no jump lies, but what comes with the source does
    assert "that comes and goes with the source" in sentences(unseen_findings(found, in_turns=True))[0]
    assert unseen_findings(replace(found, unseen_shift_sd=1.9), in_turns=False) == []
    offset = np.array(truth.parameters["offset_phi0"])
    offset[0, :, loop] += 0.3 * found.unseen_phi0
    later = simulate_digest(study, replace(truth, parameters=truth.parameters.changed(offset_phi0=offset)))
    mixed = Digest({k: (later if k.state == "in" else good)[k] for k in good})
    problem, x = fitted(study, good, truth.port_signs, truth.parameters["source"][0])
    after, y = fitted(study, mixed, truth.port_signs, truth.parameters["source"][0])
    assert predictive_check(Linearised.of(after, y), np.random.default_rng(0)).suspicion.probability > 1e-3
    mode = ascend(problem, x)
    assert mode is not None
    tangent = np.linalg.svd(x[None, :3])[2][1:]
    aside = tangent @ (y[:3] / np.linalg.norm(y[:3]) - x[:3] / np.linalg.norm(x[:3])) * np.linalg.norm(x[:3])
    spread = tangent @ mode.covariance[:3, :3] @ tangent.T
    assert np.sqrt(0.5 * aside @ np.linalg.solve(spread, aside)) == pytest.approx(0.3 * found.unseen_shift_sd, rel=0.15)


def test_the_verdict_says_what_is_wrong_and_how_much_it_matters(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg", points=21, repeats=6, strength_sd=0.02)
    value = study.isolators[1].stages[1].idler_linewidth_hz
    truth = draw_truth(study, 7)
    digest = simulate_digest(with_stage(study, 1, 1, idler_linewidth_hz=1.12 * value), truth)
    verdict = orient(study, digest, seed=1, wanted_ess=300).document["verdict"]
    assert verdict["trust"] != "reliable"
    sentence = next(r for r in verdict["reasons"] if r.startswith("The data look as if"))
    assert "the idler linewidth of stage 2 of isolator b were not what the study says (probability " in sentence
    assert "would move the direction by up to " in sentence
    assert sentence.endswith("Characterize it again, state its uncertainty, or look at those sweeps.")
