"""Fisher information of a planned experiment, nuisances marginalised, and the angular errors that follow.

One sweep of a pump setting k of an isolator, divided by the unknown line gain G(f), is

    d_k / G = S_k (1 + c_k) + (dS_k/dF) . delta_k + white noise,

with c_k the relative gain and phase error of a path (drift of that sweep, and the residual error of that setting) and
delta_k the flux noise.  Settings that share a bias and a cooldown share the unknown G, in all states of the source, with the
pump-off sweeps taken there: they are a family.  The information of a family of sweeps N_k about local quantities theta (the two
loops' fluxes in each state, pump strength, pump phase error, stage fields) is the least squares problem

    theta' I theta = min over L(f), a of  sum_k N_k |dS_k.theta - S_k L - U_k a_k|^2 / sigma^2 + sum_k a_k^2 / v_k,

L being the relative change of the gain (free, complex, per path and frequency), U_k the directions of gain, phase and
flux errors and v_k = per-sweep variance / N_k + what does not average down.  It is the information that the likelihood
of measured ratios has, to first order in the noise; a line that may have been touched between the states, and what the model
leaves out of how pump-off sweeps change with the state, stand as further amplitudes, as there (`fluxsense.model.between_states`).

Where only magnitudes are used, dS_k is its part along S_k, L and a_k are real, phases do not count, and a point's weight falls
by |S|^2/(|S|^2 + sigma^2), as the variance of an amplitude grows towards the noise (`fluxsense.model.rice`).

Where only directions of transmission are used, a sweep's law is binomial instead, and needs neither gain nor pump-off sweeps
(`fluxsense.design.counted`); flux noise is in the law itself.

Slow flux noise makes the flux errors of groups depend on each other, across settings and states; it has amplitudes that
all sweeps of an isolator share (`fluxsense.design.timeline`), which are marginalised at the end.

Everything further is the chain rule: fluxes depend on the source, its position, offsets and flux focusing factors.  Angular
errors are root mean square angles of the local normal approximation; where they are not small against a radian, the
approximation is not valid and says so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import direction_error_rad
from fluxsense.base.streams import stream
from fluxsense.design.counted import apart_of_counts, count_slopes, information_of_counts
from fluxsense.design.timeline import gathered, slow_roots, spread_over_probes, with_amplitudes
from fluxsense.device.chip import (
    SETUP_ARRAYS,
    ChipModel,
    ChipParameters,
    Probe,
    SourceRows,
    loop_indices,
    matched_pump_frequency_hz,
    mutual_matrix_phi0_per_a,
    off_probe,
)
from fluxsense.infer.reading_law import ReadingLaw
from fluxsense.model.between_states import errors_between_states, linewidth_hz
from fluxsense.model.family import least_amplitude
from fluxsense.model.parameter import (
    EXTENT,
    FLUX_ARRAYS,
    FOCUSING,
    MODE_CHANGE,
    MUTUAL,
    OFFSET,
    POSITION,
    STATIC_FLUX,
    TILT,
    TURN,
    WRONG_WAY_RATE,
    Parameter,
)
from fluxsense.model.priors import eliminated_parameters
from fluxsense.model.remainder import smooth_functions
from fluxsense.model.slopes import scattering_slopes
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Noise, Setting, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

MOST_POINTS = 41
"""Frequencies that a prediction works with; the information of a finer sweep is scaled up from them."""
SMALLEST_WHITE = 1e-9
POSITION_STEP = 1e-4
"""Step of the differences with respect to position, as a part of the distance; relative error of the order of its square."""
NOT_PLANNED = (MUTUAL, STATIC_FLUX, MODE_CHANGE, WRONG_WAY_RATE, *SETUP_ARRAYS)
"""Arrays whose uncertainty a plan leaves out: static flux and cross-talk, modes that move between cooldowns, line ends, direct paths,
analyser, wrong readings."""
COUNT_POINTS = 64
"""Points of the prior that a search with directions works at, at least: with few it finds what is best for those alone."""
VALID_ERROR_DEG = 15.0
"""Angular error up to which the normal approximation of a posterior on the sphere is taken as valid."""


def covariance_of_source(matrix: FloatArray, keep: npt.NDArray[np.intp]) -> FloatArray:
    """Covariance (B, 3, 3) of the source vector for curvatures (B, D, D), the unknowns beyond `keep` known exactly.

    keep (K,) has the source's three columns first; the others are marginalised (Schur complement).
    """
    full = matrix if np.array_equal(keep, np.arange(matrix.shape[-1])) else matrix.take(keep, axis=1).take(keep, axis=2)
    among = full[:, :3, :3] - full[:, :3, 3:] @ np.linalg.solve(full[:, 3:, 3:], full[:, 3:, :3])
    return np.asarray(np.linalg.inv(0.5 * (among + among.transpose(0, 2, 1))), dtype=np.float64)


# ---------------------------------------------------------------- a bench: one isolator at one bias


@dataclass(frozen=True)
class Bench:
    """Settings of one isolator that share a bias, with the pump-off sweeps taken there.

    Attributes
    ----------
    isolator : int
    bias_a : tuple of float
    probes : tuple of Probe
        Pump-on probes, then the pump-off probe.
    settings : tuple of int
        Positions of the pump-on probes' settings in the study.
    local : tuple of Parameter
        What the traces depend on directly, beside the two fluxes.
    model : ChipModel
    """

    isolator: int
    bias_a: tuple[float, ...]
    probes: tuple[Probe, ...]
    settings: tuple[int, ...]
    local: tuple[Parameter, ...]
    model: ChipModel

    def slopes(self, flux_phi0: FloatArray, parameters: ChipParameters) -> tuple[ComplexArray, ComplexArray]:
        """Scattering parameters (R, P, 2, F) and slopes (R, n, P, 2, F) at fluxes (R, 2), parameters a batch of R."""
        every = np.repeat(flux_phi0[:, None, :], len(self.probes), axis=1)
        return scattering_slopes(self.model, parameters, self.isolator, every, self.local)

    @property
    def count(self) -> int:
        """How many kinds of sweeps there are in a state: one a setting, and the pump-off one, which is the last."""
        return len(self.probes)

    @cached_property
    def law(self) -> ReadingLaw:
        """Which way its pump-on sweeps transmit; quick where a search makes do with fewer frequencies."""
        study, grid = self.model.study, self.model.frequency_hz[self.isolator]
        quick = grid.size < min(study.sweep.points, MOST_POINTS)
        return ReadingLaw(study, self.isolator, self.probes[:-1], self.model.port_signs[self.isolator], quick)


@dataclass(frozen=True)
class Regression:
    """The least squares problem of a block's sweeps (see the module's text).

    Attributes
    ----------
    information : ndarray (R, n, n)
        About the local quantities.
    per_sweep : ndarray (R, P, n, n) or None
        Derivative of the information with respect to each probe's number of sweeps.
    per_point : ndarray (R, F, n, n) or None
        Parts of the weighted residuals by frequency (see `frequency_shares`).
    """

    information: FloatArray
    per_sweep: FloatArray | None = None
    per_point: FloatArray | None = None


_IN_ORDER = ["einsum_path", (0, 1)]
"""Of two operands there is one order of summation; looking for it takes longer than summing."""


def _real(x: ComplexArray) -> FloatArray:
    """Complex values (..., 2, F) as rows of real ones (..., 4 F)."""
    return np.ascontiguousarray(x.reshape(*x.shape[:-2], x.shape[-2] * x.shape[-1])).view(np.float64)


@dataclass(frozen=True, eq=False)
class Swept:
    """How the probes of a block are swept.

    Attributes
    ----------
    sweeps : ndarray (P,)
        Numbers of sweeps N_k, not negative; they need not be whole.
    density : float
        Sweep points that each of the F frequencies stands for.
    states : int
        How many states the P probes are of, as many of each.
    relative : ndarray (C, P, 2, F) of complex, optional
        Relative errors of unit variance that sweeps have in common beside the gain.
    magnitude : bool
        Only magnitudes are used.
    least : float
        Magnitude below which nothing is taken of a point (`fluxsense.model.family.least_amplitude`).
    """

    sweeps: FloatArray
    density: float = 1.0
    states: int = 1
    relative: ComplexArray | None = None
    magnitude: bool = False
    least: float = 0.0


def regress(
    s: ComplexArray,
    slopes: ComplexArray,
    swept: Swept,
    noise: Noise,
    *,
    derivatives: bool = False,
    points: bool = False,
) -> Regression:
    """Information of the sweeps of a block.

    Parameters
    ----------
    s : ndarray (R, P, 2, F) of complex
        State by state.
    slopes : ndarray (R, n, P, 2, F) of complex
        The two fluxes of each state first.
    swept : Swept
    noise : Noise
    derivatives, points : bool
        Work out `per_sweep`, `per_point` too.

    Returns
    -------
    Regression

    Notes
    -----
    Errors of a probe's own sweeps touch that probe alone, so that products with them are taken probe by probe.
    """
    rows, count, probes, _, grid = slopes.shape
    n, density, states, relative = np.asarray(swept.sweeps, np.float64), swept.density, swept.states, swept.relative
    if not np.any(n > 0):
        return Regression(
            np.zeros((rows, count, count)),
            np.zeros((rows, probes, count, count)) if derivatives else None,
            np.zeros((rows, grid, count, count)) if points else None,
        )
    white = max(noise.white, SMALLEST_WHITE)
    gain, phase, stay, flux = noise.gain_drift**2, noise.phase_drift_rad**2, noise.residual_gain**2, noise.flux_phi0**2
    falls, stays = np.array([gain, phase, gain, phase, flux, flux]), np.array([stay] * 4 + [0.0, 0.0])
    if relative is not None and not len(relative):
        relative = None
    if swept.magnitude:
        falls[[1, 3]] = stays[[1, 3]] = 0.0
        power = s.real**2 + s.imag**2
        weight = np.where(power < swept.least**2, 0.0, 1 / np.sqrt(power + white**2))
        slopes = ((np.conj(s) * weight)[:, None] * slopes).real.astype(np.complex128)
        s = (power * weight).astype(np.complex128)
        if relative is not None:
            relative = relative[np.any(relative.real != 0, axis=(1, 2, 3))].real.astype(np.complex128)
    kinds = [int(z) for z in np.flatnonzero((falls > 0) | (stays > 0))]
    own, each = _own_errors(s, slopes, kinds, states), np.arange(probes)
    # of an amplitude: 1 / variance; of a probe that is not swept any, as nothing depends on it
    taken = np.where(n > 0, n, 1.0)
    variance = falls[kinds] / taken[:, None] + stays[kinds]  # (P, Z)
    basis = slopes if relative is None else np.concatenate([slopes, relative * s[:, None]], axis=1)
    more = basis.shape[1]
    precision = density * n / white**2  # (P,)
    root = np.sqrt(precision)
    power = np.einsum("p,rpaf->raf", precision, s.real**2 + s.imag**2)
    along = np.conj(s) * precision[:, None, None] / np.sqrt(np.maximum(power, 1e-300))[:, None]  # (R, P, 2, F)
    b = _real(basis.transpose(0, 2, 1, 3, 4) * root[:, None, None, None])  # (R, P, n + C, 4 F)
    e = _real(own * root[:, None, None, None])
    total = more + probes * len(kinds)
    gram = np.zeros((rows, total, total))
    gram[:, :more, :more] = (b @ b.transpose(0, 1, 3, 2)).sum(axis=1)
    cross = (b @ e.transpose(0, 1, 3, 2)).transpose(0, 2, 1, 3).reshape(rows, more, -1)
    gram[:, :more, more:], gram[:, more:, :more] = cross, cross.transpose(0, 2, 1)
    inside = gram[:, more:, more:].reshape(rows, probes, len(kinds), probes, len(kinds))
    inside[:, each, :, each] = (e @ e.transpose(0, 1, 3, 2)).transpose(1, 0, 2, 3)
    gram[:, more:, more:] = inside.reshape(rows, total - more, total - more)
    shared = np.concatenate(
        [
            np.einsum("rpaf,rzpaf->rzaf", along, basis, optimize=_IN_ORDER),
            (along[:, :, None] * own).reshape(rows, -1, 2, grid),
        ],
        axis=1,
    )
    flat = _real(shared)
    gram -= flat @ flat.transpose(0, 2, 1)
    information, follow = gram[:, :count, :count], np.zeros((rows, total - count, count))
    if total > count:
        inner = gram[:, count:, count:] + np.diag(np.concatenate([np.ones(more - count), 1 / variance.reshape(-1)]))
        follow = np.linalg.solve(inner, gram[:, count:, :count])  # (R, A, n)
        information = information - gram[:, :count, count:] @ follow
    information = 0.5 * (information + information.transpose(0, 2, 1))
    if not (derivatives or points):
        return Regression(information)
    # residuals at the optimum: slopes - sum_z a_z U_z - S L
    of_own = follow[:, more - count :].reshape(rows, probes, len(kinds), count)
    residual = slopes - np.einsum("rpzn,rpzaf->rnpaf", of_own, own, optimize=_IN_ORDER)
    residual -= np.einsum("rcn,rcpaf->rnpaf", follow[:, : more - count], basis[:, count:], optimize=_IN_ORDER)
    change = np.einsum("rpaf,rnpaf->rnaf", along, residual, optimize=_IN_ORDER) / np.sqrt(power)[:, None]
    residual -= s[:, None] * change[:, :, None]
    by_point = _by_point(residual * root[:, None, None]) if points else None
    if not derivatives:
        return Regression(information, None, by_point)
    part = _real(residual.transpose(0, 2, 1, 3, 4))
    by_probe = part @ part.transpose(0, 1, 3, 2) * (density / white**2)
    factor = np.where(n > 0, 1.0, 0.0)[:, None] * falls[kinds] / (taken[:, None] * variance) ** 2
    by_probe += np.einsum("rpzi,rpzj->rpij", factor[..., None] * of_own, of_own, optimize=_IN_ORDER)
    return Regression(information, by_probe, by_point)


def _own_errors(s: ComplexArray, slopes: ComplexArray, kinds: Sequence[int], states: int) -> ComplexArray:
    """Along what a probe's own errors act (R, P, Z, 2, F): gain and phase of either path (kinds 0 to 3), flux of either loop (4, 5)."""
    rows, probes, _, grid = s.shape
    out = np.zeros((rows, probes, len(kinds), 2, grid), dtype=np.complex128)
    each = np.arange(probes)
    for place, z in enumerate(kinds):
        if z < 4:
            out[:, :, place, z // 2] = (1.0 if z % 2 == 0 else 1j) * s[:, :, z // 2]
        else:
            out[:, :, place] = slopes[:, 2 * (each // (probes // states)) + z - 4, each]
    return out


def _by_point(residual: ComplexArray) -> FloatArray:
    """Squares (R, F, n, n) of weighted residuals (R, n, P, 2, F) by frequency."""
    rows, count, _, _, grid = residual.shape
    at = np.ascontiguousarray(residual.transpose(0, 4, 1, 2, 3).reshape(rows, grid, count, -1)).view(np.float64)
    return np.asarray(at @ at.transpose(0, 1, 3, 2))


# ---------------------------------------------------------------- the planned experiment


@dataclass(frozen=True)
class Block:
    """A bench in one cooldown, in all its states, with its numbers of sweeps: state by state, the pump-off ones last in each."""

    bench: int
    states: tuple[int, ...]
    cooldown: int
    sweeps: tuple[float, ...]

    def by_state(self) -> FloatArray:
        """The numbers of sweeps, shape (states, P)."""
        return np.array(self.sweeps).reshape(len(self.states), -1)


@dataclass(frozen=True)
class Experiment:
    """A planned experiment: benches, blocks of sweeps, unknowns and noise.

    Attributes
    ----------
    study : Study
    unknowns : Unknowns
    benches : tuple of Bench
    blocks : tuple of Block
    density : float
        Sweep points per frequency that the prediction works with.
    noise : Noise
    slow : tuple of ndarray (P, R), or None
        Slow flux errors of each block's probes per amplitude, for the plan as first made (`timeline.slow_roots`).
    """

    study: Study
    unknowns: Unknowns
    benches: tuple[Bench, ...]
    blocks: tuple[Block, ...]
    density: float
    noise: Noise = field(default_factory=Noise)
    slow: tuple[FloatArray, ...] | None = None

    def parameters(self, x: FloatArray) -> ChipParameters:
        """Chip parameters of whitened vectors (B, D)."""
        return self.unknowns.parameters(x)

    def slopes(
        self, bench: Bench, flux_phi0: FloatArray, parameters: ChipParameters
    ) -> tuple[ComplexArray, ComplexArray]:
        """`Bench.slopes` in all states of a block, at fluxes (R, S, 2); with slow flux noise also those by the flux of single probes.

        Of directions probabilities and their slopes (`counted.count_slopes`) in the same shapes, with one path and frequency.

        Returns
        -------
        s : ndarray (R, S P, 2, F) of complex
        slopes : ndarray (R, 2 S + n, S P, 2, F) of complex
            By the two fluxes of each state, then by what acts directly in all of them; see `timeline.spread_over_probes`.
        """
        each = [self._of_one_state(bench, flux_phi0[:, n], parameters) for n in range(flux_phi0.shape[1])]
        s = np.concatenate([one for one, _ in each], axis=1)
        states, count = len(each), bench.count
        out = np.zeros((len(s), each[0][1].shape[1] + 2 * (states - 1), *s.shape[1:]), dtype=np.complex128)
        for n, (_, slopes) in enumerate(each):
            own = slice(n * count, (n + 1) * count)
            out[:, 2 * n : 2 * n + 2, own], out[:, 2 * states :, own] = slopes[:, :2], slopes[:, 2:]
        return s, out if self.slow is None else spread_over_probes(out, states)

    def _of_one_state(
        self, bench: Bench, flux_phi0: FloatArray, parameters: ChipParameters
    ) -> tuple[ComplexArray, ComplexArray]:
        if self.study.data.of_counts:
            p, by_flux = count_slopes(bench.law, flux_phi0)
            return p.astype(np.complex128), by_flux.astype(np.complex128)
        return bench.slopes(flux_phi0, parameters)

    def regress(
        self, block: Block, s: ComplexArray, slopes: ComplexArray, *, derivatives: bool = False, points: bool = False
    ) -> Regression:
        """`regress` with the experiment's noise, density and kind of data."""
        sweeps, good = np.array(block.sweeps), 1.0 - self.study.noise.bad_sweeps
        if self.study.data.of_counts:
            return Regression(*information_of_counts(slopes, sweeps))
        swept = Swept(
            good * sweeps,
            self.density,
            len(block.states),
            self._between_states(block),
            self.study.data.of_magnitudes,
            self._least[block.bench],
        )
        found = regress(s, slopes, swept, self.noise, derivatives=derivatives, points=points)
        return found if found.per_sweep is None else replace(found, per_sweep=good * found.per_sweep)

    @cached_property
    def _least(self) -> tuple[float, ...]:
        """Magnitudes below which `orient` takes nothing of a point, bench by bench."""
        if not self.study.data.of_magnitudes:
            return (0.0,) * len(self.benches)
        found = eliminated_parameters(self.study, ("c1",), sorted({b.isolator for b in self.benches}))
        return tuple(least_amplitude(found[b.isolator]) for b in self.benches)

    def _between_states(self, block: Block) -> ComplexArray:
        """Relative errors (C, S P, 2, F) of unit variance of what a state's sweeps have in common."""
        bench = self.benches[block.bench]
        grid = bench.model.frequency_hz[bench.isolator]
        functions = smooth_functions(
            grid, (float(grid.min()), float(grid.max())), linewidth_hz(self.study, bench.isolator)
        )
        states = [self.study.states[n].name for n in block.states for _ in bench.probes]
        off = [not probe.pump_on for _ in block.states for probe in bench.probes]
        return errors_between_states(self.study, bench.isolator, states, off, functions)

    def apart(self, truth: ComplexArray, s: ComplexArray) -> ComplexArray:
        """How traces (B, P, 2, F) miss true ones, as columns (B, c, P, 2, F) for `regress`: the first gives the gradient, the last the misfit."""
        if self.study.data.of_counts:
            return apart_of_counts(truth.real, s.real).astype(np.complex128)
        if self.study.data.of_magnitudes:  # along s, as long as the magnitudes are apart
            return ((np.abs(truth) / np.maximum(np.abs(s), 1e-300) - 1) * s)[:, None]
        return (truth - s)[:, None]


def planned_experiment(
    study: Study,
    *,
    settings: Sequence[Setting] | None = None,
    states: Sequence[str] | None = None,
    most_points: int = MOST_POINTS,
    frequency_hz: npt.ArrayLike | None = None,
    unknowns: Unknowns | None = None,
) -> Experiment:
    """The experiment that a study plans.

    Parameters
    ----------
    study : Study
    settings : sequence of Setting, optional
        Instead of the study's.
    states : sequence of str, optional
        Instead of the plan's.
    most_points : int
        Frequencies to work with at most.
    frequency_hz : array_like (F,), optional
        Frequencies to sweep instead of the study's; all of them are worked with.
    unknowns : Unknowns, optional
        `planned_unknowns`, where a search over settings has them already.

    Returns
    -------
    Experiment

    Raises
    ------
    InputError
        If there is no setting or no state.
    """
    if settings is not None:
        study = replace(study, settings=tuple(settings))
    chosen = study.plan.states if states is None else tuple(states)
    if not study.settings or not chosen:
        raise InputError(
            "the study defines no settings or no states, so there is no experiment to judge",
            where=study.path.name,
            remedy="Add a [[setting]], and states to [plan]",
        )
    if frequency_hz is None:
        points = min(study.sweep.points, most_points)
        grid = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, points)
        density = study.sweep.points / points
    else:
        grid, density = np.array(frequency_hz, dtype=np.float64), 1.0
    benches: list[Bench] = []
    unknowns = unknowns or planned_unknowns(study)
    for i, iso in enumerate(study.isolators):
        own = [k for k, s in enumerate(study.settings) if iso.name in s.isolators]
        for bias in dict.fromkeys(study.settings[k].bias_a for k in own):
            at_bias = [k for k in own if study.settings[k].bias_a == bias]
            benches.append(_bench(study, unknowns, i, bias, at_bias, grid))
    on, off = float(study.plan.repeats), float(study.plan.off_repeats)
    index = {s.name: n for n, s in enumerate(study.states)}
    states_swept = tuple(index[state] for state in chosen)
    blocks = tuple(
        Block(b, states_swept, c, ((on,) * len(bench.settings) + (off,)) * len(chosen))
        for c in range(len(study.plan.cooldowns))
        for b, bench in enumerate(benches)
    )
    slow = slow_roots(
        study,
        [(b.isolator, b.bias_a, b.settings) for b in benches],
        [(b.bench, b.states, b.cooldown) for b in blocks],
        [b.sweeps for b in blocks],
    )
    return Experiment(study, unknowns, tuple(benches), blocks, density, study.noise, slow)


def planned_unknowns(study: Study) -> Unknowns:
    """The unknowns that a design is judged with.

    A prior that lists candidate directions becomes the whole sphere with the candidates kept: the angular error about each
    candidate is then that of a free direction, `direction_points` are the candidates, and which of them it is stands with
    `confusion_rate`.
    """
    if study.source.direction.candidates:
        free = replace(study.source.direction, kind="sphere")
        study = replace(study, source=replace(study.source, direction=free))
    return Unknowns(study, study.plan.cooldowns, leave_out=NOT_PLANNED, everything=True)


def _bench(
    study: Study, unknowns: Unknowns, isolator: int, bias: tuple[float, ...], chosen: list[int], grid: FloatArray
) -> Bench:
    """An isolator's probes at the settings of the study that are chosen; those of the unknowns' study may be others."""
    on = [
        Probe(
            isolator,
            True,
            study.settings[k].pump_port,
            study.settings[k].pump_phase_rad,
            study.settings[k].pump_power_w,
            study.settings[k].pump_frequency_hz
            or matched_pump_frequency_hz(study, isolator, bias, study.settings[k].pump_power_w),
            bias,
            0,
            0,
        )
        for k in chosen
    ]
    probes = (*on, off_probe(on[0]))
    local = tuple(n for n in unknowns.nuisances if n.of_chip and n.array not in FLUX_ARRAYS and n.index[0] == isolator)
    model = ChipModel(study, probes, [grid] * len(study.isolators))
    return Bench(isolator, bias, probes, tuple(chosen), local, model)


@dataclass(frozen=True)
class FluxChain:
    """Source fluxes of a batch of B parameter sets and their slopes with respect to the whitened unknowns.

    Attributes
    ----------
    flux_phi0 : ndarray (B, S, L)
        Of source or calibration source, flux focusing factor included.
    slopes : ndarray (B, S, L, D)
        Without the offsets' share, which is one per cooldown.
    """

    flux_phi0: FloatArray
    slopes: FloatArray


def source_slopes(unknowns: Unknowns, x: FloatArray) -> FloatArray:
    """Derivative (B, 3, 3) of the source vector (SI) with respect to the first three whitened unknowns."""
    prior = unknowns.source_prior
    size = unknowns.study.source.size
    eye = np.eye(3)[None]
    if prior.size_prior != "fixed":
        return np.asarray(np.broadcast_to(size * eye, (x.shape[0], 3, 3)))
    w = x[:, :3]
    r = np.sqrt(np.sum(w * w, axis=1))[:, None, None]
    unit = w[:, :, None] / r
    return np.asarray(size * (eye - unit * unit.transpose(0, 2, 1)) / r)


def flux_chain(model: ChipModel, unknowns: Unknowns, x: FloatArray, parameters: ChipParameters) -> FluxChain:
    """Fluxes of the source and their slopes for whitened vectors (B, D); any bench's model will do."""
    place, moments = parameters["position_m"], parameters.get(EXTENT)
    calibration = model.source_flux(parameters.changed(source=np.zeros_like(parameters["source"])))
    rows, slopes = rows_and_slopes(model.source_rows, unknowns, place, moments, _position_step_m(model))
    return chain_of(unknowns, x, parameters, rows, slopes, calibration)


def rows_and_slopes(
    source: SourceRows, unknowns: Unknowns, position_m: FloatArray, moments_m2: FloatArray | None, step_m: float
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Rows (B, S, L, 3) of a source in each state, and their derivatives by each parameter of the source, by its name."""
    own = [n for n in unknowns.nuisances if n.of_source]
    moved = [n for n in own if n.array == POSITION]
    steps = step_m * np.eye(3)[[n.index[0] for n in moved]]
    places = position_m + np.concatenate([np.zeros((1, 3)), steps, -steps])[:, None]  # (1 + 2 A, B, 3), in one call
    many = None if moments_m2 is None else np.tile(moments_m2, (len(places), 1))
    rows = source.in_states(places.reshape(-1, 3), many)
    rows = rows.reshape(*places.shape[:2], *rows.shape[1:])
    differences = (rows[1 : 1 + len(moved)] - rows[1 + len(moved) :]) / (2 * step_m)
    out = {n.name: difference for n, difference in zip(moved, differences, strict=True)}
    for array, derivatives in ((EXTENT, source.by_moments), (TILT, source.by_tilt), (TURN, source.by_turn)):
        mine = [n for n in own if n.array == array]
        if mine:
            by = derivatives(position_m)
            out |= {n.name: n.of(by) for n in mine}
    return rows[0], {n.name: out[n.name] for n in own}


def chain_of(
    unknowns: Unknowns,
    x: FloatArray,
    parameters: ChipParameters,
    rows: FloatArray,
    row_slopes: Mapping[str, FloatArray],
    calibration: FloatArray,
) -> FluxChain:
    """Fluxes and slopes from flux rows (..., B, S, L, 3), their slopes by the source's parameters, and calibration fluxes (B, S, L)."""
    area = parameters["flux_focusing"][:, None, :]  # (B, 1, L)
    vectors = parameters["source"][:, None, :, None]
    flux = calibration + area * (rows @ vectors)[..., 0]
    slopes = np.zeros((*flux.shape, unknowns.size))
    slopes[..., :3] = area[..., None] * (rows @ source_slopes(unknowns, x)[:, None])
    for column, one in enumerate(unknowns.nuisances, unknowns.lead):
        if one.of_source:
            slopes[..., column] = one.sd * area * (row_slopes[one.name] @ vectors)[..., 0]
        elif one.array == FOCUSING:
            loop = one.index[0]
            slopes[..., loop, column] = one.sd * flux[..., loop] / area[..., loop]
    return FluxChain(flux, slopes)


def _position_step_m(model: ChipModel) -> float:
    """Step of differences by the source's place: a part of its distance to the nearest loop's middle."""
    centres = np.array([np.mean(o, axis=0) for o in model.outlines_m])
    return POSITION_STEP * float(np.min(np.linalg.norm(centres - np.array(model.study.source.position_m), axis=1)))


def bench_flux(
    experiment: Experiment, bench: Bench, block: Block, parameters: ChipParameters, chain: FluxChain
) -> FloatArray:
    """Flux (B, S, 2) in the two loops of a bench in a block's states and cooldown."""
    study = experiment.study
    loops = loop_indices(study)[bench.isolator]
    bias = mutual_matrix_phi0_per_a(study)[loops] @ np.array(bench.bias_a)
    offset = parameters["offset_phi0"][:, block.cooldown][:, loops]
    return np.asarray(bias + offset[:, None] + chain.flux_phi0[:, list(block.states)][:, :, loops])


def local_slopes(experiment: Experiment, bench: Bench, block: Block, chain: FluxChain) -> FloatArray:
    """Derivative (B, 2 S + n, D) of a block's local quantities with respect to the whitened unknowns: the fluxes state by state first."""
    unknowns = experiment.unknowns
    loops = loop_indices(experiment.study)[bench.isolator]
    batch, fluxes = chain.flux_phi0.shape[0], 2 * len(block.states)
    out = np.zeros((batch, fluxes + len(bench.local), unknowns.size))
    out[:, :fluxes] = chain.slopes[:, list(block.states)][:, :, loops].reshape(batch, fluxes, -1)
    place = {(p.array, p.index): n for n, p in enumerate(bench.local, fluxes)}
    for column, one in enumerate(unknowns.nuisances, unknowns.lead):
        if one.array == OFFSET and one.index[0] == block.cooldown and one.index[1] in loops:
            out[:, int(np.flatnonzero(loops == one.index[1])[0]) : fluxes : 2, column] += one.sd
        elif (one.array, one.index) in place:
            out[:, place[one.array, one.index], column] = one.sd
    return out


@dataclass(frozen=True)
class Prediction:
    """Information of a planned experiment at B points of the prior.

    Attributes
    ----------
    x : ndarray (B, D)
        Whitened unknowns.
    information : ndarray (B, D, D)
        Of the data alone.
    prior : ndarray (B, D, D)
        Curvature of the prior.
    unknowns : Unknowns
    """

    x: FloatArray
    information: FloatArray
    prior: FloatArray
    unknowns: Unknowns

    def source_covariance(self, known: Sequence[str] = ()) -> FloatArray:
        """Covariance (B, 3, 3) of the scaled source vector, nuisances marginalised but for the kinds known exactly."""
        keep = [0, 1, 2] + [c for c, n in enumerate(self.unknowns.nuisances, 3) if n.group not in known]
        return covariance_of_source(self.information + self.prior, np.array(keep))

    def angular_error_rad(self, known: Sequence[str] = ()) -> FloatArray:
        """Root mean square angular error (B,) of the local normal approximation, in rad."""
        return direction_error_rad(self.x[:, :3], self.source_covariance(known))

    def expected_error_deg(self) -> float:
        """Mean over the points of the angular error, in degrees."""
        return float(np.degrees(np.mean(self.angular_error_rad())))

    def valid(self, known: Sequence[str] = ()) -> bool:
        """Whether the normal approximation holds at nine points in ten, some kinds of nuisance known exactly."""
        return bool(np.quantile(np.degrees(self.angular_error_rad(known)), 0.9) <= VALID_ERROR_DEG)


def prior_points(unknowns: Unknowns, count: int, seed: int, *, fresh: bool = False) -> FloatArray:
    """Points of the prior (count, D): those that a search works at, or fresh ones to judge what it found."""
    rng = stream(seed, "points to judge at") if fresh else stream(seed, "points to search at")
    return unknowns.draw(rng, count)


def search_count(study: Study, count: int) -> int:
    """At how many points of the prior to search, where `count` are enough for traces: directions tell within the flux noise of a flip only."""
    return max(count, COUNT_POINTS) if study.data.of_counts else count


def direction_points(unknowns: Unknowns, count: int, seed: int, *, fresh: bool = False) -> FloatArray:
    """Points (count, D) of the prior with the source's size put to the stated one.

    Angular errors scale about inversely with the size; at the stated size their mean is not ruled by the few draws in
    which the source all but vanishes.  Candidate directions that the study lists are taken in turn.
    """
    x = prior_points(unknowns, count, seed, fresh=fresh)
    listed = unknowns.study.source.direction.candidates
    if listed:
        x[:, :3] = np.array(listed)[np.arange(count) % len(listed)]
    x[:, :3] /= np.linalg.norm(x[:, :3], axis=1, keepdims=True)
    return x


def points_at(unknowns: Unknowns, vectors: npt.ArrayLike, sizes: float = 1.0) -> FloatArray:
    """Points (B, D) with given source directions (B, 3), sizes in units of the stated one, nuisances at their means."""
    v = np.atleast_2d(np.asarray(vectors, dtype=np.float64))
    x = np.zeros((v.shape[0], unknowns.size))
    x[:, :3] = sizes * v / np.linalg.norm(v, axis=1, keepdims=True)
    return x


def seen(
    experiment: Experiment, block: Block, parameters: ChipParameters, chain: FluxChain
) -> tuple[ComplexArray, ComplexArray]:
    """`Experiment.slopes` of a block's bench at the fluxes of its states."""
    bench = experiment.benches[block.bench]
    return experiment.slopes(bench, bench_flux(experiment, bench, block, parameters, chain), parameters)


def block_regression(
    experiment: Experiment,
    block: Block,
    parameters: ChipParameters,
    chain: FluxChain,
    *,
    derivatives: bool = False,
) -> Regression:
    """The regression of one block at a batch of points; with slow flux noise also about the fluxes of single probes."""
    s, slopes = seen(experiment, block, parameters, chain)
    return experiment.regress(block, s, slopes, derivatives=derivatives)


def predict(experiment: Experiment, x: FloatArray) -> Prediction:
    """Information of a planned experiment at whitened points x (B, D).

    Parameters
    ----------
    experiment : Experiment
    x : ndarray (B, D)

    Returns
    -------
    Prediction
    """
    unknowns = experiment.unknowns
    parameters = unknowns.parameters(x)
    chain = flux_chain(experiment.benches[0].model, unknowns, x, parameters)
    total = data_information(experiment, parameters, chain)
    prior = np.array([unknowns.prior_curvature(point)[1] for point in x])
    return Prediction(x, total, prior, unknowns)


def one_source_each(experiment: Experiment) -> Experiment:
    """The same sweeps in blocks that see the source in their last state at most, so that two fluxes of it settle their information.

    Each state with the source stands beside its share of the sweeps without it, the line's gain common to the two; of directions,
    which know no line gain, and where the source is never out, each state stands for itself.
    """
    kinds = [s.kind for s in experiment.study.states]
    blocks, slow = [], []
    for n, block in enumerate(experiment.blocks):
        out = [k for k, state in enumerate(block.states) if kinds[state] == "out"][:1]
        out = [] if experiment.study.data.of_counts or len(block.states) == 1 else out
        others = [k for k in range(len(block.states)) if k not in out]
        sweeps = block.by_state()
        sweeps[out] /= len(others)
        for k in others:
            own = [*out, k]
            states = tuple(block.states[j] for j in own)
            blocks.append(Block(block.bench, states, block.cooldown, tuple(float(v) for v in sweeps[own].ravel())))
            if experiment.slow is not None:
                root = experiment.slow[n]
                slow.append(root.reshape(len(block.states), -1, root.shape[1])[own].reshape(-1, root.shape[1]))
    return replace(experiment, blocks=tuple(blocks), slow=None if experiment.slow is None else tuple(slow))


def block_slopes(experiment: Experiment, number: int, chain: FluxChain) -> FloatArray:
    """Jacobian (B, m, D + A) of a block's local quantities, by its position, with the slow noise's amplitudes, if any."""
    block = experiment.blocks[number]
    jacobian = local_slopes(experiment, experiment.benches[block.bench], block, chain)
    return jacobian if experiment.slow is None else with_amplitudes(jacobian, experiment.slow[number])


def data_information(experiment: Experiment, parameters: ChipParameters, chain: FluxChain) -> FloatArray:
    """Information (B, D, D) of all sweeps about the whitened unknowns."""
    parts = [
        (
            experiment.benches[block.bench].isolator,
            block_regression(experiment, block, parameters, chain).information,
            block_slopes(experiment, n, chain),
        )
        for n, block in enumerate(experiment.blocks)
    ]
    return gathered(parts, experiment.slow is not None, experiment.unknowns.size)[0]
