"""What the answer rests on, and whether the linear elimination behind it holds.

For every number that is not exact: how far the direction moves if it is off by one standard deviation of its prior, and
whether the data would show that.  Both follow from the joint normal law of unknowns and eliminated parameters about the mode:
with the unknowns' covariance V and the eliminated parameters' most probable values moving by -B per unit of the unknowns,

    cov(unknowns, a) = -V B^T,    cov(a) = C + B V B^T,

so that a parameter that was wrong by one unit would have pulled the unknowns by cov(unknowns, a)/var(a), where its own
posterior spread is small the data tell it themselves.

The check draws unknowns from the posterior and eliminated parameters from their normal law, and weighs the draws by the exact
likelihood over the linear one (importance weights; Pareto k by Pareto-smoothed importance sampling, Vehtari et al.,
J. Mach. Learn. Res. 25, 72 (2024), from memory, as arviz-stats has it: below 0.7 the weights can be trusted).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipParameters, nominal_array
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.parameter import Parameter
from fluxsense.model.problem import CampaignProblem

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

SEEN: Final = 3.0
"""A parameter off by one prior deviation is seen if that is so many of its posterior deviations."""
DRAWS: Final = 200


@dataclass(frozen=True)
class Assumption:
    """One number that the answer rests on.

    Attributes
    ----------
    name : str
    group : str
        What it is reported with.
    unit, prior_mean, prior_sd : str, float, float
    mean, sd : float
        After the data.
    move_deg : float
        How far the direction moves if it is off by one prior deviation and that is not seen.
    share_deg : float
        What it contributes to the angular error as it is.
    seen : bool
        Whether the data would show it off by one prior deviation.
    """

    name: str
    group: str
    unit: str
    prior_mean: float
    prior_sd: float
    mean: float
    sd: float
    move_deg: float
    share_deg: float
    seen: bool


def assumptions(problem: CampaignProblem, at: Linearised) -> list[Assumption]:
    """Every uncertain number, the one that moves the direction most unseen first.

    Parameters
    ----------
    problem : CampaignProblem
        With every unknown explicit.
    at : Linearised
        About its mode.
    """
    covariance = at.covariance
    w = at.x[:3]
    length = max(float(np.linalg.norm(w)), 1e-300)
    tangent = np.linalg.svd(w[None] / length)[2][1:] / length  # (2, 3): unknowns to radians
    side = tangent @ covariance[:3]  # (2, D)
    out = []
    for column, p in enumerate(problem.unknowns.nuisances, problem.unknowns.lead):
        out.append(_one(p, float(at.x[column]), float(covariance[column, column]), side[:, column]))
    for i, own in problem.likelihood.eliminated.items():
        if not own:
            continue
        pull = _pulls(at, i)[: len(own)]  # B, (E, D)
        cross = -(side @ pull.T)  # (2, E)
        spread = np.diag(problem.likelihood.eliminated_covariance(i)) + np.einsum("ed,df,ef->e", pull, covariance, pull)
        means = _means(at, i)[: len(own)]
        for n, p in enumerate(own):
            out.append(_one(p, float(means[n]), float(spread[n]), cross[:, n]))
    out.sort(key=lambda a: (a.seen, -a.move_deg))
    return out


def _one(p: Parameter, z: float, variance: float, cross: FloatArray) -> Assumption:
    variance = min(max(variance, 1e-12), 1.0)
    move = float(np.degrees(np.linalg.norm(cross))) / variance
    return Assumption(
        name=p.name,
        group=p.group,
        unit=p.unit,
        prior_mean=p.mean,
        prior_sd=p.value_sd,
        mean=float(p.value(np.array([z]))[0]),
        sd=p.value_sd * float(np.sqrt(variance)),
        move_deg=move,
        share_deg=move * float(np.sqrt(variance)),
        seen=variance < SEEN**-2,
    )


def _pulls(at: Linearised, isolator: int) -> FloatArray:
    """Change (Z, D) of the common amplitudes' most probable values, less sign, per unit of the unknowns."""
    shares = sum(
        f.common_scores(s) for f, s in zip(at.likelihood.families, at.slopes, strict=True) if f.isolator == isolator
    )
    return np.asarray(at.likelihood.from_scores(isolator, np.asarray(shares)).T, dtype=np.float64)


def _means(at: Linearised, isolator: int) -> FloatArray:
    """Most probable common amplitudes (Z,) at the mode."""
    shares = sum(
        f.common_scores((at.loud * r)[None])[0]
        for f, r in zip(at.likelihood.families, at.residuals, strict=True)
        if f.isolator == isolator
    )
    return np.asarray(at.likelihood.from_scores(isolator, np.asarray(shares)[None])[0], dtype=np.float64)


@dataclass(frozen=True)
class LinearityCheck:
    """Whether the likelihood is linear in what is eliminated, over the posterior.

    Attributes
    ----------
    pareto_k : float
        Of the importance weights; below 0.7 they can be trusted.  0 if nothing is eliminated.
    shift_sd : float
        Move of the mean direction by the weights, in posterior deviations.
    worst : str
        The eliminated parameter with which the logarithm of the weights goes most.
    """

    pareto_k: float = 0.0
    shift_sd: float = 0.0
    worst: str = ""


def linearity_check(problem: CampaignProblem, draws: FloatArray, rng: np.random.Generator) -> LinearityCheck:
    """Weigh draws (N, D) of the unknowns, with eliminated parameters drawn beside them, by the exact likelihood.

    Parameters
    ----------
    problem : CampaignProblem
    draws : ndarray (N, D)
        Of the posterior; at most `DRAWS` of them are used.
    rng : Generator
    """
    likelihood = problem.likelihood
    if not any(likelihood.eliminated.values()):
        return LinearityCheck()
    x = np.ascontiguousarray(draws[np.linspace(0, len(draws) - 1, min(DRAWS, len(draws))).astype(int)])
    parameters = problem.parameters(x, rng)
    predicted = likelihood.predict(parameters)
    residuals = [f.ratio - r for f, r in zip(likelihood.families, predicted, strict=True)]
    drawn = likelihood.draw_amplitudes(residuals, rng)
    exact = likelihood.predict(_with_eliminated(likelihood, parameters, drawn), complete=False)
    gain = np.zeros(len(x))
    linear, true = [], []
    for family, residual, ratio in zip(likelihood.families, residuals, exact, strict=True):
        i, count = family.isolator, len(likelihood.eliminated[family.isolator])
        own = (
            np.zeros_like(residual)
            if family.common_directions is None
            else np.tensordot(drawn[i][:, :count], family.common_directions[:count], axes=1)
        )
        rest = (
            np.zeros_like(residual)
            if family.common_directions is None
            else np.tensordot(drawn[i][:, count:], family.common_directions[count:], axes=1)
        )
        linear.append(residual - own - rest)
        true.append(likelihood.unshifted(family) - ratio - rest)
    for family, a, b in zip(likelihood.families, linear, true, strict=True):
        gain += 0.5 * (family.quadratic(a) - family.quadratic(b))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):  # one weight may be all there is
        smoothed, k = import_module("arviz_stats.base").array_stats.psislw(gain)  # slow to import
    if not np.all(np.isfinite(smoothed)) or not np.isfinite(k):
        smoothed, k = gain, np.inf
    weight = np.exp(smoothed - smoothed.max())
    weight /= weight.sum()
    vectors = problem.unknowns.source(x)
    unit = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    centre = unit.mean(axis=0)
    moved = float(np.linalg.norm(weight @ unit - centre))
    spread = float(np.sqrt(0.5 * np.mean(np.sum((unit - centre) ** 2, axis=1))))
    worst, most = "", 0.0
    for i, own_parameters in likelihood.eliminated.items():
        for n, p in enumerate(own_parameters):
            z = drawn[i][:, n]
            z = z - z.mean()
            both = np.stack([z, z * z - np.mean(z * z)], axis=1)
            fit = np.linalg.lstsq(both, gain - gain.mean(), rcond=None)[0]
            share = float(np.var(both @ fit))
            if share > most:
                worst, most = p.name, share
    return LinearityCheck(float(k), moved / max(spread, 1e-300), worst)


def _with_eliminated(
    likelihood: RatioLikelihood, parameters: ChipParameters, drawn: dict[int, FloatArray]
) -> ChipParameters:
    """The parameters with eliminated ones at drawn values (N, E) in prior deviations."""
    arrays = {name: np.array(parameters[name]) for name in parameters}
    for i, own in likelihood.eliminated.items():
        for n, p in enumerate(own):
            if p.array not in arrays:
                arrays[p.array] = nominal_array(likelihood.study, p.array, parameters.batch)
            p.put(arrays, p.value(drawn[i][:, n]))
    return ChipParameters(arrays)
