"""The main job: from a digest to the posterior of the source's direction, with a verdict on itself."""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from typing import Any

import emcee
import numpy as np
import numpy.typing as npt

import fluxsense
from fluxsense.base.errors import InputError
from fluxsense.base.sphere import (
    Clusters,
    Region,
    angles_from_vector,
    antipodal_odds,
    candidate_clusters,
    candidate_regions,
    clusters,
    contains,
    credible_regions,
)
from fluxsense.base.streams import stream
from fluxsense.base.units import unit_of_source
from fluxsense.data.digest import Digest, Distrusted, GroupKey
from fluxsense.data.noise_levels import measure_noise
from fluxsense.data.outliers import FEWEST_REPEATS
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.budget import (
    error_with_reference_deg,
    limits,
    rank_words,
    reference_words,
    zero_bias_words,
)
from fluxsense.infer.chainfile import ChainFile, run_identity
from fluxsense.infer.diagnostics import FEWEST_TIMES, Diagnosis, autocorr_time, diagnose, r_hat_rank
from fluxsense.infer.mixture import (
    StudentMixture,
    from_modes,
    has_tails,
    importance_weights,
    improve,
    perplexity,
    with_tails,
)
from fluxsense.infer.modes import LocalMode, ascend, ascend_all, find_modes
from fluxsense.infer.predictive import PredictiveCheck, estimate_residual_gain, predictive_check
from fluxsense.infer.quadrature import Quadrature, integrate
from fluxsense.infer.reduction import CompressedProblem, compress
from fluxsense.infer.reductionfile import kept_compress
from fluxsense.infer.sampler import Chains, evidence, mixture_share, run_ensembles, short_walk
from fluxsense.infer.score_tests import unseen_words
from fluxsense.infer.wiring import Wiring, read_wiring
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.model.parameter import NOISE_SCALE, PUMP_PHASE
from fluxsense.model.problem import CampaignProblem, Problem, log_posterior, no_source_problem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str, float, str], None]

LEVELS = (0.5, 0.9, 0.95)
INTEGRATED = (PUMP_PHASE,)
"""Kinds of nuisances that the likelihood of complex traces integrates over."""
MISFIT_DOUBTFUL = 1e-3
MISFIT_BAD = 1e-5
SEARCHED_AGAIN = 3.0
"""Standard deviations of misfit from which the search begins again with `WIDE_EFFORT`."""
WIDE_EFFORT = 3
SHIFT_DOUBTFUL = 0.5
"""Standard deviations that the direction would move by freeing what the data contradict, from which that is said."""
SHIFT_BAD = 3.0
LOOSE_SR = 1.5
"""Solid angle of the 90% region above which no single direction is quoted to a tenth of a degree."""
MOST_LEFT_OUT = 0.3
"""Share of a group's sweeps that may be left out before the result is doubted."""
QUADRATURE_ERROR = 1e-3
"""Largest error of the log evidence up to which a quadrature is used."""
AT_BOUND_DOUBTFUL = 0.3
"""Share of draws against a bound of the prior above which a result is doubted."""
LARGEST_SHIFT = 0.3
"""Difference of sampled and integrated means, in standard deviations, above which the sampler is not believed."""
LENGTH_TIMES = 65
"""Autocorrelation times that sampling goes on for; the verdict asks for 50."""
TAIL_ROUNDS = 2
"""Walks at most from which a proposal learns the tails that its draws do not reach."""
WORTH_REDUCING = 10_000
"""Numbers in the data beyond which the proposal is fitted with a reduced quadrature."""
ROUGH_LOG_ODDS = 300.0
"""Log odds against no source beyond which they are worked out roughly."""
FEW_DRAWS = 400
"""Draws that they are then worked out from."""
PROPOSAL_TOLERANCE = 0.03
"""Error of log-likelihood differences allowed in fitting the proposal."""
RESIDUAL_GAINS = (0.0005, 0.001, 0.002, 0.003, 0.005, 0.008, 0.012, 0.02, 0.03, 0.05)


@dataclass(frozen=True)
class Verdict:
    """Whether to believe a result: 'reliable', 'tentative' or 'unusable', with reasons as sentences."""

    trust: str
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Posterior:
    """What sampling one problem gave: everything on directions and sizes, before any campaign-specific statement.

    Attributes
    ----------
    problem : Problem
    modes : list of LocalMode
    mixture : StudentMixture
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
    reduced : CompressedProblem or None
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
    mixture: StudentMixture
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
    reduced: CompressedProblem | None = None
    quadrature: Quadrature | None = None
    shift: float = 0.0

    @property
    def frequencies(self) -> tuple[int, int] | None:
        """Frequencies used by the reduced quadrature and those there are; None if all were used."""
        return None if self.reduced is None else (self.reduced.nodes, self.reduced.points)

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
    progress: Progress | None = None,
    file: ChainFile | None = None,
    quadrature_file: str | os.PathLike[str] | None = None,
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
    progress : callable, optional
        Called with (what, share done, detail).
    quadrature_file : path-like, optional
        See `kept_compress`.

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
    mixture, fits = _proposal(problem, modes, stream(seed, "proposal"))
    full = problem
    if isinstance(problem, CampaignProblem):
        say("reducing the frequencies", 0.0, "")
        problem = kept_compress(problem, mixture, stream(seed, "reduction"), quadrature_file) or problem

    if file is not None:
        file = file.known_by(mixture.weights, mixture.means, mixture.factors)
    chains = run_ensembles(
        problem,
        mixture,
        [stream(seed, "ensemble", n) for n in range(ensembles)],
        walkers=walkers,
        wanted_ess=wanted_ess,
        max_steps=max_steps,
        max_seconds=max_seconds,
        enough=lambda x: settled(x, wanted_ess),
        jumping=jumping,
        share=mixture_share(max(fits, default=0.0)),
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
    log_z, log_z_sd, log_z_ess = evidence(problem, mixture, stream(seed, "evidence"))
    error = _reduction_error(full, problem, chains, stream(seed, "error of the reduction"))
    exact = integrate(lambda x: log_posterior(problem, x), mixture)
    if exact is not None and exact.log_evidence_error > QUADRATURE_ERROR:
        exact = None
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
        mixture=mixture,
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
        reduced=problem if isinstance(problem, CompressedProblem) else None,
        quadrature=exact,
        shift=shift,
    )


def settled(x: FloatArray, wanted_ess: float) -> tuple[bool, float]:
    """Whether chains (E, T, W, D) are long enough for the verdict on them, and how many effective samples they stand for."""
    e, t, w, d = x.shape
    series = x.transpose(1, 0, 2, 3).reshape(t, e * w, d)
    with np.errstate(invalid="ignore", divide="ignore"):
        tau = float(np.max(emcee.autocorr.integrated_time(series, tol=0, quiet=True)))
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
    problem: Problem, seed: int, modes: list[LocalMode], *, wanted_ess: float | None, **options: Any
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


def _proposal(
    problem: Problem, modes: list[LocalMode], rng: np.random.Generator, rounds: int = 8
) -> tuple[StudentMixture, list[float]]:
    """The modes' mixture, refitted to the posterior, and its perplexities.

    Thousands of evaluations that steer a proposal, and nothing of the answer, need no great accuracy: for long traces they
    are made with a quadrature reduced over the region of the modes.
    """
    start = from_modes(modes)
    used = problem
    if isinstance(problem, CampaignProblem) and problem.likelihood.values > WORTH_REDUCING:
        used = compress(problem, start, rng, PROPOSAL_TOLERANCE) or problem

    def target(x: FloatArray) -> FloatArray:
        return log_posterior(used, x)

    mixture, fits = improve(start, target, rng, rounds=rounds)
    for _ in range(TAIL_ROUNDS):
        if not has_tails(mixture, target):
            break
        mixture = with_tails(mixture, *short_walk(target, mixture, rng))
        draws = mixture.draw(rng, 1500)
        fits = [perplexity(importance_weights(mixture, draws, target(draws))[0])]
    return mixture, fits


def _reduction_error(full: Problem, used: Problem, chains: Chains, rng: np.random.Generator) -> float:
    """Largest error of log-likelihood differences of the reduced quadrature at 64 random posterior points."""
    if not isinstance(used, CompressedProblem):
        return 0.0
    flat = chains.flat
    x = np.ascontiguousarray(flat[rng.integers(len(flat), size=64)])
    difference = used.log_likelihood(x) - full.log_likelihood(x)
    return float(np.max(np.abs(difference - np.median(difference))))


@dataclass(frozen=True)
class Answer:
    """What every kind of inference answers: the document that becomes result.json, and what the report draws from.

    Attributes
    ----------
    document : dict
        Plain JSON values.
    study : Study
    posterior : Posterior
    best_parameters : ChipParameters
        Batch of one: the highest mode.
    drawn : ChipParameters
        About 3000 draws from the posterior, those integrated over among them.
    values : tuple
        Names (D,), SI units (D,) and values (N, D) of all unknowns for the same draws.
    """

    document: dict[str, Any]
    study: Study
    posterior: Posterior
    best_parameters: ChipParameters
    drawn: ChipParameters
    values: tuple[tuple[str, ...], tuple[str, ...], FloatArray]

    def draws(self, count: int) -> ChipParameters:
        """Posterior draws, spread evenly over those kept."""
        return self.drawn.rows(self._spread(count))

    def table(self, count: int) -> tuple[tuple[str, ...], tuple[str, ...], FloatArray]:
        """Names, SI units and values (about count, D) of all unknowns for posterior draws."""
        names, units, values = self.values
        return names, units, values[self._spread(count)]

    def _spread(self, count: int) -> slice:
        return slice(None, None, max(1, self.drawn.batch // count))

    def region_contains(self, vector: npt.ArrayLike) -> dict[float, bool]:
        """Whether a direction lies in each credible region, by level."""
        return {r.level: bool(contains(r, np.asarray(vector))) for r in self.posterior.regions}

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        from html import escape

        lines = summary_lines(self.document)
        return "<div>" + "".join(f"<p>{escape(x)}</p>" for x in lines) + "</div>"

    def __str__(self) -> str:
        return "\n".join(summary_lines(self.document))


@dataclass(frozen=True)
class Orientation(Answer):
    """The result of `orient` from traces.

    Attributes
    ----------
    digest : Digest
    likelihood : RatioLikelihood
    check : PredictiveCheck
    """

    digest: Digest
    likelihood: RatioLikelihood
    check: PredictiveCheck


def chain_keeper(
    path: str | os.PathLike[str] | None, study: Study, data_hash: str, seed: int, jumping: bool
) -> ChainFile | None:
    """The file of a run's chains, known by everything that its steps depend on."""
    if path is None:
        return None
    return ChainFile(path, run_identity(study.sha256, data_hash, seed, jumping))


def integrated_kinds(study: Study) -> tuple[str, ...]:
    """Kinds of nuisances that the likelihood integrates over for this kind of data."""
    return INTEGRATED if study.data.kind == "complex" else ()


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
    study: Study, digest: Digest, *, rng: np.random.Generator, progress: Progress | None = None
) -> tuple[CampaignProblem, list[LocalMode], Wiring]:
    """Wiring, noise, likelihood and modes of a campaign.

    The residual gain is raised above the study's figure where the data demand it, and the directions of flux noise are
    taken at the best mode.

    Returns
    -------
    CampaignProblem
    list of LocalMode
        Polished on the full likelihood, best first.
    Wiring
    """
    say = progress or (lambda what, share, detail: None)
    measured = measured_isolators(study, digest)
    say("reading the wiring", 0.0, "")
    wiring = read_wiring(study, digest, measured)
    noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    loose = max(study.noise.residual_gain, 0.01)
    full = RatioLikelihood(study, digest, wiring.signs, residual_gain=loose, noise=noise)
    sheared = unreferenced_cooldowns(study, digest, full.cooldowns)
    unknowns = Unknowns(study, full.cooldowns, measured, leave_out=integrated_kinds(study), sheared=sheared)
    rough = full.on_points(every_few)

    def search(effort: int) -> tuple[CampaignProblem, list[LocalMode]]:
        found = find_modes(
            CampaignProblem(unknowns, rough),
            rng,
            lambda done, total: say("searching for modes", done / total, f"{done} of {total} ascents"),
            effort=effort,
        )
        if not found:
            raise InputError(
                "no direction within the prior explains the data at all", remedy="Check the priors in the study"
            )
        say("polishing the modes", 0.0, "")
        problem, best = settle(CampaignProblem(unknowns, full), found[0].x)
        floor = found[0].log_posterior - 60
        high = np.array([best, *(mode.x for mode in found if mode.log_posterior >= floor)])
        polished: list[LocalMode] = []
        for better in ascend_all(problem, high):
            if better is not None and not any(
                np.sum((better.x - m.x) ** 2 / np.diag(m.covariance)) < 0.05 * better.x.size for m in polished
            ):
                polished.append(better)
        polished.sort(key=lambda m: -m.log_evidence)
        return problem, polished

    problem, polished = search(1)
    misfit = misfit_deviations(problem, polished[0].x) if polished else np.inf
    if misfit > SEARCHED_AGAIN:  # another chip, or a search that missed the mode that fits
        wider = search(WIDE_EFFORT)
        if wider[1] and misfit_deviations(wider[0], wider[1][0].x) < misfit - 1.0:
            problem, polished = wider
    return problem, polished, wiring


SETTLED = 0.1
"""Move of an eliminated parameter, in prior deviations, below which the reference point stays."""
MOST_MOVES = 4


def settle(problem: CampaignProblem, x: FloatArray) -> tuple[CampaignProblem, FloatArray]:
    """Move the likelihood's reference point to the mode that x (D,) leads to, and learn what is not known of its noise.

    In turn the unknowns climb to their mode, eliminated parameters go to their most probable values there (so that the
    likelihood is linearised about them), and the sizes of the residual gain and of the remainder are taken under which the
    data are most probable.

    Returns
    -------
    CampaignProblem
    ndarray (D,)
        The mode.
    """
    unknowns, likelihood = problem.unknowns, problem.likelihood
    stated = likelihood.study.noise.residual_gain
    for turn in range(MOST_MOVES):
        best = ascend(problem, x)
        x = x if best is None else best.x
        before = likelihood.reference
        reference = likelihood.moved_to(problem.parameters(x[None]))
        likelihood = likelihood.rebuilt(reference=reference)
        if turn == 0:
            gains = [stated, *(g for g in RESIDUAL_GAINS if g > stated * 1.2)]
            candidates = {g: likelihood.rebuilt(residual_gain=g) for g in gains}
            likelihood = candidates[estimate_residual_gain(candidates, reference)]
        problem = CampaignProblem(unknowns, likelihood)
        if not any(likelihood.eliminated.values()) or (before is not None and likelihood.distance(before) < SETTLED):
            break
    best = ascend(problem, x)
    return problem, x if best is None else best.x


def orient(
    study: Study,
    digest: Digest,
    *,
    seed: int = 0,
    max_seconds: float | None = None,
    wanted_ess: float | None = None,
    progress: Progress | None = None,
    jumping: bool = True,
    distrusted: Sequence[Distrusted] = (),
    chain_file: str | os.PathLike[str] | None = None,
    quadrature_file: str | os.PathLike[str] | None = None,
) -> Orientation:
    """Infer the direction of the source from a campaign's digest.

    Parameters
    ----------
    study : Study
    digest : Digest
    seed : int
        Same seed, same answer (on one machine).
    max_seconds : float, optional
        Time limit of the sampling.
    wanted_ess : float, optional
        Effective samples; the study's figure by default.
    progress : callable, optional
        Called with (what, share done, detail).
    jumping : bool
        Switch of the mode-jumping move, for tests.
    distrusted : sequence of Distrusted
        Sweeps unlike their repeats, to be named in the result, where the digest does not list them itself.
    chain_file : path-like, optional
        Where to keep the chains while they grow (HDF5).  If it holds those of the same run, cut short by a kill, a time
        limit or an interrupt, sampling goes on from there and gives what it would have given without the break.
    quadrature_file : path-like, optional
        Where to keep the reduced quadrature; taken from there only if it is of this very problem, with the same answer.

    Returns
    -------
    Orientation

    Raises
    ------
    InputError
        If the digest cannot be used with the study.
    ModelError
        If the model is not finite somewhere in the prior.
    """
    _check_digest(study, digest)
    distrusted = digest.distrusted or distrusted
    problem, modes, wiring = prepare(study, digest, rng=stream(seed, "search"), progress=progress)
    posterior = sample_as_stated(
        problem,
        seed,
        modes,
        wanted_ess=wanted_ess,
        max_seconds=max_seconds,
        jumping=jumping,
        progress=progress,
        file=chain_keeper(chain_file, study, digest.content_hash(), seed, jumping),
        quadrature_file=quadrature_file,
    )
    say = progress or (lambda what, share, detail: None)
    best = modes[0].x
    explicit, explicit_best = problem.explicit(best)
    say("predictive check", 0.0, "")
    check = predictive_check(explicit, explicit_best, stream(seed, "predictive check"))
    say("no-source hypothesis", 0.0, "")
    null = no_source_problem(problem, integrated_kinds(study))
    null_log, null_sd, null_ess = null_evidence(null, stream(seed, "null evidence"), posterior.log_evidence)
    factor = posterior.log_evidence - null_log
    factor_sd = float(np.hypot(posterior.log_evidence_sd, null_sd))
    findings, limit = _findings(study, digest, explicit, posterior, wiring, explicit_best)
    verdict = judge(
        posterior, check, draws_that_matter(posterior, null_ess, factor), distrusted_share(digest, distrusted)
    )
    findings += unseen_words(check.suspicion) + distrusted_words(digest, distrusted)
    if verdict.trust != "reliable":
        findings += kept_words(distrusted)
    drawn = posterior.thinned()
    parameters = problem.parameters(drawn, stream(seed, "pump phases of draws"), posterior.reduced)
    table = _table(problem, explicit.unknowns, drawn, parameters)
    document = answer_document(
        study,
        Unknowns(study, problem.unknowns.cooldowns, problem.measured),
        posterior,
        wiring,
        asdict(check),
        verdict,
        findings,
        limit,
        (factor, factor_sd),
        table[2],
        {
            "kind": study.data.kind,
            "sweeps": digest.sweeps,
            "left_out": [d.file for d in distrusted if d.left_out],
            "groups": len(digest),
            "states": sorted({k.state for k in digest}),
            "cooldowns": list(problem.likelihood.cooldowns),
            "residual_gain": problem.likelihood.residual_gain,
            "frequencies_used": posterior.frequencies,
            "reduced_quadrature_error": posterior.reduction_error,
        },
        digest.content_hash(),
    )
    return Orientation(
        document, study, posterior, problem.parameters(best[None]), parameters, table, digest, problem.likelihood, check
    )


def _check_digest(study: Study, digest: Digest) -> None:
    names = {i.name for i in study.isolators}
    states = {s.name for s in study.states}
    for key in digest:
        if key.isolator not in names:
            raise InputError(
                f'the digest has sweeps of isolator "{key.isolator}", which the study does not define',
                where=study.path.name,
                remedy="Digest the traces again with this study's log",
            )
        if key.state not in states:
            raise InputError(
                f'the digest has sweeps in state "{key.state}", which the study does not define',
                where=study.path.name,
                remedy="Define the state in the study",
            )
        if len(key.bias_a) != len(study.bias_lines):
            raise InputError(
                f"the digest has {len(key.bias_a)} bias currents, the study {len(study.bias_lines)} bias lines",
                where=study.path.name,
                remedy="Digest the traces again with this study's log",
            )
    kinds = {s.name: s.kind for s in study.states}
    if not any(kinds[k.state] in ("in", "turned") for k in digest if k.pump_on):
        raise InputError(
            "no pump-on sweep was taken with the source in, so there is no direction to infer",
            where=str(study.log),
            remedy='Log at least one sweep with a state of kind "in" or "turned"',
        )


def _table(
    problem: CampaignProblem, unknowns: Unknowns, drawn: FloatArray, parameters: ChipParameters
) -> tuple[tuple[str, ...], tuple[str, ...], FloatArray]:
    """All unknowns, those integrated over included, in SI units for whitened draws (N, D)."""
    sampled = problem.unknowns
    physical = sampled.physical(drawn)
    columns = {name: physical[:, n] for n, name in enumerate(sampled.names)}
    out = np.empty((len(drawn), unknowns.size))
    for n, name in enumerate(unknowns.names):
        if name in columns:
            out[:, n] = columns[name]
        else:
            out[:, n] = parameters[PUMP_PHASE][:, unknowns.nuisances[n - unknowns.lead].index[0]]
    return unknowns.names, unknowns.units, out


def null_evidence(null: Problem, rng: np.random.Generator, against: float) -> tuple[float, float, float]:
    """Log evidence of a hypothesis without a source, its error, and the effective number of draws.

    Where Laplace's approximation puts it hopelessly below the log evidence `against`, a few draws must do.
    """
    if null.unknowns.size == 0:
        return float(null.log_likelihood(np.zeros((1, 0)))[0]), 0.0, np.inf
    found = find_modes(null, rng)
    if not found:
        return -np.inf, 0.0, np.inf
    if found[0].log_evidence < against - ROUGH_LOG_ODDS:
        return evidence(null, from_modes(found), rng, FEW_DRAWS)
    mixture, _ = _proposal(null, found, rng, rounds=4)
    reduced = compress(null, mixture, rng) if isinstance(null, CampaignProblem) else None
    return evidence(reduced or null, mixture, rng)


def _findings(
    study: Study,
    digest: Digest,
    problem: CampaignProblem,
    posterior: Posterior,
    wiring: Wiring,
    best: FloatArray,
) -> tuple[list[str], dict[str, Any]]:
    """Sentences on what the data can and cannot say, and the table of what limits the answer."""
    out = rank_words(study)
    states = list(dict.fromkeys(k.state for k in digest if k.pump_on))
    missing = reference_words(study, states)
    now, table = limits(problem, best)
    numbers: dict[str, Any] = {
        "angular_error_deg": now,
        "if_known": {x.kind: x.error_if_known_deg for x in table},
    }
    if missing:
        with_reference = error_with_reference_deg(problem, best)
        numbers["with_reference_sweeps_deg"] = with_reference
        share = next((x.error_if_known_deg for x in table if x.kind == "offset"), now)
        words = "dominate" if share < 0.7 * now else "add to"
        out.append(
            f"{missing[0]} They {words} the error: {now:.2g} degrees as it is, {with_reference:.2g} degrees with as many "
            "sweeps again taken with the source out."
        )
    out += zero_bias_words(study, list(dict.fromkeys(k.bias_a for k in digest if k.pump_on)))
    out += mode_words(posterior)
    if table and not missing and table[0].error_if_known_deg < 0.7 * now:
        out.append(
            f"What limits the answer most: the {table[0].words}. The error is {now:.2g} degrees as it is, and would be "
            f"{table[0].error_if_known_deg:.2g} degrees with exact knowledge of that."
        )
    for n, (odds, stated) in enumerate(zip(wiring.log_odds, wiring.stated, strict=True)):
        if stated and odds < -10:
            out.append(
                f'The sweeps contradict the stated wiring of isolator "{study.isolators[n].name}" (log odds {odds:.0f}): '
                "pump ports 1 and 2 may be exchanged."
            )
    raised = problem.likelihood.residual_gain
    if raised > study.noise.residual_gain:
        out.append(
            f"The traces show gain errors of about {100 * raised:.2g}% between settings, more than the study states "
            f"({100 * study.noise.residual_gain:.2g}%); the larger figure was used."
        )
    return out, numbers


def mode_words(posterior: Posterior) -> list[str]:
    """A sentence if the data leave more than one direction; empty if not."""
    heavy = [m for m in posterior.groups.modes if m.weight >= 0.02]
    if len(heavy) == 2 and float(heavy[0].mean @ heavy[1].mean) < -0.9:
        return [
            f"The data leave two opposite directions, with weights {heavy[0].weight:.2f} and {heavy[1].weight:.2f}: the axis "
            "is determined, the sense along it is not."
        ]
    if len(heavy) >= 2:
        weights = ", ".join(f"{m.weight:.2f}" for m in heavy)
        return [f"The data leave {len(heavy)} separate directions, with weights {weights}: see the table of modes."]
    return []


def distrusted_share(digest: Digest, distrusted: Sequence[Distrusted]) -> float:
    """Largest share of a group's sweeps that was left out."""
    left_out: dict[GroupKey, int] = {}
    for d in (d for d in distrusted if d.left_out):
        left_out[d.key] = left_out.get(d.key, 0) + 1
    return max((n / (n + (digest[k].count if k in digest else 0)) for k, n in left_out.items()), default=0.0)


def distrusted_words(digest: Digest, distrusted: Sequence[Distrusted]) -> list[str]:
    """A sentence that names the sweeps left out; empty if there are none."""
    gone = [d for d in distrusted if d.left_out]
    if not gone:
        return []
    return [
        f"{len(gone)} of {digest.sweeps + len(gone)} sweeps do not look like their repeats and were left out: {_files(gone)}. "
        "A jump of trapped flux, a wrong setting or interference can be the cause."
    ]


def kept_words(distrusted: Sequence[Distrusted]) -> list[str]:
    """A sentence that names the sweeps unlike their repeats that were kept; empty if there are none."""
    kept = [d for d in distrusted if not d.left_out]
    if not kept:
        return []
    return [
        f"Sweeps unlike their repeats, of which there are too few to leave any out: {_files(kept)}. Look at these first; with "
        f"{FEWEST_REPEATS} repeats or more such a sweep is left out."
    ]


def _files(distrusted: Sequence[Distrusted]) -> str:
    return ", ".join(d.file for d in distrusted[:6]) + (", ..." if len(distrusted) > 6 else "")


HOPELESS_LOG_ODDS = 100.0
"""Log Bayes factor beyond which the error of the evidence of no source is no cause for doubt."""


def draws_that_matter(posterior: Posterior, null_ess: float, factor: float) -> float:
    """Effective draws behind the Bayes factor: the fewer of both hypotheses, unless no source is out of the question.

    Where no source explains the data its best fit lies far out in the prior's tails, in a narrow bent valley that a mixture
    follows badly; a factor of exp(100) does not hang on that.
    """
    return posterior.evidence_ess if factor > HOPELESS_LOG_ODDS else min(posterior.evidence_ess, null_ess)


TRACE_ADVICE = (
    "Check that the traces belong to this chip, that its parameters are right, and that no flux jump or interference lies "
    "within a group or the pump-off sweeps that it is divided by."
)


def judge(
    posterior: Posterior,
    check: PredictiveCheck | None,
    evidence_ess: float,
    left_out: float = 0.0,
    advice: str = TRACE_ADVICE,
) -> Verdict:
    """The verdict on a result, from the chains and the predictive check.

    Parameters
    ----------
    posterior : Posterior
    check : PredictiveCheck or None
    evidence_ess : float
        Effective draws behind the evidence.
    left_out : float
        Largest share of a group's sweeps that was left out as not like its repeats.
    advice : str
        What to look at if the data do not fit.

    Returns
    -------
    Verdict
    """
    order = ("reliable", "tentative", "unusable")
    level, reasons = 0, []
    if check is not None and check.p_value < MISFIT_DOUBTFUL:
        level = 2 if check.p_value < MISFIT_BAD else 1
        reasons.append(
            f"The data do not look like draws of the model (misfit {check.chi_square:.0f} for {check.degrees:.0f} expected, "
            f"probability {check.p_value:.1g}; worst: {check.worst_name}). {advice}"
        )
    if check is not None:
        doubt = check.suspicion
        listed = posterior.problem.unknowns.source_prior.candidates is not None  # there is no angle to move by then
        if doubt.probability < MISFIT_BAD if listed else doubt.shift_sd > SHIFT_DOUBTFUL:
            level = max(level, 2 if not listed and doubt.probability < MISFIT_BAD and doubt.shift_sd > SHIFT_BAD else 1)
            moved = f"would move the direction by up to {doubt.shift_sd:.2g} standard deviations"
            reasons.append(
                f"The data look as if {doubt.name} were not what the study says (probability {doubt.probability:.1g}); freeing "
                f"what does not fit {'could change the choice' if listed else moved}. Characterize it again, state its "
                "uncertainty, or look at those sweeps."
            )
        if doubt.conflict < MISFIT_DOUBTFUL:
            level = max(level, 1)
            reasons.append(
                f"The data put {doubt.conflict_name} {abs(doubt.conflict_sd):.1f} standard deviations from where the study states it "
                f"(probability {doubt.conflict:.1g}). Either that statement is too narrow, or another one is wrong and this takes "
                "its place."
            )
    diagnosis = posterior.diagnosis
    if diagnosis.verdict != "good":
        level = max(level, {"doubtful": 1, "bad": 2}[diagnosis.verdict])
        reasons += list(diagnosis.advice[:5])
    if posterior.chains.stopped in ("time", "interrupted"):
        words = {"time": "the time limit was reached", "interrupted": "it was interrupted"}[posterior.chains.stopped]
        reasons.append(f"Sampling ended early: {words}. On the command line, the same command goes on from there.")
        level = max(level, 1)
    if posterior.reduction_error > 0.1:
        level = max(level, 1)
        reasons.append(
            f"The reduced quadrature is off by {posterior.reduction_error:.2g} in log-likelihood at some posterior point."
        )
    for name, share in posterior.problem.unknowns.at_bounds(posterior.chains.flat):
        if share > AT_BOUND_DOUBTFUL:
            level = max(level, 1)
            reasons.append(
                f"{100 * share:.0f}% of the draws lie against the bound of the prior of {name}: the data may want a value beyond "
                "it. Widen that prior, or find out what the data disagree with."
            )
    if posterior.shift > LARGEST_SHIFT:
        level = max(level, 1)
        reasons.append(
            f"Sampling and quadrature disagree: their means of the source differ by {posterior.shift:.2g} standard deviations."
        )
    if left_out > MOST_LEFT_OUT:
        level = max(level, 1)
        reasons.append(
            f"{100 * left_out:.0f}% of the sweeps of some group do not look like the rest: which half is right cannot be told. "
            "Look at that group's sweeps in the order of time."
        )
    if evidence_ess < 30:
        reasons.append("The evidence rests on fewer than 30 effective draws; do not quote the Bayes factor.")
        level = max(level, 1)
    if level == 0:
        reasons.append("The ensembles agree, the chains are long enough, and the data look like draws of the model.")
    return Verdict(order[level], tuple(reasons))


def plain_json(value: Any) -> Any:
    """numpy values as plain JSON ones."""
    if isinstance(value, dict):
        return {str(k): plain_json(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_json(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain_json(value.tolist())
    if isinstance(value, (np.bool_, bool)):
        return bool(value)
    if isinstance(value, (np.integer, int)):
        return int(value)
    if isinstance(value, (np.floating, float)):
        number = float(value)
        return number if np.isfinite(number) else None
    return value


def _direction_entry(vector: FloatArray) -> dict[str, Any]:
    azimuth, elevation = angles_from_vector(vector)
    return {
        "azimuth_deg": float(np.degrees(azimuth)),
        "elevation_deg": float(np.degrees(elevation)),
        "vector": [float(x) for x in vector],
    }


def answer_document(
    study: Study,
    unknowns: Unknowns,
    posterior: Posterior,
    wiring: Wiring,
    check: dict[str, Any],
    verdict: Verdict,
    findings: Sequence[str],
    limit: dict[str, Any],
    factor: tuple[float, float],
    values: FloatArray,
    data: dict[str, Any],
    data_hash: str,
) -> dict[str, Any]:
    """The document of an answer.

    Parameters
    ----------
    study : Study
    unknowns : Unknowns
        All of them, those integrated over included.
    posterior : Posterior
    wiring : Wiring
    check : dict
        The predictive check.
    verdict : Verdict
    findings : sequence of str
    limit : dict
    factor : tuple of float
        Log Bayes factor of source against none, and its error.
    values : ndarray (N, D)
        Draws of the unknowns in SI units.
    data : dict
        What was measured.
    data_hash : str
    """
    odds = antipodal_odds(posterior.directions, posterior.direction)
    diagnosis = posterior.diagnosis
    agreement = diagnosis.weights
    chains = posterior.chains
    calls = chains.calls
    worst_ess = min(min(q.ess_bulk, q.ess_tail) for q in diagnosis.quantities)
    document: dict[str, Any] = plain_json(
        {
            "format": 1,
            "title": study.title,
            "invented": study.invented,
            "direction": _direction_entry(posterior.direction),
            "region": [
                {
                    "level": r.level,
                    "solid_angle_sr": r.solid_angle_sr,
                    "solid_angle_sd_sr": r.solid_angle_error_sr,
                    "cone_deg": r.cone_deg,
                    **({} if r.candidates is None else {"candidates": r.candidates}),
                }
                for r in posterior.regions
            ],
            "modes": [
                {
                    "weight": m.weight,
                    "weight_sd": None if agreement is None else agreement.error[n],
                    "angular_sd_deg": np.degrees(m.angular_sd_rad),
                    **_direction_entry(np.asarray(m.mean)),
                }
                for n, m in enumerate(posterior.groups.modes)
            ],
            "antipodal_odds": odds.odds,
            "antipodal_odds_is_lower_bound": odds.opposite == 0,
            "size": {
                "mean": posterior.sizes.mean(),
                "sd": posterior.sizes.std(),
                "unit": unit_of_source(study.source.kind),
            },
            "log_bayes_factor": factor[0],
            "log_bayes_factor_sd": factor[1],
            "verdict": {"trust": verdict.trust, "reasons": verdict.reasons},
            "findings": findings,
            "limits": limit,
            "predictive_check": check,
            "nuisances": [
                {
                    "name": n.name,
                    "prior_mean": n.mean,
                    "prior_sd": n.value_sd,
                    "mean": values[:, column].mean(),
                    "sd": values[:, column].std(),
                    "unit": n.unit,
                }
                for column, n in enumerate(unknowns.nuisances, 3)
            ],
            "wiring": [
                {
                    "isolator": iso.name,
                    "pump_port_1_phase": "+90 deg" if wiring.signs[n] > 0 else "-90 deg",
                    "stated": wiring.stated[n],
                    "log_odds": wiring.log_odds[n],
                }
                for n, iso in enumerate(study.isolators)
            ],
            "sampling": {
                "ensembles": chains.x.shape[0],
                "walkers": chains.x.shape[2],
                "steps": chains.steps,
                "burn": chains.burn,
                "acceptance": chains.acceptance,
                "likelihood_calls": calls,
                "effective_samples": worst_ess,
                "effective_samples_per_call": worst_ess / max(calls, 1),
                "stopped": chains.stopped,
                "largest_r_hat": max(q.r_hat for q in diagnosis.quantities),
                "quantities": [
                    {
                        "name": q.name,
                        "r_hat": q.r_hat,
                        "ess_bulk": q.ess_bulk,
                        "ess_tail": q.ess_tail,
                        "autocorrelation_steps": q.autocorrelation.steps,
                        "verdict": q.verdict,
                    }
                    for q in diagnosis.quantities
                ],
            },
            "quadrature": None
            if posterior.quadrature is None
            else {
                "log_evidence": posterior.quadrature.log_evidence,
                "log_evidence_error": posterior.quadrature.log_evidence_error,
                "points": len(posterior.quadrature.weight),
                "largest_shift_sd": posterior.shift,
            },
            "data": data,
            "provenance": {
                "seed": posterior.seed,
                "digest_hash": data_hash,
                "study_hash": study.sha256,
                "versions": {
                    "fluxsense": fluxsense.__version__,
                    "python": platform.python_version(),
                    **{name: version(name) for name in ("numpy", "scipy", "emcee", "arviz-stats")},
                },
            },
        }
    )
    return document


def answer_sentence(document: dict[str, Any]) -> str:
    """The answer in one sentence, with whether to believe it."""
    d = document["direction"]
    r90 = next(r for r in document["region"] if abs(r["level"] - 0.9) < 1e-9)
    trust = {
        "reliable": "This result is reliable",
        "tentative": "This result is tentative: do not rely on it yet",
        "unusable": "This result is unusable: do not believe it",
    }[document["verdict"]["trust"]]
    heavy = [m for m in document["modes"] if m["weight"] >= 0.02]
    if "candidates" in r90:
        others = "; ".join(
            f"azimuth {m['azimuth_deg']:.1f}, elevation {m['elevation_deg']:.1f} degrees with probability {m['weight']:.3g}"
            for m in heavy
        )
        return f"{trust}. Of the candidate directions, the source has: {others}."
    if len(heavy) > 1:
        others = " and ".join(f"azimuth {m['azimuth_deg']:.1f}, elevation {m['elevation_deg']:.1f}" for m in heavy)
        return (
            f"{trust}. The source points in one of {len(heavy)} directions (degrees): {others}; "
            f"the 90% region covers {r90['solid_angle_sr']:.3g} sr."
        )
    if r90["solid_angle_sr"] > LOOSE_SR:
        return (
            f"{trust}. The direction is only loosely determined: the 90% region covers {r90['solid_angle_sr']:.2g} of the "
            f"sphere's {4 * np.pi:.3g} sr, about azimuth {d['azimuth_deg']:.0f} and elevation {d['elevation_deg']:.0f} degrees."
        )
    return (
        f"{trust}. The source points to azimuth {d['azimuth_deg']:.1f} and elevation {d['elevation_deg']:.1f} degrees, "
        f"within {r90['cone_deg']:.2g} degrees at 90% probability."
    )


def summary_lines(document: dict[str, Any]) -> list[str]:
    """The result as lines of text."""
    size = document["size"]
    lines = [answer_sentence(document)]
    for r in document["region"]:
        lines.append(
            f"  {100 * r['level']:.0f}% region: {r['solid_angle_sr']:.3g} sr, cone half-angle {r['cone_deg']:.3g} degrees"
        )
    lines.append(f"  size: ({size['mean']:.4g} +- {size['sd']:.2g}) {size['unit']}")
    bound = "at least " if document["antipodal_odds_is_lower_bound"] else ""
    lines.append(f"  odds against the opposite direction: {bound}{document['antipodal_odds']:.3g}")
    lines.append(
        f"  log Bayes factor, source against none: {document['log_bayes_factor']:.5g} +- {document['log_bayes_factor_sd']:.2g}"
    )
    for n, m in enumerate(document["modes"], 1):
        lines.append(
            f"  mode {n}: weight {m['weight']:.3f}, azimuth {m['azimuth_deg']:.2f}, elevation {m['elevation_deg']:.2f}, "
            f"spread {m['angular_sd_deg']:.2g} degrees"
        )
    lines += [f"  {x}" for x in document["verdict"]["reasons"]]
    lines += [f"  {x}" for x in document["findings"]]
    return lines
