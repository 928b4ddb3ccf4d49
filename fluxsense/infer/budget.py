"""What limits the answer, and what cannot be told apart: statements with numbers, for `check`, `orient` and the report.

Angular errors here are those of the local normal approximation: root mean square angle between the true direction and
the estimate, sqrt(trace) of the direction's 2-by-2 covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.findings import Finding
from fluxsense.base.sphere import direction_error_rad
from fluxsense.data.digest import Digest, GroupKey, GroupStats
from fluxsense.device.chip import mutual_matrix_phi0_per_a, source_extent_m, study_flux_map
from fluxsense.device.rings import ring_kind
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.model.problem import CampaignProblem, Problem, curvature
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import State, Study

FloatArray = npt.NDArray[np.float64]

RANK_TOLERANCE = 1e-3
"""Singular values of the flux map below this share of the largest count as zero."""


@dataclass(frozen=True)
class Rank:
    """Singular values of the flux map, its rank and the direction of each.

    Attributes
    ----------
    rank : int
    singular_phi0 : ndarray (3,)
        For a source of the stated size.
    directions : ndarray (3, 3)
        Row k is the source direction that belongs to singular value k.
    """

    rank: int
    singular_phi0: FloatArray
    directions: FloatArray


def flux_map_rank(study: Study) -> Rank:
    """Rank of the flux map of the loops that belong to isolators, at the source's central position."""
    names = {s.loop for i in study.isolators for s in i.stages}
    used = [n for n, x in enumerate(study.loops) if x.name in names]
    rows = study_flux_map(study)[used] * study.source.size
    rotations = [np.array(s.rotation) for s in study.states if s.kind in ("in", "turned")] or [np.eye(3)]
    stacked = np.concatenate([rows @ r for r in rotations])
    _, values, directions = np.linalg.svd(stacked, full_matrices=True)
    full = np.zeros(3)
    full[: len(values)] = values
    rank = int(np.sum(full > RANK_TOLERANCE * full[0])) if full[0] > 0 else 0
    return Rank(rank, full, directions)


def rank_findings(study: Study) -> list[Finding]:
    """What the loops' geometry leaves undetermined; empty if nothing."""
    rank = flux_map_rank(study)
    noun = study.source.dimension
    if rank.rank == 3:
        return []
    if rank.rank == 0:
        return [Finding("rank zero", noun=noun)]
    code, row = ("rank one", 0) if rank.rank == 1 else ("rank two", 2)
    return [Finding(code, noun=noun, axis=tuple(float(x) for x in rank.directions[row]))]


def reference_findings(study: Study, states: Sequence[str]) -> list[Finding]:
    """That no state among those named can separate the loops' flux offsets from the source's flux, or all of it; empty if one can."""
    kinds = {s.name: s.kind for s in study.states}
    present = {kinds[s] for s in states}
    worst = max((x.offset_sd_phi0 for x in study.loops), default=0.0)
    if "out" in present or not worst > 0:
        return []
    if "turned" in present:
        return (
            [] if "calibration" in present else [Finding("turns alone", states=tuple(states), offset_mphi0=1e3 * worst)]
        )
    blur, flux = offset_blur(study)
    return [Finding("no reference", offset_mphi0=1e3 * worst, flux_mphi0=1e3 * flux, blur_deg=blur)]


def extent_findings(study: Study) -> list[Finding]:
    """That nothing is said of how far the source reaches across, and what is taken instead; empty for any other source."""
    if study.source.extent_m is not None or not source_extent_m(study) > 0:
        return []
    return [Finding("extent unstated", extent_um=1e6 * source_extent_m(study))]


def offset_blur(study: Study) -> tuple[float, float]:
    """Angular error in degrees that unreferenced offsets alone leave, and the source's rms flux per loop in Phi0.

    Linear estimate: fluxes of all loops of isolators measured without error but for offsets of the stated standard
    deviations, a source of the stated size in a random direction with the prior's width on its components, at its
    central position.  Capped at 90 degrees, beyond which a direction is unknown anyway.
    """
    names = {s.loop for i in study.isolators for s in i.stages}
    used = [n for n, x in enumerate(study.loops) if x.name in names]
    rows = study_flux_map(study)[used] * study.source.size
    sd = np.array([max(study.loops[n].offset_sd_phi0, 1e-6) for n in used])
    covariance = np.linalg.inv((rows / sd[:, None] ** 2).T @ rows + 3 * np.eye(3))
    # tangential part of the error of a unit vector, averaged over its directions: two thirds of the trace
    blur = np.degrees(np.sqrt(2 / 3 * np.trace(covariance)))
    return float(min(blur, 90.0)), float(np.sqrt(np.mean(np.sum(rows**2, axis=1)) / 3))


def zero_bias_findings(study: Study, bias_a: Sequence[Sequence[float]]) -> list[Finding]:
    """That every bias used leaves every loop at zero flux, so that a source and its reverse look the same; else empty."""
    matrix = mutual_matrix_phi0_per_a(study)
    offsets = np.array([x.offset_phi0 for x in study.loops])
    fluxes = [matrix @ np.array(b) + offsets for b in bias_a] or [offsets]
    names = {s.loop for i in study.isolators for s in i.stages}
    used = [n for n, x in enumerate(study.loops) if x.name in names]
    at_zero = np.max(np.abs(np.array(fluxes)[:, used]), initial=0.0) <= 1e-6
    return [Finding("zero bias")] if at_zero else []


def flip_findings(study: Study) -> list[Finding]:
    """That rings flip from one branch to the next within the flux that they may see, which makes the search long; else empty."""
    loops = tuple(s.loop for i in study.isolators for s in i.stages if ring_kind(s.ring).latches and s.branch is None)
    return [Finding("rings that flip", of_loops=loops)] if loops and not study.data.of_counts else []


# ---------------------------------------------------------------- local errors


@dataclass(frozen=True)
class Limit:
    """The angular error if one kind of nuisance were known exactly."""

    kind: str
    error_if_known_deg: float


def _inverse(matrix: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.inv(matrix), dtype=np.float64)


def _error_rad(x: FloatArray, covariance: FloatArray) -> float:
    """Angular error of the source, the first three of the unknowns x (D,), for their covariance (D, D)."""
    return float(direction_error_rad(x[:3], covariance[:3, :3]))


def information_at(problem: Problem, x: FloatArray) -> FloatArray:
    """Information plus prior curvature (D, D) at x, for offsets as they are (not sheared)."""
    _, _, information = curvature(problem, x)
    matrix = information + problem.unknowns.prior_curvature(x)[1]
    back = np.linalg.inv(problem.unknowns.natural_jacobian(x))
    return np.asarray(back.T @ matrix @ back)


def limits(problem: Problem, x: FloatArray) -> tuple[float, list[Limit]]:
    """Angular error at x in degrees, and what it would be with each kind of nuisance, or of what was learned, known exactly.

    Parameters
    ----------
    problem : Problem
    x : ndarray (D,)

    Returns
    -------
    float
    list of Limit
        The kind that costs most first.
    """
    unknowns: Unknowns = problem.unknowns
    if unknowns.source_prior.candidates is not None:  # a choice among a few directions has no angular error
        return float("nan"), []
    matrix = information_at(problem, x)
    now = np.degrees(_error_rad(x, _inverse(matrix)))
    kinds = list(dict.fromkeys(n.group for n in unknowns.nuisances))
    out = []
    for kind in kinds:
        keep = [0, 1, 2] + [3 + n for n, nuisance in enumerate(unknowns.nuisances) if nuisance.group != kind]
        known = _inverse(matrix[np.ix_(keep, keep)])
        out.append(Limit(kind, float(np.degrees(_error_rad(x, known)))))
    if isinstance(problem, CampaignProblem):
        out += _integrated_limits(problem, x, now)
    out.sort(key=lambda limit: limit.error_if_known_deg)
    return float(now), out


LEARNED: Final = {
    "remainder": ("common", "own"),
    "drift": ("flux_walk_phi0", "gain_walk", "flux_noise_phi0", "flux_flicker_phi0"),
}
"""Kinds of what no study can state, and the sizes learned of them."""


def _integrated_limits(problem: CampaignProblem, x: FloatArray, now: float) -> list[Limit]:
    """The angular error, now so many degrees, without what was learned of the remainder and of drift, and with each kind of what
    the likelihood eliminates known exactly; on a part of the sweep."""
    thin = problem.likelihood.on_points(every_few)

    def error(likelihood: RatioLikelihood) -> float:
        there = CampaignProblem(problem.unknowns, likelihood)
        return _error_rad(x, _inverse(information_at(there, x)))

    whole = error(thin)
    sampled = {n.group for n in problem.unknowns.nuisances}
    kinds = dict.fromkeys(p.group for own in thin.eliminated.values() for p in own if p.group not in sampled)
    out = [Limit(kind, now * error(thin.rebuilt(known=(kind,))) / whole) for kind in kinds]
    for kind, names in LEARNED.items():
        if any(getattr(thin.sizes, n) > 0 for n in names):
            quiet = thin.sizes.changed(dict.fromkeys(names, 0.0))
            out.append(Limit(kind, now * error(thin.rebuilt(sizes=quiet)) / whole))
    return out


def with_reference_sweeps(
    study: Study, digest: Digest, likelihood: RatioLikelihood, x: FloatArray, unknowns: Unknowns
) -> tuple[Study, Digest]:
    """The same campaign with as many sweeps again taken with the source out, as the model predicts them.

    Only for working out what such sweeps would have given; the added means are predictions, not data.
    """
    name = next((s.name for s in study.states if s.kind == "out"), "out")
    states = study.states if any(s.name == name for s in study.states) else (*study.states, State(name, "out"))
    wider = replace(study, states=states)
    groups: dict[GroupKey, GroupStats] = dict(digest.items())
    for key, stats in digest.items():
        moved = replace(key, state=name)
        if moved not in groups:
            groups[moved] = stats
    grown = Digest(groups)
    quiet = unknowns.parameters(x[None])
    # means only set the noise's scale and directions here; replace the ratios by predictions for consistency
    model = _for(likelihood, wider, grown)
    predicted = dict(grown.items())
    for family, ratio in zip(model.families, model.predict(quiet), strict=True):
        for n, key in enumerate(family.keys):
            if key in digest:
                continue
            off = grown[family.divisor].mean
            mean = np.array(grown[key].mean)
            mean[1], mean[2] = ratio[0, n, 0] * off[1], ratio[0, n, 1] * off[2]
            predicted[key] = replace(grown[key], mean=mean)
    return wider, Digest(predicted)


def _for(likelihood: RatioLikelihood, study: Study, digest: Digest) -> RatioLikelihood:
    """A likelihood with the same noise and reference point for more sweeps."""
    return RatioLikelihood(
        study,
        digest,
        likelihood.port_signs,
        residual_gain=likelihood.residual_gain,
        sizes=likelihood.sizes,
        reference=likelihood.reference,
        noise=likelihood.noise_for(digest),
    )


def error_with_reference_deg(problem: CampaignProblem, x: FloatArray) -> float:
    """Angular error that the campaign would have had with as many source-out sweeps added, in degrees."""
    if problem.unknowns.source_prior.candidates is not None:
        return float("nan")
    likelihood, unknowns = problem.likelihood, problem.unknowns
    wider, grown = with_reference_sweeps(likelihood.study, likelihood.digest, likelihood, x, unknowns)
    more = _for(likelihood, wider, grown)
    again = CampaignProblem(unknowns, more)
    return float(np.degrees(_error_rad(x, _inverse(information_at(again, x)))))
