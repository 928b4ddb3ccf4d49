"""Frequencies of several sensors on one line, against a general optimiser."""

import numpy as np
import pytest
from scipy.optimize import LinearConstraint, minimize

from fluxsense.base.errors import InputError
from fluxsense.readout.allotment import Band, allot, overlaps


def test_allotment_is_the_least_move():
    # scipy's trust-constr/SLSQP on the same least squares with inequality constraints
    rng = np.random.default_rng(8)
    for _ in range(5):
        n = 5
        bands = [Band(f"s{k}", float(rng.uniform(4.9e9, 5.1e9)), float(rng.uniform(10e6, 40e6))) for k in range(n)]
        low, high, guard = 4.85e9, 5.15e9, 10e6
        placed = allot(bands, low, high, guard)
        assert overlaps(placed, guard * (1 - 1e-9)) == []
        assert min(b.low_hz for b in placed) >= low - 1
        assert max(b.high_hz for b in placed) <= high + 1
        order = np.argsort([b.centre_hz for b in bands])
        wanted = np.array([bands[k].centre_hz for k in order]) / 1e6
        width = np.array([bands[k].width_hz for k in order]) / 1e6
        rows = np.zeros((n + 1, n))
        least = np.empty(n + 1)
        for k in range(n - 1):
            rows[k, k], rows[k, k + 1], least[k] = -1, 1, 0.5 * (width[k] + width[k + 1]) + guard / 1e6
        rows[n - 1, 0], least[n - 1] = 1, low / 1e6 + 0.5 * width[0]
        rows[n, n - 1], least[n] = -1, -(high / 1e6 - 0.5 * width[-1])
        best = minimize(
            lambda x, w=wanted: np.sum((x - w) ** 2),
            np.array([placed[k].centre_hz for k in order]) / 1e6,
            jac=lambda x, w=wanted: 2 * (x - w),
            constraints=LinearConstraint(rows, least, np.inf),
            method="SLSQP",
            options={"ftol": 1e-14},
        )
        ours = np.array([placed[k].centre_hz for k in order]) / 1e6
        assert np.sum((ours - wanted) ** 2) <= best.fun * (1 + 1e-6) + 1e-9


def test_bands_that_fit_stay():
    bands = [Band("b", 5.05e9, 20e6), Band("a", 4.95e9, 20e6)]
    placed = allot(bands, 4.9e9, 5.1e9, 10e6)
    assert [b.centre_hz for b in placed] == pytest.approx([5.05e9, 4.95e9], rel=1e-12)


def test_overlaps_are_named():
    bands = [Band("a", 5.00e9, 20e6), Band("b", 5.015e9, 20e6), Band("c", 5.2e9, 20e6)]
    found = overlaps(bands, 10e6)
    assert [(x.first, x.second) for x in found] == [("a", "b")]
    assert found[0].missing_hz == pytest.approx(15e6)
    assert found[0].apart_hz == pytest.approx(-5e6)


def test_bands_that_cannot_fit():
    with pytest.raises(InputError, match="2 bands with guards need 110 MHz, but the line has 100 MHz"):
        allot([Band("a", 5e9, 50e6), Band("b", 5e9, 50e6)], 4.95e9, 5.05e9, 10e6)
