"""Do the data look like draws of the model?

Residuals at the best mode are compared with residuals of replicated noise that went through the same linear fit.
Three figures are watched: the total misfit, the worst single group, and the smooth part (low cosine orders along
frequency), to which a wrong resonance or a wrong chip shows long before it shows in the total.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.fft import dct
from scipy.special import gammaincc

from fluxsense.data.noise_levels import level_draws
from fluxsense.data.settings import group_name
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.score_tests import Suspicion, suspicion
from fluxsense.model.family import reals
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised

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

    @property
    def figure(self) -> str:
        """Which of the three is least probable: "total", "worst_group" or "smooth"."""
        return min(("total", "worst_group", "smooth"), key=lambda name: float(getattr(self, name)))


def predictive_check(at: Linearised, rng: np.random.Generator) -> PredictiveCheck:
    """Check the fit at a posterior mode.

    Parameters
    ----------
    at : Linearised
        About the mode, with every unknown explicit.
    rng : Generator

    Returns
    -------
    PredictiveCheck
    """
    likelihood = at.likelihood
    suspect = suspicion(at)
    residuals = _replicates(likelihood, at.residuals, rng)
    # the same linear fit for the replicates (row 0, the data, is at its maximum already)
    score = sum(reals(residual[1:]) @ weighed.T for residual, weighed in zip(residuals, at.weighed_slopes, strict=True))
    for one in at.notches.values():  # points with a law of their own pull at the fit too
        pull = one.square * (at.loud * np.sqrt(one.weight))
        score = score + rng.standard_normal((REPLICATES, pull.shape[1])) @ pull.T
    shift = (score @ at.covariance) / at.loud**2
    for residual, slope in zip(residuals, at.slopes, strict=True):
        # in place: these arrays are what a run needs most memory for
        residual[1:] -= np.tensordot(shift, slope, axes=1)
    total = likelihood.quadratic(residuals)
    smooth = np.zeros(REPLICATES + 1)
    groups: list[FloatArray] = []
    names: list[str] = []
    for family, left in zip(likelihood.families, likelihood.cleaned(residuals), strict=True):
        cleaned = left * np.sqrt(family.precision)
        groups.extend(np.sum(np.abs(cleaned) ** 2, axis=(2, 3)).T)
        names.extend(group_name(likelihood.study, k) for k in family.keys)
        orders = min(SMOOTH_ORDERS, cleaned.shape[-1])
        low = dct(cleaned.real, axis=-1, norm="ortho")[..., :orders] ** 2
        low = low + dct(cleaned.imag, axis=-1, norm="ortho")[..., :orders] ** 2
        smooth += low.sum(axis=(1, 2, 3))
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


def _replicates(
    likelihood: RatioLikelihood, data: Sequence[ComplexArray], rng: np.random.Generator
) -> list[ComplexArray]:
    """Residuals (1 + N, K, 2, F) per family: those of the data and draws of the noise of the ratios.

    Where the noise's level was measured by few repeats, the true one is not the measured one.
    """
    out = []
    for family, own in zip(likelihood.families, data, strict=True):
        out.append(np.empty((1 + REPLICATES, *own.shape), dtype=np.complex128))
        out[-1][0], out[-1][1:] = own, family.draw_noise(rng, REPLICATES)
    if likelihood.noise.measured:
        levels = level_draws(likelihood.digest, rng, REPLICATES)
        for family, residual in zip(likelihood.families, out, strict=True):
            for k, key in enumerate(family.keys):
                if key in levels:
                    residual[1:, k] /= np.sqrt(levels[key])[:, :, None]
    for residual, common in zip(out, likelihood.draw_common(rng, REPLICATES), strict=True):
        residual[1:] += common
    return out


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
