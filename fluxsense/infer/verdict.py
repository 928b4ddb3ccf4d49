"""Whether to believe a posterior, and what is to be said of it: findings, without a word of how they are said."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from fluxsense.base.findings import Finding, Verdict
from fluxsense.data.digest import Digest, Distrusted, GroupKey
from fluxsense.data.outliers import FEWEST_REPEATS
from fluxsense.infer.assumptions import Assumption, LinearityCheck
from fluxsense.infer.orient import Posterior
from fluxsense.infer.predictive import PredictiveCheck

MISFIT_DOUBTFUL = 1e-3
MISFIT_BAD = 1e-5
SHIFT_DOUBTFUL = 0.5
"""Standard deviations that the direction would move by freeing what the data contradict, from which that is said."""
SHIFT_BAD = 3.0
MOST_LEFT_OUT = 0.3
"""Share of a group's sweeps that may be left out before the result is doubted."""
AT_BOUND_DOUBTFUL = 0.3
"""Share of draws against a bound of the prior above which a result is doubted."""
LARGEST_SHIFT = 0.3
"""Difference of sampled and integrated means, in standard deviations, above which the sampler is not believed."""
LARGEST_REDUCTION_ERROR = 0.1
NOTICEABLE = 0.25
"""Part of the angular error from which an assumption is spoken of."""
CERTAIN = 2.0
"""Own errors of a shift that are taken off before it is believed."""
FEWEST_EVIDENCE_DRAWS = 30
HOPELESS_LOG_ODDS = 100.0
"""Log Bayes factor beyond which the error of the evidence of no source is no cause for doubt."""
HEAVY_MODE = 0.02
"""Weight from which a mode is spoken of."""


def draws_that_matter(posterior: Posterior, null_ess: float, factor: float) -> float:
    """Effective draws behind the Bayes factor: the fewer of both hypotheses, unless no source is out of the question.

    Where no source explains the data its best fit lies far out in the prior's tails, in a narrow bent valley that a mixture
    follows badly; a factor of exp(100) does not hang on that.
    """
    return posterior.evidence_ess if factor > HOPELESS_LOG_ODDS else min(posterior.evidence_ess, null_ess)


def judge(
    posterior: Posterior,
    check: PredictiveCheck | None,
    evidence_ess: float,
    left_out: float = 0.0,
    misfit_code: str = "misfit of traces",
    linear: LinearityCheck | None = None,
    beyond: Sequence[Finding] = (),
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
    misfit_code : str
        Of the finding that the data do not fit: what to look at then depends on the kind of data.
    linear : LinearityCheck, optional
        Of what was eliminated.
    beyond : sequence of Finding
        Kinds of eliminated numbers beyond their priors (`cause_findings`), as far as they take from the trust.
    """
    found: list[Finding] = list(beyond)
    if check is not None:
        found += _misfit_findings(posterior, check, misfit_code)
    if check is None or check.p_value >= MISFIT_BAD:  # else it was cut short, and more of it would tell nothing
        found += _sampling_findings(posterior)
    if linear is not None and linear.shift_sd - CERTAIN * linear.shift_error > LARGEST_SHIFT:
        found.append(Finding("not linear", 1, shift_sd=linear.shift_sd, name=linear.worst))
    if left_out > MOST_LEFT_OUT:
        found.append(Finding("much left out", 1, percent=100 * left_out))
    if evidence_ess < FEWEST_EVIDENCE_DRAWS:
        found.append(Finding("few evidence draws", 1, fewest=FEWEST_EVIDENCE_DRAWS))
    return Verdict.of(found, "sound posterior")


def _misfit_findings(posterior: Posterior, check: PredictiveCheck, code: str) -> Iterator[Finding]:
    """What the predictive check, the score tests and the comparison with the priors object to."""
    if check.p_value < MISFIT_DOUBTFUL:
        yield Finding(
            code,
            2 if check.p_value < MISFIT_BAD else 1,
            chi_square=check.chi_square,
            degrees=check.degrees,
            probability=check.p_value,
            worst=check.worst_name,
            figure=check.figure,
        )
    doubt = check.suspicion
    listed = posterior.problem.unknowns.source_prior.candidates is not None  # there is no angle to move by then
    if doubt.probability < MISFIT_BAD if listed else doubt.shift_sd > SHIFT_DOUBTFUL:
        bad = not listed and doubt.probability < MISFIT_BAD and doubt.shift_sd > SHIFT_BAD
        yield Finding(
            "not as stated, of candidates" if listed else "not as stated",
            2 if bad else 1,
            name=doubt.name,
            probability=doubt.probability,
            shift_sd=doubt.shift_sd,
        )
    if doubt.conflict < MISFIT_DOUBTFUL:
        yield Finding(
            "conflict with prior", 1, name=doubt.conflict_name, sd=abs(doubt.conflict_sd), probability=doubt.conflict
        )


def _sampling_findings(posterior: Posterior) -> Iterator[Finding]:
    """What chains, reduced likelihood and bounds of priors give cause to doubt."""
    diagnosis = posterior.diagnosis
    if diagnosis.verdict != "good":
        level = {"doubtful": 1, "bad": 2}[diagnosis.verdict]
        texts = diagnosis.advice[:5] or ("The chains did not settle.",)
        yield from (Finding("said", level, text=text) for text in texts)
    if posterior.chains.stopped in ("time", "interrupted"):
        yield Finding(f"sampling stopped: {posterior.chains.stopped}", 1)
    if posterior.reduction_error > LARGEST_REDUCTION_ERROR:
        yield Finding("reduction error", 1, error=posterior.reduction_error)
    for name, share in posterior.problem.unknowns.at_bounds(posterior.chains.flat):
        if share > AT_BOUND_DOUBTFUL:
            yield Finding("at a bound", 1, name=name, percent=100 * share)
    if posterior.shift > LARGEST_SHIFT:
        yield Finding("sampling against quadrature", 1, shift_sd=posterior.shift)


# ---------------------------------------------------------------- findings that take nothing from the trust


def rests_findings(rests: Sequence[Assumption], error_deg: float) -> list[Finding]:
    """The number that would move the direction most without being seen; empty if that is little beside its error."""
    first = next(iter(rests), None)
    if first is None or first.seen or not first.move_deg > NOTICEABLE * error_deg:
        return []
    return [Finding("rests on", name=first.name, quantity=(first.prior_sd, first.unit), move_deg=first.move_deg)]


def mode_findings(posterior: Posterior) -> list[Finding]:
    """That the data leave more than one direction; empty if they do not."""
    heavy = [m for m in posterior.groups.modes if m.weight >= HEAVY_MODE]
    weights = tuple(m.weight for m in heavy)
    if len(heavy) == 2 and float(heavy[0].mean @ heavy[1].mean) < -0.9:
        return [Finding("two opposite directions", first=weights[0], second=weights[1])]
    return [Finding("several directions", count=len(heavy), weights=weights)] if len(heavy) >= 2 else []


def distrusted_share(digest: Digest, distrusted: Sequence[Distrusted]) -> float:
    """Largest share of a group's sweeps that was left out."""
    left_out: dict[GroupKey, int] = {}
    for d in (d for d in distrusted if d.left_out):
        left_out[d.key] = left_out.get(d.key, 0) + 1
    return max((n / (n + (digest[k].count if k in digest else 0)) for k, n in left_out.items()), default=0.0)


def left_out_findings(digest: Digest, distrusted: Sequence[Distrusted]) -> list[Finding]:
    """The sweeps left out, by name, and apart from them those that could not be used at all; empty if there are none."""
    out = [d for d in distrusted if d.left_out]
    everything = digest.sweeps + len(out)
    found = []
    if gone := tuple(d.file for d in out if not d.why):
        found.append(Finding("sweeps left out", count=len(gone), all=everything, files=gone))
    if useless := tuple(f"{d.file} ({d.why})" for d in out if d.why):
        found.append(Finding("traces of no use", count=len(useless), all=everything, files=useless))
    return found


def kept_findings(distrusted: Sequence[Distrusted]) -> list[Finding]:
    """The sweeps unlike their repeats that were kept, by name; empty if there are none."""
    kept = tuple(d.file for d in distrusted if not d.left_out)
    return [Finding("strange sweeps kept", files=kept, repeats=FEWEST_REPEATS)] if kept else []
