"""The noise covariance of a likelihood's family as one dense matrix, term by term: slow, for comparisons."""

from __future__ import annotations

import numpy as np

from fluxsense.model.likelihood import Family, RatioLikelihood


def dense_covariance(family: Family, likelihood: RatioLikelihood) -> np.ndarray:
    """Covariance of the interleaved real residuals of one family, written out term by term."""
    digest, noise = likelihood.digest, likelihood.noise
    k, _, f = family.ratio.shape
    size = family.ratio.size

    def real_columns(vector: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(vector).reshape(-1).view(np.float64)

    total = np.diag(np.repeat(1 / family.precision.reshape(-1), 2))
    off = digest[family.divisor]
    for path in range(2):
        for point in range(f):
            # variance of the pump-off mean relative to its own size, read back from the family's shared term
            inverse = 1 / family.shared[path, point] - np.sum(
                np.abs(family.expected[:, path, point]) ** 2 * family.precision[:, path, point]
            )
            for turn in (1, 1j):
                column = np.zeros((k, 2, f), dtype=complex)
                column[:, path, point] = family.expected[:, path, point] * turn
                real = real_columns(column)
                total += np.outer(real, real) / inverse
    for direction in family.directions:
        real = real_columns(direction)
        total += np.outer(real, real)
    assert total.shape == (2 * size, 2 * size)
    assert off.count > 0
    assert noise.measured
    return total
