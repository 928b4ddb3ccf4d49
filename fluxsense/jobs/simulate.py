"""Campaigns as an instrument would write them, from a stated truth and a seed.

The truth goes to a file of its own; `orient` reads it only to mark the report.  Line gain, cable delay, drift, flux
noise, white noise and the wiring of the pump ports are drawn from the seed, so that the inference has to find out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Final, Unpack, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.faults import Faults
from fluxsense.base.files import write_beside
from fluxsense.base.findings import Verdict
from fluxsense.base.streams import stream
from fluxsense.base.units import format_quantity, watt_to_dbm
from fluxsense.data.counts import transmits_forward
from fluxsense.data.digest import Digest, DigestBuilder, GroupKey, group_key, off_group_for
from fluxsense.data.log import LogRow, write_log
from fluxsense.data.touchstone import Sweep
from fluxsense.data.traces import Traces
from fluxsense.design.timeline import in_turns
from fluxsense.device.chip import (
    ChipModel,
    ChipParameters,
    Probe,
    check_geometry,
    nominal_parameters,
    off_probe,
    setting_probe,
)
from fluxsense.device.lines import line_gain
from fluxsense.jobs.options import SimulateOptions, SimulateSettings
from fluxsense.jobs.result import Provenance, Result, as_study, make_document
from fluxsense.model.flicker import draw as draw_slow
from fluxsense.model.parameter import EXTENT, NOISE_SCALE, WRONG_WAY_RATE
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.lines import simulation_lines
from fluxsense.study import Study, Table, read_tree

if TYPE_CHECKING:
    from fluxsense.report.documents import SimulationDocument

FloatArray = npt.NDArray[np.float64]

BAD_FLUX_PHI0: Final = 8e-3
"""Standard deviation of the flux of a sweep during which it is off."""
BAD_GAIN: Final = 0.3
"""Of the gain of a sweep in which it jumps, per quadrature."""
BAD_BURST: Final = 10.0
"""Factor on the white noise of a sweep that a burst of interference fell on."""

PORTS = ("11", "21", "12", "22")


@dataclass(frozen=True)
class Truth:
    """What a simulated campaign really was: one parameter set and the wiring of each isolator's pump ports."""

    parameters: ChipParameters
    port_signs: tuple[int, ...]
    cooldowns: tuple[str, ...]
    seed: int
    noise_scale: float = 1.0
    wrong_way: float = 0.0


@dataclass(frozen=True, repr=False)
class Simulation(Result):
    """A simulated campaign in files.

    Attributes
    ----------
    folder : Path
    truth : Truth
    rows : tuple of LogRow
    """

    KIND: ClassVar[str] = "simulation"

    folder: Path
    truth: Truth
    rows: tuple[LogRow, ...]

    def lines(self) -> list[str]:
        return simulation_lines(cast("SimulationDocument", self.document))


def simulate(
    study: Study | str | Path, folder: str | Path | None = None, **options: Unpack[SimulateOptions]
) -> Simulation:
    """Write a campaign as an instrument would, from a stated or drawn truth.

    Parameters
    ----------
    study : Study or path
    folder : path-like, optional
        Gets ``traces/``, ``log.csv``, ``truth.toml`` and, if it has none, ``study.toml``; the study's folder by default.
    seed : int
        Of truth and noise.
    truth : path-like, optional
        A file that states the source, see `read_truth_source`.
    force : bool
        Replace a campaign that is already there.
    progress : callable, optional
        Called with (what, share done, detail).

    Returns
    -------
    Simulation

    Raises
    ------
    InputError
        If the study or the truth cannot be used, or the folder holds a campaign already.
    """
    study = as_study(study)
    asked = SimulateSettings(**options)
    seed = asked.seed
    check_geometry(study)
    out = Path(folder) if folder is not None else study.folder
    stated = asked.truth
    source, position = read_truth_source(stated, study) if stated else (None, None)
    truth = draw_truth(study, seed, source, position)
    rows = write_campaign(study, truth, out, force=asked.force, progress=asked.counted("writing traces"))
    target = out / "study.toml"
    if not target.exists():
        write_beside(target, study.path.read_bytes(), sync=True)
    body = {"traces": len(rows), "folder": str(out), "seed": seed, "with_traces": bool(rows[0].file)}
    verdict = Verdict.of((), "sound simulation")
    provenance = Provenance(study.sha256, seed=seed, options={"truth": "stated" if stated else "drawn"})
    document = make_document(Simulation, study, verdict, provenance, body)
    return Simulation(document, study, verdict, out, truth, tuple(rows))


def read_truth_source(path: str | Path, study: Study) -> tuple[FloatArray, FloatArray | None]:
    """Source vector (and position, if stated) from a truth file.

    Parameters
    ----------
    path : str or Path
        TOML with ``[source]``: ``azimuth``, ``elevation``, ``size`` and, for a dipole, optionally ``position``.
    study : Study

    Returns
    -------
    source : ndarray (3,)
        In T or A m^2.
    position_m : ndarray (3,) or None

    Raises
    ------
    InputError
        If the file cannot be read or an entry is wrong.
    """
    file = Path(path)
    data, _ = read_tree(file, "truth")
    faults = Faults()
    table = Table(data, "", file.name, faults).table("source")
    azimuth = table.quantity("azimuth", "angle")
    elevation = table.quantity("elevation", "angle")
    size = table.quantity("size", study.source.dimension, low=0.0)
    position = table.quantities("position", "length", 3, default=None) if table.has("position") else None
    faults.raise_any()
    vector = size * np.array(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)]
    )
    return vector, None if position is None else np.array(position)


def draw_truth(
    study: Study,
    seed: int,
    source: npt.ArrayLike | None = None,
    position_m: npt.ArrayLike | None = None,
) -> Truth:
    """A truth drawn from the study's priors; a stated source or position replaces the drawn one.

    Parameters
    ----------
    study : Study
    seed : int
    source : array_like (3,), optional
        In T or A m^2.
    position_m : array_like (3,), optional
    """
    rng = stream(seed, "truth")
    unknowns = Unknowns(study, study.plan.cooldowns)
    x = unknowns.draw(rng, 1)
    parameters = unknowns.parameters(x)
    loud, wrong = unknowns.data_value(NOISE_SCALE, x), unknowns.data_value(WRONG_WAY_RATE, x)
    if source is not None:
        parameters = parameters.changed(source=np.asarray(source, dtype=np.float64).reshape(1, 3))
    if position_m is not None:
        parameters = parameters.changed(position_m=np.asarray(position_m, dtype=np.float64).reshape(1, 3))
    drawn = rng.choice([-1, 1], size=len(study.isolators))
    signs = tuple(int(i.pump_port_1_sign or s) for i, s in zip(study.isolators, drawn, strict=True))
    return Truth(
        parameters,
        signs,
        study.plan.cooldowns,
        seed,
        1.0 if loud is None else float(loud[0]),
        study.data.wrong_way if wrong is None else float(wrong[0]),
    )


def stated_truth(study: Study, source: npt.ArrayLike, seed: int) -> Truth:
    """The truth that a study states, with a source (3,) in T or A m^2; the seed is that of the noise."""
    parameters = nominal_parameters(study, source, len(study.plan.cooldowns))
    signs = tuple(i.pump_port_1_sign or 1 for i in study.isolators)
    return Truth(parameters, signs, study.plan.cooldowns, seed, 1.0, study.data.wrong_way)


def truth_text(study: Study, truth: Truth) -> str:
    """The truth as TOML."""
    p = truth.parameters
    v = p["source"][0]
    size = float(np.sqrt(np.sum(v * v)))
    kind = study.source.dimension
    unit = v / size if size > 0 else np.array([0.0, 0.0, 1.0])
    lines = [
        "# The truth behind simulated traces. Nothing infers from this file; a report only marks it.",
        "format = 1",
        f"seed = {truth.seed}",
        "",
        "[source]",
        f'azimuth = "{np.degrees(np.arctan2(unit[1], unit[0])):.6f} deg"',
        f'elevation = "{np.degrees(np.arcsin(np.clip(unit[2], -1, 1))):.6f} deg"',
        f'size = "{format_quantity(size, kind, 8)}"',
    ]
    if study.source.has_position:
        place = ", ".join(f'"{format_quantity(x, "length", 8)}"' for x in p["position_m"][0])
        lines.append(f"position = [{place}]")
    if EXTENT in p:
        moments = ", ".join(f'"{format_quantity(x, "area", 8)}"' for x in p[EXTENT][0])
        lines.append(f"second_moments = [{moments}]")
    for c, cooldown in enumerate(truth.cooldowns):
        lines += ["", f"[offset.{cooldown}]"]
        lines += [
            f'{loop.name} = "{format_quantity(float(x), "flux", 8)}"'
            for loop, x in zip(study.loops, p["offset_phi0"][0, c], strict=True)
        ]
    lines += ["", "[pump]"]
    strength, error = p["pump_strength"][0], p["pump_phase_error_rad"][0]
    for n, iso in enumerate(study.isolators):
        lines.append(
            f"{iso.name} = {{ port_1_sign = {truth.port_signs[n]}, strength = {strength[n]:.8g},"
            f' phase_error = "{np.degrees(error[n]):.6g} deg" }}'
        )
    if study.data.of_counts:
        lines += ["", "[data]", f"wrong_way = {truth.wrong_way:.8g}"]
    if study.noise.scale_sd > 0:
        lines += ["", "[noise]", f"scale = {truth.noise_scale:.8g}"]
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class _Group:
    """Sweeps to take in a row: one probe, how often, and names for the log."""

    probe: Probe
    repeats: int
    label: str


def _schedule(study: Study) -> list[_Group]:
    """The order within a round: per cooldown, state and setting, each isolator's pump-off sweeps, then pump-on."""
    state_index = {s.name: n for n, s in enumerate(study.states)}
    groups = []
    for c, cooldown in enumerate(study.plan.cooldowns):
        for state in study.plan.states:
            off_done: set[tuple[int, tuple[float, ...]]] = set()
            for k, setting in enumerate(study.settings):
                for i, iso in enumerate(study.isolators):
                    if iso.name not in setting.isolators:
                        continue
                    probe = setting_probe(study, k, i, state_index[state], c)
                    stem = f"{cooldown}_{state}_{setting.name}_{iso.name}"
                    if (i, setting.bias_a) not in off_done:
                        off_done.add((i, setting.bias_a))
                        groups.append(_Group(off_probe(probe), study.plan.off_repeats, f"{stem}_off"))
                    groups.append(_Group(probe, study.plan.repeats, f"{stem}_on"))
    return groups


def _places(study: Study, groups: Sequence[_Group]) -> list[npt.NDArray[np.intp]]:
    """Place in time of each group's sweeps, from zero: the states take turns (`design.timeline.in_turns`)."""
    names, states = study.plan.cooldowns, study.states
    runs = in_turns(
        [(names[g.probe.cooldown], states[g.probe.state].name, g.repeats) for g in groups], study.plan.rounds
    )
    return [np.concatenate([np.arange(first, first + count) for first, count in own]) for own in runs]


def _log_row(study: Study, group: _Group, repeat: int, place: int) -> LogRow:
    """The row of one sweep, taken as the one of that place; the log's first line holds its heads."""
    probe = group.probe
    return LogRow(
        line=place + 2,
        file=f"traces/{group.label}_{repeat + 1:03d}{Traces('', study.form).suffix}",
        isolator=study.isolators[probe.isolator].name,
        pump_on=probe.pump_on,
        pump_port=probe.pump_port if probe.pump_on else None,
        pump_phase_rad=probe.pump_phase_rad if probe.pump_on else None,
        pump_power_dbm=watt_to_dbm(probe.pump_power_w) if probe.pump_on else float("nan"),
        pump_frequency_hz=probe.pump_frequency_hz if probe.pump_on else float("nan"),
        state=study.states[probe.state].name,
        cooldown=study.plan.cooldowns[probe.cooldown],
        repeat=repeat + 1,
        time_s=(place + 1) * study.plan.seconds_per_sweep,
        bias_a=probe.bias_a,
    )


def sweeps(study: Study, truth: Truth) -> Iterator[tuple[LogRow, Sweep]]:
    """Every sweep of the study's plan with its row of the log, group by group; the rows say when each is taken.

    Parameters
    ----------
    study : Study
        Its settings, plan and noise.
    truth : Truth

    Yields
    ------
    LogRow, Sweep
        The sweep is in the e^{-i w t} convention.
    """
    rng = stream(truth.seed, "sweeps")
    f = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, study.sweep.points)
    gains = [line_gain(rng, f) for _ in study.isolators]
    noise = study.noise
    slow, bad = _slow_flux(study, truth), _BadSweeps.drawn(study, truth)
    groups = _schedule(study)
    for group, places in zip(groups, _places(study, groups), strict=True):
        probe = group.probe
        i = probe.isolator
        model = ChipModel(study, [probe], [f] * len(study.isolators), truth.port_signs)
        flux = model.probe_flux(truth.parameters, i)  # (1, 1, 2)
        residual = 1 + truth.noise_scale * noise.residual_gain * (rng.standard_normal(4) + 1j * rng.standard_normal(4))
        shifts = truth.noise_scale * noise.flux_phi0 * rng.standard_normal((group.repeats, 1, 2))
        if slow is not None:
            loops = [[x.name for x in study.loops].index(stage.loop) for stage in study.isolators[i].stages]
            shifts = shifts + np.asarray(slow[loops][:, places]).T[:, None]
        shifts = shifts + bad.flux_phi0[places, None]
        many = truth.parameters.repeated(group.repeats)
        s = model.scattering(many, i, PORTS, flux=flux + shifts)[:, 0]  # (N, 4, F)
        level = np.median(np.abs(gains[i]), axis=1)
        for repeat in range(group.repeats):
            drift = 1 + truth.noise_scale * noise.gain_drift * rng.standard_normal(4)
            drift = drift * np.exp(1j * truth.noise_scale * noise.phase_drift_rad * rng.standard_normal(4))
            white = rng.standard_normal((4, f.size)) + 1j * rng.standard_normal((4, f.size))
            drift = drift * bad.gain[places[repeat]]
            louder = noise.white * bad.louder[places[repeat]]
            raw = (
                s[repeat] * gains[i] * (residual * drift)[:, None] + truth.noise_scale * louder * level[:, None] * white
            )
            if study.data.of_magnitudes:
                raw = np.abs(raw).astype(np.complex128)
            row = _log_row(study, group, repeat, int(places[repeat]))
            # paths 11, 21, 12, 22 by F -> (F, 2, 2)
            yield row, Sweep(f, raw.reshape(2, 2, f.size).transpose(2, 1, 0), 50.0)


@dataclass(frozen=True)
class _BadSweeps:
    """What is wrong with each of N sweeps: flux (N, 2) that is off, factors on gain (N, 4) and on white noise (N,)."""

    flux_phi0: FloatArray
    gain: npt.NDArray[np.complex128]
    louder: FloatArray

    @classmethod
    def drawn(cls, study: Study, truth: Truth) -> _BadSweeps:
        """The stated share of bad sweeps, a third of each kind, from a stream of its own."""
        count = sum(g.repeats for g in _schedule(study))
        out = cls(np.zeros((count, 2)), np.ones((count, 4), dtype=np.complex128), np.ones(count))
        if not study.noise.bad_sweeps > 0:
            return out
        rng = stream(truth.seed, "bad sweeps")
        kind = np.where(rng.random(count) < study.noise.bad_sweeps, rng.integers(1, 4, count), 0)
        flux, gain = rng.standard_normal((count, 2)), rng.standard_normal((count, 4, 2)) @ [1.0, 1j]
        off, jumped, burst = (kind == k for k in (1, 2, 3))
        out.flux_phi0[off] = BAD_FLUX_PHI0 * flux[off]
        out.gain[jumped] += BAD_GAIN * gain[jumped]
        out.louder[burst] = BAD_BURST
        return out


def _slow_flux(study: Study, truth: Truth) -> FloatArray | None:
    """Slow flux noise and flux jumps of each loop at each sweep, (loops, sweeps) in Phi0, from streams of their own; None without any."""
    noise, count = study.noise, sum(g.repeats for g in _schedule(study))
    out = np.zeros((len(study.loops), count))
    if noise.flux_slow_phi0 > 0:
        rng = stream(truth.seed, "slow flux noise")
        step = study.plan.seconds_per_sweep
        out += noise.flux_slow_phi0 * np.array([draw_slow(rng, count, step, count * step) for _ in study.loops])
    if noise.flux_jumps > 0:
        rng = stream(truth.seed, "flux jumps")
        for loop in out:
            for _ in range(rng.poisson(noise.flux_jumps)):
                loop[rng.integers(count) :] += noise.flux_jump_phi0 * rng.standard_normal()
    return truth.noise_scale * out if np.any(out) else None


def simulate_digest(study: Study, truth: Truth) -> Digest:
    """The digest of a simulated campaign, without files."""
    builder = DigestBuilder()
    for row, sweep in sweeps(study, truth):
        builder.add(group_key(row), sweep, row.time_s)
    return builder.freeze()


def simulate_directions(study: Study, truth: Truth) -> list[LogRow]:
    """The log of a campaign of which only the directions of transmission are recorded; no traces belong to it.

    Every sweep is solved as one with traces is (`sweeps`): the flux noise of its loops, both transmissions over the sweep, line
    gains, drift and white noise.  Which way it transmits is read off these over their pump-off sweeps, as from files; then it is
    misread at the truth's rate.  The likelihood's own law (`fluxsense.infer.counts`) takes no part.
    """
    off, on = DigestBuilder(), []
    for row, sweep in sweeps(study, truth):
        if row.pump_on:
            on.append((row, sweep))
        else:
            off.add(group_key(row), sweep, row.time_s)
    digest = off.freeze()
    powers: dict[GroupKey, FloatArray] = {}
    on.sort(key=lambda one: one[0].line)
    wrong = stream(truth.seed, "transmission counts").random(len(on)) < truth.wrong_way
    out = []
    for (row, sweep), misread in zip(on, wrong, strict=True):
        key = group_key(row)
        if key not in powers:
            powers[key] = np.abs(digest[off_group_for(key, digest, first=(key.state,))].mean[[1, 2]]) ** 2
        forward = transmits_forward(sweep, powers[key]) != misread
        out.append(replace(row, file="", transmits="21" if forward else "12"))
    return out


def write_campaign(
    study: Study,
    truth: Truth,
    folder: str | Path,
    *,
    force: bool = False,
    digits: int = 5,
    progress: Callable[[int, int], None] | None = None,
) -> list[LogRow]:
    """Write traces, log and truth of a simulated campaign.

    Parameters
    ----------
    study : Study
    truth : Truth
    folder : str or Path
        Gets ``traces/``, ``log.csv`` and ``truth.toml``.
    force : bool
        Replace a campaign that is already there.
    digits : int
        Significant digits of the traces.
    progress : callable, optional
        Called with (done, all).

    Returns
    -------
    list of LogRow

    Raises
    ------
    InputError
        If the study has no settings, or the folder holds a log already and `force` is not given.
    """
    out = Path(folder)
    traces = Traces(str(out), study.form)
    if len(study.logs) > 1:
        raise InputError(
            f"the study has {len(study.logs)} logs, and a simulated campaign is one",
            where=study.path.name,
            remedy='Simulate from a copy of the study with log = "log.csv" under [traces]',
        )
    if not study.settings:
        raise InputError("the study defines no settings to simulate", where=study.path.name, remedy="Add a [[setting]]")
    for name in ("log.csv", "truth.toml"):
        if (out / name).exists() and not force:
            raise InputError(
                f"{name} exists already", where=str(out), remedy="Choose another folder, or replace it with --force"
            )
    try:
        (out / "traces").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", where=str(out), remedy="Choose another folder"
        ) from None
    total = sum(g.repeats for g in _schedule(study))
    rows = []
    if study.data.of_counts:
        rows = simulate_directions(study, truth)
        write_log(out / "log.csv", rows, [x.name for x in study.bias_lines])
        write_beside(out / "truth.toml", truth_text(study, truth).encode(), sync=True)
        return rows
    for row, sweep in sweeps(study, truth):
        traces.write(row.file, sweep, comments=[f"Simulated, not measured: sweep {row.line - 1}"], digits=digits)
        rows.append(row)
        if progress is not None:
            progress(len(rows), total)
    rows.sort(key=lambda row: row.line)
    write_log(out / "log.csv", rows, [x.name for x in study.bias_lines])
    write_beside(out / "truth.toml", truth_text(study, truth).encode(), sync=True)
    return rows
