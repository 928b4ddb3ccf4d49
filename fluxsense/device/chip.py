"""The chip: every loop, bias line and isolator of a study, as one vectorised forward model.

`ChipModel` takes a batch of parameter sets and predicts, for a list of probes (isolator, setting, state, cooldown),
the scattering parameters on a frequency grid.  The scalar call is a batch of one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError, ModelError
from fluxsense.device.isolator import hybrid_elements, isolator_scattering
from fluxsense.device.ring import mode_frequency_hz, quarter_phase, ring_response
from fluxsense.magnetics.flux_map import bias_flux, clearance_m, coil_flux_map, flux_map, flux_map_unchecked
from fluxsense.magnetics.loops import place
from fluxsense.magnetics.sources import source_kind
from fluxsense.magnetics.wires import Wires
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

STAGE_FIELDS: Final = (
    "signal_frequency_hz",
    "signal_linewidth_hz",
    "signal_internal_hz",
    "signal_participation",
    "idler_frequency_hz",
    "idler_linewidth_hz",
    "idler_internal_hz",
    "idler_termination_hz",
    "idler_participation",
    "coupling_hz",
)


@dataclass(frozen=True)
class Probe:
    """What one group of sweeps looked at.

    isolator, state and cooldown are positions in the study's (or campaign's) lists.  pump_port is 1 or 2, or None for
    a free pump phase pump_phase_rad; with the pump off the pump's entries have no effect.
    """

    isolator: int
    pump_on: bool
    pump_port: int | None
    pump_phase_rad: float | None
    pump_power_w: float
    pump_frequency_hz: float
    bias_a: tuple[float, ...]
    state: int
    cooldown: int


class ChipParameters:
    """A batch of B parameter sets: named arrays with the batch axis in front.  A name that is not there has the study's value.

    Always there are ``source`` (B, 3) in T or A m^2, ``position_m`` (B, 3), ``offset_phi0`` (B, C, L) per cooldown and loop,
    ``flux_focusing`` (B, L), ``pump_strength`` (B, I) (factor on both couplings of an isolator, 1 as characterized) and
    ``pump_phase_error_rad`` (B, I) (added to the pump phase difference of either port).  Fields of a stage are (B, I, 2).

    Parameters
    ----------
    values : mapping of str to ndarray (B, ...)
    """

    __slots__ = ("_values",)

    def __init__(self, values: Mapping[str, FloatArray]) -> None:
        self._values = dict(values)

    def __getitem__(self, name: str) -> FloatArray:
        return self._values[name]

    def __contains__(self, name: object) -> bool:
        return name in self._values

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def get(self, name: str) -> FloatArray | None:
        """The array of that name, or None if the study's value holds."""
        return self._values.get(name)

    def changed(self, **values: FloatArray) -> ChipParameters:
        """The same batch with some arrays replaced or added."""
        return ChipParameters({**self._values, **values})

    @property
    def batch(self) -> int:
        """Number of parameter sets."""
        return int(self._values["source"].shape[0])

    def rows(self, chosen: slice) -> ChipParameters:
        """The parameter sets in a slice of the batch (views, not copies)."""
        return ChipParameters({name: x[chosen] for name, x in self._values.items()})

    def repeated(self, count: int) -> ChipParameters:
        """Each parameter set `count` times in a row."""
        return ChipParameters({name: np.repeat(x, count, axis=0) for name, x in self._values.items()})


def nominal_parameters(study: Study, source: npt.ArrayLike = (0.0, 0.0, 0.0), cooldowns: int = 1) -> ChipParameters:
    """The study's central values as a batch, one set per row of `source`.

    Parameters
    ----------
    study : Study
    source : array_like (3,) or (B, 3)
        Source vector in T or A m^2.
    cooldowns : int
        Number of cooldowns C.

    Raises
    ------
    InputError
        If the source is not one vector of three components per set.
    """
    vector = np.array(source, dtype=np.float64, ndmin=2)
    if vector.ndim != 2 or vector.shape[1] != 3:
        raise InputError(
            f"the source has shape {vector.shape}, a vector of three components per parameter set is needed",
            remedy="Give an array of shape (3,) or (B, 3)",
        )
    batch = vector.shape[0]
    offsets = np.array([x.offset_phi0 for x in study.loops])
    return ChipParameters(
        {
            "source": vector,
            "position_m": np.tile(np.array(study.source.position_m), (batch, 1)),
            "offset_phi0": np.tile(offsets, (batch, cooldowns, 1)),
            "flux_focusing": np.tile(np.array([x.flux_focusing for x in study.loops]), (batch, 1)),
            "pump_strength": np.ones((batch, len(study.isolators))),
            "pump_phase_error_rad": np.zeros((batch, len(study.isolators))),
        }
    )


def nominal_array(study: Study, name: str, batch: int) -> FloatArray:
    """The study's values of a named array that `ChipParameters` need not hold, for a batch of sets: (B, I, 2) for a stage's."""
    values = [[float(getattr(s, name)) for s in iso.stages] for iso in study.isolators]
    return np.tile(np.array(values), (batch, 1, 1))


def loop_outlines_m(study: Study) -> list[FloatArray]:
    """Outlines of all loops in the laboratory frame, one (n, 3) array each."""
    chips = {c.name: c for c in study.chips}
    return [
        np.asarray(place(np.array(x.outline_m), chips[x.chip].origin_m, chips[x.chip].x_axis, chips[x.chip].y_axis))
        for x in study.loops
    ]


MIN_WIRE_DISTANCE_M: Final = 1e-9
"""A dipole nearer than this to the centre line of a loop's wire counts as lying on it: no wire is thinner."""


def check_geometry(study: Study) -> None:
    """Refuse what a study's reader cannot see entry by entry.

    Parameters
    ----------
    study : Study

    Raises
    ------
    InputError
        With every fault found, each by its key path: a dipole that lies on the wire of a loop, a flat outline that
        crosses itself without `crossing` being set, a calibration coil that touches a loop.
    """
    faults = []
    file = study.path.name
    outlines = loop_outlines_m(study)
    kind = source_kind(study.source.kind)
    for loop, outline in zip(study.loops, outlines, strict=True):
        where = f"{file}, loop[{loop.name}].outline"
        distance = clearance_m(kind, outline, np.array(study.source.position_m), dict(study.source.numbers))
        if distance < MIN_WIRE_DISTANCE_M:
            noun = kind.name.replace("_", " ")
            away = f"{1e9 * max(distance, 0.0):.2g} nm from it"
            faults.append(
                InputError(
                    f"the {noun} at source.position lies on the wire of this loop ({away}), where its flux has no value",
                    where=where,
                    remedy=f"Move the {noun} or the loop",
                )
            )
        crossing = None if loop.crossing else _first_crossing(np.array(loop.outline_m))
        if crossing is not None:
            first, second = (n + 1 for n in crossing)
            faults.append(
                InputError(
                    f"the outline crosses itself (the side after corner {first} and the side after corner {second})",
                    where=where,
                    remedy="List the corners in the order in which the wire passes them, or say crossing = true for a "
                    "gradiometer",
                )
            )
    driven = {s.coil for s in study.states if s.coil is not None}
    for coil in study.coils:
        if coil.name not in driven:
            continue
        for loop, outline in zip(study.loops, outlines, strict=True):
            try:
                coil_flux_map([outline], np.array(coil.outline_m))
            except InputError as error:
                faults.append(
                    InputError(
                        f'its flux in the loop "{loop.name}" has no value: {error.what}',
                        where=f"{file}, coil[{coil.name}].outline",
                        remedy="Move the coil or the loop",
                    )
                )
    if faults:
        raise InputError("\n".join(str(x) for x in faults))


def _first_crossing(outline: FloatArray) -> tuple[int, int] | None:
    """Two sides of a flat outline (n, 3) that pass through each other, by their first corners; None if none do.

    Sides pq and rs cross when r and s lie on opposite sides of pq, and p and q on opposite sides of rs; touching is no
    crossing.  Outlines that are not flat in their chip's frame are not looked at.
    """
    if np.ptp(outline[:, 2]) > 0:
        return None
    start = outline[:, :2] - outline[:, :2].mean(axis=0)
    start = start / np.abs(start).max()
    end = np.roll(start, -1, axis=0)
    along = end - start

    def side(point: FloatArray) -> FloatArray:
        """Twice the area of the triangle of side i and point j, (n, n); rounding counts as zero."""
        away = point[None, :, :] - start[:, None, :]
        area = along[:, None, 0] * away[..., 1] - along[:, None, 1] * away[..., 0]
        return np.where(np.abs(area) > 1e-12, area, 0.0)

    apart = side(start) * side(end) < 0
    pairs = np.argwhere(np.triu(apart & apart.T, 1))
    return (int(pairs[0, 0]), int(pairs[0, 1])) if len(pairs) else None


def study_flux_map(study: Study) -> FloatArray:
    """Flux map (L, 3) at the source's central position and flux focusing factor 1, in Phi0 per T or per A m^2."""
    source = study.source
    position = np.array(source.position_m) if source.has_position else None
    return np.asarray(flux_map(loop_outlines_m(study), source.kind, position, numbers=dict(source.numbers)))


def mutual_matrix_phi0_per_a(study: Study) -> FloatArray:
    """Mutual inductances, loops x bias lines, in flux quanta per ampere."""
    index = {x.name: i for i, x in enumerate(study.loops)}
    matrix = np.zeros((len(study.loops), len(study.bias_lines)))
    for column, line in enumerate(study.bias_lines):
        for name, value in line.mutual_phi0_per_a:
            matrix[index[name], column] = value
    return matrix


def loop_indices(study: Study) -> npt.NDArray[np.int64]:
    """Positions of each isolator's two loops in the study's list of loops, shape (I, 2)."""
    index = {x.name: i for i, x in enumerate(study.loops)}
    return np.array([[index[s.loop] for s in iso.stages] for iso in study.isolators], dtype=np.int64)


def matched_pump_frequency_hz(study: Study, isolator: int, bias_a: Sequence[float]) -> float:
    """Pump frequency that joins signal and idler at a bias, source out.

    The mean over both stages of the idler minus the signal frequency, at the flux that the bias currents and the
    central offsets give.
    """
    flux = _nominal_bias_flux(study, bias_a)[loop_indices(study)[isolator]]
    gaps = []
    for stage, one in zip(study.isolators[isolator].stages, flux, strict=True):
        f = quarter_phase(one, stage.shunt_ratio, stage.branch)
        idler = mode_frequency_hz(f, stage.idler_frequency_hz, stage.idler_participation, stage.shunt_ratio)
        signal = mode_frequency_hz(f, stage.signal_frequency_hz, stage.signal_participation, stage.shunt_ratio)
        gaps.append(float(idler - signal))
    return float(np.mean(gaps))


def _nominal_bias_flux(study: Study, bias_a: Sequence[float]) -> FloatArray:
    offsets = np.array([x.offset_phi0 for x in study.loops])
    return np.asarray(bias_flux(mutual_matrix_phi0_per_a(study), np.asarray(bias_a, dtype=np.float64), offsets))


def reference_signs(study: Study, isolator: int, bias_a: Sequence[float]) -> tuple[int, int]:
    """Signs of the two couplings at a bias with the source out: signs of sin f."""
    flux = _nominal_bias_flux(study, bias_a)[loop_indices(study)[isolator]]
    signs = [
        int(np.sign(np.round(np.sin(quarter_phase(one, stage.shunt_ratio, stage.branch)), 12)))
        for stage, one in zip(study.isolators[isolator].stages, flux, strict=True)
    ]
    return signs[0], signs[1]


class ChipModel:
    """Predicts scattering parameters of a list of probes for batches of parameters.

    Parameters
    ----------
    study : Study
    probes : sequence of Probe
    frequency_hz : sequence of ndarray
        Signal frequencies per isolator (position in the study's list), each (F_i,).
    port_signs : sequence of int, optional
        Sign of the pump phase difference for pump port 1 (and of a free pump phase), per isolator; the study's where it
        states one, else +1.

    Raises
    ------
    InputError
        If lengths or positions do not fit the study.
    """

    def __init__(
        self,
        study: Study,
        probes: Sequence[Probe],
        frequency_hz: Sequence[npt.ArrayLike],
        port_signs: Sequence[int] | None = None,
    ) -> None:
        self.study = study
        self.probes = tuple(probes)
        self.frequency_hz = [np.array(x, dtype=np.float64) for x in frequency_hz]
        stated = [x.pump_port_1_sign or 1 for x in study.isolators]
        self.port_signs = tuple(stated if port_signs is None else port_signs)
        self._check()
        self.loop_index = loop_indices(study)
        self.outlines_m = loop_outlines_m(study)
        self._mutual = mutual_matrix_phi0_per_a(study)
        self._rows = [
            [n for n, p in enumerate(self.probes) if p.isolator == i] for i in range(len(study.isolators))
        ]  # probes of each isolator, in order
        self._tables = [self._probe_table(i) for i in range(len(study.isolators))]
        self._rotations = np.array([s.rotation for s in study.states], dtype=np.float64)
        self._source_in = np.array([s.kind in ("in", "turned") for s in study.states])
        self._calibration = self._calibration_flux()
        self._wires = Wires.of(self.outlines_m)
        self._source_kind = source_kind(study.source.kind)
        self._source_numbers = dict(study.source.numbers)
        self._alpha = np.array([[s.shunt_ratio for s in iso.stages] for iso in study.isolators])
        self._reference_phase = np.array(
            [[quarter_phase(iso.reference_flux_phi0, s.shunt_ratio) for s in iso.stages] for iso in study.isolators]
        )
        self._hybrids = [
            tuple(
                complex(x) for x in hybrid_elements(i.hybrid_imbalance_db, i.hybrid_phase_error_rad, i.hybrid_loss_db)
            )
            for i in study.isolators
        ]
        self._stage = {
            name: np.array([[getattr(s, name) for s in iso.stages] for iso in study.isolators]) for name in STAGE_FIELDS
        }

    def _check(self) -> None:
        study = self.study
        count = len(study.isolators)
        if len(self.frequency_hz) != count or len(self.port_signs) != count:
            raise InputError(
                f"{len(self.frequency_hz)} frequency grids and {len(self.port_signs)} port signs were given for "
                f"{count} isolators",
                remedy="Give one of each per isolator of the study",
            )
        if any(sign not in (-1, 1) for sign in self.port_signs):
            raise InputError(f"the port signs are {self.port_signs}", remedy="Each must be +1 or -1")
        for n, p in enumerate(self.probes):
            if len(p.bias_a) != len(study.bias_lines):
                raise InputError(
                    f"probe {n} has {len(p.bias_a)} bias currents, the study has {len(study.bias_lines)} bias lines",
                    remedy="Give one current per bias line",
                )
            if not (0 <= p.isolator < count and 0 <= p.state < len(study.states) and p.cooldown >= 0):
                raise InputError(
                    f"probe {n} points at isolator {p.isolator}, state {p.state}, cooldown {p.cooldown}, which is not there",
                    remedy="Count from 0 in the study's lists",
                )
            if p.pump_on and p.pump_port not in (None, 1, 2):
                raise InputError(f"probe {n} has the pump port {p.pump_port}", remedy="It must be 1 or 2")
            if p.pump_on and p.pump_port is None and p.pump_phase_rad is None:
                raise InputError(
                    f"probe {n} has the pump on, but neither a pump port nor a pump phase", remedy="Give one of them"
                )

    def probe_rows(self, isolator: int) -> list[int]:
        """Positions in `probes` of one isolator's probes, in the order in which `scattering` returns them."""
        return self._rows[isolator]

    def _probe_table(self, isolator: int) -> dict[str, npt.NDArray[Any]]:
        chosen = [self.probes[n] for n in self._rows[isolator]]
        iso = self.study.isolators[isolator]
        sign = self.port_signs[isolator]
        phase = []
        for p in chosen:
            if p.pump_port is not None:
                phase.append(sign * (0.5 if p.pump_port == 1 else -0.5) * np.pi)
            else:
                phase.append(sign * (p.pump_phase_rad or 0.0))
        bias = np.array([p.bias_a for p in chosen]).reshape(len(chosen), self._mutual.shape[1])
        loops = self.loop_index[isolator]
        return {
            "phase": np.array(phase),
            "amplitude": np.array([np.sqrt(p.pump_power_w / iso.reference_power_w) * p.pump_on for p in chosen]),
            "pump_hz": np.array([p.pump_frequency_hz if p.pump_on else 0.0 for p in chosen]),
            "bias_flux": bias @ self._mutual[loops].T,
            "state": np.array([p.state for p in chosen], dtype=np.int64),
            "cooldown": np.array([p.cooldown for p in chosen], dtype=np.int64),
        }

    def _calibration_flux(self) -> FloatArray:
        """Known flux per state and loop at flux focusing factor 1, shape (S, L)."""
        out = np.zeros((len(self.study.states), len(self.study.loops)))
        coils = {c.name: np.array(c.outline_m) for c in self.study.coils}
        for n, state in enumerate(self.study.states):
            if state.kind != "calibration":
                continue
            if state.field_t is not None:
                out[n] = flux_map(self.outlines_m, "uniform_field") @ np.array(state.field_t)
            elif state.coil is not None:
                out[n] = coil_flux_map(self.outlines_m, coils[state.coil]) * state.current_a
        return out

    def flux_rows(self, position_m: FloatArray) -> FloatArray:
        """Flux map per parameter set at flux focusing factor 1, shape (B, L, 3), in Phi0 per T or per A m^2."""
        return flux_map_unchecked(self._source_kind, self._wires, position_m, None, self._source_numbers)

    def source_flux(self, parameters: ChipParameters) -> FloatArray:
        """Flux of the source (or calibration source) per parameter set, state and loop, shape (B, S, L), in Phi0."""
        turned = np.einsum("sij,bj->bsi", self._rotations, parameters["source"])
        turned = turned * self._source_in[None, :, None]
        flux = np.einsum("bli,bsi->bsl", self.flux_rows(parameters["position_m"]), turned)
        return np.asarray((flux + self._calibration) * parameters["flux_focusing"][:, None, :])

    def probe_flux(
        self, parameters: ChipParameters, isolator: int, source_flux: FloatArray | None = None
    ) -> FloatArray:
        """Flux in the isolator's two loops for each of its probes, shape (B, P, 2), in Phi0."""
        source = self.source_flux(parameters) if source_flux is None else source_flux
        table = self._tables[isolator]
        loops = self.loop_index[isolator]
        states, cooldowns = table["state"], table["cooldown"]
        offset = parameters["offset_phi0"][:, cooldowns[:, None], loops[None, :]]
        return np.asarray(table["bias_flux"] + offset + source[:, states[:, None], loops[None, :]])

    def couplings_hz(self, parameters: ChipParameters, isolator: int, flux: FloatArray) -> FloatArray:
        """Signed couplings for fluxes (B, P, 2) as if every pump were at the reference power, shape (B, P, 2)."""
        return self._rings(parameters, isolator, flux)[2]

    def _rings(
        self, parameters: ChipParameters, isolator: int, flux: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Signal and idler frequencies and couplings at the reference power, each (B, P, 2) in Hz."""
        stages = self.study.isolators[isolator].stages
        alpha = self._alpha[isolator]
        if np.all(alpha > 0):
            f = (0.5 * np.pi) * flux
        else:
            f = np.stack(
                [quarter_phase(flux[..., k], stage.shunt_ratio, stage.branch) for k, stage in enumerate(stages)],
                axis=-1,
            )
        share_a = self._value(parameters, "signal_participation", isolator)
        share_b = self._value(parameters, "idler_participation", isolator)
        total_a, total_b, coupling = ring_response(f, alpha, share_a, share_b)
        reference = np.abs(ring_response(self._reference_phase[isolator], alpha, share_a, share_b)[2])
        scale = self._value(parameters, "coupling_hz", isolator) / reference
        return (
            self._value(parameters, "signal_frequency_hz", isolator) / np.sqrt(total_a),
            self._value(parameters, "idler_frequency_hz", isolator) / np.sqrt(total_b),
            coupling * (scale * parameters["pump_strength"][:, isolator, None, None]),
        )

    def _value(self, parameters: ChipParameters, name: str, isolator: int) -> FloatArray:
        """A stage field of one isolator, shape (B or 1, 1, 2)."""
        value = parameters.get(name)
        if value is not None:
            return np.asarray(value[:, None, isolator, :])
        return np.asarray(self._stage[name][isolator][None, None, :])

    def scattering(
        self,
        parameters: ChipParameters,
        isolator: int,
        ports: tuple[str, ...] = ("21", "12"),
        *,
        flux: FloatArray | None = None,
    ) -> ComplexArray:
        """Scattering parameters of one isolator's probes.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.
        isolator : int
            Position in the study's list.
        ports : tuple of str
            Which of "11", "21", "12", "22".
        flux : ndarray (B, P, 2), optional
            Flux in the two loops, if already known.

        Returns
        -------
        ndarray (B, P, len(ports), F) of complex
            In the e^{-i w t} convention.
        """
        return self._evaluate(parameters, isolator, ports, flux)

    def kernel_rows(
        self, parameters: ChipParameters, isolator: int, flux: FloatArray, *, right_angle: bool = False
    ) -> dict[str, Any]:
        """What `isolator_scattering` is called with: one row per parameter set and probe.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.
        isolator : int
        flux : ndarray (B, P, 2)
            Flux in the two loops, Phi0.
        right_angle : bool
            Put every pump phase difference at +90 degrees.

        Returns
        -------
        dict of ndarray
            Arrays (B*P, 2) and (B*P,) by the names of its arguments.
        """
        iso = self.study.isolators[isolator]
        table = self._tables[isolator]
        shape = flux.shape  # (B, P, 2)
        self._refuse_non_finite(parameters, isolator, flux)
        signal, idler, coupling = self._rings(parameters, isolator, flux)
        self._refuse_non_finite(parameters, isolator, signal, idler, coupling)
        coupling = coupling * table["amplitude"][None, :, None]
        phase = np.pi / 2 if right_angle else table["phase"] + parameters["pump_phase_error_rad"][:, isolator, None]
        through, cross = self._hybrids[isolator]
        rows = shape[0] * shape[1]

        def flat(values: FloatArray) -> FloatArray:
            return np.ascontiguousarray(np.broadcast_to(values, shape)).reshape(rows, 2)

        def one(values: npt.ArrayLike) -> FloatArray:
            return np.ascontiguousarray(np.broadcast_to(np.asarray(values), shape[:2])).reshape(rows)

        return {
            "signal_frequency_hz": flat(signal),
            "idler_frequency_hz": flat(idler),
            "signal_linewidth_hz": flat(self._value(parameters, "signal_linewidth_hz", isolator)),
            "signal_internal_hz": flat(self._value(parameters, "signal_internal_hz", isolator)),
            "idler_linewidth_hz": flat(self._value(parameters, "idler_linewidth_hz", isolator)),
            "idler_internal_hz": flat(
                self._value(parameters, "idler_internal_hz", isolator)
                + self._value(parameters, "idler_termination_hz", isolator)
            ),
            "coupling_hz": flat(coupling),
            "pump_frequency_hz": one(table["pump_hz"][None, :]),
            "pump_phase_rad": one(phase),
            "link": np.full(rows, iso.link_amplitude * np.exp(1j * iso.link_phase_rad)),
            "hybrid_through": np.full(rows, through),
            "hybrid_cross": np.full(rows, cross),
        }

    def _evaluate(
        self,
        parameters: ChipParameters,
        isolator: int,
        ports: tuple[str, ...],
        flux: FloatArray | None,
        *,
        right_angle: bool = False,
    ) -> ComplexArray:
        """Scattering parameters, with the probes' own pump phases or (right_angle) all at +90 degrees."""
        if flux is None:
            flux = self.probe_flux(parameters, isolator)
        rows = self.kernel_rows(parameters, isolator, flux, right_angle=right_angle)
        result = isolator_scattering(self.frequency_hz[isolator], **rows, ports=ports)
        shape = flux.shape
        return np.asarray(result).reshape(shape[0], shape[1], len(ports), self.frequency_hz[isolator].size)

    def scattering_and_phase(
        self, parameters: ChipParameters, isolator: int, *, flux: FloatArray | None = None
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
        """S21 and S12, and how they change with a further pump phase error.

        The pump phase difference theta enters the inner scattering matrix only as M21 = m e^(i theta) and
        M12 = m e^(-i theta), with m and the diagonal independent of theta (A12 A21 does not hold it).  With the hybrid's
        through a and cross b,

            S21 = s + m (a^2 e^(i theta) + b^2 e^(-i theta)),   S12 = s + m (a^2 e^(-i theta) + b^2 e^(i theta)),

        so that one evaluation at theta = pi/2 gives d = S21 - S12 = 2 i m (a^2 - b^2) and s, and with them every theta:
        an extra error e changes S by (cos e - 1) u d + sin(e) v d.

        Returns
        -------
        s : ndarray (B, P, 2, F) of complex
            S21 and S12.
        d : ndarray (B, P, F) of complex
            Zero with the pump off.
        u, v : ndarray (B, P, 2) of complex
            Factors for S21 and S12.
        """
        table = self._tables[isolator]
        quarter = self._evaluate(parameters, isolator, ("21", "12"), flux, right_angle=True)
        d = quarter[:, :, 0] - quarter[:, :, 1]
        common = 0.5 * (quarter[:, :, 0] + quarter[:, :, 1])
        a, b = self._hybrids[isolator]
        kappa = 1 / (2j * (a**2 - b**2))
        turn = np.exp(1j * (table["phase"] + parameters["pump_phase_error_rad"][:, isolator, None]))
        back = np.conj(turn)
        u = kappa * np.stack([a**2 * turn + b**2 * back, a**2 * back + b**2 * turn], axis=-1)
        v = 1j * kappa * np.stack([a**2 * turn - b**2 * back, b**2 * turn - a**2 * back], axis=-1)
        s = common[:, :, None] + u[..., None] * d[:, :, None]
        return s, d, u, v

    def _refuse_non_finite(self, parameters: ChipParameters, isolator: int, *values: FloatArray) -> None:
        """Raise the error that names stage and parameters if any of the arrays (B, P, 2) is not finite."""
        if all(np.isfinite(x.sum()) for x in values):
            return
        whole = np.all([np.isfinite(x).all(axis=(1, 2)) for x in values], axis=0)
        if not np.all(whole):
            bad = int(np.flatnonzero(~whole)[0])
            raise self.explain_non_finite(parameters.rows(slice(bad, bad + 1)), isolator)

    def explain_non_finite(self, parameters: ChipParameters, isolator: int) -> ModelError:
        """The error to raise when a prediction is not finite: names the stage of the model and the parameters.

        Parameters
        ----------
        parameters : ChipParameters
            A batch of one, the failing set.
        isolator : int

        Returns
        -------
        ModelError
        """
        stage = "the scattering parameters"
        source = self.source_flux(parameters)
        if not np.all(np.isfinite(source)):
            stage = "the flux of the source"
        else:
            flux = self.probe_flux(parameters, isolator, source)
            if not np.all(np.isfinite(flux)):
                stage = "the flux in the loops"
            elif not all(np.all(np.isfinite(x)) for x in self._rings(parameters, isolator, flux)):
                stage = "the ring's frequencies and coupling"
        values = ", ".join(f"{x:.6g}" for x in parameters["source"][0])
        strength = float(parameters["pump_strength"][0, isolator])
        place_m = ", ".join(f"{x:.6g}" for x in parameters["position_m"][0])
        offsets = ", ".join(f"{x:.4g}" for x in parameters["offset_phi0"][0].ravel())
        others = "".join(
            f", {name.replace('_', ' ')} ({', '.join(f'{x:.6g}' for x in parameters[name][0, isolator])})"
            for name in parameters
            if name in STAGE_FIELDS
        )
        return ModelError(
            f'the model is not finite: {stage} of isolator "{self.study.isolators[isolator].name}" fails for '
            f"source ({values}), position ({place_m}) m, offsets ({offsets}) Phi0, "
            f"pump strength {strength:.4g}{others}. "
            "Narrow the priors in the study so that such values cannot occur."
        )


def setting_probe(
    study: Study, setting: int, isolator: int, state: int, cooldown: int = 0, *, pump_on: bool = True
) -> Probe:
    """The probe of a study's setting on one isolator; a matched pump frequency is worked out here.

    Raises
    ------
    InputError
        If the setting is not for that isolator.
    """
    chosen = study.settings[setting]
    if study.isolators[isolator].name not in chosen.isolators:
        raise InputError(
            f'the setting "{chosen.name}" does not measure the isolator "{study.isolators[isolator].name}"',
            where=study.path.name,
            remedy="Add the isolator to the setting's list",
        )
    pump = chosen.pump_frequency_hz
    if pump is None:
        pump = matched_pump_frequency_hz(study, isolator, chosen.bias_a)
    return Probe(
        isolator=isolator,
        pump_on=pump_on,
        pump_port=chosen.pump_port,
        pump_phase_rad=chosen.pump_phase_rad,
        pump_power_w=chosen.pump_power_w,
        pump_frequency_hz=pump,
        bias_a=chosen.bias_a,
        state=state,
        cooldown=cooldown,
    )


def off_probe(probe: Probe) -> Probe:
    """The same probe with the pump off."""
    return replace(
        probe, pump_on=False, pump_port=None, pump_phase_rad=None, pump_power_w=0.0, pump_frequency_hz=float("nan")
    )
