"""One isolator's parameters to predicted sweeps, and the misfit with line gain and drift eliminated.

Every prediction is `ChipModel.scattering`, every parameter a place in its named arrays; nothing of the physics is written
here.  A raw trace k of one path is

    d_k(f) = G(f) S_k(f) / (1 + e_k) + n_k(f),

with the line's gain G(f) free at every frequency (any ripple, any cable), a small complex gain error e_k of each
record (normal, standard deviation tau per quadrature) and white noise of standard deviation s_k.  To first order in e

    chi2 = sum |d_k (1 + e_k) - G S_k|^2 / s_k^2 + sum |e_k|^2 / tau^2,

which is linear in G and e, so both are eliminated exactly for every parameter set (variable projection: Golub and
Pereyra, SIAM J. Numer. Anal. 10, 413 (1973), cited from memory): G by a division per frequency, e by one Hermitian
system whose matrix is diagonal minus a Gram matrix.  Slopes of the residual are those at fixed G and e, with what a
change of G and e can take over projected out (Kaufman, BIT 15, 49 (1975), cited from memory).

Parameters are of two sorts: the chip's numbers, which the sweeps are there to tell, and the set-up's (line ends, direct
paths, hybrids, arms, pump ports, the analyser), which have the priors that `fluxsense.model.priors` gives them in the
inference.  Beside them each record has a flux of its own in both loops, small and random: `Curvature.marginal` eliminates it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.units import dbm_to_watt
from fluxsense.characterize.records import Record
from fluxsense.characterize.tracks import SHAPES
from fluxsense.device.chip import (
    LINE_ARRAYS,
    STAGE_FIELDS,
    ChipModel,
    ChipParameters,
    Probe,
    line_basis,
    nominal_array,
    nominal_parameters,
)
from fluxsense.device.isolator import PORTS
from fluxsense.device.setup import reflections_between
from fluxsense.model.parameter import (
    FLUX_ARRAYS,
    FOCUSING,
    MODE_CHANGE,
    MUTUAL,
    NOISE_SCALE,
    OFFSET,
    PUMP_PHASE,
    PUMP_STRENGTH,
    Parameter,
)
from fluxsense.model.priors import uncertain_parameters
from fluxsense.model.slopes import scattering_slopes
from fluxsense.study import Stage, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

OFF_FIELDS: Final = ("signal_frequency_hz", "signal_linewidth_hz", "signal_internal_hz", "signal_participation")
ON_FIELDS: Final = (
    "idler_frequency_hz",
    "idler_linewidth_hz",
    "idler_internal_hz",
    "idler_participation",
    "coupling_hz",
)
LINKS: Final = ("link_amplitude", "link_phase_rad")
LUMPED: Final = {"line_end": 4.0, "direct_path": 2.0}
"""Factors on the priors' standard deviations of line functions.  They are those of many echoes spread evenly over the delays; a few
connectors put more of their power into one delay.  A reflection next to the device acts much like a difference of linewidths."""
MIRRORED: Final = ("hybrid_imbalance_db", "hybrid_phase_error_rad", PUMP_PHASE, "pump_port_phase_rad")
_PUMP_ARRAYS: Final = (*ON_FIELDS, "idler_termination_hz", PUMP_PHASE, *LINKS)

LEAST_SHUNT_RATIO: Final = 2.001
"""Without stray inductance in the arms; with r L_J in each, more by 1/(1 - r) (`fluxsense.device.rings.stray_arms`)."""
_RANGES: Final = {
    "signal_frequency_hz": (1e6, 1e12, 1e6),
    "signal_linewidth_hz": (1e4, 1e10, 1e6),
    "signal_internal_hz": (0.0, 1e10, 2e5),
    "signal_participation": (1e-4, 0.95, 3e-3),
    "idler_frequency_hz": (1e6, 1e12, 3e6),
    "idler_linewidth_hz": (1e4, 1e10, 3e6),
    "idler_internal_hz": (0.0, 1e10, 2e6),
    "idler_termination_hz": (0.0, 1e10, 3e6),
    "idler_participation": (1e-4, 0.95, 3e-3),
    "coupling_hz": (1e3, 1e10, 3e5),
    "shunt_ratio": (LEAST_SHUNT_RATIO, 100.0, 0.1),
    MUTUAL: (-1e9, 1e9, 1.0),
    OFFSET: (-8.0, 8.0, 0.005),
    FOCUSING: (0.05, 20.0, 0.01),
    PUMP_PHASE: (-1.2, 1.2, 0.02),
    "link_amplitude": (0.02, 1.0, 0.02),
    "link_phase_rad": (-0.5 * np.pi, 0.5 * np.pi, 0.05),  # half a turn more is the other wiring of the pump ports
}
"""Where a number of the chip may lie, and the size of a step in it that matters."""
_UNITS: Final = {MUTUAL: "Phi0/A", OFFSET: "Phi0"}
_KIND_WORDS: Final = {MUTUAL: "mutual", OFFSET: "offset", FOCUSING: "area"}


@dataclass(frozen=True)
class Number(Parameter):
    """A parameter of an isolator by itself: its two loops are loops 0 and 1, itself isolator 0.

    kind is its array's name or a word for it, stage 0 or 1 (0 for the isolator's own), item the position of the bias line,
    cooldown, pump port or line function.  Of the chip's numbers sd is only the size of a step that matters; of the set-up's
    (`assumed`) mean and sd are a normal prior's.  needs_pump: pump-off sweeps say nothing of it.
    """

    kind: str = ""
    stage: int = 0
    item: int = 0
    assumed: bool = False
    needs_pump: bool = False

    @classmethod
    def sought(cls, array: str, index: tuple[int, ...], label: str, stage: int = 0, item: int = 0) -> Number:
        """One that the sweeps are to tell."""
        low, high, size = _RANGES[array]
        unit = "Hz" if array.endswith("_hz") else "rad" if array.endswith("_rad") else _UNITS.get(array, "")
        kind, on = _KIND_WORDS.get(array, array), array in _PUMP_ARRAYS
        return cls(label, array, index, 0.0, size, unit, low, high, "plain", 0, kind, stage, item, False, on)

    @classmethod
    def kept(cls, p: Parameter) -> Number:
        """One that keeps its prior."""
        stage, item = 0, (*p.index, 0)[1]
        if p.array in LINE_ARRAYS:
            stage, item = p.index[1], 2 * p.index[2] + p.index[3]
        elif p.array == MODE_CHANGE:
            stage, item = p.index[2], 2 * p.index[1] + p.index[3]
        given = {f.name: getattr(p, f.name) for f in fields(Parameter)}
        given["sd"] *= LUMPED.get(p.array, 1.0)
        return cls(**given, kind=p.array, stage=stage, item=item, assumed=True, needs_pump=p.array.startswith("pump_"))

    @property
    def listed(self) -> bool:
        """Whether it is a number that a study can state."""
        return self.array not in (*LINE_ARRAYS, MODE_CHANGE)

    @property
    def bounds(self) -> tuple[float, float]:
        """Where the value may lie."""
        return self.low, self.high


@dataclass(frozen=True)
class Block:
    """Records on one frequency grid: positions, raw traces (K, 2, F), and repeats per record."""

    rows: npt.NDArray[np.int64]
    frequency_hz: FloatArray
    traces: ComplexArray
    count: FloatArray


@dataclass(frozen=True)
class _Part:
    """Records of a block with the pump on, or off: their places in the block, and their model."""

    places: npt.NDArray[np.int64]
    pump_on: bool
    model: ChipModel


class IsolatorModel:
    """Predicts the records of one isolator from a vector of parameters.

    Parameters
    ----------
    study : Study
        Its sweep spans those of the records.
    isolator : int
    records : sequence of Record
        In the order of time.
    lines : sequence of int
        Bias lines whose mutual inductances are parameters; the others keep the study's values.
    kinds : (str, str)
        Ring kind of each stage, from `fluxsense.characterize.tracks.SHAPES`.
    port_sign : int
        Sign of the pump phase difference for pump port 1.
    reference_power_w : float
        Power at which the coupling is stated.
    areas : bool
        Whether flux focusing factors are parameters (there is a calibration state).
    """

    def __init__(
        self,
        study: Study,
        isolator: int,
        records: Sequence[Record],
        lines: Sequence[int],
        kinds: tuple[str, str] = ("shunted", "shunted"),
        port_sign: int = 1,
        reference_power_w: float | None = None,
        areas: bool = False,
    ) -> None:
        iso = study.isolators[isolator]
        self.study = study
        self.isolator = isolator
        self.records = tuple(records)
        self.lines = tuple(lines)
        self.kinds = kinds
        self.port_sign = port_sign
        self.areas = areas
        self.cooldowns = tuple(dict.fromkeys(r.row.cooldown for r in records))
        self.reference_power_w = iso.reference_power_w if reference_power_w is None else reference_power_w
        self._sub = _alone(study, isolator, kinds, self.reference_power_w)
        self.parameters = self._parameters()
        self._index = {(p.kind, p.stage, p.item): n for n, p in enumerate(self.parameters)}
        nominal = nominal_parameters(self._sub, cooldowns=len(self.cooldowns))
        missing = dict.fromkeys(p.array for p in self.parameters if p.array not in nominal)
        self._nominal = nominal.changed(**{name: nominal_array(self._sub, name, 1) for name in missing})
        probes = self._probes()
        self.blocks = self._blocks()
        self._parts = [
            [_Part(at, on, self._model(probes, b.rows[at], b.frequency_hz)) for on, at in _by_pump(probes, b.rows)]
            for b in self.blocks
        ]
        self._moving = [n for n, p in enumerate(self.parameters) if p.moves_flux]
        self._flux, self._flux_slopes = self._linear_flux(self._model(probes, range(len(probes)), np.array([1e9])))

    def of(self, records: Sequence[Record]) -> IsolatorModel:
        """The same of other records; their sweeps may have fewer frequencies, the set-up's functions stay as they are."""
        given = self.lines, self.kinds, self.port_sign, self.reference_power_w, self.areas
        return IsolatorModel(self.study, self.isolator, records, *given)

    def _probes(self) -> list[Probe]:
        states = [s.name for s in self.study.states]
        return [
            Probe(
                0,
                r.row.pump_on,
                r.row.pump_port,
                r.row.pump_phase_rad,
                dbm_to_watt(r.row.pump_power_dbm) if r.row.pump_on else 0.0,
                r.row.pump_frequency_hz,
                r.row.bias_a,
                states.index(r.row.state),
                self.cooldowns.index(r.row.cooldown),
            )
            for r in self.records
        ]

    def _model(self, probes: Sequence[Probe], rows: Sequence[int] | npt.NDArray[np.int64], f: FloatArray) -> ChipModel:
        return ChipModel(self._sub, [probes[n] for n in rows], [f], [self.port_sign])

    def _linear_flux(self, model: ChipModel) -> tuple[FloatArray, FloatArray]:
        """Flux of every record (P, 2) with all that moves it at zero, and its slopes by those parameters (P, 2, n)."""
        vectors = np.tile(self.stated(), (len(self._moving) + 1, 1))
        vectors[:, self._moving] = 0.0
        vectors[np.arange(len(self._moving)) + 1, self._moving] = 1.0
        flux = model.probe_flux(self.arrays(vectors), 0)
        return flux[0], np.moveaxis(flux[1:] - flux[0], 0, -1)

    def _blocks(self) -> list[Block]:
        grids: dict[bytes, list[int]] = {}
        for n, r in enumerate(self.records):
            grids.setdefault(r.frequency_hz.tobytes(), []).append(n)
        return [
            Block(
                np.array(rows),
                self.records[rows[0]].frequency_hz,
                np.array([self.records[n].mean for n in rows]),
                np.array([float(self.records[n].count) for n in rows]),
            )
            for rows in grids.values()
        ]

    def _parameters(self) -> tuple[Number, ...]:
        """The chip's numbers, then the set-up's: all that the inference holds uncertain and the sweeps are not there to tell."""
        of = Number.sought
        out = []
        pumped = any(r.row.pump_on for r in self.records)
        for k, stage in enumerate(self._sub.isolators[0].stages):
            where, loop = f"stage {k + 1}", stage.loop
            out += [of(name, (0, k), f"{_words(name)}, {where}", k) for name in OFF_FIELDS]
            if SHAPES[self.kinds[k]].shunted:
                ratio = of("shunt_ratio", (0, k), f"shunt ratio, {where}", k)
                out.append(replace(ratio, low=LEAST_SHUNT_RATIO / (1.0 - stage.arm_inductance_ratio)))
            for line in self.lines:
                name = self.study.bias_lines[line].name
                out.append(of(MUTUAL, (k, line), f"mutual inductance of line {name} to loop {loop}", k, line))
            for c, cooldown in enumerate(self.cooldowns):
                out.append(of(OFFSET, (c, k), f"flux offset of loop {loop}, cooldown {cooldown}", k, c))
            if self.areas:
                out.append(of(FOCUSING, (k,), f"flux focusing of loop {loop}", k))
        if pumped:
            terminated = self._sub.isolators[0].joined_by_line
            for k in (0, 1):
                out += [of(name, (0, k), f"{_words(name)}, stage {k + 1}", k) for name in ON_FIELDS]
                if terminated:
                    out.append(of("idler_termination_hz", (0, k), f"idler termination, stage {k + 1}", k))
            out.append(of(PUMP_PHASE, (0,), "pump phase error"))
            out += [of(name, (0,), _words(name)) for name in LINKS]
        told = {*STAGE_FIELDS, "shunt_ratio", *FLUX_ARRAYS, *LINKS, PUMP_PHASE, PUMP_STRENGTH, NOISE_SCALE}
        every = uncertain_parameters(self._sub, self.cooldowns, [0])
        setup = [Number.kept(p) for p in self._smoothed(every) if p.array not in told]
        return (*out, *(p for p in setup if pumped or not p.needs_pump))

    def _smoothed(self, every: Sequence[Parameter]) -> list[Parameter]:
        """Smoothing by the IF filter taken in as what it is to first order, a frequency offset of half of what it reaches back.

        (Beyond that it widens resonances by a part x of a step s as (x s)^2/12 times a second derivative: below 1e-3 here.)
        """
        sweep = self._sub.sweep
        step = (sweep.stop_hz - sweep.start_hz) / max(sweep.points - 1, 1)
        lag = sum(0.5 * step * p.sd for p in every if p.array == "if_smoothing")
        return [
            replace(p, sd=float(np.hypot(p.sd, lag))) if p.array == "analyser_offset_hz" else p
            for p in every
            if p.array != "if_smoothing"
        ]

    def stage(self, k: int) -> Stage:
        """A stage as it is fitted: of the study's kind of ring where that has shunts and the sweeps show some."""
        return self._sub.isolators[0].stages[k]

    def index(self, kind: str, stage: int = 0, item: int = 0) -> int:
        """Position of a parameter in the vector; -1 if it is none."""
        return self._index.get((kind, stage, item), -1)

    def stated(self) -> FloatArray:
        """The study's own values as a vector."""
        arrays = self._nominal
        return np.array([float(p.of(arrays[p.array])[0]) for p in self.parameters])

    def arrays(self, vectors: FloatArray) -> ChipParameters:
        """The forward model's named arrays for vectors (B, D)."""
        every = self._nominal.repeated(len(vectors))
        arrays = {name: every[name] for name in every}
        for p, values in zip(self.parameters, vectors.T, strict=True):
            p.put(arrays, values)
        return ChipParameters(arrays)

    def ring_flux_phi0(self, vector: FloatArray) -> FloatArray:
        """Flux that fixes the ring's state, (P, 2): for a bare ring the branch it is in is added."""
        flux = self._flux + self._flux_slopes @ vector[self._moving]
        for k, kind in enumerate(self.kinds):
            flux[:, k] = SHAPES[kind].ring_flux(flux[:, k])
        return np.asarray(flux)

    @property
    def sweeps_phase(self) -> bool:
        """Whether some records have a pump phase of their own instead of a port."""
        return any(r.row.pump_on and r.row.pump_port is None for r in self.records)

    def mirrored(self, vector: FloatArray) -> FloatArray:
        """The vector (D,) that makes the same S21 and S12, and S11 and S22 exchanged, where every pump comes through a port.

        With r the hybrid's through over cross amplitude and theta the pump phase difference, S21 and S12 hold r e^(i theta)
        and its inverse: r to -1/r and theta to pi - theta leave them, and make -S22 of S11 and -S11 of S22, so that line
        ends exchange places and signs.  Means of priors that are not zero break the symmetry a little.
        """
        out = vector.copy()
        for n, p in enumerate(self.parameters):
            if p.array in MIRRORED:
                out[n] = -vector[n]
            elif p.array == "line_end":
                out[n] = -vector[self.index(p.kind, 1 - p.stage, p.item)]
        return out

    def predict(
        self, vector: FloatArray, ports: tuple[str, ...] = ("21", "12"), shift: FloatArray | None = None
    ) -> list[ComplexArray]:
        """S21 and S12 (or other elements) of every block, each (K, 2, F); `shift` (P, 2) is added to the fluxes."""
        arrays, flux = self.arrays(vector[None]), self.ring_flux_phi0(vector)
        if shift is not None:
            flux = flux + shift
        found = []
        for block, parts in zip(self.blocks, self._parts, strict=True):
            s = np.empty((len(block.rows), len(ports), block.frequency_hz.size), dtype=np.complex128)
            for part in parts:
                here = flux[None, block.rows[part.places]]
                s[part.places] = part.model.scattering(arrays, 0, ports, flux=here)[0]
            found.append(s)
        return found

    def between_ends(self, vector: FloatArray) -> list[ComplexArray]:
        """All elements of every block, each (K, 4, F), without line ends and direct paths: what ends are put to in `reflections`."""
        device = vector.copy()
        device[[n for n, p in enumerate(self.parameters) if p.array in LINE_ARRAYS]] = 0.0
        return self.predict(device, PORTS)

    def reflections(self, vector: FloatArray, between: list[ComplexArray] | None = None) -> list[ComplexArray]:
        """S11 and S22 of every block, each (K, 2, F), as seen between the line ends but for a gain and a constant.

        `between` is `between_ends` of the vector, where it is known.
        """
        ends = self.arrays(vector[None]).get("line_end")
        found = []
        for block, s in zip(self.blocks, between or self.between_ends(vector), strict=True):
            e = np.zeros((2, block.frequency_hz.size), dtype=np.complex128)
            if ends is not None:
                e = (ends[0, 0] @ [1.0, 1j]) @ line_basis(self._sub, "line_end").at(block.frequency_hz)
            found.append(reflections_between(s, e))
        return found

    def slopes(
        self, vector: FloatArray, free: Sequence[int]
    ) -> Iterator[tuple[ComplexArray, ComplexArray, ComplexArray]]:
        """Per block S21 and S12 (2, K, F), their slopes by some of the parameters (2, n, K, F), and by the two fluxes (2, 2, K, F)."""
        flux = self.ring_flux_phi0(vector)
        for block, parts in zip(self.blocks, self._parts, strict=True):
            size = (len(block.rows), block.frequency_hz.size)
            s, by_flux = np.empty((2, *size), dtype=np.complex128), np.empty((2, 2, *size), dtype=np.complex128)
            slopes = np.zeros((2, len(free), *size), dtype=np.complex128)
            for part in parts:
                here = flux[None, block.rows[part.places]]
                for row, found in self._part_slopes(part, vector, here, free):
                    into = s if row is None else by_flux[:, row - len(free)] if row >= len(free) else slopes[:, row]
                    into[:, part.places] = found.swapaxes(0, 1)
            for row, n in enumerate(free):
                if n in self._moving:
                    moved = self._flux_slopes[block.rows, :, self._moving.index(n)]
                    slopes[:, row] = moved[:, 0, None] * by_flux[:, 0] + moved[:, 1, None] * by_flux[:, 1]
            yield s, slopes, by_flux

    def _part_slopes(
        self, part: _Part, vector: FloatArray, flux: FloatArray, free: Sequence[int]
    ) -> Iterator[tuple[int | None, ComplexArray]]:
        """S21 and S12 (K, 2, F) with None, then their slopes: by what is free and the fluxes do not tell with its place in
        `free` (the others are zero), by the two fluxes with the two places beyond."""
        chosen = [
            (row, self.parameters[n])
            for row, n in enumerate(free)
            if not self.parameters[n].moves_flux and (part.pump_on or not self.parameters[n].needs_pump)
        ]
        wanted = [p for _, p in chosen]
        s, found = scattering_slopes(part.model, self.arrays(vector[None]), 0, flux, wanted, one_sided=True)
        yield None, s[0]
        yield from ((len(free) + k, found[0, k]) for k in (0, 1))
        yield from ((row, slope) for (row, _), slope in zip(chosen, found[0, 2:], strict=True))

    def misfit(
        self, vector: FloatArray, noise: FloatArray, drift: float | None, shift: FloatArray | None = None
    ) -> Misfit:
        """Residuals at a vector, gains and drifts eliminated.

        Parameters
        ----------
        vector : ndarray (D,)
        noise : ndarray (2,) or (2, 3)
            White noise of one sweep per quadrature for S21 and S12 (`noise_along`).
        drift : float or None
            tau; None leaves the gain errors out.
        shift : ndarray (P, 2), optional
            Added to the fluxes of the records.
        """
        parts, errors, gains, weights, places = [], [], [], [], []
        for block, s in zip(self.blocks, self.predict(vector, shift=shift), strict=True):
            u = self.along(block)
            for p in (0, 1):
                scale = np.sqrt(block.count)[:, None] / noise_along(noise[p], u)
                r, e, gain = eliminate(block.traces[:, p], s[:, p], scale, drift)
                parts.append(r)
                errors.append(e)
                gains.append(gain)
                weights.append(np.sum(np.abs(block.traces[:, p] * scale) ** 2, axis=1))
                places.append(u)
        return Misfit(parts, errors, gains, drift, weights, places)

    def along(self, block: Block) -> FloatArray:
        """Where a block's frequencies (F,) lie in the study's sweep, from -1 to 1."""
        start, stop = self.study.sweep.start_hz, self.study.sweep.stop_hz
        return np.asarray((2 * block.frequency_hz - start - stop) / max(stop - start, 1.0))

    def curvature(self, vector: FloatArray, noise: FloatArray, misfit: Misfit, free: Sequence[int]) -> Curvature:
        """Half the second derivatives of chi2 by some of the parameters and by the records' own fluxes, linear model.

        Parameters
        ----------
        vector : ndarray (D,)
        noise : ndarray (2,) or (2, 3)
        misfit : Misfit
            At the vector, with a drift.
        free : sequence of int
            Positions of the n parameters.
        """
        n, q = len(free), 2 * len(self.records)
        size = n + q
        whole = np.zeros((size, size))
        columns = []
        for at, (s, slopes, by_flux) in enumerate(self.slopes(vector, free)):
            block = self.blocks[at]
            place = n + (2 * block.rows[None, :] + np.arange(2)[:, None])  # (2, K)
            order = np.concatenate([np.arange(n), place.ravel()])
            for p in (0, 1):
                scale = np.sqrt(block.count)[:, None] / noise_along(noise[p], self.along(block))
                own = -scale * misfit.gains[2 * at + p]
                dense, sparse = slopes[p], by_flux[p]
                dense *= own
                sparse *= own
                columns.append((place - n, dense, sparse))
                h = projected_products(block.traces[:, p] * scale, s[p] * scale, dense, sparse, misfit.drift or 0.0)
                whole[np.ix_(order, order)] += h
        return Curvature(whole[:n, :n], whole[:n, n:], whole[n:, n:], columns).at(misfit)


def _alone(study: Study, isolator: int, kinds: tuple[str, str], power_w: float) -> Study:
    """A study of one isolator, its two loops and what the bias lines put into them, nothing known of flux."""
    iso = study.isolators[isolator]
    stages = tuple(
        (s if s.shunt_ratio > 0 else replace(s, ring="shunted", branch=None))
        if SHAPES[kind].shunted
        else replace(s, ring="bare", shunt_ratio=0.0, arm_inductance_ratio=0.0, branch=0)
        for s, kind in zip(iso.stages, kinds, strict=True)
    )
    names = [s.loop for s in iso.stages]
    lines = tuple(
        replace(b, mutual_phi0_per_a=tuple(x for x in b.mutual_phi0_per_a if x[0] in names), stated_sd=())
        for b in study.bias_lines
    )
    return replace(
        study,
        isolators=(replace(iso, stages=(stages[0], stages[1]), reference_power_w=power_w),),
        loops=tuple(replace(study.loop(n), flux_focusing=1.0, offset_phi0=0.0) for n in names),
        bias_lines=lines,
        settings=(),
    )


def _by_pump(probes: Sequence[Probe], rows: npt.NDArray[np.int64]) -> list[tuple[bool, npt.NDArray[np.int64]]]:
    on = np.array([probes[n].pump_on for n in rows])
    return [(flag, np.flatnonzero(on == flag)) for flag in (False, True) if np.any(on == flag)]


def _words(field: str) -> str:
    return field.removesuffix("_hz").removesuffix("_rad").replace("_", " ").replace("internal", "internal loss")


@dataclass(frozen=True)
class Misfit:
    """Whitened residuals per block and path (K, F), gain errors (K,), line gains (F,), in pairs S21, S12 per block.

    `weights` (K,) are one over the variance per quadrature with which a record alone tells its gain error; `places` (F,) lie between
    -1 and 1 along the sweep.
    """

    residuals: list[ComplexArray]
    errors: list[ComplexArray]
    gains: list[ComplexArray]
    drift: float | None
    weights: list[FloatArray]
    places: Sequence[FloatArray] = ()

    @property
    def chi2(self) -> float:
        """Sum of squares of the residuals and of the gain errors over their standard deviation."""
        total = sum(float(np.sum(np.abs(r) ** 2)) for r in self.residuals)
        if self.drift is not None:
            total += sum(float(np.sum(np.abs(e) ** 2)) for e in self.errors) / self.drift**2
        return total if np.isfinite(total) else np.inf


@dataclass(frozen=True)
class Curvature:
    """A quadratic form about a vector: n parameters, and Q = 2 P fluxes of the records (record by record, loop by loop).

    Attributes
    ----------
    information : ndarray (n, n)
    cross : ndarray (n, Q)
    own : ndarray (Q, Q)
        Of the fluxes, per Phi0.
    columns : list of (ndarray (2, K), ndarray (n, K, F), (2, K, F) of complex)
        Per block and path which fluxes, and the slopes of the whitened residual by the parameters and by them.
    gradient, scores : ndarray (n,), (Q,)
        Half the derivatives of chi2 by parameters and fluxes.
    """

    information: FloatArray
    cross: FloatArray
    own: FloatArray
    columns: list[tuple[npt.NDArray[np.int64], ComplexArray, ComplexArray]]
    gradient: FloatArray = field(default_factory=lambda: np.zeros(0))
    scores: FloatArray = field(default_factory=lambda: np.zeros(0))

    def at(self, misfit: Misfit) -> Curvature:
        """The same with the gradient that residuals elsewhere have, slopes as here."""
        gradient, scores = np.zeros(len(self.information)), np.zeros(len(self.own))
        for (place, dense, sparse), r in zip(self.columns, misfit.residuals, strict=True):
            gradient += dense.reshape(len(dense), -1).view(np.float64) @ r.ravel().view(np.float64)
            scores[place] += np.sum(sparse.conj() * r, axis=2).real
        return replace(self, gradient=gradient, scores=scores)

    def scores_of(self, misfit: Misfit) -> FloatArray:
        """The fluxes' scores (Q,) for residuals elsewhere, slopes as here."""
        scores = np.zeros(len(self.own))
        for (place, _, sparse), r in zip(self.columns, misfit.residuals, strict=True):
            scores[place] += np.sum(sparse.conj() * r, axis=2).real
        return scores

    def shrink(self, spread: FloatArray) -> FloatArray:
        """(own + spread^-1)^-1 (Q, Q) for fluxes of covariance `spread`: what their most probable values are to their scores."""
        return np.asarray(np.linalg.solve(np.eye(len(spread)) + spread @ self.own, spread))


def projected_products(
    d: ComplexArray, m: ComplexArray, dense: ComplexArray, sparse: ComplexArray, drift: float
) -> FloatArray:
    """Inner products of slopes with the directions of line gain and gain errors projected out.

    Parameters
    ----------
    d, m : ndarray (K, F) of complex
        Traces and predictions over their noise.
    dense : ndarray (n, K, F) of complex
        Slopes of the whitened residual.
    sparse : ndarray (2, K, F) of complex
        Slopes by what moves one record alone: 2 K columns, loop by loop, record by record.
    drift : float
        Standard deviation per quadrature of the gain errors.

    Returns
    -------
    ndarray (n + 2 K, n + 2 K)
        Real parts.
    """
    n, k = len(dense), len(d)
    root = 1.0 / np.sqrt(np.maximum(np.sum(np.abs(m) ** 2, axis=0), 1e-300))
    unit = m.conj() * root
    w = d.conj() * m * root
    matrix = _error_information(d, w, drift)
    # along the line gain, and then along the gain errors
    on_gain = np.empty((n + 2 * k, d.shape[1]), dtype=np.complex128)
    on_error = np.zeros((n + 2 * k, k), dtype=np.complex128)
    conj = d.conj()
    for row, one in enumerate(dense):  # one at a time stays in the processor's cache
        on_gain[row] = np.einsum("kf,kf->f", unit, one)
        on_error[row] = np.einsum("kf,kf->k", conj, one)
    on_gain[n:] = (unit * sparse).reshape(2 * k, -1)
    own = np.sum(d.conj() * sparse, axis=2)  # (2, K)
    for loop in (0, 1):
        on_error[n + loop * k + np.arange(k), np.arange(k)] = own[loop]
    on_error = on_error - on_gain @ w.T
    out = -(on_gain.conj() @ on_gain.T).real - (on_error.conj() @ np.linalg.solve(matrix, on_error.T)).real
    flat = dense.reshape(n, -1).view(np.float64)
    out[:n, :n] += flat @ flat.T
    pairs = flat.reshape(n, k, -1), sparse.view(np.float64)  # real and imaginary parts side by side
    mixed = np.einsum("nkf,lkf->nlk", *pairs).reshape(n, 2 * k)
    out[:n, n:] += mixed
    out[n:, :n] += mixed.T
    both = np.einsum("akf,bkf->abk", sparse.conj(), sparse).real
    for a in (0, 1):
        for b in (0, 1):
            out[n + a * k + np.arange(k), n + b * k + np.arange(k)] += both[a, b]
    return np.asarray(out)


def _error_information(d: ComplexArray, w: ComplexArray, drift: float) -> ComplexArray:
    """Information (K, K) on the records' gain errors, line gain eliminated: traces d over noise, w = d* m/|m| (K, F) each."""
    matrix = -(w @ w.conj().T)
    matrix[np.diag_indices(len(d))] += np.sum(np.abs(d) ** 2, axis=1) + 1.0 / drift**2
    return np.asarray(matrix)


def noise_along(noise: npt.ArrayLike, place: FloatArray) -> FloatArray:
    """White noise of one path at places u (F,) along the sweep: its level, or (3,) level, tilt and bend.

    With three numbers s exp(a u + b (u^2 - 1/3)): the first amplifier's noise goes through all that follows it, so that it has
    the tilt of that gain, which is decibels over a wide sweep.
    """
    level, *shape = np.atleast_1d(np.asarray(noise, dtype=np.float64))
    if not shape:
        return np.full(place.shape, level)
    tilt, bend = shape
    return np.asarray(level * np.exp(tilt * place + bend * (place**2 - 1 / 3)))


def eliminate(
    traces: ComplexArray, s: ComplexArray, scale: FloatArray, drift: float | None
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Best line gain per frequency and gain error per record, and what is left.

    Parameters
    ----------
    traces, s : ndarray (K, F) of complex
        Measured and predicted.
    scale : ndarray (K,) or (K, F)
        One over the noise per quadrature of each record.
    drift : float or None
        Standard deviation per quadrature of the gain errors.

    Returns
    -------
    residual : ndarray (K, F) of complex
        In standard deviations.
    error : ndarray (K,) of complex
    gain : ndarray (F,) of complex
    """
    scale = scale if scale.ndim == 2 else scale[:, None]
    d, m = traces * scale, s * scale
    power = np.sum(m.real**2 + m.imag**2, axis=0)
    inverse = 1.0 / np.maximum(power, 1e-300)
    gain = np.sum(np.conj(m) * d, axis=0) * inverse
    error: ComplexArray = np.zeros(len(d), dtype=np.complex128)
    if drift is not None:
        w = np.conj(d) * m * np.sqrt(inverse)
        information = _error_information(d, w, drift)
        right = np.sum(np.conj(d) * (d - m * gain), axis=1)
        if np.all(np.isfinite(information)):
            error = np.asarray(-np.linalg.solve(information, right), dtype=np.complex128)
        d = d * (1.0 + error[:, None])
        gain = np.sum(np.conj(m) * d, axis=0) * inverse
    return d - m * gain, error, gain
