"""From a digest to the posterior of the source's direction: search, sampling, evidence."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from importlib import import_module
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.beside import Beside, aside
from fluxsense.base.errors import InputError
from fluxsense.base.sphere import (
    Clusters,
    Region,
    candidate_clusters,
    candidate_regions,
    clusters,
    credible_regions,
)
from fluxsense.base.streams import stream
from fluxsense.data.digest import Digest
from fluxsense.data.noise_levels import measure_noise
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.blind import BlindTest, blind_findings, blind_test
from fluxsense.infer.chainfile import ChainFile, run_identity
from fluxsense.infer.diagnostics import FEWEST_TIMES, Diagnosis, autocorr_time, diagnose, r_hat_rank
from fluxsense.infer.mixture import from_modes
from fluxsense.infer.modes import (
    LocalMode,
    ascend,
    ascend_all,
    find_modes,
    modes_without_source,
    near_the_best,
)
from fluxsense.infer.predictive import estimate_residual_gain
from fluxsense.infer.proposal import Proposal, proposed
from fluxsense.infer.quadrature import Quadrature, integrate
from fluxsense.infer.reduction import ReducedProblem
from fluxsense.infer.reference import marginal, moved, reference_fit, with_drawn_starts, with_exchanged_stages
from fluxsense.infer.sampler import Chains, evidence, mixture_share, run_ensembles
from fluxsense.infer.sizes import drift_from_blocks, learned_sizes, wander_within_sweeps
from fluxsense.infer.wiring import Wiring, read_wiring
from fluxsense.model.likelihood import RatioLikelihood, every_few, every_some
from fluxsense.model.parameter import NOISE_SCALE
from fluxsense.model.priors import integrated_arrays, prior_sizes
from fluxsense.model.problem import CampaignProblem, Problem, log_posterior, no_source_problem
from fluxsense.model.remainder import Sizes
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str, float, str], None]

LEVELS = (0.5, 0.9, 0.95)
SEARCHED_AGAIN = 3.0
"""Standard deviations of misfit from which the search begins again with `WIDE_EFFORT`."""
HIDING = 1.5
"""Learned flux noise, in scales of its prior, from which it may stand for a misfit; so much begins the search again too."""
WIDE_EFFORT = 3
QUADRATURE_ERROR = 1e-3
"""Largest error of the log evidence up to which a quadrature is used."""
LENGTH_TIMES = 65
"""Autocorrelation times that sampling goes on for; the verdict asks for 50."""
HOPELESS_ESS, HOPELESS_STEPS = 200.0, 120
"""Effective draws, and steps at most, of a fit so bad that the result is unusable whatever they say."""
ROUGH_LOG_ODDS = 300.0
"""Log odds against no source beyond which they are worked out roughly."""
FEW_DRAWS = 400
"""Draws that they are then worked out from."""
NEAR = 20.0
"""Log posterior on a part of the frequencies by which a place may be worse than the best one, and be judged on all of them."""
RESIDUAL_GAINS = (0.0005, 0.001, 0.002, 0.003, 0.005, 0.008, 0.012, 0.02, 0.03, 0.05)


@dataclass(frozen=True)
class Posterior:
    """What sampling one problem gave: everything on directions and sizes, before any campaign-specific statement.

    Attributes
    ----------
    problem : Problem
    modes : list of LocalMode
    proposal : Proposal
    chains : Chains
    directions : ndarray (N, 3)
        Unit vectors, flattened over ensembles, steps and walkers.
    sizes : ndarray (N,)
        In T or A m^2.
    groups : Clusters
    regions : list of Region
    diagnosis : Diagnosis
    log_evidence, log_evidence_sd, evidence_ess : float
    seed : int
    reduced : ReducedProblem or None
        What the chains were sampled with, if the frequencies were reduced.
    reduction_error : float
        Largest error of log-likelihood differences that it made at random posterior points.
    quadrature : Quadrature or None
        Where few unknowns remain: the posterior by deterministic quadrature; evidence and mode weights are then its own.
    shift : float
        Largest difference of a sampled mean of a source component from that of the quadrature, in standard deviations.
    """

    problem: Problem
    modes: list[LocalMode]
    proposal: Proposal
    chains: Chains
    directions: FloatArray
    sizes: FloatArray
    groups: Clusters
    regions: list[Region]
    diagnosis: Diagnosis
    log_evidence: float
    log_evidence_sd: float
    evidence_ess: float
    seed: int
    reduction_error: float
    reduced: ReducedProblem | None = None
    quadrature: Quadrature | None = None
    shift: float = 0.0

    @property
    def direction(self) -> FloatArray:
        """Mean direction of the heaviest mode."""
        return np.asarray(self.groups.modes[0].mean)

    def thinned(self, count: int = 3000) -> FloatArray:
        """Whitened positions spread evenly over the chains, (count, D)."""
        flat = self.chains.flat
        return np.asarray(flat[np.linspace(0, len(flat) - 1, min(count, len(flat))).astype(int)])


def sample_posterior(
    problem: Problem,
    seed: int,
    *,
    modes: list[LocalMode] | None = None,
    ensembles: int = 4,
    walkers: int | None = None,
    wanted_ess: float = 4000,
    max_steps: int = 20000,
    max_seconds: float | None = None,
    jumping: bool = True,
    hopeless: Callable[[], bool] | None = None,
    progress: Progress | None = None,
    file: ChainFile | None = None,
) -> Posterior:
    """Search, sample and judge one posterior.

    Parameters
    ----------
    problem : Problem
    seed : int
        Seeds the search, the mixture, each ensemble and the evidence by streams of their own.
    modes : list of LocalMode, optional
        Found by `find_modes` if not given.
    ensembles, walkers, wanted_ess, max_steps, max_seconds, jumping, file
        See `run_ensembles`.
    hopeless : callable, optional
        Asked when sampling begins, whether the fit is so bad that few draws must do.
    progress : callable, optional
        Called with (what, share done, detail).

    Returns
    -------
    Posterior

    Raises
    ------
    InputError
        If no mode is found.
    """
    say = progress or (lambda what, share, detail: None)
    if modes is None:
        modes = find_modes(
            problem,
            stream(seed, "search of a posterior"),
            lambda done, total: say("searching for modes", done / total, f"{done} of {total}"),
        )
    if not modes:
        raise InputError(
            "no direction within the prior explains the data at all", remedy="Check the priors in the study"
        )

    say("fitting the proposal", 0.0, "")
    full = problem
    fitted = proposed(full, modes, stream(seed, "proposal"))
    problem, proposal, log_target = fitted.problem, fitted.proposal, fitted.log_target

    def enough(y: FloatArray) -> tuple[bool, float]:
        """`settled` of chains, and then of what they stand for."""
        found = settled(y, wanted_ess)
        return settled(proposal.bent(y), wanted_ess) if found[0] and proposal.straight is not None else found

    if hopeless is not None and hopeless():
        wanted_ess, max_steps = HOPELESS_ESS, min(max_steps, HOPELESS_STEPS)
    if file is not None:
        mixture = proposal.mixture
        file = file.known_by(mixture.weights, mixture.means, mixture.factors)
    chains = run_ensembles(
        log_target,
        proposal.mixture,
        [stream(seed, "ensemble", n) for n in range(ensembles)],
        walkers=walkers,
        wanted_ess=wanted_ess,
        max_steps=max_steps,
        max_seconds=max_seconds,
        enough=enough,
        jumping=jumping,
        share=mixture_share(fitted.perplexity),
        file=file,
        progress=lambda steps, ess, left: say(
            "sampling",
            min(1.0, ess / wanted_ess),
            f"{ess:.0f} of {wanted_ess:.0f} effective samples, {left:.0f} s left",
        ),
    )
    if file is not None and file.fault:
        say("the chains are not kept", 1.0, file.fault)
    say("evidence", 0.0, "")
    log_z, log_z_sd, log_z_ess = evidence(log_target, proposal.mixture, stream(seed, "evidence"))
    chains = replace(chains, x=proposal.bent(chains.x))
    error = _reduction_error(full, problem, chains, stream(seed, "error of the reduction"))
    exact = integrate(log_target, proposal.mixture)
    if exact is not None and exact.log_evidence_error > QUADRATURE_ERROR:
        exact = None
    if exact is not None:
        exact = replace(exact, x=proposal.bent(exact.x))
    vectors = problem.unknowns.source(chains.flat)
    sizes = np.sqrt(np.sum(vectors**2, axis=1))
    directions = vectors / np.where(sizes > 0, sizes, 1.0)[:, None]
    prior = problem.unknowns.source_prior
    candidates = prior.candidates
    if candidates is None:
        groups = clusters(directions)
        regions = credible_regions(directions, LEVELS, axis=groups.modes[0].mean)
    else:
        groups = candidate_clusters(candidates, prior.nearest_candidate(chains.flat[:, :3]))
        # the idle coordinates spread the samples about each candidate, so that a map can be drawn
        regions = candidate_regions(credible_regions(chains.flat[:, :3], LEVELS), groups)
    labels = groups.labels.reshape(chains.x.shape[:3])
    shift = 0.0
    if exact is not None:
        log_z, log_z_sd = exact.log_evidence, exact.log_evidence_error
        lead = chains.flat[:, :3]
        shift = float(np.max(np.abs(lead.mean(axis=0) - exact.mean(exact.x[:, :3])) / exact.sd(exact.x[:, :3])))
        if candidates is None:
            groups = _with_exact_weights(groups, exact, problem.unknowns)
    shown = min(len(problem.unknowns.names), chains.x.shape[-1])
    diagnosis = diagnose(chains.x, problem.unknowns.names[:shown], labels)
    return Posterior(
        problem=full,
        modes=modes,
        proposal=proposal,
        chains=chains,
        directions=directions,
        sizes=sizes,
        groups=groups,
        regions=regions,
        diagnosis=diagnosis,
        log_evidence=log_z,
        log_evidence_sd=log_z_sd,
        evidence_ess=log_z_ess,
        seed=seed,
        reduction_error=error,
        reduced=problem if isinstance(problem, ReducedProblem) else None,
        quadrature=exact,
        shift=shift,
    )


def settled(x: FloatArray, wanted_ess: float) -> tuple[bool, float]:
    """Whether chains (E, T, W, D) are long enough for the verdict on them, and how many effective samples they stand for."""
    from emcee.autocorr import integrated_time

    e, t, w, d = x.shape
    series = x.transpose(1, 0, 2, 3).reshape(t, e * w, d)
    with np.errstate(invalid="ignore", divide="ignore"):
        tau = float(np.max(integrated_time(series, tol=0, quiet=True)))
    if not np.isfinite(tau):  # a walker that never moved: no number of steps is enough yet
        return False, 0.0
    tau = max(tau, 1.0)
    reached = e * w * t / tau
    if reached < wanted_ess or t < LENGTH_TIMES * tau:
        return False, min(reached, wanted_ess * t / (LENGTH_TIMES * tau))
    if not all(r_hat_rank(x[..., k]) <= 1.01 for k in range(min(3, d))):
        return False, reached
    # what the verdict asks of each quantity in each ensemble, which can be slower than all together
    times = min(autocorr_time(x[..., k]).times for k in range(d))
    return times >= FEWEST_TIMES, min(reached, wanted_ess * times / FEWEST_TIMES)


def _with_exact_weights(groups: Clusters, exact: Quadrature, unknowns: Unknowns) -> Clusters:
    """The same modes with the weights that the quadrature gives the points nearest to each."""
    if len(groups.modes) == 1:
        return groups
    vectors = unknowns.source(exact.x)
    unit = vectors / np.maximum(np.sqrt(np.sum(vectors**2, axis=1, keepdims=True)), 1e-300)
    nearest = np.argmax(unit @ np.array([m.mean for m in groups.modes]).T, axis=1)
    weights = np.bincount(nearest, weights=exact.weight, minlength=len(groups.modes))
    return replace(groups, modes=tuple(replace(m, weight=float(w)) for m, w in zip(groups.modes, weights, strict=True)))


def sample_as_stated(
    problem: Problem,
    seed: int,
    modes: list[LocalMode],
    *,
    wanted_ess: float | None,
    **options: Any,
) -> Posterior:
    """`sample_posterior` with the ensembles, walkers and steps that the study states, and its effective samples by default."""
    stated = problem.unknowns.study.sampling
    return sample_posterior(
        problem,
        seed,
        modes=modes,
        ensembles=stated.ensembles,
        walkers=stated.walkers,
        max_steps=stated.max_steps,
        wanted_ess=stated.wanted_ess if wanted_ess is None else wanted_ess,
        **options,
    )


def _reduction_error(full: Problem, used: Problem, chains: Chains, rng: np.random.Generator) -> float:
    """Largest error of log-likelihood differences of the reduced problem at 64 random posterior points."""
    if not isinstance(used, ReducedProblem):
        return 0.0
    flat = chains.flat
    x = np.ascontiguousarray(flat[rng.integers(len(flat), size=64)])
    difference = used.log_likelihood(x) - full.log_likelihood(x)
    return float(np.max(np.abs(difference - np.median(difference))))


def chain_keeper(
    path: str | os.PathLike[str] | None, study: Study, data_hash: str, seed: int, jumping: bool
) -> ChainFile | None:
    """The file of a run's chains, known by everything that its steps depend on."""
    if path is None:
        return None
    return ChainFile(path, run_identity(study.sha256, data_hash, seed, jumping))


def measured_isolators(study: Study, digest: Digest) -> list[int]:
    """Positions of the isolators that have pump-on sweeps."""
    names = {k.isolator for k in digest if k.pump_on}
    return [n for n, i in enumerate(study.isolators) if i.name in names]


def unreferenced_cooldowns(study: Study, digest: Digest, cooldowns: Sequence[str]) -> dict[int, int]:
    """Cooldowns without a pump-on sweep with a known source flux, with the state in which they were swept."""
    states = [s.name for s in study.states]
    kinds = [s.kind for s in study.states]
    out = {}
    for n, cooldown in enumerate(cooldowns):
        used = {states.index(k.state) for k in digest if k.pump_on and k.cooldown == cooldown}
        if used and all(kinds[s] in ("in", "turned") for s in used):
            out[n] = min(used)
    return out


def misfit_deviations(problem: CampaignProblem, x: FloatArray) -> float:
    """How far chi-square at x (D,) lies above the number of values, in its standard deviations sqrt(2 n)."""
    explicit, wide = problem.explicit(x)
    likelihood = problem.likelihood
    scale = explicit.unknowns.data_value(NOISE_SCALE, wide[None])
    loud = 1.0 if scale is None else float(scale[0])
    predicted = likelihood.predict(explicit.unknowns.parameters(wide[None]))
    total = likelihood.quadratic([(f.ratio - r) / loud for f, r in zip(likelihood.families, predicted, strict=True)])[0]
    values = sum(f.values - (0 if f.notch is None else f.notch.power.size) for f in likelihood.families)
    return float((total - values) / np.sqrt(2 * values))


def prepare(
    study: Study,
    digest: Digest,
    *,
    rng: np.random.Generator,
    progress: Progress | None = None,
    helper: Beside | None = None,
    known_source: Callable[[tuple[int, ...]], BlindTest | None] | None = None,
) -> tuple[CampaignProblem, list[LocalMode], Wiring]:
    """Wiring, noise, likelihood and modes of a campaign.

    The residual gain is raised above the study's figure where the data demand it, and the directions of flux noise are
    taken at the best mode.  Search and first moves go with two noises, as sharp as the study states it and loose; what fits
    best in the end counts.  Where that does not fit, or only with much flux noise, all is done again by firm steps from the
    reference sweeps on (`fluxsense.infer.reference.moved`), unless a known source names a mistake of the study.

    `known_source` gives the blind test for the wiring, by default `fluxsense.infer.blind.blind_test`.

    Returns
    -------
    CampaignProblem
    list of LocalMode
        Polished on the full likelihood, best first.
    Wiring
    """
    say = progress or (lambda what, share, detail: None)
    ask = known_source or partial(blind_test, study, digest)
    measured = measured_isolators(study, digest)
    say("reading the wiring", 0.0, "")
    wiring = read_wiring(study, digest, measured, helper)
    noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    loose = max(study.noise.residual_gain, 0.01)
    scales = prior_sizes(study, measured)
    cooldowns = sorted({k.cooldown for k in digest})
    say("fitting the reference sweeps", 0.0, "")
    reference = reference_fit(study, digest, wiring.signs, noise, cooldowns)
    full = RatioLikelihood(
        study, digest, wiring.signs, residual_gain=loose, sizes=scales, noise=noise, cooldowns=cooldowns,
        reference=reference.parameters, tamed=reference.tamed,
    )  # fmt: skip
    sheared = unreferenced_cooldowns(study, digest, cooldowns)
    unknowns = Unknowns(
        study, cooldowns, measured, leave_out=integrated_arrays(study), sheared=sheared, tamed=reference.tamed
    )

    def search(full: RatioLikelihood, effort: int, around: ChipParameters) -> tuple[CampaignProblem, list[LocalMode]]:
        # loose noise forgives a set-up that is not as stated, and hides a source whose flux is a few thousandths
        noises = [full, full.rebuilt(sizes=Sizes(), residual_gain=study.noise.residual_gain)]
        # the search needs no fine noise
        rough, other = (CampaignProblem(unknowns, one.on_points(every_few, sizes=Sizes())) for one in noises)
        here, there = rng.spawn(2)
        about = unknowns.whitened(around)
        waiting = aside(helper, find_modes, other, there, effort=effort, about=about)
        first = find_modes(
            rough,
            here,
            lambda done, total: say("searching for modes", done / total, f"{done} of {total} ascents"),
            effort=effort,
            about=about,
        )
        if helper is not None:
            import_module("emcee")  # slow, and wanted by what samples: meanwhile
        found = [
            (likelihood, near_the_best(modes))
            for likelihood, modes in zip(noises, (first, waiting()), strict=True)
            if modes
        ]
        if not found:
            raise InputError(
                "no direction within the prior explains the data at all", remedy="Check the priors in the study"
            )
        say("polishing the modes", 0.0, "")
        firm = effort > 1
        places = [placed(CampaignProblem(unknowns, one), start, scales, firm) for one, start in _apart(found)]
        height = [marginal(*place) for place in places]
        near = [place for place, h in zip(places, height, strict=True) if h > max(height) - NEAR]
        ends = (finished(full, *place, firm) for place in near)
        problem, best = elsewhere(full, *max(ends, key=lambda place: marginal(*place)), scales, rng)
        high = np.array([best, *(x for _, x in places), *(mode.x for _, modes in found for mode in modes[1:])])
        polished: list[LocalMode] = []
        for better in ascend_all(problem, high):
            if better is not None and not any(
                np.sum((better.x - m.x) ** 2 / np.diag(m.covariance)) < 0.05 * better.x.size for m in polished
            ):
                polished.append(better)
        polished.sort(key=lambda m: -m.log_evidence)
        return problem, polished

    problem, polished = search(full, 1, reference.places)
    # another chip, or a place that is not the best; not a known source that speaks against the study, which no search can mend
    if not polished or (_doubtful(problem, polished[0].x, scales) and not _contradicted(ask(wiring.signs))):
        again = reference_fit(study, digest, wiring.signs, noise, cooldowns, firm=True)
        other = search(full.rebuilt(reference=again.parameters), WIDE_EFFORT, again.places)
        if other[1] and (not polished or marginal(other[0], other[1][0].x) > marginal(problem, polished[0].x)):
            problem, polished = other
    return problem, polished, wiring


def _doubtful(problem: CampaignProblem, x: FloatArray, scales: Sizes) -> bool:
    """Whether the data do not fit at x (D,), or fit only with as much flux noise from sweep to sweep as can be learned."""
    noise = problem.likelihood.sizes.flux_noise_phi0
    return bool(noise > HIDING * scales.flux_noise_phi0 > 0 or misfit_deviations(problem, x) > SEARCHED_AGAIN)


def _contradicted(blind: BlindTest | None) -> bool:
    """Whether sweeps with a known source name a mistake of the study."""
    return any(f.doubt for f in blind_findings(blind))


def _apart(found: list[tuple[RatioLikelihood, list[LocalMode]]]) -> list[tuple[RatioLikelihood, FloatArray]]:
    """The best modes (D,) of searches, but for those that an earlier search found too."""
    kept: list[tuple[RatioLikelihood, LocalMode]] = []
    for likelihood, modes in found:
        away = [modes[0].x - other.x for _, other in kept]
        if all(d @ np.linalg.solve(m.covariance, d) > 1.0 for d, (_, m) in zip(away, kept, strict=True)):
            kept.append((likelihood, modes[0]))
    return [(likelihood, mode.x) for likelihood, mode in kept]


DRAWN_ROUNDS: Final = 3
STAGES: Final = (2, 5, 2)
"""Moves of the reference point at most: on some frequencies, there again with the sizes learned of what no study can state, and on all."""
FIRM_STAGES: Final = (15, 25, 2)
"""The same of firm moves, which follow a ridge in small steps."""


def settle(
    problem: CampaignProblem, x: FloatArray, scales: Sizes | None = None, firm: bool = False
) -> tuple[CampaignProblem, FloatArray]:
    """Move the likelihood's reference point to the mode that x (D,) leads to, and learn what is not known of its noise.

    `placed` and then `finished`.

    Returns
    -------
    CampaignProblem
    ndarray (D,)
        The mode.
    """
    return finished(problem.likelihood, *placed(problem, x, scales, firm), firm)


def placed(
    problem: CampaignProblem, x: FloatArray, scales: Sizes | None = None, firm: bool = False
) -> tuple[CampaignProblem, FloatArray]:
    """The problem on a part of the frequencies about the mode that x (D,) leads to, with the noise that it learns there.

    In turn the unknowns climb to their mode, eliminated parameters go to their most probable values there (so that the
    likelihood is linearised about them), and the sizes of the residual gain, of the remainder and of walks are learned.  The
    place with stages exchanged is tried too (`reference.with_exchanged_stages`).

    Parameters
    ----------
    problem : CampaignProblem
    x : ndarray (D,)
    scales : Sizes, optional
        Of the priors of what is learned; those of the likelihood by default.
    firm : bool
        Take firm steps (`reference.moved`), and learn of flux noise at the place that they end at only.

    Returns
    -------
    CampaignProblem
    ndarray (D,)
        The mode.
    """
    full, unknowns = problem.likelihood, problem.unknowns
    scales = full.sizes if scales is None else scales
    quiet = replace(scales, flux_noise_phi0=0.0) if firm else scales  # flux noise would hide that a place is wrong
    thin = full.on_points(every_some, sizes=replace(full.sizes, flux_noise_phi0=0.0) if firm else None)
    first, then, _ = _stages(full, firm)
    coarse, x = moved(CampaignProblem(unknowns, thin), x, first, firm)
    sizes, gain = _learned(coarse, x, quiet)
    if then:
        noisy = coarse.likelihood.rebuilt(sizes=sizes, residual_gain=gain)
        coarse, x = moved(CampaignProblem(unknowns, noisy), x, then, firm)
        other = with_exchanged_stages(coarse, x)
        if other is not coarse:
            sizes, gain = _learned(other, x, quiet)
            noisy = other.likelihood.rebuilt(sizes=sizes, residual_gain=gain)
            coarse, x = moved(CampaignProblem(unknowns, noisy), x, then, firm)
    if scales != quiet:
        sizes, gain = _learned(coarse, x, scales)
    return CampaignProblem(unknowns, coarse.likelihood.rebuilt(sizes=sizes, residual_gain=gain)), x


def elsewhere(
    full: RatioLikelihood,
    problem: CampaignProblem,
    x: FloatArray,
    scales: Sizes,
    rng: np.random.Generator,
) -> tuple[CampaignProblem, FloatArray]:
    """A better place than one of `finished`, and its mode, if line ends and pump phases drawn anew lead to one; otherwise the same.

    Looked for on a few frequencies with x (D,) held, isolator by isolator, and from the better place again, `DRAWN_ROUNDS` times.
    """
    for _ in range(DRAWN_ROUNDS):
        few = CampaignProblem(problem.unknowns, problem.likelihood.on_points(every_few))
        found = with_drawn_starts(few, x, rng)
        if found is few:
            break
        thin = problem.likelihood.on_points(every_some).rebuilt(reference=found.likelihood.reference)
        there, y = moved(CampaignProblem(problem.unknowns, thin), x, _stages(full, False)[1], kept=True)
        sizes, gain = _learned(there, y, scales)
        noisy = there.likelihood.rebuilt(sizes=sizes, residual_gain=gain)
        other, y = finished(full, CampaignProblem(problem.unknowns, noisy), y, kept=True)
        if marginal(other, y) <= marginal(problem, x):
            break
        problem, x = other, y
    return problem, x


def finished(
    full: RatioLikelihood, coarse: CampaignProblem, x: FloatArray, firm: bool = False, kept: bool = False
) -> tuple[CampaignProblem, FloatArray]:
    """The problem on all frequencies about the mode next to that of a part of them, with the noise learned there, and its mode."""
    here = coarse.likelihood
    likelihood = full.rebuilt(reference=here.reference, sizes=here.sizes, residual_gain=here.residual_gain)
    problem, x = moved(CampaignProblem(coarse.unknowns, likelihood), x, _stages(full, firm)[2], firm, kept)
    best = ascend(problem, x)
    return problem, x if best is None else best.x


def _stages(likelihood: RatioLikelihood, firm: bool) -> tuple[int, int, int]:
    return FIRM_STAGES if firm else STAGES if any(likelihood.eliminated.values()) else (1, 0, 1)


def _learned(problem: CampaignProblem, x: FloatArray, scales: Sizes) -> tuple[Sizes, float]:
    """Sizes of what the model leaves out, and the residual gain, at a mode x (D,)."""
    stated = problem.likelihood.study.noise.residual_gain
    thin = problem.likelihood.on_points(every_few, residual_gain=stated)
    scales = replace(scales, within=wander_within_sweeps(problem.likelihood))
    sizes = learned_sizes(CampaignProblem(problem.unknowns, thin), x, scales)
    if scales.flux_walk_phi0 > 0:
        walk, flicker = drift_from_blocks(problem.likelihood)
        sizes = replace(sizes, flux_walk_phi0=max(sizes.flux_walk_phi0, walk), flux_flicker_phi0=flicker)
    gains = [stated, *(g for g in RESIDUAL_GAINS if g > stated * 1.2)]
    candidates = {g: thin.rebuilt(residual_gain=g, sizes=sizes) for g in gains}
    reference = problem.likelihood.reference
    return sizes, stated if reference is None else estimate_residual_gain(candidates, reference)


def settled_null(problem: CampaignProblem) -> CampaignProblem:
    """The same campaign without a source, linearised about its own best fit, which may be far from that with one.

    Its evidence is comparable with that of `problem`.
    """
    null = no_source_problem(problem)
    if not any(null.likelihood.eliminated.values()):
        return null
    _, then, last = STAGES
    thin = CampaignProblem(null.unknowns, null.likelihood.on_points(every_some))
    start = next((m.x for m in modes_without_source(thin)), np.zeros(null.unknowns.size))
    near, x = moved(thin, start, then)
    here = CampaignProblem(null.unknowns, null.likelihood.rebuilt(reference=near.likelihood.reference))
    here, _ = moved(here, x, last)
    gain = -0.5 * (here.likelihood.log_volume - null.likelihood.log_volume)
    return CampaignProblem(here.unknowns, here.likelihood, constant=gain)


def null_evidence(null: Problem, rng: np.random.Generator, against: float) -> tuple[float, float, float]:
    """Log evidence of a hypothesis without a source, its error, and the effective number of draws.

    Where Laplace's approximation puts it hopelessly below that, a few draws must do.
    """
    if null.unknowns.size == 0:
        return float(null.log_likelihood(np.zeros((1, 0)))[0]), 0.0, np.inf
    found = find_modes(null, rng)
    if not found:
        return -np.inf, 0.0, np.inf
    if found[0].log_evidence < against - ROUGH_LOG_ODDS:
        return evidence(partial(log_posterior, null), from_modes(found), rng, FEW_DRAWS)
    fitted = proposed(null, found, rng, rounds=4)
    return evidence(fitted.log_target, fitted.proposal.mixture, rng)
