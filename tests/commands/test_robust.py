"""The command line under rough handling: wrong words, numbers without sense, Ctrl-C, odd surroundings, closed streams.

What is right here is what any well-behaved command does (common practice, no source): a sentence on standard error, nothing
half-printed on standard output, no traceback, the exit code that the help states.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from conftest import Outcome, run
from small_study import small_study

from fluxsense.cli import COMMANDS, EXAMPLES, FILES, _parser
from fluxsense.infer import orient as searched
from fluxsense.study import Study

HEAVY = ("numpy", "scipy", "matplotlib", "emcee", "h5py", "jinja2")


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A small campaign in files."""
    study = small_study(tmp_path_factory.mktemp("robust"), points=9, repeats=3)
    assert run(["simulate", study.path, "--seed", 2]).code == 0
    return study


def python(code: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=300, env=os.environ | environment
    )


# ---------------------------------------------------------------- words and numbers


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("orientate", 'fluxsense: there is no command "orientate". Did you mean "orient"? See fluxsense --help.\n'),
        ("simulte", 'fluxsense: there is no command "simulte". Did you mean "simulate"? See fluxsense --help.\n'),
        (
            "x\x1b[31m",
            'fluxsense: there is no command "x?[31m". Known are: ' + ", ".join(COMMANDS) + ". See fluxsense --help.\n",
        ),
    ],
)
def test_a_word_that_is_no_command(word: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        run_raw([word, "study.toml"])
    assert stop.value.code == 2
    out, err = capsys.readouterr()
    assert (out, err) == ("", said)


def run_raw(arguments: list[str]) -> int:
    from fluxsense.cli import main

    return main(arguments)


@pytest.mark.parametrize("name", list(COMMANDS))
def test_help_shows_two_uses_that_can_be_parsed(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        run_raw([name, "--help"])
    shown = capsys.readouterr().out
    assert len(EXAMPLES[name]) == 2
    for use in EXAMPLES[name]:
        assert f"  fluxsense {name} {use}\n" in shown
        assert _parser().parse_args([name, *use.split()]).command == name
    read, written = FILES[name]  # what is written is compared with what the help says in each command's own tests
    assert f"reads:  {read}\n" in shown
    assert f"writes: {', '.join(written) or 'nothing'}\n" in shown


SENSELESS = (("orient", "--effective", "nan"), ("plan", "--error", "400"), ("layout", "--steps", "0"))


def test_help_and_senseless_numbers_import_nothing_heavy(campaign: Study) -> None:
    """CPU time is printed, not asserted: what takes the time is absent."""
    code = f"""
import sys, time
from fluxsense.cli import main
for arguments in (["--help"], ["orient", "--help"], *[[a, {str(campaign.path)!r}, *b] for a, *b in {SENSELESS!r}]):
    try:
        code = main(arguments)
    except SystemExit as stop:
        code = stop.code
    print(code, file=sys.stderr, end=" ")
print([m for m in {HEAVY!r} if m in sys.modules], f"{{time.process_time():.3f}} s of CPU", file=sys.stderr)
"""
    done = python(code)
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].split(" [")[1].startswith("] "), done.stderr


# ---------------------------------------------------------------- Ctrl-C


def interrupted_at(call: int, campaign: Study, folder: Path, patch: pytest.MonkeyPatch, *more: str) -> Outcome:
    """`orient` with an interrupt from the terminal within the given call of the posterior by the sampler."""
    original, seen = searched.run_ensembles, 0

    def walked(log_target: Callable[[np.ndarray], np.ndarray], *args: object, **options: object) -> object:
        def posterior(x: np.ndarray) -> np.ndarray:
            nonlocal seen
            seen += 1
            if seen == call:
                signal.raise_signal(signal.SIGINT)
            return log_target(x)

        return original(posterior, *args, **options)  # type: ignore[arg-type]

    patch.setattr(searched, "run_ensembles", walked)
    outcome = run(["orient", campaign.path, "--out", folder, "--no-report", "--effective", "1e9", *more])
    assert seen >= call
    return outcome


@pytest.mark.parametrize("more", [("--json",), ()], ids=["json", "text"])
def test_ctrl_c_before_there_are_chains(
    more: tuple[str, ...], campaign: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outcome = interrupted_at(2, campaign, tmp_path, monkeypatch, *more)
    assert (outcome.code, outcome.out) == (2, "")
    last = outcome.err.splitlines()[-1]
    assert last.startswith("fluxsense orient: interrupted. Files that stand in the folder are whole")
    assert "Traceback" not in outcome.err
    assert "emcee" not in outcome.err
    if more:
        assert outcome.err.count("\n") == 1


def test_ctrl_c_while_sampling_ends_with_a_result(
    campaign: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outcome = interrupted_at(900, campaign, tmp_path, monkeypatch, "--json")
    document = json.loads(outcome.out)
    assert outcome.code == 1
    assert outcome.err == ""
    assert document["sampling"]["stopped"] == "interrupted"
    assert "Sampling ended early: it was interrupted." in " ".join(document["verdict"]["reasons"])


def test_the_handler_of_ctrl_c_is_given_back(campaign: Study) -> None:
    before = signal.getsignal(signal.SIGINT)
    run(["simulate", campaign.path])
    assert signal.getsignal(signal.SIGINT) is before


# ---------------------------------------------------------------- surroundings


def test_odd_surroundings_are_none_of_their_business(campaign: Study, tmp_path: Path) -> None:
    """An unknown backend of figures, a nonsense number of threads and no docstrings, all at once: the page is written."""
    odd = {"MPLBACKEND": "module://no_such.backend", "OMP_NUM_THREADS": "nonsense", "PYTHONOPTIMIZE": "2"}
    arguments = ["orient", str(campaign.path), "--out", str(tmp_path), "--effective", "60", "--workers", "1", "--json"]
    done = subprocess.run(
        [sys.executable, "-m", "fluxsense", *arguments],
        capture_output=True,
        text=True,
        timeout=300,
        env=os.environ | odd | {"OPENBLAS_NUM_THREADS": ""},
    )
    assert done.stderr == ""
    assert done.returncode in (0, 1)
    assert json.loads(done.stdout)["kind"] == "orientation"
    assert "<svg" not in (tmp_path / "report.html").read_text()[:100]
    assert (tmp_path / "report.html").stat().st_size > 50_000


@pytest.mark.parametrize("stream", [1, 2])
def test_a_closed_stream(stream: int, campaign: Study) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "fluxsense", "check", str(campaign.path)],
        capture_output=True,
        text=True,
        timeout=120,
        preexec_fn=lambda: os.close(stream),
    )
    assert done.returncode == 0
    assert "Traceback" not in done.stderr + done.stdout


# ---------------------------------------------------------------- the log
