"""A campaign while it is measured, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from fluxsense.report.lines import size_text

CLEAR = 1e3
"""Odds beyond which they are not told exactly."""


def duration_text(seconds: float) -> str:
    """A time as hours and minutes, or minutes, or seconds."""
    if seconds >= 3600:
        return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60):02d} min"
    return f"{seconds / 60:.1f} min" if seconds >= 100 else f"{seconds:.0f} s"


def answer_line(body: Mapping[str, Any], trust: str, reasons: Sequence[str]) -> str:
    """The answer now, as one line."""
    head = f"{body['sweeps']} sweeps, {duration_text(body['busy_s'])}"
    left = f"; {len(body['left_out'])} left out" if body["left_out"] else ""
    if body["direction"] is None:
        return f"{head}: no answer yet. {' '.join(reasons)}"
    cone = next(r["cone_deg"] for r in body["region"] if abs(r["level"] - 0.9) < 1e-9)
    modes = body["modes"]
    where = " or ".join(
        f"azimuth {m['azimuth_deg']:.1f}, elevation {m['elevation_deg']:.1f}"
        + (f" ({m['weight']:.2f})" if len(modes) > 1 else "")
        for m in modes[:4]
    )
    factor = body["log_bayes_factor"]
    source = "" if factor > 10 else f", log odds of a source {factor:.1f}"
    stop = f" {body['stop']['why']}" if body["stop"] else ""
    said = "" if trust == "reliable" else f" {' '.join(reasons)}"
    return (
        f"{head}: {where}, within {cone:.3g} degrees (90%), size {size_text(body['size']['mean'], body['size']['unit'])}"
        f"{source}; {trust}{left}.{stop}{said}"
    )
