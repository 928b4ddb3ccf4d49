"""Reflections S11 and S22: a check of the fit to transmission, which they take no part in.

A raw reflection trace holds, beside the isolator's reflection through the line, what the line itself reflects:

    d_k(f) = G(f) S_k(f) + B(f) + n_k(f),

with G and B free at every frequency and S_k as the line ends, known from transmission, make it.  Transmission has no B, and
its line gain is found from every record; so the fit rests on transmission, and S11 and S22, of which it has seen nothing, must
then follow its predictions up to G and B, and up to what transmission leaves open: with r the whitened residual, A its slopes
by the parameters and C their covariance, r has the covariance 1 + A C A^T, and r^T (1 + A C A^T)^-1 r is compared with the number
of values.  (Line ends above all: each known to some per cent, they turn a reflection near 1 by as much, many times the noise.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.characterize.fit import RIVAL_CHI2, IsolatorFit, as_either, finish, for_trials, solve
from fluxsense.characterize.model import IsolatorModel
from fluxsense.device.chip import LINE_ARRAYS

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

FEWEST: Final = 8
"""Records on one frequency grid that the check needs."""
SURE: Final = 1.12
FOLLOWS: Final = 1.25
"""Squared residual over noise up to which a fit is in the right valley (0.8 to 1.06 there), and up to which reflections follow it."""
SIGN_ODDS: Final = 4.6
"""Log odds (99 to 1) from which reflections tell an arrangement from its mirror image."""
NOISE_ROUNDS: Final = 3
"""How often noise is taken anew from what is left."""
SLOPE_STEP: Final = 0.05
"""Step of central differences, in parts of what matters of a parameter."""
DRAWS: Final = 8
"""Fits from drawn line ends at most, where reflections do not follow or there are none."""
DRAWN: Final = (0.5, 1.0)
"""Prior deviations of the line ends drawn, in turn."""
SAME_CHI2: Final = 5.0
"""Difference of chi-square up to which two fits are one."""
SURE_HITS: Final = 3
"""Times that the best valley has to be found where no reflections say that it is right."""


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
    odds : float
        Log odds for the columns as they are: half the difference of the two sums of squares.
    chose : bool
        Whether S11 and S22 alone told the fit from its mirror image.
    """

    scatter: float
    swapped: float
    records: int
    odds: float
    chose: bool = False


def check_reflection(fit: IsolatorFit) -> Reflection | None:
    """Compare measured reflections with the fitted model, with what the fit leaves open; None if there are too few.

    White noise is what second differences along frequency show of that which the better of the two descriptions leaves.
    """
    pieces, records = _pieces(fit, fit.model.of(for_trials(fit.model.records, fit.tracks)))
    if not pieces:
        return None
    values = sum(2 * (p.measured.size - 2 * p.measured.shape[1]) for p in pieces)  # two quadratures, less G and B
    noise = [_noise(_residual(p.measured, p.predicted[0], p.count)[0], p.count) for p in pieces]
    root, squares = _root(fit.covariance), [0.0, 0.0]
    for _ in range(NOISE_ROUNDS):
        left: list[list[ComplexArray]] = [[], []]
        for crossed in (0, 1):
            squares[crossed], left[crossed] = _fitted(pieces, noise, fit.drift, crossed, root)
        noise = [min(_noise(one, p.count), _noise(other, p.count)) for p, one, other in zip(pieces, *left, strict=True)]
    return Reflection(squares[0] / values, squares[1] / values, records, 0.5 * (squares[1] - squares[0]))


@dataclass(frozen=True)
class _Traces:
    """Reflections of one port in one block, measured (K, F), as predicted for either port, and derivatives (D, K, F) of those."""

    measured: ComplexArray
    count: FloatArray
    predicted: tuple[ComplexArray, ComplexArray]
    slopes: tuple[ComplexArray, ComplexArray]


def _pieces(fit: IsolatorFit, model: IsolatorModel) -> tuple[list[_Traces], int]:
    """What is compared, at the frequencies of a model, and of how many records."""
    pieces, records = [], 0
    each = zip(fit.model.blocks, model.blocks, model.reflections(fit.vector), _slopes(model, fit.vector), strict=True)
    for whole, block, predicted, slopes in each:
        here = [(n, x) for n, x in enumerate(fit.model.records[m].reflection for m in whole.rows) if x is not None]
        if len(here) < FEWEST:
            continue
        rows = [n for n, _ in here]
        some = np.searchsorted(whole.frequency_hz, block.frequency_hz)
        measured = np.array([x for _, x in here])[..., some]
        records += len(rows)
        for p in (0, 1):
            of = [(predicted[rows, q], slopes[:, rows, q]) for q in (p, 1 - p)]
            pieces.append(_Traces(measured[:, p], block.count[rows, None], (of[0][0], of[1][0]), (of[0][1], of[1][1])))
    return pieces, records


def _fitted(
    pieces: list[_Traces], noise: list[float], drift: float, crossed: int, root: FloatArray
) -> tuple[float, list[ComplexArray]]:
    """Sum of squares over the variance, the fit's own freedom taken best, and what is left of every piece (K, F)."""
    total, gradient, information, parts = 0.0, np.zeros(root.shape[1]), np.eye(root.shape[1]), []
    for piece, white in zip(pieces, noise, strict=True):
        d = piece.measured
        weight = 1.0 / (white**2 / piece.count + drift**2 * np.abs(d) ** 2 + 1e-300)
        r, gain = _residual(d, piece.predicted[crossed], weight)
        slopes = _residual(gain * piece.slopes[crossed], piece.predicted[crossed], weight)[0]
        moved = root.T @ (slopes * np.sqrt(weight)).reshape(len(slopes), -1).view(np.float64)
        total += float(np.sum(weight * np.abs(r) ** 2))
        gradient += moved @ (r * np.sqrt(weight)).ravel().view(np.float64)
        information += moved @ moved.T
        parts.append((r, slopes))
    best = np.linalg.solve(information, gradient)
    left = [r - np.tensordot(root @ best, slopes, axes=1) for r, slopes in parts]
    return total - float(gradient @ best), left


def _root(covariance: FloatArray) -> FloatArray:
    """L (D, D) with L L^T the covariance."""
    size = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(size, size))
    return np.asarray(size[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _slopes(model: IsolatorModel, vector: FloatArray) -> list[ComplexArray]:
    """Derivatives (D, K, 2, F) of every block's reflections by the parameters, from central differences."""
    out = [np.empty((vector.size, len(b.rows), 2, b.frequency_hz.size), dtype=np.complex128) for b in model.blocks]
    between = model.between_ends(vector)  # the same for all values of line ends and direct paths
    for n, p in enumerate(model.parameters):
        above, below = vector.copy(), vector.copy()
        above[n], below[n] = min(vector[n] + SLOPE_STEP * p.sd, p.high), max(vector[n] - SLOPE_STEP * p.sd, p.low)
        known = between if p.array in LINE_ARRAYS else None
        pairs = zip(model.reflections(above, known), model.reflections(below, known), strict=True)
        for slopes, (up, down) in zip(out, pairs, strict=True):
            slopes[n] = (up - down) / (above[n] - below[n])
    return out


def arranged(fit: IsolatorFit, rng: np.random.Generator) -> tuple[IsolatorFit, Reflection | None]:
    """The fit, or another that transmission bears better or as well and that reflections follow; and how they follow it.

    Line ends, hybrid and pump ports make many valleys for the fit to end in (`_with_other_ends`).  Nor does transmission tell an
    arrangement of the set-up from its mirror image (`IsolatorModel.mirrored`), whose reflections are those of the other port,
    unless the pump phase is swept: the mirror image is taken where reflections follow the other port's better.  Where they do
    not tell, or there are none, uncertainties hold both signs.

    Parameters
    ----------
    fit : IsolatorFit
    rng : Generator
        Used only where reflections do not follow the fit, or there are none.
    """
    seen = check_reflection(fit)
    model, levels = fit.model, fit.levels
    if not fit.pumped:
        return fit, seen
    told = model.sweeps_phase
    best, seen = _with_other_ends(fit, seen, rng)
    if not told and seen is not None and seen.swapped < FOLLOWS and seen.odds < 0:
        best = model.mirrored(best)
    if best is not fit.vector:
        solved = solve(model, best, range(len(model.parameters)), levels, 25, fit.priors)
        done = finish(model, solved, levels, fit.tracks, fit.shapes, True, fit.wiring_odds, fit.priors)
        fit = replace(done, rival_odds=fit.rival_odds)
        seen = check_reflection(fit) or seen
    told = told or (seen is not None and (abs(seen.odds) > SIGN_ODDS or not _followed(fit, seen)))
    if seen is not None and told and not model.sweeps_phase and _followed(fit, seen):
        seen = replace(seen, chose=True)
    return fit if told else as_either(fit), seen


def _followed(fit: IsolatorFit, seen: Reflection, most: float = FOLLOWS) -> bool:
    """Whether reflections follow the fit, or its mirror image where transmission does not tell which it is."""
    return _scatter(fit, seen) < most


def _with_other_ends(
    fit: IsolatorFit, seen: Reflection | None, rng: np.random.Generator
) -> tuple[FloatArray, Reflection | None]:
    """The vector (D,) of the best valley that fits from drawn line ends find, and how reflections follow it.

    A fit that reflections surely follow stays.  Else line ends are drawn from their prior until they follow a fit that is the best
    one or nearly; without reflections, until the best one has been found `SURE_HITS` times.
    """
    every = range(len(fit.model.parameters))
    ends = [n for n in every if fit.model.parameters[n].array == "line_end"]
    best = fit.vector
    if not ends or (seen is not None and _followed(fit, seen, SURE)):
        return best, seen
    few = fit.model.of(for_trials(fit.model.records, fit.tracks))
    chi2, hits = solve(few, best, every, fit.levels, 2, fit.priors).chi2, 1
    sizes = np.array([fit.model.parameters[n].sd for n in ends])
    for draw in range(DRAWS):
        start = best.copy()
        start[ends] = DRAWN[draw % len(DRAWN)] * sizes * rng.standard_normal(len(ends))
        found = solve(few, start, every, fit.levels, 15, fit.priors)
        other = check_reflection(replace(fit, vector=found.vector))
        if found.chi2 < chi2 + RIVAL_CHI2 or (other is not None and _followed(fit, other, SURE)):  # ridges are long
            found = solve(few, found.vector, every, fit.levels, 40, fit.priors)
            other = check_reflection(replace(fit, vector=found.vector))
        if found.chi2 > chi2 + RIVAL_CHI2:
            continue
        better = found.chi2 < chi2 - SAME_CHI2
        if not better and other is not None and seen is not None:  # as good, or nearly: reflections tell
            better = _scatter(fit, other) < _scatter(fit, seen)
        hits = 1 if found.chi2 < chi2 - SAME_CHI2 else hits + int(found.chi2 < chi2 + SAME_CHI2)
        if better:
            best, seen, chi2 = found.vector, other, min(chi2, found.chi2)
        if hits >= SURE_HITS if seen is None else _followed(fit, seen, SURE):
            break
    return best, seen


def _scatter(fit: IsolatorFit, seen: Reflection) -> float:
    return seen.scatter if fit.model.sweeps_phase else min(seen.scatter, seen.swapped)


def _noise(left: ComplexArray, count: FloatArray) -> float:
    """White noise of one sweep, from second differences along frequency of what is left of K traces (K, F)."""
    bends = np.abs(np.diff(left * np.sqrt(count), 2, axis=1)) ** 2
    # median of an exponential variable: ln 2 times its mean, which is 12 s^2 for second differences
    return float(np.sqrt(np.median(bends) / np.log(2) / 12.0 * len(left) / (len(left) - 2)))


def _residual(d: ComplexArray, s: ComplexArray, weight: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """What is left of d (..., K, F) after the weighted best G s + B at every frequency, and G (..., 1, F)."""
    weight = np.broadcast_to(weight, d.shape[-2:])
    total = weight.sum(axis=-2, keepdims=True)
    d = d - (weight * d).sum(axis=-2, keepdims=True) / total
    s = s - (weight * s).sum(axis=-2, keepdims=True) / total
    power = (weight * np.abs(s) ** 2).sum(axis=-2, keepdims=True)
    gain = (weight * np.conj(s) * d).sum(axis=-2, keepdims=True) / np.maximum(power, 1e-300)
    return np.asarray(d - gain * s), np.asarray(gain)


__all__ = ["Reflection", "arranged", "check_reflection"]
