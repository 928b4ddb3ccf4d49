"""Learning what no study can state: how large the remainder is, and how far flux and gain wander.

Each size has a half-normal prior whose scale is said in per cent or in flux quanta.  The data are asked by their evidence
with every unknown integrated over (`Linearised.log_evidence`): where a drift could pass for a source the data say nothing of
its size, and the answer is as wide as the prior makes it; a size at which the unknowns are held would be learned as zero
there.  What is used is the root of the posterior mean of the square, since variances add.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes

FloatArray = npt.NDArray[np.float64]

GRID: Final = (0.05, 0.15, 0.35, 0.7, 1.2, 2.0)
"""In units of the prior's scale."""
ROUNDS: Final = 2
ORDER: Final = ("common", "flux_walk_phi0", "gain_walk", "own")


def learned_sizes(problem: CampaignProblem, x: FloatArray, scales: Sizes) -> Sizes:
    """Sizes from the data about a mode x (D,).

    Parameters
    ----------
    problem : CampaignProblem
        On few frequencies: the remainder and the walks are smooth.
    x : ndarray (D,)
    scales : Sizes
        Of the half-normal priors; a size of zero stays zero.

    Returns
    -------
    Sizes
    """
    wanted = [name for name in ORDER if getattr(scales, name) > 0]
    if not wanted:
        return Sizes()
    thin = problem.likelihood
    explicit, wide = problem.explicit(x)
    at = Linearised.of(explicit, wide)
    sizes = replace(scales, **{name: 0.3 * getattr(scales, name) for name in wanted})
    for _ in range(ROUNDS):
        for name in wanted:
            scale = float(getattr(scales, name))
            values = scale * np.array(GRID)
            logs = np.array([_log_evidence(at, thin, explicit, replace(sizes, **{name: float(v)})) for v in values])
            logs -= 0.5 * (values / scale) ** 2
            weight = np.exp(logs - logs.max()) * np.gradient(values)
            sizes = replace(sizes, **{name: float(np.sqrt(weight @ values**2 / weight.sum()))})
    return sizes


def _log_evidence(at: Linearised, thin: RatioLikelihood, explicit: CampaignProblem, sizes: Sizes) -> float:
    other = CampaignProblem(explicit.unknowns, thin.rebuilt(sizes=sizes), integrate=False)
    return at.under(other).log_evidence
