"""Coordinates that follow tight fluxes.

References: the density itself (a change of coordinates of Jacobian one changes no integral), and the integral over the
source's vector by hand, which is that of normal laws.
"""

from __future__ import annotations

from functools import partial
from pathlib import Path

import numpy as np
import pytest
from small_study import fitted, study_text

from fluxsense.detection.evidence import Effort, weigh
from fluxsense.detection.stored import Identity, load_stored, stored_from
from fluxsense.infer.mixture import StudentMixture, from_modes, importance_weights, improve
from fluxsense.infer.modes import LocalMode, ascend
from fluxsense.infer.orient import sample_posterior
from fluxsense.infer.proposal import BENT, Proposal
from fluxsense.infer.straight import Straight, _followers
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.live.anchor import Anchor, Shape
from fluxsense.live.current import Current
from fluxsense.model.problem import CampaignProblem, log_posterior
from fluxsense.study import read_study

FIELD = 'kind = "uniform_field"\nsize = "1.0 uT"\n'
DIPOLE = (
    'kind = "dipole"\nsize = "1e-12 A m^2"\nposition = ["140 um", "10 um", "70 um"]\n'
    'position_sd = ["3 um", "3 um", "3 um"]\nextent = "0 um"\n'
)


def campaign(folder: Path, seed: int = 5) -> tuple[CampaignProblem, LocalMode]:
    """Four loops under a dipole whose place is known to a twenty-fifth of its distance; white noise of 3e-4."""
    path = folder / "study.toml"
    text = study_text(wiring="+90 deg", offset_sd_mphi0=0.0)
    text = text.replace(FIELD, DIPOLE).replace("white = 0.01", "white = 0.0003")
    text = text.replace('gain_drift = 0.002\nphase_drift = "0.2 deg"', 'gain_drift = 0.0\nphase_drift = "0 deg"')
    path.write_text(text, encoding="utf-8")
    study = read_study(path)
    truth = draw_truth(study, seed)
    digest = simulate_digest(study, truth)
    problem, x = fitted(study, digest, (1, 1), truth.parameters["source"][0])
    mode = ascend(problem, x)
    assert mode is not None
    return problem, mode


@pytest.fixture(scope="module")
def thin(tmp_path_factory: pytest.TempPathFactory) -> tuple[CampaignProblem, LocalMode]:
    return campaign(tmp_path_factory.mktemp("thin"))


@pytest.fixture(scope="module")
def straight(thin: tuple[CampaignProblem, LocalMode]) -> Straight:
    found = Straight.about(*thin)
    assert found is not None
    return found


def test_there_and_back_and_no_volume_changed(thin: tuple[CampaignProblem, LocalMode], straight: Straight) -> None:
    _, mode = thin
    rng = np.random.default_rng(4)
    size = mode.x.size
    x = mode.x + 0.7 * rng.standard_normal((40, size))
    assert np.allclose(straight.bent(straight.straightened(x)), x, rtol=0, atol=1e-9)
    assert np.allclose(straight.straightened(mode.x[None]), mode.x, rtol=0, atol=1e-6)  # a mode stays where it is
    for y in x[:8]:
        ends = straight.bent(np.concatenate([y + 1e-5 * np.eye(size), y - 1e-5 * np.eye(size)]))
        jacobian = (ends[:size] - ends[size:]) / 2e-5
        assert np.linalg.slogdet(jacobian) == pytest.approx((1.0, 0.0), abs=1e-4)


def test_as_many_follow_as_fluxes_are_tight(straight: Straight) -> None:
    """Three tight fluxes, then four; columns whose slopes are least alike."""
    assert list(straight.follow) == [0, 1, 2]
    assert len(straight.kept) == 4
    slopes = np.diag([100.0, 90.0, 80.0, 70.0]) @ np.array(
        [[1, 0, 0, 0.1, 0.1, 0.0], [0, 1, 0, 0, 0.2, 0.3], [0, 0, 1, 0.1, 0, 0.1], [0, 0, 0, 0.2, 0.9, 0.3]]
    )
    assert list(_followers(slopes, 3)) == [0, 1, 2, 4]
    slopes[3] /= 70
    assert list(_followers(slopes, 3)) == [0, 1, 2]


def best_fit(problem: CampaignProblem, mode: LocalMode, straight: Straight | None) -> tuple[StudentMixture, float]:
    """A proposal and its perplexity, in coordinates as they are or straightened."""
    plain = partial(log_posterior, problem)
    if straight is None:
        mixture, fits = improve(from_modes([mode]), plain, np.random.default_rng(1))
    else:
        mixture, fits = improve(
            from_modes([straight.of_mode(mode)]), lambda y: plain(straight.bent(y)), np.random.default_rng(1)
        )
    return mixture, max(fits)


def test_proposals_fit_where_the_sheet_is_flat(thin: tuple[CampaignProblem, LocalMode], straight: Straight) -> None:
    as_it_is, flat = best_fit(*thin, None)[1], best_fit(*thin, straight)[1]
    assert as_it_is < BENT
    assert flat > 0.7


def test_posterior_and_evidence_against_the_vector_integrated_by_hand(
    thin: tuple[CampaignProblem, LocalMode], tmp_path: Path
) -> None:
    """Given the place, fluxes are linear in the vector, and the data are so sharp that they are normal in the fluxes.

    So the vector's integral is the conjugate one (normal laws, textbook), and the place is drawn from its prior.  Importance
    sampling in coordinates as they are finds an evidence of -552.09 +- 0.03 here instead of -551.82, and does not know it.
    """
    problem, mode = thin
    found = sample_posterior(problem, 2, modes=[mode], wanted_ess=800, ensembles=2, max_steps=400)
    assert found.chains.stopped == "enough"

    model, study = problem.likelihood.parts[0][1], problem.unknowns.study
    place_sd = np.array([p.sd for p in problem.unknowns.nuisances])

    def rows(x: np.ndarray) -> np.ndarray:
        """Flux of the four loops by the three whitened coordinates, (B, 4, 3)."""
        place = np.array(study.source.position_m) + x[:, 3:] * place_sd
        return model.source_rows.in_states(place, np.zeros((len(x), 5)))[:, 1] * study.source.size

    def flux(x: np.ndarray) -> np.ndarray:
        return np.einsum("bli,bi->bl", rows(x), x[:, :3])

    step = 1e-5 * np.eye(6)
    slopes = (flux(mode.x + step) - flux(mode.x - step)).T / 2e-5  # (4, 6)
    prior = np.diag([3.0] * 3 + [1.0] * 3)
    back = np.linalg.pinv(slopes)
    covariance = np.linalg.inv(back.T @ (np.linalg.inv(mode.covariance) - prior) @ back)
    pull = covariance @ (back.T @ prior @ mode.x)  # from the mode to the most likely fluxes
    best = flux(mode.x[None])[0] + pull
    peak = problem.log_likelihood(mode.x[None])[0] + 0.5 * pull @ np.linalg.solve(covariance, pull)

    x = np.random.default_rng(3).standard_normal((200_000, 6))
    a = rows(x)
    spread = a @ a.transpose(0, 2, 1) / 3 + covariance
    solved = np.linalg.solve(spread, np.broadcast_to(best, (len(x), 4))[:, :, None])[:, :, 0]
    log_w = -0.5 * (solved @ best + np.linalg.slogdet(spread)[1] - np.linalg.slogdet(covariance)[1])
    w = np.exp(log_w - log_w.max())
    log_z = peak + log_w.max() + np.log(w.mean())
    log_z_sd = w.std() / w.mean() / np.sqrt(len(w))
    w /= w.sum()
    effective = 1 / np.sum(w**2)
    x[:, :3] = np.einsum("bli,bl->bi", a, solved) / 3  # the mean vector for each place
    assert effective > 2000
    assert found.log_evidence == pytest.approx(log_z, abs=4 * np.hypot(log_z_sd, found.log_evidence_sd))
    weighed, _ = weigh(problem, np.random.default_rng(8), Effort(draws=2000, steps=100), modes=[mode])
    assert weighed.agrees
    for route in (weighed.importance, weighed.bridge):
        assert route.sd < 0.05
        assert route.log_value == pytest.approx(log_z, abs=4 * np.hypot(log_z_sd, route.sd))
    stored_from(found, problem.likelihood, Identity("study", "digest"), "reliable", ()).save(tmp_path / "posterior.npz")
    kept = load_stored(tmp_path / "posterior.npz")
    again, _ = weigh(
        problem, np.random.default_rng(9), Effort(draws=2000, reduce=False), proposal=kept.proposal.of(problem),
        posterior=(kept.x, kept.log_posterior),
    )  # fmt: skip
    assert again.agrees
    assert again.bridge.log_value == pytest.approx(log_z, abs=4 * np.hypot(log_z_sd, again.bridge.sd))
    digest = simulate_digest(study, draw_truth(study, 5))
    anchor = Anchor(
        Shape.of(study, digest), (1, 1), problem.likelihood.residual_gain, problem.likelihood.sizes,
        problem.likelihood.reference, (), Proposal(from_modes([mode])), digest.sweeps,
    )  # fmt: skip
    live = Current(study, anchor, digest, 3)
    assert live.effective > 300  # 151 of 1000 in the unknowns as they are, and an evidence of -552.40
    error = importance_weights(live.proposal, live.x, live.log_posterior)[2]
    assert live.log_evidence == pytest.approx(log_z, abs=4 * np.hypot(log_z_sd, error))
    mean = w @ x
    sd = np.sqrt(w @ (x - mean) ** 2)
    error = 4.5 * np.sqrt(1 / effective + 1 / 800)
    flat = found.chains.flat
    assert np.all(np.abs(flat.mean(axis=0) - mean) < error * sd)
    assert flat.std(axis=0) == pytest.approx(sd, rel=error)  # the vector of one place is known far better than its mean


def test_nothing_follows_where_nothing_can(tmp_path: Path) -> None:
    """A field has no place: there is nothing that its vector could follow."""
    path = tmp_path / "study.toml"
    path.write_text(study_text(wiring="+90 deg", offset_sd_mphi0=0.0), encoding="utf-8")
    study = read_study(path)
    truth = draw_truth(study, 5)
    problem, x = fitted(study, simulate_digest(study, truth), (1, 1), truth.parameters["source"][0])
    mode = ascend(problem, x)
    assert mode is not None
    assert Straight.about(problem, mode) is None
