"""The predictive check against the linear model's own theory: what a fit takes from a misfit, and the law of what is left.

References: scipy's chi-square, and the mean of a quadratic form by traces of dense matrices.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from dense_noise import dense_covariance
from scipy.stats import chi2
from small_study import fitted, small_study

from fluxsense.base.findings import Finding
from fluxsense.infer.predictive import REPLICATES, PredictiveCheck, gamma_tail, predictive_check
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.family import reals
from fluxsense.model.linearised import Linearised
from fluxsense.report.sentences import sentence


@pytest.mark.parametrize("degrees", [3, 40])
@pytest.mark.parametrize("level", [1e-6, 0.01, 0.3, 0.9])
def test_tail_of_replicates_with_the_moments_of_chi_square(degrees: int, level: float) -> None:
    """Replicates whose mean and variance are a chi-square's: the tail is scipy's, far out as well."""
    pairs = np.tile([-1.0, 1.0], 200)
    replicates = degrees + np.sqrt(2 * degrees) * pairs / pairs.std(ddof=1)
    misfit = chi2(degrees).isf(level)
    assert gamma_tail(np.array([misfit, *replicates])) == pytest.approx(level, rel=1e-9)


def test_replicates_are_fitted_as_the_data_were(tmp_path: Path) -> None:
    """Normal noise of n numbers, fitted by unknowns of information A with a prior P, leaves r - S (A + P)^-1 S' C^-1 r.

    Its mean chi-square is n - 2 tr H + tr H^2 with H = (A + P)^-1 A, near n less the number of unknowns; 400 replicates know
    it to sqrt(2 n/400).  So many repeats that the noise counts as known.
    """
    study = small_study(tmp_path, wiring="+90 deg", points=3, repeats=300)
    truth = draw_truth(study, 5)
    problem, x = fitted(study, simulate_digest(study, truth), truth.port_signs, truth.parameters["source"][0])
    at = Linearised.of(problem, x)
    count = sum(2 * ratio.size for ratio in at.ratios)
    data = np.zeros((x.size, x.size))
    for family, slopes in zip(at.likelihood.families, at.slopes, strict=True):
        data += reals(slopes) @ np.linalg.solve(dense_covariance(family, at.likelihood), reals(slopes).T)
    hat = np.linalg.solve(data + np.diag([3.0] * 3 + [1.0] * (x.size - 3)), data)
    expected = count - 2 * np.trace(hat) + np.trace(hat @ hat)
    assert count - expected == pytest.approx(7, abs=0.1)  # the data say far more of all seven unknowns than the prior
    found = predictive_check(at, np.random.default_rng(1))
    assert found.degrees == pytest.approx(expected, abs=4 * np.sqrt(2 * count / REPLICATES))


@pytest.mark.parametrize(
    ("three", "words"),
    [((1e-5, 1, 1), "in all"), ((1, 1e-5, 1), "of the worst group"), ((1, 1, 1e-5), "of what is smooth")],
)
def test_a_misfit_says_which_figure_is_at_fault(three: tuple[float, float, float], words: str) -> None:
    check = PredictiveCheck(*three, chi_square=99.0, degrees=100.0, worst_name="s1", p_value=3e-5)
    found = Finding(
        "misfit of traces", 1, chi_square=99.0, degrees=100.0, probability=3e-5, worst="s1", figure=check.figure
    )
    assert f"probability 3e-05 {words}" in sentence(found)
