"""Work spread over any `concurrent.futures.Executor`, with results that do not depend on where it ran.

`ordered_map` calls one function on many items and yields the results in the order of the items.  What all calls share is
sent once to each worker, items travel in batches, and those of a worker that died are done again.  It makes no schedule of
its own: threads, processes, a dask cluster (`distributed.Client.get_executor`) or mpi4py's executor do that.

Three ways to hand over the shared data, by executor:

* pools that are started here (`Processes`): with the start of each process;
* a dask cluster: scattered to all workers, from where workers that join later fetch it;
* any other executor: with as many tasks as there are workers.  A worker that meets a later task without having had the
  data says so and is sent that task again, with the data.

A worker keeps the data of one map, the last.  They are pickled, by this program for its own workers: nothing that came with
a user's files is unpickled.
"""

from __future__ import annotations

import os
import pickle
import secrets
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from dataclasses import dataclass
from itertools import islice
from multiprocessing import get_context
from typing import Generic, Protocol, TypeVar, cast

from fluxsense.base.errors import FluxsenseError, InputError

S = TypeVar("S")
T = TypeVar("T")
R = TypeVar("R")

TRIES = 3
"""Workers that may die over a task before it is given up."""
AHEAD = 8
"""Batches per worker that are under way at a time; more results than those never wait for their turn."""
BATCHES_PER_WORKER = 8
LARGEST_BATCH = 64


class WorkerError(FluxsenseError):
    """Workers died over a task again and again, or cannot be replaced; the message says what to do."""


@dataclass(frozen=True)
class Processes:
    """So many processes on this machine, started for one map and started again when one of them dies.

    Attributes
    ----------
    workers : int
        At least 1.
    """

    workers: int

    def __post_init__(self) -> None:
        if self.workers < 1:
            raise InputError(f"{self.workers} processes cannot do anything", remedy="Give a number of 1 or more")


Workers = Executor | Processes
"""Where work may run."""


def ordered_map(
    function: Callable[[S, T], R],
    items: Iterable[T],
    shared: S,
    *,
    executor: Workers | None = None,
    batch: int | None = None,
    tries: int = TRIES,
) -> Iterator[R]:
    """Yield ``function(shared, item)`` for each item, in the order of the items.

    Parameters
    ----------
    function : callable
        Defined at the top level of a module, so that other processes find it.  It must not change `shared`, and its result
        may depend on nothing but its arguments: an item that needs random numbers carries its seed.
    items : iterable
    shared : object
        Sent once to each worker.
    executor : concurrent.futures.Executor or Processes, optional
        None calls the function here, one item after the other.  An executor is left running.
    batch : int, optional
        Items per task; by default an eighth of each worker's share, at most 64.
    tries : int
        A task is given up when it was under way at so many deaths of workers.

    Yields
    ------
    object
        The same, whatever the executor.

    Raises
    ------
    WorkerError
        Workers died over a task `tries` times, or a process of an executor that cannot be started again.
    Exception
        What the function raises, at the first item in order that raises it; later items are cancelled.
    """
    if batch is not None and batch < 1:
        raise InputError(f"a batch of {batch} items is none", where="batch", remedy="Give a number of 1 or more")
    if executor is None:
        return (function(shared, item) for item in items)
    crew = _crew(executor, shared)
    if batch is None:
        items = list(items)
        batch = min(LARGEST_BATCH, max(1, len(items) // (BATCHES_PER_WORKER * crew.workers)))
    return _spread(function, iter(items), crew, batch, tries)


# ---------------------------------------------------------------- in a worker

_held: tuple[str, object] = ("", None)
"""Token and shared data of the last map that this process worked for: a cache, replaced as a whole."""


@dataclass(frozen=True)
class _Missing:
    """Answer of a worker that has not had the shared data."""


def _receive(token: str, packed: bytes) -> object:
    """Keep shared data, unpacked once."""
    global _held
    held = _held
    if held[0] != token:
        held = _held = (token, pickle.loads(packed))
    return held[1]


def _work(function: Callable[[S, T], R], token: str, packed: bytes | None, items: bytes) -> list[R] | _Missing:
    """Do a batch with the data of a token, from the call or from an earlier one."""
    held = _held
    if packed is not None:
        shared = _receive(token, packed)
    elif held[0] == token:
        shared = held[1]
    else:
        return _Missing()
    return [function(cast("S", shared), item) for item in pickle.loads(items)]


def _work_here(function: Callable[[S, T], R], shared: S, items: Sequence[T]) -> list[R]:
    """Do a batch in a thread of this process."""
    return [function(shared, item) for item in items]


# ---------------------------------------------------------------- crews: how to hand over, how to replace


class _Crew(Generic[S]):
    """An executor that somebody else runs; processes of it cannot be replaced."""

    everyone = False  # whether one death ends every task under way

    def __init__(self, executor: Executor, workers: int, shared: S) -> None:
        self.executor = executor
        self.workers = max(1, workers)
        self._token = secrets.token_hex(8)
        self._packed = pickle.dumps(shared, protocol=pickle.HIGHEST_PROTOCOL)
        self._to_send = self.workers

    def submit(
        self, function: Callable[[S, T], R], items: Sequence[T], *, send: bool = False
    ) -> Future[list[R] | _Missing]:
        packed = None
        if send or self._to_send > 0:
            packed = self._packed
            self._to_send -= 1
        work = pickle.dumps(list(items), protocol=pickle.HIGHEST_PROTOCOL)
        return self.executor.submit(_work, function, self._token, packed, work)

    def renew(self, fault: BaseException) -> None:
        raise WorkerError(
            f"a worker died ({type(fault).__name__}), and this executor cannot go on without it. "
            "Give fluxsense.base.executors.Processes, which starts processes anew, or fewer workers if memory ran out."
        ) from fault

    def close(self, *, wait_for_it: bool) -> None:
        """Called once at the end."""


class _Threads(_Crew[S]):
    """Threads share what this process holds."""

    def __init__(self, executor: Executor, workers: int, shared: S) -> None:
        self.executor = executor
        self.workers = max(1, workers)
        self._shared = shared

    def submit(
        self, function: Callable[[S, T], R], items: Sequence[T], *, send: bool = False
    ) -> Future[list[R] | _Missing]:
        return self.executor.submit(_work_here, function, self._shared, items)


class _Pool(_Crew[S]):
    """Processes that are started here, with the data, and again when one of them died."""

    everyone = True

    def __init__(self, processes: Processes, shared: S) -> None:
        self._processes = processes
        self._token = secrets.token_hex(8)
        self._packed = pickle.dumps(shared, protocol=pickle.HIGHEST_PROTOCOL)
        self.workers = processes.workers
        self._to_send = 0
        self.executor = self._start()

    def _start(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            self._processes.workers,
            mp_context=get_context("spawn"),
            initializer=_receive,
            initargs=(self._token, self._packed),
        )

    def renew(self, fault: BaseException) -> None:
        self.executor.shutdown(wait=False, cancel_futures=True)
        self.executor = self._start()

    def close(self, *, wait_for_it: bool) -> None:
        self.executor.shutdown(wait=wait_for_it, cancel_futures=True)


class _Place(Protocol):
    """Where a dask cluster keeps scattered data."""

    def release(self) -> None: ...


class _Client(Protocol):
    """What is asked of a dask client."""

    def ncores(self) -> Mapping[str, int]: ...

    def scatter(self, data: list[bytes], *, broadcast: bool, hash: bool) -> Sequence[_Place]: ...


class _Dask(_Crew[S]):
    """A dask cluster: it does a dead worker's tasks again by itself; data that died with all workers are sent again."""

    def __init__(self, executor: Executor, client: _Client, shared: S) -> None:
        super().__init__(executor, sum(client.ncores().values()), shared)
        self._client = client
        self._place: _Place
        self.renew(CancelledError())

    def submit(
        self, function: Callable[[S, T], R], items: Sequence[T], *, send: bool = False
    ) -> Future[list[R] | _Missing]:
        work = pickle.dumps(list(items), protocol=pickle.HIGHEST_PROTOCOL)
        submit = cast("Callable[..., Future[list[R] | _Missing]]", self.executor.submit)
        # a key of its own: equal work of an earlier map is not taken for this one's
        return submit(_work, function, self._token, self._place, work, pure=False)

    def renew(self, fault: BaseException) -> None:
        self._place = self._client.scatter([self._packed], broadcast=True, hash=False)[0]

    def close(self, *, wait_for_it: bool) -> None:
        self._place.release()


def _crew(executor: Workers, shared: S) -> _Crew[S]:
    if isinstance(executor, Processes):
        return _Pool(executor, shared)
    client = getattr(executor, "_client", None)
    if client is not None and type(executor).__module__.partition(".")[0] == "distributed":
        return _Dask(executor, client, shared)
    workers = int(getattr(executor, "_max_workers", 0) or os.cpu_count() or 1)
    return (_Threads if isinstance(executor, ThreadPoolExecutor) else _Crew)(executor, workers, shared)


# ---------------------------------------------------------------- the map


@dataclass
class _Task(Generic[T, R]):
    items: Sequence[T]
    future: Future[list[R] | _Missing]
    result: list[R] | None = None
    fault: BaseException | None = None
    deaths: int = 0

    @property
    def open(self) -> bool:
        return self.result is None and self.fault is None


def _lost(fault: BaseException) -> bool:
    """Whether a fault means that the worker, not the work, failed."""
    return isinstance(fault, BrokenExecutor | CancelledError) or type(fault).__name__ in (
        "KilledWorker",
        "FutureCancelledError",
    )


def _submit(
    crew: _Crew[S], function: Callable[[S, T], R], items: Sequence[T], *, send: bool = False
) -> Future[list[R] | _Missing]:
    """Submit; a pool that broke in the meantime gives a future that failed, as the tasks before it did."""
    try:
        return crew.submit(function, items, send=send)
    except BrokenExecutor as fault:
        failed: Future[list[R] | _Missing] = Future()
        failed.set_exception(fault)
        return failed


def _spread(function: Callable[[S, T], R], items: Iterator[T], crew: _Crew[S], batch: int, tries: int) -> Iterator[R]:
    """Keep some batches per worker under way; yield results from the oldest on."""
    tasks: deque[_Task[T, R]] = deque()
    finished = False
    try:
        while True:
            while len(tasks) < AHEAD * crew.workers and (chunk := list(islice(items, batch))):
                tasks.append(_Task(chunk, _submit(crew, function, chunk)))
            if not tasks:
                break
            if tasks[0].fault is not None:
                raise tasks[0].fault
            wait([t.future for t in tasks if t.open], return_when=FIRST_COMPLETED)
            _collect(function, tasks, crew, tries)
            while tasks and tasks[0].result is not None:
                yield from tasks.popleft().result or ()
        finished = True
    finally:
        for task in tasks:
            task.future.cancel()
        crew.close(wait_for_it=finished)


def _collect(function: Callable[[S, T], R], tasks: Iterable[_Task[T, R]], crew: _Crew[S], tries: int) -> None:
    """Take what has come back: results, faults, requests for the data, and deaths of workers."""
    lost: list[_Task[T, R]] = []
    death: BaseException | None = None
    for task in tasks:
        if not task.open or not task.future.done():
            continue
        fault = CancelledError() if task.future.cancelled() else task.future.exception()
        if fault is None:
            answer = task.future.result()
            if isinstance(answer, _Missing):
                task.future = _submit(crew, function, task.items, send=True)
            else:
                task.result = answer
        elif _lost(fault):
            lost.append(task)
            death = fault
        else:
            task.fault = fault
    if death is None:
        return
    # One death breaks a whole pool; what it was working on then are the oldest tasks, the rest had not begun.
    suspects = lost
    if crew.everyone:
        lost = [t for t in tasks if t.open]
        suspects = lost[: crew.workers + 1]
    for task in suspects:
        task.deaths += 1
        if task.deaths >= tries:
            raise WorkerError(
                f"workers died {task.deaths} times over the same work ({type(death).__name__}). "
                "Use fewer workers if memory ran out; otherwise run it without workers to see the fault."
            ) from death
    crew.renew(death)
    for task in lost:
        task.future = _submit(crew, function, task.items)
