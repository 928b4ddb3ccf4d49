"""Many traces on disk; imported by processes whose memory is measured, so it imports little."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from fluxsense.data.log import LogRow
from fluxsense.data.touchstone import Sweep, write_sweep


def rows_of(count: int) -> list[LogRow]:
    """Rows of a log for the files of `write_traces`: forty settings."""
    return [
        LogRow(n + 2, f"{n}.s2p", "a", True, 1, None, -60.0 - n % 40, 2e9, "in", "first", n, float(n), (0.0,))
        for n in range(count)
    ]


def write_traces(folder: Path, count: int, points: int = 201) -> list[LogRow]:
    """Files of one sweep, each with a comment of its own so that no two are copies, and their rows of a log."""
    rng = np.random.default_rng(9)
    f = np.linspace(7.0e9, 7.4e9, points)
    values = rng.normal(size=(points, 2, 2)) + 1j * rng.normal(size=(points, 2, 2))
    write_sweep(folder / "first.s2p", Sweep(f, values))
    body = (folder / "first.s2p").read_bytes()
    for n in range(count):
        (folder / f"{n}.s2p").write_bytes(b"! sweep %d\n" % n + body)
    return rows_of(count)
