"""The reduced quadrature on disk: the same numbers to the last bit, and built anew whenever anything is different."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

from fluxsense.infer import reductionfile as compressfile
from fluxsense.infer.mixture import StudentMixture, from_modes
from fluxsense.infer.modes import ascend
from fluxsense.infer.reductionfile import kept_compress, quadrature_identity
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study


def problem_of(study: Study, seed: int = 4, **changes: object) -> CampaignProblem:
    truth = draw_truth(study, seed)
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, **changes)
    return CampaignProblem(Unknowns(study, likelihood.cooldowns, leave_out=("pump_phase_error_rad",)), likelihood)


def mixture_of(problem: CampaignProblem, width: float = 0.002) -> StudentMixture:
    """One component about a mode; a quadrature does not ask whether it is the posterior."""
    size = problem.unknowns.size
    middle = np.zeros((1, size))
    middle[0, :3] = [0.5, 0.3, 0.4]
    best = ascend(problem, middle[0])  # where the likelihood is not so low that its rounding shows
    assert best is not None
    return StudentMixture(np.ones(1), best.x[None], width * np.eye(size)[None])


@pytest.mark.parametrize("slow", [0.0, 0.3])
def test_the_same_numbers_from_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, slow: float) -> None:
    study = small_study(tmp_path, points=41, phase_sd_deg=1.0, slow_mphi0=slow)
    problem = problem_of(study, reference=draw_truth(study, 4).parameters)
    start = np.zeros(problem.unknowns.size)
    start[:3] = draw_truth(study, 4).parameters["source"][0] / study.source.size
    mode = ascend(problem, start)
    assert mode is not None
    mixture, path = from_modes([mode]), tmp_path / "quadrature.npz"
    built = kept_compress(problem, mixture, np.random.default_rng(0), path)
    assert built is not None
    bare = kept_compress(problem, mixture, np.random.default_rng(0))
    monkeypatch.setattr(compressfile, "compress", lambda *a: pytest.fail("built again"))
    read = kept_compress(problem, mixture, np.random.default_rng(0), path)
    assert read is not None
    assert bare is not None
    assert (read.nodes, read.points, read.error, read.radius) == (built.nodes, built.points, built.error, built.radius)
    x = mixture.draw(np.random.default_rng(1), 50)
    np.testing.assert_array_equal(read.log_likelihood(x), built.log_likelihood(x))
    np.testing.assert_array_equal(read.log_likelihood(x), bare.log_likelihood(x))
    assert read.full_calls == built.full_calls < 50


def test_anything_different_builds_it_anew(tmp_path: Path) -> None:
    study = small_study(tmp_path, points=41)
    problem = problem_of(study)
    mixture = mixture_of(problem)

    def identity(
        p: CampaignProblem = problem, m: StudentMixture = mixture, seed: int = 0, tolerance: float = 1e-3
    ) -> str:
        return quadrature_identity(p, m, np.random.default_rng(seed), tolerance)

    others = [
        identity(problem_of(study, 5)),  # other sweeps
        identity(problem_of(study, residual_gain=0.02)),
        identity(problem_of(small_study(tmp_path, points=41, offset_sd_mphi0=11.0))),  # another prior
        identity(problem_of(replace(study, source=replace(study.source, size=2 * study.source.size)))),
        identity(m=mixture_of(problem, 0.003)),
        identity(seed=1),
        identity(tolerance=1e-2),
    ]
    assert identity() == identity()
    assert len({identity(), *others}) == 1 + len(others)


def test_a_damaged_or_foreign_file_is_replaced_and_one_that_cannot_be_written_does_no_harm(tmp_path: Path) -> None:
    study = small_study(tmp_path, points=41)
    problem = problem_of(study)
    mixture, path = mixture_of(problem), tmp_path / "quadrature.npz"
    x = mixture.draw(np.random.default_rng(1), 20)
    built = kept_compress(problem, mixture, np.random.default_rng(0), path)
    assert built is not None
    whole = path.read_bytes()
    place = whole.index(built.reduced[0].lift.astype("<f8").tobytes()[:64])
    for damage in (b"", b"nothing", whole[: len(whole) // 2], whole[:place] + b"\0" * 8 + whole[place + 8 :]):
        path.write_bytes(damage)
        again = kept_compress(problem, mixture, np.random.default_rng(0), path)
        assert again is not None
        np.testing.assert_array_equal(again.log_likelihood(x), built.log_likelihood(x))
        assert path.read_bytes() == whole
    lost = kept_compress(problem, mixture, np.random.default_rng(0), tmp_path / "nowhere" / "quadrature.npz")
    assert lost is not None
    np.testing.assert_array_equal(lost.log_likelihood(x), built.log_likelihood(x))
