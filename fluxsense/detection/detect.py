"""Was there a source, which way does it point, what would be missed: the document of `fluxsense detect` and its lines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

import fluxsense
from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers
from fluxsense.base.sphere import angle_between_rad, angles_from_vector, unit_vectors
from fluxsense.base.streams import stream
from fluxsense.base.units import format_quantity, unit_of_source
from fluxsense.data.digest import Digest
from fluxsense.data.noise_levels import measure_noise
from fluxsense.detection import evidence, probabilities, sequential, words
from fluxsense.detection import experiment as trials
from fluxsense.detection.linear import (
    LinearCampaign,
    drawn_campaigns,
    information_by_repeats,
    linear_campaign,
    score_statistic,
    simulated_statistics,
)
from fluxsense.detection.stored import Stored
from fluxsense.infer.modes import ascend, ascend_all
from fluxsense.infer.orient import INTEGRATED, measured_isolators, plain_json
from fluxsense.infer.wiring import read_wiring
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import CampaignProblem, no_source_problem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
Progress = Callable[[str, float, str], None]

REPEAT_FACTORS = (0.25, 1.0, 8.0, 64.0)
ROC_POINTS = (0.003, 0.01, 0.03, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9)
NUISANCE_DRAWS = 4
"""Sets of nuisances drawn from their priors over which the statements on the experiment are averaged."""
CLEAR = 100.0
"""Log Bayes factor beyond which the evidence of no source need not be known sharply."""


@dataclass(frozen=True)
class Promise:
    """Error rates that the statements on the experiment are made for."""

    false_alarm: float = 0.01
    detection: float = 0.9

    def __post_init__(self) -> None:
        for name, value in (("false-alarm", self.false_alarm), ("miss", 1 - self.detection)):
            if not 0 < value < 0.5:
                raise InputError(
                    f"the promised {name} rate is {value:g}", remedy="Give a rate between 0 and 0.5, such as 0.01"
                )


@dataclass(frozen=True)
class Confidence:
    """The result of `detect`: the document, and the campaign to first order.

    Attributes
    ----------
    document : dict
        Plain JSON values.
    campaign : LinearCampaign
    """

    document: dict[str, Any]
    campaign: LinearCampaign

    def __str__(self) -> str:
        return "\n".join(confidence_lines(self.document))


def detect(
    study: Study,
    digest: Digest,
    stored: Stored | None,
    *,
    seed: int = 0,
    promise: Promise | None = None,
    toward: Sequence[npt.ArrayLike] = (),
    simulations: int = 300,
    planned: bool = False,
    progress: Progress | None = None,
    executor: Workers | None = None,
) -> Confidence:
    """Say with what confidence a campaign shows a source and its direction, and what it would have missed.

    Parameters
    ----------
    study : Study
    digest : Digest
        Measured, or simulated without a source for a planned experiment.
    stored : Stored or None
        What `orient` left; None for a planned experiment.
    seed : int
    promise : Promise, optional
    toward : sequence of array_like (3,)
        Exact directions to compare with each other; the candidates of a study with a list of directions come first.
    simulations : int
        Campaigns simulated with and without a source, beside the approximation; 0 for none.
    planned : bool
        Leave out what only data can tell.
    progress : callable, optional
        Called with (what, share done, detail).
    executor : concurrent.futures.Executor or fluxsense.base.executors.Processes, optional
        Where campaigns are simulated; the result is the same anywhere.

    Returns
    -------
    Confidence

    Raises
    ------
    InputError
        If the stored posterior does not belong to study and digest.
    """
    require_complex_traces(study)
    rates = promise or Promise()
    say = progress or (lambda what, share, detail: None)
    unit = unit_of_source(study.source.kind)
    document: dict[str, Any] = {
        "format": 1,
        "title": study.title,
        "invented": study.invented,
        "planned": planned,
        "promised": {"false_alarm": rates.false_alarm, "detection": rates.detection},
        "unit": unit,
    }
    reasons: list[str] = []
    trust = "reliable"
    if planned:
        likelihood = planned_likelihood(study, digest)
    else:
        if stored is None or not stored.fits(study, digest):
            raise InputError(
                "the stored posterior belongs to another study or other traces",
                where=study.path.name,
                remedy="Run fluxsense orient again",
            )
        problem = stored.problem(study, digest)
        likelihood = problem.likelihood
        trust, reasons = stored.trust, list(stored.reasons) if stored.trust != "reliable" else []
        part, doubts = _evidence_part(problem, stored, stream(seed, "detect: evidence"), say)
        document.update(part)
        reasons += doubts
        if doubts and trust == "reliable":
            trust = "tentative"
        document["direction"] = _direction_part(problem, stored)
        candidates = [*study.source.direction.candidates, *toward]
        if candidates:
            document["directions"], more = _compare_directions(
                problem, candidates, stream(seed, "detect: directions compared"), say
            )
            reasons += more
            if more and trust == "reliable":
                trust = "tentative"
    say("the experiment", 0.0, "")
    # at prior means: what such an experiment sees on average over its nuisances, whatever these data were
    nominal = np.zeros(
        Unknowns(
            study, likelihood.cooldowns, measured_isolators(study, digest), with_source=False, leave_out=INTEGRATED
        ).size
    )
    campaign = linear_campaign(study, digest, likelihood, at=nominal)
    document["experiment"] = _experiment_part(study, digest, campaign, rates, seed, simulations, say, executor)
    if not planned:
        fitted = linear_campaign(study, digest, likelihood)
        document["statistic"] = _statistic_part(
            fitted, document["experiment"], stream(seed, "detect: statistic without a source")
        )
    if not reasons:
        reasons = [
            "The approximation holds for weak sources; its rates are measured by simulation beside it."
            if planned
            else "Both routes to each evidence agree within their errors."
        ]
    document["verdict"] = {"trust": trust, "reasons": reasons}
    document["provenance"] = {
        "seed": seed,
        "digest_hash": digest.content_hash(),
        "study_hash": study.sha256,
        "orient_seed": None if stored is None else stored.seed,
        "versions": {"fluxsense": fluxsense.__version__},
    }
    return Confidence(plain_json(document), campaign)


def require_complex_traces(study: Study) -> None:
    """Refuse data that this module has no statistic for.

    Raises
    ------
    InputError
        If the study reads magnitudes or directions of transmission only.
    """
    if study.data.kind != "complex":
        raise InputError(
            f'detect needs complex traces; the study uses kind = "{study.data.kind}"',
            where=f"{study.path.name}: data.kind",
            remedy="The log Bayes factor that orient prints holds for such data",
        )


def planned_likelihood(study: Study, digest: Digest) -> RatioLikelihood:
    """Likelihood of a campaign that is only planned: wiring as stated (or +), noise as the study states it."""
    noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
    measured = measured_isolators(study, digest)
    return RatioLikelihood(study, digest, read_wiring(study, digest, measured).signs, noise=noise)


# ---------------------------------------------------------------- parts of the document


def _estimate(e: evidence.Estimate) -> dict[str, Any]:
    return {"log_evidence": e.log_value, "sd": e.sd, "effective_draws": e.effective}


def _evidence_entry(e: evidence.Evidence) -> dict[str, Any]:
    return {
        "importance": _estimate(e.importance),
        "bridge": _estimate(e.bridge),
        "difference": e.difference,
        "agree": e.agrees,
    }


def _evidence_part(
    problem: Any, stored: Stored, rng: np.random.Generator, say: Progress
) -> tuple[dict[str, Any], list[str]]:
    say("evidence of a source", 0.0, "")
    source, _ = evidence.weigh(
        problem,
        rng,
        mixture=stored.mixture,
        posterior=(stored.x, stored.log_posterior),
        draws=3000,
        enough=300,
        reduce=False,
    )
    say("evidence of no source", 0.0, "")
    none_problem = no_source_problem(problem, INTEGRATED)
    start = ascend(none_problem, np.zeros(none_problem.unknowns.size)) if none_problem.unknowns.size else None
    clear = start is not None and source.log_value - start.log_evidence > CLEAR
    effort: dict[str, Any] = {"draws": 2000, "fit_draws": 500, "fit_rounds": 3}
    if clear:  # far beyond doubt: neither many draws nor the reduced quadrature (the misfit is too large) are of use
        effort = {"draws": 1000, "enough": 120, "fit_draws": 300, "fit_rounds": 2, "steps": 24, "walkers": 2}
        effort["reduce"] = False
    none, _ = evidence.weigh(none_problem, rng, modes=None if start is None else [start], **effort)
    say("prior sensitivity", 0.0, "")
    moved = evidence.prior_sensitivity(problem, stored.mixture, rng, draws=600, drawn=source.drawn)
    factor = source.log_value - none.log_value
    sd = float(np.hypot(source.sd, none.sd))
    bridged = source.bridge.log_value - none.bridge.log_value
    doubts = [r for r in (source.reason("a source"), none.reason("no source")) if r]
    part = {
        "log_bayes_factor": factor,
        "log_bayes_factor_sd": sd,
        "log_bayes_factor_bridge": bridged,
        "scale": words.KASS_RAFTERY,
        "grade": words.kass_raftery(factor),
        "evidence": {"source": _evidence_entry(source), "none": _evidence_entry(none)},
        "prior_sensitivity": [
            {
                "size_prior_times": s.factor,
                "log_bayes_factor": factor + s.change,
                "change": s.change,
                "sd": s.sd,
                "effective_draws": s.effective,
                "grade": words.kass_raftery(factor + s.change),
            }
            for s in moved
        ],
    }
    return part, doubts


def _entry(p: probabilities.Probability) -> dict[str, float]:
    return {"probability": p.value, "sd": p.sd, "smallest": p.smallest}


def _direction_part(problem: Any, stored: Stored) -> dict[str, Any]:
    vectors = problem.unknowns.source(stored.x.reshape(-1, stored.x.shape[-1]))
    sizes = np.sqrt(np.sum(vectors**2, axis=1))
    unit = (vectors / np.where(sizes > 0, sizes, 1.0)[:, None]).reshape(*stored.x.shape[:3], 3)
    mean = unit.reshape(-1, 3).mean(axis=0)
    # the middle of the posterior: the draw nearest the mean direction stands in where the mean vanishes
    axis = unit_vectors(mean) if np.sqrt(mean @ mean) > 1e-3 else unit.reshape(-1, 3)[0]
    n = stored.effective
    azimuth, elevation = angles_from_vector(axis)
    cones = {
        f"{deg:g}": _entry(probabilities.within_cone(unit, axis, np.radians(deg), n)) for deg in (1.0, 5.0, 20.0, 90.0)
    }
    signs = {name: _entry(probabilities.wrong_sign(unit, np.eye(3)[k], n)) for k, name in enumerate(("x", "y", "z"))}
    return {
        "azimuth_deg": float(np.degrees(azimuth)),
        "elevation_deg": float(np.degrees(elevation)),
        "within_cone_deg": cones,
        "nearer_than_its_reverse": _entry(probabilities.nearer(unit, axis, -axis, n)),
        "wrong_sign": signs,
        "size_quantiles": dict(zip(("5%", "50%", "95%"), np.quantile(sizes, (0.05, 0.5, 0.95)), strict=True)),
    }


def _compare_directions(
    problem: Any, candidates: Sequence[npt.ArrayLike], rng: np.random.Generator, say: Progress
) -> tuple[list[dict[str, Any]], list[str]]:
    found, doubts = [], []
    for n, direction in enumerate(candidates):
        say("comparing directions", n / len(candidates), f"{n} of {len(candidates)}")
        vector = unit_vectors(np.asarray(direction, dtype=np.float64))
        line = evidence.direction_problem(problem, vector, INTEGRATED)
        azimuth, elevation = (float(np.degrees(x)) for x in angles_from_vector(vector))
        name = f"azimuth {azimuth:.4g}, elevation {elevation:.4g} degrees"
        modes = evidence.line_modes(line)
        if not modes:
            raise InputError(f"the direction {name} does not explain the data at all", remedy="Check the priors")
        value, _ = evidence.weigh(line, rng, modes=modes, draws=1000, fit_draws=400, fit_rounds=3, steps=60, walkers=2)
        reason = value.reason(name)
        if reason:
            doubts.append(reason)
        found.append((name, azimuth, elevation, vector, value))
    p = probabilities.list_probabilities([f[4].log_value for f in found])
    best = int(np.argmax(p))
    return [
        {
            "name": name,
            "azimuth_deg": azimuth,
            "elevation_deg": elevation,
            "vector": vector,
            "probability_in_list": p[n],
            "log_bayes_factor_to_best": value.log_value - found[best][4].log_value,
            "sd": float(np.hypot(value.sd, found[best][4].sd)) if n != best else 0.0,
            "angle_to_best_deg": float(np.degrees(angle_between_rad(vector, found[best][3]))),
            **_evidence_entry(value),
        }
        for n, (name, azimuth, elevation, vector, value) in enumerate(found)
    ], doubts


def _experiment_part(
    study: Study,
    digest: Digest,
    campaign: LinearCampaign,
    rates: Promise,
    seed: int,
    simulations: int,
    say: Progress,
    executor: Workers | None,
) -> dict[str, Any]:
    scale = study.source.size
    rng = stream(seed, "detect: the experiment")
    m = campaign.block()
    drawn = drawn_campaigns(study, digest, campaign, rng, NUISANCE_DRAWS)
    gains = np.array([np.trace(d.campaign.block()) for d in drawn]) / np.trace(m)
    scores = trials.ScoreDraws.of(
        [d.campaign.information for d in drawn],
        rng,
        int(np.clip(300 / rates.false_alarm, 20_000, 400_000)),
        len(campaign.positions_m),
    )
    look = trials.look_elsewhere(campaign.information, rates.false_alarm, rng, drawn=scores)
    smallest = trials.smallest_size(m, rates.false_alarm, rates.detection, look.position, gains)
    size = scores.smallest(look.position, rates.detection)
    seen = bool(np.isfinite(size))
    probe = size if seen else smallest.best
    best, worst = smallest.best_direction, smallest.worst_direction
    repeats = [g.count for k, g in digest.items() if k.pump_on]
    taken = float(np.median(repeats))
    information_at = information_by_repeats(campaign)
    fall = trials.fall_with_repeats(
        information_at, REPEAT_FACTORS, 10 * probe * best, rates.false_alarm, rates.detection
    )
    roc = trials.predicted_roc(campaign.information, probe, rng, ROC_POINTS, gains=gains, drawn=scores)
    simulated = None
    if simulations > 0:
        say("simulating campaigns", 0.0, "")
        null, hit = (
            simulated_statistics(
                drawn, simulations, size * scale, stream(seed, "detect: simulated campaigns", n), executor
            )
            for n, size in enumerate((0.0, probe))
        )
        alarm, caught = float(np.mean(null >= look.position)), float(np.mean(hit >= look.position))
        simulated = {
            "campaigns": simulations,
            "false_alarm": alarm,
            "false_alarm_sd": float(np.sqrt(rates.false_alarm * (1 - rates.false_alarm) / simulations)),
            "detection": caught,
            "detection_sd": float(np.sqrt(max(caught * (1 - caught), 1 / simulations) / simulations)),
            "roc": trials.empirical_roc(null, hit, ROC_POINTS),
        }
    per_repeat = float(probe**2 * np.trace(information_at(1.0, "white")) / 3 / taken)
    d = float(np.sqrt(per_repeat))
    miss = 1 - rates.detection
    fixed = sequential.fixed_information(rates.false_alarm, miss) / per_repeat
    limits = sequential.Limits.of(rates.false_alarm, miss)
    batches = sequential.operating(limits, d)
    growing = np.geomspace(REPEAT_FACTORS[0], REPEAT_FACTORS[-1], 25)
    angle = trials.smallest_angle(m, 10 * probe * best)
    return {
        "repeats": taken,
        "smallest_size": {
            "random_direction": size * scale if seen else None,
            "best_direction": smallest.best * scale,
            "worst_direction": smallest.worst * scale if np.isfinite(smallest.worst) else None,
            "best_vector": best,
            "worst_vector": worst,
        },
        "thresholds": {
            "known": look.known,
            "unknown_direction": look.direction,
            "unknown_direction_and_position": look.position,
            "upper_bound": look.upper,
            "degrees": look.degrees,
            "degrees_of_all_positions": look.degrees_all,
            "local_false_alarm": look.local_probability,
        },
        "roc": {
            "size": probe * scale,
            "false_alarm": roc.false_alarm,
            "known": roc.known,
            "unknown_direction": roc.direction,
            "unknown_direction_and_position": roc.position,
        },
        "simulated": simulated,
        "smallest_angle_deg": {
            "at_size": 10 * probe * scale,
            "wrong_choice": 0.05,
            "best": np.degrees(angle.best),
            "worst": np.degrees(angle.worst),
        },
        "repeats_fall": {
            "repeats": [taken * f for f in fall.repeats],
            "smallest_size": fall.size * scale,
            "without_flux_noise": fall.without_flux_noise * scale,
            "slow_flux_noise": fall.slow_flux_noise * scale,
            "smallest_angle_deg": np.degrees(fall.angle_rad),
            "floor": fall.floor * scale,
        },
        "detection_against_size": {
            "size": (sizes := probe * np.linspace(0.05, 2.0, 40)) * scale,
            "probability": [scores.detection(float(s), look.position) for s in sizes],
        },
        "growth": {
            "size": 2 * probe * scale,
            "repeats": [taken * f for f in growing],
            "expected_log_bayes_factor": [
                trials.expected_log_bayes_factor(information_at(f, "white"), 2 * probe * best) for f in growing
            ],
            "expected_without_source": [
                trials.expected_log_bayes_factor_without(information_at(f, "white")) for f in growing
            ],
        },
        "sequential": {
            "size": probe * scale,
            "distance_per_repeat": d,
            "upper": limits.upper,
            "lower": limits.lower,
            "mean_repeats_with_source": batches.with_source,
            "mean_repeats_without": batches.without,
            "fixed_plan_repeats": max(fixed, 1.0),
        },
    }


def _statistic_part(campaign: LinearCampaign, experiment: dict[str, Any], rng: np.random.Generator) -> dict[str, Any]:
    score, _ = campaign.measured_score()
    value = float(campaign.statistic(score))
    local = float(trials.exceedance(value, 0.0, experiment["thresholds"]["degrees"]))
    draws = 20_000
    null = score_statistic(campaign.information, trials.draw_scores(rng, campaign.information, draws))
    beyond = float(np.mean(null >= value))
    return {
        "value": value,
        "local_probability": local,
        "probability": beyond,
        "probability_sd": float(np.sqrt(max(beyond, 1 / draws) / draws)),
        "smallest": 3 / draws,
        "linear_log_bayes_factor": float(campaign.log_bayes_factor(score)),
        "exceeds_threshold": bool(value >= experiment["thresholds"]["unknown_direction_and_position"]),
    }


# ---------------------------------------------------------------- batch by batch


@dataclass(frozen=True)
class SequentialDetection:
    """Wald's test on a growing digest: give it the digest after each batch; each call returns the next state.

    The log ratio is the Bayes factor of a source of the stated scale against none, to first order in the source, of all
    sweeps so far, with every nuisance integrated out.  Averaged over that prior it is a martingale without a source, so
    with limits of kind 'guaranteed' the rate of false alarms stays at or below the promised one whatever the batches.

    Attributes
    ----------
    study : Study
    port_signs : tuple of int or None
        Wiring; read from the first digest if not given.
    state : SequentialState
    size : float
        Root mean square size of the source to be told from none, in T or A m^2.
    """

    study: Study
    state: sequential.SequentialState
    size: float
    port_signs: tuple[int, ...] | None = None

    @classmethod
    def start(
        cls, study: Study, false_alarm: float, miss: float, *, size: float | None = None, kind: str = "guaranteed"
    ) -> SequentialDetection:
        """A test that has seen nothing yet.

        Parameters
        ----------
        study : Study
        false_alarm, miss : float
            Promised error rates.
        size : float, optional
            Root mean square size of the source to be told from none, in T or A m^2; the study's by default.  Sources
            much weaker than that count as none.
        kind : str
            See `sequential.Limits.of`.

        Raises
        ------
        InputError
            If a rate or the size is out of range.
        """
        wanted = study.source.size if size is None else size
        if not wanted > 0:
            raise InputError(f"the size of the source to be told from none is {wanted:g}", remedy="Give one above zero")
        return cls(study, sequential.SequentialState(sequential.Limits.of(false_alarm, miss, kind)), wanted)

    def update(self, digest: Digest) -> SequentialDetection:
        """The test after a batch; `digest` holds all sweeps so far.

        Raises
        ------
        InputError
            If the digest cannot be used with the study.
        """
        study = self.study
        signs = self.port_signs
        if signs is None:
            signs = read_wiring(study, digest, measured_isolators(study, digest)).signs
        noise = measure_noise(digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad)
        campaign = linear_campaign(study, digest, RatioLikelihood(study, digest, signs, noise=noise))
        score, _ = campaign.measured_score()
        return replace(
            self, state=self.state.update(float(campaign.log_bayes_factor(score, self.size))), port_signs=signs
        )


# ---------------------------------------------------------------- source models


def compare_sources(first: Study, second: Study, digest: Digest, seed: int = 0) -> dict[str, Any]:
    """Log Bayes factor of one source model against another on the same traces.

    Both studies must describe the same chip, states and isolators.  Each model's likelihood is normalised with its own
    noise directions; both use the smaller of the two residual gains, so that neither is excused by a larger error.

    Parameters
    ----------
    first, second : Study
    digest : Digest
    seed : int

    Returns
    -------
    dict
        ``log_bayes_factor``, ``sd``, ``sentence``, ``agree`` and the evidence of each.

    Raises
    ------
    InputError
        If the studies do not describe the same traces.
    """
    from fluxsense.infer.orient import prepare

    _require_same_chip(first, second)
    problems = [prepare(s, digest, rng=stream(seed, "source models: search", n)) for n, s in enumerate((first, second))]
    gain = min(p.likelihood.residual_gain for p, _, _ in problems)
    values, totals = [], []
    for n, ((problem, modes, _), study) in enumerate(zip(problems, (first, second), strict=True)):
        rng = stream(seed, "source models: evidence", n)
        old = problem.likelihood
        likelihood = old
        if old.residual_gain != gain:
            likelihood = RatioLikelihood(
                study, digest, old.port_signs, residual_gain=gain, noise=old.noise, reference=old.reference
            )
            problem = CampaignProblem(problem.unknowns, likelihood)
            modes = [m for m in ascend_all(problem, np.array([m.x for m in modes])) if m is not None]
        value, _ = evidence.weigh(
            problem, rng, modes=modes, draws=4000, enough=1500, fit_draws=1000, fit_rounds=6, steps=120
        )
        values.append(value)
        totals.append(value.log_value - evidence.covariance_log_volume(likelihood))
    sd = float(np.hypot(values[0].sd, values[1].sd))
    factor = totals[0] - totals[1]
    return {
        "log_bayes_factor": factor,
        "sd": sd,
        "agree": all(v.agrees for v in values),
        "reasons": [r for v, s in zip(values, (first, second), strict=True) if (r := v.reason(f'"{s.title}"'))],
        "sentence": words.evidence_sentence(factor, sd, f'"{first.title}"', f'"{second.title}"'),
        "first": _evidence_entry(values[0]),
        "second": _evidence_entry(values[1]),
    }


def _require_same_chip(first: Study, second: Study) -> None:
    """Refuse studies whose names of loops, bias lines, isolators or states differ: the traces could not be the same."""
    for what in ("loops", "bias_lines", "isolators", "states"):
        mine, other = ([x.name for x in getattr(s, what)] for s in (first, second))
        if mine != other:
            raise InputError(
                f"the two studies do not describe the same traces: their {what.replace('_', ' ')} are {', '.join(mine)} "
                f"and {', '.join(other)}",
                where=second.path.name,
                remedy="Compare studies that differ in the source and the priors only",
            )
    for study in (first, second):
        require_complex_traces(study)


# ---------------------------------------------------------------- lines


def _quantity(value: float | None, unit: str) -> str:
    if value is None:
        return "no size (the chip is blind there)"
    return format_quantity(value, "field" if unit == "T" else "moment", 3)


def _said(entry: dict[str, float]) -> str:
    return words.probability_text(entry["probability"], entry["sd"], entry["smallest"])


def confidence_lines(document: dict[str, Any]) -> list[str]:
    """The result as lines of text."""
    unit, e, promised = document["unit"], document["experiment"], document["promised"]
    lines: list[str] = []
    if not document["planned"]:
        factor, sd = document["log_bayes_factor"], document["log_bayes_factor_sd"]
        lines.append(words.evidence_sentence(factor, sd, "a source", "no source"))
        lines.append(
            f"  by bridge sampling instead: {document['log_bayes_factor_bridge']:+.5g}; "
            + "; ".join(
                f"with the size prior {'halved' if s['size_prior_times'] < 1 else 'doubled'}: "
                f'{s["log_bayes_factor"]:+.5g} ("{s["grade"]}")'
                for s in document["prior_sensitivity"]
            )
        )
        s = document["statistic"]
        lines.append(
            f"  score statistic {s['value']:.4g}: without a source as large or larger with probability "
            f"{words.probability_text(s['probability'], s['probability_sd'], s['smallest'])}, direction and position unknown"
        )
        d = document["direction"]
        if factor > 0:
            lines.append(
                f"  direction about azimuth {d['azimuth_deg']:.1f}, elevation {d['elevation_deg']:.1f} degrees: within 1, 5, 20 "
                f"degrees of it with probability {', '.join(_said(d['within_cone_deg'][k]) for k in ('1', '5', '20'))}; nearer "
                f"it than its reverse: {_said(d['nearer_than_its_reverse'])}"
            )
            lines.append(
                "  probability of a wrong sign of the component along x, y, z: "
                + ", ".join(_said(d["wrong_sign"][k]) for k in "xyz")
            )
        else:
            upper = _quantity(d["size_quantiles"]["95%"], unit)
            lines.append(f"  if there is a source after all, it is smaller than {upper} with probability 0.95")
        for c in document.get("directions", []):
            lines.append(
                f"  direction {c['name']}: probability {c['probability_in_list']:.3g} among those listed, log Bayes factor to "
                f"the best of them {c['log_bayes_factor_to_best']:+.4g} +- {c['sd']:.2g}"
            )
    models = document.get("source_models")
    if models:
        lines.append(models["sentence"])
        lines += [f"  {r}" for r in models["reasons"]]
    small = e["smallest_size"]
    begin = "This experiment as planned" if document["planned"] else "This experiment"
    lines.append(
        f"{begin} ({e['repeats']:.0f} repeats) detects with probability {promised['detection']:g}, at a false-alarm probability "
        f"of {promised['false_alarm']:g}, a source in a random direction from {_quantity(small['random_direction'], unit)} up "
        f"(best direction {_quantity(small['best_direction'], unit)}, worst {_quantity(small['worst_direction'], unit)})."
    )
    sim = e["simulated"]
    if sim:
        lines.append(
            f"  simulated, {sim['campaigns']} campaigns each: false alarms {sim['false_alarm']:.3g} +- {sim['false_alarm_sd']:.1g}, "
            f"detected {sim['detection']:.3g} +- {sim['detection_sd']:.1g}"
        )
    t = e["thresholds"]
    lines.append(
        f"  thresholds of the score statistic: {t['known']:.3g} with all known, {t['unknown_direction']:.3g} with the direction "
        f"unknown, {t['unknown_direction_and_position']:.3g} with direction and position unknown"
    )
    angle = e["smallest_angle_deg"]
    lines.append(
        f"  ten times that size ({_quantity(angle['at_size'], unit)}): directions {angle['worst']:.2g} degrees apart are told "
        f"apart with a wrong choice in {100 * angle['wrong_choice']:g}% (position exact)"
    )
    fall = e["repeats_fall"]
    lines.append(
        "  smallest size against repeats: "
        + ", ".join(f"{n:g}: {_quantity(s, unit)}" for n, s in zip(fall["repeats"], fall["smallest_size"], strict=True))
        + f"; if flux noise were slow, so that repeats do not average it, no number of them would reach below "
        f"{_quantity(fall['floor'], unit)}"
    )
    q = e["sequential"]
    lines.append(
        f"  stopping as soon as the data suffice would take {q['mean_repeats_with_source']:.2g} repeats on average with such a "
        f"source and {q['mean_repeats_without']:.2g} without, against {q['fixed_plan_repeats']:.2g} planned ahead (known direction)"
    )
    trust = {
        "reliable": "These numbers are reliable.",
        "tentative": "These numbers are tentative: do not rely on them yet.",
        "unusable": "The inference behind these numbers is unusable: do not believe them.",
    }[document["verdict"]["trust"]]
    return [*lines, trust, *(f"  {r}" for r in document["verdict"]["reasons"])]
