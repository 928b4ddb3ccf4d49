"""What lies between the device and the analyser, in the ratios of a likelihood that calls the model without it.

Reference: the chip's model called with line ends and direct paths in it (which the tests of the device hold against multiplied-out
matrices); a remainder of second order in the fluxes, by halving the change.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

from fluxsense.device.chip import ChipParameters, nominal_array
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

CHANGE_PHI0 = np.array([0.001, -0.001])
"""Opposite in the two loops of an isolator: the device itself shows little of it."""


def full_ratios(likelihood: RatioLikelihood, parameters: ChipParameters) -> list[np.ndarray]:
    """Per family, from the model with everything in it."""
    out = []
    for i, model, families in likelihood.parts:
        s = model.scattering(likelihood.at_reference(parameters), i)
        for f in families:
            ratio = s[:, list(f.rows)] / s[:, f.divisor_row][:, None]
            out.append(np.abs(ratio).astype(complex) if likelihood.magnitude else ratio)
    return out


def likelihood_with_set_up(folder: Path, kind: str) -> tuple[Study, RatioLikelihood, Truth]:
    """Line ends of 20 dB and direct paths of -43 dB at the reference point."""
    study = small_study(folder, wiring="+90 deg", points=15)
    study = replace(study, data=replace(study.data, kind=kind))
    truth = draw_truth(study, 5)
    rng = np.random.default_rng(1)
    held = {name: nominal_array(study, name, 1) for name in ("line_end", "direct_path")}
    held["line_end"] += 0.06 * rng.normal(size=held["line_end"].shape)
    held["direct_path"] += 0.005 * rng.normal(size=held["direct_path"].shape)
    reference = truth.parameters.changed(**held)
    return study, RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, reference=reference), truth


def typical(one: list[np.ndarray], other: list[np.ndarray]) -> float:
    """Median of the differences: magnitudes have kinks in their notches, where the largest ones are."""
    return float(np.median(np.abs(np.concatenate([np.ravel(a - b) for a, b in zip(one, other, strict=True)]))))


@pytest.mark.parametrize("kind", ["complex", "magnitude"])
def test_what_the_set_up_adds_changes_with_the_fluxes(tmp_path: Path, kind: str) -> None:
    _, likelihood, truth = likelihood_with_set_up(tmp_path, kind)
    bare = likelihood.rebuilt(reference=truth.parameters)
    offset = np.array(truth.parameters["offset_phi0"])
    wrong, changed = [], []
    at_reference = [
        a - b for a, b in zip(full_ratios(likelihood, truth.parameters), bare.predict(truth.parameters), strict=True)
    ]
    for part in (0.0, 0.5, 1.0):
        moved = truth.parameters.changed(offset_phi0=offset + part * np.resize(CHANGE_PHI0, offset.shape))
        full, found, plain = full_ratios(likelihood, moved), likelihood.predict(moved), bare.predict(moved)
        wrong.append(typical(full, found))
        added = [a - b for a, b in zip(full, plain, strict=True)]
        changed.append(typical(added, at_reference))
    assert wrong[0] < 1e-12
    assert wrong[2] < 4.5 * wrong[1]  # of second order: 4
    assert wrong[2] < 0.2 * changed[2]  # what would be left if the set-up added the same at every flux


@pytest.mark.parametrize("phase", [False, True])
def test_slopes_have_it_too(tmp_path: Path, phase: bool) -> None:
    """Central differences of the predictions."""
    study, likelihood, truth = likelihood_with_set_up(tmp_path, "complex")
    problem = CampaignProblem(Unknowns(study), likelihood, integrate=False)
    x = problem.unknowns.whitened(truth.parameters)
    step = 1e-4
    both = np.repeat(x, 2 * x.shape[1], axis=0)
    both[: x.shape[1]] += step * np.eye(x.shape[1])
    both[x.shape[1] :] -= step * np.eye(x.shape[1])
    moved = likelihood.predict(problem.unknowns.parameters(both))
    for (_, _, slopes), ratios in zip(problem.slopes(x, phase=phase), moved, strict=True):
        mine = slopes[0][:, 0] if phase else slopes[0]
        wanted = (ratios[: x.shape[1]] - ratios[x.shape[1] :]) / (2 * step)
        np.testing.assert_allclose(mine, wanted, atol=1e-5 * np.max(np.abs(wanted)))
