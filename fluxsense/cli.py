"""Commands: parse, call, print.  Heavy imports happen inside each command, after the study has been read.

Exit code 0: done; 1: done, but the result is not to be trusted; 2: unusable input.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

from fluxsense import __version__
from fluxsense.base.errors import FluxsenseError, InputError
from fluxsense.study import Study, read_study

ROOM_BYTES = 20_000_000
"""What the results of one command take at most; looked for before long work begins."""

CAUTION = (
    "Bias currents and pump powers named here are to be checked against the laboratory's own limits. "
    "Cryogens, magnets and microwave power: local rules and trained staff."
)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fluxsense",
        description="From transmission sweeps of flux-tunable non-reciprocal circuits to the direction of a weak magnetic "
        "source, with its uncertainty and a verdict on whether to believe it.",
        epilog="Exit code: 0 done, 1 done but not to be trusted, 2 unusable input. " + CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"fluxsense {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def add(name: str, words: str, *, study: bool = True) -> argparse.ArgumentParser:
        one = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
        if study:
            one.add_argument("study", metavar="STUDY", help="the study file (TOML)")
        one.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
        return one

    start = add("start", "write a commented study to begin from", study=False)
    start.add_argument("folder", metavar="DIR", help="a new or empty folder")
    add("check", "read and validate a study: flux map, working points, directions, rank and ambiguity warnings")
    simulate = add("simulate", "write a campaign as an instrument would, from a stated truth and seed")
    simulate.add_argument("--out", metavar="DIR", help="where to write (default: the study's folder)")
    simulate.add_argument(
        "--truth", metavar="FILE", help="TOML with [source] azimuth, elevation, size (default: drawn from the priors)"
    )
    simulate.add_argument("--seed", type=int, default=0, help="seed of truth and noise (default 0)")
    simulate.add_argument("--force", action="store_true", help="replace a campaign that is already there")
    orient = add("orient", "the main job: traces to the posterior of the direction, result.json and report.html")
    orient.add_argument("--out", metavar="DIR", help="where to write (default: results beside the study)")
    orient.add_argument("--seed", type=int, default=0, help="seed of search and sampling (default 0)")
    orient.add_argument("--max-time", type=float, metavar="SECONDS", help="end sampling after this time")
    orient.add_argument("--effective", type=float, metavar="N", help="effective samples wanted (default: the study's)")
    orient.add_argument("--no-report", action="store_true", help="write result.json only")
    orient.add_argument(
        "--workers",
        type=int,
        default=1,
        metavar="N",
        help="processes that read traces (default 1); the result is the same",
    )
    detect = add("detect", "source or none, with what confidence, which direction, and what would be missed")
    detect.add_argument(
        "--out", metavar="DIR", help="where orient wrote and this writes (default: results beside the study)"
    )
    detect.add_argument("--seed", type=int, default=0, help="seed of draws and simulations (default 0)")
    detect.add_argument("--false-alarm", type=float, default=0.01, metavar="P", help="promised rate (default 0.01)")
    detect.add_argument("--detection", type=float, default=0.9, metavar="P", help="promised rate (default 0.9)")
    detect.add_argument(
        "--toward",
        action="append",
        default=[],
        metavar="AZ,EL",
        help="a direction in degrees to compare; repeat for more",
    )
    detect.add_argument(
        "--against", metavar="STUDY2", help="weigh this study's source model against another's (minutes)"
    )
    detect.add_argument("--simulations", type=int, default=300, metavar="N", help="simulated campaigns (default 300)")
    detect.add_argument(
        "--workers",
        type=int,
        default=1,
        metavar="N",
        help="processes that simulate (default 1); the result is the same",
    )
    sweeps = add(
        "characterize", "bias, power, frequency and phase sweeps to ring and isolator parameters, working points"
    )
    sweeps.add_argument("--out", metavar="DIR", help="where to write (default: characterized beside the study)")
    sweeps.add_argument(
        "--seed", type=int, default=0, help="for --sampled and for intervals near a bound; the fits draw none"
    )
    sweeps.add_argument("--sampled", action="store_true", help="uncertainties by sampling too (minutes an isolator)")
    sweeps.add_argument("--isolation", type=float, default=15.0, metavar="DB", help="isolation wanted (default 15)")
    sweeps.add_argument("--force", action="store_true", help="replace files that are already there")
    sweeps.add_argument("--no-report", action="store_true", help="leave the report out")
    plan = add("plan", "working points, split of sweeps, time to a wanted error, and what cannot be told apart")
    plan.add_argument("--out", metavar="DIR", help="where to write (default: plan beside the study)")
    plan.add_argument("--seed", type=int, default=0, help="seed of the search (default 0)")
    plan.add_argument(
        "--error", type=float, metavar="DEG", help="angular error wanted (default: half of what is predicted)"
    )
    plan.add_argument(
        "--error-rate",
        type=float,
        metavar="P",
        help="say too when a direction is taken for its reverse, or a listed candidate for another, with this probability",
    )
    plan.add_argument(
        "--thorough", type=int, default=1, metavar="N", help="factor on the length of the search (default 1)"
    )
    layout = add("layout", "best layout of the loops under the study's rules, compared with the present one")
    layout.add_argument("--out", metavar="DIR", help="where to write (default: layout beside the study)")
    layout.add_argument("--seed", type=int, default=0, help="seed of the search (default 0)")
    layout.add_argument(
        "--workers", type=int, default=1, metavar="N", help="processes (default 1); the result is the same"
    )
    layout.add_argument(
        "--criterion",
        choices=("error", "information", "D", "A", "E", "worst"),
        default="error",
        help="what is made best",
    )
    layout.add_argument("--starts", type=int, default=8, metavar="N", help="independent starts (default 8)")
    layout.add_argument("--steps", type=int, default=1200, metavar="N", help="steps of each start (default 1200)")
    layout.add_argument(
        "--position-known", action="store_true", help="judge as if the dipole's position were known when data are read"
    )
    layout.add_argument(
        "--isolators",
        default="",
        metavar="N,N",
        help="numbers of isolators to compare in the same measuring time first",
    )
    layout.add_argument("--gds", metavar="FILE", help="write the proposed outlines as GDSII too (needs gdstk)")
    layout.add_argument("--from-gds", metavar="FILE", help="take the present outlines from this GDSII file")
    layout.add_argument(
        "--cell", default="", metavar="NAME", help="its cell that holds the loops (default: the chip's name)"
    )
    layout.add_argument("--layer", type=int, default=1, metavar="N", help="GDSII layer of the outlines (default 1)")
    layout.add_argument(
        "--wire-width",
        type=float,
        default=0.0,
        metavar="UM",
        help="draw wires of this width in um into --gds (default: the outlines, as a guide)",
    )
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(
            name, "1"
        )  # the matrices are small: threads of the linear algebra only wait for each other
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = {
        "start": _start,
        "check": _check,
        "simulate": _simulate,
        "orient": _orient,
        "characterize": _characterize,
        "detect": _detect,
        "plan": _plan,
        "layout": _layout,
    }[options.command]
    try:
        with ExitStack() as options.held:
            code = command(options)
        sys.stdout.flush()
        return code
    except FluxsenseError as error:
        fault = str(error)
    except KeyboardInterrupt:
        fault = "interrupted. Files that stand in the folder are whole: each is the former one or the new one."
    except BrokenPipeError:
        _forget_output()
        sys.stderr.close()
        return 0
    except OSError as error:
        _forget_output()
        place = f" at {error.filename}" if error.filename else ""
        fault = (
            f"the system refused ({error.strerror or error}){place}. Check room, rights and paths, then run it again."
        )
    except MemoryError:
        fault = "there is not enough memory. Close other programs, or use fewer points or repeats."
    print(f"fluxsense {options.command}: {fault}", file=sys.stderr)
    return 2


def _forget_output() -> None:
    """Drop what could not be printed, so that the interpreter does not try again on its way out."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _print_json(document: Any) -> None:
    print(json.dumps(document, indent=1, allow_nan=False))


def _write(path: Path, text: str) -> None:
    from fluxsense.base.files import write_beside

    write_beside(path, text.encode("utf-8"), sync=True)


def _keep(path: Path, document: Any) -> None:
    """Write a result; if that fails, print it before the fault is told, so that the work is not lost."""
    try:
        _write(path, json.dumps(document, indent=1, allow_nan=False) + "\n")
    except InputError:
        _print_json(document)
        raise


def _folder(path: Path) -> Path:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", where=str(path), remedy="Choose another with --out"
        ) from None
    return path


def _hold(options: argparse.Namespace, folder: Path) -> Path:
    """Make a folder and keep other runs out of it until the command ends."""
    from fluxsense.base.files import only_writer

    options.held.enter_context(only_writer(_folder(folder)))
    return folder


def _ready(path: Path) -> Path:
    """Raise InputError, before long work begins, if results could not be written to a folder; nothing is made yet."""
    import shutil
    import tempfile

    place = path.absolute()
    while not os.path.lexists(place):
        place = place.parent
    try:
        with tempfile.TemporaryFile(dir=place):
            pass
        left = shutil.disk_usage(place).free
    except OSError as error:
        raise InputError(
            f"nothing can be written to the folder ({error.strerror})",
            where=str(path),
            remedy="Choose another with --out, or see to room and rights",
        ) from None
    if left < ROOM_BYTES:
        raise InputError(
            f"the disk has {left / 1e6:.1f} MB left, and up to {ROOM_BYTES / 1e6:.0f} MB are needed",
            where=str(path),
            remedy="Make room, or choose another folder with --out",
        )
    return path


class _Ticker:
    """Progress on standard error: one line that is rewritten on a terminal, a line per stage elsewhere."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._terminal = sys.stderr.isatty()
        self._last = ""
        self._time = 0.0
        self._bar: Any = None

    def __call__(self, what: str, share: float, detail: str) -> None:
        if self._quiet:
            return
        now = time.monotonic()
        if self._terminal:
            from tqdm import tqdm

            if self._bar is None or self._last != what:
                self.close()
                self._bar = tqdm(
                    total=100, desc=what, file=sys.stderr, leave=False, bar_format="{desc} {bar} {postfix}"
                )
            self._bar.n = round(100 * min(1.0, share))
            self._bar.set_postfix_str(detail)
        elif what != self._last or now - self._time > 5.0:
            print(f"{what}{': ' if detail else ''}{detail}", file=sys.stderr, flush=True)
            self._time = now
        self._last = what

    def close(self) -> None:
        """Clear the line."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None


# ---------------------------------------------------------------- commands


def _start(options: argparse.Namespace) -> int:
    from importlib.resources import files

    folder = Path(options.folder)
    target = folder / "study.toml"
    if target.exists():
        raise InputError("there is a study already", where=str(target), remedy="Choose another folder")
    text = (files("fluxsense") / "starter.toml").read_text(encoding="utf-8")
    _folder(folder)
    _write(target, text)
    if options.json:
        _print_json({"study": str(target)})
    else:
        print(f"Wrote {target}. Edit it, then run: fluxsense check {target}")
        print(CAUTION)
    return 0


def _check(options: argparse.Namespace) -> int:
    study = read_study(options.study)
    from fluxsense.overview import overview, overview_lines

    document = overview(study)
    document["traces"] = _trace_summary(study)
    if options.json:
        _print_json(document)
        return 0
    print("\n".join(overview_lines(document)))
    traces = document["traces"]
    if traces is None:
        print(f"No log at {study.log} yet; fluxsense simulate {options.study} would make an invented campaign.")
    else:
        print(
            f"Log: {traces['rows']} traces, {traces['pump_on']} of them with the pump on; states {', '.join(traces['states'])}."
        )
    print(CAUTION)
    return 0


def _trace_summary(study: Study) -> dict[str, Any] | None:
    if not study.log.exists():
        return None
    from fluxsense.data.campaign import campaign_rows

    rows = campaign_rows(study)
    return {
        "rows": len(rows),
        "pump_on": sum(r.pump_on for r in rows),
        "states": sorted({r.state for r in rows}),
        "cooldowns": sorted({r.cooldown for r in rows}),
    }


def _simulate(options: argparse.Namespace) -> int:
    study = read_study(options.study)
    if options.seed < 0:
        raise InputError(f"the seed {options.seed} is negative", remedy="Use a whole number from 0 up")
    from fluxsense.device.chip import check_geometry
    from fluxsense.simulate import draw_truth, read_truth_source, write_campaign

    check_geometry(study)
    folder = Path(options.out) if options.out else study.folder
    source, position = read_truth_source(options.truth, study) if options.truth else (None, None)
    truth = draw_truth(study, options.seed, source, position)
    ticker = _Ticker(options.json)
    rows = write_campaign(
        study,
        truth,
        folder,
        force=options.force,
        progress=lambda done, total: ticker("writing traces", done / total, f"{done} of {total}"),
    )
    ticker.close()
    target = folder / "study.toml"
    if not target.exists():
        _write(target, study.path.read_text(encoding="utf-8"))
    if options.json:
        _print_json({"traces": len(rows), "folder": str(folder), "seed": options.seed})
    else:
        what = "directions (in log.csv)" if study.data.kind == "direction" else "traces, log.csv"
        print(f"Wrote {len(rows)} simulated {what} and truth.toml to {folder}.")
    return 0


def _orient(options: argparse.Namespace) -> int:
    study = read_study(options.study)
    if options.seed < 0:
        raise InputError(f"the seed {options.seed} is negative", remedy="Use a whole number from 0 up")
    _least(options, workers=1)
    from fluxsense.device.chip import check_geometry

    check_geometry(study)
    folder = _ready(Path(options.out) if options.out else study.folder / "results")
    ticker = _Ticker(options.json)
    if study.data.kind == "direction":
        return _orient_votes(options, study, folder, ticker)
    digest = _campaign_digest(study, folder, ticker, options.workers)
    from fluxsense.infer.orient import orient

    _hold(options, folder)
    result = orient(
        study,
        digest,
        seed=options.seed,
        max_seconds=options.max_time,
        wanted_ess=options.effective,
        progress=ticker,
        chain_file=folder / "chains.h5",
        quadrature_file=folder / "quadrature.npz",
    )
    _keep(folder / "result.json", result.document)
    from fluxsense.detection.stored import stored_from

    digest.save(folder / "digest.npz")
    stored_from(result).save(folder / "posterior.npz")
    return _answered(options, study, folder, ticker, result)


def _orient_votes(options: argparse.Namespace, study: Study, folder: Path, ticker: _Ticker) -> int:
    """`orient` for a campaign of which only the directions of transmission are used."""
    from fluxsense.data.campaign import load_votes
    from fluxsense.infer.orient_counts import orient_votes

    votes, data_hash = load_votes(
        study, lambda done, total: ticker("reading directions", done / total, f"{done} of {total}")
    )
    _hold(options, folder)
    result = orient_votes(
        study,
        votes,
        data_hash=data_hash,
        seed=options.seed,
        max_seconds=options.max_time,
        wanted_ess=options.effective,
        progress=ticker,
        chain_file=folder / "chains.h5",
    )
    _keep(folder / "result.json", result.document)
    return _answered(options, study, folder, ticker, result)


def _answered(options: argparse.Namespace, study: Study, folder: Path, ticker: _Ticker, result: Any) -> int:
    """Write the report of an answer, print it, and say by the exit code whether to trust it."""
    from fluxsense.infer.orient import summary_lines

    if not options.no_report:
        from fluxsense.report.page import write_report
        from fluxsense.simulate import read_truth_source

        ticker("writing the report", 0.0, "")
        truth_file = study.log.parent / "truth.toml"
        truth = read_truth_source(truth_file, study) if truth_file.exists() else None
        write_report(folder / "report.html", result, truth)
    ticker.close()
    if options.json:
        _print_json(result.document)
    else:
        print("\n".join(summary_lines(result.document)))
        written = "result.json" if options.no_report else "result.json and report.html"
        print(f"Wrote {written} to {folder}.")
    return 0 if result.document["verdict"]["trust"] == "reliable" else 1


def _campaign_digest(study: Study, folder: Path, ticker: _Ticker, workers: int) -> Any:
    """The digest of the study's traces; traces that the folder's digest holds are only compared by their hashes."""
    from fluxsense.base.executors import Processes
    from fluxsense.data.campaign import load_campaign

    return load_campaign(
        study,
        lambda done, total: ticker("reading traces", done / total, f"{done} of {total}"),
        Processes(workers) if workers > 1 else None,
        former=folder / "digest.npz",
    )


def _detect(options: argparse.Namespace) -> int:
    study = read_study(options.study)
    if options.seed < 0 or options.simulations < 0:
        raise InputError("the seed or the number of simulations is negative", remedy="Use whole numbers from 0 up")
    _least(options, workers=1)
    from fluxsense.base.executors import Processes
    from fluxsense.detection.detect import (
        Promise,
        compare_sources,
        confidence_lines,
        detect,
        require_complex_traces,
    )
    from fluxsense.detection.stored import load_stored, stored_from
    from fluxsense.device.chip import check_geometry
    from fluxsense.simulate import draw_truth, simulate_digest

    promise = Promise(options.false_alarm, options.detection)
    require_complex_traces(study)
    toward = [_direction(text) for text in options.toward]
    other = read_study(options.against) if options.against else None
    check_geometry(study)
    folder = _ready(Path(options.out) if options.out else study.folder / "results")
    ticker = _Ticker(options.json)
    planned = not study.log.exists()
    stored = None
    if planned:
        if toward or other:
            raise InputError(
                "there are no traces to compare directions or source models with",
                where=str(study.log),
                remedy="Leave out --toward and --against for a planned experiment",
            )
        digest = simulate_digest(study, draw_truth(study, options.seed, source=(0.0, 0.0, 0.0)))
    else:
        digest = _campaign_digest(study, folder, ticker, options.workers)
        _hold(options, folder)
        if (folder / "posterior.npz").exists():
            stored = load_stored(folder / "posterior.npz")
        if stored is None or not stored.fits(study, digest):
            from fluxsense.infer.orient import orient

            ticker("no matching results of orient: inferring first", 0.0, "")
            stored = stored_from(orient(study, digest, seed=options.seed, progress=ticker))
            digest.save(folder / "digest.npz")
            stored.save(folder / "posterior.npz")
    result = detect(
        study,
        digest,
        stored,
        seed=options.seed,
        promise=promise,
        toward=toward,
        simulations=options.simulations,
        planned=planned,
        progress=ticker,
        executor=Processes(options.workers) if options.workers > 1 else None,
    )
    document = result.document
    if other is not None:
        ticker("comparing source models", 0.0, "")
        document["source_models"] = compare_sources(study, other, digest, options.seed)
        if not document["source_models"]["agree"] and document["verdict"]["trust"] == "reliable":
            document["verdict"] = {"trust": "tentative", "reasons": document["source_models"]["reasons"]}
    if planned:
        _hold(options, folder)
    _keep(folder / "detection.json", document)
    from fluxsense.report.confidence import write_section

    written = write_section(folder / "report.html", folder / "detection.html", document)
    ticker.close()
    if options.json:
        _print_json(document)
    else:
        if planned:
            print(f"No log at {study.log}: this is about the experiment as planned.")
        print("\n".join(confidence_lines(document)))
        print(f"Wrote detection.json and {written.name} to {folder}.")
    return 0 if document["verdict"]["trust"] == "reliable" else 1


def _direction(text: str) -> Any:
    import numpy as np

    from fluxsense.base.sphere import vector_from_angles

    parts = text.split(",")
    try:
        azimuth, elevation = (float(x) for x in parts)
        if not (abs(azimuth) <= 360 and abs(elevation) <= 90):
            raise ValueError
    except ValueError:
        raise InputError(
            f'"{text}" is not an azimuth and an elevation in degrees',
            where="--toward",
            remedy="Write for example --toward=159.2,22.5",
        ) from None
    return vector_from_angles(np.radians(azimuth), np.radians(elevation))


def _characterize(options: argparse.Namespace) -> int:
    import os

    # many small matrices: threads of the linear algebra library wait for each other more than they work
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if options.seed < 0:
        raise InputError(f"the seed {options.seed} is negative", remedy="Use a whole number from 0 up")
    if not 0 < options.isolation <= 60:
        raise InputError(f"an isolation of {options.isolation:g} dB is not sensible", remedy="Use 1 to 60 dB")
    from fluxsense.characterize.rough import read_rough

    rough = read_rough(options.study)
    from fluxsense.characterize.run import characterize, section_heads, summary_lines
    from fluxsense.characterize.section import refuse_existing, write_characterized
    from fluxsense.device.chip import check_geometry

    check_geometry(rough.study)
    folder = Path(options.out) if options.out else rough.study.folder / "characterized"
    refuse_existing(folder, force=options.force)
    _ready(folder)
    ticker = _Ticker(options.json)
    _hold(options, folder)
    result = characterize(
        rough, seed=options.seed, enough_db=options.isolation, sampled=options.sampled, progress=ticker
    )
    document = result.document
    written = ["characterization.json"]
    if result.fitted is not None:
        heads = section_heads(document, rough.study.path)
        written += write_characterized(folder, result.tree, heads, force=options.force)
    document["written"] = written
    _keep(folder / "characterization.json", document)
    if not options.no_report:
        from fluxsense.report.sweeps import write_sweep_report

        ticker("writing the report", 0.0, "")
        write_sweep_report(folder / "characterization.html", result)
        written.append("characterization.html")
    ticker.close()
    if options.json:
        _print_json(document)
    else:
        print("\n".join(summary_lines(document)))
        print(f"Wrote {', '.join(written)} to {folder}.")
        print(CAUTION)
    return 0 if document["verdict"]["trust"] == "reliable" else 1


def _least(options: argparse.Namespace, **least: int) -> None:
    """Refuse whole numbers below what makes sense."""
    for name, low in least.items():
        value = getattr(options, name)
        if value < low:
            raise InputError(f"--{name} {value} is too small", remedy=f"Use a whole number from {low} up")


def _write_proposal(proposal: Any, folder: Path, stem: str, lines: list[str], options: argparse.Namespace) -> None:
    """The document, the study and the figures of a design, then the text or the JSON."""
    from fluxsense.base.files import write_beside
    from fluxsense.report.figures import image_bytes
    from fluxsense.study.write import study_text

    _keep(folder / f"{stem}.json", proposal.document)
    _write(folder / "study.toml", study_text(proposal.study))
    for name, figure in proposal.figures.items():
        write_beside(folder / name, image_bytes(figure, "png"), sync=True)
    if options.json:
        _print_json(proposal.document)
    else:
        print("\n".join(lines))
        print(f"Wrote {stem}.json, study.toml and {', '.join(proposal.figures)} to {folder}.")


def _no_votes(study: Study, command: str) -> None:
    """Refuse to plan for data whose information is not worked out."""
    if study.data.kind == "direction":
        raise InputError(
            f'{command} knows the information in complex traces and in magnitudes only; the study uses kind = "direction"',
            where=f"{study.path.name}: data.kind",
            remedy='Plan with a copy of the study that says kind = "magnitude"; the direction alone says less than that',
        )


def _plan(options: argparse.Namespace) -> int:
    study = read_study(options.study)
    _no_votes(study, "plan")
    _least(options, seed=0, thorough=1)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small matrices
    from fluxsense.proposals import plan, plan_lines

    folder = _ready(Path(options.out) if options.out else study.folder / "plan")
    _hold(options, folder)
    ticker = _Ticker(options.json)
    proposal = plan(
        study,
        seed=options.seed,
        wanted_deg=options.error,
        wanted_rate=options.error_rate,
        thorough=options.thorough,
        progress=ticker,
    )
    ticker.close()
    _write_proposal(proposal, folder, "plan", plan_lines(proposal.document), options)
    return 0 if proposal.document["error_proposed"]["prediction_valid"] else 1


def _counts(text: str) -> tuple[int, ...]:
    """Whole numbers from 'N,N'."""
    try:
        return tuple(int(part) for part in text.split(",")) if text else ()
    except ValueError:
        raise InputError(
            f'"{text}" does not list numbers of isolators', where="--isolators", remedy="Write --isolators 3,4,5"
        ) from None


def _masks(options: argparse.Namespace, study: Study) -> Study:
    """The study with the outlines of --from-gds, after a look at what would stop --gds once the search is over."""
    from fluxsense.design.gdsii import check_writable, read_layout
    from fluxsense.design.layout import with_layout

    if options.gds:
        check_writable(study, options.layer, 1e-6 * options.wire_width)
        out = Path(options.gds)
        if out.is_dir():
            raise InputError(
                "this is a folder", where=options.gds, remedy="Name the file to write, as in --gds new.gds"
            )
        _ready(out.parent)
    if not options.from_gds:
        return study
    layout, wires_m = read_layout(study, options.from_gds, layer=options.layer, cell=options.cell)
    for name, width_m in wires_m.items():
        if not options.json:
            print(f'Loop "{name}": the centre line of a wire {1e6 * width_m:.3g} um wide.')
    return with_layout(study, layout)


def _layout(options: argparse.Namespace) -> int:
    study = read_study(options.study)
    _no_votes(study, "layout")
    _least(options, seed=0, starts=1, steps=1, workers=1)
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # many small matrices
    from fluxsense.device.chip import check_geometry
    from fluxsense.proposals import layout_lines, propose_layout

    if options.gds or options.from_gds:
        study = _masks(options, study)
    _counts(options.isolators)
    check_geometry(study)
    folder = _ready(Path(options.out) if options.out else study.folder / "layout")
    _hold(options, folder)
    ticker = _Ticker(options.json)
    from fluxsense.base.executors import Processes

    proposal = propose_layout(
        study,
        seed=options.seed,
        criterion=options.criterion,
        position_known=options.position_known,
        starts=options.starts,
        steps=options.steps,
        counts=_counts(options.isolators),
        executor=Processes(options.workers) if options.workers > 1 else None,
        progress=ticker,
    )
    ticker.close()
    _write_proposal(proposal, folder, "layout", layout_lines(proposal.document), options)
    if options.gds and proposal.layout is not None:
        from fluxsense.design.gdsii import GUIDE, write_gdsii

        width_m = 1e-6 * options.wire_width
        write_gdsii(options.gds, proposal.study, proposal.layout, layer=options.layer, wire_width_m=width_m)
        drawn = f"wires {options.wire_width:g} um wide" if width_m else GUIDE
        if not options.json:
            print(f"Wrote {options.gds}, layer {options.layer}: {drawn}.")
    asked = "position_known" if proposal.document["position_known"] else "position_as_stated"
    return 0 if proposal.document["prediction_valid"][asked]["proposed"] else 1
