"""What the page of an answer shows, worked out from the answer; and the page written."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import numpy.typing as npt

from fluxsense.base.beside import Beside, aside
from fluxsense.base.errors import InputError
from fluxsense.data.own_columns import OwnColumn, own_columns
from fluxsense.data.settings import setting_names
from fluxsense.device.stages import stages_of
from fluxsense.infer.counts import VoteProblem
from fluxsense.jobs.orient import Answer, Inferred, Orientation, stated_truth
from fluxsense.jobs.orient_counts import VoteAnswer
from fluxsense.model.likelihood import Family
from fluxsense.report.views import (
    Column,
    CountView,
    GroupView,
    KnownSource,
    LoopView,
    Picture,
    Shown,
    decibels,
    known_source,
    pump_words,
    reading_scale,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from fluxsense.report.documents import AnswerDocument

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

DB = 20 / np.log(10)
"""Decibels of an amplitude per neper."""
BAND_DRAWS = 120
"""Posterior draws behind the predicted bands."""
LOOP_DRAWS = 400
COUNT_DRAWS = 400
CORNER_DRAWS = 3000
CORNER_NUISANCES = 4
MOST_MODES = 9
HEAVY_MODE = 0.02


def shown(answer: Answer | Inferred, *, groups: bool = True) -> Shown:
    """All that the figures of an answer, and beside its document the page, are made of; without `groups` the map only."""
    posterior = answer.posterior
    traced = answer if groups and isinstance(answer, Orientation | Inferred) else None
    return Shown(
        study=answer.study,
        samples=posterior.directions,
        centre=posterior.direction,
        regions=tuple(posterior.regions),
        modes=tuple(m for m in posterior.groups.modes if m.weight >= HEAVY_MODE)[:MOST_MODES],
        columns=tuple(corner_columns(answer)) if groups else (),
        groups=() if traced is None else tuple(group_views(traced)),
        loops=() if traced is None else tuple(loop_views(traced)),
        counts=tuple(count_views(answer)) if isinstance(answer, VoteAnswer) else (),
        own=() if traced is None else tuple(_own(traced)),
    )


def _own(answer: Orientation | Inferred) -> list[OwnColumn]:
    """Sweeps against the laboratory's own columns; none where log and traces are no longer those of the answer."""
    with suppress(InputError):
        return own_columns(answer.study, answer.digest)
    return []


def map_figure(answer: Answer) -> Figure:
    """Where the source points: the map of the sphere, with the truth where it is known."""
    from fluxsense.report.figures import sphere_map  # matplotlib is slow to import

    return sphere_map(shown(answer, groups=False), known_source(stated_truth(answer.study)))


def drawn_aside(helper: Beside | None, found: Answer | Inferred, truth: object = None) -> Callable[[], Drawn]:
    """Have the figures of an answer drawn in a second process; returns what waits for them, or draws them here."""
    values, known = shown(found), known_source(truth)
    pictures = aside(helper, _pictures, values, known)
    return lambda: Drawn(values, known, pictures())


def _pictures(values: Shown, known: KnownSource | None) -> dict[str, Picture]:
    from fluxsense.report.pictures import answer_pictures

    return answer_pictures(values, known)


@dataclass(frozen=True)
class Drawn:
    """What a page shows beside an answer's document: values, the source behind simulated traces, figures."""

    values: Shown
    known: KnownSource | None
    pictures: Mapping[str, Picture]


def write_report(
    path: str | os.PathLike[str], answer: Answer, truth: object = None, drawn: Drawn | None = None
) -> None:
    """Write the page of an answer beside its place, then rename it, so that no reader sees half a page.

    Parameters
    ----------
    path : path-like
    answer : Answer
    truth : optional
        The source behind simulated traces, in any form that `known_source` reads; it is marked, never used.
    drawn : Drawn, optional
        What `drawn_aside` gave for the same answer and truth, if that is done already.

    Raises
    ------
    InputError
        If the truth is not a vector, or the file cannot be written; an existing file is then left as it was.
    """
    from fluxsense.report.page import write_page

    drawn = drawn or drawn_aside(None, answer, truth)()
    write_page(path, cast("AnswerDocument", answer.document), drawn.values, drawn.known, drawn.pictures)


def count_views(answer: VoteAnswer) -> list[CountView]:
    """How often the sweeps of each group went one way, against the posterior's probabilities."""
    problem = answer.posterior.problem
    x = answer.posterior.thinned(COUNT_DRAWS)
    p = problem.probabilities(x) if isinstance(problem, VoteProblem) else np.zeros((1, len(answer.votes)))
    low, high = np.quantile(p, [0.05, 0.95], axis=0)
    return [
        CountView(key, v.forward, v.count, float(low[n]), float(high[n]))
        for n, (key, v) in enumerate(answer.votes.items())
    ]


def group_views(orientation: Orientation | Inferred, draws: int = BAND_DRAWS) -> list[GroupView]:
    """Every pump-on group with what was measured and what the posterior predicts.

    Parameters
    ----------
    orientation : Orientation or Inferred
    draws : int
        Posterior draws behind the predicted bands.

    Returns
    -------
    list of GroupView
        Ordered by isolator, setting, cooldown and state.
    """
    likelihood, study = orientation.likelihood, orientation.study
    best = likelihood.predict(orientation.best_parameters)
    spread = likelihood.predict(orientation.draws(draws))
    keys = [k for f in likelihood.families for k in f.keys if k.pump_on]
    names = setting_names(study, keys)
    many = len(likelihood.cooldowns) > 1
    out = []
    left = likelihood.cleaned([f.ratio - one for f, one in zip(likelihood.families, best, strict=True)])
    for family, cleaned, one, several in zip(likelihood.families, left, best, spread, strict=True):
        residual, sd = scaled_residual(family, cleaned[0])
        measured = likelihood.unshifted(family)
        for n, key in enumerate(family.keys):
            if not key.pump_on:
                continue
            low, high = np.quantile(decibels(several[:, n]), [0.05, 0.95], axis=0)
            predicted = decibels(several[:, n, 0]) - decibels(several[:, n, 1])
            at = int(np.argmax(np.abs(np.median(predicted, axis=0))))
            q = np.quantile(predicted[:, at], [0.05, 0.5, 0.95])
            y = measured[n, :, at]
            out.append(
                GroupView(
                    key=key,
                    isolator=key.isolator,
                    setting=names[key],
                    state=key.state,
                    cooldown=key.cooldown if many else "",
                    pump=pump_words(key),
                    sweeps=orientation.digest[key].count,
                    frequency_hz=family.frequency_hz,
                    ratio=measured[n],
                    best=one[0, n],
                    sd=sd[n],
                    low_db=low,
                    high_db=high,
                    residual=residual[n],
                    at=at,
                    directionality_db=float(decibels(y[0]) - decibels(y[1])),
                    directionality_sd_db=float(
                        DB * np.sqrt(np.sum((sd[n, :, at] / np.maximum(np.abs(y), 1e-15)) ** 2))
                    ),
                    predicted_low_db=float(q[0]),
                    predicted_db=float(q[1]),
                    predicted_high_db=float(q[2]),
                )
            )
    order = [i.name for i in study.isolators]
    settings = [s.name for s in study.settings]
    states = [s.name for s in study.states]

    def rank(view: GroupView) -> tuple[int, int, str, str, int]:
        place = settings.index(view.setting) if view.setting in settings else len(settings)
        return order.index(view.isolator), place, view.setting, view.cooldown, states.index(view.state)

    return sorted(out, key=rank)


def scaled_residual(family: Family, residual: ComplexArray) -> tuple[ComplexArray, FloatArray]:
    """Scaled residuals (K, 2, F) and their scale, as `GroupView` describes them; points that are left out have none, and are at zero."""
    power = np.abs(family.ratio) ** 2
    off = 1 / np.maximum(1 / family.shared - np.sum(power * family.precision, axis=0), 1e-300)
    used = family.precision > 0
    white = np.divide(1.0, family.precision, out=np.full(family.precision.shape, np.inf), where=used)
    sd = np.sqrt(white + power * off)
    phasor = family.ratio / np.maximum(np.abs(family.ratio), 1e-300)
    return np.asarray(residual * np.conj(phasor) / sd), np.asarray(sd)


def loop_views(orientation: Orientation | Inferred, draws: int = LOOP_DRAWS) -> list[LoopView]:
    """Flux and sign of the coupling in each loop, one entry per isolator, bias, state and cooldown."""
    likelihood, study = orientation.likelihood, orientation.study
    families = likelihood.families
    fluxes = likelihood.loop_fluxes(orientation.draws(draws))
    names = setting_names(study, [k for f in families for k in f.keys if k.pump_on])
    many = len(likelihood.cooldowns) > 1
    found: dict[tuple[int, tuple[float, ...], str, int], tuple[list[str], FloatArray]] = {}
    order = [i.name for i in study.isolators]
    states = [s.name for s in study.states]
    for family, flux in zip(families, fluxes, strict=True):
        for n, key in enumerate(family.keys):
            if not key.pump_on:
                continue
            signature = (
                order.index(key.isolator),
                tuple(-x for x in key.bias_a),
                key.cooldown,
                states.index(key.state),
            )
            words, _ = found.setdefault(signature, ([], flux[:, n]))
            if names[key] not in words:
                words.append(names[key])
    out = []
    for signature in sorted(found):
        words, flux = found[signature]
        isolator = study.isolators[signature[0]]
        rings = stages_of(isolator, signature[0], study.path.name)
        sine = rings.circulating_current(rings.quarter_phases(flux))
        out.append(
            LoopView(
                isolator=isolator.name,
                setting=", ".join(words),
                state=states[signature[3]],
                cooldown=signature[2] if many else "",
                loops=(isolator.stages[0].loop, isolator.stages[1].loop),
                mean_phi0=flux.mean(axis=0),
                sd_phi0=flux.std(axis=0),
                positive=np.mean(sine > 0, axis=0),
                same=float(np.mean(np.prod(np.sign(sine), axis=1) > 0)),
            )
        )
    return out


def corner_columns(
    orientation: Answer | Inferred, nuisances: int = CORNER_NUISANCES, draws: int = CORNER_DRAWS
) -> list[Column]:
    """The source vector and the nuisances that go most with it.

    A nuisance's relevance is the largest modulus of its correlation with a component of the source, over draws on the
    heaviest mode's side, so that two opposite modes do not cancel.
    """
    names, units, values = orientation.table(draws)
    mean = orientation.posterior.direction
    near = values[values[:, :3] @ mean > 0]
    near = near if len(near) > 20 else values
    spread = near.std(axis=0)
    relevance = np.zeros(len(names))
    if np.all(np.isfinite(spread)):
        scaled = (near - near.mean(axis=0)) / np.where(spread > 0, spread, 1.0)
        relevance = np.max(np.abs(scaled[:, :3].T @ scaled / len(near)), axis=0)
    relevance[spread <= 0] = 0.0
    others = sorted(range(3, len(names)), key=lambda n: (-relevance[n], n))[:nuisances]
    size = float(np.sqrt(np.mean(np.sum(values[:, :3] ** 2, axis=1))))
    out = []
    for n in [0, 1, 2, *others]:
        factor, unit = reading_scale(units[n], size)
        column = values[:, n]
        if np.ptp(column) > 0:
            out.append(Column(names[n], unit, column * factor, factor))
    return out
