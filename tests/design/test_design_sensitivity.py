"""Sensitivity of a planned experiment: derivatives against finite differences, the inference's own information."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from design_scenarios import chip, ring
from small_study import small_study

from fluxsense.base.sphere import direction_error_rad
from fluxsense.data.digest import GroupKey
from fluxsense.data.noise_levels import NoiseLevels
from fluxsense.design.sensitivity import (
    Experiment,
    block_regression,
    direction_points,
    flux_chain,
    planned_experiment,
    predict,
    prior_points,
)
from fluxsense.design.timeline import gathered, in_turns, windows, with_amplitudes
from fluxsense.device.chip import ChipModel
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood, probe_of
from fluxsense.model.priors import expected_walk_phi0
from fluxsense.model.problem import CampaignProblem, curvature
from fluxsense.study import Noise, State, Study, read_study


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return small_study(tmp_path)


# ---------------------------------------------------------------- the planned experiment


def noiseless_problem(study: Study, experiment: Experiment, x: np.ndarray) -> CampaignProblem:
    """The inference's own likelihood of a campaign whose group means are the model's, without noise."""
    loud = replace(study, noise=Noise(white=0.0))
    truth = Truth(experiment.parameters(x[None]), (1,) * len(study.isolators), study.plan.cooldowns, 3)
    digest = simulate_digest(loud, truth)
    white = {
        k: study.noise.white * np.median(np.abs(v.mean[[1, 2]] / unit(study, k, truth)), axis=1)
        for k, v in digest.items()
    }
    drift = np.diag([study.noise.gain_drift**2, study.noise.phase_drift_rad**2] * 2)
    noise = NoiseLevels(white, {i.name: drift for i in study.isolators}, True)
    likelihood = RatioLikelihood(study, digest, truth.port_signs, noise=noise, reference=truth.parameters)
    return CampaignProblem(experiment.unknowns, likelihood, integrate=False)


def unit(study: Study, key: GroupKey, truth: Truth) -> np.ndarray:
    """The chip's own transmission (2, F) behind a group's mean, so that their ratio is the line gain."""
    probe = probe_of(study, key, truth.cooldowns)
    f = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, study.sweep.points)
    model = ChipModel(study, [probe], [f] * len(study.isolators), truth.port_signs)
    return model.scattering(truth.parameters, probe.isolator)[0, 0]


def with_setup(study: Study, **sd: float) -> Study:
    return replace(study, isolators=tuple(replace(i, setup=i.setup.with_sd(**sd)) for i in study.isolators))


@pytest.mark.parametrize(("flux_noise", "slow"), [(0.0, 0.0), (1e-3, 0.0), (0.0, 1e-3), (5e-4, 3e-3)])
@pytest.mark.parametrize("touched", [0.0, 0.05])
@pytest.mark.parametrize("kind", ["complex", "magnitude"])
def test_information_agrees_with_that_of_the_inference(
    tmp_path: Path, flux_noise: float, slow: float, touched: float, kind: str
) -> None:
    """Two routes to one number: the planned information against the curvature of the likelihood of noiseless traces.

    The line gain's slope and ripple make the likelihood's white noise level vary by some per cent over the sweep.  Sweeps of both
    states share that gain, but for lines that were touched between them and for a remainder of the tuning.
    """
    extra = f'\n[data]\nkind = "{kind}"\n'
    study = small_study(tmp_path, strength_sd=0.03, phase_sd_deg=2.0, wiring="+90 deg", repeats=4, extra=extra)
    if touched:
        alike = predict(planned_experiment(study), planned_experiment(study).unknowns.draw(np.random.default_rng(1), 1))
        study = with_setup(study, gain_between_states=touched, discrepancy=0.01)
    quiet = replace(study, noise=replace(study.noise, flux_phi0=flux_noise, residual_gain=1e-3))
    study = replace(quiet, noise=replace(quiet.noise, flux_slow_phi0=slow))
    experiment = planned_experiment(study)
    x = experiment.unknowns.draw(np.random.default_rng(1), 1)[0]
    mine = predict(experiment, x[None])
    if touched:  # and it matters
        assert alike.angular_error_rad()[0] < 0.98 * mine.angular_error_rad()[0]
    if slow:  # and it matters: without it the two would not agree
        without = predict(planned_experiment(quiet), x[None])
        assert without.angular_error_rad()[0] < 0.85 * mine.angular_error_rad()[0]
    problem = noiseless_problem(study, experiment, x)
    theirs = curvature(problem, x)[2]
    covariance = np.linalg.inv(theirs + mine.prior[0])[:3, :3]
    ratio = np.diag(mine.source_covariance()[0]) / np.diag(covariance)
    np.testing.assert_allclose(ratio, 1.0, atol=0.12)
    error = direction_error_rad(x[:3], covariance)
    assert mine.angular_error_rad()[0] == pytest.approx(float(error), rel=0.06)


def test_magnitudes_never_tell_more_than_complex_traces(tmp_path: Path) -> None:
    """They are a function of them: the difference of the informations is positive, whatever the noise."""
    for noise in ({}, {"flux_phi0": 1e-3, "residual_gain": 2e-3}, {"flux_slow_phi0": 1e-3}, {"white": 0.1}):
        study = small_study(tmp_path, strength_sd=0.03, phase_sd_deg=2.0)
        study = replace(study, noise=replace(study.noise, **noise))
        amplitudes = replace(study, data=replace(study.data, kind="magnitude"))
        x = prior_points(planned_experiment(study).unknowns, 4, seed=6)
        both, less = (predict(planned_experiment(s), x).information for s in (study, amplitudes))
        difference = np.linalg.eigvalsh(both - less)
        assert np.all(difference > -1e-9 * np.abs(both).max(axis=(1, 2))[:, None])
        assert np.all(np.trace(less, axis1=1, axis2=2) > 0.1 * np.trace(both, axis1=1, axis2=2)) or noise.get("white")


def test_batch_equals_loop_and_information_grows_with_sweeps(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    experiment = planned_experiment(study)
    x = prior_points(experiment.unknowns, 3, seed=4)
    together = predict(experiment, x)
    for k in range(3):
        np.testing.assert_allclose(
            predict(experiment, x[k : k + 1]).information[0], together.information[k], rtol=1e-7, atol=1e-7
        )
    more = predict(planned_experiment(replace(study, plan=replace(study.plan, repeats=12, off_repeats=12))), x)
    difference = np.linalg.eigvalsh(more.information - together.information)
    assert np.all(difference > -1e-9 * np.abs(difference).max())
    # every error averages down here, so that four times the sweeps is four times the information
    np.testing.assert_allclose(more.information, 4 * together.information, rtol=1e-9)


def test_groups_are_swept_when_the_simulated_campaign_sweeps_them(tmp_path: Path) -> None:
    study = small_study(tmp_path, slow_mphi0=1.0, repeats=3)
    study = replace(study, plan=replace(study.plan, off_repeats=5, cooldowns=("c1", "c2"), rounds=2))
    experiment = planned_experiment(study)
    planned = windows(
        study,
        [(b.isolator, b.bias_a, b.settings) for b in experiment.benches],
        [(b.bench, b.states, b.cooldown) for b in experiment.blocks],
        [b.sweeps for b in experiment.blocks],
    )
    digest = simulate_digest(study, draw_truth(study, 1))
    taken = sorted((v.first_time_s, v.last_time_s, v.count, k.pump_on) for k, v in digest.items())
    probes = {n: experiment.benches[b.bench].count for n, b in enumerate(experiment.blocks)}
    spans = {k: (v[0][0], v[-1][1], sum(count for _, _, count in v)) for k, v in planned.items()}
    assert sorted((*v, k[1] % probes[k[0]] < probes[k[0]] - 1) for k, v in spans.items()) == taken


def test_states_take_turns() -> None:
    """Two states of three and five sweeps, two rounds, written down by hand; one round is one state after the other."""
    groups = [("c", "out", 3), ("c", "in", 5)]
    assert in_turns(groups, 2) == [[(0, 1), (3, 2)], [(1, 2), (5, 3)]]
    assert in_turns(groups, 1) == [[(0, 3)], [(3, 5)]]
    assert in_turns([*groups, ("d", "out", 2)], 2)[2] == [(8, 1), (9, 1)]


def test_slow_noise_against_a_dense_covariance(tmp_path: Path) -> None:
    """Marginalised amplitudes against the sum of both covariances of the groups' fluxes, inverted whole."""
    study = small_study(tmp_path, wiring="+90 deg", repeats=4)
    study = replace(study, noise=replace(study.noise, flux_slow_phi0=2e-3))
    experiment = planned_experiment(study, most_points=9)
    assert experiment.slow is not None
    roots = [
        root
        for root, block in zip(experiment.slow, experiment.blocks, strict=True)
        if experiment.benches[block.bench].isolator == 0
    ]
    rng = np.random.default_rng(5)
    fluxes = 2 * sum(root.shape[0] for root in roots)
    half = rng.normal(size=(2, fluxes, fluxes))
    seen = half @ half.transpose(0, 2, 1)  # information about every probe's fluxes, loop by loop in each block
    jacobian = rng.normal(size=(2, fluxes, 3))
    amplitudes = np.concatenate([with_amplitudes(np.zeros((0, 3)), root)[:, 3:] for root in roots])
    grown = np.concatenate([jacobian, np.broadcast_to(amplitudes, (2, *amplitudes.shape))], axis=2)
    found, _ = gathered([(0, seen, grown)], True, 3)
    covariance = np.linalg.inv(seen) + amplitudes @ amplitudes.T
    expected = jacobian.transpose(0, 2, 1) @ np.linalg.solve(covariance, jacobian)
    np.testing.assert_allclose(found, expected, rtol=1e-8, atol=1e-8 * np.abs(expected).max())


def test_a_walk_costs_what_its_covariance_says(tmp_path: Path) -> None:
    """Flux errors of groups against those of a walk summed sweep by sweep, and the error they leave against the likelihood's."""
    study = small_study(tmp_path, wiring="+90 deg", repeats=3)
    study = replace(study, plan=replace(study.plan, rounds=1))
    wandering = replace(
        study, isolators=tuple(replace(i, setup=replace(i.setup, unstated_exact=False)) for i in study.isolators)
    )
    walk = expected_walk_phi0(wandering)
    assert walk == pytest.approx(0.67448975e-3, rel=1e-8)  # scale 1 mPhi0; upper quartile of the normal law
    assert expected_walk_phi0(study) == 0.0
    experiment = planned_experiment(wandering, most_points=9)
    assert experiment.slow is not None
    assert planned_experiment(study, most_points=9).slow is None
    key = [(n, k) for n, block in enumerate(experiment.blocks) for k in range(len(block.sweeps))
           if experiment.benches[block.bench].isolator == 0]  # fmt: skip
    own = {(b.isolator, b.bias_a): n for n, b in enumerate(experiment.benches)}
    assert len(own) == len(experiment.benches)
    when = windows(
        wandering,
        [(b.isolator, b.bias_a, b.settings) for b in experiment.benches],
        [(b.bench, b.states, b.cooldown) for b in experiment.blocks],
        [b.sweeps for b in experiment.blocks],
    )
    times = [np.concatenate([np.linspace(a, b, n) for a, b, n in when[k]]) for k in key]
    first, last = min(t.min() for t in times), max(t.max() for t in times)
    expected = [[np.minimum.outer(t - first, u - first).mean() for u in times] for t in times]
    found = np.array([experiment.slow[n][k] for n, k in key])
    np.testing.assert_allclose(found @ found.T, walk**2 * np.array(expected) / (last - first), atol=1e-4 * walk**2)


def test_slope_per_sweep_agrees_with_differences(tmp_path: Path) -> None:
    study = small_study(tmp_path, strength_sd=0.02)
    study = replace(study, noise=replace(study.noise, residual_gain=2e-3, flux_phi0=5e-4))
    experiment = planned_experiment(study)
    x = prior_points(experiment.unknowns, 2, seed=1)
    parameters = experiment.parameters(x)
    chain = flux_chain(experiment.benches[0].model, experiment.unknowns, x, parameters)
    block = experiment.blocks[-1]
    exact = block_regression(experiment, block, parameters, chain, derivatives=True).per_sweep
    assert exact is not None
    for k in range(len(block.sweeps)):

        def at(step: float, k: int = k) -> np.ndarray:
            sweeps = list(block.sweeps)
            sweeps[k] += step
            return block_regression(experiment, replace(block, sweeps=tuple(sweeps)), parameters, chain).information

        expected = (at(1e-3) - at(-1e-3)) / 2e-3
        np.testing.assert_allclose(exact[:, k], expected, rtol=1e-5, atol=1e-6 * np.abs(expected).max())


def test_slopes_of_the_fluxes_agree_with_differences() -> None:
    """The chain rule for source, position, extent, offsets and areas against differences of the model's own fluxes."""
    study = read_study(Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml")
    loops = tuple(x.with_sd(flux_focusing=0.05) for x in study.loops)
    turn = ((0.36, 0.48, -0.8), (-0.8, 0.6, 0.0), (0.48, 0.64, 0.6))
    states = (*study.states, State("turned", "turned", rotation=turn))
    study = replace(study, loops=loops, states=states, source=replace(study.source, extent_m=5e-6))
    experiment = planned_experiment(study)
    unknowns = experiment.unknowns
    x = prior_points(unknowns, 2, seed=2)
    x[:, unknowns.names.index("angle of the turn turned")] = 0.0  # plans are linear in it
    model = experiment.benches[0].model
    chain = flux_chain(model, unknowns, x, unknowns.parameters(x))
    step = 1e-4
    for column, name in enumerate(unknowns.names):
        if name.startswith("offset"):
            continue
        move = np.zeros(unknowns.size)
        move[column] = step
        up, down = (model.source_flux(unknowns.parameters(x + s * move)) for s in (1, -1))
        expected = (up - down) / (2 * step)
        np.testing.assert_allclose(chain.slopes[..., column], expected, rtol=1e-6, atol=1e-8, err_msg=name)


# ---------------------------------------------------------------- what limits the answer


def mean_error_deg(study: Study, known: tuple[str, ...] = ()) -> float:
    experiment = planned_experiment(study, most_points=15)
    x = direction_points(experiment.unknowns, 24, 77)
    return float(np.degrees(np.mean(predict(experiment, x).angular_error_rad(known))))


def test_known_limits_come_out() -> None:
    """Ratios between angular errors that prototype chips of this kind showed, each within 30%.

    The prototypes were other chips (sizes, noise and moment of ours are invented), so only ratios are compared: zero bias
    43 times worse than half a flux quantum; loops near the null of the axial field 17 times; offsets of 1, 5, 20 mPhi0
    without reference sweeps 1 : 5.1 : 20.7, and no effect of the offset with reference sweeps, the source in and reversed
    being twice as good as out and in; position known to 0.2, 0.5, 1, 3 um 1 : 2.4 : 4.6 : 11.
    """
    quiet = {"height_um": 12.0, "position_sd_um": 0.0, "moment": 38e-15}
    zero = mean_error_deg(chip(ring(4, 14, 14), bias=((0.0, 0.0, 1), (0.0, 0.0, 2)), **quiet))
    half = mean_error_deg(chip(ring(4, 14, 14), bias=((0.5, 0.5, 1), (0.5, 0.5, 2)), **quiet))
    assert zero / half == pytest.approx(43, rel=0.3)
    null = mean_error_deg(chip(ring(3, 1.4 * 15, 12), position_sd_um=0.0))
    good = mean_error_deg(chip(ring(3, 0.9 * 15, 18), position_sd_um=0.0))
    assert null / good == pytest.approx(17, rel=0.3)

    def by_offset(*states: str) -> np.ndarray:
        base = {"height_um": 12.0, "position_sd_um": 0.0, "states": states}
        return np.array([mean_error_deg(chip(ring(6, 12, 12), offset_sd_mphi0=v, **base)) for v in (1.0, 5.0, 20.0)])

    blind, out, reverse = by_offset("in"), by_offset("out", "in"), by_offset("reversed", "in")
    np.testing.assert_allclose(blind / blind[0], [1, 5.1, 20.7], rtol=0.3)
    np.testing.assert_allclose(out / out[0], 1.0, rtol=0.1)
    assert out[1] / reverse[1] == pytest.approx(2.0, rel=0.3)
    placed = np.array(
        [mean_error_deg(chip(ring(6, 12, 10), height_um=12.0, position_sd_um=v)) for v in (0.2, 0.5, 1.0, 3.0)]
    )
    np.testing.assert_allclose(placed / placed[0], [1, 3.8 / 1.6, 7.3 / 1.6, 18 / 1.6], rtol=0.3)
