"""A posterior as the search and the samplers see it, and the two kinds that exist.

`Problem` is what every likelihood must offer; `CampaignProblem` is the complex likelihood of a digest, and
`FluxProblem` a plain Gaussian measurement of the loops' fluxes, for which closed forms exist.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipParameters
from fluxsense.model.family import Family, Notch
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.parameter import NOISE_SCALE, PUMP_PHASE, PUMP_PORT_PHASE, Parameter
from fluxsense.model.pump_phase import PumpPhases, port_errors
from fluxsense.model.slopes import scattering_slopes
from fluxsense.model.unknowns import Unknowns

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Curvatures = tuple[FloatArray, FloatArray, FloatArray]

DERIVATIVE_STEP = 1e-5
"""Step of central differences in whitened coordinates; errors of order 1e-10 of the model's curvature."""


PHASE_ROWS = 512
"""Parameter sets at a time whose pump phase errors are drawn."""


class HasGrams(Protocol):
    """What gives the inner products from which a likelihood with pump phase errors follows."""

    def grams(self, x: FloatArray) -> dict[int, FloatArray]:
        """See `CampaignProblem.grams`."""


class Problem(Protocol):
    """A posterior over whitened vectors x of `unknowns`."""

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D), shape (B,)."""

    def curvatures(self, x: FloatArray) -> Curvatures:
        """Log-likelihoods (B,), their gradients (B, D) and expected information (B, D, D) of a batch (B, D)."""


def curvature(problem: Problem, x: FloatArray) -> tuple[float, FloatArray, FloatArray]:
    """Log-likelihood, gradient (D,) and expected information (D, D) at one x (D,)."""
    value, gradient, information = problem.curvatures(x[None])
    return float(value[0]), gradient[0], information[0]


def displaced(x: FloatArray) -> FloatArray:
    """Every x of a batch (B, D) and its neighbours for central differences, (B (2 D + 1), D)."""
    steps = DERIVATIVE_STEP * np.eye(x.shape[1])
    around = np.concatenate([np.zeros((1, x.shape[1])), steps, -steps])
    return np.ascontiguousarray((x[:, None] + around).reshape(-1, x.shape[1]))


def log_posterior(problem: Problem, x: FloatArray) -> FloatArray:
    """Log prior plus log-likelihood of a batch (B, D); the model is not called where the prior vanishes."""
    out = problem.unknowns.log_prior(x)
    alive = np.isfinite(out)
    if np.all(alive):
        return np.asarray(out + problem.log_likelihood(x))
    if np.any(alive):
        out[alive] += problem.log_likelihood(np.ascontiguousarray(x[alive]))
    return np.asarray(out)


class CampaignProblem:
    """The complex likelihood of a digest with the study's unknowns.

    The pump phase errors of each isolator are integrated out: the model is linear in their sines and cosines, so the integral
    is a sum over nodes of a quadratic form whose coefficients are computed once per parameter set (`fluxsense.model.pump_phase`).
    Without this the posterior has a hump on either side of zero for every isolator and pump port, because transmission hardly
    changes with the sign of these errors.

    Parameters
    ----------
    unknowns : Unknowns
        Those of them that are sampled; pump phase errors are among them only if `integrate` is False.
    likelihood : RatioLikelihood
    integrate : bool
        Whether to integrate over the pump phase errors that `unknowns` leaves out.
    constant : float
        Added to the log-likelihood: makes problems comparable that are linearised about different points.
    """

    def __init__(
        self, unknowns: Unknowns, likelihood: RatioLikelihood, *, integrate: bool = True, constant: float = 0.0
    ) -> None:
        self._unknowns = unknowns
        self.constant = constant
        self.likelihood = likelihood
        self.measured = tuple(sorted(likelihood.measured))
        explicit = {n.index[0] for n in unknowns.nuisances if n.array in (PUMP_PHASE, PUMP_PORT_PHASE)}
        self._phases: dict[int, PumpPhases] = {}
        self._unseen: list[
            tuple[int, int, float]
        ] = []  # isolator, pump port without sweeps, how well its phase is known
        for i in [i for i in self.measured if i not in explicit] if integrate and not likelihood.magnitude else []:
            ports = likelihood.pump_ports(i)
            found = PumpPhases.of(unknowns.study, i, ports)
            if found is not None:
                self._phases[i] = found
            sd = unknowns.study.isolators[i].setup.sd
            self._unseen += [(i, port, sd[f"pump_{port}_phase_error_rad"]) for port in (1, 2) if port not in ports]

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self._unknowns

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D), pump phase errors integrated out."""
        parameters = self._unknowns.parameters(x)
        scale = self._unknowns.data_value(NOISE_SCALE, x)
        if not self._phases:
            return np.asarray(self.likelihood.log_likelihood(parameters, scale) + self.constant)
        out = np.full(x.shape[0], self.constant)
        step = self.likelihood.batch_step()
        for start in range(0, x.shape[0], step):
            rows = slice(start, min(start + step, x.shape[0]))
            total = np.zeros(rows.stop - rows.start)
            for i, gram in self._grams(parameters.rows(rows)).items():
                total += self.log_integral(i, self.scaled(gram, scale, rows))
            out[rows] += total
        return out if scale is None else out - self.likelihood.values * np.log(scale)

    def phases(self, isolator: int) -> PumpPhases | None:
        """An isolator's pump phase errors that are integrated out."""
        return self._phases.get(isolator)

    def split(self, family: Family, stack: ComplexArray, axis: int = 1) -> ComplexArray:
        """A stack of mu, q and p (..., 3, K, 2, F), the three on an axis, as the vectors of a family's quadratic form."""
        phases = self._phases.get(family.isolator)
        return np.take(stack, [0], axis=axis) if phases is None else phases.split(stack, family, axis)

    @staticmethod
    def scaled(gram: FloatArray, scale: FloatArray | None, rows: slice) -> FloatArray:
        """Inner products (B, n, n) for noise larger by a factor (B,) in those rows."""
        return gram if scale is None else gram * scale[rows, None, None] ** -2

    def _grams(self, parameters: ChipParameters) -> dict[int, FloatArray]:
        """Per isolator, inner products (B, n, n) of y - mu and of -q and -p of every kind of sweeps, over all its families."""
        out: dict[int, FloatArray] = {}
        vectors: list[ComplexArray] = []
        predicted = self.likelihood.predict_with_phase(parameters, self.measured)
        for family, stack in predicted:
            every = self.split(family, np.negative(stack, out=stack))
            every[:, 0] += family.ratio
            out[family.isolator] = out.get(family.isolator, 0.0) + family.grams(every)
            vectors.append(every)
        common = self.likelihood.common_scores(vectors, [f for f, _ in predicted])
        for i, scores in common.items():
            out[i] = out[i] - scores @ scores.transpose(0, 2, 1)
        return out

    def log_integral(self, isolator: int, gram: FloatArray) -> FloatArray:
        """Log-likelihood (B,) of one isolator from its inner products (B, n, n)."""
        phases = self._phases.get(isolator)
        return np.asarray(-0.5 * gram[:, 0, 0]) if phases is None else phases.log_integral(gram)

    def curvatures(self, x: FloatArray) -> Curvatures:
        """Log-likelihoods, gradients and information of a batch (B, D), from the slopes of the predicted ratios.

        With phase errors integrated out the gradient is the mean score over them, and the information the mean
        information less the scores' covariance (the missing-information identity: Louis, J. R. Stat. Soc. B 44, 226
        (1982), from memory); negative eigenvalues of an isolator's share are set to zero.
        """
        count, size = x.shape
        values, gradients, informations = np.empty(count), np.empty((count, size)), np.empty((count, size, size))
        real = self.likelihood.magnitude
        one = self._real_curvature if real else self._curvature
        step = max(1, self.likelihood.batch_step() // (5 if real else 15))
        for start in range(0, count, step):
            block = np.ascontiguousarray(x[start : start + step])
            found = self.slopes(block, phase=not real)
            for n, point in enumerate(block):
                mine = [(family, stack[n], slopes[n]) for family, stack, slopes in found]
                values[start + n], gradients[start + n], informations[start + n] = one(point, mine)
        return values, gradients, informations

    def slopes(self, x: FloatArray, *, phase: bool = False) -> list[tuple[Family, ComplexArray, ComplexArray]]:
        """Predicted ratios of every family and their derivatives by the unknowns, for a batch (B, D).

        By the chain rule: the unknowns act through the flux in the two loops, but for the few that do not, so that five
        calls of the model serve any number of unknowns.

        Parameters
        ----------
        x : ndarray (B, D)
        phase : bool
            Also how the ratios change with a further pump phase error, see `RatioLikelihood.predict_with_phase`.

        Returns
        -------
        list of (Family, ndarray (B, K, 2, F), ndarray (B, D, K, 2, F)) of complex
            With an axis of 3 before that of the groups if `phase` is set.
        """
        unknowns, likelihood = self._unknowns, self.likelihood
        count, size = x.shape
        at = likelihood.complete(unknowns.parameters(x))
        around = likelihood.complete(unknowns.parameters(displaced(x)))
        direct = [
            (column, p) for column, p in enumerate(unknowns.nuisances, unknowns.lead) if p.of_chip and not p.moves_flux
        ]
        out: list[tuple[Family, ComplexArray, ComplexArray]] = []
        shared: FloatArray | None = None
        for i, model, families in likelihood.parts:
            shared = model.source_flux(around) if shared is None else shared
            flux = model.probe_flux(around, i, shared)
            flux = flux.reshape(count, 2 * size + 1, *flux.shape[1:])
            by_x = (flux[:, 1 : 1 + size] - flux[:, 1 + size :]) / (2 * DERIVATIVE_STEP)  # (B, D, P, 2)
            mine = [(column, p) for column, p in direct if p.home == i]
            s, by = scattering_slopes(model, at, i, np.ascontiguousarray(flux[:, 0]), [p for _, p in mine], phase=phase)
            for family in families:
                stack, slopes = _family_slopes(family, s, by, by_x, [(c, _rate(p, x[:, c])) for c, p in mine])
                if likelihood.magnitude:
                    turn = np.conj(stack) / np.abs(stack)
                    slopes = (slopes * turn[:, None]).real.astype(np.complex128)
                    stack = np.abs(stack).astype(np.complex128)
                if phase:
                    stack, slopes = np.moveaxis(stack, 2, 1), np.moveaxis(slopes, 3, 2)
                if family.added is not None:
                    added, probes = family.added, (family.rows, family.divisor_row)
                    (stack[:, 0] if phase else stack)[...] += added.at(flux[:, 0], *probes)
                    (slopes[:, :, 0] if phase else slopes)[...] += added.change(by_x, *probes)
                likelihood.refuse_non_finite(stack, at, model, i)
                out.append((family, stack, slopes))
        return out

    def _curvature(
        self, x: FloatArray, predicted: list[tuple[Family, ComplexArray, ComplexArray]]
    ) -> tuple[float, FloatArray, FloatArray]:
        """Value, gradient and information at one x from each family's predictions (3, K, 2, F) and slopes (D, 3, K, 2, F)."""
        size = x.size
        scale = self._unknowns.data_value(NOISE_SCALE, x[None])
        value, gradient, information = 0.0, np.zeros(size), np.zeros((size, size))
        misfit = 0.0
        grams: dict[int, FloatArray] = {}
        stacks: list[ComplexArray] = []
        for family, stack, slopes in predicted:
            residual = self.split(family, -stack, axis=0)
            residual[0] += family.ratio
            own = self.split(family, slopes).swapaxes(0, 1)
            every = np.concatenate([residual, own.reshape(-1, *residual.shape[1:])])
            grams[family.isolator] = grams.get(family.isolator, 0.0) + family.gram(every)
            stacks.append(every)
        for i, shares in self.likelihood.common_scores(stacks, [f for f, _, _ in predicted]).items():
            grams[i] = grams[i] - shares @ shares.T
        for i, plain in grams.items():
            gram = plain if scale is None else plain * scale[0] ** -2
            phases = self._phases.get(i)
            if phases is None:
                value -= 0.5 * float(gram[0, 0])
                misfit += float(gram[0, 0])
                gradient += gram[0, 1:]
                information += gram[1:, 1:]
                continue
            n = phases.size
            nodes = phases.nodes(gram[None, :n, :n])
            basis = nodes.basis
            log_like = nodes.log_likelihood(gram[None, :n, :n])[0]
            joint = log_like + nodes.log_prior
            top = float(joint.max())
            weight = np.exp(joint - top)
            value += top + float(np.log(weight.sum()))
            weight /= weight.sum()
            misfit += float(weight @ (-2 * log_like))
            cross = gram[:n, n:].reshape(n, n, size)  # (a, b, j)
            scores = np.einsum(
                "mc,cj->mj", np.einsum("ma,mb->mab", basis, basis).reshape(-1, n * n), cross.reshape(n * n, size)
            )
            mean_score = weight @ scores
            moments = np.einsum("m,mb,mc->bc", weight, basis, basis)
            inner = gram[n:, n:].reshape(n, size, n, size)
            share = np.einsum("bc,bjck->jk", moments, inner)
            centred = scores - mean_score
            share -= (weight[:, None] * centred).T @ centred
            gradient += mean_score
            eigenvalues, vectors = np.linalg.eigh(0.5 * (share + share.T))
            information += (vectors * np.maximum(eigenvalues, 0.0)) @ vectors.T
        return self._with_scale(x, value + self.constant, misfit, self.likelihood.values, gradient, information)

    def _with_scale(
        self, x: FloatArray, value: float, misfit: float, count: int, gradient: FloatArray, information: FloatArray
    ) -> tuple[float, FloatArray, FloatArray]:
        """Value, gradient and information with those of the noise scale, if that is an unknown.

        With t = exp(sd z) on the noise of n numbers and a misfit Q (divided by t^2 already) the log-likelihood has
        -Q/2 - n log t: slope sd (Q - n), information 2 n sd^2.
        """
        for column, n in enumerate(self._unknowns.nuisances, self._unknowns.lead):
            if n.array == NOISE_SCALE:
                value -= count * n.sd * float(x[column])
                gradient[column] += n.sd * (misfit - count)
                information[column, column] += 2 * count * n.sd**2
        return value, gradient, information

    def _real_curvature(
        self, x: FloatArray, predicted: list[tuple[Family, ComplexArray, ComplexArray]]
    ) -> tuple[float, FloatArray, FloatArray]:
        """As `_curvature`, for magnitudes: every unknown is explicit, and points in notches have their own law."""
        size = x.size
        scale = self._unknowns.data_value(NOISE_SCALE, x[None])
        square = 1.0 if scale is None else float(scale[0] ** -2)
        value, gradient, information, misfit, count = 0.0, np.zeros(size), np.zeros((size, size)), 0.0, 0
        vectors = [np.concatenate([(family.ratio - ratio)[None], slopes]) for family, ratio, slopes in predicted]
        for (family, ratio, slopes), every in zip(predicted, vectors, strict=True):
            gram = family.gram(every) * square
            misfit += float(gram[0, 0])
            value -= 0.5 * float(gram[0, 0])
            gradient += gram[0, 1:]
            information += gram[1:, 1:]
            count += family.values - (0 if family.notch is None else family.notch.power.size)
            if family.notch is not None:
                value += float(family.notch.log_density(ratio[None], scale)[0])
                slope, share = family.notch.information(ratio, slopes, 1.0 if scale is None else float(scale[0]))
                gradient += slope
                information += share
                self._add_notch_scale(family.notch, x, ratio[None], gradient, information)
        for shares in self.likelihood.common_scores(vectors, [f for f, _, _ in predicted]).values():
            gram = shares @ shares.T * square
            misfit -= float(gram[0, 0])
            value += 0.5 * float(gram[0, 0])
            gradient -= gram[0, 1:]
            information -= gram[1:, 1:]
        return self._with_scale(x, value + self.constant, misfit, count, gradient, information)

    def _add_notch_scale(
        self, notch: Notch, x: FloatArray, ratio: ComplexArray, gradient: FloatArray, information: FloatArray
    ) -> None:
        """Add the slope with the noise scale of points in notches, and about its information.

        The logarithm of a mean power of pure noise has the variance 1/N and twice the slope of that of the scale: 4 N.
        """
        for column, n in enumerate(self._unknowns.nuisances, self._unknowns.lead):
            if n.array == NOISE_SCALE:
                z = x[column] + np.array([1, -1]) * DERIVATIVE_STEP
                up, down = (notch.log_density(ratio, n.value(np.array([value])))[0] for value in z)
                gradient[column] += (up - down) / (2 * DERIVATIVE_STEP)
                information[column, column] += 4 * float(notch.count.sum()) * n.sd**2

    def grams(self, x: FloatArray) -> dict[int, FloatArray]:
        """Per isolator, inner products (B, n, n) for a batch (B, D): see `fluxsense.model.pump_phase`."""
        parameters = self._unknowns.parameters(x)
        step = self.likelihood.batch_step()
        parts = [self._grams(parameters.rows(slice(s, min(s + step, len(x))))) for s in range(0, len(x), step)]
        return {i: np.concatenate([part[i] for part in parts]) for i in parts[0]} if parts else {}

    def parameters(
        self, x: FloatArray, rng: np.random.Generator | None = None, quick: HasGrams | None = None
    ) -> ChipParameters:
        """Chip parameters of whitened vectors (B, D), with pump phase errors given x.

        These are draws (of a port without sweeps from the prior), or without a generator the most probable ones of the signs
        that they have at the reference point.  The inner products come from `quick` if that is given: this problem reduced to
        polynomials.
        """
        found = self._unknowns.parameters(x)
        if self._phases or self._unseen:
            study, about = self._unknowns.study, self.likelihood.reference
            device, port = np.array(found[PUMP_PHASE]), port_errors(found, study)
            like = {
                i: np.zeros(len(p.ports)) if about is None else p.of_parameters(about, study, i)[0]
                for i, p in self._phases.items()
            }
            for start in range(0, x.shape[0], PHASE_ROWS):
                rows = slice(start, min(start + PHASE_ROWS, x.shape[0]))
                for i, gram in (self if quick is None else quick).grams(x[rows]).items():
                    phases = self._phases.get(i)
                    if phases is not None:
                        errors = phases.most_probable(gram, like[i]) if rng is None else phases.errors(gram, rng)
                        common, own = phases.shares(errors, rng)
                        device[rows, i] += common
                        port[rows, i] += own
            if rng is not None:
                for i, n, sd in self._unseen:
                    port[:, i, n - 1] += sd * rng.standard_normal(len(x))
            found = found.changed(**{PUMP_PHASE: device, PUMP_PORT_PHASE: port})
        return self.likelihood.at_reference(found)

    def explicit(self, x: FloatArray) -> tuple[CampaignProblem, FloatArray]:
        """The same problem with pump phase errors and tamed parameters among the unknowns, and what x (D,) becomes there."""
        likelihood, mine = self.likelihood, self._unknowns
        if not self._phases and not mine.tamed:
            return self, x
        wider = Unknowns(mine.study, mine.cooldowns, self.measured, with_source=mine.with_source, sheared=mine.sheared)
        at = likelihood.moved_to(self.parameters(x[None])) if mine.tamed else self.parameters(x[None])
        values = {n.name: x[column] for column, n in enumerate(mine.nuisances, mine.lead)}
        out = np.zeros(wider.size)
        out[: mine.lead] = x[: mine.lead]
        for column, n in enumerate(wider.nuisances, wider.lead):
            out[column] = values[n.name] if n.name in values else n.whitened(n.of(at[n.array]))[0]
        return CampaignProblem(wider, likelihood.rebuilt(tamed=()), integrate=False, constant=self.constant), out


def no_source_problem(problem: CampaignProblem) -> CampaignProblem:
    """The same campaign under the hypothesis that there is no source."""
    full = problem.unknowns
    unknowns = Unknowns(
        full.study, full.cooldowns, problem.measured, with_source=False, leave_out=full.leave_out, tamed=full.tamed
    )
    return CampaignProblem(unknowns, problem.likelihood)


def _rate(parameter: Parameter, whitened: FloatArray) -> FloatArray:
    """Change (B,) of a parameter's value with its whitened coordinate."""
    above, below = parameter.value(whitened + DERIVATIVE_STEP), parameter.value(whitened - DERIVATIVE_STEP)
    return np.asarray((above - below) / (2 * DERIVATIVE_STEP))


def _family_slopes(
    family: Family,
    s: ComplexArray,
    by: ComplexArray,
    by_x: FloatArray,
    direct: Sequence[tuple[int, FloatArray]],
) -> tuple[ComplexArray, ComplexArray]:
    """A family's ratios (B, K, *, 2, F) and their slopes (B, D, K, *, 2, F).

    From scattering parameters (B, P, *, 2, F), their derivatives (B, 2 + n, P, *, 2, F) by flux and by what acts directly,
    the fluxes' derivatives (B, D, P, 2), and column and rate (B,) of what acts directly.
    """
    rows, last = list(family.rows), family.divisor_row
    with_phase = s.ndim == 5
    off = s[:, last, 0] if with_phase else s[:, last]  # without its pump a sweep has no phase
    by_off = by[:, :, last, 0] if with_phase else by[:, :, last]
    between = (slice(None), None, None) if with_phase else (slice(None), None)  # axes of groups and parts
    inverse = (1 / off)[between]
    ratio = s[:, rows] * inverse
    on = by[:, :, rows] * inverse[:, None]
    shared = by_off[(slice(None), *between)] * inverse[:, None]  # (B, 2 + n, 1, *, 2, F)
    slopes = np.einsum("bdkl,blk...->bdk...", by_x[:, :, rows], on[:, :2])
    slopes -= ratio[:, None] * np.einsum("bdl,bl...->bd...", by_x[:, :, last], shared[:, :2])
    for n, (column, rate) in enumerate(direct, 2):
        change = on[:, n] - ratio * shared[:, n]
        slopes[:, column] += rate.reshape(-1, *[1] * (change.ndim - 1)) * change
    return ratio, slopes


class FluxProblem:
    """Fluxes measured directly: y = T v + normal noise, T a fixed flux map.

    Parameters
    ----------
    unknowns : Unknowns
        Without nuisances; its study gives the prior of the source vector.
    flux_map : ndarray (L, 3)
        Phi0 per T or per A m^2.
    flux_phi0 : ndarray (L,)
        Measured fluxes.
    sd_phi0 : float
    """

    def __init__(self, unknowns: Unknowns, flux_map: FloatArray, flux_phi0: FloatArray, sd_phi0: float) -> None:
        self._unknowns = unknowns
        self._map = np.asarray(flux_map, dtype=np.float64)
        self._flux = np.asarray(flux_phi0, dtype=np.float64)
        self._sd = sd_phi0

    @property
    def unknowns(self) -> Unknowns:
        """Unknowns and prior."""
        return self._unknowns

    def _residual(self, x: FloatArray) -> FloatArray:
        return (self._flux - self._unknowns.source(x) @ self._map.T) / self._sd

    def log_likelihood(self, x: FloatArray) -> FloatArray:
        """Log-likelihood of a batch (B, D), without its constant."""
        return np.asarray(-0.5 * np.sum(self._residual(x) ** 2, axis=1))

    def curvatures(self, x: FloatArray) -> Curvatures:
        """Log-likelihoods, gradients and information of a batch (B, D)."""
        count, size = x.shape
        residual = self._residual(displaced(x)).reshape(count, 2 * size + 1, -1)
        slopes = -(residual[:, 1 : 1 + size] - residual[:, 1 + size :]) / (2 * DERIVATIVE_STEP)
        middle = residual[:, 0]
        value = -0.5 * np.sum(middle**2, axis=1)
        gradient = np.einsum("bdl,bl->bd", slopes, middle)
        return np.asarray(value), np.asarray(gradient), np.asarray(slopes @ slopes.transpose(0, 2, 1))
