"""The chip: every loop, bias line and isolator of a study, as one vectorised forward model.

`ChipModel` takes a batch of parameter sets and predicts, for a list of probes (isolator, setting, state, cooldown),
the scattering parameters on a frequency grid.  The scalar call is a batch of one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, TypedDict

import numpy as np
import numpy.typing as npt

from fluxsense.base.constants import FLUX_QUANTUM_WB
from fluxsense.base.errors import InputError, ModelError
from fluxsense.base.faults import Faults
from fluxsense.device import setup
from fluxsense.device.isolator import PORTS, IsolatorRows, hybrid_elements, isolator_scattering
from fluxsense.device.pumped import Rates
from fluxsense.device.rings import ring_kinds
from fluxsense.device.stages import ring_field_names, stages_of
from fluxsense.magnetics.extent import DEFAULT_PART, SECOND_MOMENTS, moment_tensors
from fluxsense.magnetics.flux_map import bias_flux, clearance_m, coil_flux_map, flux_map, flux_map_unchecked
from fluxsense.magnetics.loops import place
from fluxsense.magnetics.sources import source_kind
from fluxsense.magnetics.wires import Wires
from fluxsense.study import Chip, Coil, Loop, State, Study

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
    ``flux_focusing`` (B, L), ``pump_strength`` (B, I) (factor on the pump's current in both stages of an isolator) and
    ``pump_phase_error_rad`` (B, I) (added to the pump phase difference of either port).  Others, with I isolators, L loops, two
    stages, two ports, two paths (21, 12) and real and imaginary part last where they are complex:

    ======================================================  ==============  ================================================
    name                                                    shape           what
    ======================================================  ==============  ================================================
    the fields of a stage, those of its ring included       (B, I, 2)       as in the study
    ``link_amplitude``, ``link_phase_rad``                  (B, I)          as in the study
    ``hybrid_imbalance_db``, ``hybrid_phase_error_rad``,    (B, I)          as in the study
    ``hybrid_loss_db``
    ``pump_shift_factor``                                   (B, I)          factor on the pump's shift of the modes, 1
    ``pump_port_strength``                                  (B, I, 2)       factor on the pump's current by pump port, 1
    ``pump_port_imbalance_db``                              (B, I, 2)       pump power at stage 1 over stage 2, by port, 0
    ``pump_port_phase_rad``                                 (B, I, 2)       added to the pump phase difference, by port, 0
    ``arm_phase_rad``, ``arm_loss_db``                      (B, I)          arms between hybrid and converters, 0
    ``mode_change_hz``                                      (B, I, C, 2, 2)  change of the modes' frequencies in each cooldown:
                                                                            of both stages, signal and idler, 0
    ``line_end``                                            (B, I, 2, M, 2)  reflections beyond port 1 and 2, 0
    ``direct_path``                                         (B, I, 2, M, 2)  waves that pass the device by, 0
    ``line_mixing``                                         (B, I, I, 2)    what an isolator's sweeps pick up of the others on
                                                                            its line (`ChipModel.picked_up`), 0
    ``mutual_phi0_per_a``                                   (B, L, lines)   as in the study
    ``static_flux_phi0``                                    (B, V, L)       further flux, one of each of the V distinct bias
                                                                            vectors of the study's settings, 0
    ``source_second_moments_m2``                            (B, 5)          of its extent, before any rotation, 0
    ``chip_tilt_rad``                                       (B, chips, 2)   turn of each chip about its x and y axes, for a
                                                                            source without a place, 0
    ``turn_error_rad``                                      (B, S)          how far the source is turned beyond what each of the S
                                                                            states says, 0
    ``analyser_offset_hz``                                  (B, I)          true less displayed frequency, 0
    ``if_smoothing``                                        (B, I)          part of a frequency step that a point's mean
                                                                            reaches back; negative in falling sweeps; 0
    ======================================================  ==============  ================================================

    Arms: `fluxsense.device.setup.arm_amplitudes`; the M functions of line ends and paths: `line_basis`; second moments:
    `fluxsense.magnetics.extent`.

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
            **({"mode_change_hz": np.zeros((batch, len(study.isolators), cooldowns, 2, 2))} if cooldowns > 1 else {}),
            **{
                name: nominal_array(study, name, batch)
                for name in (*_SETUP_OF_ISOLATOR, *OF_PORT, MIXING)
                if np.any(nominal_array(study, name, 1))
            },
        }
    )


_OF_ISOLATOR: Final = (
    "link_amplitude",
    "link_phase_rad",
    "hybrid_imbalance_db",
    "hybrid_phase_error_rad",
    "hybrid_loss_db",
    "pump_shift_factor",
)
_SETUP_OF_ISOLATOR: Final = ("arm_phase_rad", "arm_loss_db", "analyser_offset_hz", "if_smoothing")
MIXING: Final = "line_mixing"
LINE_ARRAYS: Final = ("line_end", "direct_path")
"""Arrays of coefficients of the functions of `line_basis`, real and imaginary parts last: S is an analytic function of each of their sums."""
SETUP_ARRAYS: Final = (*LINE_ARRAYS, MIXING, "analyser_offset_hz", "if_smoothing")
"""Arrays of what lies between the device and the analyser."""
OF_PORT: Final = {"pump_port_imbalance_db": "pump_{}_imbalance_db", "pump_port_phase_rad": "pump_{}_phase_error_rad"}


def _stated(study: Study, name: str) -> FloatArray:
    """A number of every isolator (I,) as the study states it."""
    owners = [iso.setup if name in _SETUP_OF_ISOLATOR else iso for iso in study.isolators]
    return np.array([float(getattr(x, name)) for x in owners])


def nominal_array(study: Study, name: str, batch: int) -> FloatArray:
    """The study's values of a named array that `ChipParameters` need not hold, for a batch of sets.

    Raises
    ------
    InputError
        For a name that means nothing to the model.
    """
    count = len(study.isolators)
    if name in _OF_ISOLATOR or name in _SETUP_OF_ISOLATOR:
        values = _stated(study, name)
    elif name in OF_PORT:
        fields = [OF_PORT[name].format(port) for port in (1, 2)]
        values = np.array([[float(getattr(iso.setup, f)) for f in fields] for iso in study.isolators])
    elif name == "pump_port_strength":
        values = np.ones((count, 2))
    elif name in LINE_ARRAYS:
        values = np.zeros((count, 2, line_basis(study, name).size, 2))
    elif name == MIXING:
        values = mixing_matrix(study).view(np.float64).reshape(count, count, 2)
    elif name == "mutual_phi0_per_a":
        values = mutual_matrix_phi0_per_a(study)
    elif name == "source_second_moments_m2":
        values = np.zeros(len(SECOND_MOMENTS))
    elif name == "turn_error_rad":
        values = np.zeros(len(study.states))
    elif name == "chip_tilt_rad":
        values = np.zeros((len(study.chips), 2))
    elif name == "static_flux_phi0":
        values = np.zeros((len(bias_vectors(study)), len(study.loops)))
    elif name in STAGE_FIELDS or name in ring_field_names():
        defaults = {x.name: x.default for kind in ring_kinds() for x in kind.fields}
        values = np.array(
            [[float(getattr(s, name, defaults.get(name, np.nan))) for s in iso.stages] for iso in study.isolators]
        )
    else:
        raise InputError(f'the forward model has no array called "{name}"', where=study.path.name)
    return np.tile(values, (batch, *(1,) * values.ndim))


def line_basis(study: Study, array: str, size: int | None = None) -> setup.DelayBasis:
    """The functions that ``line_end`` or ``direct_path`` are made of, over the study's sweep; `setup.delay_basis`."""
    longest = max(iso.setup.line_delay_max_s for iso in study.isolators)
    shortest = -longest if array == "direct_path" else 0.0
    start = study.sweep.start_hz
    stop = max(study.sweep.stop_hz, start + 1.0)  # a single point has no span
    left_out = setup.LEFT_OUT if study.line_left_out is None else study.line_left_out
    return setup.delay_basis(start, stop, longest + setup.EDGE_S, size, shortest - setup.EDGE_S, left_out)


def bias_vectors(study: Study) -> tuple[tuple[float, ...], ...]:
    """The distinct bias vectors of the study's settings, in order: the first axis of ``static_flux_phi0``."""
    return tuple(dict.fromkeys(s.bias_a for s in study.settings))


def loop_outlines_m(study: Study) -> list[FloatArray]:
    """Outlines of all loops in the laboratory frame, one (n, 3) array each, not to be written to."""
    return list(_outlines_m(study.loops, study.chips))


@lru_cache(maxsize=64)
def _outlines_m(loops: tuple[Loop, ...], chips: tuple[Chip, ...]) -> tuple[FloatArray, ...]:
    """Outlines of loops: a search over settings asks for those of the same chip thousands of times."""
    frames = {c.name: c for c in chips}
    found = []
    for x in loops:
        frame = frames[x.chip]
        outline = np.asarray(place(np.array(x.outline_m), frame.origin_m, frame.x_axis, frame.y_axis))
        outline.setflags(write=False)
        found.append(outline)
    return tuple(found)


def loop_wires(study: Study) -> Wires:
    """The wires of all loops."""
    return _wires(study.loops, study.chips)


@lru_cache(maxsize=64)
def _wires(loops: tuple[Loop, ...], chips: tuple[Chip, ...]) -> Wires:
    return Wires.of(_outlines_m(loops, chips))


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
        crosses itself or reaches into another one without `crossing` being set, a calibration coil that touches a loop.
    """
    faults, knotted = Faults(), {loop.name for loop in study.loops if loop.crossing}
    file = study.path.name
    outlines = loop_outlines_m(study)
    kind = source_kind(study.source.kind)
    for loop, outline in zip(study.loops, outlines, strict=True):
        where = f"{file}, loop[{loop.name}].outline"
        distance = clearance_m(kind, outline, np.array(study.source.position_m), dict(study.source.numbers))
        if distance < MIN_WIRE_DISTANCE_M:
            noun = kind.name.replace("_", " ")
            away = f"{1e9 * max(distance, 0.0):.2g} nm from it"
            faults.add(
                InputError(
                    f"the {noun} at source.position lies on the wire of this loop ({away}), where its flux has no value",
                    where=where,
                    remedy=f"Move the {noun} or the loop",
                )
            )
        crossing = None if loop.crossing else _first_crossing(np.array(loop.outline_m))
        if crossing is not None:
            knotted.add(loop.name)
            first, second = (n + 1 for n in crossing)
            faults.add(
                InputError(
                    f"the outline crosses itself (the side after corner {first} and the side after corner {second})",
                    where=where,
                    remedy="List the corners in the order in which the wire passes them, or say crossing = true for a "
                    "gradiometer",
                )
            )
    for n, loop in enumerate(study.loops):
        for other in study.loops[:n]:
            if loop.chip == other.chip and knotted.isdisjoint((loop.name, other.name)) and _overlap(loop, other):
                faults.add(
                    InputError(
                        f'the loop lies partly within the loop "{other.name}" of the same chip',
                        where=f"{file}, loop[{loop.name}].outline",
                        remedy="Check the centres and sizes of both; wires of several layers that do cross are polygons with crossing = true",
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
                faults.add(
                    InputError(
                        f'its flux in the loop "{loop.name}" has no value: {error.what}',
                        where=f"{file}, coil[{coil.name}].outline",
                        remedy="Move the coil or the loop",
                    )
                )
    faults.raise_any()


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


def _overlap(a: Loop, b: Loop) -> bool:
    """Whether two flat outlines overlap, one not just enclosing the other; outlines that only touch do not.

    Looked at are corners and quarter points of the sides, a thousandth of the way to the middle.
    """
    first, second = np.array(a.outline_m), np.array(b.outline_m)
    if np.ptp(first[:, 2]) > 0 or np.ptp(second[:, 2]) > 0 or first[0, 2] != second[0, 2]:
        return False
    of_a, of_b = (_within(_drawn_in(p[:, :2]), q[:, :2]) for p, q in ((first, second), (second, first)))
    return bool((of_a.any() and not of_a.all()) or (of_b.any() and not of_b.all()) or (of_a.all() and of_b.all()))


def _drawn_in(outline: FloatArray) -> FloatArray:
    """Points (4n, 2) of the sides of an outline (n, 2), a little towards its middle."""
    parts = [outline + t * (np.roll(outline, -1, axis=0) - outline) for t in (0.0, 0.25, 0.5, 0.75)]
    return np.asarray(outline.mean(axis=0) + 0.999 * (np.concatenate(parts) - outline.mean(axis=0)))


def _within(points: FloatArray, outline: FloatArray) -> npt.NDArray[np.bool_]:
    """Which points (m, 2) lie inside an outline (n, 2): a ray to the right passes an odd number of sides."""
    x, y = points[:, None, 0], points[:, None, 1]
    start, end = outline, np.roll(outline, -1, axis=0)
    spans = (start[:, 1] > y) != (end[:, 1] > y)
    rise = np.where(end[:, 1] == start[:, 1], 1.0, end[:, 1] - start[:, 1])
    at = start[:, 0] + (y - start[:, 1]) / rise * (end[:, 0] - start[:, 0])
    return np.asarray(np.sum(spans & (at > x), axis=1) % 2 == 1)


def source_extent_m(study: Study) -> float:
    """How far the source's magnetisation reaches across, in m: as stated, or the default part of its distance to the nearest wire.

    Zero for a kind that says its shape by itself, or has none.
    """
    source, kind = study.source, source_kind(study.source.kind)
    if not kind.has_extent:
        return 0.0
    if source.extent_m is not None:
        return source.extent_m
    place_m, numbers = np.array(source.position_m), dict(source.numbers)
    return DEFAULT_PART * min(clearance_m(kind, outline, place_m, numbers) for outline in loop_outlines_m(study))


class SourceRows:
    """Flux of a study's source in loops, per unit of its vector, as it stands in each of the study's states.

    Parameters
    ----------
    study : Study
    wires : Wires
        L loops, which need not be the study's.
    """

    def __init__(self, study: Study, wires: Wires) -> None:
        self._kind, self._numbers = source_kind(study.source.kind), dict(study.source.numbers)
        self._wires = wires
        self._there = np.array([n for n, s in enumerate(study.states) if s.kind in ("in", "turned")], dtype=np.intp)
        self._states = len(study.states)
        self._rotations = np.array([study.states[n].rotation for n in self._there], dtype=np.float64).reshape(-1, 3, 3)
        self._tensors = moment_tensors(self._rotations)
        self._axes = np.array([study.states[n].axis_and_angle[0] for n in self._there]).reshape(-1, 3)
        self._tilting = np.array([[c.x_axis, c.y_axis] for c in study.chips], dtype=np.float64)  # (chips, 2, 3)
        names = [c.name for c in study.chips]
        self._chip_of = np.array([names.index(loop.chip) for loop in study.loops], dtype=np.intp)

    def plain(self, position_m: FloatArray) -> FloatArray:
        """Flux map of a point source as the study describes it, (..., L, 3), in Phi0 per T or per A m^2."""
        return flux_map_unchecked(self._kind, self._wires, position_m, None, self._numbers)

    def in_states(
        self,
        position_m: FloatArray,
        moments_m2: FloatArray | None = None,
        tilt_rad: FloatArray | None = None,
        turn_rad: FloatArray | None = None,
    ) -> FloatArray:
        """Flux map (B, S, L, 3) in each state, zero where the source is out.

        For places (B, 3), second moments (B, 5), tilts (B, C, 2) and errors of turns (B, S).  Tilts turn loops, by the vector that
        has them along the chip's axes, and do not move them.  What a turn is off by turns the source further about its axis, but for its
        second moments, which are known less well than that.
        """
        rows = self.plain(position_m)
        if tilt_rad is not None and np.any(tilt_rad):
            rows = _turned(rows, np.einsum("bck,cki->bci", tilt_rad, self._tilting)[:, self._chip_of])
        rows = rows[:, None]
        if turn_rad is not None and np.any(turn_rad):
            about = -turn_rad[:, self._there, None] * self._axes  # of the loops, the other way: (B, S', 3)
            rows = _turned(rows, about[:, :, None])
        rows = rows @ self._rotations
        if moments_m2 is not None and np.any(moments_m2):
            tensors = np.tensordot(moments_m2, self._tensors, axes=(1, 2))  # (B, S', 7, 3)
            rows += self._thirds(position_m)[:, None] @ tensors
        return self._everywhere(rows)

    def by_tilt(self, position_m: FloatArray) -> FloatArray:
        """Derivatives (B, C, 2, S, L, 3) of `in_states` by the tilts, at none."""
        rows = self.plain(position_m)[:, None, None]
        turned = np.cross(self._tilting[:, :, None], rows)  # (B, C, 2, L, 3)
        turned *= (self._chip_of == np.arange(len(self._tilting))[:, None])[:, None, :, None]
        return self._everywhere(turned[:, :, :, None] @ self._rotations)

    def by_turn(self, position_m: FloatArray) -> FloatArray:
        """Derivatives (B, S, S, L, 3) of `in_states` by what each turn is off by, at none."""
        rows = np.cross(self.plain(position_m)[:, None], self._axes[:, None]) @ self._rotations  # (B, S', L, 3)
        out = np.zeros((len(rows), self._states, self._states, *rows.shape[2:]))
        out[:, self._there, self._there] = rows
        return out

    def by_moments(self, position_m: FloatArray) -> FloatArray:
        """Derivatives (B, 5, S, L, 3) of `in_states` by the second moments, per m^2."""
        tensors = np.moveaxis(self._tensors, 2, 0)  # (5, S', 7, 3)
        return self._everywhere(self._thirds(position_m)[:, None, None] @ tensors)

    def _thirds(self, position_m: FloatArray) -> FloatArray:
        return self._kind.thirds(self._wires, position_m, self._numbers) / FLUX_QUANTUM_WB

    def _everywhere(self, rows: FloatArray) -> FloatArray:
        """Rows (..., S', L, 3) of the states in which the source is there, among those of all states."""
        out = np.zeros((*rows.shape[:-3], self._states, *rows.shape[-2:]))
        out[..., self._there, :, :] = rows
        return out


def _turned(vectors: FloatArray, about: FloatArray) -> FloatArray:
    """Vectors (..., 3) turned about others, by angles that are the lengths of these (Rodrigues' formula, textbook)."""
    angle = np.linalg.norm(about, axis=-1, keepdims=True)
    across = np.cross(about, vectors)
    found = vectors + np.sinc(angle / np.pi) * across
    return np.asarray(found + 0.5 * np.sinc(0.5 * angle / np.pi) ** 2 * np.cross(about, across))


def study_flux_map(study: Study) -> FloatArray:
    """Flux map (L, 3) at the source's central position and flux focusing factor 1, in Phi0 per T or per A m^2."""
    source = study.source
    position = np.array(source.position_m) if source.has_position else None
    return np.asarray(flux_map(loop_outlines_m(study), source.kind, position, numbers=dict(source.numbers)))


def known_flux_phi0(study: Study) -> FloatArray:
    """Flux of the known source of each state in each loop at flux focusing factor 1, shape (S, L), in Phi0; not to be written to."""
    return _known_flux_phi0(study.loops, study.chips, study.states, study.coils)


@lru_cache(maxsize=64)
def _known_flux_phi0(
    loops: tuple[Loop, ...], chips: tuple[Chip, ...], states: tuple[State, ...], coils: tuple[Coil, ...]
) -> FloatArray:
    outlines = list(_outlines_m(loops, chips))
    out = np.zeros((len(states), len(loops)))
    places = {c.name: np.array(c.outline_m) for c in coils}
    for n, state in enumerate(states):
        if state.kind != "calibration":
            continue
        if state.field_t is not None:
            out[n] = flux_map(outlines, "uniform_field") @ np.array(state.field_t)
        elif state.coil is not None:
            out[n] = coil_flux_map(outlines, places[state.coil]) * state.current_a
    out.setflags(write=False)
    return out


def mutual_matrix_phi0_per_a(study: Study) -> FloatArray:
    """Mutual inductances, loops x bias lines, in flux quanta per ampere."""
    index = {x.name: i for i, x in enumerate(study.loops)}
    matrix = np.zeros((len(study.loops), len(study.bias_lines)))
    for column, line in enumerate(study.bias_lines):
        for name, value in line.mutual_phi0_per_a:
            matrix[index[name], column] = value
    return matrix


def mixing_matrix(study: Study) -> ComplexArray:
    """Amplitude (I, I) that arrives in the sweeps of isolator i from isolator j's path, over its own; e^{-i w t}."""
    index = {x.name: i for i, x in enumerate(study.isolators)}
    matrix = np.zeros((len(index), len(index)), dtype=np.complex128)
    for pair in () if study.readout is None else study.readout.cross_talks:
        if pair.into in index and pair.source in index:
            matrix[index[pair.into], index[pair.source]] = pair.amplitude * np.exp(-1j * pair.phase_rad)
    return matrix


def loop_indices(study: Study) -> npt.NDArray[np.int64]:
    """Positions of each isolator's two loops in the study's list of loops, shape (I, 2)."""
    index = {x.name: i for i, x in enumerate(study.loops)}
    return np.array([[index[s.loop] for s in iso.stages] for iso in study.isolators], dtype=np.int64)


def matched_pump_frequency_hz(
    study: Study, isolator: int, bias_a: Sequence[float], pump_power_w: float | None = None
) -> float:
    """Pump frequency that joins signal and idler, as the pump itself has moved them, at a bias, source out.

    The mean over both stages of the idler minus the signal frequency, at the flux that the bias currents and the
    central offsets give, and at the pump's power (the isolator's reference power if not given).
    """
    iso = study.isolators[isolator]
    flux = _nominal_bias_flux(study, bias_a)[loop_indices(study)[isolator]]
    power = iso.reference_power_w if pump_power_w is None else pump_power_w
    rates = stages_of(iso, isolator, study.path.name).rates(
        None, flux[None, None], float(np.sqrt(power / iso.reference_power_w))
    )
    return float(np.mean(rates.idler_hz - rates.signal_hz))


def _nominal_bias_flux(study: Study, bias_a: Sequence[float]) -> FloatArray:
    offsets = np.array([x.offset_phi0 for x in study.loops])
    return np.asarray(bias_flux(mutual_matrix_phi0_per_a(study), np.asarray(bias_a, dtype=np.float64), offsets))


class _ProbeTable(TypedDict):
    """Numbers of an isolator's probes, a row each."""

    phase: FloatArray
    amplitude: FloatArray
    pump_hz: FloatArray
    port: npt.NDArray[np.int64]
    bias: FloatArray
    bias_flux: FloatArray
    state: npt.NDArray[np.int64]
    cooldown: npt.NDArray[np.int64]


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
    error_boxes : sequence of (ndarray (4, F_i), ndarray (4, F_i)) of complex or None, optional
        Measured two-ports (S11, S21, S12, S22, in the e^{-i w t} convention) before port 1 and behind port 2 of each isolator,
        on its frequencies.

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
        error_boxes: Sequence[setup.ErrorBoxes | None] | None = None,
    ) -> None:
        self.study = study
        self.probes = tuple(probes)
        self.frequency_hz = [np.array(x, dtype=np.float64) for x in frequency_hz]
        stated = [x.pump_port_1_sign or 1 for x in study.isolators]
        self.port_signs = tuple(stated if port_signs is None else port_signs)
        self.error_boxes = tuple([None] * len(study.isolators) if error_boxes is None else error_boxes)
        self._check()
        self.loop_index = loop_indices(study)
        self.outlines_m = loop_outlines_m(study)
        self._mutual = mutual_matrix_phi0_per_a(study)
        self._rows = [
            [n for n, p in enumerate(self.probes) if p.isolator == i] for i in range(len(study.isolators))
        ]  # probes of each isolator, in order
        self._tables = [self._probe_table(i) for i in range(len(study.isolators))]
        self._calibration = known_flux_phi0(study)
        self.source_rows = SourceRows(study, loop_wires(study))
        self._stages = [stages_of(iso, i, study.path.name) for i, iso in enumerate(study.isolators)]
        self._functions: dict[tuple[int, str, int | None], ComplexArray] = {}
        self._neighbours: dict[tuple[int, int], ChipModel] = {}
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
        if [f.size for f in self.frequency_hz] != [
            f.size if b is None else b[0].shape[-1] for f, b in zip(self.frequency_hz, self.error_boxes, strict=True)
        ]:
            raise InputError("error boxes were given on other frequencies than the sweeps'", where=study.path.name)
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

    def _probe_table(self, isolator: int) -> _ProbeTable:
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
            "port": np.array([p.pump_port or 0 for p in chosen], dtype=np.int64),
            "bias": bias,
            "bias_flux": bias @ self._mutual[loops].T,
            "state": np.array([p.state for p in chosen], dtype=np.int64),
            "cooldown": np.array([p.cooldown for p in chosen], dtype=np.int64),
        }

    def source_flux(self, parameters: ChipParameters) -> FloatArray:
        """Flux of the source (or calibration source) per parameter set, state and loop, shape (B, S, L), in Phi0."""
        moments, tilt = parameters.get("source_second_moments_m2"), parameters.get("chip_tilt_rad")
        turn = parameters.get("turn_error_rad")
        rows = self.source_rows.in_states(parameters["position_m"], moments, tilt, turn)
        flux = np.einsum("bsli,bi->bsl", rows, parameters["source"])
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
        mutual, static = parameters.get("mutual_phi0_per_a"), parameters.get("static_flux_phi0")
        bias = table["bias_flux"] if mutual is None else np.einsum("pm,blm->bpl", table["bias"], mutual[:, loops])
        flux = bias + offset + source[:, states[:, None], loops[None, :]]
        if static is not None:
            flux += static[:, self._vector_rows(isolator)[:, None], loops[None, :]]
        return np.asarray(flux)

    def probe_cooldowns(self, isolator: int) -> npt.NDArray[np.int64]:
        """Position of the cooldown of each of an isolator's probes, shape (P,)."""
        return np.asarray(self._tables[isolator]["cooldown"], dtype=np.int64)

    def _vector_rows(self, isolator: int) -> npt.NDArray[np.int64]:
        """Position of the study's bias vector nearest to each probe's: a log's currents are those of a setting, but for rounding."""
        known = np.array(bias_vectors(self.study)).reshape(-1, len(self.study.bias_lines))
        chosen = np.array([self.probes[n].bias_a for n in self._rows[isolator]]).reshape(-1, known.shape[1])
        return np.asarray(np.argmin(np.sum((chosen[:, None] - known) ** 2, axis=-1), axis=1), dtype=np.int64)

    def couplings_hz(self, parameters: ChipParameters, isolator: int, flux: FloatArray) -> FloatArray:
        """Signed couplings for fluxes (B, P, 2) as if every pump were at the reference power, shape (B, P, 2)."""
        strength = parameters["pump_strength"][None, None, :, isolator]
        return self._stages[isolator].rates(parameters, flux, strength).coupling_hz

    def rates(self, parameters: ChipParameters, isolator: int, flux: FloatArray) -> Rates:
        """Frequencies of both modes and couplings under each probe's pump, arrays (B, P, 2) in Hz."""
        table = self._tables[isolator]
        current = table["amplitude"][None, :, None] * parameters["pump_strength"][None, None, :, isolator]
        port = table["port"]
        strength, imbalance = parameters.get("pump_port_strength"), parameters.get("pump_port_imbalance_db")
        if strength is not None:
            current = current * np.where(port > 0, strength[:, isolator, port - 1], 1.0).T
        if imbalance is not None:
            level = np.where(port > 0, imbalance[:, isolator, port - 1], 0.0).T / 40.0
            current = current * 10.0 ** np.stack([level, -level])
        shift = self._of_isolator(parameters, "pump_shift_factor", isolator)
        rates = self._stages[isolator].rates(parameters, flux, current, shift)
        change = parameters.get("mode_change_hz")
        if change is None:
            return rates
        signal, idler = np.moveaxis(change[:, isolator, table["cooldown"]], -1, 0)  # (B, P, 2)
        return Rates(rates.signal_hz + signal, rates.idler_hz + idler, rates.coupling_hz)

    def _of_isolator(self, parameters: ChipParameters, name: str, isolator: int) -> FloatArray:
        """A number of an isolator, (B,) or without an axis."""
        value = parameters.get(name)
        if value is not None:
            return value[:, isolator]
        return np.array(getattr(self.study.isolators[isolator], name) if name in _OF_ISOLATOR else 0.0)

    def _hybrid(self, parameters: ChipParameters, isolator: int) -> tuple[ComplexArray, ComplexArray]:
        """Through and cross amplitude of the signal hybrid, (B,) or without an axis."""
        return hybrid_elements(*(self._of_isolator(parameters, name, isolator) for name in _OF_ISOLATOR[2:5]))

    def _phase(self, parameters: ChipParameters, isolator: int) -> FloatArray:
        """Pump phase differences (B, P), rad."""
        table = self._tables[isolator]
        phase = table["phase"] + parameters["pump_phase_error_rad"][:, isolator, None]
        by_port = parameters.get("pump_port_phase_rad")
        if by_port is not None:
            phase = phase + np.where(table["port"] > 0, by_port[:, isolator, table["port"] - 1], 0.0)
        return np.asarray(phase)

    def scattering(
        self,
        parameters: ChipParameters,
        isolator: int,
        ports: tuple[str, ...] = ("21", "12"),
        *,
        flux: FloatArray | None = None,
    ) -> ComplexArray:
        """Scattering parameters of one isolator's probes, as the analyser sees them.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.
        isolator : int
            Position in the study's list.
        ports : tuple of str
            Which of "11", "21", "12", "22".  Line ends and direct paths act on "21" and "12"; reflections are the device's
            own (behind its error boxes, where there are any).
        flux : ndarray (B, P, 2), optional
            Flux in the two loops, if already known.

        Returns
        -------
        ndarray (B, P, len(ports), F) of complex
            In the e^{-i w t} convention.  Set-up elements that are absent or zero cost nothing.
        """
        if flux is None:
            flux = self.probe_flux(parameters, isolator)
        surroundings = self._surroundings(parameters, isolator)
        wanted = PORTS if surroundings.reflects else ports
        parts = []
        for shift in self._frequency_shifts(parameters, isolator):
            rows = self.kernel_rows(parameters, isolator, flux, shift_hz=shift)
            s = surroundings.seen(self._kernel(isolator, rows, wanted, flux.shape), wanted)
            parts.append(s if wanted == ports else s[:, :, [PORTS.index(x) for x in ports]])
        out = parts[0] if len(parts) == 1 else np.asarray(np.mean(parts, axis=0))
        beside = self.picked_up(parameters, isolator)
        for path, name in enumerate(("21", "12")):
            if beside is not None and name in ports:
                out[:, :, ports.index(name)] += beside[:, :, path]
        return out

    def line_slopes(self, parameters: ChipParameters, isolator: int, array: str, flux: FloatArray) -> ComplexArray:
        """Derivatives of S21 and S12 with the real parts of all coefficients of an isolator's `LINE_ARRAYS`, in closed form.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.
        isolator : int
        array : str
            One of `LINE_ARRAYS`.
        flux : ndarray (B, P, 2)
            Flux in the two loops.

        Returns
        -------
        ndarray (B, 2, M, P, 2, F) of complex
            By port or path, and function; S is analytic in the coefficients, so the derivative with an imaginary part is i times that.
        """
        functions = self._line_functions(isolator, array, None)
        if array == "direct_path":
            count, points = functions.shape
            out = np.zeros((parameters.batch, 2, count, flux.shape[1], 2, points), dtype=np.complex128)
            for path in range(2):
                out[:, path, :, :, path] = functions[:, None]
            return out
        surroundings = self._surroundings(parameters, isolator)
        parts = []
        for shift in self._frequency_shifts(parameters, isolator):
            rows = self.kernel_rows(parameters, isolator, flux, shift_hz=shift)
            parts.append(surroundings.seen_by_line_ends(self._kernel(isolator, rows, PORTS, flux.shape)))
        by = np.mean(parts, axis=0)  # (B, P, 2, 2, F)
        return np.asarray(by.transpose(0, 2, 1, 3, 4)[:, :, None] * functions[:, None, None])

    def picked_up(self, parameters: ChipParameters, isolator: int) -> ComplexArray | None:
        """What an isolator's sweeps pick up of the others on its line.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.
        isolator : int

        Returns
        -------
        ndarray (B, P, 2, F) of complex or None
            Added to S21 and S12: sum over the others of ``line_mixing`` times their own transmission on the same
            frequencies, at the same bias and state, their pumps off; None where there is none.
        """
        mixing = parameters.get(MIXING)
        if mixing is None or not np.any(mixing[:, isolator]):
            return None
        weight = mixing[:, isolator, :, 0] + 1j * mixing[:, isolator, :, 1]  # (B, I)
        frequency = self.frequency_hz[isolator]
        out = np.zeros((parameters.batch, len(self._rows[isolator]), 2, frequency.size), dtype=np.complex128)
        alone = ChipParameters({n: parameters[n] for n in parameters if n not in (MIXING, *LINE_ARRAYS)})
        for other in np.flatnonzero(np.any(weight, axis=0)).tolist():
            if (isolator, other) not in self._neighbours:
                probes = [off_probe(replace(self.probes[n], isolator=other)) for n in self._rows[isolator]]
                grids = [frequency] * len(self.frequency_hz)
                self._neighbours[isolator, other] = ChipModel(self.study, probes, grids, self.port_signs)
            rows = np.flatnonzero(weight[:, other])
            chosen = ChipParameters({n: alone[n][rows] for n in alone})
            out[rows] += weight[rows, other, None, None, None] * self._neighbours[isolator, other].scattering(
                chosen, other
            )
        return out

    def _surroundings(self, parameters: ChipParameters, isolator: int) -> setup.Surroundings:
        """What lies round the device, for each parameter set."""
        found: dict[str, ComplexArray | None] = {}
        for name in LINE_ARRAYS:
            value = parameters.get(name)
            if value is None or not np.any(value[:, isolator]):
                found[name] = None
                continue
            functions = self._line_functions(isolator, name, value.shape[3])
            coefficients = value[:, isolator, ..., 0] + 1j * value[:, isolator, ..., 1]
            found[name] = (coefficients @ functions)[:, None]  # (B, 1, 2, F)
        return setup.Surroundings(self.error_boxes[isolator], found["line_end"], found["direct_path"])

    def _line_functions(self, isolator: int, array: str, size: int | None) -> ComplexArray:
        """The functions (M, F) of `line_basis` on an isolator's frequencies."""
        key = (isolator, array, size)
        if key not in self._functions:
            self._functions[key] = line_basis(self.study, array, size).at(self.frequency_hz[isolator])
        return self._functions[key]

    def _frequency_shifts(self, parameters: ChipParameters, isolator: int) -> list[FloatArray | None]:
        """True less displayed frequency (B,) of the moments that a point is the mean of; None where all is as displayed."""
        offset, smoothing = parameters.get("analyser_offset_hz"), parameters.get("if_smoothing")
        base = None if offset is None or not np.any(offset[:, isolator]) else offset[:, isolator]
        if smoothing is None or not np.any(smoothing[:, isolator]):
            return [base]
        sweep = self.study.sweep
        reach = smoothing[:, isolator] * (sweep.stop_hz - sweep.start_hz) / (sweep.points - 1)
        return [(0.0 if base is None else base) - x * reach for x in setup.MEAN_POINTS]

    def _kernel(
        self, isolator: int, rows: IsolatorRows, ports: tuple[str, ...], shape: tuple[int, ...]
    ) -> ComplexArray:
        """Scattering parameters (B, P, len(ports), F) of the device alone for rows of `kernel_rows`."""
        frequency = self.frequency_hz[isolator]
        result = isolator_scattering(frequency, rows, ports)
        if len(result) != shape[0] * shape[1]:  # nothing differs from row to row
            result = np.repeat(result, shape[0] * shape[1], axis=0)
        return result.reshape(shape[0], shape[1], len(ports), frequency.size)

    def kernel_rows(
        self,
        parameters: ChipParameters,
        isolator: int,
        flux: FloatArray,
        *,
        right_angle: bool = False,
        shift_hz: FloatArray | None = None,
    ) -> IsolatorRows:
        """The rows of `isolator_scattering`: one row per parameter set and probe.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.
        isolator : int
        flux : ndarray (B, P, 2)
            Flux in the two loops, Phi0.
        right_angle : bool
            Put every pump phase difference at +90 degrees.
        shift_hz : ndarray (B,), optional
            True less displayed signal frequency.

        Returns
        -------
        IsolatorRows
            Arrays (B*P, 2) and (B*P,); what is the same for all rows may lack that axis.
        """
        table = self._tables[isolator]
        shape = flux.shape  # (B, P, 2)
        self._refuse_non_finite(parameters, isolator, flux)
        rates = self.rates(parameters, isolator, flux)
        self._refuse_non_finite(parameters, isolator, *rates)
        # both detunings, w - w_a and w + w_p - w_b, hold the signal frequency
        moved = 0.0 if shift_hz is None else shift_hz[:, None, None]

        def each(values: FloatArray) -> FloatArray:
            """Of sets (B, ...) to rows (B*P, ...); of one value for all as it is."""
            return np.repeat(values, shape[1], axis=0) if values.shape[:1] == shape[:1] else values

        def stage(name: str) -> FloatArray:
            value = parameters.get(name)
            return self._stage[name][isolator] if value is None else each(value[:, isolator, :])

        def number(name: str) -> FloatArray:
            value = self._of_isolator(parameters, name, isolator)
            return each(value) if value.ndim else value

        phase = np.full(shape[:2], np.pi / 2) if right_angle else self._phase(parameters, isolator)
        through, cross = hybrid_elements(*(number(name) for name in _OF_ISOLATOR[2:5]))
        first, second = setup.arm_amplitudes(number("arm_phase_rad"), number("arm_loss_db"))
        return {
            "signal_frequency_hz": (rates.signal_hz - moved).reshape(-1, 2),
            "idler_frequency_hz": (rates.idler_hz - moved).reshape(-1, 2),
            "signal_linewidth_hz": stage("signal_linewidth_hz"),
            "signal_internal_hz": stage("signal_internal_hz"),
            "idler_linewidth_hz": stage("idler_linewidth_hz"),
            "idler_internal_hz": stage("idler_internal_hz") + stage("idler_termination_hz"),
            "coupling_hz": rates.coupling_hz.reshape(-1, 2),
            "pump_frequency_hz": np.tile(table["pump_hz"], shape[0]),
            "pump_phase_rad": phase.ravel(),
            "link": number("link_amplitude") * np.exp(1j * number("link_phase_rad")),
            "hybrid_through": through,
            "hybrid_cross": cross,
            "arm_1": first,
            "arm_2": second,
        }

    def scattering_and_phase(
        self, parameters: ChipParameters, isolator: int, *, flux: FloatArray | None = None
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """S21 and S12, and how they change with a further pump phase error e: s + sin(e) q + (cos(e) - 1) p.

        Returns
        -------
        s, q, p : ndarray (B, P, 2, F) of complex
            For S21 and S12; q and p are zero with the pump off.

        Notes
        -----
        The pump phase difference theta enters the inner scattering matrix only as M21 = m e^(i theta) and
        M12 = m e^(-i theta), with m and the diagonal independent of theta (A12 A21 does not hold it).  With the hybrid's
        through a and cross b, and the arms' amplitudes in m and the diagonal,

            S21 = s + m (a^2 e^(i theta) + b^2 e^(-i theta)),   S12 = s + m (a^2 e^(-i theta) + b^2 e^(i theta)),
            S11 = s1 + 2 a b m cos theta,                       S22 = s2 + 2 a b m cos theta,

        so that one evaluation at theta = pi/2 gives S21 - S12 = 2 i m (a^2 - b^2), and with it every theta, exactly.
        Line ends and error boxes do not keep this form.  Then s is exact at the present phase and q and p make the form
        exact at e = +-`PHASE_STEP_RAD` too; between and a few times beyond, the error is of the order of e^3 times the
        square of the reflections.
        """
        if flux is None:
            flux = self.probe_flux(parameters, isolator)
        surroundings = self._surroundings(parameters, isolator)
        ports = PORTS if surroundings.reflects else ("21", "12")
        first = ports.index("21")  # of the two transmissions
        a, b = (x[:, None, None] if x.ndim else x for x in self._hybrid(parameters, isolator))
        theta = self._phase(parameters, isolator)[..., None]
        turn, back = np.exp(1j * theta), np.exp(-1j * theta)
        reflected = (2 * a * b * np.cos(theta), -2 * a * b * np.sin(theta))
        by_port = {
            "11": reflected,
            "21": (a**2 * turn + b**2 * back, 1j * (a**2 * turn - b**2 * back)),
            "12": (a**2 * back + b**2 * turn, 1j * (b**2 * turn - a**2 * back)),
            "22": reflected,
        }
        for_p, for_q = (np.stack([by_port[x][n] for x in ports], axis=2) for n in (0, 1))  # (B, P, ports, 1)
        out = []
        for shift in self._frequency_shifts(parameters, isolator):
            rows = self.kernel_rows(parameters, isolator, flux, right_angle=True, shift_hz=shift)
            s = self._kernel(isolator, rows, ports, flux.shape)
            forward, backward = s[:, :, first], s[:, :, first + 1]
            m = ((forward - backward) * (1 / (2j * (a**2 - b**2))))[:, :, None]
            s[:, :, first : first + 2] = 0.5 * (forward + backward)[:, :, None]
            p = m * for_p
            s += p
            out.append(surroundings.seen_with_phase(s, m * for_q, p, ports))
        s, q, p = out[0] if len(out) == 1 else (np.mean(x, axis=0) for x in zip(*out, strict=True))
        beside = self.picked_up(parameters, isolator)
        return s if beside is None else s + beside, q, p

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
            elif not all(np.all(np.isfinite(x)) for x in self.rates(parameters, isolator, flux)):
                stage = "the ring's frequencies and coupling"
        values = ", ".join(f"{x:.6g}" for x in parameters["source"][0])
        strength = float(parameters["pump_strength"][0, isolator])
        place_m = ", ".join(f"{x:.6g}" for x in parameters["position_m"][0])
        offsets = ", ".join(f"{x:.4g}" for x in parameters["offset_phi0"][0].ravel())
        others = "".join(
            f", {name.replace('_', ' ')} ({', '.join(f'{x:.6g}' for x in parameters[name][0, isolator])})"
            for name in parameters
            if parameters[name].ndim == 3 and parameters[name].shape[1:] == (len(self.study.isolators), 2)
        )
        return ModelError(
            f'the model is not finite: {stage} of isolator "{self.study.isolators[isolator].name}" fails for '
            f"source ({values}), position ({place_m}) m, offsets ({offsets}) Phi0, "
            f"pump strength {strength:.4g}{others}. "
            "Narrow the priors in the study so that such values cannot occur."
        )


def with_source_out(study: Study) -> Study:
    """The study with no source in its first state, whatever that is: where working points are looked at."""
    return replace(study, states=(replace(study.states[0], kind="out"), *study.states[1:]))


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
        pump = matched_pump_frequency_hz(study, isolator, chosen.bias_a, chosen.pump_power_w)
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
