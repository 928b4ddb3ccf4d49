"""Reflections S11 and S22: a check of the fit to transmission, which they take no part in.

A raw reflection trace holds, beside the isolator's reflection through the line, what the line itself reflects:

    d_k(f) = G(f) S_k(f) + B(f) + n_k(f),

with G and B free at every frequency and S_k as the line ends, known from transmission, make it.  Transmission has no B, and
its line gain is found from every record; so the fit rests on transmission, and S11 and S22, of which it has seen nothing, must
then follow its predictions up to G and B.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.characterize.fit import RIVAL_CHI2, IsolatorFit, as_either, finish, solve

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

FEWEST: Final = 8
"""Records on one frequency grid that the check needs."""
POOR_CHI2: Final = 1.5
"""Squared residual over noise beyond which a description is poor."""
DRAWS: Final = 4
"""Fits from drawn line ends, where reflections do not follow."""


@dataclass(frozen=True)
class Reflection:
    """How well reflections follow the fit.

    Attributes
    ----------
    scatter : float
        Squared residual over noise, 1 if the fit describes them; of S11 and S22 together.
    swapped : float
        The same with the two files' columns exchanged.
    records : int
    """

    scatter: float
    swapped: float
    records: int


def check_reflection(fit: IsolatorFit) -> Reflection | None:
    """Compare measured reflections with the fitted model; None if there are too few."""
    straight, crossed, values, records = 0.0, 0.0, 0, 0
    for block, predicted in zip(fit.model.blocks, fit.model.reflections(fit.vector), strict=True):
        here = [(n, x) for n, x in enumerate(fit.model.records[m].reflection for m in block.rows) if x is not None]
        if len(here) < FEWEST:
            continue
        rows = [n for n, _ in here]
        measured = np.array([x for _, x in here])
        records += len(rows)
        values += measured[:, 0].size - 2 * measured.shape[2]
        for p in (0, 1):
            own = _scatter(measured[:, p], predicted[rows, p], block.count[rows], fit.drift)
            other = _scatter(measured[:, p], predicted[rows, 1 - p], block.count[rows], fit.drift, own[1])
            straight += own[0]
            crossed += other[0]
    if not values:
        return None
    return Reflection(straight / (4 * values), crossed / (4 * values), records)  # two traces, two quadratures


def arranged(fit: IsolatorFit, rng: np.random.Generator) -> tuple[IsolatorFit, Reflection | None]:
    """The fit, or another that transmission bears as well and that reflections follow; and how they follow it.

    Transmission does not tell an arrangement of the set-up from its mirror image (`IsolatorModel.mirrored`), and the fit may
    have ended in a valley of wrong line ends; reflections show both.  Tried are the mirror image, and fits from line ends
    drawn at half their prior with theirs.  Without reflections, uncertainties hold both signs.

    Parameters
    ----------
    fit : IsolatorFit
    rng : Generator
        Used only where reflections do not follow the fit.
    """
    seen = check_reflection(fit)
    model, levels = fit.model, fit.levels
    if not fit.pumped or model.sweeps_phase:
        return fit, seen
    if seen is None:
        return as_either(fit), None
    every = range(len(model.parameters))
    ends = [n for n in every if model.parameters[n].array == "line_end"]
    best = here = solve(model, fit.vector, every, levels, 2, fit.priors)
    for attempt in range(1 + DRAWS):
        if seen.scatter < POOR_CHI2 or (attempt and not ends):
            break
        start = model.mirrored(fit.vector)
        if attempt:
            start = fit.vector.copy()
            start[ends] = [0.5 * model.parameters[n].sd * rng.standard_normal() for n in ends]
        found = solve(model, start, every, levels, 30, fit.priors)
        images = [found, replace(found, vector=model.mirrored(found.vector))] if attempt else [found]
        for one in images:
            other = check_reflection(replace(fit, vector=one.vector))
            if other is not None and one.chi2 < best.chi2 + RIVAL_CHI2 and other.scatter < seen.scatter:
                best, seen = one, other
    if best is here:
        return fit, seen
    best = solve(model, best.vector, every, levels, 15, fit.priors)
    done = finish(model, best, levels, fit.tracks, fit.shapes, True, fit.wiring_odds, fit.priors)
    done = replace(done, rival_odds=fit.rival_odds)
    return done, check_reflection(done)


def _scatter(
    d: ComplexArray, s: ComplexArray, count: FloatArray, drift: float, noise: float | None = None
) -> tuple[float, float]:
    """Sum of squared residuals over their variance per quadrature, and the white noise of one sweep.

    Parameters
    ----------
    d, s : ndarray (K, F) of complex
        Measured and predicted.
    count : ndarray (K,)
    drift : float
        Gain error per quadrature of a record.
    noise : float, optional
        From second differences of the residual along frequency if not given.
    """
    weight = np.broadcast_to(count[:, None], d.shape).astype(np.float64)
    if noise is None:
        bends = np.abs(np.diff(_residual(d, s, weight) * np.sqrt(weight), 2, axis=1)) ** 2
        # median of an exponential variable: ln 2 times its mean, which is 12 s^2 for second differences
        noise = float(np.sqrt(np.median(bends) / np.log(2) / 12.0 * len(d) / (len(d) - 2)))
    weight = 1.0 / (noise**2 / weight + drift**2 * np.abs(d) ** 2 + 1e-300)
    residual = _residual(d, s, weight)
    return float(np.sum(weight * np.abs(residual) ** 2)), noise


def _residual(d: ComplexArray, s: ComplexArray, weight: FloatArray) -> ComplexArray:
    """What is left of d after the weighted best G s + B at every frequency."""
    total = weight.sum(axis=0)
    d = d - (weight * d).sum(axis=0) / total
    s = s - (weight * s).sum(axis=0) / total
    power = (weight * np.abs(s) ** 2).sum(axis=0)
    gain = (weight * np.conj(s) * d).sum(axis=0) / np.maximum(power, 1e-300)
    return np.asarray(d - gain * s)


__all__ = ["Reflection", "arranged", "check_reflection"]
