"""What the answer rests on, and whether the linear elimination behind it holds.

For every number that is not exact: how far the direction moves if it is off by one standard deviation of its prior, and
whether the data would show that.  Both follow from the joint normal law of unknowns and eliminated parameters about the mode:
with the unknowns' covariance V and the eliminated parameters' most probable values moving by -B per unit of the unknowns,

    cov(unknowns, a) = -V B^T,    cov(a) = C + B V B^T,

so that a parameter that was wrong by one unit would have pulled the unknowns by cov(unknowns, a)/var(a), where its own
posterior spread is small the data tell it themselves.

The check linearises anew at draws of the posterior and asks whether the direction would change.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.infer.reference import marginal, relinearised
from fluxsense.model.likelihood import every_few
from fluxsense.model.linearised import Linearised
from fluxsense.model.parameter import Parameter
from fluxsense.model.problem import CampaignProblem

FloatArray = npt.NDArray[np.float64]

SEEN: Final = 3.0
"""A parameter off by one prior deviation is seen if that is so many of its posterior deviations."""
DRAWS: Final = 8
FOLLOWED: Final = 2


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


def assumptions(at: Linearised) -> list[Assumption]:
    """Every uncertain number, the one that moves the direction most unseen first.

    Parameters
    ----------
    at : Linearised
        About the mode of a problem with every other unknown explicit.
    """
    problem = at.problem
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
        means, whole, pull = at.eliminated(i)
        cross = -(side @ pull.T)  # (2, E)
        spread = np.diag(whole)
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


@dataclass(frozen=True)
class LinearityCheck:
    """Whether it matters where the likelihood is linearised in what it eliminates.

    Attributes
    ----------
    gain_sd : float
        Scatter, over posterior draws, of the log posterior with everything eliminated linearised anew at the draw, less that
        at the one point that was used; 0 if nothing is eliminated.
    shift_sd, shift_error : float
        Move of the mean direction by weights of that gain, to first order, in posterior deviations, and its own error.
    worst : str
        The eliminated parameter that the new points move most, in its prior deviations.
    """

    gain_sd: float = 0.0
    shift_sd: float = 0.0
    shift_error: float = 0.0
    worst: str = ""


def _eliminated(problem: CampaignProblem) -> FloatArray:
    """All eliminated parameters at the reference point, in prior deviations, isolator by isolator."""
    return np.concatenate(list(problem.likelihood.values_at_reference.values()))


def linearity_check(problem: CampaignProblem, draws: FloatArray) -> LinearityCheck:
    """Linearise anew at draws (N, D) of the unknowns and compare.

    What is eliminated follows each draw to its own most probable values, so that the curved ridges that precise sweeps leave
    in it are followed too: weights of the exact likelihood at linear draws of hundreds of such numbers say nothing (their
    logarithms scatter by thousands where the direction does not care).

    Parameters
    ----------
    problem : CampaignProblem
    draws : ndarray (N, D)
        Of the posterior; `DRAWS` of them are used, on a part of the frequencies.
    """
    likelihood = problem.likelihood
    if not any(likelihood.eliminated.values()) or not problem.unknowns.with_source:
        return LinearityCheck()
    x = np.ascontiguousarray(draws[np.linspace(0, len(draws) - 1, min(DRAWS, len(draws))).astype(int)])
    thin = CampaignProblem(problem.unknowns, likelihood.on_points(every_few))
    gain, moved = np.empty(len(x)), np.zeros(sum(len(own) for own in likelihood.eliminated.values()))
    for n, point in enumerate(x):
        there = thin
        for _ in range(FOLLOWED):
            there = relinearised(there, point)
        gain[n] = marginal(there, point) - marginal(thin, point)
        moved = np.maximum(moved, np.abs(_eliminated(there) - _eliminated(thin)))
    vectors = problem.unknowns.source(x)
    unit = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    tangent = np.linalg.svd(unit.mean(axis=0)[None])[2][1:]
    z = (unit - unit.mean(axis=0)) @ tangent.T
    z = z / np.maximum(z.std(axis=0), 1e-300)
    centred = gain - gain.mean()
    shift = float(np.linalg.norm(z.T @ centred) / len(x))
    names = [p.name for own in likelihood.eliminated.values() for p in own]
    scatter = float(gain.std(ddof=1))
    return LinearityCheck(scatter, shift, scatter / float(np.sqrt(len(x))), names[int(np.argmax(moved))])
