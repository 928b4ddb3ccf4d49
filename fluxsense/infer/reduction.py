"""Reduced likelihood: polynomials in the loops' fluxes stand for the model, with their error measured.

The unknowns act on the sweeps of a family through the flux in two loops (and through the few numbers of its isolator that
are sampled beside, as its pump strength).  Over the region that a posterior occupies the ratios are smooth functions of
these two to four coordinates: Chebyshev polynomials of total degree d, fitted by least squares at quasi-random points of
the density that suits them (Halton's sequence through a cosine: Narayan, Jakeman and Zhou, Math. Comp. 86, 1913 (2017),
from memory), whatever the number of frequencies.  With the inner products of their coefficients in the metric of the whole
noise, what all families of an isolator have in common included, the likelihood is a quadratic form in a few polynomials.

The error of the log-likelihood is measured at fresh points.  If no degree allowed brings it below the tolerance, or where a
law is not a quadratic form (points in notches of magnitudes), the model itself is used; so it is beyond the region.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import comb
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipModel, ChipParameters
from fluxsense.infer.mixture import Law
from fluxsense.model.family import Family
from fluxsense.model.parameter import NOISE_SCALE, Parameter
from fluxsense.model.problem import CampaignProblem, Curvatures
from fluxsense.model.pump_phase import PARTS
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
IntArray = npt.NDArray[np.intp]

TOLERANCE: Final = 0.03
"""Largest error of log-likelihood differences accepted at the worst test point; more, in proportion, beyond `DEEP` from the best."""
DEEP: Final = 50.0
DEGREES: Final = (3, 4, 5, 6, 8, 11, 15)
MOST_TERMS: Final = 300
BLOCK: Final = 500
"""Points whose polynomials and pump phases are held at once."""
TRAINING: Final = 300
"""Draws that show the region; the model is not called for them."""
TESTING: Final = 60
WIDEN: Final = 1.3
REGION: Final = 2.0
"""Factor on the mixture's width within which polynomials hold."""
OVERSAMPLED: Final = 1.6
"""Points over terms of the least squares."""
STILL_PHI0: Final = 1e-13
SMALLEST: Final = 1e-6
"""Eigenvalue of the inner products below which a combination of polynomials counts for nothing."""


@dataclass(frozen=True)
class _Cell:
    """Ratios of one isolator that depend on the same coordinates: those of some states of its families.

    classes: the kinds of probes whose fluxes they are, each with one of its probes' rows; direct: columns of x and parameters
    that act beside the flux; members: numbers of families and, of each, positions of groups; middle (v,), lower (v, v), box (v,): coordinates u are middle + lower @ (box * t), t in -1..1.
    """

    classes: tuple[tuple[int, int], ...]
    rows: tuple[int, ...]
    direct: tuple[tuple[int, Parameter], ...]
    members: dict[int, list[int]]
    middle: FloatArray
    lower: FloatArray
    box: FloatArray

    @property
    def size(self) -> int:
        return len(self.middle)

    def scaled(self, u: FloatArray) -> FloatArray:
        """t (B, v) of coordinates u (B, v)."""
        return np.asarray(np.linalg.solve(self.lower, (u - self.middle).T).T / self.box)

    def coordinates(self, t: FloatArray) -> FloatArray:
        return np.asarray(self.middle + (t * self.box) @ self.lower.T)


@dataclass(frozen=True)
class _Part:
    """One isolator on one grid: its model, the fluxes of its probes at the reference point (P, 2), and its cells."""

    number: int
    isolator: int
    model: ChipModel
    flux: FloatArray
    cells: tuple[_Cell, ...]


@dataclass(frozen=True)
class _Quadratic:
    """An isolator's inner products: roots (J, R) by which combinations of polynomials become vectors of plain length.

    vectors: how many a parameter set has (y - mu, and what multiplies sines and cosines of pump phase errors).
    """

    degree: int
    root: FloatArray
    vectors: int


class ReducedProblem:
    """A `CampaignProblem` evaluated by polynomials inside the region where they are known to be accurate.

    Attributes
    ----------
    problem : CampaignProblem
        The full one.
    terms : int
        Most polynomials of an isolator.
    error : float
        Largest error of log-likelihood differences at the test points.
    full_calls : int
        Points so far that lay beyond the region.
    """

    def __init__(self, problem: CampaignProblem, parts: Sequence[_Part], forms: dict[int, _Quadratic]) -> None:
        self.problem = problem
        self._parts = parts
        self._forms = forms
        self.terms = max((len(f.root) for f in forms.values()), default=0)
        self.error = np.inf
        self.full_calls = 0

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self.problem.unknowns

    def inside(self, x: FloatArray) -> npt.NDArray[np.bool_]:
        """Which points of a batch (B, D) lie inside the region."""
        return np.concatenate([inside for _, _, inside in self._blocks(x)])

    def curvatures(self, x: FloatArray) -> Curvatures:
        """As the full problem."""
        return self.problem.curvatures(x)

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D): polynomials inside the region, the model outside."""
        scale = self.unknowns.data_value(NOISE_SCALE, x)
        out, inside = np.full(len(x), self.problem.constant), np.ones(len(x), dtype=np.bool_)
        for rows, grams, inside[rows] in self._blocks(x):
            for i, gram in grams.items():
                out[rows] += self.problem.log_integral(i, self.problem.scaled(gram, scale, rows))
        if scale is not None:
            out -= self.problem.likelihood.values * np.log(scale)
        if not np.all(inside):
            self.full_calls += int(np.sum(~inside))
            out[~inside] = self.problem.log_likelihood(np.ascontiguousarray(x[~inside]))
        return out

    def grams(self, x: FloatArray) -> dict[int, FloatArray]:
        """Per isolator, inner products (B, n, n) for a batch (B, D), as the full problem's; full outside the region."""
        out = {i: np.empty((len(x), form.vectors, form.vectors)) for i, form in self._forms.items()}
        inside = np.ones(len(x), dtype=np.bool_)
        for rows, grams, inside[rows] in self._blocks(x):
            for i, gram in grams.items():
                out[i][rows] = gram
        if not np.all(inside):
            for i, gram in self.problem.grams(np.ascontiguousarray(x[~inside])).items():
                out[i][~inside] = gram
        return out

    def _blocks(self, x: FloatArray) -> Iterator[tuple[slice, dict[int, FloatArray], npt.NDArray[np.bool_]]]:
        """Inner products by polynomials, and which points lie inside the region, a block of rows of x after the other."""
        for start in range(0, len(x), BLOCK):
            rows = slice(start, start + BLOCK)
            yield rows, *self._reduced_grams(x[rows])

    def _reduced_grams(self, x: FloatArray) -> tuple[dict[int, FloatArray], npt.NDArray[np.bool_]]:
        """Inner products by polynomials, and which points lie inside the region."""
        inside = np.ones(len(x), dtype=np.bool_)
        rows: dict[int, list[FloatArray]] = {}
        for part, us in zip(self._parts, _coordinates(self.problem, self._parts, x), strict=True):
            for cell, u in zip(part.cells, us, strict=True):
                t = cell.scaled(u)
                inside &= np.all(np.abs(t) <= 1.0, axis=1)
                basis = chebyshev(np.clip(t, -1.0, 1.0), self._forms[part.isolator].degree)
                rows.setdefault(part.isolator, []).append(basis)
        return {i: _gram(self._forms[i], found) for i, found in rows.items()}, inside


def _gram(form: _Quadratic, bases: Sequence[FloatArray]) -> FloatArray:
    """Inner products (B, n, n) from the polynomials (B, T) of every cell."""
    every = np.concatenate(bases, axis=1)
    roots = form.root[1:].reshape(form.vectors, every.shape[1], -1)
    stack = np.stack([every @ root for root in roots], axis=1)
    stack[:, 0] += form.root[0]
    return np.asarray(stack @ stack.transpose(0, 2, 1))


def chebyshev(t: FloatArray, degree: int) -> FloatArray:
    """Products (B, T) of Chebyshev polynomials of total degree up to `degree` for coordinates t (B, v) in -1..1."""
    single = np.polynomial.chebyshev.chebvander(t, degree)  # (B, v, degree + 1)
    out = np.ones((len(t), 0))
    columns = [np.ones(len(t))]
    orders = [0]
    for k in range(t.shape[1]):
        columns, orders = (
            [c * single[:, k, n] for c, used in zip(columns, orders, strict=True) for n in range(degree + 1 - used)],
            [used + n for used in orders for n in range(degree + 1 - used)],
        )
    out = np.stack(columns, axis=1)
    return np.ascontiguousarray(out)


# ---------------------------------------------------------------- building


def reduced(
    problem: CampaignProblem, law: Law, rng: np.random.Generator, tolerance: float = TOLERANCE
) -> ReducedProblem | None:
    """Fit polynomials over the region of a law that resembles the posterior.

    Parameters
    ----------
    problem : CampaignProblem
    law : Law
    rng : Generator
    tolerance : float
        In log-likelihood.

    Returns
    -------
    ReducedProblem or None
        None if no allowed degree keeps the error within the tolerance, or nothing can be gained.
    """
    likelihood = problem.likelihood
    if likelihood.magnitude or not problem.unknowns.size:
        return None
    train = law.widened(REGION).draw(rng, TRAINING)
    train = train[np.isfinite(problem.unknowns.log_prior(train))]
    tests = law.widened(WIDEN).draw(rng, TESTING)
    tests = tests[np.isfinite(problem.unknowns.log_prior(tests))]
    if len(train) < 50 or len(tests) < 20:
        return None
    parts = _arranged(problem, train)
    if parts is None:
        return None
    exact = problem.log_likelihood(tests)
    depth = np.maximum(1.0, (exact.max() - exact) / DEEP)  # far down a relative error does no harm
    widest = max(cell.size for part in parts for cell in part.cells)
    for degree in DEGREES:
        if comb(widest + degree, degree) > MOST_TERMS:
            return None
        forms = _forms(problem, parts, degree, train[0])
        trial = ReducedProblem(problem, parts, forms)
        difference = trial.log_likelihood(tests) - exact
        trial.error = float(np.max(np.abs(difference - np.median(difference[depth <= 1])) / depth))
        if trial.error <= tolerance:
            trial.full_calls = 0
            return trial
    return None


def _arranged(problem: CampaignProblem, x: FloatArray) -> list[_Part] | None:
    """Cells of every isolator with the region that points x (B, D) occupy; None if fluxes do not fall into classes."""
    likelihood, unknowns = problem.likelihood, problem.unknowns
    parameters = likelihood.complete(unknowns.parameters(x))
    shared: FloatArray | None = None
    parts: list[_Part] = []
    before = 0
    for number, (i, model, families) in enumerate(likelihood.parts):
        shared = model.source_flux(parameters) if shared is None else shared
        flux = model.probe_flux(parameters, i, shared)
        moved = flux - flux.mean(axis=0)
        kinds = _kinds(model, i)
        if not all(np.allclose(moved[:, r], moved[:, kinds.index(k)], atol=1e-12) for r, k in enumerate(kinds)):
            return None
        direct = tuple(
            (column, p)
            for column, p in enumerate(unknowns.nuisances, unknowns.lead)
            if p.of_chip and not p.moves_flux and p.home == i
        )
        found: dict[tuple[tuple[int, int], ...], dict[int, list[int]]] = {}
        for n, family in enumerate(families, before):
            for k, row in enumerate(family.rows):
                moving = {kinds[r] for r in (row, family.divisor_row) if np.any(np.abs(moved[:, r]) > STILL_PHI0)}
                found.setdefault(tuple(sorted(moving)), {}).setdefault(n, []).append(k)
        before += len(families)
        cells = []
        for key, members in found.items():
            rows = tuple(kinds.index(k) for k in key)
            u = np.concatenate([x[:, [c for c, _ in direct]], *(moved[:, r] for r in rows)], axis=1)
            cells.append(_cell(key, rows, direct, members, u))
        parts.append(_Part(number, i, model, flux.mean(axis=0), tuple(cells)))
    return parts


def _kinds(model: ChipModel, isolator: int) -> list[tuple[int, int]]:
    """State and cooldown of each probe: what decides how its flux moves."""
    probes = [model.probes[n] for n in model.probe_rows(isolator)]
    return [(p.state, p.cooldown) for p in probes]


def _cell(
    key: tuple[tuple[int, int], ...],
    rows: tuple[int, ...],
    direct: tuple[tuple[int, Parameter], ...],
    members: dict[int, list[int]],
    u: FloatArray,
) -> _Cell:
    middle, size = u.mean(axis=0), u.shape[1]
    if not size:
        return _Cell(key, rows, direct, members, middle, np.zeros((0, 0)), middle)
    covariance = np.asarray(np.cov(u.T), dtype=np.float64).reshape(size, size)
    # two loops may move as one, and one may stand still under every direction of a list
    lower = np.linalg.cholesky(covariance + np.diag(1e-9 * np.diag(covariance) + STILL_PHI0**2))
    t = np.linalg.solve(lower, (u - middle).T).T
    return _Cell(
        key,
        rows,
        direct,
        members,
        middle,
        np.asarray(lower, dtype=np.float64),
        np.maximum(1.02 * np.abs(t).max(axis=0), 1e-3),
    )


def _coordinates(problem: CampaignProblem, parts: Sequence[_Part], x: FloatArray) -> Iterator[list[FloatArray]]:
    """Coordinates u (B, v) of every cell, part by part."""
    parameters = problem.likelihood.complete(problem.unknowns.parameters(x))
    shared: FloatArray | None = None
    for part in parts:
        shared = part.model.source_flux(parameters) if shared is None else shared
        flux = part.model.probe_flux(parameters, part.isolator, shared)
        yield [
            np.concatenate([x[:, [c for c, _ in cell.direct]], *(flux[:, r] - part.flux[r] for r in cell.rows)], axis=1)
            for cell in part.cells
        ]


def _forms(problem: CampaignProblem, parts: Sequence[_Part], degree: int, x: FloatArray) -> dict[int, _Quadratic]:
    """The quadratic form of each isolator for polynomials of a degree; x (D,) gives what does not matter."""
    out = {}
    for i in problem.measured:
        mine = [part for part in parts if part.isolator == i]
        sizes = [comb(cell.size + degree, degree) for part in mine for cell in part.cells]
        phases = problem.phases(i)
        width, wanted = sum(sizes), 1 if phases is None else phases.size
        total = 1 + wanted * width
        gram = np.zeros((total, total))
        shares: FloatArray | None = None
        starts = np.cumsum([1, *sizes])
        for part in mine:
            for family, vectors in _fitted(problem, part, degree, x):
                own = [starts[cell] + k * width + np.arange(sizes[cell]) for cell in vectors for k in range(wanted)]
                index = np.concatenate([[0], *own])
                each = np.concatenate([family.ratio[None], *vectors.values()])
                gram[np.ix_(index, index)] += family.gram(each)
                if problem.likelihood.commons(i):
                    if shares is None:
                        shares = np.zeros((total, problem.likelihood.commons(i)))
                    shares[np.ix_(index, family.common_rows)] += family.common_scores(each)
            starts = starts[len(part.cells) :]
            sizes = sizes[len(part.cells) :]
        if shares is not None:
            white = problem.likelihood.whitened(i, shares)
            gram -= white @ white.T
        values, basis = np.linalg.eigh(0.5 * (gram + gram.T))
        held = values > SMALLEST
        out[i] = _Quadratic(degree, np.ascontiguousarray(basis[:, held] * np.sqrt(values[held])), wanted)
    return out


def _fitted(
    problem: CampaignProblem, part: _Part, degree: int, x: FloatArray
) -> Iterator[tuple[Family, dict[int, ComplexArray]]]:
    """Per family, by the number of each cell that it is in, its vectors (n T, K, 2, F) by polynomial, without y."""
    likelihood = problem.likelihood
    most = max(comb(cell.size + degree, degree) for cell in part.cells)
    count = int(np.ceil(OVERSAMPLED * most)) + 8
    leading = max(cell.size for cell in part.cells)
    from scipy.stats import qmc  # slow to import

    t = np.cos(np.pi * qmc.Halton(max(1, leading), scramble=False).random(count + 1)[1:])
    parameters = likelihood.complete(problem.unknowns.parameters(np.repeat(x[None], count, axis=0)))
    arrays = {name: np.array(parameters[name]) for name in parameters}
    flux = np.repeat(part.flux[None], count, axis=0)
    kinds = _kinds(part.model, part.isolator)
    bases = []
    for cell in part.cells:
        u = cell.coordinates(t[:, : cell.size])
        for n, (_, p) in enumerate(cell.direct):
            p.put(arrays, p.value(u[:, n]))
        for n, kind in enumerate(cell.classes):
            lead = len(cell.direct) + 2 * n
            for r, own in enumerate(kinds):
                if own == kind:
                    flux[:, r] = part.flux[r] + u[:, lead : lead + 2]
        bases.append(chebyshev(t[:, : cell.size], degree))
    maps = [np.linalg.pinv(basis) for basis in bases]  # (T, N)
    wanted = 1 if problem.phases(part.isolator) is None else PARTS
    sums: dict[int, dict[int, ComplexArray]] = {}
    step = max(1, likelihood.batch_step())
    for start in range(0, count, step):
        rows = slice(start, min(start + step, count))
        block = ChipParameters({name: array[rows] for name, array in arrays.items()})
        found = likelihood.stacks_at(part.number, block, flux[rows])
        for number, (cell, back) in enumerate(zip(part.cells, maps, strict=True)):
            for n, groups in cell.members.items():
                shape = likelihood.families[n].ratio.shape
                empty = np.zeros((wanted, len(back), *shape), dtype=np.complex128)
                total = sums.setdefault(n, {}).setdefault(number, empty)
                share = np.tensordot(back[:, rows], found[n][1][:, :wanted, groups], axes=1)  # (T, 3 or 1, k, 2, F)
                total[:, :, groups] -= share.swapaxes(0, 1)
    for n, by_cell in sums.items():
        family = likelihood.families[n]
        yield (
            family,
            {
                number: problem.split(family, each, axis=0).reshape(-1, *family.ratio.shape)
                for number, each in by_cell.items()
            },
        )
