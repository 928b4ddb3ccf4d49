"""Set-up elements against direct solutions: signal-flow equations, scikit-rf's cascade, sums of delays drawn at random."""

import numpy as np
import pytest
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base.errors import InputError
from fluxsense.device import setup

START, STOP = 4.9e9, 5.1e9


def random_s(rng, count, size=0.6):
    """Scattering parameters (4, count): S11, S21, S12, S22 of no device in particular."""
    return rng.normal(0, size / np.sqrt(2), (4, count)) + 1j * rng.normal(0, size / np.sqrt(2), (4, count))


def as_network(s):
    axis = skrf.Frequency.from_f(np.arange(1, s.shape[-1] + 1), unit="hz")
    return skrf.Network(frequency=axis, s=np.moveaxis(s, 0, -1).reshape(-1, 2, 2).swapaxes(1, 2), z0=50)


def from_network(network):
    s = network.s
    return np.array([s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1]])


def test_between_reflections_solves_the_signal_flow():
    """Waves b = S a at the device, a = e b + drive at each port: what leaves the other port, by a linear solve."""
    rng = np.random.default_rng(1)
    s, e = random_s(rng, 50), 0.2 * random_s(rng, 50)[:2]
    found = setup.between_reflections(s, e)
    for k in range(50):
        matrix = np.array([[s[0, k], s[2, k]], [s[1, k], s[3, k]]])
        back = np.diag(e[:, k])
        waves = np.linalg.solve(np.eye(2) - matrix @ back, matrix)
        assert found[0, k] == pytest.approx(waves[1, 0], rel=1e-12)
        assert found[1, k] == pytest.approx(waves[0, 1], rel=1e-12)
    np.testing.assert_array_equal(setup.between_reflections(s, np.zeros((2, 50))), s[1:3])


def test_the_ratio_of_both_paths_knows_no_reflections():
    """Exact: S21 and S12 have the same D."""
    rng = np.random.default_rng(2)
    s, e = random_s(rng, 50), 0.3 * random_s(rng, 50)[:2]
    m = setup.between_reflections(s, e)
    np.testing.assert_allclose(m[0] / m[1], s[1] / s[2], rtol=1e-12)


def test_first_order_of_a_ratio_on_over_off():
    """dy/y = e1 (S11on - S11off) + e2 (S22on - S22off), the known first order; halving e quarters what is left."""
    rng = np.random.default_rng(3)
    on, off, e = random_s(rng, 50), random_s(rng, 50), random_s(rng, 50)[:2]

    def left(size):
        y = setup.between_reflections(on, size * e) / setup.between_reflections(off, size * e) * off[1:3] / on[1:3]
        return y - 1 - size * (e[0] * (on[0] - off[0]) + e[1] * (on[3] - off[3]))

    assert np.abs(left(1e-3)).max() < 1e-4
    np.testing.assert_allclose(left(5e-5) / left(1e-4), 0.25, atol=2e-3)


def test_error_boxes_cascade_as_in_scikit_rf():
    rng = np.random.default_rng(5)
    device, first, second = (random_s(rng, 200, 0.5) for _ in range(3))
    expected = from_network(as_network(first) ** as_network(device) ** as_network(second))
    np.testing.assert_allclose(setup.embedded(device, first, second), expected, rtol=1e-12, atol=1e-12)
    through = np.array([0, 1, 1, 0])[:, None] * np.ones(200)
    np.testing.assert_allclose(setup.embedded(device, through, through), device, atol=1e-15)
    batch = np.stack([device, 0.5 * device])
    np.testing.assert_allclose(setup.embedded(batch, first, second)[0], expected, rtol=1e-12, atol=1e-12)
    assert np.abs(setup.embedded(device, second, first) - expected).max() > 0.1


def test_boxes_that_only_reflect_are_line_ends():
    """A box that passes everything and reflects e towards the device is what `between_reflections` describes."""
    rng = np.random.default_rng(6)
    device, e = random_s(rng, 40, 0.5), 0.2 * random_s(rng, 40)[:2]
    zero, one = np.zeros(40), np.ones(40)
    first, second = np.array([zero, one, one, e[0]]), np.array([e[1], one, one, zero])
    expected = from_network(as_network(first) ** as_network(device) ** as_network(second))
    np.testing.assert_allclose(setup.between_reflections(device, e), expected[1:3], rtol=1e-12)
    np.testing.assert_allclose(setup.reflections_between(device, e), expected[[0, 3]], rtol=1e-12)


@pytest.mark.parametrize("tau", [1e-9, 3e-9, 10e-9, 30e-9])
def test_a_basis_holds_every_delay(tau):
    """One reflection at any delay up to the longest: what is left after a fit, rms over the sweep, and how far the
    coefficients go (their prior is of unit size)."""
    basis = setup.delay_basis(START, STOP, tau)
    assert basis.size <= 3 + 2 * (STOP - START) * tau
    f = np.linspace(START, STOP, 301)
    functions = basis.at(f)
    for delay in np.linspace(0, tau, 31):
        wave = np.exp(2j * np.pi * f * delay)
        c = np.linalg.lstsq(functions.T, wave, rcond=None)[0]
        left = wave - c @ functions
        assert np.sqrt(np.mean(np.abs(left) ** 2)) < 0.05
        assert np.linalg.norm(c) < 3.0 * np.sqrt(basis.size)
    longer = np.exp(2j * np.pi * f * 4 * tau)  # negative control
    c = np.linalg.lstsq(functions.T, longer, rcond=None)[0]
    assert np.sqrt(np.mean(np.abs(longer - c @ functions) ** 2)) > 0.3


def test_prior_of_a_basis_is_a_random_sum_of_delays():
    """Covariance of 64 echoes with delays spread evenly and random phases, drawn 20000 times: A^2 c(f - f')."""
    tau, loss_db = 10e-9, 20.0
    basis = setup.delay_basis(START, STOP, tau)
    f = np.linspace(START, STOP, 9)
    functions = 10 ** (-loss_db / 20) * basis.at(f)
    rng = np.random.default_rng(7)
    delays = rng.uniform(0, tau, (20000, 64))
    phases = np.exp(2j * np.pi * rng.random((20000, 64)))
    drawn = np.einsum("nk,nkf->nf", phases, np.exp(2j * np.pi * delays[:, :, None] * f)) / 8 * 0.1
    expected = drawn.T @ drawn.conj() / 20000
    bootstrap = 0.1**2 / np.sqrt(20000)
    np.testing.assert_allclose(functions.T @ functions.conj(), expected, atol=5 * bootstrap)


def test_a_basis_knows_any_grid():
    """The same functions on a part of the grid; orthogonal over the sweep, of mean squares that sum to one."""
    basis = setup.delay_basis(START, STOP)
    f = np.linspace(START, STOP, 20001)
    functions = basis.at(f)
    np.testing.assert_allclose(basis.at(f[::7])[:, :3], basis.at(f[::7][:3]), rtol=0, atol=1e-14)
    np.testing.assert_allclose(basis.at(f[::7]), functions[:, ::7], atol=1e-13)
    gram = functions @ functions.conj().T / f.size
    np.testing.assert_allclose(gram - np.diag(np.diag(gram)), 0, atol=1e-4)
    assert 1 - setup.LEFT_OUT <= np.trace(gram).real <= 1 + 1e-4


@given(st.floats(-3, 3), st.floats(-6, 6))
@settings(deadline=None)
def test_arms_have_the_difference_asked_for_and_are_passive(phase, loss):
    first, second = setup.arm_amplitudes(np.array(phase), np.array(loss))
    assert np.angle(first / second) == pytest.approx(phase, abs=1e-12)
    assert 20 * np.log10(abs(first) / abs(second)) == pytest.approx(loss, abs=1e-9)
    assert max(abs(first), abs(second)) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda: setup.delay_basis(5e9, 5e9),
            "a sweep from 5e+09 Hz to 5e+09 Hz and a longest delay of 1e-08 s make no basis. "
            "Give a sweep with a span and a positive delay.",
        ),
        (
            lambda: setup.delay_basis(START, STOP, 10e-9, 99),
            "size: 99 functions are wanted of a basis that can tell apart 14. 5 are enough for this sweep.",
        ),
    ],
)
def test_messages(call, text):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == text
