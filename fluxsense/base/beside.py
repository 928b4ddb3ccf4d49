"""A second process beside this one, for work that this one need not wait for: started early, so that its imports are done in time.

Answers do not depend on whether it is there: what it is asked is computed here instead where there is none, where it died, or
where it failed (so that an error is raised where it can be handled).  It ends with this process, however that ends, and
at once when it is not wanted any more: the workers of `concurrent.futures` finish what they are at, and outlive a killed parent.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from importlib import import_module
from multiprocessing import get_context
from multiprocessing.connection import Connection
from typing import Any, ParamSpec, TypeVar, cast

from fluxsense.base.errors import FluxsenseError

P = ParamSpec("P")
R = TypeVar("R")

END_S = 2.0
"""Seconds that the second process has to end."""


def cores() -> int:
    """Cores that this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Beside:
    """One process that does one thing after the other, while this one goes on; see `beside`."""

    def __init__(self, modules: Sequence[str]) -> None:
        context = get_context("spawn")
        self._here, there = context.Pipe()
        self._process = context.Process(target=_serve, args=(there, tuple(modules)), daemon=True)
        self._process.start()
        there.close()  # so that the pipe ends with the process
        self._thread = ThreadPoolExecutor(1)

    def submit(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> Future[tuple[bool, R | None]]:
        """Ask for a call; whether it was answered, and the answer."""
        return self._thread.submit(self._asked, function, args, kwargs)

    def _asked(self, *call: object) -> tuple[bool, Any]:
        try:
            self._here.send(call)
            answered, value = self._here.recv()
        except (OSError, EOFError):  # it died
            return False, None
        return bool(answered), value

    def close(self) -> None:
        """End the process, whatever it is doing."""
        self._process.terminate()
        self._thread.shutdown()
        self._here.close()
        self._process.join(END_S)


@contextmanager
def beside(wanted: bool, modules: Sequence[str] = ()) -> Iterator[Beside | None]:
    """A second process that imports modules at once, or None if it is not wanted or cannot be started.

    Only for programs whose main module may be imported again: the process starts anew.
    """
    helper = None
    if wanted:
        with suppress(OSError):  # no more processes: the work is done here
            helper = Beside(modules)
    try:
        yield helper
    finally:
        if helper is not None:
            helper.close()


def aside(helper: Beside | None, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> Callable[[], R]:
    """Have a function called in the second process; returns what waits for its value, or computes it if there is no such process.

    Parameters
    ----------
    helper : Beside, optional
    function : callable
        Defined at the top level of a module; its value may depend on nothing but its arguments.
    *args, **kwargs
        Of the function, as they are when it is asked for.

    Returns
    -------
    callable
    """
    if helper is None:
        return lambda: function(*args, **kwargs)
    asked = helper.submit(function, *args, **kwargs)

    def value() -> R:
        answered, found = asked.result()
        return cast("R", found) if answered else function(*args, **kwargs)

    return value


def _serve(pipe: Connection, modules: Sequence[str]) -> None:
    """Answer calls until the other end of the pipe is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that asks
    for module in modules:
        with suppress(ImportError):  # whoever asks for it will say so
            import_module(module)
    while True:
        try:
            function, args, kwargs = pipe.recv()
        except (EOFError, OSError):
            return
        answer: tuple[bool, object] = (False, None)
        with suppress(FluxsenseError):  # raised again where it was asked; any other ends this process
            answer = (True, function(*args, **kwargs))
        try:
            pipe.send(answer)
        except OSError:
            return
