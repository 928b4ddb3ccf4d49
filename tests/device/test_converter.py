"""The converter against a dense solution of its two equations of motion and against textbook values.

Values on resonance: coupled-mode theory, Ranzani and Aumentado, New J. Phys. 17, 023024 (2015), from memory, verified
by the dense solution written here.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base.errors import InputError
from fluxsense.device.converter import converter_scattering

rates = st.floats(1e5, 1e8)
detunings = st.floats(-3e8, 3e8)
couplings = st.floats(-3, 3)
angles = st.floats(-7, 7)


def dense(rho, da, db, ka, kb, theta):
    """Steady state of the equations of motion, out = in - sqrt(k) mode."""
    g = 0.5 * rho * np.sqrt(ka * kb) * np.exp(1j * theta)
    motion = np.array([[ka / 2 - 1j * da, 1j * g], [1j * np.conj(g), kb / 2 - 1j * db]])
    root = np.diag(np.sqrt([ka, kb]))
    return np.eye(2) - root @ np.linalg.solve(motion, root)


def matrix(*arguments):
    r_a, t_ab, t_ba, r_b = converter_scattering(*arguments)
    return np.array([[r_a, t_ab], [t_ba, r_b]])


@given(couplings, detunings, detunings, rates, rates, angles)
@settings(deadline=None)
def test_solves_the_equations_of_motion(rho, da, db, ka, kb, theta):
    # the dense matrix has condition numbers up to 6e3 (detuning over linewidth) times 1e3 (unequal linewidths)
    np.testing.assert_allclose(matrix(rho, da, db, ka, kb, theta), dense(rho, da, db, ka, kb, theta), atol=1e-10)


@given(couplings, detunings, detunings, rates, rates, angles)
@settings(deadline=None)
def test_loses_nothing_at_any_detuning(rho, da, db, ka, kb, theta):
    s = matrix(rho, da, db, ka, kb, theta)
    np.testing.assert_allclose(s.conj().T @ s, np.eye(2), atol=1e-12)


@pytest.mark.parametrize(
    ("rho", "reflected", "converted"),
    [
        (0.0, 1.0, 0.0),
        (1.0, 0.0, 1.0),
        (np.sqrt(2) - 1, 0.70710678, 0.70710678),
        (np.sqrt(2) + 1, -0.70710678, 0.70710678),
        (0.7, 0.34228187919, 0.93959731544),
        (1.5, -0.38461538462, 0.92307692308),
    ],
)
def test_on_resonance(rho, reflected, converted):
    s = matrix(rho, 0.0, 0.0, 2e7, 5e7, 0.0)
    # overall sign of out = in - sqrt(k) mode: r = -(1 - rho^2)/(1 + rho^2)
    np.testing.assert_allclose(s, [[-reflected, 1j * converted], [1j * converted, -reflected]], atol=6e-9)


@given(couplings, detunings, detunings, rates, rates, angles)
@settings(deadline=None)
def test_sign_of_the_coupling_is_a_pump_phase_of_pi(rho, da, db, ka, kb, theta):
    flipped = matrix(-rho, da, db, ka, kb, theta)
    np.testing.assert_allclose(flipped, matrix(rho, da, db, ka, kb, theta + np.pi), atol=1e-12)
    plain = matrix(rho, da, db, ka, kb, theta)
    np.testing.assert_array_equal(np.diag(flipped), np.diag(plain))
    np.testing.assert_array_equal(flipped[[0, 1], [1, 0]], -plain[[0, 1], [1, 0]])


def test_arrays_equal_a_loop():
    rng = np.random.default_rng(5)
    rho, theta = rng.normal(size=(4, 1)), 0.3
    detuning = rng.normal(size=6) * 1e7
    batch = matrix(rho, detuning, -detuning, 1e7, 2e7, theta)
    assert batch.shape == (2, 2, 4, 6)
    for i in range(4):
        for k in range(6):
            one = matrix(rho[i, 0], detuning[k], -detuning[k], 1e7, 2e7, theta)
            np.testing.assert_allclose(batch[:, :, i, k], one, rtol=1e-14, atol=0)


def test_message():
    with pytest.raises(InputError) as caught:
        converter_scattering(1.0, 0.0, 0.0, 1e7, [1e7, 0.0])
    assert str(caught.value) == "linewidth_b_hz: a linewidth must be positive, got 0 Hz."
