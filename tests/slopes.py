"""One check for every likelihood: its value, gradient and information against differences of its log-likelihood."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from fluxsense.model.problem import Problem, curvature


def check_slopes(problem: Problem, x: npt.NDArray[np.float64]) -> None:
    """Assert that value and gradient at x (D,) are those of the log-likelihood, and that the information is not negative."""
    value, gradient, information = curvature(problem, x)
    assert value == pytest.approx(problem.log_likelihood(x[None])[0], rel=1e-9)
    step = 1e-6 * np.eye(x.size)
    slope = (problem.log_likelihood(x + step) - problem.log_likelihood(x - step)) / 2e-6
    np.testing.assert_allclose(gradient, slope, rtol=1e-4, atol=1e-3 * np.abs(slope).max())
    assert np.linalg.eigvalsh(information)[0] > -1e-6 * np.trace(information)
