"""Two finished results: the same source, or has it moved? With odds, from what `orient` left of both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.findings import TRUST, Finding, Verdict
from fluxsense.base.sphere import angle_between_rad, angles_from_vector
from fluxsense.base.streams import stream
from fluxsense.detection.draws import FILE, SourceDraws, load_draws
from fluxsense.detection.overlap import (
    Overlap,
    angles_deg,
    candidate_overlap,
    direction_prior,
    overlap,
    points_of,
    turned_over,
    vector_prior,
)
from fluxsense.jobs.options import CompareSettings
from fluxsense.jobs.orient import Answer, draws_of
from fluxsense.jobs.result import Shown, plain_json, running_versions, verdict_entry
from fluxsense.report.lines import comparison_lines

LEVEL = 0.9
"""Probability that the intervals of angle and size hold."""
FEW = 200.0
"""Independent draws below which a comparison is tentative."""
ROUGH = 0.7
"""Numerical error of a log Bayes factor, a factor of two, above which it is tentative, unless it is ten times larger."""

Place = Answer | str | Path


@dataclass(frozen=True, repr=False)
class Comparison(Shown):
    """What `compare` says of two results.

    Attributes
    ----------
    document : dict
    verdict : Verdict
    """

    KIND: ClassVar[str] = "comparison"
    FORMAT: ClassVar[int] = 1

    document: dict[str, Any]
    verdict: Verdict

    def lines(self) -> list[str]:
        return comparison_lines(self.document)

    def __repr__(self) -> str:
        return f"<Comparison of two results, {self.verdict.trust}>"


def compare(first: Place, second: Place, *, seed: int = 0) -> Comparison:
    """Compare two finished results of `orient`: same source? moved? turned over?

    Parameters
    ----------
    first, second : Answer or path
        A result, the folder that `orient` wrote it to, or the study that it is of (then the folder ``results`` beside it).
    seed : int
        Of the fits and the integration.

    Returns
    -------
    Comparison

    Raises
    ------
    InputError
        A result is missing or unusable, both are of the same data, or their sources are of different kinds or were given
        different priors, so that no common source is defined.
    """
    CompareSettings(seed)
    pair = (_draws(first, "first"), _draws(second, "second"))
    _refuse_unlike(*pair)
    rng = stream(seed, "comparison of results")
    prior = pair[0].prior
    directions = [points_of(d.vectors, None) for d in pair]
    effective = (pair[0].effective, pair[1].effective)
    sized = prior.size_prior != "fixed" and prior.candidates is None
    found: dict[str, Overlap | None] = {}
    if prior.candidates is not None:
        chosen = [prior.nearest_candidate(x) for x in directions]
        found["same_direction"] = candidate_overlap(chosen[0], chosen[1], len(prior.candidates), effective)
    else:
        found["same_direction"] = overlap(directions[0], directions[1], effective, direction_prior(prior), rng)
    if sized:
        whole = [points_of(d.vectors, d.source.size) for d in pair]
        found["same_source"] = overlap(whole[0], whole[1], effective, vector_prior(prior), rng)
    if prior.candidates is None and np.all(prior.inside(-directions[1])):
        found["reversed"] = overlap(directions[0], turned_over(directions[1]), effective, direction_prior(prior), rng)
    findings = _findings(pair, found)
    verdict = Verdict.of(findings, "sound comparison")
    angles = angles_deg(directions[0], directions[1], rng)
    low, middle, high = np.quantile(angles, [(1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2])
    means = [x.mean(axis=0) for x in directions]
    body = {
        "first": _side(pair[0], means[0]),
        "second": _side(pair[1], means[1]),
        "angle": {
            "between_means_deg": float(np.degrees(angle_between_rad(means[0], means[1]))),
            "median_deg": middle,
            "low_deg": low,
            "high_deg": high,
            "level": LEVEL,
        },
        **{name: _entry(found.get(name)) for name in ("same_direction", "same_source", "reversed")},
        "size_ratio": _ratio(pair, rng) if sized else None,
    }
    document: dict[str, object] = plain_json(
        {"format": Comparison.FORMAT, "kind": Comparison.KIND, **body}
        | {"verdict": verdict_entry(verdict), "provenance": {"seed": seed, "versions": running_versions()}}
    )
    return Comparison(document, verdict)


def _draws(place: Place, which: str) -> SourceDraws:
    if isinstance(place, Answer):
        return draws_of(place)
    path = Path(place)
    folder = path / "results" if (path / "study.toml").is_file() and not (path / FILE).exists() else path
    if path.suffix == ".toml":
        folder = path.parent / "results"
    elif path.is_file():
        folder = path.parent
    if not (folder / FILE).exists():
        raise InputError(
            f"there is no {FILE}, which orient writes, so there is no {which} result to compare",
            where=str(folder),
            remedy="Run fluxsense orient, again if the result is of an earlier version, and name its folder or its study",
        )
    return load_draws(folder / FILE)


def _refuse_unlike(first: SourceDraws, second: SourceDraws) -> None:
    """Refuse results between which no common source is defined."""
    for which, d in (("first", first), ("second", second)):
        if d.trust == TRUST[-1]:
            raise InputError(
                f'the {which} result ("{d.title}") is unusable, so its draws are no posterior of the source',
                remedy="See what fluxsense orient says of it; measure again or correct the study",
            )
    a, b = first.source, second.source
    if a.kind != b.kind:
        raise InputError(
            f"the first result is of a source of the kind {a.kind}, the second of {b.kind}",
            remedy="Infer both campaigns with the same kind of source",
        )
    unlike = [
        words
        for words, x, y in (
            ("the stated size", a.size, b.size),
            ("what is known of the size", a.size_prior, b.size_prior),
            ("how well the size is known", a.size_sd, b.size_sd),
            ("the prior of the direction", a.direction, b.direction),
        )
        if x != y
    ]
    if unlike:
        raise InputError(
            f"the two results have different priors ({', '.join(unlike)})",
            remedy="Infer both campaigns with the same [source]; one source has one prior",
        )
    if first.digest_hash == second.digest_hash:
        raise InputError(
            "both results are of the same traces, which agree with themselves",
            remedy="Name results of two campaigns",
        )


def _findings(pair: tuple[SourceDraws, SourceDraws], found: Mapping[str, Overlap | None]) -> list[Finding]:
    out = [
        Finding("tentative result compared", 1, which=which)
        for which, d in zip(("first", "second"), pair, strict=True)
        if d.trust != TRUST[0]
    ]
    few = min(d.effective for d in pair)
    if few < FEW:
        out.append(Finding("few draws compared", 1, count=few))
    rough = [o for o in found.values() if o is not None and o.sd > max(ROUGH, 0.1 * abs(o.log_bayes_factor))]
    if rough:
        out.append(Finding("rough comparison", 1, sd=max(o.sd for o in rough)))
    return out


def _side(draws: SourceDraws, mean: npt.NDArray[np.float64]) -> dict[str, object]:
    azimuth, elevation = angles_from_vector(mean)
    sizes = np.sqrt(np.sum(draws.vectors**2, axis=1))
    return {
        "title": draws.title,
        "trust": draws.trust,
        "azimuth_deg": float(np.degrees(azimuth)),
        "elevation_deg": float(np.degrees(elevation)),
        "size": {"mean": sizes.mean(), "sd": sizes.std(), "unit": draws.unit},
        "effective_samples": draws.effective,
        "study_hash": draws.study_hash,
        "digest_hash": draws.digest_hash,
    }


def _entry(found: Overlap | None) -> dict[str, object] | None:
    """A Bayes factor with what it gives at even prior odds."""
    if found is None:
        return None
    return {
        "log_bayes_factor": found.log_bayes_factor,
        "sd": found.sd,
        "probability": float(1 / (1 + np.exp(-np.clip(found.log_bayes_factor, -700, 700)))),
        "extrapolated": found.extrapolated,
    }


def _ratio(pair: tuple[SourceDraws, SourceDraws], rng: np.random.Generator) -> dict[str, float]:
    """The second size over the first, from random pairs of draws."""
    one, two = (np.sqrt(np.sum(d.vectors**2, axis=1))[rng.integers(len(d.vectors), size=20_000)] for d in pair)
    low, middle, high = np.quantile(two / np.maximum(one, 1e-300), [(1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2])
    return {"median": float(middle), "low": float(low), "high": float(high), "level": LEVEL}
