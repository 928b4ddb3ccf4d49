"""Do the data look like draws of the model?

Residuals at the best mode are compared with residuals of replicated noise that went through the same linear fit.
Three figures are watched: the total misfit, the worst single group, and the smooth part (low cosine orders along
frequency), to which a wrong resonance or a wrong chip shows long before it shows in the total.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.fft import dct
from scipy.special import gammaincc

from fluxsense.data.noise_levels import level_draws
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.score_tests import Suspicion, suspicion
from fluxsense.model.likelihood import Family, RatioLikelihood
from fluxsense.model.parameter import NOISE_SCALE
from fluxsense.model.problem import DERIVATIVE_STEP, CampaignProblem

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

REPLICATES = 400
SMOOTH_ORDERS = 8


@dataclass(frozen=True)
class PredictiveCheck:
    """Misfits and how often the model's own noise gives larger ones.

    Attributes
    ----------
    total, worst_group, smooth : float
        Probabilities that replicated data misfit more (small: the model does not fit).
    chi_square : float
    degrees : float
        Mean of the total misfit over replicates.
    worst_name : str
        Which group misfits most.
    p_value : float
        The smallest of the three, times three (Bonferroni), at most 1.
    suspicion : Suspicion
        Of what the study holds still, and of nuisances far from their priors.
    """

    total: float
    worst_group: float
    smooth: float
    chi_square: float
    degrees: float
    worst_name: str
    p_value: float
    suspicion: Suspicion = field(default_factory=Suspicion)


def predictive_check(problem: CampaignProblem, x: FloatArray, rng: np.random.Generator) -> PredictiveCheck:
    """Check the fit at whitened vector x (D,), a posterior mode.

    Parameters
    ----------
    problem : CampaignProblem
    x : ndarray (D,)
    rng : Generator

    Returns
    -------
    PredictiveCheck
    """
    likelihood = problem.likelihood
    unknowns = problem.unknowns
    size = x.size
    steps = DERIVATIVE_STEP * np.eye(size)
    batch = np.concatenate([x[None], x + steps, x - steps])
    ratios = likelihood.predict(unknowns.parameters(batch))
    slopes = [(r[1 : 1 + size] - r[1 + size :]) / (2 * DERIVATIVE_STEP) for r in ratios]
    _, information = unknowns.prior_curvature(x)
    for family, slope in zip(likelihood.families, slopes, strict=True):
        information = information + family.gram(slope)
    scale = unknowns.data_value(NOISE_SCALE, x[None])
    loud = 1.0 if scale is None else float(scale[0])
    residuals = [
        np.concatenate([(f.ratio - r[0])[None] / loud, f.draw_noise(rng, REPLICATES)])
        for f, r in zip(likelihood.families, ratios, strict=True)
    ]
    suspect = suspicion(problem, x, [r[0] for r in ratios], slopes, [r[0] for r in residuals], loud)
    if likelihood.noise.measured:  # by few repeats: the true level is not the measured one
        levels = level_draws(likelihood.digest, rng, REPLICATES)
        for family, residual in zip(likelihood.families, residuals, strict=True):
            for k, key in enumerate(family.on_keys):
                residual[1:, k] /= np.sqrt(levels[key])[:, :, None] if key in levels else 1.0
    _add_slow_noise(likelihood.families, residuals, rng)
    # the same linear fit for the replicates (row 0, the data, is at its maximum already)
    score = np.zeros((REPLICATES, size))
    shares: dict[int, FloatArray] = {}
    for family, slope, residual in zip(likelihood.families, slopes, residuals, strict=True):
        every = np.concatenate([slope, residual[1:]])
        gram = family.gram(every)
        score += gram[size:, :size]
        if family.slow is not None:
            shares[family.isolator] = shares.get(family.isolator, 0.0) + family.slow_scores(every)
    for share in shares.values():
        information = information - share[:size] @ share[:size].T
        score -= share[size:] @ share[:size].T
    for family, ratio, slope in zip(likelihood.families, ratios, slopes, strict=True):
        if family.notch is not None:  # points with a law of their own pull at the fit too
            square = family.notch.square_slopes(ratio[0], slope) * (
                loud * np.sqrt(family.notch.by_square(ratio[0], loud)[1])
            )
            information = information + square @ square.T
            score += rng.standard_normal((REPLICATES, square.shape[1])) @ square.T
    covariance = np.linalg.inv(information)
    shift = score @ covariance
    total = np.zeros(REPLICATES + 1)
    smooth = np.zeros(REPLICATES + 1)
    left: dict[int, FloatArray] = {}
    groups: list[FloatArray] = []
    names: list[str] = []
    for family, slope, residual in zip(likelihood.families, slopes, residuals, strict=True):
        residual[1:] -= np.tensordot(shift, slope, axes=1)
        total += family.quadratic(residual)
        if family.slow is not None:
            left[family.isolator] = left.get(family.isolator, 0.0) + family.slow_scores(residual)
        cleaned = _whitened(family, residual)
        groups.extend(np.sum(np.abs(cleaned) ** 2, axis=(2, 3)).T)
        names.extend(k.describe() for k in family.on_keys)
        orders = min(SMOOTH_ORDERS, cleaned.shape[-1])
        low = dct(cleaned.real, axis=-1, norm="ortho")[..., :orders] ** 2
        low = low + dct(cleaned.imag, axis=-1, norm="ortho")[..., :orders] ** 2
        smooth += low.sum(axis=(1, 2, 3))
    for share in left.values():
        total -= np.sum(share**2, axis=1)
    table = np.array(groups)  # (groups, 1 + replicates)
    scaled = (table - table[:, 1:].mean(axis=1, keepdims=True)) / table[:, 1:].std(axis=1, ddof=1, keepdims=True)
    worst = int(np.argmax(scaled[:, 0]))
    p_total, p_smooth = gamma_tail(total), gamma_tail(smooth)
    p_worst = min(1.0, gamma_tail(table[worst]) * len(names))
    return PredictiveCheck(
        total=p_total,
        worst_group=p_worst,
        smooth=p_smooth,
        chi_square=float(total[0]),
        degrees=float(total[1:].mean()),
        worst_name=names[worst],
        p_value=float(min(1.0, 3 * min(p_total, p_worst, p_smooth))),
        suspicion=suspect,
    )


def _add_slow_noise(families: list[Family], residuals: list[ComplexArray], rng: np.random.Generator) -> None:
    """Add draws of the slow flux noise, which an isolator's families have in common, to the replicates (rows 1 on)."""
    drawn: dict[int, FloatArray] = {}
    for family, residual in zip(families, residuals, strict=True):
        if family.slow_directions is None:
            continue
        if family.isolator not in drawn:
            drawn[family.isolator] = rng.standard_normal((REPLICATES, len(family.slow_directions)))
        residual[1:] += np.tensordot(drawn[family.isolator], family.slow_directions, axes=1)


def _whitened(family: Family, residual: ComplexArray) -> ComplexArray:
    """Residuals less their most probable gain and flux errors, in standard deviations of the pump-on noise."""
    flat = np.ascontiguousarray(residual).reshape(len(residual), -1).view(np.float64)
    if len(family.directions):
        count = len(family.directions)
        flat_d = family.directions.reshape(count, -1).view(np.float64)
        weighed = family.weigh(family.directions).reshape(count, -1).view(np.float64)
        amplitudes = np.linalg.solve(flat_d @ weighed.T + np.eye(count), weighed @ flat.T)
        residual = residual - np.tensordot(amplitudes.T, family.directions, axes=1)
    return np.asarray(residual * np.sqrt(family.precision))


def gamma_tail(values: FloatArray) -> float:
    """Probability of a misfit above values[0], from a gamma distribution fitted to the replicates by its moments."""
    mean, variance = float(values[1:].mean()), float(values[1:].var(ddof=1))
    if variance <= 0 or mean <= 0:
        return 1.0
    return float(gammaincc(mean**2 / variance, max(values[0], 0.0) * mean / variance))


def estimate_residual_gain(likelihoods: dict[float, RatioLikelihood], parameters: ChipParameters) -> float:
    """The residual gain error under which the data are most probable at given parameters.

    Parameters
    ----------
    likelihoods : dict
        Candidates by their residual gain; the smallest is the stated one and wins unless another is better by more than
        4 in log-likelihood.
    parameters : ChipParameters
        Batch of one.

    Returns
    -------
    float
    """
    value = {
        gain: float(like.log_likelihood(parameters)[0]) - 0.5 * like.log_volume for gain, like in likelihoods.items()
    }
    stated = min(value)
    best = max(value, key=lambda gain: value[gain])
    return best if value[best] > value[stated] + 4.0 else stated
