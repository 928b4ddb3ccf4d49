"""Functions that the tests of `fluxsense.base.executors` and `fluxsense.base.beside` run in other processes."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any

import numpy as np

from fluxsense.base.errors import InputError


class Counted:
    """Shared data that leave a file for each time they are unpacked."""

    def __init__(self, folder: Path, values: np.ndarray) -> None:
        self.folder = folder
        self.values = values

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        (self.folder / f"unpacked-{os.getpid()}-{time.monotonic_ns()}").touch()


def draw(shared: Counted, seed: int) -> tuple[float, int]:
    """A number that depends on the shared data and on the item's own seed, and the process that found it."""
    rng = np.random.default_rng(seed)
    return float(shared.values @ rng.standard_normal(shared.values.size)), os.getpid()


def slow_draw(shared: Counted, seed: int) -> tuple[float, int]:
    """The same, in no hurry."""
    time.sleep(0.02)
    return draw(shared, seed)


def deadly_draw(shared: Counted, seed: int) -> tuple[float, int]:
    """The same; whoever comes first to item 5 dies."""
    if seed == 5:
        try:
            with (shared.folder / "died").open("x") as file:
                file.write(str(os.getpid()))
        except FileExistsError:
            pass
        else:
            os.kill(os.getpid(), signal.SIGKILL)
    return slow_draw(shared, seed)


def always_deadly(shared: Counted, seed: int) -> tuple[float, int]:
    """Whoever comes to item 5 dies."""
    if seed == 5:
        os.kill(os.getpid(), signal.SIGKILL)
    return draw(shared, seed)


def refuse(shared: Any, item: int) -> int:
    """Refuse items 7 and 9, the later one at once."""
    if item == 7:
        time.sleep(0.1)
    if item in (7, 9):
        raise ValueError(f"item {item}")
    return item


def shifted(by: float, item: int) -> float:
    """A number that depends on nothing else."""
    return float(np.random.default_rng(item).standard_normal() + by)


def refuses(_: object, item: int) -> int:
    """What a program says to its user."""
    raise InputError(f"item {item} is refused")


def dies_elsewhere(home: int, item: int) -> int:
    """The item in the process of that number; any other dies."""
    if os.getpid() != home:
        os.kill(os.getpid(), signal.SIGKILL)
    return item
