"""A campaign while it is measured: in words, and as a page that loads itself anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
from matplotlib.ticker import LogLocator, MaxNLocator

from fluxsense.report.lines import size_text
from fluxsense.report.page import TRUST_WORDS, filled

if TYPE_CHECKING:
    from fluxsense.report.documents import LiveBody, LiveDocument, PumpedSweep, QuietSweep

FloatArray = npt.NDArray[np.float64]


def duration_text(seconds: float) -> str:
    """A time as hours and minutes, or minutes, or seconds."""
    if seconds >= 3600:
        return f"{int(seconds // 3600)} h {int(seconds % 3600 // 60):02d} min"
    return f"{seconds / 60:.1f} min" if seconds >= 100 else f"{seconds:.0f} s"


def answer_line(body: LiveBody, trust: str, reasons: Sequence[str]) -> str:
    """The answer now, as one line."""
    stop = f" {body['stop']['why']}" if body["stop"] else ""
    said = "" if trust == "reliable" else f" {' '.join(reasons)}"
    if body["direction"] is None:
        return f"{_answer(body, trust)} {' '.join(reasons)}"
    return f"{_answer(body, trust)}{stop}{said}"


def _answer(body: LiveBody, trust: str) -> str:
    """The answer now, without reasons."""
    head = f"{body['sweeps']} sweeps, {duration_text(body['busy_s'])}"
    left = f"; {len(body['left_out'])} left out" if body["left_out"] else ""
    if body["direction"] is None:
        return f"{head}: no answer yet."
    modes = body["modes"]
    where = " or ".join(
        f"azimuth {m['azimuth_deg']:.1f}, elevation {m['elevation_deg']:.1f}"
        + (f" ({m['weight']:.2f})" if len(modes) > 1 else "")
        for m in modes[:4]
    )
    factor = body["log_bayes_factor"]
    source = "" if factor > 10 else f", log odds of a source {factor:.1f}"
    size = size_text(body["size"]["mean"], body["size"]["unit"])
    return f"{head}: {where}, within {_cone(body):.3g} degrees (90%), size {size}{source}; {trust}{left}."


# ---------------------------------------------------------------- the page

REFRESH_S: Final = 5
RADIUS: Final = 100.0
CIRCLES_DEG: Final = (30.0, 60.0)
"""Elevations of the thin circles in the discs."""
LEFT, RIGHT, TOP, BOTTOM = 56.0, 548.0, 10.0, 190.0
"""Edges of a course's frame, as in the template."""


def live_page(document: LiveDocument, draws: npt.ArrayLike | None) -> str:
    """The page of a campaign while it is measured: one file, without a server, that loads itself anew.

    Parameters
    ----------
    document : mapping
        `live.json`.
    draws : array_like (N, 3), optional
        Directions of equal weight.

    Returns
    -------
    str
        HTML; every text of the user's is escaped.
    """
    verdict, noise, found = document["verdict"], document.get("noise"), document["next"]
    lists = [
        ("Left out, unlike their repeats", document["left_out"]),
        ("Named, too few repeats to leave them out", document["kept"]),
        ("Listed, and not yet whole", document["waiting"]),
        ("Said", document["said"]),
    ]
    courses = [
        _course(document["history"], "cone_deg", "90% cone in degrees", log=True),
        _course(document["history"], "misfit_sd", "Misfit in standard deviations of chi-square", log=False),
    ]
    return filled(
        "live.html",
        d=document,
        trust_words=TRUST_WORDS[verdict["trust"]],
        answer=_answer(document, verdict["trust"]).replace("m^2", "m²"),
        said=verdict["reasons"],
        stop=document["stop"]["why"] if document["stop"] else "",
        refresh_s=REFRESH_S,
        next={
            "why": found["why"],
            "by_hand": found["by_hand"],
            "rows": [
                (s["isolator"], s["state"], _pump_text(s), _bias_text(s["bias_a"]), s["repeats"])
                for s in found["sweeps"]
            ],
        },
        discs=_discs(document, draws),
        courses=[c for c in courses if c],
        noise=[(name, f"{x:.3g}", f"{x / noise['stated']:.2f}") for name, x in noise["measured"].items()]
        if noise
        else [],
        lists=[(title, entries[:20]) for title, entries in lists if entries],
    )


def _pump_text(sweep: QuietSweep | PumpedSweep) -> str:
    if sweep["pump"] == "off":
        return "off"
    where = f"port {sweep['pump_port']}" if sweep["pump_port"] else f"phase {sweep['pump_phase_deg']:.1f} deg"
    return f"{where}, {sweep['pump_power_dbm']:g} dBm, {sweep['pump_frequency_hz'] / 1e9:.6f} GHz"


def _bias_text(bias: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {1e3 * value:.5g} mA" for name, value in bias.items())


def _discs(document: LiveBody, draws: npt.ArrayLike | None) -> list[dict[str, object]]:
    """Both halves of the sphere (Lambert's equal-area projection), with draws and cone; none before there is an answer."""
    if draws is None or document["direction"] is None:
        return []
    points = np.asarray(draws, dtype=np.float64)
    ring = _ring(np.array(document["direction"]["vector"]), _cone(document))
    circles = [f"{RADIUS * np.cos(a) / np.sqrt(1 + np.sin(a)):.1f}" for a in np.radians(CIRCLES_DEG)]
    return [
        {"words": words, "circles": circles, "draws": _lambert(points, sign), "ring": _lambert(ring, sign)}
        for words, sign in (("elevation above 0", 1.0), ("elevation below 0", -1.0))
    ]


def _cone(document: LiveBody) -> float:
    return float(next(r["cone_deg"] for r in document["region"] if abs(r["level"] - 0.9) < 1e-9))


def _ring(centre: FloatArray, half_angle_deg: float) -> FloatArray:
    """Points (180, 3) at an angle from a direction."""
    away = np.eye(3)[int(np.argmin(np.abs(centre)))]
    a = np.cross(centre, away)
    a /= np.linalg.norm(a)
    b = np.cross(centre, a)
    turn, angle = np.linspace(0, 2 * np.pi, 180)[:, None], np.radians(half_angle_deg)
    return np.asarray(np.cos(angle) * centre + np.sin(angle) * (np.cos(turn) * a + np.sin(turn) * b))


def _lambert(vectors: FloatArray, sign: float) -> list[tuple[str, str]]:
    """Places in a disc, y downwards, of those directions (N, 3) that lie in a half, z over 0 for a sign above 0."""
    mine = vectors[sign * vectors[:, 2] >= 0]
    places = RADIUS * mine[:, :2] / np.sqrt(1 + np.abs(mine[:, 2:]))
    return [(f"{x:.1f}", f"{-y:.1f}") for x, y in places]


def _course(history: Sequence[Mapping[str, Any]], name: str, words: str, *, log: bool) -> dict[str, object] | None:
    """A number of the history against time: line, ticks, words; None before there are two values."""
    pairs = [(m["busy_s"] / 3600, m[name]) for m in history if m[name] is not None]
    if len(pairs) < 2:
        return None
    x, y = np.array(pairs, dtype=np.float64).T
    scale: Callable[[FloatArray], FloatArray] = np.log10 if log else np.asarray
    y = np.maximum(y, 1e-3) if log else y
    low, high = float(y.min()), float(y.max())
    if log:
        ends = np.log10([low / 1.1, high * 1.1])
        ticks = np.asarray(LogLocator(subs=(1.0, 2.0, 5.0)).tick_values(low, high))
    else:
        room = max(0.05 * (high - low), 0.5)
        ends = np.array([low - room, high + room])
        ticks = np.asarray(MaxNLocator(4).tick_values(low, high))
    hours = x[[0, -1]] + [0.0, 1e-9]

    def across(at: FloatArray) -> FloatArray:
        return np.asarray(LEFT + (at - hours[0]) / (hours[1] - hours[0]) * (RIGHT - LEFT))

    def down(at: FloatArray) -> FloatArray:
        return np.asarray(BOTTOM - (scale(at) - ends[0]) / (ends[1] - ends[0]) * (BOTTOM - TOP))

    rows = [(float(p), f"{v:g}") for v, p in zip(ticks, down(ticks), strict=True) if TOP <= p <= BOTTOM]
    times = np.array([t for t in MaxNLocator(6).tick_values(*hours) if hours[0] <= t <= hours[1]])
    return {
        "words": words,
        "line": " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(across(x), down(y), strict=True)),
        "across": rows[:: max(1, len(rows) // 6)],
        "down": [(float(p), f"{t:g}") for t, p in zip(times, across(times), strict=True)],
        "now": f"{pairs[-1][1]:.3g}",
    }
