"""Commands: parse, call a job, print.  Heavy imports happen inside each command, after study and options have been looked at.

Exit code 0: done; 1: done, but the result is not to be trusted; 2: unusable input.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout, suppress
from difflib import get_close_matches
from functools import partial
from io import StringIO
from math import cos, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, TypeVar

from fluxsense import __version__
from fluxsense.base.beside import beside, cores
from fluxsense.base.errors import FluxsenseError, InputError
from fluxsense.jobs.options import (
    ENOUGH_ISOLATION_DB,
    CharacterizeOptions,
    CharacterizeSettings,
    DetectOptions,
    DetectSettings,
    FollowOptions,
    FollowSettings,
    LayoutOptions,
    LayoutSettings,
    OrientOptions,
    OrientSettings,
    PlanOptions,
    PlanSettings,
    Promise,
    SimulateSettings,
    whole_number,
)

if TYPE_CHECKING:
    from types import FrameType

    from tqdm import tqdm

    from fluxsense.jobs.result import Result, Shown
    from fluxsense.study import Study

    class Option(TypedDict, total=False):
        """What argparse is told of one option."""

        action: str
        choices: Sequence[str]
        default: object
        help: str
        metavar: str
        type: Callable[[str], object]


Plain = TypeVar("Plain", int, float)

CAUTION = (
    "Bias currents and pump powers named here are to be checked against the laboratory's own limits. "
    "Cryogens, magnets and microwave power: local rules and trained staff."
)

EXAMPLES = {
    "start": ("chip", "chip --examples"),
    "check": ("chip/study.toml", "chip/study.toml --page readout.html"),
    "simulate": ("chip/study.toml --seed 3", "chip/study.toml --truth truth.toml --out campaign"),
    "orient": ("chip/study.toml", "chip/study.toml --out results --max-time 60 --json"),
    "follow": ("chip/study.toml", "chip/study.toml --cone 2 --hours 12 --settling 30 --state-change 600 --by-hand in"),
    "detect": ("chip/study.toml", "chip/study.toml --false-alarm 0.001 --toward=159.2,22.5 --toward=20,0"),
    "compare": ("monday/study.toml tuesday/study.toml", "monday/results tuesday/results --json"),
    "characterize": (
        "chip/study.toml --sweep-plan",
        "chip/study.toml --isolation 20 --sampled --out fitted",
    ),
    "plan": ("chip/study.toml --error 2", "chip/study.toml --error-rate 0.01 --thorough 4"),
    "layout": ("chip/study.toml --workers 2", "chip/study.toml --isolators 3,4,5 --gds loops.gds"),
}
"""Two uses of each command."""

FILES = {
    "start": ("nothing", ("study.toml", "examples/ (--examples)")),
    "check": ("the study, and its log and traces if they are there", ()),
    "simulate": ("the study", ("study.toml", "log.csv", "truth.toml", "traces/")),
    "orient": (
        "the study, its log and traces, and what a run that was cut short left",
        ("result.json", "report.html", "digest.npz", "posterior.npz", "draws.npz", "chains.h5"),
    ),
    "follow": (
        "the study, and its log and traces while they are written; what a former run left",
        (
            "live.json",
            "live.html",
            "proposal.json",
            "result.json",
            "report.html",
            "digest.npz",
            "posterior.npz",
            "draws.npz",
            "chains.h5",
        ),
    ),
    "detect": (
        "the study, its log and traces, and what orient left, which is run first if need be; without a log the study alone",
        ("detection.json", "report.html"),
    ),
    "compare": ("what orient left of two campaigns: of a study in the folder results beside it", ()),
    "characterize": (
        "a study without isolators' numbers, the log of its sweeps and their traces",
        ("characterization.json", "chip.toml", "study.toml", "characterization.html"),
    ),
    "plan": (
        "the study alone",
        ("plan.json", "study.toml", "plan.html"),
    ),
    "layout": ("the study alone", ("layout.json", "study.toml", "layout.html")),
}
"""What each command reads, and the files that it writes where it is told to."""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="fluxsense",
        description="From transmission sweeps of flux-tunable non-reciprocal circuits to the direction of a weak magnetic "
        "source, with its uncertainty and a verdict on whether to believe it.",
        epilog="Exit code: 0 done, 1 done but not to be trusted, 2 unusable input. " + CAUTION,
    )
    parser.add_argument("--version", action="version", version=f"fluxsense {__version__}")
    parser.add_argument("--cite", action=_Cite, nargs=0, help="say how to cite the package, and exit")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, (words, options) in ARGUMENTS.items():
        one = commands.add_parser(
            name,
            help=words,
            description=words[0].upper() + words[1:] + ".",
            epilog=_epilog(name),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if name not in ("start", "compare"):
            one.add_argument("study", metavar="STUDY", help="the study file (TOML)")
        one.add_argument("--json", action="store_true", help="print one JSON document and nothing else")
        for option, about in options.items():
            one.add_argument(option, **about)
    return parser


def _epilog(name: str) -> str:
    """Two uses of a command, what it reads and what it writes."""
    read, written = FILES[name]
    uses = "\n".join(f"  fluxsense {name} {x}" for x in EXAMPLES[name])
    return f"examples:\n{uses}\n\nreads:  {read}\nwrites: {', '.join(written) or 'nothing'}"


class _Cite(argparse.Action):
    """Print the citation and end: read only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from fluxsense.report.citation import citation

        print(citation())
        parser.exit()


def _out(where: str) -> Option:
    return {"metavar": "DIR", "help": f"where to write (default: {where})"}


def _seed(of: str) -> Option:
    return {"type": int, "default": 0, "help": f"{of} (default 0)"}


def _flag(words: str) -> Option:
    return {"action": "store_true", "help": words}


def _number(kind: type[int | float], metavar: str, words: str, default: float | None = None) -> Option:
    return {"type": partial(_plain, kind), "metavar": metavar, "default": default, "help": words}


def _plain(kind: type[Plain], text: str) -> Plain:
    """A number as an option gives it: without a unit."""
    try:
        return kind(text)
    except ValueError:
        what = "a whole number" if kind is int else "a number alone"
        words = (
            f'"{shown_word(text)}" is not {what}. Options take numbers without a unit; --help says in which they are.'
        )
        raise argparse.ArgumentTypeError(words) from None


def _several(metavar: str, words: str) -> Option:
    return {"action": "append", "default": [], "metavar": metavar, "help": f"{words}; repeat for more"}


def _workers(what: str) -> Option:
    return _number(int, "N", f"{what} (default 1); the result is the same", 1)


def _processes(many: str, second: str) -> Option:
    return _number(
        int,
        "N",
        f"processes: 1 for a single one, more to {many} with so many (default: one, and where there is a second core "
        f"another that {second} beside it); the result is the same",
    )


_FIGURES = _flag("write every figure as PDF and SVG")

ARGUMENTS: dict[str, tuple[str, dict[str, Option]]] = {
    "start": (
        "write a commented study to begin from",
        {
            "folder": {"metavar": "DIR", "help": "a new or empty folder"},
            "--source": {
                "metavar": "NAME",
                "default": "grain_500nm",
                "help": "source to begin with: grain_500nm (default), grain_100nm, grain_20nm or field_1nT",
            },
            "--examples": _flag("put the example scripts and tutorials into DIR/examples too"),
        },
    ),
    "check": (
        "read and validate a study: flux map, working points, directions, rank and ambiguity warnings, read-out",
        {
            "--page": {
                "metavar": "FILE",
                "help": "write the read-out as an HTML page too: line, sensitivity, a qubit's read-out ([readout.qubit]), formulas "
                "with their sources",
            },
            "--quick": _flag("leave the traces unread"),
        },
    ),
    "simulate": (
        "write a campaign as an instrument would, from a stated truth and seed",
        {
            "--out": _out("the study's folder"),
            "--truth": {
                "metavar": "FILE",
                "help": "TOML with [source] azimuth, elevation, size (default: drawn from the priors)",
            },
            "--seed": _seed("seed of truth and noise"),
            "--force": _flag("replace a campaign that is already there"),
        },
    ),
    "orient": (
        "the main job: traces to the posterior of the direction, result.json and report.html",
        {
            "--out": _out("results beside the study"),
            "--seed": _seed("seed of search and sampling"),
            "--max-time": _number(float, "SECONDS", "end sampling after this time"),
            "--effective": _number(float, "N", "effective samples wanted (default: the study's)"),
            "--no-report": _flag("write result.json only"),
            "--workers": _processes("read traces", "searches and draws"),
            "--tables": _flag("write draws.csv, and the answer and its unknowns as CSV and LaTeX"),
            "--figures": _FIGURES,
            "--netcdf": _flag("write posterior.nc, arviz's InferenceData (pip install 'fluxsense[netcdf]')"),
        },
    ),
    "follow": (
        "the answer while a campaign is measured, what to measure next, and when to stop",
        {
            "--out": _out("results beside the study"),
            "--seed": _seed("seed of searches, draws and full runs"),
            "--once": _flag("take up what is there, and end"),
            "--idle": _number(float, "SECONDS", "end when nothing came for so long (default: never)"),
            "--poll": _number(float, "SECONDS", "time between two looks (default 1)", 1.0),
            "--no-report": _flag("leave out report.html in the end"),
            "--cone": _number(float, "DEG", "end when the 90%% cone is within this half-angle"),
            "--false-alarm": _number(float, "P", "end when there is a source, with this rate of error (with --miss)"),
            "--miss": _number(float, "P", "end when there is none, with this rate of error (with --false-alarm)"),
            "--hours": _number(float, "H", "end after this time by the log"),
            "--settling": _number(float, "SECONDS", "what a change of bias or pump takes (default 0)", 0.0),
            "--state-change": _number(float, "SECONDS", "what a change of the source's state takes (default 0)", 0.0),
            "--by-hand": _several("STATE", "a state that only hands lead to"),
            "--pin": _several("SETTING", "propose no other setting of the study than this one"),
            "--forbid": _several("SETTING", "do not propose this setting of the study"),
        },
    ),
    "detect": (
        "source or none, with what confidence, which direction, and what would be missed",
        {
            "--out": {
                "metavar": "DIR",
                "help": "where orient wrote and this writes (default: results beside the study)",
            },
            "--seed": _seed("seed of draws and simulations"),
            "--false-alarm": _number(float, "P", "promised rate (default 0.01)", 0.01),
            "--detection": _number(float, "P", "promised rate (default 0.9)", 0.9),
            "--toward": {
                "action": "append",
                "default": [],
                "metavar": "AZ,EL",
                "help": "a direction in degrees to compare; repeat for more",
            },
            "--against": {
                "metavar": "STUDY2",
                "help": "weigh this study's source model against another's (minutes)",
            },
            "--simulations": _number(int, "N", "simulated campaigns (default 300)", 300),
            "--workers": _processes("read traces and simulate", "weighs and draws"),
            "--figures": _FIGURES,
        },
    ),
    "compare": (
        "two finished results: the same source, moved, or reversed, with odds",
        {
            "first": {"metavar": "FIRST", "help": "a study, or the folder that orient wrote to"},
            "second": {"metavar": "SECOND", "help": "likewise, of another campaign with the same [source]"},
            "--seed": _seed("seed of fits and integration"),
        },
    ),
    "characterize": (
        "bias, power, frequency and phase sweeps to ring and isolator parameters, working points",
        {
            "--out": _out("characterized beside the study"),
            "--seed": {
                "type": int,
                "default": 0,
                "help": "for --sampled and for intervals near a bound; the fits draw none",
            },
            "--sampled": _flag("uncertainties by sampling too (minutes an isolator)"),
            "--isolation": _number(float, "DB", "isolation wanted (default 15)", ENOUGH_ISOLATION_DB),
            "--sweep-plan": _flag(
                "only list the sweeps that it needs, as sweep_plan.csv in DIR (default: beside the study)"
            ),
            "--force": _flag("replace files that are already there"),
            "--no-report": _flag("leave the report out"),
            "--figures": _FIGURES,
        },
    ),
    "plan": (
        "working points, split of sweeps, time to a wanted error, and what cannot be told apart",
        {
            "--out": _out("plan beside the study"),
            "--seed": _seed("seed of the search"),
            "--error": _number(float, "DEG", "angular error wanted (default: half of what is predicted)"),
            "--error-rate": _number(
                float,
                "P",
                "say too when a direction is taken for its reverse, or a listed candidate for another, with this probability",
            ),
            "--thorough": _number(int, "N", "factor on the length of the search (default 1)", 1),
            "--figures": _FIGURES,
        },
    ),
    "layout": (
        "best layout of the loops under the study's rules, compared with the present one",
        {
            "--out": _out("layout beside the study"),
            "--seed": _seed("seed of the search"),
            "--workers": _workers("processes"),
            "--criterion": {
                "choices": ("error", "information", "D", "A", "E", "worst"),
                "default": "error",
                "help": "what is made best",
            },
            "--starts": _number(int, "N", "independent starts (default 8)", 8),
            "--steps": _number(int, "N", "steps of each start (default 1200)", 1200),
            "--figures": _FIGURES,
            "--position-known": _flag("judge as if the dipole's position were known when data are read"),
            "--isolators": {
                "default": "",
                "metavar": "N,N",
                "help": "numbers of isolators to compare in the same measuring time first",
            },
            "--gds": {"metavar": "FILE", "help": "write the proposed outlines as GDSII too (needs gdstk)"},
            "--from-gds": {"metavar": "FILE", "help": "take the present outlines from this GDSII file"},
            "--cell": {
                "default": "",
                "metavar": "NAME",
                "help": "its cell that holds the loops (default: the chip's name)",
            },
            "--layer": _number(int, "N", "GDSII layer of the outlines (default 1)", 1),
            "--wire-width": _number(
                float, "UM", "draw wires of this width in um into --gds (default: the outlines, as a guide)", 0.0
            ),
        },
    ),
}
"""Each command: what it does, and its options as `argparse` takes them."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    _settle_environment()
    if arguments is None and sys.flags.optimize > 1:
        # libraries stumble over docstrings that are gone: the same command once more, with them
        os.execve(
            sys.executable, [sys.executable, "-m", "fluxsense", *sys.argv[1:]], os.environ | {"PYTHONOPTIMIZE": "1"}
        )
    given = list(sys.argv[1:] if arguments is None else arguments)
    parser = _parser()
    _refuse_unknown(parser, given)
    options, left = parser.parse_known_args(given)
    if left:
        _refuse_left(parser, options.command, left[0])
    command: Callable[[argparse.Namespace], int] = COMMANDS[options.command]
    try:
        code = command(options)
        sys.stdout.flush()
        return code
    except FluxsenseError as error:
        document = getattr(error, "document", None)
        if document is not None:  # it could not be written: printed, it is not lost
            _print_json(document)
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


def _settle_environment() -> None:
    """Make the surroundings such that no library stumbles over them: threads, figures, closed streams."""
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        # the matrices are small: threads of the linear algebra only wait for each other
        if not os.environ.get(name, "").isdigit():
            os.environ[name] = "1"
    os.environ["MPLBACKEND"] = "agg"  # figures go to files, whatever a notebook or desktop asks for
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:  # closed by whoever called
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 - for the life of the process


def _refuse_unknown(parser: argparse.ArgumentParser, given: Sequence[str]) -> None:
    """End with a sentence if the first word is no command."""
    first = next((x for x in given if not x.startswith("-")), None)
    if first is None or first in COMMANDS or given[0].startswith("-"):
        return
    near = get_close_matches(first, COMMANDS, 1)
    guess = f' Did you mean "{near[0]}"?' if near else f" Known are: {', '.join(COMMANDS)}."
    parser.exit(2, f'fluxsense: there is no command "{shown_word(first)}".{guess} See fluxsense --help.\n')


def _refuse_left(parser: argparse.ArgumentParser, command: str, word: str) -> None:
    """End with a sentence on a word that a command does not know."""
    said = f'"{shown_word(word)}" is one word too many.'
    if word.startswith("-"):
        known = [x for x in (*ARGUMENTS[command][1], "--json", "--help") if x.startswith("-")]
        near = get_close_matches(word.split("=")[0], known, 1)
        said = f'there is no option "{shown_word(word)}".' + (f' Did you mean "{near[0]}"?' if near else "")
    parser.exit(2, f"fluxsense {command}: {said} See fluxsense {command} --help.\n")


def shown_word(text: str) -> str:
    """A word that somebody typed, printable and short."""
    word = "".join(c if c.isprintable() else "?" for c in text)
    return word if len(word) <= 40 else word[:37] + "..."


def _forget_output() -> None:
    """Drop what could not be printed, so that the interpreter does not try again on its way out."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _print_json(document: Mapping[str, object]) -> None:
    print(json.dumps(document, indent=1, allow_nan=False))


class _Progress:
    """Progress on standard error: one line that is rewritten on a terminal, a line per stage elsewhere.

    While a job runs, Ctrl-C during sampling is taken up when the job next tells how far it is, so that sampling ends with a
    result; otherwise, and the second time, it stops at once.  What libraries print goes nowhere near standard output, and
    is dropped if the job is interrupted, since it is about nothing else then.
    """

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._out, self._stream = sys.stdout, sys.stderr
        self._terminal = sys.stderr.isatty()
        self._last = ""
        self._time = 0.0
        self._bar: tqdm | None = None
        self._wanted_stop = False
        self._handler: Callable[[int, FrameType | None], object] | int | None = None

    def __enter__(self) -> _Progress:
        self._said = StringIO()
        self._held = ExitStack()
        self._held.enter_context(redirect_stdout(self._said))
        self._held.enter_context(redirect_stderr(self._said))
        with suppress(ValueError):  # not in the main thread: nothing to take over
            self._handler = signal.signal(signal.SIGINT, self._stop)
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self._held.close()
        if self._handler is not None:
            signal.signal(signal.SIGINT, self._handler)
        self.close()
        if kind is None or not issubclass(kind, KeyboardInterrupt):
            text = self._said.getvalue()
            if text and not self._wanted_stop:
                print(text, end="", file=self._stream)

    def _stop(self, _number: int, _frame: FrameType | None) -> None:
        if self._wanted_stop or self._last != "sampling":
            raise KeyboardInterrupt
        self._wanted_stop = True

    def __call__(self, what: str, share: float, detail: str) -> None:
        stop = self._wanted_stop and self._last == "sampling"
        if not self._quiet:
            self._tell(what, share, detail)
        self._last = what
        if stop:
            self._last = ""
            raise KeyboardInterrupt

    def _tell(self, what: str, share: float, detail: str) -> None:
        now = time.monotonic()
        if self._terminal:
            from tqdm import tqdm

            if self._bar is None or self._last != what:
                self.close()
                self._bar = tqdm(
                    total=100, desc=what, file=self._stream, leave=False, bar_format="{desc} {bar} {postfix}"
                )
            self._bar.n = round(100 * min(1.0, share))
            self._bar.set_postfix_str(detail)
        elif what != self._last or now - self._time > 5.0:
            print(f"{what}{': ' if detail else ''}{detail}", file=self._stream, flush=True)
            self._time = now

    def aloud(self, text: str) -> None:
        """Print on standard output while the job goes on."""
        self.close()
        print(text, file=self._out, flush=True)

    def close(self) -> None:
        """Clear the line."""
        if self._bar is not None:
            self._bar.close()
            self._bar = None


def _answered(options: argparse.Namespace, result: Shown, *more: str, before: Sequence[str] = ()) -> int:
    """Print a result, as a document or as lines with what else is to be said; returns the exit code."""
    if options.json:
        _print_json(result.document)
    else:
        print("\n".join([*before, *result.lines(), *more]))
    return result.exit_code


def _told(options: argparse.Namespace, result: Shown, *more: str) -> int:
    """Print what is to be said after a result that was told when it was found, or its document; returns the exit code."""
    if options.json:
        return _answered(options, result)
    print("\n".join(more))
    return result.exit_code


def _shared_out(options: argparse.Namespace) -> tuple[int, bool]:
    """How many processes read, and whether a second one helps."""
    if options.workers is None:
        return 1, cores() > 1
    return whole_number("--workers", options.workers, 1), options.workers > 1


HELPS_ORIENT = ("fluxsense.infer.wiring", "fluxsense.report.pictures")
HELPS_PLAN = ("fluxsense.design.ambiguity", "fluxsense.design.working_point")
HELPS_DETECT = ("fluxsense.jobs.detect", "fluxsense.report.confidence")
"""What the second process of a command imports while the first imports what it needs itself, and reads."""


# ---------------------------------------------------------------- commands


def _study(path: str) -> Study:
    """A study file, read."""
    from fluxsense.study import read_study

    return read_study(path)


def _start(options: argparse.Namespace) -> int:
    from fluxsense.jobs.start import start, write_examples

    folder = Path(options.folder)
    target = start(folder, options.source)
    scripts = write_examples(folder / "examples") if options.examples else []
    if options.json:
        _print_json({"study": str(target)} | ({"examples": scripts} if scripts else {}))
    else:
        print(f"Wrote {target}. Edit it, then run: fluxsense check {target}")
        if scripts:
            print(f"Wrote {len(scripts)} files to {folder / 'examples'}; gallery.md there says what they show.")
        print(CAUTION)
    return 0


def _check(options: argparse.Namespace) -> int:
    study = _study(options.study)
    from fluxsense.jobs.check import check, write_readout_page

    found = check(study, quick=options.quick)
    if options.page:
        write_readout_page(options.page, found)
    if found.document["traces"] is None:
        more = f"No log at {study.log} yet; fluxsense simulate {options.study} would make an invented campaign."
    else:
        traces = found.document["traces"]
        states = ", ".join(traces["states"])
        more = f"Log: {traces['rows']} traces, {traces['pump_on']} of them with the pump on; states {states}."
    written = [f"Wrote {options.page}."] if options.page else []
    return _answered(options, found, more, *written, CAUTION)


def _simulate(options: argparse.Namespace) -> int:
    study = _study(options.study)
    SimulateSettings(seed=options.seed)
    from fluxsense.jobs.simulate import simulate

    with _Progress(options.json) as progress:
        found = simulate(
            study, options.out, seed=options.seed, truth=options.truth, force=options.force, progress=progress
        )
    return _answered(options, found)


def _orient(options: argparse.Namespace) -> int:
    study = _study(options.study)
    asked: OrientOptions = {"seed": options.seed, "max_seconds": options.max_time, "wanted_ess": options.effective}
    OrientSettings(**asked)
    readers, helped = _shared_out(options)
    formats = [name for name in ("netcdf", "tables", "figures") if getattr(options, name)]
    if options.netcdf:
        from fluxsense.jobs.formats import refuse_without_arviz

        refuse_without_arviz()
    folder = _folder(options, study, "results")
    report = not options.no_report
    with _Progress(options.json) as progress, ExitStack() as helpers:
        # it starts before this process imports what it needs itself, unless there may be nothing to do
        begun = not (folder / "result.json").exists()
        helper = helpers.enter_context(beside(helped, HELPS_ORIENT)) if begun else None
        from fluxsense.jobs.orient import finished, orient_folder

        asked["progress"] = progress
        former = None if formats else finished(study, folder, workers=readers, report=report, **asked)
        if former is None and not begun:
            helper = helpers.enter_context(beside(helped, HELPS_ORIENT))
        asked["helper"] = helper
        found = former or orient_folder(
            study,
            folder,
            workers=readers,
            report=report,
            formats=formats,
            tell=None if options.json else lambda answer: progress.aloud("\n".join(answer.lines())),
            **asked,
        )
    if former is not None:
        return _answered(
            options, former, f"Finished before in {folder}, and not computed again: another --seed or --out would be."
        )
    written = ["result.json", *(["report.html"] if report else []), *(_FORMAT_FILES[name] for name in formats)]
    listed = " and ".join([", ".join(written[:-1]), written[-1]] if len(written) > 1 else written)
    more = [*_outdated(folder, found), f"Wrote {listed} to {folder}."]
    return _told(options, found, *more)


_FORMAT_FILES = {"netcdf": "posterior.nc", "tables": "tables (CSV, LaTeX)", "figures": "figures (PDF, SVG)"}
"""What is said of the formats asked for."""


def _follow(options: argparse.Namespace) -> int:
    study = _study(options.study)
    asked: FollowOptions = {
        "seed": options.seed,
        "once": options.once,
        "idle_s": options.idle,
        "poll_s": options.poll,
        "report": not options.no_report,
        "cone_deg": options.cone,
        "false_alarm": options.false_alarm,
        "miss": options.miss,
        "seconds": None if options.hours is None else 3600 * options.hours,
        "settling_s": options.settling,
        "state_s": options.state_change,
        "by_hand": options.by_hand,
        "pinned": options.pin,
        "forbidden": options.forbid,
    }
    FollowSettings(**asked)
    from fluxsense.jobs.follow import follow

    def tell(line: str) -> None:
        print(line, file=sys.stderr if options.json else sys.stdout, flush=True)

    folder = _folder(options, study, "results")
    with _sigterm_interrupts():
        found = follow(study, folder, tell=tell, **asked)
    return _answered(options, found, f"Wrote live.json, live.html and proposal.json to {folder}.", CAUTION)


@contextmanager
def _sigterm_interrupts() -> Iterator[None]:
    """Let a polite end be an interrupt, so that the state is written."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    try:
        former = signal.signal(signal.SIGTERM, stop)
    except ValueError:  # not in the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, former)


def _detect(options: argparse.Namespace) -> int:
    study = _study(options.study)
    asked: DetectOptions = {
        "seed": options.seed,
        "simulations": options.simulations,
        "promise": Promise(options.false_alarm, options.detection),
        "toward": [_direction(text) for text in options.toward],
        "against": _study(options.against) if options.against else None,
    }
    DetectSettings(**asked)
    readers, helped = _shared_out(options)
    folder = _folder(options, study, "results")

    def answer(found: Result) -> str:
        planned = found.document["planned"]
        head = [f"No log at {study.log}: this is about the experiment as planned."] if planned else []
        return "\n".join([*head, *found.lines()])

    with _Progress(options.json) as progress, beside(helped, HELPS_DETECT) as helper:
        from fluxsense.jobs.detect import detect_folder

        asked["progress"] = progress
        found, page = detect_folder(
            study,
            folder,
            workers=readers,
            figures=options.figures,
            tell=None if options.json else lambda result: progress.aloud(answer(result)),
            helper=helper,
            **asked,
        )
    return _told(options, found, *_outdated(folder, found), f"Wrote detection.json and {page.name} to {folder}.")


def _compare(options: argparse.Namespace) -> int:
    from fluxsense.jobs.compare import compare

    with _Progress(options.json):
        found = compare(options.first, options.second, seed=options.seed)
    return _answered(options, found)


def _outdated(folder: Path, result: Result) -> list[str]:
    """A line about former results in the folder that are of another study or other data."""
    from fluxsense.jobs.folder import outdated

    old = outdated(folder, result.document)
    return [f"Of another study or other data, and left as it was: {', '.join(old)}."] if old else []


def _direction(text: str) -> tuple[float, float, float]:
    """A unit vector from 'AZ,EL' in degrees."""
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
    a, e = radians(azimuth), radians(elevation)
    return cos(e) * cos(a), cos(e) * sin(a), sin(e)


def _characterize(options: argparse.Namespace) -> int:
    asked: CharacterizeOptions = {
        "seed": options.seed, "enough_db": options.isolation, "sampled": options.sampled
    }  # fmt: skip
    CharacterizeSettings(**asked)
    from fluxsense.jobs.characterize import characterize_folder, plan_sweeps_folder

    out = Path(options.out) if options.out else None
    if options.sweep_plan:
        planned, path = plan_sweeps_folder(options.study, out, force=options.force)
        more = f"Wrote {path}: measure its rows in this order, write each file's name and time_s, and name it [traces] log."
        return _answered(options, planned, more, CAUTION)
    with _Progress(options.json) as progress:
        asked["progress"] = progress
        found, folder = characterize_folder(
            options.study, out, force=options.force, report=not options.no_report, figures=options.figures, **asked
        )
    return _answered(options, found, f"Wrote {', '.join(found.document['written'])} to {folder}.", CAUTION)


def _plan(options: argparse.Namespace) -> int:
    study = _study(options.study)
    asked: PlanOptions = {
        "seed": options.seed,
        "wanted_deg": options.error,
        "wanted_rate": options.error_rate,
        "thorough": options.thorough,
    }
    PlanSettings(**asked)
    folder = _folder(options, study, "plan")
    with _Progress(options.json) as progress, beside(cores() > 1, HELPS_PLAN) as helper:
        from fluxsense.jobs.plan import plan_folder

        asked["progress"] = progress
        found, written = plan_folder(study, folder, figures=options.figures, helper=helper, **asked)
    return _answered(options, found, _wrote(written, folder))


def _wrote(names: Sequence[str], folder: Path) -> str:
    return f"Wrote {', '.join(names[:-1])} and {names[-1]} to {folder}."


def _counts(text: str) -> tuple[int, ...]:
    """Whole numbers from 'N,N'."""
    try:
        return tuple(int(part) for part in text.split(",")) if text else ()
    except ValueError:
        raise InputError(
            f'"{text}" does not list numbers of isolators', where="--isolators", remedy="Write --isolators 3,4,5"
        ) from None


def _layout(options: argparse.Namespace) -> int:
    study = _study(options.study)
    asked: LayoutOptions = {
        "seed": options.seed,
        "criterion": options.criterion,
        "position_known": options.position_known,
        "starts": options.starts,
        "steps": options.steps,
        "counts": _counts(options.isolators),
    }
    LayoutSettings(**asked)
    whole_number("--workers", options.workers, 1)
    from fluxsense.base.executors import Processes
    from fluxsense.jobs.layout import Outlines, layout_folder

    folder = _folder(options, study, "layout")
    if options.workers > 1:
        asked["executor"] = Processes(options.workers)
    outlines = Outlines(options.from_gds, options.gds, options.layer, options.cell, 1e-6 * options.wire_width)
    with _Progress(options.json) as progress:
        asked["progress"] = progress
        made = layout_folder(study, folder, outlines, figures=options.figures, **asked)
    from fluxsense.report.sentences import sentences

    more = [_wrote(made.written, folder), *sentences(made.drawn)]
    return _answered(options, made.proposal, *more, before=sentences(made.read))


def _folder(options: argparse.Namespace, study: Study, name: str) -> Path:
    """Where a command writes: as asked, or a folder of its own beside the study."""
    return Path(options.out) if options.out else study.folder / name


COMMANDS: dict[str, Callable[[argparse.Namespace], int]] = {
    "start": _start,
    "check": _check,
    "simulate": _simulate,
    "orient": _orient,
    "follow": _follow,
    "characterize": _characterize,
    "detect": _detect,
    "compare": _compare,
    "plan": _plan,
    "layout": _layout,
}
