"""One isolator's parameters to predicted sweeps, and the misfit with line gain and drift eliminated.

Every prediction is `ChipModel.scattering`; nothing of the physics is written here.  A raw trace k of one path is

    d_k(f) = G(f) S_k(f) / (1 + e_k) + n_k(f),

with the line's gain G(f) free at every frequency (any ripple, any cable), a small complex gain error e_k of each
record (normal, standard deviation tau per quadrature) and white noise of standard deviation s_k.  To first order in e

    chi2 = sum |d_k (1 + e_k) - G S_k|^2 / s_k^2 + sum |e_k|^2 / tau^2,

which is linear in G and e, so both are eliminated exactly for every parameter set (variable projection: Golub and
Pereyra, SIAM J. Numer. Anal. 10, 413 (1973), cited from memory): G by a division per frequency, e by one Hermitian
system whose matrix is diagonal minus a Gram matrix.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.units import dbm_to_watt
from fluxsense.characterize.records import Record
from fluxsense.device.chip import ChipModel, Probe, nominal_parameters
from fluxsense.device.rings.bare import follow_branch
from fluxsense.magnetics.flux_map import bias_flux
from fluxsense.study import Stage, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

OFF_FIELDS = ("signal_frequency_hz", "signal_linewidth_hz", "signal_internal_hz", "signal_participation")
ON_FIELDS = ("idler_frequency_hz", "idler_linewidth_hz", "idler_internal_hz", "idler_participation", "coupling_hz")
KINDS = ("shunted", "bare", "bare, latching")
LEAST_SHUNT_RATIO = 2.001
"""Without stray inductance in the arms; with r L_J in each, more by 1/(1 - r) (`fluxsense.device.rings.stray_arms`)."""

_BOUNDS = {
    "signal_frequency_hz": (1e6, 1e12),
    "signal_linewidth_hz": (1e4, 1e10),
    "signal_internal_hz": (0.0, 1e10),
    "signal_participation": (1e-4, 0.95),
    "idler_frequency_hz": (1e6, 1e12),
    "idler_linewidth_hz": (1e4, 1e10),
    "idler_internal_hz": (0.0, 1e10),
    "idler_termination_hz": (0.0, 1e10),
    "idler_participation": (1e-4, 0.95),
    "coupling_hz": (1e3, 1e10),
    "shunt_ratio": (LEAST_SHUNT_RATIO, 100.0),
    "mutual": (-1e9, 1e9),
    "offset": (-8.0, 8.0),
    "area": (0.05, 20.0),
    "pump_phase_error_rad": (-1.2, 1.2),
    "link_amplitude": (0.02, 1.0),
    "link_phase_rad": (-0.5 * np.pi, 0.5 * np.pi),  # half a turn more is the other wiring of the pump ports
}

_UNITS = {"shunt_ratio": "", "mutual": "Phi0/A", "offset": "Phi0", "area": "", "link_amplitude": ""}


@dataclass(frozen=True)
class Parameter:
    """One number to be fitted.

    kind is a stage field, or one of ``shunt_ratio``, ``mutual``, ``offset``, ``area``, ``pump_phase_error_rad``,
    ``link_amplitude``, ``link_phase_rad``; stage is 0 or 1 (0 for the isolator's own); item is the position of the bias
    line or cooldown; low may raise its lower bound.
    """

    kind: str
    stage: int = 0
    item: int = 0
    label: str = ""
    low: float = -np.inf

    @property
    def unit(self) -> str:
        """Unit of the value."""
        if self.kind.endswith("_hz"):
            return "Hz"
        return "rad" if self.kind.endswith("_rad") else _UNITS.get(self.kind, "")

    @property
    def bounds(self) -> tuple[float, float]:
        """Where the value may lie."""
        low, high = _BOUNDS[self.kind]
        return max(low, self.low), high

    @property
    def needs_pump(self) -> bool:
        """Whether pump-off sweeps say nothing of it."""
        return self.kind in (
            *ON_FIELDS,
            "idler_termination_hz",
            "pump_phase_error_rad",
            "link_amplitude",
            "link_phase_rad",
        )


@dataclass(frozen=True)
class Block:
    """Records on one frequency grid: positions, raw traces (K, 2, F), and repeats per record."""

    rows: npt.NDArray[np.int64]
    frequency_hz: FloatArray
    traces: ComplexArray
    count: FloatArray


class IsolatorModel:
    """Predicts the records of one isolator from a vector of parameters.

    Parameters
    ----------
    study : Study
    isolator : int
    records : sequence of Record
        In the order of time.
    lines : sequence of int
        Bias lines whose mutual inductances are parameters; the others keep the study's values.
    kinds : (str, str)
        Ring kind of each stage, from `KINDS`.
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
        stages = tuple(
            (s if s.shunt_ratio > 0 else replace(s, ring="shunted", branch=None))
            if kind == "shunted"
            else replace(s, ring="bare", shunt_ratio=0.0, arm_inductance_ratio=0.0, branch=0)
            for s, kind in zip(iso.stages, kinds, strict=True)
        )
        power = iso.reference_power_w if reference_power_w is None else reference_power_w
        loops = tuple(replace(study.loop(s.loop), flux_focusing=1.0, offset_phi0=0.0) for s in iso.stages)
        self.reference_power_w = power
        self._sub = replace(
            study,
            isolators=(replace(iso, stages=(stages[0], stages[1]), reference_power_w=power),),
            loops=loops,
            bias_lines=(),
        )
        self._base = nominal_parameters(self._sub)
        states = [s.name for s in study.states]
        self._probes = [
            Probe(
                0,
                r.row.pump_on,
                r.row.pump_port,
                r.row.pump_phase_rad,
                dbm_to_watt(r.row.pump_power_dbm) if r.row.pump_on else 0.0,
                r.row.pump_frequency_hz,
                (),
                states.index(r.row.state),
                0,
            )
            for r in self.records
        ]
        self._current = np.array([r.row.bias_a for r in self.records]).reshape(len(self.records), -1)
        self._cooldown = np.array([self.cooldowns.index(r.row.cooldown) for r in self.records])
        self._states = np.array([p.state for p in self._probes])
        names = [s.loop for s in iso.stages]
        self._stated_mutual = np.array(
            [[dict(b.mutual_phi0_per_a).get(n, 0.0) for b in study.bias_lines] for n in names]
        )
        self.blocks = self._blocks()
        quiet = ChipModel(self._sub, [], [np.array([1e9])])
        self._calibration = quiet.source_flux(self._base)[0]  # (S, 2) at area 1, source out
        self._cache: OrderedDict[tuple[object, ...], list[ChipModel]] = OrderedDict()
        self.parameters = self._parameters()

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

    def _parameters(self) -> tuple[Parameter, ...]:
        out = []
        study = self.study
        pumped = any(r.row.pump_on for r in self.records)
        for k, stage in enumerate(self._sub.isolators[0].stages):
            where = f"stage {k + 1}"
            for name in OFF_FIELDS:
                out.append(Parameter(name, k, 0, f"{_words(name)}, {where}"))
            if self.kinds[k] == "shunted":
                low = LEAST_SHUNT_RATIO / (1.0 - stage.arm_inductance_ratio)
                out.append(Parameter("shunt_ratio", k, 0, f"shunt ratio, {where}", low))
            for line in self.lines:
                out.append(
                    Parameter(
                        "mutual",
                        k,
                        line,
                        f"mutual inductance of line {study.bias_lines[line].name} to loop {stage.loop}",
                    )
                )
            for c, cooldown in enumerate(self.cooldowns):
                out.append(Parameter("offset", k, c, f"flux offset of loop {stage.loop}, cooldown {cooldown}"))
            if self.areas:
                out.append(Parameter("area", k, 0, f"flux focusing of loop {stage.loop}"))
        if pumped:
            terminated = self._sub.isolators[0].link_kind == "line"
            for k in (0, 1):
                for name in ON_FIELDS:
                    out.append(Parameter(name, k, 0, f"{_words(name)}, stage {k + 1}"))
                if terminated:
                    out.append(Parameter("idler_termination_hz", k, 0, f"idler termination, stage {k + 1}"))
            out.append(Parameter("pump_phase_error_rad", 0, 0, "pump phase error"))
            out.append(Parameter("link_amplitude", 0, 0, "link amplitude"))
            out.append(Parameter("link_phase_rad", 0, 0, "link phase"))
        return tuple(out)

    def stage(self, k: int) -> Stage:
        """A stage as it is fitted: of the study's kind of ring where that has shunts and the sweeps show some."""
        return self._sub.isolators[0].stages[k]

    def index(self, kind: str, stage: int = 0, item: int = 0) -> int:
        """Position of a parameter in the vector; -1 if it is none."""
        for n, p in enumerate(self.parameters):
            if (p.kind, p.stage, p.item) == (kind, stage, item):
                return n
        return -1

    def stated(self) -> FloatArray:
        """The study's own values as a vector."""
        iso = self._sub.isolators[0]
        out = np.empty(len(self.parameters))
        for n, p in enumerate(self.parameters):
            if p.kind == "mutual":
                out[n] = self._stated_mutual[p.stage, p.item]
            elif p.kind in ("offset", "pump_phase_error_rad"):
                out[n] = 0.0
            elif p.kind == "area":
                out[n] = 1.0
            elif p.kind in ("link_amplitude", "link_phase_rad"):
                out[n] = getattr(iso, p.kind)
            else:
                out[n] = getattr(iso.stages[p.stage], p.kind)
        return out

    def flux_phi0(self, vector: FloatArray) -> FloatArray:
        """Flux in both loops for every record, (P, 2), by bias, offset and calibration source."""
        mutual = self._stated_mutual.copy()
        offset = np.zeros((len(self.cooldowns), 2))
        area = np.ones(2)
        for p, value in zip(self.parameters, vector, strict=True):
            if p.kind == "mutual":
                mutual[p.stage, p.item] = value
            elif p.kind == "offset":
                offset[p.item, p.stage] = value
            elif p.kind == "area":
                area[p.stage] = value
        flux = np.asarray(bias_flux(mutual, self._current, np.zeros(2)))
        return np.asarray(flux + offset[self._cooldown] + self._calibration[self._states] * area)

    def ring_flux_phi0(self, vector: FloatArray) -> FloatArray:
        """Flux that fixes the ring's state, (P, 2): for a bare ring the branch it is in is added."""
        flux = self.flux_phi0(vector)
        for k, kind in enumerate(self.kinds):
            if kind == "bare":
                flux[:, k] -= np.round(flux[:, k])
            elif kind == "bare, latching":
                flux[:, k] += follow_branch(flux[:, k])
        return flux

    def _models(self, vector: FloatArray) -> list[ChipModel]:
        alpha = [0.0, 0.0]
        link = [self._sub.isolators[0].link_amplitude, self._sub.isolators[0].link_phase_rad]
        for p, value in zip(self.parameters, vector, strict=True):
            if p.kind == "shunt_ratio":
                alpha[p.stage] = float(value)
            elif p.kind == "link_amplitude":
                link[0] = float(value)
            elif p.kind == "link_phase_rad":
                link[1] = float(value)
        key = (*alpha, *link, self.port_sign)
        found = self._cache.get(key)
        if found is None:
            iso = self._sub.isolators[0]
            stages = tuple(replace(s, shunt_ratio=a) for s, a in zip(iso.stages, alpha, strict=True))
            sub = replace(
                self._sub,
                isolators=(
                    replace(iso, stages=(stages[0], stages[1]), link_amplitude=link[0], link_phase_rad=link[1]),
                ),
            )
            found = [
                ChipModel(sub, [self._probes[n] for n in b.rows], [b.frequency_hz], [self.port_sign])
                for b in self.blocks
            ]
            self._cache[key] = found
            if len(self._cache) > 32:
                self._cache.popitem(last=False)
        return found

    def predict(
        self, vector: FloatArray, ports: tuple[str, ...] = ("21", "12"), shift: FloatArray | None = None
    ) -> list[ComplexArray]:
        """S21 and S12 (or other elements) of every block, each (K, 2, F); `shift` (P, 2) is added to the fluxes."""
        stage: dict[str, FloatArray] = {}
        error = np.zeros((1, 1))
        for p, value in zip(self.parameters, vector, strict=True):
            if p.kind in (*OFF_FIELDS, *ON_FIELDS, "idler_termination_hz"):
                stage.setdefault(p.kind, np.zeros((1, 1, 2)))[0, 0, p.stage] = value
            elif p.kind == "pump_phase_error_rad":
                error[0, 0] = value
        base = self._base.changed(**stage, pump_phase_error_rad=error)
        flux = self.ring_flux_phi0(vector)
        if shift is not None:
            flux = flux + shift
        return [
            m.scattering(base, 0, ports, flux=flux[None, b.rows])[0]
            for m, b in zip(self._models(vector), self.blocks, strict=True)
        ]

    def misfit(
        self, vector: FloatArray, noise: FloatArray, drift: float | None, shift: FloatArray | None = None
    ) -> Misfit:
        """Residuals at a vector, gains and drifts eliminated.

        Parameters
        ----------
        vector : ndarray (D,)
        noise : ndarray (2,)
            White noise of one sweep per quadrature for S21 and S12.
        drift : float or None
            tau; None leaves the gain errors out.
        shift : ndarray (P, 2), optional
            Added to the fluxes of the records.
        """
        parts, errors, gains, weights = [], [], [], []
        for block, s in zip(self.blocks, self.predict(vector, shift=shift), strict=True):
            for p in (0, 1):
                scale = np.sqrt(block.count) / noise[p]
                r, e, gain = eliminate(block.traces[:, p], s[:, p], scale, drift)
                parts.append(r)
                errors.append(e)
                gains.append(gain)
                weights.append(np.sum(np.abs(block.traces[:, p]) ** 2, axis=1) * scale**2)
        return Misfit(parts, errors, gains, drift, weights)


def _words(field: str) -> str:
    return field.removesuffix("_hz").replace("_", " ").replace("internal", "internal loss")


@dataclass(frozen=True)
class Misfit:
    """Whitened residuals per block and path (K, F), gain errors (K,), line gains (F,), in pairs S21, S12 per block.

    `weights` (K,) are one over the variance per quadrature with which a record alone tells its gain error.
    """

    residuals: list[ComplexArray]
    errors: list[ComplexArray]
    gains: list[ComplexArray]
    drift: float | None
    weights: list[FloatArray]

    def flat(self) -> FloatArray:
        """All residuals as one vector of real numbers, the gain errors' own terms at the end."""
        parts = [r.ravel().view(np.float64) for r in self.residuals]
        if self.drift is not None:
            parts += [(e / self.drift).view(np.float64) for e in self.errors]
        return np.nan_to_num(np.concatenate(parts), nan=1e3, posinf=1e3, neginf=-1e3)


def eliminate(
    traces: ComplexArray, s: ComplexArray, scale: FloatArray, drift: float | None
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Best line gain per frequency and gain error per record, and what is left.

    Parameters
    ----------
    traces, s : ndarray (K, F) of complex
        Measured and predicted.
    scale : ndarray (K,)
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
    d = traces * scale[:, None]
    m = s * scale[:, None]
    power = np.sum(m.real**2 + m.imag**2, axis=0)
    inverse = 1.0 / np.maximum(power, 1e-300)
    gain = np.sum(np.conj(m) * d, axis=0) * inverse
    error = np.zeros(len(d), dtype=np.complex128)
    if drift is not None:
        w = np.conj(d) * m * np.sqrt(inverse)
        matrix = -(w @ np.conj(w.T))
        matrix[np.diag_indices(len(d))] += np.sum(np.abs(d) ** 2, axis=1) + 1.0 / drift**2
        right = np.sum(np.conj(d) * (d - m * gain), axis=1)
        if np.all(np.isfinite(matrix)):
            error = -np.linalg.solve(matrix, right)
        d = d * (1.0 + error[:, None])
        gain = np.sum(np.conj(m) * d, axis=0) * inverse
    return d - m * gain, error, gain
