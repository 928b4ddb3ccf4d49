"""Outside reference: `scipy.stats.qmc.Halton`, to the last bit."""

import numpy as np
import pytest
from scipy.stats import qmc

from fluxsense.base.halton import halton, primes


@pytest.mark.parametrize("size", [1, 3, 40])
@pytest.mark.parametrize("count", [0, 1, 2000])
def test_points_are_those_of_scipy(count: int, size: int) -> None:
    expected = qmc.Halton(size, scramble=False).random(count + 1)[1:]
    assert np.array_equal(halton(count, size), expected)


def test_primes() -> None:
    assert primes(10) == [2, 3, 5, 7, 11, 13, 17, 19, 23, 29]
