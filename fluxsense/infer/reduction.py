"""Reduced quadrature: the likelihood from a few frequencies, with its error measured.

Over the region that a posterior occupies, the traces of a family move in few directions.  From training points drawn
there, this module takes an orthonormal basis of those directions (in the metric of the inverse covariance), picks
frequencies by a column-pivoted QR factorisation of the basis (Drmac & Gugercin, SIAM J. Sci. Comput. 38, A631 (2016),
from memory), and finds the linear map from the model's values at these frequencies to the coefficients in the basis.
The likelihood's quadratic forms then follow from the coefficients alone, so that a sweep of 2000 points costs what a
few points cost.

The error of the log-likelihood is measured at fresh points.  If it exceeds the tolerance with the most frequencies
allowed, all points are used.  Outside the region of the training points the full likelihood is evaluated.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import qr

from fluxsense.base.streams import stream
from fluxsense.infer.mixture import StudentMixture
from fluxsense.model.family import Family
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.parameter import NOISE_SCALE
from fluxsense.model.problem import CampaignProblem, Curvatures
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.intp]

TOLERANCE = 1e-3
"""Largest error of log-likelihood differences accepted at the worst test point; more, in proportion, beyond 200 from the best."""
NODE_COUNTS = (8, 12, 16, 24, 32, 48)
TRAINING = 300
TESTING = 100
BASIS_TOLERANCE = 1e-4
"""Largest part of a training trace, in standard deviations, that the basis may leave out."""
WIDEN = 1.3
PHASE_TRAINING = 60
"""Training points of which the change with the pump phase is taken; it moves in fewer directions than the traces do."""
SKETCH = 96
"""Directions looked for at first; the decomposition of all follows only where these are not enough."""


@dataclass(frozen=True)
class Reduced:
    """One family in its basis: maps node values (interleaved reals) to coefficients.

    mean_nodes: node values of the centre; lift (M, R); offset (M,): coefficients of the data's residual at the centre;
    constant: the squared length of what the basis does not hold.  slow (Z, M) and slow_offset (Z,): the share of the scores
    of slow flux noise per coefficient, and that of what the basis does not hold of the residual.
    """

    isolator: int
    mean_nodes: FloatArray
    lift: FloatArray
    offset: FloatArray
    constant: float
    slow: FloatArray | None = None
    slow_offset: FloatArray | None = None

    def coefficients(self, stack: ComplexArray) -> FloatArray:
        """Coefficients (B, 3, M) of residual, -q and -p for predicted (B, 3, K, 2, n) of mu, q and p at the nodes."""
        flat = np.ascontiguousarray(stack).reshape(stack.shape[0], 3, -1).view(np.float64)
        flat[:, 0] -= self.mean_nodes
        out = -(flat @ self.lift.T)
        out[:, 0] += self.offset
        return np.asarray(out)


class CompressedProblem:
    """A `CampaignProblem` evaluated at few frequencies inside the region where that is known to be accurate.

    Attributes
    ----------
    problem : CampaignProblem
        The full one.
    nodes : dict of int to int
        Frequencies used per isolator, and `points` those there are.
    error : float
        Largest error of log-likelihood differences at the test points.
    index : dict of str to ndarray of int
        The frequencies used, by isolator.
    reduced : list of Reduced
        Families in their bases.
    radius : float
        Squared distance from the mixture within which the few frequencies are used.
    """

    def __init__(
        self,
        problem: CampaignProblem,
        small: RatioLikelihood,
        reduced: list[Reduced],
        mixture: StudentMixture,
        radius: float,
        counts: tuple[int, int],
        error: float,
        index: dict[str, IntArray],
    ) -> None:
        self.problem = problem
        self._small = small
        self.reduced = reduced
        self._mixture = mixture
        self.radius = radius
        self.nodes, self.points = counts
        self.error = error
        self.index = index
        self.full_calls = 0

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self.problem.unknowns

    def curvatures(self, x: FloatArray) -> Curvatures:
        """As the full problem."""
        return self.problem.curvatures(x)

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D): compressed inside the region, full outside."""
        near = self._distance(x) <= self.radius
        out = np.empty(len(x))
        if np.any(near):
            out[near] = self.compressed(np.ascontiguousarray(x[near]))
        if not np.all(near):
            self.full_calls += int(np.sum(~near))
            out[~near] = self.problem.log_likelihood(np.ascontiguousarray(x[~near]))
        return out

    def _distance(self, x: FloatArray) -> FloatArray:
        """Squared distance to the nearest component of the mixture in its own metric."""
        return nearest_distance(self._mixture, x)

    def compressed(self, x: FloatArray) -> FloatArray:
        """Log-likelihood from the nodes alone."""
        scale = self.unknowns.data_value(NOISE_SCALE, x)
        out = np.zeros(len(x))
        for rows, grams in self._compressed_grams(x):
            for i, gram in grams.items():
                out[rows] += self.problem.log_integral(i, self.problem.scaled(gram, scale, rows))
        return out if scale is None else out - self.problem.likelihood.values * np.log(scale)

    def grams(self, x: FloatArray) -> dict[int, FloatArray]:
        """Per isolator, inner products (B, 3, 3) of y - mu, -q and -p for a batch (B, D); full outside the region."""
        near = self._distance(x) <= self.radius
        out = {i: np.empty((len(x), 3, 3)) for i in self.problem.measured}
        inside = np.flatnonzero(near)
        for rows, grams in self._compressed_grams(np.ascontiguousarray(x[near])) if len(inside) else ():
            for i, gram in grams.items():
                out[i][inside[rows]] = gram
        if not np.all(near):
            for i, gram in self.problem.grams(np.ascontiguousarray(x[~near])).items():
                out[i][~near] = gram
        return out

    def _compressed_grams(self, x: FloatArray) -> Iterator[tuple[slice, dict[int, FloatArray]]]:
        """Inner products of blocks of rows."""
        parameters = self.unknowns.parameters(x)
        blocks = -(-len(x) // self._small.batch_step())
        step = -(-len(x) // max(1, blocks))  # blocks of one size: a small one costs nearly what a large one costs
        for start in range(0, len(x), step):
            rows = slice(start, min(start + step, len(x)))
            grams: dict[int, FloatArray] = {}
            slow: dict[int, FloatArray] = {}
            predicted = self._small.predict_with_phase(parameters.rows(rows), self.problem.measured)
            for part, (_, stack) in zip(self.reduced, predicted, strict=True):
                c = part.coefficients(stack)
                gram = c @ c.transpose(0, 2, 1)
                gram[:, 0, 0] += part.constant
                grams[part.isolator] = grams.get(part.isolator, 0.0) + gram
                if part.slow is not None and part.slow_offset is not None:
                    scores = c @ part.slow.T
                    scores[:, 0] += part.slow_offset
                    slow[part.isolator] = slow.get(part.isolator, 0.0) + scores
            for i, scores in slow.items():
                grams[i] = grams[i] - scores @ scores.transpose(0, 2, 1)
            yield rows, grams


def nearest_distance(mixture: StudentMixture, x: FloatArray) -> FloatArray:
    """Squared Mahalanobis distance of a batch (B, D) to the nearest component."""
    best = np.full(len(x), np.inf)
    for k in range(len(mixture.weights)):
        z = np.linalg.solve(mixture.factors[k], (x - mixture.means[k]).T)
        best = np.minimum(best, np.sum(z * z, axis=0))
    return best


def compress(
    problem: CampaignProblem, mixture: StudentMixture, rng: np.random.Generator, tolerance: float = TOLERANCE
) -> CompressedProblem | None:
    """Find frequencies and maps for the region of a mixture that resembles the posterior.

    Parameters
    ----------
    problem : CampaignProblem
    mixture : StudentMixture
    rng : Generator
    tolerance : float
        In log-likelihood.

    Returns
    -------
    CompressedProblem or None
        None if no allowed number of frequencies keeps the error within the tolerance, or there is nothing to gain.
    """
    likelihood = problem.likelihood
    if likelihood.magnitude:
        return None
    points = max(f.frequency_hz.size for f in likelihood.families)
    if points < 2 * NODE_COUNTS[0]:
        return None
    widened = StudentMixture(mixture.weights, mixture.means, mixture.factors * WIDEN, mixture.nu)
    train = widened.draw(rng, TRAINING)
    fresh = widened.draw(rng, TESTING)
    usable = np.isfinite(problem.unknowns.log_prior(train))
    train = train[usable]
    fresh = fresh[np.isfinite(problem.unknowns.log_prior(fresh))]
    if len(train) < 50 or len(fresh) < 20:
        return None
    bases, centres = _trained(problem, train)
    exact = problem.log_likelihood(fresh)
    # differences from the best that matter are below 200; beyond, a relative error does no harm
    depth = np.maximum(1.0, (exact.max() - exact) / 200)
    radius = float(np.quantile(nearest_distance(mixture, train), 0.98))
    for count in NODE_COUNTS:
        if count > 0.7 * points:
            return None
        index = _node_frequencies(likelihood.families, bases, count)
        small = small_likelihood(likelihood, index)
        reduced = [
            _reduce(f, g, b, s, index[f.on_keys[0].isolator])
            for f, g, b, s in zip(likelihood.families, small.families, bases, centres, strict=True)
        ]
        trial = CompressedProblem(problem, small, reduced, mixture, radius, (count, points), np.inf, index)
        difference = trial.compressed(fresh) - exact
        error = float(np.max(np.abs(difference - np.median(difference[depth <= 1])) / depth))
        if error <= tolerance:
            trial.error = error
            return trial
    return None


def small_likelihood(likelihood: RatioLikelihood, index: dict[str, IntArray]) -> RatioLikelihood:
    """The same likelihood at some frequencies only, by isolator."""
    return likelihood.on_points(lambda name, size: index[name][index[name] < size])


def _trained(problem: CampaignProblem, x: FloatArray) -> tuple[list[ComplexArray], list[ComplexArray]]:
    """Basis and mean ratio (K, 2, F) of every family from the training points, one isolator in memory at a time."""
    parameters = problem.unknowns.parameters(x)
    step = problem.likelihood.batch_step()
    found: dict[int, tuple[ComplexArray, ComplexArray]] = {}
    for isolator in problem.measured:
        blocks = [
            problem.likelihood.predict_with_phase(parameters.rows(slice(start, start + step)), [isolator])
            for start in range(0, len(x), step)
        ]
        for n, (family, _) in enumerate(blocks[0]):
            stack = np.concatenate([block[n][1] for block in blocks])
            found[id(family)] = _basis(family, stack, problem.phase_scale(isolator)), stack[:, 0].mean(axis=0)
    both = [found[id(family)] for family in problem.likelihood.families]
    return [basis for basis, _ in both], [centre for _, centre in both]


def _basis(family: Family, stack: ComplexArray, phase_scale: float) -> ComplexArray:
    """Orthonormal basis (M, K, 2, F), in the metric of the inverse covariance, of the directions the traces move in."""
    moved = stack[:, 0] - stack[:, 0].mean(axis=0)
    some = stack[:: -(-len(stack) // PHASE_TRAINING)]
    every = np.concatenate([moved, phase_scale * some[:, 1], 0.5 * phase_scale**2 * some[:, 2]])
    count = family.values
    factor: FloatArray | None = None
    if count < len(every):  # fewer numbers in the data than training vectors: decompose in the space of the data
        unit = np.eye(count).view(np.complex128).reshape(count, *family.ratio.shape)
        metric = family.gram(unit)
        # points of no weight (spurs) leave it singular: next to none serves as well
        metric[np.diag_indices(count)] += 1e-12 * float(np.mean(np.diag(metric)))
        factor = np.asarray(np.linalg.cholesky(metric), dtype=np.float64)
        rows = np.ascontiguousarray(every).reshape(len(every), -1).view(np.float64) @ factor
        matrix = rows.T @ rows
    else:
        matrix = family.gram(every)

    def lengths(vectors: FloatArray, values: FloatArray) -> FloatArray:
        """What the first m directions hold of each training vector's squared length, (n, directions)."""
        if factor is None:
            return np.asarray(np.cumsum(vectors**2 * values, axis=1))
        return np.asarray(np.cumsum((rows @ vectors) ** 2, axis=1))

    total = np.diag(matrix) if factor is None else np.sum(rows**2, axis=1)
    values, vectors = _largest(matrix, SKETCH)
    left = np.sqrt(np.maximum(total[:, None] - lengths(vectors, values), 0.0)).max(axis=0)
    rounding = 1e-7 * np.sqrt(np.max(total))
    if left[-1] >= max(BASIS_TOLERANCE, rounding) and len(values) < len(matrix):
        values, vectors = _largest(matrix, len(matrix))
        left = np.sqrt(np.maximum(total[:, None] - lengths(vectors, values), 0.0)).max(axis=0)
    enough = int(np.argmax(left < BASIS_TOLERANCE)) + 1 if np.any(left < BASIS_TOLERANCE) else len(values)
    good = values > 1e-13 * values[0]
    enough = max(1, min(enough, int(np.sum(good))))
    if factor is not None:
        flat = np.linalg.solve(factor.T, vectors[:, :enough]).T
        return np.ascontiguousarray(flat).view(np.complex128).reshape(enough, *family.ratio.shape)
    return np.asarray(np.tensordot((vectors[:, :enough] / np.sqrt(values[:enough])).T, every, axes=1))


def _largest(matrix: FloatArray, count: int) -> tuple[FloatArray, FloatArray]:
    """The largest eigenvalues of a positive matrix, falling, and their vectors; all of them if they are few.

    Two rounds of subspace iteration from fixed random vectors (Halko, Martinsson & Tropp, SIAM Review 53, 217 (2011),
    from memory): exact to rounding where the eigenvalues fall as fast as those of smooth traces do.
    """
    if 2 * count < len(matrix):
        start = stream(0, "start of the subspace iteration").standard_normal((len(matrix), count))
        space = np.linalg.qr(matrix @ start)[0]
        space = np.linalg.qr(matrix @ space)[0]
        values, inner = np.linalg.eigh(space.T @ (matrix @ space))
        vectors = space @ inner
    else:
        values, vectors = np.linalg.eigh(matrix)
    return np.maximum(values[::-1], 0.0), vectors[:, ::-1]


def _node_frequencies(families: list[Family], bases: list[ComplexArray], count: int) -> dict[str, IntArray]:
    """Frequencies per isolator from a pivoted QR of all its families' bases, as sorted indices."""
    rows: dict[str, list[FloatArray]] = {}
    for family, basis in zip(families, bases, strict=True):
        weighted = basis * np.sqrt(family.precision)
        flat = weighted.reshape(-1, weighted.shape[-1])
        rows.setdefault(family.on_keys[0].isolator, []).append(np.concatenate([flat.real, flat.imag]))
    out = {}
    for name, parts in rows.items():
        width = min(p.shape[1] for p in parts)
        matrix = np.concatenate([p[:, :width] for p in parts])
        # the triangular factor first: it has the same pivots and far fewer rows
        triangle = np.linalg.qr(matrix, mode="r")
        _, pivots = qr(triangle, mode="r", pivoting=True)[-2:]
        out[name] = np.sort(pivots[: min(count, width)]).astype(np.intp)
    return out


def _reduce(family: Family, small: Family, basis: ComplexArray, centre: ComplexArray, index: IntArray) -> Reduced:
    """The map from node values to coefficients, by weighted least squares over the nodes of all traces of the family."""
    chosen = index[index < basis.shape[-1]]
    weight = np.repeat(np.sqrt(small.precision.reshape(-1)), 2)
    at_nodes = np.ascontiguousarray(basis[..., chosen]).reshape(len(basis), -1).view(np.float64)
    lift = np.linalg.pinv((at_nodes * weight).T, rcond=1e-12) * weight
    gram = family.gram(np.concatenate([basis, (family.ratio - centre)[None]]))
    offset = gram[-1, :-1]
    mean_nodes = np.ascontiguousarray(centre[..., chosen]).reshape(-1).view(np.float64)
    slow = slow_offset = None
    if family.common is not None:
        shares = family.common_scores(basis)  # (M, Z)
        slow, slow_offset = shares.T, family.common_scores(family.ratio - centre) - offset @ shares
    return Reduced(family.isolator, mean_nodes, lift, offset, float(gram[-1, -1] - offset @ offset), slow, slow_offset)
