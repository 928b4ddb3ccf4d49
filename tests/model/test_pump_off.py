"""Pump-on and pump-off sweeps of all states as one: against least squares with the line's gain explicit, and group by group.

References: all sweeps as rows of one dense least squares problem (numpy's solver) in which the complex gain of each path at each
frequency, every group's drift of gain and phase and every group's flux error are explicit unknowns; nothing is divided by
anything.  That more data never tell less follows from it: a group left out is rows left out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_study import small_study

from fluxsense.data.digest import Digest, GroupKey
from fluxsense.data.noise_levels import NoiseLevels
from fluxsense.device.chip import ChipModel, ChipParameters
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.between_states import GAIN_SLOPE
from fluxsense.model.likelihood import RatioLikelihood, probe_of
from fluxsense.study import Noise, Study

WHITE, DRIFT, FLUX, STAYS = 1e-5, (2e-5, 3e-5), 1e-6, 1e-5
"""Small, so that all is linear."""
STEPS = {"source": 1e-3, "offset_phi0": 1e-6, "pump_strength": 1e-5}


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    plain = small_study(tmp_path_factory.mktemp("off"), strength_sd=0.03, wiring="+90 deg", points=15)
    noise = Noise(white=WHITE, gain_drift=DRIFT[0], phase_drift_rad=DRIFT[1], residual_gain=STAYS, flux_phi0=FLUX)
    return replace(plain, noise=noise, plan=replace(plain.plan, off_repeats=5))


def with_state_gain(study: Study, size: float) -> Study:
    each = [replace(i, setup=i.setup.with_sd(gain_between_states=size)) for i in study.isolators]
    return replace(study, isolators=tuple(each))


def noiseless(study: Study) -> tuple[Truth, Digest, NoiseLevels]:
    truth = draw_truth(study, 5)
    digest = simulate_digest(replace(study, noise=Noise(white=0.0)), truth)
    drift = np.diag(np.square([*DRIFT, *DRIFT]))
    white = {k: WHITE * np.median(np.abs(v.mean[[1, 2]]), axis=1) for k, v in digest.items()}
    return truth, digest, NoiseLevels(white, {i.name: drift for i in study.isolators}, True)


def stepped(truth: Truth) -> tuple[ChipParameters, np.ndarray]:
    """Parameters moved up and down by each unknown (2 n of them), and the steps (n,): unit source, offsets, pump strengths."""
    base = {name: np.array(truth.parameters[name]) for name in truth.parameters}
    moves = []
    for name, step in STEPS.items():
        if name == "source":
            step *= float(np.linalg.norm(base[name]))
        moves += [(name, n, step) for n in range(base[name][0].size)]
    arrays = {name: np.repeat(a, 2 * len(moves), axis=0) for name, a in base.items()}
    for m, (name, n, step) in enumerate(moves):
        for sign, row in ((1, 2 * m), (-1, 2 * m + 1)):
            arrays[name][row].reshape(-1)[n] += sign * step
    size = float(np.linalg.norm(base["source"]))
    return ChipParameters(arrays), np.array([s / (size if name == "source" else 1.0) for name, _, s in moves])


def found_information(study: Study, digest: Digest, truth: Truth, noise: NoiseLevels) -> np.ndarray:
    """Of the likelihood."""
    likelihood = RatioLikelihood(study, digest, truth.port_signs, noise=noise, reference=truth.parameters)
    moved, steps = stepped(truth)
    slopes = [(r[0::2] - r[1::2]) / (2 * steps[:, None, None, None]) for r in likelihood.predict(moved)]
    weighed = likelihood.inverse(slopes)
    return np.asarray(
        sum(np.ascontiguousarray(s).reshape(len(s), -1).view(float) @ w.T for s, w in zip(slopes, weighed, strict=True))
    )


def dense_information(study: Study, digest: Digest, truth: Truth, noise: NoiseLevels, state_gain: float) -> np.ndarray:
    """Of all sweeps of each isolator and bias, the line's gain explicit."""
    moved, steps = stepped(truth)
    total = np.zeros((len(steps), len(steps)))
    sweep = study.sweep
    grid = np.linspace(sweep.start_hz, sweep.stop_hz, sweep.points)
    kinds: dict[tuple[str, tuple[float, ...]], list[GroupKey]] = {}
    for key in digest:
        kinds.setdefault((key.isolator, key.bias_a), []).append(key)
    for keys in kinds.values():
        model = ChipModel(study, [probe_of(study, k, truth.cooldowns) for k in keys], [grid] * 2, truth.port_signs)
        i = model.probes[0].isolator
        s = model.scattering(truth.parameters, i)[0]  # (P, 2, F)
        by = model.scattering(moved, i)
        by = (by[0::2] - by[1::2]) / (2 * steps[:, None, None, None])
        bends = []
        flux = model.probe_flux(truth.parameters, i)
        for loop in range(2):
            step = np.zeros_like(flux)
            step[..., loop] = 1e-6
            up, down = (model.scattering(truth.parameters, i, flux=flux + sign * step)[0] for sign in (1, -1))
            bends.append((up - down) / 2e-6)
        columns, priors = [*by], [0.0] * len(by)
        for path in range(2):
            for f in range(grid.size):
                for turn in (1, 1j):  # the line's gain, with no prior
                    one = np.zeros_like(s)
                    one[:, path, f] = turn * s[:, path, f]
                    columns.append(one)
                    priors.append(0.0)
        for n, key in enumerate(keys):
            count = digest[key].count
            for path in range(2):
                for turn, drift in zip((1, 1j), DRIFT, strict=True):
                    one = np.zeros_like(s)
                    one[n, path] = turn * s[n, path]
                    columns.append(one)
                    priors.append(1 / (drift**2 / count + STAYS**2))
            for bend in bends:
                one = np.zeros_like(s)
                one[n] = bend[n]
                columns.append(one)
                priors.append(count / FLUX**2)
        for state in {k.state for k in keys} if state_gain else ():
            for path in range(2):
                for shape in (np.ones(grid.size), GAIN_SLOPE * np.linspace(-1, 1, grid.size)):
                    for turn in (1, 1j):
                        one = np.zeros_like(s)
                        for n, key in enumerate(keys):
                            one[n, path] = (key.state == state) * turn * shape * s[n, path]
                        columns.append(one)
                        priors.append(1 / state_gain**2)
        level = np.array([digest[k].mean[[1, 2]] / s[n] for n, k in enumerate(keys)])  # the gain that was simulated
        white = np.array([noise.white[k][:, None] / np.sqrt(digest[k].count) for k in keys])
        rows = np.array([(c * np.abs(level) / white).reshape(-1) for c in columns])
        real = np.concatenate([rows.real, rows.imag], axis=1)
        square = real @ real.T + np.diag(priors)
        n = len(steps)
        total += square[:n, :n] - square[:n, n:] @ np.linalg.solve(square[n:, n:], square[n:, :n])
    return total


@pytest.mark.parametrize("state_gain", [0.0, 1e-4])
def test_information_is_that_of_all_sweeps_with_the_gain_explicit(study: Study, state_gain: float) -> None:
    study = with_state_gain(study, state_gain)
    truth, digest, noise = noiseless(study)
    mine = found_information(study, digest, truth, noise)
    dense = dense_information(study, digest, truth, noise, state_gain)
    scale = np.sqrt(np.outer(np.diag(dense), np.diag(dense)))
    np.testing.assert_allclose(mine / scale, dense / scale, atol=2e-5)


@pytest.mark.parametrize("kind", ["complex", "magnitude"])
def test_no_group_that_is_left_out_makes_the_answer_better(study: Study, kind: str) -> None:
    """Every group in turn, pump on and off, with and without the source."""
    each = [replace(i, setup=i.setup.with_sd(gain_between_states=1e-4, discrepancy=1e-4)) for i in study.isolators]
    study = replace(study, isolators=tuple(each), data=replace(study.data, kind=kind))
    truth, digest, noise = noiseless(study)
    whole = found_information(study, digest, truth, noise)
    root = np.diag(1 / np.sqrt(np.diag(whole)))
    told = {}
    for key in digest:
        less = found_information(study, Digest({k: v for k, v in digest.items() if k != key}), truth, noise)
        lost = np.linalg.eigvalsh(root @ (whole - less) @ root)
        assert lost[0] > -1e-5, key.describe()
        told[key] = lost[-1]
    for state in ("out", "in"):  # and each tells something, the pump-off sweeps too
        assert min(v for k, v in told.items() if k.state == state and not k.pump_on) > 1e-4
