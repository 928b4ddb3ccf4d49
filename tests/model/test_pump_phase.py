"""Pump phase errors of device and ports, integrated over together.

References: scipy's adaptive quadrature in two dimensions and its multivariate normal law; the law of a sum of independent normal
numbers; the likelihood with every error among its unknowns.  Property (Hypothesis): sets of a batch are what they are alone.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad, quad
from scipy.stats import kstest, multivariate_normal, norm
from small_study import small_study

from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.pump_phase import PumpPhases
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

BOTH = PumpPhases(((1,), (2,)), np.radians(2.0), tuple(np.radians([3.0, 2.0])))


def gram(phases: PumpPhases, loud: float, errors_deg: list[float], seed: int = 1) -> np.ndarray:
    """Inner products of data with these errors, whose cosines are told 20 times as well as their sines."""
    rng = np.random.default_rng(seed)
    slopes = rng.standard_normal((40, phases.size - 1)) * loud
    slopes[:, 1::2] *= 20.0
    residual = slopes @ phases.basis(np.radians([errors_deg]))[0, 1:] + rng.standard_normal(40)
    vectors = np.column_stack([residual, -slopes])
    return vectors.T @ vectors


@pytest.mark.parametrize("loud", [0.1, 2.0, 15.0])
def test_integral_over_two_errors_against_scipy(loud: float) -> None:
    inner = gram(BOTH, loud, [3.0, -2.0])
    law = multivariate_normal(cov=BOTH.covariance)

    def log_density(errors: np.ndarray) -> np.ndarray:
        c = BOTH.basis(errors)
        return np.asarray(-0.5 * np.einsum("ma,ab,mb->m", c, inner, c) + law.logpdf(errors))

    line = np.radians(np.linspace(-14, 14, 281))
    every = log_density(np.stack(np.meshgrid(line, line), axis=-1).reshape(-1, 2))
    top = every.max()
    found = BOTH.log_integral(inner[None])[0]
    by_sum = top + np.log(np.exp(every - top).sum() * (line[1] - line[0]) ** 2)  # 0.1 degrees resolve the humps
    assert found == pytest.approx(by_sum, abs=2e-3)
    if loud < 1:  # wide enough for the adaptive rule
        ends = (-0.3, 0.3)
        total, _ = dblquad(
            lambda b, a: np.exp(log_density(np.array([[a, b]]))[0] - top), *ends, *ends, epsabs=0, epsrel=1e-6
        )
        assert found == pytest.approx(top + np.log(total), abs=1e-3)


def test_moments_of_sines_and_cosines() -> None:
    """Against their closed forms for normal errors: E cos e = exp(-v/2), cov(sin a, sin b) = exp(-v) sinh(c)."""
    mean, precision = BOTH.basis_prior()
    covariance, s = np.linalg.inv(precision), BOTH.covariance
    damped = np.exp(-0.5 * (np.diag(s)[:, None] + np.diag(s)))
    np.testing.assert_allclose(mean[1::2], np.exp(-0.5 * np.diag(s)) - 1, rtol=1e-2)
    np.testing.assert_allclose(mean[::2], 0.0)
    np.testing.assert_allclose(covariance[::2, ::2], damped * np.sinh(s), rtol=1e-2)
    np.testing.assert_allclose(covariance[1::2, 1::2], damped * (np.cosh(s) - 1), rtol=1e-2)


def test_integral_over_one_error_against_scipy() -> None:
    one = PumpPhases(((1, 2),), np.radians(3.0), (0.0,))
    inner = gram(one, 3.0, [4.0])

    def density(e: float) -> float:
        c = one.basis(np.array([[e]]))[0]
        return float(np.exp(-0.5 * c @ inner @ c + 0.5 * inner[0, 0]) * norm.pdf(e, 0, np.radians(3.0)))

    total, _ = quad(density, -0.35, 0.35, points=[-0.07, 0.07], epsrel=1e-9, limit=200)
    assert one.log_integral(inner[None])[0] == pytest.approx(np.log(total) - 0.5 * inner[0, 0], abs=1e-4)


@given(loud=st.floats(0.1, 20.0), first=st.floats(-8.0, 8.0), second=st.floats(-8.0, 8.0))
def test_a_batch_is_what_its_sets_are_alone(loud: float, first: float, second: float) -> None:
    inner = np.array(
        [gram(BOTH, loud, [first, second]), gram(BOTH, 3.0, [-second, first], 2), gram(BOTH, 0.3, [0.0, 1.0])]
    )
    alone = [BOTH.log_integral(one[None])[0] for one in inner]
    np.testing.assert_allclose(BOTH.log_integral(inner), alone, atol=1e-3)


def test_the_prior_is_that_of_a_sum() -> None:
    """Errors drawn without data are normal, and fall into the parts that they are the sum of."""
    rng = np.random.default_rng(3)
    errors = BOTH.errors(np.zeros((4000, 5, 5)), rng)
    device, port = BOTH.shares(errors, rng)
    np.testing.assert_allclose(device[:, None] + port, errors, atol=1e-12)
    for values, sd in ((device, 2.0), (port[:, 0], 3.0), (port[:, 1], 2.0)):
        assert kstest(np.degrees(values), norm(0, sd).cdf).pvalue > 1e-3  # nodes are a third of a deviation apart
    every = np.column_stack([device, port])
    assert np.max(np.abs(np.corrcoef(every.T) - np.eye(3))) < 5 / np.sqrt(4000)


def test_kinds_of_sweeps(tmp_path: Path) -> None:
    study = small_study(tmp_path, phase_sd_deg=3.0)
    exact = with_ports(study, 0.0)
    found = PumpPhases.of(exact, 0, {0, 1, 2})
    assert found is not None
    assert found.ports == ((0, 1, 2),)
    found = PumpPhases.of(with_ports(study, 0.05), 0, {0, 1, 2})
    assert found is not None
    assert found.ports == ((1,), (2,), (0,))
    assert found.size == 7
    nothing = replace(exact, isolators=tuple(i.with_sd(pump_phase_error_rad=0.0) for i in exact.isolators))
    assert PumpPhases.of(nothing, 0, {0, 1, 2}) is None


def with_ports(study: Study, sd_rad: float) -> Study:
    """Pump ports whose phases are known so well."""
    stated = {"pump_1_phase_error_rad": sd_rad, "pump_2_phase_error_rad": sd_rad}
    return replace(study, isolators=tuple(replace(i, setup=i.setup.with_sd(**stated)) for i in study.isolators))


def test_errors_of_device_and_port_that_cancel_leave_nothing_behind(tmp_path: Path) -> None:
    """Twelve degrees of the device's and as many of its ports' the other way are what no error at all is: second order and all."""
    study = with_ports(small_study(tmp_path, phase_sd_deg=3.0, points=21), np.radians(3.0))
    truth = draw_truth(study, 3)
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs)
    problem = CampaignProblem(Unknowns(study, leave_out=integrated_arrays(study)), likelihood)
    x = problem.unknowns.whitened(truth.parameters)
    explicit, wide = problem.explicit(x[0])
    columns = {
        name: n for n, name in enumerate(explicit.unknowns.names) if "phase error" in name and "hybrid" not in name
    }
    assert len(columns) == 3 * len(study.isolators)
    none = np.array(wide)
    none[list(columns.values())] = 0.0
    shifted = np.array(none)
    for name, n in columns.items():
        shifted[n] = -4.0 if "port" in name else 4.0
    np.testing.assert_allclose(*explicit.log_likelihood(np.stack([none, shifted])), rtol=1e-9)
    # and the integral is that over the three of the first isolator, the others' where they are
    first = [n for name, n in columns.items() if name.endswith(study.isolators[0].name)]
    rng = np.random.default_rng(4)
    batch = np.tile(wide, (20_000, 1))
    batch[:, first] = rng.standard_normal((len(batch), 3))
    here = CampaignProblem(explicit.unknowns, explicit.likelihood.of_isolator(0), integrate=False)
    values = here.log_likelihood(batch)
    weights = np.exp(values - values.max())
    error = np.std(weights) / np.mean(weights) / np.sqrt(len(weights))
    alone = CampaignProblem(problem.unknowns, explicit.likelihood.of_isolator(0))
    total = float(alone.log_likelihood(x)[0])
    assert abs(total - (values.max() + np.log(weights.mean()))) < 4 * error + 1e-3
    assert error < 0.05


def test_magnitudes_take_both_errors_alike(tmp_path: Path) -> None:
    """Device and ports in proportion, so that errors which cancel leave nothing behind there either."""
    study = with_ports(small_study(tmp_path, phase_sd_deg=3.0, points=21), np.radians(3.0))
    study = replace(study, data=replace(study.data, kind="magnitude"))
    truth = draw_truth(study, 3)
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs)
    problem = CampaignProblem(Unknowns(study), likelihood)
    assert not any("phase error" in name for name in problem.unknowns.names)
    for own in likelihood.eliminated.values():
        assert [p.array for p in own].count("pump_phase_error_rad") == 1
        assert [p.array for p in own].count("pump_port_phase_rad") == 2
    explicit, wide = problem.explicit(problem.unknowns.whitened(truth.parameters)[0])
    names = explicit.unknowns.names
    device = [n for n, name in enumerate(names) if name.startswith("pump phase error")]
    ports = [n for n, name in enumerate(names) if name.startswith("pump port") and "phase error" in name]
    for _, _, slopes in explicit.slopes(wide[None]):
        np.testing.assert_allclose(slopes[0, device].sum(axis=0), slopes[0, ports].sum(axis=0), atol=1e-6)


def test_a_port_without_sweeps_keeps_its_prior(tmp_path: Path) -> None:
    study = with_ports(small_study(tmp_path, phase_sd_deg=3.0, points=21), np.radians(3.0))
    truth = draw_truth(study, 3)
    digest = simulate_digest(study, truth)
    groups = [k for k in digest if k.pump_on and k.pump_port != 2]
    likelihood = RatioLikelihood(study, digest, truth.port_signs, groups=groups)
    problem = CampaignProblem(Unknowns(study, leave_out=integrated_arrays(study)), likelihood)
    x = np.repeat(problem.unknowns.whitened(truth.parameters), 2000, axis=0)
    drawn = problem.parameters(x, np.random.default_rng(6))["pump_port_phase_rad"]
    assert groups
    for i in problem.measured:
        assert kstest(np.degrees(drawn[:, i, 1]), norm(0, 3).cdf).pvalue > 1e-3
