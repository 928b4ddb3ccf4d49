"""What the study holds still and the data may contradict: score tests of one more unknown each.

A misfit spread over thousands of points hides a wrong ring parameter that moves the answer by several standard
deviations; looked for along its own direction it stands out.  For each alternative (a chip parameter that inference does not
carry along, a flux that one loop has in one state or one group of sweeps only, another coupling in one group) with slope d
of the data, the score s = d' C^-1 r of the residuals r at the mode has, if the model holds, mean zero and variance

    V = d' C^-1 d - d' C^-1 S (S' C^-1 S + P)^-1 S' C^-1 d,

S the slopes of the unknowns and P the curvature of their prior, so that s^2/V is chi-square with one degree (Rao's score
test: C. R. Rao, Proc. Camb. Phil. Soc. 44, 50 (1948), from memory; the variance with a prior follows from the normal
equations).  Were the alternative free it would be s/V, and the unknowns would move by -(S' C^-1 S + P)^-1 S' C^-1 d s/V.

Where magnitudes are used, points in a notch follow their exact law: their part of a score is the slope of the log density,
and their part of V its expected information (`likelihood.Notch`).

The noise is measured, by few repeats of few points at times, so that a score over its deviation has Student's law.

Likewise every nuisance is compared with its prior: where model and prior hold, the posterior mean of a whitened nuisance is
normal with variance one less its posterior variance (law of total variance; Evans and Moshonov, Bayesian Analysis 1, 893
(2006), on conflict of prior and data, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtr, stdtrit

from fluxsense.base.findings import Finding
from fluxsense.data.noise_levels import white_freedom
from fluxsense.data.settings import group_name
from fluxsense.device.chip import nominal_array
from fluxsense.model.family import Family
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

STAGE_FIELDS = {
    "signal_frequency_hz": "signal_linewidth_hz",
    "signal_linewidth_hz": "signal_linewidth_hz",
    "signal_internal_hz": "signal_linewidth_hz",
    "signal_participation": "signal_participation",
    "idler_frequency_hz": "idler_linewidth_hz",
    "idler_linewidth_hz": "idler_linewidth_hz",
    "idler_internal_hz": "idler_linewidth_hz",
    "idler_participation": "idler_participation",
    "coupling_hz": "coupling_hz",
}
"""Fields of a stage that are tried, and the field in whose thousandths they are stepped."""
STEP = 1e-3
SHOWN_PROBABILITY = 1e-3
SMALLEST_VARIANCE = 1e-5
"""Part of an alternative's information that the unknowns must leave for it to be tried."""
SMALLEST_SPREAD = 0.05
STATED_FREEDOM = 1e9
UNSEEN_SHIFT = 2.0
UNSEEN_PHI0 = 0.1
"""An unseen change of flux counts up to that size, and is spoken of if it moves the direction by that many deviations."""


@dataclass(frozen=True)
class Suspicion:
    """What the directed tests found.

    Attributes
    ----------
    probability : float
        The smallest of the score tests, times their number, at most 1.
    name : str
        What the data look most as if it were different.
    shift_sd : float
        Most that the direction would move, in posterior standard deviations (root mean square of the two tangents), if one
        of the alternatives with a probability below `SHOWN_PROBABILITY` were free; 0 if there is none.
    tests : int
    conflict : float
        Probability of the nuisance farthest from its prior, times their number, at most 1.
    conflict_name : str
    conflict_sd : float
        How far it lies from its prior's mean, in the prior's standard deviations.
    unseen_loop : str
        The loop in which a change of flux between source-out and source-in sweeps could do most harm unseen.
    unseen_phi0, unseen_shift_sd : float
        The largest such change that would stay above `SHOWN_PROBABILITY`, and the move of the direction that it would cause.
    """

    probability: float = 1.0
    name: str = ""
    shift_sd: float = 0.0
    tests: int = 0
    conflict: float = 1.0
    conflict_name: str = ""
    conflict_sd: float = 0.0
    unseen_loop: str = ""
    unseen_phi0: float = 0.0
    unseen_shift_sd: float = 0.0


@dataclass(frozen=True)
class _Alternative:
    """A direction in the data of one isolator: its slopes (K, 2, F) by number of family; its loop if it is a flux in a state."""

    name: str
    isolator: int
    slopes: dict[int, ComplexArray]
    loop: str = ""


def suspicion(at: Linearised) -> Suspicion:
    """Test what the study holds still.

    Parameters
    ----------
    at : Linearised
        About the mode of a problem with every unknown explicit.

    Returns
    -------
    Suspicion
    """
    problem, x, covariance = at.problem, at.x, at.covariance
    unit = x[:3] / max(float(np.linalg.norm(x[:3])), 1e-300)
    tangent = np.linalg.svd(unit[None])[2][1:]
    sideways = np.linalg.inv(tangent @ covariance[:3, :3] @ tangent.T)
    found: list[tuple[float, float, str]] = []
    hidden: list[tuple[float, float, str]] = []
    for one in _alternatives(problem, x):
        seen = at.along(one.slopes)
        variance = float(seen.own - seen.cross @ covariance @ seen.cross)
        aside: FloatArray = tangent @ (covariance @ seen.cross)[:3]
        turn = float(np.sqrt(0.5 * aside @ sideways @ aside))
        least = SMALLEST_VARIANCE * seen.own
        if one.loop and seen.own > 0:
            error = 1 / float(np.sqrt(max(variance, least)))
            hidden.append((turn * error, error, one.loop))
        if not variance > least:
            continue
        score = seen.score - float(seen.cross @ covariance @ at.gradient)
        found.append((score * score / variance, turn * abs(score) / variance, one.name))
    conflict = _conflict(problem, x, covariance)
    if not found:
        return conflict
    freedom = _freedom(problem)
    chances = [min(1.0, 2 * len(found) * float(stdtr(freedom, -np.sqrt(value)))) for value, _, _ in found]
    worst = int(np.argmax([value for value, _, _ in found]))
    shift = max((s for p, (_, s, _) in zip(chances, found, strict=True) if p < SHOWN_PROBABILITY), default=0.0)
    result = replace(conflict, probability=chances[worst], name=found[worst][2], shift_sd=shift, tests=len(found))
    reach = float(-stdtrit(freedom, 0.5 * SHOWN_PROBABILITY / len(found)))
    small = [h for h in hidden if reach * h[1] <= UNSEEN_PHI0]
    if not small:
        return result
    moved, flux, loop = max(small)
    return replace(result, unseen_loop=loop, unseen_phi0=reach * flux, unseen_shift_sd=reach * moved)


def _freedom(problem: CampaignProblem) -> float:
    """Degrees of freedom behind the noise that a score is measured with, of the isolator with fewest; many if it was stated."""
    likelihood = problem.likelihood
    if not likelihood.noise.measured:
        return STATED_FREEDOM
    sums: dict[str, float] = {}
    for key, nu in white_freedom(likelihood.digest).items():
        sums[key.isolator] = sums.get(key.isolator, 0.0) + nu
    return min(sums.values(), default=STATED_FREEDOM)


def unseen_findings(found: Suspicion, in_turns: bool) -> list[Finding]:
    """The change of flux that would pass for a source, if one would: where sweeps were taken in turns only if it comes with it."""
    if found.unseen_shift_sd < UNSEEN_SHIFT:
        return []
    code = "unseen companion" if in_turns else "unseen jump"
    return [Finding(code, flux=found.unseen_phi0, loop=found.unseen_loop, shift_sd=found.unseen_shift_sd)]


def _alternatives(problem: CampaignProblem, x: FloatArray) -> Iterator[_Alternative]:
    """Everything that is tried."""
    likelihood, unknowns = problem.likelihood, problem.unknowns
    study = unknowns.study
    fields = [(f, k) for f in STAGE_FIELDS for k in range(2)]
    count = len(fields)
    base = unknowns.parameters(np.repeat(x[None], 2 * count, axis=0))
    steps = np.zeros((count, len(study.isolators)))
    stage = {f: np.array(base[f]) if f in base else nominal_array(study, f, 2 * count) for f in STAGE_FIELDS}
    for n, (name, k) in enumerate(fields):
        up = STEP * np.array([getattr(iso.stages[k], STAGE_FIELDS[name]) for iso in study.isolators])
        down = np.minimum(up, stage[name][n, :, k])  # a loss of zero is stepped upwards only
        stage[name][n, :, k] += up
        stage[name][count + n, :, k] -= down
        steps[n] = 0.5 * (up + down)
    ratios = likelihood.predict(base.changed(**stage))
    families, by_flux = likelihood.families, likelihood.flux_slopes(base.rows(slice(0, 1)))
    with np.errstate(divide="ignore", invalid="ignore"):
        derived = [
            np.where(
                steps[:, f.isolator, None, None, None] > 0,
                (r[:count] - r[count:]) / (2 * steps[:, f.isolator, None, None, None]),
                0.0,
            )
            for f, r in zip(families, ratios, strict=True)
        ]
    known = {(n.array, n.index) for n in unknowns.nuisances}
    known |= {(p.array, p.index) for own in likelihood.eliminated.values() for p in own}
    kinds = {s.name: s.kind for s in study.states}
    for i, iso in enumerate(study.isolators):
        mine = [n for n, f in enumerate(families) if f.isolator == i]
        if not mine:
            continue
        for c, (name, k) in enumerate(fields):
            if (name, (i, k)) not in known and steps[c, i] > 0:
                label = name.removesuffix("_hz").replace("_", " ")
                yield _Alternative(
                    f"the {label} of stage {k + 1} of isolator {iso.name}", i, {n: derived[n][c] for n in mine}
                )
        coupling = [c for c, (name, _) in enumerate(fields) if name == "coupling_hz"]
        states = dict.fromkeys(key.state for n in mine for key in families[n].keys if kinds[key.state] != "out")
        referenced = any(kinds[key.state] == "out" for n in mine for key in families[n].keys)
        fluxes = [f"the flux in loop {stage.loop}" for stage in iso.stages]
        for loop, words in enumerate(fluxes):
            for state in states:
                part = {n: _in_state(families[n], by_flux[n], loop, state) for n in mine}
                hidden = iso.stages[loop].loop if referenced else ""
                yield _Alternative(f"{words} with the source {state}", i, part, hidden)
        for n in mine:
            for row, key in enumerate(families[n].keys):
                group = group_name(likelihood.study, key)
                for loop, words in enumerate(fluxes):
                    yield _Alternative(f"{words} in {group}", i, {n: _only(by_flux[n][0][loop], row)})
                for c in coupling if key.pump_on else ():
                    words = f"the coupling of stage {fields[c][1] + 1} of isolator {iso.name}"
                    yield _Alternative(f"{words} in {group}", i, {n: _only(derived[n][c], row)})


def _in_state(family: Family, by_flux: tuple[ComplexArray, ComplexArray], loop: int, state: str) -> ComplexArray:
    """Slope (K, 2, F) with the flux of a loop in all sweeps of a state, those that divide included."""
    rows = np.array([key.state == state for key in family.keys])
    shared = by_flux[1][loop] if family.divisor.state == state else 0.0
    return np.asarray(by_flux[0][loop] * rows[:, None, None] + shared)


def _only(slope: ComplexArray, row: int) -> ComplexArray:
    """A slope (K, 2, F) in one group, zero in the others."""
    out = np.zeros_like(slope)
    out[row] = slope[row]
    return out


def _conflict(problem: CampaignProblem, x: FloatArray, covariance: FloatArray) -> Suspicion:
    """The nuisance that lies farthest from its prior."""
    unknowns = problem.unknowns
    lead = unknowns.lead
    if unknowns.size <= lead:
        return Suspicion()
    jacobian = unknowns.natural_jacobian(x)
    plain = unknowns.natural(x[None])[0, lead:]
    spread = 1 - np.diag(jacobian @ covariance @ jacobian.T)[lead:]
    z = np.abs(plain) / np.sqrt(np.maximum(spread, SMALLEST_SPREAD))
    worst = int(np.argmax(z))
    return Suspicion(
        conflict=min(1.0, 2 * len(z) * float(ndtr(-z[worst]))),
        conflict_name=unknowns.names[lead + worst],
        conflict_sd=float(plain[worst]),
    )
