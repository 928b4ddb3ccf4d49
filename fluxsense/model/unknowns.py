"""The unknowns of a study and their priors, in whitened coordinates.

The sampler sees a vector x whose first three entries are the source vector divided by its size (Cartesian: no poles,
no seams); every other entry is a nuisance in units of its prior standard deviation, so that its prior is a standard
normal.  `Unknowns` turns batches of x into `ChipParameters` and knows the prior density of x.

The prior of the source vector w = x[:3] stands in `model.source_prior`.

A nuisance that has no meaning beyond a bound (a linewidth, a loss or a flux focusing factor below zero, a participation ratio outside
0..1) has its normal prior cut there, and the density raised by what was cut off.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fluxsense.device.chip import ChipParameters, SourceRows, loop_wires, nominal_array, nominal_parameters
from fluxsense.model.parameter import EXTENT, FOCUSING, OFFSET, POSITION, TILT, TURN
from fluxsense.model.priors import is_sampled, uncertain_parameters
from fluxsense.model.source_prior import LOG_2PI, source_prior
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]


class Unknowns:
    """Maps whitened vectors to parameters and back, and holds the prior.

    Parameters
    ----------
    study : Study
    cooldowns : sequence of str
        The campaign's cooldowns; each has offsets of its own.
    isolators : sequence of int, optional
        Positions of the isolators that were measured (all by default).
    with_source : bool
        False for the hypothesis that there is no source: then x holds nuisances only and positions are left out.
    leave_out : sequence of str
        Arrays whose parameters stay at their prior means, because somebody else integrates over them.
    sheared : mapping of cooldown to state, optional
        Cooldowns (positions) whose offsets are sampled as the loop's flux in a state (position) instead: the offset plus
        the source's flux.  For cooldowns without a reference state: there only the sum is measured, and in the offsets
        themselves the posterior would be a thin curved sheet.
    tamed : collection of str
        Names of parameters that the likelihood of ratios eliminates beyond those that it always does.
    everything : bool
        Take up also what the likelihood of ratios eliminates.
    """

    def __init__(
        self,
        study: Study,
        cooldowns: Sequence[str] = ("c1",),
        isolators: Sequence[int] | None = None,
        *,
        with_source: bool = True,
        leave_out: Sequence[str] = (),
        sheared: Mapping[int, int] | None = None,
        tamed: Collection[str] = (),
        everything: bool = False,
    ) -> None:
        self.study = study
        self.cooldowns = tuple(cooldowns)
        chosen = range(len(study.isolators)) if isolators is None else isolators
        self.with_source = with_source
        self.tamed, self.leave_out = frozenset(tamed), tuple(leave_out)
        nuisances = [
            p
            for p in uncertain_parameters(study, self.cooldowns, list(chosen))
            if everything or is_sampled(study, p, self.tamed)
        ]
        self.nuisances = tuple(n for n in nuisances if n.array not in leave_out and (with_source or not n.of_source))
        self._sheared = dict(sheared or {}) if with_source else {}
        self._shear = [
            (column, n, self._sheared[n.index[0]])
            for column, n in enumerate(self.nuisances, self.lead)
            if n.array == OFFSET and n.index[0] in self._sheared
        ]
        self._rows = SourceRows(study, loop_wires(study)) if self._shear else None
        self._low = np.array([(n.low - n.mean) / n.sd for n in self.nuisances])
        self._high = np.array([(n.high - n.mean) / n.sd for n in self.nuisances])
        self._log_kept = float(np.sum(np.log(ndtr(self._high) - ndtr(self._low))))
        self.source_prior = source_prior(
            study.source.size_prior, study.source.size_sd / study.source.size, study.source.direction
        )
        unit = study.source.unit
        lead = [f"source {a}" for a in "xyz"] if with_source else []
        self.names = tuple(lead + [n.name for n in self.nuisances])
        self.units = tuple([unit] * len(lead) + [n.unit for n in self.nuisances])

    @property
    def size(self) -> int:
        """Number of unknowns D."""
        return len(self.names)

    @property
    def sheared(self) -> Mapping[int, int]:
        """Cooldowns whose offsets are sampled as total fluxes, with the state that counts."""
        return dict(self._sheared)

    @property
    def lead(self) -> int:
        """Number of source components in front: 3, or 0 without a source."""
        return 3 if self.with_source else 0

    def source(self, x: FloatArray) -> FloatArray:
        """Source vectors in SI units, shape (B, 3), of whitened vectors (B, D)."""
        if not self.with_source:
            return np.zeros((x.shape[0], 3))
        return self.source_prior.vector(x[:, :3]) * self.study.source.size

    def parameters(self, x: FloatArray) -> ChipParameters:
        """Chip parameters of a batch of whitened vectors.

        Parameters
        ----------
        x : ndarray (B, D)

        Returns
        -------
        ChipParameters
            Batch of B; x is not changed.  A nuisance beyond its bounds (where the prior vanishes) is put on the bound,
            so that derivatives can be taken there.
        """
        x = self.natural(x)
        base = nominal_parameters(self.study, self.source(x), len(self.cooldowns))
        arrays = {name: base[name] for name in base}
        for column, n in enumerate(self.nuisances, self.lead):
            if n.of_chip:
                if n.array not in arrays:
                    arrays[n.array] = nominal_array(self.study, n.array, x.shape[0])
                n.put(arrays, n.value(x[:, column]))
        return ChipParameters(arrays)

    def whitened(self, parameters: ChipParameters) -> FloatArray:
        """Whitened vectors (B, D) of a batch of chip parameters: the inverse of `parameters` where offsets are not sheared.

        The noise scale and the rate of wrong readings, which the chip does not hold, are put at their prior means; a source is
        taken as a vector in units of the stated size.
        """
        out = np.zeros((parameters.batch, self.size))
        if self.with_source:
            out[:, :3] = parameters["source"] / self.study.source.size
        for column, n in enumerate(self.nuisances, self.lead):
            if n.of_chip:
                out[:, column] = n.whitened(n.of(parameters[n.array])) if n.array in parameters else 0.0
        return out

    def natural(self, x: FloatArray) -> FloatArray:
        """Whitened vectors with sheared offsets put back to offsets, (B, D)."""
        if not self._shear:
            return x
        out = np.array(x, dtype=np.float64)
        for column, shift in self._shifts(x).items():
            out[:, column] -= shift
        return out

    def _shifts(self, x: FloatArray) -> dict[int, FloatArray]:
        """The source's flux in each sheared loop, in standard deviations of the offset, per column."""
        assert self._rows is not None
        arrays = {
            POSITION: np.tile(np.array(self.study.source.position_m), (len(x), 1)),
            EXTENT: np.zeros((len(x), 5)),
            FOCUSING: np.tile(np.array([loop.flux_focusing for loop in self.study.loops]), (len(x), 1)),
            TILT: np.zeros((len(x), len(self.study.chips), 2)),
            TURN: np.zeros((len(x), len(self.study.states))),
        }
        for column, n in enumerate(self.nuisances, self.lead):
            if n.array in arrays:
                n.put(arrays, n.value(x[:, column]))
        rows = self._rows.in_states(arrays[POSITION], arrays[EXTENT], arrays[TILT], arrays[TURN])
        flux = np.einsum("bsli,bi->bsl", rows, self.source(x)) * arrays[FOCUSING][:, None]
        return {column: flux[:, state, n.index[1]] / n.sd for column, n, state in self._shear}

    def natural_jacobian(self, x: FloatArray) -> FloatArray:
        """Derivative (D, D) of the vector with plain offsets by x (D,); the identity where nothing is sheared."""
        if not self._shear:
            return np.eye(self.size)
        steps = 1e-5 * np.eye(self.size)
        moved = self.natural(np.concatenate([x + steps, x - steps]))
        return np.asarray((moved[: self.size] - moved[self.size :]).T / 2e-5)

    def physical(self, x: FloatArray) -> FloatArray:
        """Whitened vectors (B, D) in SI units (source vector first)."""
        x = self.natural(x)
        out = np.array(x, dtype=np.float64)
        if self.with_source:
            out[:, :3] = self.source(x)
        for column, n in enumerate(self.nuisances, self.lead):
            out[:, column] = n.value(x[:, column])
        return out

    def data_value(self, array: str, x: FloatArray) -> FloatArray | None:
        """Values (B,) of a parameter that belongs to the data and not to the chip; None if it is not there."""
        for column, n in enumerate(self.nuisances, self.lead):
            if n.array == array:
                return n.value(x[:, column])
        return None

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Log prior density of whitened vectors (B, D), normalised; -inf beyond a bound; shape (B,)."""
        x = self.natural(x)  # a shear: its Jacobian is one
        rest = x[:, self.lead :]
        log_p = -0.5 * np.sum(rest * rest, axis=1) - 0.5 * LOG_2PI * rest.shape[1] - self._log_kept
        if np.any(rest < self._low) or np.any(rest > self._high):
            log_p = np.where(np.all((rest >= self._low) & (rest <= self._high), axis=1), log_p, -np.inf)
        if self.with_source:
            log_p = log_p + self.source_prior.log_density(x[:, :3])
        return np.asarray(log_p)

    def prior_curvature(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gradient (D,) of the log prior at one x (D,), and a positive matrix (D, D) near its negative Hessian."""
        plain = self.natural(x[None])[0]
        gradient, matrix = -plain, np.eye(self.size)
        if self.with_source:
            gradient[:3], matrix[:3, :3] = self.source_prior.curvature(plain[:3])
        if self._shear:
            jacobian = self.natural_jacobian(x)
            return jacobian.T @ gradient, jacobian.T @ matrix @ jacobian
        return gradient, matrix

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draws from the prior, shape (count, D)."""
        rest = rng.standard_normal((count, len(self.nuisances)))
        while np.any(bad := (rest < self._low) | (rest > self._high)):
            rest[bad] = rng.standard_normal(int(bad.sum()))
        if not self.with_source:
            return rest
        out = np.concatenate([self.source_prior.draw(rng, count), rest], axis=1)
        if self._shear:
            for column, shift in self._shifts(out).items():
                out[:, column] += shift
        return out

    def at_bounds(self, x: FloatArray) -> list[tuple[str, float]]:
        """Share of vectors (N, D) that lie against a bound of the prior, for each quantity that has one.

        Against: within a twentieth of the prior's standard deviation for a nuisance; within a twentieth of its half-angle of
        the edge of a cap or plane of directions.
        """
        out = []
        for column, n in enumerate(self.nuisances, self.lead):
            low, high = self._low[column - self.lead], self._high[column - self.lead]
            if np.isfinite(low) or np.isfinite(high):
                out.append((n.name, float(np.mean((x[:, column] < low + 0.05) | (x[:, column] > high - 0.05)))))
        edge = self.source_prior.at_edge(x[:, :3]) if self.with_source else None
        return out if edge is None else [*out, ("direction", float(np.mean(edge)))]

    def label(self, column: int) -> tuple[str, float, str]:
        """Name, factor from SI and unit text that read well for one unknown."""
        name, unit = self.names[column], self.units[column]
        return name, *_reading_unit(unit, self.study.source.size if column < self.lead else None)


def _reading_unit(unit: str, size: float | None) -> tuple[float, str]:
    if size is not None:
        exponent = int(np.clip(np.floor(np.log10(size) / 3) * 3, -15, 0))
        prefix = {-15: "f", -12: "p", -9: "n", -6: "u", -3: "m", 0: ""}[exponent]
        return 10.0**-exponent, prefix + unit
    return {
        "m": (1e6, "um"),
        "m^2": (1e12, "um^2"),
        "Phi0": (1e3, "mPhi0"),
        "rad": (float(np.degrees(1.0)), "deg"),
        "Hz": (1e-6, "MHz"),
    }.get(unit, (1.0, unit))
