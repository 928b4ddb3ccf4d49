"""Probabilities of statements on the direction, from posterior draws with their Monte Carlo error, and closed forms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import unit_vectors

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Probability:
    """A probability with its Monte Carlo error.

    Attributes
    ----------
    value, sd : float
    smallest : float
        What cannot be told from 0 or 1 with that many effective draws: at 95% confidence none among n means a
        probability below 3/n (the rule of three; from -ln 0.05 = 2.996).
    """

    value: float
    sd: float
    smallest: float


def fraction(inside: npt.ArrayLike, effective: float | None = None) -> Probability:
    """Share of posterior draws for which a statement is true.

    Parameters
    ----------
    inside : array_like of bool (N,) or (E, ...)
        With two or more axes the first counts independent ensembles, whose scatter also enters the error.
    effective : float, optional
        Effective number of draws; all of them by default.

    Returns
    -------
    Probability

    Raises
    ------
    InputError
        Without draws.
    """
    table = np.asarray(inside, dtype=np.float64)
    if table.size == 0:
        raise InputError("there are no posterior draws", remedy="Run the inference first")
    count = float(table.size if effective is None else min(max(effective, 1.0), table.size))
    value = float(table.mean())
    sd = float(np.sqrt(value * (1 - value) / count))
    if table.ndim > 1 and table.shape[0] > 1:
        per_ensemble = table.reshape(table.shape[0], -1).mean(axis=1)
        sd = max(sd, float(per_ensemble.std(ddof=1) / np.sqrt(table.shape[0])))
    return Probability(value, sd, min(1.0, 3.0 / count))


def _cosines(directions: npt.ArrayLike, axis: npt.ArrayLike) -> FloatArray:
    unit = unit_vectors(np.asarray(axis, dtype=np.float64))
    return np.asarray(np.asarray(directions, dtype=np.float64) @ unit)


def within_cone(
    directions: npt.ArrayLike, axis: npt.ArrayLike, half_angle_rad: float, effective: float | None = None
) -> Probability:
    """Probability that the direction lies within a cone about an axis.

    Parameters
    ----------
    directions : array_like (..., 3)
        Unit vectors of posterior draws; see `fraction` for the leading axes.
    axis : array_like (3,)
    half_angle_rad : float
        In rad, from 0 to pi.
    effective : float, optional

    Raises
    ------
    InputError
        If the half-angle is not between 0 and pi.
    """
    if not 0 <= half_angle_rad <= np.pi:
        raise InputError(
            f"the half-angle of a cone is {half_angle_rad:g} rad", remedy="Give an angle from 0 to 180 degrees"
        )
    d = np.asarray(directions, dtype=np.float64)
    unit = unit_vectors(np.asarray(axis, dtype=np.float64))
    across = np.sqrt(np.sum(np.cross(d, unit) ** 2, axis=-1))
    return fraction(np.arctan2(across, d @ unit) <= half_angle_rad, effective)


def in_hemisphere(directions: npt.ArrayLike, axis: npt.ArrayLike, effective: float | None = None) -> Probability:
    """Probability that the direction has a positive component along an axis."""
    return fraction(_cosines(directions, axis) > 0, effective)


def nearer(
    directions: npt.ArrayLike, first: npt.ArrayLike, second: npt.ArrayLike, effective: float | None = None
) -> Probability:
    """Probability that the direction is nearer the first of two directions."""
    return fraction(_cosines(directions, first) > _cosines(directions, second), effective)


def wrong_sign(directions: npt.ArrayLike, axis: npt.ArrayLike, effective: float | None = None) -> Probability:
    """Probability that the component along an axis has the other sign than the one most draws have."""
    p = in_hemisphere(directions, axis, effective)
    return Probability(min(p.value, 1 - p.value), p.sd, p.smallest)


def list_probabilities(log_evidence: Sequence[float], prior: Sequence[float] | None = None) -> FloatArray:
    """Probabilities of a list of hypotheses from their log evidence (Bayes' theorem).

    Parameters
    ----------
    log_evidence : sequence of float
    prior : sequence of float, optional
        Prior weights; equal ones by default.

    Raises
    ------
    InputError
        If the prior weights are not positive or of another number.
    """
    values = np.asarray(log_evidence, dtype=np.float64)
    weights = np.ones(values.size) if prior is None else np.asarray(prior, dtype=np.float64)
    if weights.shape != values.shape or not np.all(weights > 0):
        raise InputError("the prior weights do not fit the hypotheses", remedy="Give one positive weight for each")
    joint = values + np.log(weights)
    return np.asarray(np.exp(joint - logsumexp(joint)))
