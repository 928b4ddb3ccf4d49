"""What several test files share: one simulated campaign, and what `orient` says of it."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import pickle
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")  # small matrices: on busy cores threads of the linear algebra wait for each other

import pytest  # noqa: E402
from hypothesis import settings  # noqa: E402
from small_study import small_study  # noqa: E402

from fluxsense.base.beside import beside  # noqa: E402
from fluxsense.cli import main  # noqa: E402

# a landing must not hang on the luck of the draw: fresh examples are for the people at work
settings.register_profile("ci", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("ci")


def pytest_collection_finish(session: pytest.Session) -> None:
    """Modules and tests stay to the end: looking among them for what is garbage took a tenth of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(20_000, 10, 10)


@dataclass(frozen=True)
class Outcome:
    """What a command did: exit code, standard output, standard error."""

    code: int
    out: str
    err: str


@dataclass(frozen=True)
class Asked:
    """A call that went to a second process, and its answer on the way back."""

    call: bytes

    def result(self) -> tuple[bool, object]:
        function, args, kwargs = pickle.loads(self.call)
        return True, pickle.loads(pickle.dumps(function(*args, **kwargs)))


class Here:
    """This process instead of a second one (`fluxsense.base.beside.Beside`): what it is asked goes through pickle both ways.

    Starting a process takes two seconds of imports and a page that is drawn cold, while pytest's workers keep every core busy.
    """

    def submit(self, function: Callable[..., object], *args: object, **kwargs: object) -> Asked:
        return Asked(pickle.dumps((function, args, kwargs)))


@contextlib.contextmanager
def here(wanted: bool, modules: Sequence[str] = ()) -> Iterator[Here | None]:
    """Stands in for `fluxsense.base.beside.beside`."""
    yield Here() if wanted else None


@pytest.fixture(scope="session", autouse=True)
def no_second_process() -> Iterator[None]:
    """Commands have this process to help them, but where a test says otherwise, and in processes that tests start."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("fluxsense.cli.beside", here)
        yield


def run(arguments: Sequence[object], *, second: bool = False) -> Outcome:
    """Run one command in this process; with `second` it may start the process that helps it, as a user's command does."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), pytest.MonkeyPatch.context() as patch:
        if second:
            patch.setattr("fluxsense.cli.beside", beside)
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
