"""What a planned experiment cannot tell apart, as findings and as a map over the sphere.

For a true direction, every other direction u is tried as an explanation of the noiseless traces: its size and all
nuisances are fitted (Gauss and Newton on the model's traces themselves, noise as in `sensitivity`), and half of what
remains of chi squared and prior is the expected log odds of the truth against u.  Where it is small, u would do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.findings import Finding
from fluxsense.base.sphere import angle_between_rad, equal_area_points
from fluxsense.design.sensitivity import (
    Experiment,
    block_slopes,
    flux_chain,
    planned_experiment,
    points_at,
    predict,
    seen,
)
from fluxsense.design.timeline import gathered
from fluxsense.device.chip import mutual_matrix_phi0_per_a
from fluxsense.infer.budget import flux_map_rank, rank_findings, reference_findings, zero_bias_findings
from fluxsense.study import BiasLine, Chip, Setting, State, Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

COUNT_STARTS = (1.0, 0.3, 0.05)
"""Sizes, in true ones, from which the fit of directions starts: far from a flip they have no slope that would lead to it."""
DOUBTFUL_LOG_ODDS = 3.0
"""Expected log odds (20 to 1) below which two directions count as not told apart."""


@dataclass(frozen=True)
class AmbiguityMap:
    """Expected log odds of a true direction against others.

    Attributes
    ----------
    truth : ndarray (3,)
    directions : ndarray (M, 3)
    log_odds : ndarray (M,)
    """

    truth: FloatArray
    directions: FloatArray
    log_odds: FloatArray

    def rivals(self, least_angle_deg: float = 20.0) -> list[tuple[FloatArray, float]]:
        """Directions well apart from the truth and from each other that are not told from it, the most likely first."""
        found: list[tuple[FloatArray, float]] = []
        away = np.degrees(angle_between_rad(self.directions, self.truth)) > least_angle_deg
        for n in np.argsort(self.log_odds):
            if self.log_odds[n] >= DOUBTFUL_LOG_ODDS:
                break
            if away[n] and all(
                np.degrees(angle_between_rad(self.directions[n], v)) > least_angle_deg for v, _ in found
            ):
                found.append((self.directions[n], float(self.log_odds[n])))
        return found


def log_odds_against(
    experiment: Experiment, truth: npt.ArrayLike, others: npt.ArrayLike, *, size: float = 1.0, steps: int = 5
) -> FloatArray:
    """Expected log odds of a true direction against others, sizes and nuisances of those fitted.

    Parameters
    ----------
    experiment : Experiment
    truth : array_like (3,)
    others : array_like (M, 3)
    size : float
        True size in units of the stated one.
    steps : int
        Gauss-Newton steps; a step that does not improve is halved.

    Returns
    -------
    ndarray (M,)
    """
    unknowns = experiment.unknowns
    x0 = points_at(unknowns, [np.asarray(truth, dtype=np.float64)], size)
    # the truth stands among the alternatives: its own best fit, drawn to the prior's mean size, is what others are held to
    x = points_at(unknowns, np.concatenate([np.atleast_2d(others), x0[:, :3]]), size)
    true_traces = _traces(experiment, x0)
    starts = COUNT_STARTS if experiment.study.data.of_counts else (1.0,)
    best = np.min([_least_mismatch(experiment, _at_size(x, s), true_traces, steps) for s in starts], axis=0)
    return np.asarray(np.maximum(best[:-1] - best[-1], 0.0))


def _at_size(x: FloatArray, factor: float) -> FloatArray:
    out = x.copy()
    out[:, :3] *= factor
    return out


def _least_mismatch(experiment: Experiment, x: FloatArray, truth: list[ComplexArray], steps: int) -> FloatArray:
    """Least mismatch (B,) with true traces that a descent from x (B, D) finds, directions held."""
    unit = x[:, :3] / np.linalg.norm(x[:, :3], axis=1, keepdims=True)
    best, gradient, matrix = _mismatch(experiment, x, unit, truth)
    damping = np.full(x.shape[0], 1e-3)
    for _ in range(steps):
        scale = np.einsum("bii->bi", matrix)
        step = np.linalg.solve(
            matrix + damping[:, None, None] * np.einsum("bi,ij->bij", scale, np.eye(scale.shape[1])),
            gradient[..., None],
        )[..., 0]
        tried = x.copy()
        r = np.einsum("bi,bi->b", x[:, :3], unit)
        r = np.clip(r + step[:, 0], 0.02 * r, None)
        tried[:, :3] = r[:, None] * unit
        tried[:, 3:] += np.clip(step[:, 1:], -2.0, 2.0)
        value, g, m = _mismatch(experiment, tried, unit, truth)
        better = value < best
        x[better], best[better], gradient[better], matrix[better] = tried[better], value[better], g[better], m[better]
        damping = np.where(better, 0.2 * damping, 10 * damping)
    return best


def _prior(experiment: Experiment, x: FloatArray) -> FloatArray:
    """Minus the log prior up to a constant that directions and nuisances share, (B,).

    The direction's density and the volume factor of its size do not count: alternatives are compared as hypotheses about
    the direction with the same prior for each.
    """
    return np.asarray(0.5 * np.sum(x[:, 3:] ** 2, axis=1) + _size_cost(experiment, np.linalg.norm(x[:, :3], axis=1)))


def _size_cost(experiment: Experiment, r: FloatArray) -> FloatArray:
    prior = experiment.unknowns.source_prior
    if prior.size_prior == "scale":
        return np.asarray(1.5 * r * r)
    return np.asarray(0.5 * ((r - 1) / prior.radial_sd) ** 2)


def _traces(experiment: Experiment, x: FloatArray) -> list[ComplexArray]:
    """Scattering parameters (1, P, 2, F) of each block at one point."""
    unknowns = experiment.unknowns
    parameters = unknowns.parameters(x)
    chain = flux_chain(experiment.benches[0].model, unknowns, x, parameters)
    return [seen(experiment, block, parameters, chain)[0] for block in experiment.blocks]


def _mismatch(
    experiment: Experiment, x: FloatArray, unit: FloatArray, truth: list[ComplexArray]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Half chi squared plus prior (B,), its downhill gradient (B, 1 + N) and curvature for size and nuisances."""
    unknowns = experiment.unknowns
    parameters = unknowns.parameters(x)
    chain = flux_chain(experiment.benches[0].model, unknowns, x, parameters)
    count = unknowns.size - 2
    parts = []
    for number, (block, target) in enumerate(zip(experiment.blocks, truth, strict=True)):
        s, slopes = seen(experiment, block, parameters, chain)
        apart = experiment.apart(target, s)
        more = np.concatenate([slopes, apart], axis=1)
        inside = experiment.regress(block, s, more).information
        local = block_slopes(experiment, number, chain)
        amplitudes = local.shape[2] - unknowns.size
        misfits, n = apart.shape[1], local.shape[1]
        jacobian = np.zeros((x.shape[0], n + misfits, count + misfits + amplitudes))
        jacobian[:, :n, 0] = np.einsum("bnk,bk->bn", local[:, :, :3], unit)
        jacobian[:, :n, 1:count] = local[:, :, 3 : unknowns.size]
        jacobian[:, n:, count : count + misfits] = np.eye(misfits)
        jacobian[:, :n, count + misfits :] = local[:, :, unknowns.size :]
        parts.append((experiment.benches[block.bench].isolator, inside, jacobian))
    gram = gathered(parts, experiment.slow is not None, count + misfits)[0]
    r = np.einsum("bi,bi->b", x[:, :3], unit)
    prior = unknowns.source_prior
    scale = prior.size_prior == "scale"
    bend = 3.0 if scale else 1 / prior.radial_sd**2
    pull = -3.0 * r if scale else -(r - 1) * bend
    matrix = gram[:, :count, :count] + np.diag([bend] + [1.0] * (count - 1))
    gradient = gram[:, :count, count] + np.concatenate([pull[:, None], -x[:, 3:]], axis=1)
    return 0.5 * gram[:, -1, -1] + _prior(experiment, x), gradient, matrix


def ambiguity_map(experiment: Experiment, truth: npt.ArrayLike, *, points: int = 162) -> AmbiguityMap:
    """Expected log odds of a true direction against evenly spread ones, its reverse and its mirror images among them."""
    v = np.asarray(truth, dtype=np.float64)
    v = v / np.linalg.norm(v)
    images = np.array([-v, v * [1, 1, -1], v * [-1, -1, 1], v * [-1, 1, 1], v * [1, -1, 1]])
    directions = np.concatenate([np.asarray(equal_area_points(points)), images])
    return AmbiguityMap(v, directions, log_odds_against(experiment, v, directions))


def information_finding(experiment: Experiment, truth: npt.ArrayLike) -> Finding:
    """Which direction of the source vector the experiment determines best and worst, with both errors relative to the size."""
    x = points_at(experiment.unknowns, [np.asarray(truth, dtype=np.float64)])
    covariance = predict(experiment, x).source_covariance()[0]
    values, vectors = np.linalg.eigh(covariance)
    best, worst = (tuple(float(c) for c in vectors[:, k]) for k in (0, 2))
    percent = 100 * np.sqrt(values)
    return Finding(
        "determined", best=best, best_percent=float(percent[0]), worst=worst, worst_percent=float(percent[2])
    )


def _image_words(truth: FloatArray, rival: FloatArray) -> str:
    """What a rival is to the truth."""
    images = (
        (-truth, "its reverse"),
        (truth * [1, 1, -1], "its mirror image in the xy plane"),
        (truth * [-1, -1, 1], "itself turned by half a turn about z"),
        (truth * [-1, 1, 1], "its mirror image in the yz plane"),
        (truth * [1, -1, 1], "its mirror image in the xz plane"),
    )
    for image, words in images:
        if np.degrees(angle_between_rad(rival, image)) < 8.0:
            return words
    azimuth = np.degrees(np.arctan2(rival[1], rival[0]))
    return f"the direction of azimuth {azimuth:.0f} and elevation {np.degrees(np.arcsin(np.clip(rival[2], -1, 1))):.0f} degrees"


@dataclass(frozen=True)
class Remedy:
    """Something added to an experiment, and the log odds of truth against a rival that it would give."""

    words: str
    log_odds: float


def remedies(study: Study, truth: FloatArray, rival: FloatArray) -> list[Remedy]:
    """What would tell a rival from the truth: added settings, states and a loop, each tried on the model; best first."""
    tried: list[tuple[str, Study]] = []
    first = study.settings[0]
    matrix = mutual_matrix_phi0_per_a(study)
    for signs, words in (
        ((0.5, 0.5), "a bias of half a flux quantum in every loop"),
        (
            (0.5, -0.5),
            "a bias of plus half a flux quantum in the first loop of each isolator and minus half in the second",
        ),
    ):
        target = np.zeros(len(study.loops))
        for iso in study.isolators:
            for stage, value in zip(iso.stages, signs, strict=True):
                target[[x.name for x in study.loops].index(stage.loop)] = value
        if matrix.shape[1] == 0:
            continue
        current, *_ = np.linalg.lstsq(matrix, target, rcond=None)
        limit = np.array([b.limit_a for b in study.bias_lines])
        if np.all(np.abs(current) <= limit) and np.abs(matrix @ current - target).max() < 0.05:
            bias = tuple(float(v) for v in current)
            added = Setting("added", tuple(i.name for i in study.isolators), bias, 1, None, first.pump_power_w, None)
            tried.append((f"a setting with {words}", replace(study, settings=(*study.settings, added))))
    if first.pump_port is not None:
        other = replace(first, name="added", pump_port=3 - first.pump_port)
        tried.append(("a setting with the pump at the other port", replace(study, settings=(*study.settings, other))))
    used = {s.kind for s in study.states if s.name in study.plan.states}
    turns = (
        ("half a turn about z", ((-1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0))),
        ("a quarter turn about x", ((1.0, 0.0, 0.0), (0.0, 0.0, -1.0), (0.0, 1.0, 0.0))),
    )
    for words, rotation in turns:
        tried.append(
            (f"sweeps with the source turned by {words}", _with_state(study, State("added", "turned", rotation)))
        )
    if "out" not in used:
        tried.append(("sweeps with the source out", _with_state(study, State("added", "out"))))
    tried.append(("an isolator like the first on a chip at a right angle", with_upright_isolator(study)))
    out = []
    for words, changed in tried:
        experiment = planned_experiment(changed, most_points=15)
        out.append(Remedy(words, float(log_odds_against(experiment, truth, rival[None])[0])))
    return sorted(out, key=lambda r: -r.log_odds)


def _with_state(study: Study, state: State) -> Study:
    plan = replace(study.plan, states=(*study.plan.states, state.name))
    return replace(study, states=(*study.states, replace(state, unstated_exact=study.unstated_exact)), plan=plan)


def with_upright_isolator(study: Study) -> Study:
    """The study with a copy of its first isolator, its loops carried to a chip whose normal lies in the first one's plane."""
    iso = study.isolators[0]
    base = study.chips[0]
    nx, ny, nz = (float(v) for v in np.cross(base.x_axis, base.y_axis))
    upright = Chip("added", base.origin_m, base.y_axis, (nx, ny, nz))
    loops, lines, stages = list(study.loops), list(study.bias_lines), []
    currents: list[tuple[float, ...]] = [s.bias_a for s in study.settings]
    matrix = mutual_matrix_phi0_per_a(study)
    for stage in iso.stages:
        n = [x.name for x in study.loops].index(stage.loop)
        name = f"added_{stage.loop}"[:48]
        loops.append(replace(study.loops[n], name=name, chip="added"))
        lines.append(BiasLine(name, 1.0, ((name, 1000.0),)))
        flux = [float(matrix[n] @ np.array(s.bias_a)) for s in study.settings]
        currents = [(*c, 1e-3 * v) for c, v in zip(currents, flux, strict=True)]
        stages.append(replace(stage, loop=name))
    added = replace(iso, name="added", stages=(stages[0], stages[1]))
    settings = tuple(
        replace(s, bias_a=c, isolators=(*s.isolators, "added")) for s, c in zip(study.settings, currents, strict=True)
    )
    return replace(
        study, chips=(*study.chips, upright), loops=tuple(loops), bias_lines=tuple(lines),
        isolators=(*study.isolators, added), settings=settings,
    )  # fmt: skip


def ambiguity_findings(study: Study, truths: Sequence[FloatArray] | None = None, *, points: int = 92) -> list[Finding]:
    """What the planned experiment cannot tell apart, with what would; empty if nothing was found.

    Parameters
    ----------
    study : Study
    truths : sequence of ndarray (3,), optional
        Directions to try as the truth; two general ones by default.
    points : int
        Directions of each map.
    """
    found = rank_findings(study)
    found += reference_findings(study, study.plan.states)
    found += zero_bias_findings(study, [s.bias_a for s in study.settings])
    if flux_map_rank(study).rank == 0:
        return found
    found += _coplanar_findings(study)
    experiment = planned_experiment(study, most_points=15)
    if truths is None and study.source.direction.candidates:
        return found + _candidate_findings(study, experiment)
    chosen = [np.array([0.48, 0.62, 0.62]), np.array([-0.80, 0.36, -0.48])] if truths is None else list(truths)
    seen: set[str] = set()
    for truth in chosen:
        truth = np.asarray(truth) / np.linalg.norm(truth)
        rivals = ambiguity_map(experiment, truth, points=points).rivals()
        if len(rivals) > 4:
            text = "a whole range of directions"
        elif rivals:
            text = " and ".join(_image_words(truth, v) for v, _ in rivals[:2])
        else:
            continue
        if text in seen:
            continue
        seen.add(text)
        rival, odds = rivals[0]
        vector = tuple(float(c) for c in truth)
        found.append(
            _not_told("not told apart", study, (truth, rival), odds).more("not told apart", truth=vector, image=text)
        )
    return found


def _not_told(code: str, study: Study, pair: tuple[FloatArray, FloatArray], odds: float) -> Finding:
    """That a truth and its rival are not told apart, with the remedies that would be enough."""
    enough = [c for c in remedies(study, *pair) if c.log_odds >= DOUBTFUL_LOG_ODDS][:3]
    listed = tuple(f"{c.words} (log odds {c.log_odds:.3g})" for c in enough)
    return Finding(code, log_odds=odds, enough=DOUBTFUL_LOG_ODDS, remedies=listed)


def _candidate_findings(study: Study, experiment: Experiment) -> list[Finding]:
    """Each pair of listed candidates that would not be told apart."""
    found = []
    candidates = np.array(study.source.direction.candidates)
    for n, truth in enumerate(candidates[:-1]):
        for m, odds in enumerate(log_odds_against(experiment, truth, candidates[n + 1 :]), n + 1):
            if odds < DOUBTFUL_LOG_ODDS:
                one = _not_told("candidates not told apart", study, (truth, candidates[m]), float(odds))
                found.append(one.more(one.code, first=n + 1, second=m + 1))
    return found


def _coplanar_findings(study: Study) -> list[Finding]:
    """That all loops lie in one plane that holds the dipole; empty if not."""
    if not study.source.has_position:
        return []
    from fluxsense.device.chip import loop_outlines_m

    corners = np.concatenate([np.asarray(o) for o in loop_outlines_m(study)] + [np.array([study.source.position_m])])
    spread = np.linalg.svd(corners - corners.mean(axis=0), compute_uv=False)
    return [] if spread[-1] > 1e-6 * spread[0] else [Finding("dipole in the loops' plane")]
