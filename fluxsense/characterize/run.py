"""Characterization of every isolator of a study: document, verdict, words."""

from __future__ import annotations

import math
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy

from fluxsense import __version__
from fluxsense.base.streams import stream
from fluxsense.base.units import dbm_to_watt, format_quantity
from fluxsense.characterize.faults import (
    Fault,
    decide_kind,
    fit_faults,
    reflection_faults,
    sampling_faults,
    spike_faults,
    track_faults,
    upheld,
    wiring_faults,
)
from fluxsense.characterize.fit import IsolatorFit, fit_isolator, interval_90
from fluxsense.characterize.points import (
    ENOUGH_DB,
    MOST_LOSS_DB,
    WorkingPoint,
    tunable_band,
    working_points,
)
from fluxsense.characterize.records import Record, SweepSet, load_sweeps
from fluxsense.characterize.reflection import Reflection, arranged
from fluxsense.characterize.rough import RoughStudy, with_placeholders
from fluxsense.characterize.section import characterized_tree
from fluxsense.characterize.tracks import Track, find_track, fit_shapes, main_lines, ramp_rows
from fluxsense.study import Study, study_of_tree

if TYPE_CHECKING:
    from fluxsense.characterize.document import FittedIsolator, LineEntry, OwnDocument

FloatArray = npt.NDArray[np.float64]

STRONG_CORRELATION = 0.95

STANDING_WORDS = (
    "With the source out, reversing the flux of one loop together with the wiring of the pump ports changes nothing: the signs of "
    "the mutual inductances are taken as stated (or from a calibration state), and the wiring is found relative to them.",
    "A link phase half a turn further together with the other wiring of the pump ports changes no transmission: the link phase within "
    "90 degrees of zero is given, with its wiring.",
    "Where every pump comes through a port, what hybrid and pumps are off by can all change sign together with S11 and S22 changing "
    "places: files that hold S11 and S22 tell which, else either sign lies within the uncertainties.",
    "Of two idlers joined by a plain line only means act: they are taken to be alike (see priors).",
    "Pump-off sweeps do not depend on the sign of the flux, and a shunted ring's offset is known modulo four flux quanta "
    "(a bare ring's modulo one): the offset nearest zero is given.",
    "Loss and imbalance of the signal hybrid act like line gain on these sweeps and are kept as stated, give or take what the study "
    "says of them; so are line ends, direct paths, arms and pump ports, which are fitted along.",
    "Idler linewidth, idler internal loss and link amplitude form one combination less than there are numbers: the internal loss "
    "is assumed (see priors), and the others' uncertainties include that.",
)


@dataclass(frozen=True)
class IsolatorResult:
    """What came out for one isolator; fit is None if the sweeps cannot be used."""

    name: str
    tracks: tuple[Track | None, Track | None]
    fit: IsolatorFit | None
    faults: tuple[Fault, ...]
    points: tuple[WorkingPoint, ...]
    band_hz: tuple[float, float] | None
    power_w: float
    reflection: Reflection | None = None

    @property
    def trust(self) -> str:
        """reliable, tentative or unusable."""
        severities = {f.severity for f in self.faults}
        return "unusable" if "unusable" in severities else "tentative" if "tentative" in severities else "reliable"


@dataclass(frozen=True)
class Characterization:
    """The result: per isolator, as a document of plain values, and as a study's tree with the fitted chip.

    `fitted` is the study with the fitted values, None if no isolator could be fitted.
    """

    study: Study
    sweeps: SweepSet
    isolators: tuple[IsolatorResult, ...]
    document: OwnDocument
    tree: dict[str, object]
    fitted: Study | None

    def __str__(self) -> str:
        return "\n".join(summary_lines(self.document))


def reference_power_w(records: Sequence[Record], stated: float | None) -> float:
    """The stated power, else the median of the powers in the log."""
    powers = [dbm_to_watt(r.row.pump_power_dbm) for r in records if r.row.pump_on]
    if stated is not None or not powers:
        return stated if stated is not None else 1e-9
    return float(np.median(powers))


def characterize(
    rough: RoughStudy,
    sweeps: SweepSet | None = None,
    *,
    seed: int = 0,
    enough_db: float = ENOUGH_DB,
    sampled: bool = False,
    progress: Callable[[str, float, str], None] | None = None,
) -> Characterization:
    """Characterize every isolator that the log has sweeps of.

    Parameters
    ----------
    rough : RoughStudy
    sweeps : SweepSet, optional
        Read from the study's log by default.
    seed : int
        For sampling, and for fits from drawn line ends where reflections do not follow the first.
    enough_db : float
        Isolation for bandwidths and the tunable band.
    sampled : bool
        Also sample the fitted likelihood (minutes an isolator); uncertainties are then those of the draws.
    progress : callable, optional
        Called with (what, share, detail).

    Raises
    ------
    InputError
        If the log or all its traces cannot be used, or a loop has no bias line of its own.
    """
    study = rough.study
    say = progress or (lambda what, share, detail: None)
    if sweeps is None:
        sweeps = load_sweeps(study, lambda done, total: say("reading sweeps", done / total, f"{done} of {total}"))
    results = []
    for i, iso in enumerate(study.isolators):
        records = sweeps.records.get(iso.name, ())
        power = iso.reference_power_w if rough.power_stated[i] else None
        result = _isolator(study, i, records, power, say, stream(seed, "characterize: line ends", i))
        if sampled and result.fit is not None and result.trust != "unusable":
            result = _with_draws(result, seed + i, say)
        results.append(result)
    fits = {r.name: r.fit for r in results if r.fit is not None and r.trust != "unusable"}
    powers = {r.name: r.power_w for r in results}
    tree = characterized_tree(rough.tree, fits, powers)
    fitted = None
    if fits:
        fitted = _fitted_study(rough, tree)
        for n, result in enumerate(results):
            if result.name in fits and fits[result.name].pumped:
                say("working points", n / len(results), result.name)
                results[n] = _with_points(fitted, n, result, enough_db)
    document = _document(study, sweeps, results, seed, enough_db)
    return Characterization(study, sweeps, tuple(results), document, tree, fitted)


def _fitted_study(rough: RoughStudy, tree: Mapping[str, object]) -> Study:
    """The written tree as a study; what was not measured keeps its placeholder."""
    return study_of_tree(with_placeholders(tree), rough.study.path)


def _with_draws(result: IsolatorResult, seed: int, say: Callable[[str, float, str], None]) -> IsolatorResult:
    from fluxsense.characterize.sample import sample_fit

    assert result.fit is not None  # only fitted isolators come here
    words = f"isolator {result.name}"
    fit = sample_fit(result.fit, seed, lambda share: say(words, share, "sampling"))
    return replace(result, fit=fit, faults=(*result.faults, *sampling_faults(fit, f"Isolator {result.name}")))


def _with_points(fitted: Study, n: int, result: IsolatorResult, enough_db: float) -> IsolatorResult:
    fit = result.fit
    assert fit is not None  # only fitted isolators come here
    powers = [dbm_to_watt(r.row.pump_power_dbm) for r in fit.model.records if r.row.pump_on]
    points = working_points(fitted, n, (min(powers), max(powers)), enough_db)
    widths = [s.signal_linewidth_hz for s in fitted.isolators[n].stages]
    return replace(result, points=tuple(points), band_hz=tunable_band(points, 0.75 * float(np.mean(widths))))


def _isolator(
    study: Study,
    i: int,
    records: Sequence[Record],
    stated_w: float | None,
    say: Callable[[str, float, str], None],
    rng: np.random.Generator,
) -> IsolatorResult:
    iso = study.isolators[i]
    power = reference_power_w(records, stated_w)

    def unusable(tracks: tuple[Track | None, Track | None], faults: list[Fault]) -> IsolatorResult:
        return IsolatorResult(iso.name, tracks, None, tuple(faults), (), None, power)

    if not records:
        return unusable((None, None), [Fault("unusable", f"Isolator {iso.name}: the log has no usable sweep of it.")])
    mains = main_lines(study, i)
    say(f"isolator {iso.name}", 0.0, "finding resonances")
    tracks: list[Track | None] = []
    shapes = []
    faults: list[Fault] = []
    for k, line in enumerate(mains):
        words = f"Isolator {iso.name}, stage {k + 1} (loop {iso.stages[k].loop})"
        track = find_track(records, line)
        tracks.append(track)
        seen = len({records[n].row.bias_a[line] for n in ramp_rows(records, line)})
        here = track_faults(track, words, study.bias_lines[line].name, seen)
        faults += here
        if track is None or any("no resonance" in f.words for f in here):
            continue
        stated = dict(study.bias_lines[line].mutual_phi0_per_a).get(iso.stages[k].loop, 1.0)
        found = fit_shapes(track, -1.0 if stated < 0 else 1.0)
        leaves = any(f.severity == "unusable" for f in here)
        shape, more = decide_kind(found, track, words, study.bias_lines[line].name)
        if not leaves:
            faults += more
        elif shape is not None and shape.of.jumps:
            # next to a jump the resonance of such a ring falls to zero: that it leaves the window is its nature
            faults = [Fault("tentative", f.words) if f in here else f for f in faults]
        if shape is not None:
            shapes.append(shape)
    name = f"Isolator {iso.name}"
    faults += spike_faults(records, name)
    faults += wiring_faults(records, name)
    pair = (tracks[0], tracks[1])
    if any(f.severity == "unusable" for f in faults) or len(shapes) < 2 or tracks[0] is None or tracks[1] is None:
        return unusable(pair, faults)
    lines = [n for n in range(len(study.bias_lines)) if len({r.row.bias_a[n] for r in records}) > 1]
    fit = fit_isolator(
        study,
        i,
        records,
        (tracks[0], tracks[1]),
        (shapes[0], shapes[1]),
        mains,
        lines,
        power,
        lambda words, share: say(f"isolator {iso.name}", share, words),
    )
    fit, reflected = arranged(fit, rng)
    faults = [*upheld(faults, fit), *fit_faults(fit, name)]
    if not any(f.severity == "unusable" for f in faults):
        faults += reflection_faults(reflected, name)
    return IsolatorResult(iso.name, pair, fit, tuple(faults), (), None, power, reflected)


# ------------------------------------------------------------------------------------------------------- the document
def _document(
    study: Study, sweeps: SweepSet, results: Sequence[IsolatorResult], seed: int, enough_db: float
) -> OwnDocument:
    trusts = [r.trust for r in results]
    worst = "unusable" if all(t == "unusable" for t in trusts) else "reliable"
    if worst == "reliable" and any(t != "reliable" for t in trusts):
        worst = "tentative"
    reasons = [f.words for r in results for f in r.faults]
    if sweeps.skipped and worst == "reliable" and any(x.startswith("Left out") for x in sweeps.skipped):
        left = sum(x.startswith("Left out") for x in sweeps.skipped)
        if left > 0.05 * (sweeps.files + left):
            worst = "tentative"
            reasons.append(f"{left} of {sweeps.files + left} traces could not be read.")
    if not reasons:
        reasons = ["Every isolator's sweeps are described within noise, and its ring kind and wiring are decided."]
    return {
        "title": study.title,
        "invented": study.invented,
        "verdict": {"trust": worst, "reasons": reasons},
        "isolators": [
            _entry(study, r, enough_db, stream(seed, "characterize: intervals near a bound", n))
            for n, r in enumerate(results)
        ],
        "skipped": list(sweeps.skipped),
        "traces": sweeps.files,
        "cannot_be_told": [*STANDING_WORDS, *_foreign_words(study, results)],
        "isolation_wanted_db": enough_db,
        "provenance": {
            "fluxsense": __version__,
            "python": platform.python_version(),
            "numpy": np.__version__,
            "scipy": scipy.__version__,
            "seed": seed,
            "study_sha256": study.sha256,
        },
    }


def _foreign_words(study: Study, results: Sequence[IsolatorResult]) -> list[str]:
    """What is not known of lines that carried one current in all sweeps of an isolator."""
    words = []
    for r in results:
        if r.fit is not None and (
            still := [b.name for n, b in enumerate(study.bias_lines) if n not in r.fit.model.lines]
        ):
            words.append(
                f"What line{'s' * (len(still) > 1)} {', '.join(still)} put{'s' * (len(still) == 1)} into the loops of isolator {r.name} "
                f"(cross-talk): {'each' if len(still) > 1 else 'it'} carried one current in all its sweeps, so that the study's mutual "
                "inductances stay. Pump-off sweeps with that current at two values far apart tell it; `fluxsense characterize STUDY "
                "--sweep-plan` lists them."
            )
    return words


def _entry(study: Study, result: IsolatorResult, enough_db: float, rng: np.random.Generator) -> FittedIsolator:
    out: FittedIsolator = {
        "isolator": result.name,
        "verdict": {"trust": result.trust, "reasons": [f.words for f in result.faults]},
    }
    fit = result.fit
    if fit is None:
        return out
    model = fit.model
    assumed = {n: (p.mean, p.sd) for n, p in enumerate(model.parameters) if p.assumed}
    assumed |= {p.index: (p.mean if p.less < 0 else p.mean + float(fit.vector[p.less]), p.sd) for p in fit.priors}
    listed = fit.listed
    draws = fit.sampled
    low, high = interval_90(fit, rng)
    out["rings"] = [
        {
            "loop": s.loop,
            "kind": shape.kind,
            "words": shape.of.words,
            "ramp_phi0": shape.span_phi0,
        }
        for s, shape in zip(study.isolators[model.isolator].stages, fit.shapes, strict=True)
    ]
    out["parameters"] = [
        {
            "name": p.name,
            "kind": p.kind,
            "stage": p.stage + 1,
            "unit": p.unit,
            "value": float(v),
            "sd": float(sd),
            "low_90": float(low[n]),
            "high_90": float(high[n]),
            "assumed": {"mean": assumed[n][0], "sd": assumed[n][1]}
            if n in assumed and sd > 0.5 * assumed[n][1]
            else None,
            **({} if fit.curvature_sd is None else {"sd_from_curvature": float(fit.curvature_sd[n])}),
        }
        for n, p, v, sd in ((n, model.parameters[n], fit.vector[n], fit.sd[n]) for n in listed)
    ]
    corr = fit.correlation()[np.ix_(listed, listed)]
    out["correlation"] = [[round(float(x), 4) for x in row] for row in corr]
    out["strong_correlations"] = [
        {
            "first": model.parameters[listed[a]].name,
            "second": model.parameters[listed[b]].name,
            "correlation": float(corr[a, b]),
        }
        for a in range(len(corr))
        for b in range(a)
        if abs(corr[a, b]) > STRONG_CORRELATION
    ]
    out["chi2_per_value"] = fit.chi2_per_dof
    if draws is not None:
        out["sampling"] = {
            "effective_draws": draws.ess,
            "acceptance": draws.acceptance,
            "r_hat": draws.r_hat,
            "settled": draws.settled,
        }
    seen = result.reflection
    out["reflection"] = (
        None
        if seen is None
        else {
            "chi2_per_value": seen.scatter,
            "with_s11_and_s22_exchanged": seen.swapped,
            "settings": seen.records,
            "told_from_mirror_image": seen.chose,
        }
    )
    out["noise"] = {
        "white_21": float(fit.white[0]),
        "white_12": float(fit.white[1]),
        "gain_drift": fit.drift,
        "flux_phi0": fit.flux_noise_phi0,
        "flux_walk_phi0": fit.flux_walk_phi0,
    }
    out["lines"] = [_line(fit, p, path) for p, path in ((0, "21"), (1, "12"))]
    out["reference_power_w"] = result.power_w
    if fit.pumped:
        out["pump_port_1_phase"] = "+90 deg" if model.port_sign > 0 else "-90 deg"
        out["wiring_log_odds"] = float(min(fit.wiring_odds, 1e6))
        out["coupling_against_power"] = (
            "coupling = value x sqrt(power / reference_power_w), as fitted over the powers of the sweeps"
        )
        at = _forward(result.points)
        out["forward_for_pump_port_1"] = at
        out["working_points"] = [
            {
                "flux_phi0": p.flux_phi0,
                "pump_port": p.pump_port,
                "transmits": p.direction,
                "pump_frequency_hz": p.pump_frequency_hz,
                "pump_power_w": p.pump_power_w,
                "frequency_hz": p.frequency_hz,
                "isolation_db": p.isolation_db,
                "insertion_loss_db": p.insertion_loss_db,
                "reflection_db": p.reflection_db,
                "bandwidth_hz": p.bandwidth_hz,
            }
            for p in result.points
        ]
        band = result.band_hz
        out["tunable_band_hz"] = None if band is None else [band[0], band[1]]
        out["tunable_band_width_hz"] = 0.0 if band is None else band[1] - band[0]
        out["tunable_band_words"] = (
            f"at one flux or another at least {enough_db:g} dB of isolation with no more than {MOST_LOSS_DB:g} dB of forward loss"
        )
    return out


def _forward(points: Sequence[WorkingPoint]) -> str:
    """Direction in which equal fluxes between zero and two quanta transmit with pump port 1."""
    ones = [p for p in points if p.pump_port == 1]
    if not ones:
        return "not known"
    return max(ones, key=lambda p: p.isolation_db).direction


def _line(fit: IsolatorFit, path: int, name: str) -> LineEntry:
    """Level, slope and delay of one path's line, from its gain at every frequency.

    The delay is the slope of the phase over 2 pi in e^{-i w t}, found as the time at which the gain's Fourier sum is
    largest (no unwrapping), then refined by a straight line through the rest of the phase.
    """
    gain = fit.misfit.gains[path]
    f = fit.model.blocks[0].frequency_hz
    step = float(np.median(np.diff(f)))
    times = np.linspace(-0.5 / step, 0.5 / step, 2001)
    phasor = gain / np.maximum(np.abs(gain), 1e-300)
    sums = np.abs(np.exp(-2j * np.pi * np.outer(times, f - f.mean())) @ phasor)
    delay = float(times[int(np.argmax(sums))])
    rest = np.unwrap(np.angle(phasor * np.exp(-2j * np.pi * (f - f.mean()) * delay)))
    delay += float(np.polyfit(f - f.mean(), rest, 1)[0]) / (2 * np.pi)
    # the whitened gain is in units of raw signal: both sides were scaled alike
    db = 20 * np.log10(np.maximum(np.abs(gain), 1e-300))
    return {
        "path": name,
        "gain_db": float(np.median(db)),
        "ripple_db": float(np.std(db - np.polyval(np.polyfit(f - f.mean(), db, 1), f - f.mean()))),
        "delay_s": delay,
        "delay_ambiguity_s": 1.0 / step,
    }


# ---------------------------------------------------------------------------------------------------------------- words
def quantity_words(value: float, sd: float, unit: str) -> str:
    """A value with its standard deviation, both in the unit that reads best."""
    for dimension, own in (("frequency", "Hz"), ("angle", "rad"), ("flux", "Phi0")):
        if unit == own:
            if dimension == "angle":
                return f"{math.degrees(value):.4g} ± {math.degrees(sd):.2g} deg"
            factor, name = _scale(max(abs(value), sd), dimension)
            return f"{_rounded(value / factor, sd / factor)} {name}"
    return f"{_rounded(value, sd)}{' ' + unit if unit else ''}"


def _scale(value: float, dimension: str) -> tuple[float, str]:
    text = format_quantity(value, dimension, 12).split(" ", 1)
    return (value / float(text[0]) if float(text[0]) else 1.0), text[1]


def _rounded(value: float, sd: float) -> str:
    if not (math.isfinite(sd) and sd > 0):
        return f"{value:.6g}"
    if sd > 100 * abs(value) and sd > 1:
        return f"{value:.3g} ± {sd:.2g}"
    places = int(min(9, max(0, 1 - math.floor(math.log10(sd)))))
    return f"{value:.{places}f} ± {sd:.{places}f}"


TRUST_WORDS = {
    "reliable": "Reliable",
    "tentative": "Tentative: do not rely on it yet",
    "unusable": "Unusable: do not believe it",
}


MIRROR_WORDS = (
    "Reflections alone tell the set-up from its mirror image: if the files hold S11 and S22 exchanged, the hybrid's imbalance and "
    "phase error and the phase errors of pump and pump ports have the other sign. Sweeps of the pump phase tell by themselves."
)


def summary_lines(document: Mapping[str, Any]) -> list[str]:
    """The document as lines of text."""
    verdict = document["verdict"]
    lines = [f"{document['title']}" + (" (an invented scenario)" if document["invented"] else ""), ""]
    lines.append(f"{TRUST_WORDS[verdict['trust']]}.")
    lines += [f"  - {x}" for x in verdict["reasons"]]
    lines += [f"  - {x}" for x in document["skipped"]]
    for entry in document["isolators"]:
        lines += ["", f"Isolator {entry['isolator']}: {entry['verdict']['trust']}"]
        if "parameters" not in entry:
            lines.append("  nothing was fitted")
            continue
        for ring in entry["rings"]:
            lines.append(f"  loop {ring['loop']}: {ring['words']}; its ramp covers {ring['ramp_phi0']:.2f} Phi0")
        for p in entry["parameters"]:
            mark = " (assumed within its prior)" if p["assumed"] else ""
            was = f" (curvature: {p['sd_from_curvature'] / p['sd']:.2f} of that)" if "sd_from_curvature" in p else ""
            lines.append(f"  {p['name']:58s} {quantity_words(p['value'], p['sd'], p['unit'])}{was}{mark}")
        lines.append(f"  scatter of the residuals over noise, in power: {entry['chi2_per_value']:.3f}")
        if entry["reflection"] is not None:
            lines.append(
                f"  the same for reflections, which the fit has not seen: {entry['reflection']['chi2_per_value']:.3f}"
            )
            if entry["reflection"]["told_from_mirror_image"]:
                lines.append(f"  {MIRROR_WORDS}")
        if "sampling" in entry:
            one = entry["sampling"]
            lines.append(
                f"  sampled: {one['effective_draws']:.0f} effective draws, acceptance {one['acceptance']:.2f}; standard deviations "
                "are those of the draws"
            )
        for line in entry["lines"]:
            lines.append(
                f"  line of S{line['path']}: gain {line['gain_db']:.2f} dB, delay {1e9 * line['delay_s']:.2f} ns"
            )
        if "working_points" not in entry:
            continue
        lines.append(
            f"  pump port 1 is {entry['pump_port_1_phase']} (log odds {entry['wiring_log_odds']:.3g}); equal fluxes then transmit "
            f"{entry['forward_for_pump_port_1']}"
        )
        for pair in entry["strong_correlations"][:6]:
            lines.append(f"  told apart poorly: {pair['first']} and {pair['second']} ({pair['correlation']:+.3f})")
        lines.append(
            "  flux    port transmits  pump GHz  pump dBm   at GHz  isolation  loss  reflection  bandwidth MHz"
        )
        for p in entry["working_points"]:
            lines.append(
                f"  {p['flux_phi0']:5.2f}   {p['pump_port']}    {p['transmits']}   {p['pump_frequency_hz'] / 1e9:8.4f} "
                f"{10 * math.log10(p['pump_power_w'] / 1e-3):9.2f} {p['frequency_hz'] / 1e9:8.4f} {p['isolation_db']:10.1f} "
                f"{p['insertion_loss_db']:5.2f} {p['reflection_db']:11.1f} {p['bandwidth_hz'] / 1e6:14.1f}"
            )
        band = entry["tunable_band_hz"]
        if band is None:
            lines.append(f"  no frequency reaches {document['isolation_wanted_db']:g} dB within the powers swept")
        else:
            lines.append(
                f"  tunable band: {band[0] / 1e9:.4f} to {band[1] / 1e9:.4f} GHz ({(band[1] - band[0]) / 1e6:.0f} MHz), "
                f"{entry['tunable_band_words']}"
            )
    lines += ["", "What such sweeps cannot tell:"]
    lines += [f"  - {x}" for x in document["cannot_be_told"]]
    return lines


def section_heads(document: Mapping[str, Any], study: Path) -> list[str]:
    """Comment lines for the files written."""
    return [
        f"Written by fluxsense characterize from {study.name}; verdict: {document['verdict']['trust']}.",
        "Each _sd is one standard deviation and serves orient as a prior. Offsets hold for the cooldown of the sweeps only: after",
        "another cooldown set offset to 0 and offset_sd to what is known.",
    ]
