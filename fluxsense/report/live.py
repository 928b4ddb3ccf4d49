"""A campaign while it is measured: in words, and as a page that loads itself anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any

import numpy as np
import numpy.typing as npt

from fluxsense.report.lines import size_text


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


# ---------------------------------------------------------------- the page

REFRESH_S = 5
WIDTH, HEIGHT = 460, 240
MARGIN = 46

_STYLE = """
body { font: 15px/1.45 system-ui, sans-serif; color: #1b1f24; background: #fff; max-width: 64rem; margin: 1.5rem auto; padding: 0 1rem; }
h1 { font-size: 1.3rem; margin: 0 0 .2rem; } h2 { font-size: 1rem; margin: 1.4rem 0 .4rem; }
.answer { font-size: 1.15rem; } .reliable { color: #17642c; } .tentative { color: #8a5a00; } .unusable { color: #9c1c1c; }
.row { display: flex; flex-wrap: wrap; gap: 1.5rem; } figure { margin: 0; } figcaption { font-size: .85rem; color: #555; max-width: 460px; }
table { border-collapse: collapse; font-size: .9rem; } td, th { padding: .15rem .7rem .15rem 0; text-align: left; }
.stop { font-weight: 600; } ul { margin: .3rem 0; padding-left: 1.2rem; } text { font: 11px system-ui, sans-serif; fill: #555; }
"""


def live_page(document: Mapping[str, Any], draws: npt.ArrayLike | None) -> str:
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
    verdict = document["verdict"]
    line = answer_line(document, verdict["trust"], verdict["reasons"])
    stop = document["stop"]
    parts = [
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="{REFRESH_S}">',
        f"<title>{escape(document['title'])}</title><style>{_STYLE}</style></head><body>",
        f"<h1>{escape(document['title'])}</h1>",
        "<p>Invented: nothing here was measured.</p>" if document["invented"] else "",
        f'<p class="answer {escape(verdict["trust"])}">{escape(line)}</p>',
        f'<p class="stop">{escape(stop["why"])}</p>' if stop else "",
        _next_section(document["next"], bool(stop)),
        '<div class="row">',
        _sphere(document, draws),
        _course(document["history"], "cone_deg", "90% cone (degrees)", log=True),
        _course(document["history"], "misfit_sd", "misfit (standard deviations of chi-square)", log=False),
        "</div>",
        _noise_section(document.get("noise")),
        _list_section("Left out, unlike their repeats", document["left_out"]),
        _list_section("Named, too few repeats to leave them out", document["kept"]),
        _list_section("Listed, and not yet whole", document["waiting"]),
        _list_section("Said", document["said"]),
        "</body></html>\n",
    ]
    return "\n".join(p for p in parts if p)


def _next_section(found: Mapping[str, Any], stopped: bool) -> str:
    rows = "".join(
        f"<tr><td>{escape(s['isolator'])}</td><td>{escape(s['state'])}</td><td>{escape(_pump_text(s))}</td>"
        f"<td>{escape(_bias_text(s['bias_a']))}</td><td>{s['repeats']}</td></tr>"
        for s in found["sweeps"]
    )
    head = "<tr><th>isolator</th><th>state</th><th>pump</th><th>bias</th><th>repeats</th></tr>"
    hands = "<p>The source has to be moved by hand first.</p>" if found["by_hand"] else ""
    title = "Next, if one goes on" if stopped else "Next"
    return f"<h2>{title}</h2><p>{escape(found['why'])}</p>{hands}<table>{head}{rows}</table>"


def _pump_text(sweep: Mapping[str, Any]) -> str:
    if sweep["pump"] == "off":
        return "off"
    where = f"port {sweep['pump_port']}" if sweep["pump_port"] else f"phase {sweep['pump_phase_deg']:.1f} deg"
    return f"{where}, {sweep['pump_power_dbm']:g} dBm, {sweep['pump_frequency_hz'] / 1e9:.6f} GHz"


def _bias_text(bias: Mapping[str, float]) -> str:
    return ", ".join(f"{name} {1e3 * value:.5g} mA" for name, value in bias.items())


def _noise_section(noise: Mapping[str, Any] | None) -> str:
    if not noise or not noise["measured"]:
        return ""
    rows = "".join(
        f"<tr><td>{escape(name)}</td><td>{value:.3g}</td><td>{value / noise['stated']:.2f}</td></tr>"
        for name, value in noise["measured"].items()
    )
    head = "<tr><th>isolator</th><th>white noise of a sweep</th><th>over what the study states</th></tr>"
    return f"<h2>Noise against the prediction</h2><table>{head}{rows}</table>"


def _list_section(title: str, entries: Sequence[str]) -> str:
    if not entries:
        return ""
    return f"<h2>{title}</h2><ul>{''.join(f'<li>{escape(x)}</li>' for x in entries[:20])}</ul>"


def _sphere(document: Mapping[str, Any], draws: npt.ArrayLike | None) -> str:
    """Both halves of the sphere as seen from above and from below (Lambert's equal-area projection), with draws and cone."""
    if draws is None or document["direction"] is None:
        return ""
    radius, gap = 100.0, 20.0
    parts = []
    points = np.asarray(draws, dtype=np.float64)
    ring = _ring(np.array(document["direction"]["vector"]), _cone(document))
    for half, sign in enumerate((1.0, -1.0)):
        cx = radius + 10 + half * (2 * radius + gap)
        parts.append(f'<circle cx="{cx}" cy="{radius + 10}" r="{radius}" fill="#f5f7fa" stroke="#999"/>')
        parts.append(
            f'<text x="{cx - 40}" y="{2 * radius + 28}">{"elevation above 0" if sign > 0 else "elevation below 0"}</text>'
        )
        for vectors, colour, size in ((points, "#2f6db3", 1.6), (ring, "#c0392b", 0.9)):
            for x, y in _lambert(vectors, sign):
                parts.append(
                    f'<circle cx="{cx + radius * x:.1f}" cy="{radius + 10 - radius * y:.1f}" r="{size}" fill="{colour}" fill-opacity=".6"/>'
                )
    width = 4 * radius + gap + 20
    return (
        f'<figure><svg width="{width:.0f}" height="{2 * radius + 36:.0f}" role="img">{"".join(parts)}</svg>'
        "<figcaption>Where the source points: draws (blue) and the 90% cone about the heaviest mode (red); +x to the right, +y up."
        "</figcaption></figure>"
    )


def _cone(document: Mapping[str, Any]) -> float:
    return float(next(r["cone_deg"] for r in document["region"] if abs(r["level"] - 0.9) < 1e-9))


def _ring(centre: npt.NDArray[np.float64], half_angle_deg: float) -> npt.NDArray[np.float64]:
    """Points (180, 3) at an angle from a direction."""
    away = np.eye(3)[int(np.argmin(np.abs(centre)))]
    a = np.cross(centre, away)
    a /= np.linalg.norm(a)
    b = np.cross(centre, a)
    turn, angle = np.linspace(0, 2 * np.pi, 180)[:, None], np.radians(half_angle_deg)
    return np.asarray(np.cos(angle) * centre + np.sin(angle) * (np.cos(turn) * a + np.sin(turn) * b))


def _lambert(vectors: npt.NDArray[np.float64], sign: float) -> npt.NDArray[np.float64]:
    """Places (M, 2) in a unit disk of those directions that lie in a half, z over 0 for a sign above 0."""
    mine = vectors[sign * vectors[:, 2] >= 0]
    return np.asarray(mine[:, :2] / np.sqrt(1 + np.abs(mine[:, 2:])))


def _course(history: Sequence[Mapping[str, Any]], name: str, words: str, *, log: bool) -> str:
    """A number of the history against time."""
    pairs = [(m["busy_s"] / 3600, m[name]) for m in history if m[name] is not None]
    if len(pairs) < 2:
        return ""
    x = np.array([p[0] for p in pairs])
    y = np.array([p[1] for p in pairs], dtype=np.float64)
    shown = np.log10(np.maximum(y, 1e-3)) if log else y
    low, high = float(shown.min()), float(shown.max())
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    span = max(float(x.max() - x.min()), 1e-9)
    across = MARGIN + (x - x.min()) / span * (WIDTH - MARGIN - 10)
    down = HEIGHT - 30 - (shown - low) / (high - low) * (HEIGHT - 50)
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(across, down, strict=True))
    ends = [(10**v if log else v) for v in (low, high)]
    return (
        f'<figure><svg width="{WIDTH}" height="{HEIGHT}" role="img"><polyline points="{line}" fill="none" stroke="#2f6db3" '
        f'stroke-width="1.5"/><line x1="{MARGIN}" y1="{HEIGHT - 25}" x2="{WIDTH - 10}" y2="{HEIGHT - 25}" stroke="#999"/>'
        f'<text x="2" y="{HEIGHT - 28}">{ends[0]:.3g}</text><text x="2" y="24">{ends[1]:.3g}</text>'
        f'<text x="{MARGIN}" y="{HEIGHT - 10}">{x.min():.2f} h</text><text x="{WIDTH - 60}" y="{HEIGHT - 10}">{x.max():.2f} h</text>'
        f"</svg><figcaption>{words} against the time of the log; now {y[-1]:.3g}.</figcaption></figure>"
    )
