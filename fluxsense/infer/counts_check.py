"""Do counts of transmission look like draws of the model?"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from fluxsense.data.settings import group_name
from fluxsense.infer.counts import VoteProblem
from fluxsense.infer.predictive import PredictiveCheck, gamma_tail

FloatArray = npt.NDArray[np.float64]

CHECK_DRAWS = 400


def vote_check(problem: VoteProblem, drawn: FloatArray, rng: np.random.Generator) -> PredictiveCheck:
    """Posterior predictive check: deviance of the counts against that of counts drawn from the model.

    Parameters
    ----------
    problem : VoteProblem
    drawn : ndarray (N, D)
        Posterior draws.
    rng : Generator

    Returns
    -------
    PredictiveCheck
        total from a gamma law fitted to replicated deviances; worst_group from two-sided probabilities of the counts, times
        the number of groups; both averaged over the draws.  There is no smooth part.
    """
    x = np.ascontiguousarray(drawn[np.linspace(0, len(drawn) - 1, min(CHECK_DRAWS, len(drawn))).astype(int)])
    data, copies = problem.misfits(x, rng, replicates=25)
    total = gamma_tail(np.concatenate([[data.sum(axis=1).mean()], copies.sum(axis=2).ravel()]))
    each = problem.tail_probabilities(x).mean(axis=0)
    worst = int(np.argmin(each))
    worst_p = float(min(1.0, each[worst] * len(each)))
    return PredictiveCheck(
        total=total,
        worst_group=worst_p,
        smooth=1.0,
        chi_square=float(data.sum(axis=1).mean()),
        degrees=float(copies.sum(axis=2).mean()),
        worst_name=group_name(problem.model.study, tuple(problem.votes)[worst]),
        p_value=float(min(1.0, 2 * min(total, worst_p))),
    )
