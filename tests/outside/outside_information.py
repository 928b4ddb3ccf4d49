"""Fisher information of a planned experiment by finite differences of the outside simulator; nothing of `fluxsense`.

The package works with closed derivatives and eliminates gains and the amplitudes of errors by least squares.  Here
every group's sweeps are one long real vector with its dense covariance (white noise, drift, residual gain, flux
noise), and the unknown gain of each path at each frequency is removed by a Schur complement: the plain textbook way,
slow and short.
"""

from __future__ import annotations

import copy
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from outside_simulator import Group, OutsideStudy, Truth, quantity

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

STEP = 1e-3
"""Of central differences, in prior standard deviations of each unknown (sizes of the source for its components)."""
FLUX_STEP_PHI0 = 1e-6


class Unknown(NamedTuple):
    """An entry of one of a truth's arrays, and the prior's standard deviation, or the scale of a source component."""

    name: str
    entry: tuple[int, ...]
    scale: float


def unknowns(study: OutsideStudy) -> list[Unknown]:
    """The source's three components first, then every nuisance with a width; values of stages are held."""
    found = [Unknown("source", (j,), study.size) for j in range(3)]
    found += [Unknown("position_m", (j,), float(sd)) for j, sd in enumerate(study.position_sd_m)]
    for c in range(len(study.cooldowns)):
        found += [Unknown("offset_phi0", (c, k), float(sd)) for k, sd in enumerate(study.offset_sd_phi0)]
    found += [Unknown("flux_focusing", (k,), float(sd)) for k, sd in enumerate(study.flux_focusing_sd)]
    for n, isolator in enumerate(study.isolators):
        found.append(Unknown("pump_strength", (n,), isolator.get("pump_strength_sd", 0.0)))
        found.append(Unknown("pump_phase_error_rad", (n,), quantity(isolator.get("pump_phase_error_sd", 0))))
    return [u for u in found if u.scale > 0]


def moved(truth: Truth, unknown: Unknown, by: float) -> Truth:
    """A truth with one entry moved by so many of its scales."""
    other = copy.deepcopy(truth)
    getattr(other, unknown.name)[unknown.entry] += by * unknown.scale
    return other


def real(values: ComplexArray) -> FloatArray:
    """Real parts, then imaginary parts, flat."""
    return np.concatenate([values.real.ravel(), values.imag.ravel()])


def families(study: OutsideStudy) -> list[list[Group]]:
    """Groups that share the line's gain: same cooldown, isolator and bias, in all states."""
    found: dict[tuple[object, ...], list[Group]] = {}
    for g in study.groups():
        found.setdefault((g.cooldown, g.isolator, *study.bias_a(g.setting)), []).append(g)
    return list(found.values())


def swept(family: list[Group]) -> list[tuple[Group, bool]]:
    """What is swept of a family, and whether with the pump: its groups, then once in each state without."""
    states = {g.state: g for g in reversed(family)}
    return [*((g, True) for g in family), *((g, False) for _, g in sorted(states.items()))]


def family_values(
    study: OutsideStudy, truth: Truth, flux: FloatArray, family: list[Group], extra_phi0: ArrayLike = (0, 0)
) -> ComplexArray:
    """Mean S21 and S12 (K, 2, F) of what is swept of a family."""
    every = [study.sweep(truth, flux, g, on, extra_phi0) for g, on in swept(family)]
    return np.array([[s[:, 1, 0], s[:, 0, 1]] for s in every])


def family_covariance(
    study: OutsideStudy, truth: Truth, flux: FloatArray, family: list[Group], values: ComplexArray
) -> FloatArray:
    """Covariance of `real(values)`, averages over the plan's repeats, before the line's gain."""
    noise, plan = study.document["noise"], study.document["plan"]
    repeats = np.array([plan["repeats" if on else "off_repeats"] for _, on in swept(family)], dtype=np.float64)
    each = np.broadcast_to(repeats[:, None, None], values.shape).ravel()
    bends = []
    for step in np.eye(2) * FLUX_STEP_PHI0:
        up, down = (family_values(study, truth, flux, family, sign * step) for sign in (1, -1))
        bends.append((up - down) / (2 * FLUX_STEP_PHI0))
    errors: list[tuple[float, FloatArray]] = []  # variances of amplitudes, and what these move

    def add(group: int, paths: slice, change: ComplexArray, variance: float) -> None:
        moved_values = np.zeros_like(values)
        moved_values[group, paths] = change[group, paths]
        errors.append((variance, real(moved_values)))

    for k, count in enumerate(repeats):
        for path in (slice(0, 1), slice(1, 2)):
            add(k, path, values, noise["gain_drift"] ** 2 / count + noise["residual_gain"] ** 2)
            add(k, path, 1j * values, quantity(noise["phase_drift"]) ** 2 / count + noise["residual_gain"] ** 2)
        for bend in bends:
            add(k, slice(None), bend, quantity(noise["flux"]) ** 2 / count)
    directions = np.array([direction for _, direction in errors])
    variances = np.array([variance for variance, _ in errors])
    return np.asarray(np.diag(np.tile(noise["white"] ** 2 / each, 2)) + (directions.T * variances) @ directions)


def gain_directions(values: ComplexArray) -> FloatArray:
    """How the unknown gain of each path at each frequency moves `real(values)`: (4 F, values)."""
    rows = []
    for path in range(2):
        for at in range(values.shape[2]):
            for turn in (1, 1j):
                direction = np.zeros_like(values)
                direction[:, path, at] = turn * values[:, path, at]
                rows.append(real(direction))
    return np.array(rows)


def fisher_information(study: OutsideStudy, truth: Truth) -> FloatArray:
    """Information (D, D) of the planned sweeps about `unknowns`, in their scales."""
    flux = study.source_flux_phi0(truth)
    names = unknowns(study)
    pairs = [[moved(truth, u, sign * STEP) for sign in (1, -1)] for u in names]
    fluxes = [[study.source_flux_phi0(t) for t in pair] for pair in pairs]
    total = np.zeros((len(names), len(names)))
    for family in families(study):
        values = family_values(study, truth, flux, family)
        slopes = np.zeros((len(names), 2 * values.size))
        for k, (unknown, pair, moved_flux) in enumerate(zip(names, pairs, fluxes, strict=True)):
            if unknown.name.startswith("pump") and unknown.entry[0] != family[0].isolator:
                continue
            up, down = (family_values(study, t, f, family) for t, f in zip(pair, moved_flux, strict=True))
            slopes[k] = real(up - down) / (2 * STEP)
        gains = gain_directions(values)
        weight = np.linalg.inv(family_covariance(study, truth, flux, family, values))
        across = slopes @ weight @ gains.T
        total += slopes @ weight @ slopes.T - across @ np.linalg.solve(gains @ weight @ gains.T, across.T)
    return total


def predicted_covariance(study: OutsideStudy, truth: Truth) -> FloatArray:
    """Covariance (3, 3) of the source vector in units of the stated size, nuisances marginalised.

    Priors are normal: width 1 for nuisances in their scales, 1/sqrt(3) of the size for each source component
    (``size_prior = "scale"``).
    """
    information = fisher_information(study, truth)
    prior = np.eye(len(information))
    prior[:3, :3] *= 3
    return np.asarray(np.linalg.inv(information + prior)[:3, :3])


def across_direction(covariance: FloatArray, vector: ArrayLike) -> FloatArray:
    """Covariance (3, 3) of the direction of a vector (rad^2), in the plane across it."""
    v = np.asarray(vector, dtype=np.float64)
    length = np.linalg.norm(v)
    plane = np.eye(3) - np.outer(v, v) / length**2
    return np.asarray(plane @ covariance @ plane / length**2)
