"""Walks side by side, whose questions to one slow function are answered in one call.

A likelihood of few points costs nearly as much for twenty parameter sets as for eighty: ensembles that wait for each other
save most of the calls.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from queue import SimpleQueue
from threading import Thread
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Function = Callable[[FloatArray], FloatArray]
T = TypeVar("T")


class _Stopped(BaseException):
    """Ends a walk whose answer will never come."""


def in_step(walks: Sequence[Callable[[Function], T]], function: Function) -> list[T]:
    """Run walks side by side; whenever all that have not ended wait for an answer, all are answered by one call.

    Each walk runs in a thread of its own, but `function` only in the caller's.  Which questions are answered together depends
    on the walks alone, not on the clock: the n-th question of each walk goes with the n-th of the others.

    Parameters
    ----------
    walks : sequence of callable
        Each is given a function that takes (B, D) and returns (B,), and may call it any number of times.
    function : callable
        Takes (N, D), the questions of all walks one after the other, and returns (N,).

    Returns
    -------
    list
        What the walks returned.

    Raises
    ------
    BaseException
        What `function` or the first of the walks raised, or an interrupt, after all walks have ended.
    """
    asked: SimpleQueue[tuple[int, str, Any]] = SimpleQueue()
    answers: list[SimpleQueue[FloatArray | None]] = [SimpleQueue() for _ in walks]

    def run(number: int, walk: Callable[[Function], T]) -> None:
        def ask(x: FloatArray) -> FloatArray:
            asked.put((number, "asks", x))
            answer = answers[number].get()
            if answer is None:
                raise _Stopped
            return answer

        try:
            asked.put((number, "ended", walk(ask)))
        except _Stopped:
            asked.put((number, "stopped", None))
        except BaseException as error:
            asked.put((number, "failed", error))

    for number, walk in enumerate(walks):
        Thread(target=run, args=(number, walk), daemon=True).start()
    going = set(range(len(walks)))
    waiting: dict[int, FloatArray] = {}
    results: dict[int, T] = {}
    try:
        while going:
            number, what, value = asked.get()
            if what == "asks":
                waiting[number] = value
            else:
                going.discard(number)
                if what == "failed":
                    raise value
                results[number] = value
            if going and len(waiting) == len(going):
                order = sorted(waiting)
                values = function(np.concatenate([waiting[n] for n in order]))
                ends = np.cumsum([len(waiting[n]) for n in order])[:-1]
                waiting = {}
                for n, part in zip(order, np.split(values, ends), strict=True):
                    answers[n].put(part)
    except BaseException:
        while going:
            for n in going & waiting.keys():
                answers[n].put(None)
            waiting = {}
            number, what, value = asked.get()
            if what == "asks":
                waiting[number] = value
            else:
                going.discard(number)
        raise
    return [results[n] for n in range(len(walks))]
