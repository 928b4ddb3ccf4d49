"""A second simulator of the same experiments, for comparison with the package: it shares no code with it, on purpose.

It goes back to one that was written from the equations alone, by somebody who had not read the package's physics, and
takes another way wherever there is one, so that a mistake in a formula or a sign would have to be made twice:

* flux of dipoles and fields: line integral of the vector potential round the outline, edge by edge, by Gauss quadrature
  (no closed form, no surface integral);
* flux of a coil: Neumann's double integral, both contours by quadrature;
* a pump that swings the ring: `outside_ring`, by harmonic balance, where the study asks for it;
* isolator: the equations of two signal modes, two idler modes and the two idler waves on the link (Langevin equations
  with exp(-i w t), noise left out) are written down as they are and solved numerically at each frequency, where the
  package eliminates them by hand; the 90-degree hybrid is a matrix outside;
* study files: read with the standard library into plain numbers.

Two conventions are the package's, for they are a matter of choice: the coupling of a bare ring is stated for its ground
branch, and a hybrid with a phase error is scaled until it is passive.  The second changes levels, not ratios.

Everything is SI, flux in flux quanta, rates as frequencies in Hz (rate over 2 pi).  Only numpy; nothing of `fluxsense`.
"""

from __future__ import annotations

import math
import re
import tomllib
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from outside_ring import Ring, swing_rad

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

MAGNETIC_CONSTANT_N_A2 = 1.25663706127e-6  # CODATA 2022
FLUX_QUANTUM_WB = 6.62607015e-34 / (2 * 1.602176634e-19)  # h/2e, exact in the SI

UNITS = {
    "fA m^2": 1e-15,
    "um": 1e-6,
    "uT": 1e-6,
    "mPhi0": 1e-3,
    "Phi0": 1.0,
    "Phi0/A": 1.0,
    "mA": 1e-3,
    "GHz": 1e9,
    "MHz": 1e6,
    "dB": 1.0,
    "deg": math.pi / 180,
}
STAGES = ("stage_1", "stage_2")


def quantity(value: str | float) -> float:
    """A number, or a text of number and unit, in SI units; decibels stay, powers in dBm become watts."""
    if not isinstance(value, str):
        return float(value)
    parts = re.fullmatch(r"\s*(\S+)\s+(.+)", value)
    if parts is None:
        raise ValueError(value)
    number = float(parts[1])
    return 1e-3 * 10 ** (number / 10) if parts[2] == "dBm" else number * UNITS[parts[2]]


# ---------------------------------------------------------------- flux


def along_path(corners_m: ArrayLike, pieces: int) -> tuple[FloatArray, FloatArray]:
    """Points r (n, 3) and weighted steps dl (n, 3) round a closed polygon, so that sum A(r) . dl is its line integral.

    Gauss-Legendre with 40 nodes on each of `pieces` equal parts of every edge.
    """
    nodes, weights = np.polynomial.legendre.leggauss(40)
    corners = np.asarray(corners_m, dtype=np.float64)
    cut = np.arange(pieces)[:, None]
    t = ((cut + (nodes + 1) / 2) / pieces).ravel()
    w = np.tile(weights / 2 / pieces, pieces)
    edge = np.roll(corners, -1, axis=0) - corners
    points = corners[:, None] + t[:, None] * edge[:, None]
    return points.reshape(-1, 3), (w[:, None] * edge[:, None]).reshape(-1, 3)


def dipole_flux_phi0(outline_m: FloatArray, moment_a_m2: FloatArray, position_m: FloatArray) -> float:
    """Flux of a point dipole: line integral of A = (mu0 / 4 pi) m x d / |d|^3.

    Jackson, Classical Electrodynamics, section 5.6 (from memory).
    """
    points, steps = along_path(outline_m, 4 if len(outline_m) < 20 else 1)
    d = points - position_m
    a = np.cross(moment_a_m2, d) / np.linalg.norm(d, axis=1)[:, None] ** 3
    return float(MAGNETIC_CONSTANT_N_A2 / (4 * math.pi) * np.sum(a * steps) / FLUX_QUANTUM_WB)


def rod_flux_phi0(outline_m: FloatArray, moment_a_m2: FloatArray, middle_m: FloatArray, length_m: float) -> float:
    """Flux of a thin rod magnetised evenly along itself: dipoles at nine Gauss nodes along it."""
    if length_m == 0:
        return dipole_flux_phi0(outline_m, moment_a_m2, middle_m)
    nodes, weights = np.polynomial.legendre.leggauss(9)
    along = moment_a_m2 / np.linalg.norm(moment_a_m2) * length_m / 2
    parts = [
        w / 2 * dipole_flux_phi0(outline_m, moment_a_m2, middle_m + x * along)
        for x, w in zip(nodes, weights, strict=True)
    ]
    return float(sum(parts))


def uniform_field_flux_phi0(outline_m: FloatArray, field_t: FloatArray) -> float:
    """Flux of a uniform field: line integral of A = B x r / 2, whose curl is B."""
    points, steps = along_path(outline_m, 1)
    return float(np.sum(0.5 * np.cross(field_t, points) * steps) / FLUX_QUANTUM_WB)


def coil_flux_phi0(outline_m: FloatArray, coil_m: FloatArray, current_a: float) -> float:
    """Flux of a thin closed coil: Neumann's (mu0 I / 4 pi) double integral of dl . dl' / |r - r'|."""
    points, steps = along_path(outline_m, 1)
    wire, along = along_path(coil_m, 4)
    total = 0.0
    for point, step in zip(points, steps, strict=True):
        total += step @ np.sum(along / np.linalg.norm(point - wire, axis=1)[:, None], axis=0)
    return float(MAGNETIC_CONSTANT_N_A2 * current_a / (4 * math.pi) * total / FLUX_QUANTUM_WB)


def turned(vector: FloatArray, axis: ArrayLike, angle_rad: float) -> FloatArray:
    """A vector turned right-handed about an axis, by Rodrigues' matrix 1 + sin K + (1 - cos) K^2 with K v = k x v."""
    x, y, z = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray((np.eye(3) + math.sin(angle_rad) * k + (1 - math.cos(angle_rad)) * k @ k) @ vector)


def outline_on_chip_m(loop: dict[str, Any]) -> FloatArray:
    """Corners (n, 3) of a loop in its chip's own axes; a circle is the regular polygon of the same area."""
    shape = loop["shape"]
    if shape == "polygon":
        flat = [[quantity(x) for x in corner] for corner in loop["outline"]]
        return np.array([corner + [0.0] * (3 - len(corner)) for corner in flat])
    if shape == "circle":
        sides = loop.get("sides", 48)
        angle = 2 * math.pi * np.arange(sides) / sides
        # the polygon's area is (sides / 2) R^2 sin(2 pi / sides)
        outer = quantity(loop["radius"]) * math.sqrt(2 * math.pi / sides / math.sin(2 * math.pi / sides))
        x, y = outer * np.cos(angle), outer * np.sin(angle)
    else:
        w, h = (quantity(loop[k]) for k in (("side", "side") if shape == "square" else ("width", "height")))
        x, y = np.array([-w, w, w, -w]) / 2, np.array([-h, -h, h, h]) / 2
    center = [quantity(c) for c in loop["center"]]
    return np.stack([center[0] + x, center[1] + y, np.zeros_like(x)], axis=1)


def outline_m(loop: dict[str, Any], chip: dict[str, Any]) -> FloatArray:
    """Corners (n, 3) of a loop in the laboratory."""
    x = np.array(chip.get("x_axis", [1, 0, 0]), dtype=np.float64)
    y = np.array(chip.get("y_axis", [0, 1, 0]), dtype=np.float64)
    x, y = x / np.linalg.norm(x), y / np.linalg.norm(y)
    corners = outline_on_chip_m(loop)[:: -1 if loop.get("reversed") else 1]
    origin = np.array([quantity(c) for c in chip.get("origin", [0, 0, 0])])
    return np.asarray(origin + corners @ np.array([x, y, np.cross(x, y)]))


# ---------------------------------------------------------------- ring and isolator


def ring_modes(stage: dict[str, Any], flux_phi0: float, reference_flux_phi0: float) -> tuple[float, float, float]:
    """Signal frequency, idler frequency and signed coupling at reference power (Hz) of one stage at a flux.

    Four junctions of energy E and four shunts make the energy of the X and Y modes proportional to cos f + alpha and
    that of the Z mode to cos f + alpha/2, f a quarter of the loop's phase, alpha the shunt ratio; lambda is the
    inductance relative to f = 0.  With the ring's share p of a mode's inductance, that inductance changes by l = 1 + p
    (lambda - 1), the frequency by l^(-1/2), and the zero-point phase across the ring by lambda l^(-3/4) (a share
    lambda/l of one that grows as l^(1/4)).  The pump is a current through the Z mode, so its phase grows like the Z
    inductance.  The three-wave term is sin f X Y Z; the coupling is that product, scaled to the stated one at the
    reference flux.  A bare ring (alpha = 0) sits on branch n with f = (pi/2)(F + n); its stated coupling is that of the
    ground branch.
    """
    bare = stage["ring"] == "bare"
    alpha = 0.0 if bare else stage["shunt_ratio"]

    def modes(f: float) -> tuple[float, float, float]:
        rise = (1 + alpha) / (math.cos(f) + alpha) - 1
        signal, idler = 1 + stage["signal_participation"] * rise, 1 + stage["idler_participation"] * rise
        zero_point = ((1 + rise) * signal**-0.75) * ((1 + rise) * idler**-0.75)
        pump = (1 + alpha / 2) / (math.cos(f) + alpha / 2)
        return signal**-0.5, idler**-0.5, math.sin(f) * zero_point * pump

    def quarter_phase(flux: float, branch: int | str) -> float:
        n = 0 if not bare else -round(flux) if branch == "ground" else branch
        return math.pi / 2 * (flux + int(n))

    signal, idler, strength = modes(quarter_phase(flux_phi0, stage.get("branch", "ground")))
    stated = abs(modes(quarter_phase(reference_flux_phi0, "ground"))[2])
    return (
        quantity(stage["signal_frequency"]) * signal,
        quantity(stage["idler_frequency"]) * idler,
        quantity(stage["coupling"]) * strength / stated,
    )


def stage_ring(stage: dict[str, Any]) -> Ring:
    """The ring of a stage with its two modes, for `outside_ring`.  Key stray_arms is no study's, only a laboratory's."""
    bare = stage["ring"] == "bare"
    branch = stage.get("branch", "ground")
    return Ring(
        shunt_ratio=0.0 if bare else stage["shunt_ratio"],
        shares=(stage["signal_participation"], stage["idler_participation"]),
        modes_hz=(quantity(stage["signal_frequency"]), quantity(stage["idler_frequency"])),
        branch=0 if branch == "ground" else int(branch),
        stray=stage.get("stray_arms", 0.0),
    )


def pumped_modes(
    stage: dict[str, Any], flux_phi0: float, reference_flux_phi0: float, relative_current: float, shift_factor: float
) -> tuple[float, float, float]:
    """Like `ring_modes` for a pump of a current relative to the reference's, whose swing moves the modes.

    Stated shares and frequencies hold at zero flux, the stated coupling at the reference flux and power.  shift_factor
    multiplies how far the modes move.
    """
    ring = stage_ring(stage)
    if stage["ring"] == "bare" and stage.get("branch", "ground") == "ground":
        ring = replace(ring, branch=-round(flux_phi0))
    if relative_current == 0.0:
        signal, idler = ring.still(flux_phi0)
        return float(signal), float(idler), 0.0
    reference = (reference_flux_phi0, quantity(stage["coupling"]))
    found = ring.pumped(flux_phi0, swing_rad(ring, flux_phi0, reference, relative_current))
    signal, idler = found.still_hz + shift_factor * found.shift_hz
    return float(signal), float(idler), found.coupling_hz


@dataclass(frozen=True)
class Pump:
    """A pump that is on.

    frequency_hz; relative_coupling: its amplitude at stage 1 and 2 over that at reference power; phase_rad: of stage 2
    less that of stage 1; shift_factor: None for a weak pump, which leaves the modes where they are and couples them in
    proportion to its amplitude, else the ring's own answer to its swing, shifts of the modes times this factor.
    """

    frequency_hz: float
    relative_coupling: tuple[float, float]
    phase_rad: float
    shift_factor: float | None = None


def hybrid(isolator: dict[str, Any]) -> ComplexArray:
    """Waves on the two stages (rows) from waves at the two ports (columns) behind a 90-degree hybrid.

    Imbalance is the power ratio of direct to crossed arm.  A phase error makes the singular values |a +- b| unequal;
    the larger is held at the stated loss, so that the hybrid stays passive.
    """
    ratio = 10 ** (quantity(isolator.get("hybrid_imbalance", 0)) / 10)
    direct = math.sqrt(ratio / (1 + ratio))
    crossed = 1j * np.exp(1j * quantity(isolator.get("hybrid_phase_error", 0))) / math.sqrt(1 + ratio)
    matrix = np.array([[direct, crossed], [crossed, direct]])
    return np.asarray(10 ** (-quantity(isolator.get("hybrid_loss", 0)) / 20) * matrix / np.linalg.norm(matrix, 2))


def stage_modes(
    isolator: dict[str, Any], stage: int, flux_phi0: float, pump: Pump | None
) -> tuple[float, float, complex]:
    """Signal frequency, idler frequency and coupling (Hz) of a stage (0 or 1), as the pump makes them."""
    values, reference = isolator[STAGES[stage]], quantity(isolator["reference_flux"])
    relative = pump.relative_coupling[stage] if pump else 0.0
    if pump and pump.shift_factor is not None:
        signal, idler, g = pumped_modes(values, flux_phi0, reference, relative, pump.shift_factor)
    elif values.get("stray_arms"):
        signal, idler, g = pumped_modes(values, flux_phi0, reference, relative, 0.0)
    else:
        signal, idler, g = ring_modes(values, flux_phi0, reference)
        g *= relative
    return signal, idler, g * complex(np.exp(1j * (pump.phase_rad if pump and stage else 0.0)))


def isolator_scattering(
    isolator: dict[str, Any], flux_phi0: ArrayLike, pump: Pump | None, frequency_hz: FloatArray
) -> ComplexArray:
    """Scattering matrix (F, out, in) of an isolator at the fluxes (2,) of its stages, exp(-i w t).

    Key arm_delays_s, no study's, holds the delays (2,) between the hybrid and the stages.
    """
    at_stages = stages_scattering(isolator, flux_phi0, pump, frequency_hz)
    if "arm_delays_s" in isolator:
        arms = np.exp(2j * np.pi * frequency_hz[:, None] * np.asarray(isolator["arm_delays_s"]))
        at_stages = arms[:, :, None] * at_stages * arms[:, None, :]
    h = hybrid(isolator)
    return np.asarray(h.T @ at_stages @ h)


def stages_scattering(
    isolator: dict[str, Any], flux_phi0: ArrayLike, pump: Pump | None, frequency_hz: FloatArray
) -> ComplexArray:
    """Scattering matrix (F, out, in) between the signal lines of the two stages.

    Langevin equations of input-output theory (Gardiner and Collett, Phys. Rev. A 31, 3761 (1985), from memory), with
    out = in - sqrt(k) mode; the idlers are seen in the frame of the pump, at w + w_p.  Unknowns are the signal modes
    a_j, the idler modes b_j and the idler waves o_j that leave the stages; a wave that leaves one stage comes to the
    other as z o:

        (k_a,j / 2 - i (w - w_a,j)) a_j + i g_j b_j                      = sqrt(ka_j) s_j
        (k_b,j / 2 - i (w + w_p - w_b,j)) b_j + i conj(g_j) a_j           = sqrt(kb_j) z o_other
        o_j = z o_other - sqrt(kb_j) b_j

    with total linewidths k_a, k_b and those into signal line and link ka, kb.
    """
    link = isolator.get("link_amplitude", math.sqrt(0.5) if isolator["link"] == "hybrid" else 1.0)
    z = link * np.exp(1j * quantity(isolator.get("link_phase", 0)))
    pump_hz = pump.frequency_hz if pump else 0.0
    equations = np.zeros((len(frequency_hz), 6, 6), dtype=np.complex128)
    drive = np.zeros((6, 2), dtype=np.complex128)
    for j, flux in enumerate(np.asarray(flux_phi0, dtype=np.float64)):
        stage = isolator[STAGES[j]]
        signal_hz, idler_hz, g = stage_modes(isolator, j, float(flux), pump)
        ka, kb = quantity(stage["signal_linewidth"]), quantity(stage["idler_linewidth"])
        ka_total = ka + quantity(stage.get("signal_internal_loss", 0))
        kb_total = kb + quantity(stage.get("idler_internal_loss", 0)) + quantity(stage.get("idler_termination", 0))
        a, b, o, other = j, 2 + j, 4 + j, 5 - j
        equations[:, a, a] = ka_total / 2 - 1j * (frequency_hz - signal_hz)
        equations[:, a, b] = 1j * g
        equations[:, b, b] = kb_total / 2 - 1j * (frequency_hz + pump_hz - idler_hz)
        equations[:, b, a] = 1j * np.conj(g)
        equations[:, b, other] = -math.sqrt(kb) * z
        equations[:, o, [o, other, b]] = 1.0, -z, math.sqrt(kb)
        drive[a, j] = math.sqrt(ka)
    modes = np.linalg.solve(equations, drive[None])
    return np.asarray(np.eye(2) - drive[[0, 1], [0, 1]].real[:, None] * modes[:, :2])


# ---------------------------------------------------------------- study, truth, sweep


@dataclass
class Truth:
    """What a campaign's sweeps depend on beside the study's fixed numbers.

    source (3,) in T or A m^2; position_m (3,); offset_phi0 (cooldowns, loops); flux_focusing (loops,); pump_strength
    and pump_phase_error_rad (isolators,); wiring: +1 or -1 per isolator, the sign of 90 degrees on pump port 1; stages:
    values that replace the study's, by isolator, stage and key; rod_m: length of a magnetic source, a rod magnetised
    along itself, 0 for a point.
    """

    source: FloatArray
    position_m: FloatArray
    offset_phi0: FloatArray
    flux_focusing: FloatArray
    pump_strength: FloatArray
    pump_phase_error_rad: FloatArray
    wiring: list[int]
    stages: dict[tuple[int, str, str], float] = field(default_factory=dict)
    rod_m: float = 0.0


@dataclass(frozen=True)
class Group:
    """Sweeps of one kind, by position in the study's lists."""

    cooldown: int
    state: int
    setting: int
    isolator: int


class OutsideStudy:
    """The numbers of a study file; shift_factor as in `Pump`."""

    def __init__(self, path: Path, shift_factor: float | None = None) -> None:
        self.shift_factor = shift_factor
        self.path = path
        d = self.document = tomllib.loads(path.read_text(encoding="utf-8"))
        self.source = d["source"]
        self.is_dipole = self.source["kind"] == "dipole"
        self.size = quantity(self.source["size"])
        self.position_m = np.array([quantity(x) for x in self.source.get("position", [0, 0, 0])])
        self.position_sd_m = np.array([quantity(x) for x in self.source.get("position_sd", [0, 0, 0])])
        chips = {chip["name"]: chip for chip in d["chip"]}
        self.loops: list[str] = [loop["name"] for loop in d["loop"]]
        self.outlines_m = [
            outline_m(loop, chips[loop["chip"]] if "chip" in loop else d["chip"][0]) for loop in d["loop"]
        ]
        self.offset_phi0 = np.array([quantity(loop.get("offset", 0)) for loop in d["loop"]])
        self.offset_sd_phi0 = np.array([quantity(loop.get("offset_sd", 0)) for loop in d["loop"]])
        self.flux_focusing = np.array([loop.get("flux_focusing", 1.0) for loop in d["loop"]])
        self.flux_focusing_sd = np.array([loop.get("flux_focusing_sd", 0.0) for loop in d["loop"]])
        self.lines: list[str] = [line["name"] for line in d["bias_line"]]
        mutual = [[quantity(line["mutual"].get(loop, 0)) for line in d["bias_line"]] for loop in self.loops]
        self.mutual_phi0_per_a = np.array(mutual)
        self.isolators: list[dict[str, Any]] = d["isolator"]
        self.states: list[dict[str, Any]] = d["state"]
        self.settings: list[dict[str, Any]] = d["setting"]
        self.cooldowns: list[str] = d["plan"].get("cooldowns", ["c1"])
        sweep = d["sweep"]
        self.frequency_hz = np.linspace(quantity(sweep["start"]), quantity(sweep["stop"]), sweep["points"])

    def groups(self) -> list[Group]:
        """Every cooldown, state, setting and isolator."""
        shape = (len(self.cooldowns), len(self.states), len(self.settings), len(self.isolators))
        return [Group(*(int(n) for n in index)) for index in np.ndindex(shape)]

    def bias_a(self, setting: int) -> FloatArray:
        """Currents of the bias lines."""
        return np.array([quantity(self.settings[setting]["bias"].get(line, 0)) for line in self.lines])

    def stage_loops(self, isolator: int) -> list[int]:
        """Loops of an isolator's two stages."""
        return [self.loops.index(self.isolators[isolator][stage]["loop"]) for stage in STAGES]

    def relative_amplitude(self, setting: int, isolator: int) -> float:
        """The pump's amplitude over that at reference power, which goes with the root of the power."""
        power = quantity(self.settings[setting]["pump_power"])
        return math.sqrt(power / quantity(self.isolators[isolator]["reference_power"]))

    def pump_frequency_hz(self, setting: int, isolator: int) -> float:
        """The setting's pump frequency.

        A matched one is the mean of idler less signal at bias and central offsets, of the modes as the pump leaves them.
        """
        stated = self.settings[setting].get("pump_frequency", "matched")
        if stated != "matched":
            return quantity(stated)
        flux = self.mutual_phi0_per_a @ self.bias_a(setting) + self.offset_phi0
        amplitude = self.relative_amplitude(setting, isolator)
        pump = Pump(0.0, (amplitude, amplitude), 0.0, self.shift_factor)
        loops = self.stage_loops(isolator)
        both = [stage_modes(self.isolators[isolator], j, float(flux[n]), pump) for j, n in enumerate(loops)]
        return sum((idler - signal) / 2 for signal, idler, _ in both)

    @cached_property
    def calibration_flux_phi0(self) -> FloatArray:
        """Flux (states, loops) of coils and known fields; zero in other states."""
        coils = {
            c["name"]: np.array([[quantity(x) for x in p] for p in c["outline"]]) for c in self.document.get("coil", [])
        }
        flux = np.zeros((len(self.states), len(self.loops)))
        for n, state in enumerate(self.states):
            for k, outline in enumerate(self.outlines_m):
                if "field" in state:
                    flux[n, k] = uniform_field_flux_phi0(outline, np.array([quantity(x) for x in state["field"]]))
                elif "coil" in state:
                    flux[n, k] = coil_flux_phi0(outline, coils[state["coil"]], quantity(state["current"]))
        return flux

    def source_flux_phi0(self, truth: Truth) -> FloatArray:
        """Flux (states, loops) that the source, or what calibrates, puts into the loops."""
        flux = self.calibration_flux_phi0.copy()
        for n, state in enumerate(self.states):
            if state["kind"] not in ("in", "turned"):
                continue
            vector = truth.source
            if state["kind"] == "turned":
                vector = turned(vector, state["rotation_axis"], quantity(state["rotation_angle"]))
            for k, outline in enumerate(self.outlines_m):
                if self.is_dipole:
                    flux[n, k] = rod_flux_phi0(outline, vector, truth.position_m, truth.rod_m)
                else:
                    flux[n, k] = uniform_field_flux_phi0(outline, vector)
        return truth.flux_focusing * flux

    def nominal(self, source: ArrayLike) -> Truth:
        """A source with everything else at its central value, unstated wiring as +90 degrees on port 1."""
        n = len(self.isolators)
        return Truth(
            source=np.array(source, dtype=np.float64),
            position_m=self.position_m.copy(),
            offset_phi0=np.tile(self.offset_phi0, (len(self.cooldowns), 1)),
            flux_focusing=self.flux_focusing.copy(),
            pump_strength=np.ones(n),
            pump_phase_error_rad=np.zeros(n),
            wiring=[-1 if i.get("pump_port_1_phase") == "-90 deg" else 1 for i in self.isolators],
        )

    def draw(self, source: ArrayLike, rng: np.random.Generator) -> Truth:
        """A source with everything else drawn from the study's priors, but for values of stages."""
        truth = self.nominal(source)
        truth.position_m += self.position_sd_m * rng.normal(size=3)
        truth.offset_phi0 += self.offset_sd_phi0 * rng.normal(size=truth.offset_phi0.shape)
        truth.flux_focusing += self.flux_focusing_sd * rng.normal(size=len(self.loops))
        for n, isolator in enumerate(self.isolators):
            truth.pump_strength[n] += isolator.get("pump_strength_sd", 0) * rng.normal()
            truth.pump_phase_error_rad[n] = quantity(isolator.get("pump_phase_error_sd", 0)) * rng.normal()
            if "pump_port_1_phase" not in isolator:
                truth.wiring[n] = int(rng.choice([-1, 1]))
        return truth

    def sweep(
        self,
        truth: Truth,
        source_flux_phi0: FloatArray,
        group: Group,
        pump_on: bool,
        extra_flux_phi0: ArrayLike = (0, 0),
    ) -> ComplexArray:
        """Scattering matrix (F, out, in) of one group's sweeps without gain and noise.

        source_flux_phi0 is the method of that name for the same truth; extra_flux_phi0 is added in the stages' loops.
        """
        n = group.isolator
        isolator = dict(self.isolators[n])
        for name in STAGES:
            isolator[name] = isolator[name] | {k: v for (i, s, k), v in truth.stages.items() if (i, s) == (n, name)}
        flux = self.mutual_phi0_per_a @ self.bias_a(group.setting) + truth.offset_phi0[group.cooldown]
        at_stages = (flux + source_flux_phi0[group.state])[self.stage_loops(n)] + np.asarray(extra_flux_phi0)
        pump = self.pump(truth, group) if pump_on else None
        return isolator_scattering(isolator, at_stages, pump, self.frequency_hz)

    def pump(self, truth: Truth, group: Group) -> Pump:
        """The pump of a group.  Coupling goes with the root of the power; port 2 has the opposite phase of port 1."""
        setting, n = self.settings[group.setting], group.isolator
        if "pump_phase" in setting:
            phase = quantity(setting["pump_phase"])
        else:
            phase = math.pi / 2 if setting["pump_port"] == 1 else -math.pi / 2
        amplitude = float(truth.pump_strength[n] * self.relative_amplitude(group.setting, n))
        return Pump(
            frequency_hz=self.pump_frequency_hz(group.setting, n),
            relative_coupling=(amplitude, amplitude),
            phase_rad=float(truth.wiring[n] * phase + truth.pump_phase_error_rad[n]),
            shift_factor=self.shift_factor,
        )
