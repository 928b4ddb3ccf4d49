"""Sweeps as an instrument would write them, from a stated truth and a seed: for demonstrations and tests.

The truth is a study whose isolators are taken literally, with offsets and flux focusing factors of its loops.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.streams import stream
from fluxsense.base.units import dbm_to_watt, watt_to_dbm
from fluxsense.characterize.tracks import main_lines
from fluxsense.data.log import LogRow
from fluxsense.data.touchstone import Sweep
from fluxsense.device.chip import ChipModel, Probe, loop_indices, matched_pump_frequency_hz, nominal_parameters
from fluxsense.device.lines import line_gain
from fluxsense.device.rings import ring_kind
from fluxsense.device.rings.bare import follow_branch
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

PORTS = ("11", "21", "12", "22")


@dataclass(frozen=True)
class SweepPlan:
    """Which sweeps to take of each isolator.

    Attributes
    ----------
    flux_points : int
        Currents of each bias ramp, which runs over plus and minus `reach_phi0` of the loop it is meant for.
    reach_phi0 : float
    up_and_down : bool
        Run each ramp back again.
    working_phi0 : tuple of (float, float)
        Fluxes at which the pump is on; the first is the working point of the power, phase and port sweeps.
    powers, frequencies, phases : int
        Steps of the pump-power sweep (12 dB below to 3 dB above the reference), of each pump-frequency sweep (plus and
        minus `pump_span_hz`) and of the pump-phase sweep (0 for none).
    states : tuple of str
        States in which the pump-off ramps' ends and middles are repeated, for calibration.
    repeats : int
    foreign : bool
        With the pump off at the first working point, send a current either way through each line that is meant for no loop of the
        isolator: what it puts into the isolator's loops is seen in no other sweep.
    pumped : bool
        Take the sweeps with the pump on.
    """

    flux_points: int = 33
    reach_phi0: float = 2.4
    up_and_down: bool = False
    working_phi0: tuple[tuple[float, float], ...] = ((0.5, 0.5), (1.1, 1.1), (0.3, 0.3), (0.5, -0.5))
    powers: int = 9
    frequencies: int = 9
    pump_span_hz: float = 80e6
    phases: int = 8
    states: tuple[str, ...] = ()
    repeats: int = 1
    foreign: bool = False
    pumped: bool = True


FOREIGN_PHI0 = 2.0
"""Flux that a foreign line's current puts into the loop that it is meant for, within the line's limit."""


@dataclass(frozen=True)
class _Step:
    probe: Probe
    label: str


def _bias_for(study: Study, isolator: int, flux_phi0: Sequence[float], mains: Sequence[int]) -> tuple[float, ...]:
    """Bias currents that would put the loops there if there were neither cross-talk nor offsets."""
    loops = loop_indices(study)[isolator]
    bias = [0.0] * len(study.bias_lines)
    for loop, line, flux in zip(loops, mains, flux_phi0, strict=True):
        mutual = dict(study.bias_lines[line].mutual_phi0_per_a)[study.loops[loop].name]
        bias[line] = float(f"{flux / mutual:.6g}")
    return tuple(bias)


def foreign_lines(study: Study, mains: Sequence[int]) -> list[int]:
    """The bias lines that are meant for no loop of an isolator whose own are `mains`."""
    return [n for n in range(len(study.bias_lines)) if n not in mains]


def _foreign_current_a(study: Study, line: int) -> float:
    """A current that would show what a line puts into other loops: `FOREIGN_PHI0` in its own, or its limit."""
    own = max((abs(m) for _, m in study.bias_lines[line].mutual_phi0_per_a), default=0.0)
    limit = study.bias_lines[line].limit_a
    return float(f"{min(limit, FOREIGN_PHI0 / own) if own > 0 else limit:.6g}")


def planned_sweeps(study: Study, isolator: int, plan: SweepPlan) -> tuple[list[LogRow], list[str]]:
    """Rows of a log for the sweeps of one isolator that `characterize` needs, and what the lines' limits leave out.

    Parameters
    ----------
    study : Study
        Its bias lines, with about how strongly each drives its own loop, and, if the pump is to be on, about where the modes are.
    isolator : int
    plan : SweepPlan

    Raises
    ------
    InputError
        If it is not stated about how strongly a line drives the loop that it is meant for, or which line is meant for a loop.
    """
    mains = main_lines(study, isolator)
    said, reach = [], plan.reach_phi0
    for loop, line in zip(loop_indices(study)[isolator], mains, strict=True):
        name, one = study.loops[loop].name, study.bias_lines[line]
        mutual = abs(dict(one.mutual_phi0_per_a).get(name, 0.0))
        if not mutual > 0:
            raise InputError(
                f'it is not stated about how strongly line "{one.name}" drives its loop "{name}"',
                where=f"{study.path.name}, bias_line[{one.name}].mutual",
                remedy=f'Write for example mutual = {{ {name} = "600 Phi0/A" }}',
            )
        if one.limit_a * mutual < reach:
            reach = one.limit_a * mutual
            said.append(
                f'The limit of line "{one.name}" carries the ramps of isolator "{study.isolators[isolator].name}" to {reach:.2g} flux '
                "quanta either way only; over 3.2 from end to end are wanted for a shunted ring, 1.3 for a bare one."
            )
    points = tuple(p for p in plan.working_phi0 if max(map(abs, p)) <= reach)
    steps = _schedule(study, isolator, mains, replace(plan, reach_phi0=reach, working_phi0=points))
    counts: dict[Probe, int] = {}
    rows = []
    for step in steps:
        counts[step.probe] = counts.get(step.probe, 0) + 1
        row = _row(study, step, "")
        rows.append(replace(row, cooldown="first", repeat=counts[step.probe], time_s=float("nan")))
    return rows, said


def _schedule(study: Study, isolator: int, mains: Sequence[int], plan: SweepPlan) -> list[_Step]:
    iso = study.isolators[isolator]
    states = {s.name: n for n, s in enumerate(study.states)}
    out = next(n for n, s in enumerate(study.states) if s.kind == "out")
    steps = []

    def off(bias: tuple[float, ...], label: str, state: int = out) -> None:
        steps.append(_Step(Probe(isolator, False, None, None, 0.0, float("nan"), bias, state, 0), label))

    def on(
        bias: tuple[float, ...], label: str, port: int | None, phase: float | None, power_w: float, hz: float
    ) -> None:
        steps.append(_Step(Probe(isolator, True, port, phase, power_w, float(round(hz)), bias, out, 0), label))

    ramp = np.linspace(-plan.reach_phi0, plan.reach_phi0, plan.flux_points)
    path = np.concatenate([ramp, ramp[-2::-1]]) if plan.up_and_down else ramp
    for k in (0, 1):
        for n, flux in enumerate(path):
            pair = [0.0, 0.0]
            pair[k] = float(flux)
            off(_bias_for(study, isolator, pair, mains), f"flux{k + 1}_{n:03d}")
    for name in plan.states:
        for n, flux in enumerate((-1.3, -0.6, 0.6, 1.3)):
            off(_bias_for(study, isolator, (flux, flux), mains), f"{name}_{n}", states[name])
    for line in foreign_lines(study, mains) if plan.foreign else ():
        at = list(_bias_for(study, isolator, plan.working_phi0[0], mains))
        for n, sign in enumerate((-1, 1)):
            at[line] = sign * _foreign_current_a(study, line)
            off(tuple(at), f"{study.bias_lines[line].name}_{n}")
    reference = iso.reference_power_w
    for w, working in enumerate(plan.working_phi0):
        bias = _bias_for(study, isolator, working, mains)
        off(bias, f"point{w + 1}_off")
        if not plan.pumped:
            continue
        matched = matched_pump_frequency_hz(study, isolator, bias)
        for n, shift in enumerate(np.linspace(-plan.pump_span_hz, plan.pump_span_hz, plan.frequencies)):
            on(bias, f"point{w + 1}_frequency_{n:02d}", 1, None, reference, matched + shift)
        on(bias, f"point{w + 1}_port2", 2, None, reference, matched)
        if w == 0:
            for n, db in enumerate(np.linspace(-12.0, 3.0, plan.powers)):
                power = dbm_to_watt(round(watt_to_dbm(reference) + float(db), 3))
                on(bias, f"power_{n:02d}", 1, None, power, matched)
                if n % 3 == 0:
                    on(bias, f"power_{n:02d}_port2", 2, None, power, matched)
            for n in range(plan.phases):
                angle = float(np.radians(round(-180.0 + 360.0 * n / plan.phases, 3)))
                on(bias, f"phase_{n:02d}", None, angle, reference, matched)
            off(bias, "closing_off")
    return steps


def _held_at_zero(truth: Study) -> Study:
    """The study with every bare ring held in branch 0, so that a branch can be added to the flux."""
    isolators = []
    for iso in truth.isolators:
        one, two = (replace(s, branch=0) if ring_kind(s.ring).latches else s for s in iso.stages)
        isolators.append(replace(iso, stages=(one, two)))
    return replace(truth, isolators=tuple(isolators))


def virtual_sweeps(
    truth: Study,
    plan: SweepPlan,
    seed: int,
    *,
    port_signs: Sequence[int] | None = None,
    phase_error_rad: Sequence[float] | None = None,
    cooldown: str = "first",
    latching: bool = True,
) -> Iterator[tuple[LogRow, Sweep]]:
    """Every sweep of a plan with its row of the log.

    Parameters
    ----------
    truth : Study
        Its isolators, mutual inductances, loops' offsets and areas are what is; its sweep and noise are used.
    plan : SweepPlan
    seed : int
    port_signs, phase_error_rad : sequence, optional
        Per isolator; where neither they nor the study's own signs are given drawn from the seed (error: normal, 2 degrees).
    cooldown : str
    latching : bool
        Whether bare rings keep their branch along a ramp.

    Yields
    ------
    LogRow, Sweep
        In the e^{-i w t} convention.
    """
    rng = stream(seed, "virtual sweeps")
    f = np.linspace(truth.sweep.start_hz, truth.sweep.stop_hz, truth.sweep.points)
    count = len(truth.isolators)
    drawn = [int(x) for x in rng.choice([-1, 1], size=count)]
    errors = np.radians(2.0) * rng.standard_normal(count)
    signs = [i.pump_port_1_sign or x for i, x in zip(truth.isolators, drawn, strict=True)]
    signs = list(port_signs) if port_signs is not None else signs
    errors = errors if phase_error_rad is None else np.asarray(phase_error_rad, dtype=np.float64)
    if latching:
        truth = _held_at_zero(truth)
    base = nominal_parameters(truth).changed(pump_phase_error_rad=errors[None, :])
    time, line = 0.0, 1
    for i in range(count):
        mains = main_lines(truth, i)
        steps = _schedule(truth, i, mains, plan)
        model = ChipModel(truth, [s.probe for s in steps], [f] * count, signs)
        flux = model.probe_flux(base, i)[0]
        for k, stage in enumerate(truth.isolators[i].stages):
            if latching and ring_kind(stage.ring).latches:
                flux[:, k] += follow_branch(flux[:, k])
        gains = line_gain(rng, f)
        level = np.median(np.abs(gains), axis=1)
        taken: dict[str, int] = {}
        for n, step in enumerate(steps):
            # one probe at a time keeps the memory flat; flux noise per sweep
            for repeat in range(plan.repeats):
                shift = truth.noise.flux_phi0 * rng.standard_normal(2)
                one = ChipModel(truth, [step.probe], [f] * count, signs)
                s = one.scattering(base, i, PORTS, flux=(flux[n] + shift)[None, None])[0, 0]
                drift = 1 + truth.noise.gain_drift * rng.standard_normal(4)
                drift = drift * np.exp(1j * truth.noise.phase_drift_rad * rng.standard_normal(4))
                white = rng.standard_normal((4, f.size)) + 1j * rng.standard_normal((4, f.size))
                raw = s * gains * drift[:, None] + truth.noise.white * level[:, None] * white
                time += 20.0
                line += 1
                p = step.probe
                key = repr(
                    (p.pump_on, p.pump_port, p.pump_phase_rad, p.pump_power_w, p.pump_frequency_hz, p.bias_a, p.state)
                )
                taken[key] = taken.get(key, 0) + 1  # a setting that comes back later is a further repeat
                again = f"_{repeat + 1}" if plan.repeats > 1 else ""
                row = replace(_row(truth, step, again), line=line, cooldown=cooldown, repeat=taken[key], time_s=time)
                yield row, Sweep(f, raw.reshape(2, 2, f.size).transpose(2, 1, 0), 50.0)


def _row(truth: Study, step: _Step, again: str) -> LogRow:
    """A step's row of the log, but for when it was taken; again marks the repeats' files."""
    p, iso = step.probe, truth.isolators[step.probe.isolator].name
    return LogRow(
        line=0,
        file=f"sweeps/{iso}_{step.label}{again}.s2p",
        isolator=iso,
        pump_on=p.pump_on,
        pump_port=p.pump_port,
        pump_phase_rad=p.pump_phase_rad,
        pump_power_dbm=round(watt_to_dbm(p.pump_power_w), 3) if p.pump_on else float("nan"),
        pump_frequency_hz=p.pump_frequency_hz,
        state=truth.states[p.state].name,
        cooldown="",
        repeat=1,
        time_s=0.0,
        bias_a=p.bias_a,
    )


__all__ = ["SweepPlan", "foreign_lines", "planned_sweeps", "virtual_sweeps"]
