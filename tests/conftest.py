"""What several test files share: one simulated campaign, and what `orient` says of it."""

from __future__ import annotations

import contextlib
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # small matrices: on busy cores threads of the linear algebra wait for each other

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402
from small_study import small_study  # noqa: E402

from fluxsense.cli import main  # noqa: E402

# a landing must not hang on the luck of the draw: fresh examples are for the people at work
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


@dataclass(frozen=True)
class Outcome:
    """What a command did: exit code, standard output, standard error."""

    code: int
    out: str
    err: str


def run(arguments: Sequence[object]) -> Outcome:
    """Run one command in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(x) for x in arguments])
    return Outcome(code, out.getvalue(), err.getvalue())


@dataclass(frozen=True)
class Measured:
    """A simulated campaign in a folder, and the outcome of `orient` on it (results in ``folder/results``)."""

    folder: Path
    outcome: Outcome


@pytest.fixture(scope="session")
def measured(tmp_path_factory: pytest.TempPathFactory) -> Measured:
    """The small study, simulated with seed 3 and inferred with seed 11 by the command line."""
    folder = tmp_path_factory.mktemp("measured")
    study = small_study(folder)
    assert run(["simulate", study.path, "--seed", 3]).code == 0
    return Measured(folder, run(["orient", study.path, "--seed", 11, "--json"]))
