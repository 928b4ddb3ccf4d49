"""What `orient` leaves for `detect`: thinned chains, proposal, wiring and the likelihood's reference, in one file.

It names study and digest by their hashes and is not used with others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from importlib.metadata import version as installed
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fluxsense.base import store
from fluxsense.base.errors import ModelError
from fluxsense.data.digest import Digest
from fluxsense.device.chip import ChipParameters
from fluxsense.infer.counts import VoteProblem
from fluxsense.infer.mixture import StudentMixture
from fluxsense.infer.orient import Posterior
from fluxsense.infer.proposal import Proposal
from fluxsense.infer.straight import Straight
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.priors import integrated_arrays
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

__version__ = installed("fluxsense")

POSTERIOR = store.Kind("posterior", 6, "the stored posterior", "Run fluxsense orient again", 1_000_000_000)
MOST_DRAWS = 12_000
MOST_AXES = 6


@dataclass(frozen=True)
class Identity:
    """What a stored posterior is of: study and digest by their hashes, and the program that made it."""

    study_hash: str
    digest_hash: str
    version: str = __version__

    @classmethod
    def of(cls, study: Study, digest: Digest) -> Identity:
        """The identity of this study and digest, by this program."""
        return cls(study.sha256, digest.content_hash())


@dataclass(frozen=True)
class Stored:
    """A posterior as `detect` needs it.

    Attributes
    ----------
    study_hash, digest_hash : str
    port_signs : tuple of int
    cooldowns : tuple of str
    sheared : dict
        See `Unknowns`.
    residual_gain : float
    reference : ChipParameters or None
        The likelihood's reference point.
    proposal : Proposal
        Without its problem (`Proposal.of`).
    x : ndarray (E, T, W, D)
        Thinned chains.
    log_posterior : ndarray (E, T, W)
    effective : float
        Effective samples of the whole chains.
    trust : str
    reasons : tuple of str
        The verdict of `orient`.
    seed : int
    version : str
        Of the program that made it.
    sizes : Sizes
        Of the remainder and of walks, as they were learned.
    tamed : tuple of str
        See `Unknowns`.
    """

    study_hash: str
    digest_hash: str
    port_signs: tuple[int, ...]
    cooldowns: tuple[str, ...]
    sheared: dict[int, int]
    residual_gain: float
    reference: ChipParameters | None
    proposal: Proposal
    x: FloatArray
    log_posterior: FloatArray
    effective: float
    trust: str
    reasons: tuple[str, ...]
    seed: int
    version: str = __version__
    sizes: Sizes = field(default_factory=Sizes)
    tamed: tuple[str, ...] = ()

    def fits(self, study: Study, digest: Digest) -> bool:
        """Whether it belongs to this study and these traces, and this program made it."""
        return not self.differences(study, digest)

    def differences(self, study: Study, digest: Digest) -> str:
        """In what it is of another campaign or program, as words to follow "of"; empty if in nothing."""
        now = Identity.of(study, digest)
        found = [
            words
            for words, mine, theirs in (
                ("another study", now.study_hash, self.study_hash),
                ("other traces", now.digest_hash, self.digest_hash),
                ("another version of the program", now.version, self.version),
            )
            if mine != theirs
        ]
        return " and ".join(found)

    def problem(self, study: Study, digest: Digest) -> CampaignProblem:
        """The posterior's problem, built again."""
        likelihood = RatioLikelihood(
            study,
            digest,
            self.port_signs,
            residual_gain=self.residual_gain,
            sizes=self.sizes,
            reference=self.reference,
            cooldowns=self.cooldowns,
            tamed=self.tamed,
        )
        unknowns = Unknowns(
            study,
            self.cooldowns,
            likelihood.measured,
            leave_out=integrated_arrays(study),
            sheared=self.sheared,
            tamed=self.tamed,
        )
        return CampaignProblem(unknowns, likelihood)

    def save(self, path: str | Path) -> None:
        """Write the file."""
        header = {
            "study_hash": self.study_hash,
            "digest_hash": self.digest_hash,
            "port_signs": self.port_signs,
            "cooldowns": self.cooldowns,
            "sheared": sorted(self.sheared.items()),
            "tamed": self.tamed,
            "residual_gain": self.residual_gain,
            **{f"learned_{name}": value for name, value in asdict(self.sizes).items()},
            "nu": self.proposal.mixture.nu,
            "straight": self.proposal.straight is not None,
            "effective": self.effective,
            "trust": self.trust,
            "reasons": self.reasons,
            "seed": self.seed,
            "version": self.version,
            "reference": sorted(self.reference) if self.reference else [],
        }
        arrays: dict[str, npt.NDArray[np.generic]] = {
            "weights": self.proposal.mixture.weights,
            "means": self.proposal.mixture.means,
            "factors": self.proposal.mixture.factors,
            "x": self.x.astype(np.float64),
            "log_posterior": self.log_posterior,
            **{f"straight_{name}": value for name, value in self.proposal.arrays.items()},
        }
        if self.reference is not None:
            arrays |= {f"reference_{name}": self.reference[name] for name in self.reference}
        store.write(path, POSTERIOR, header, arrays)


def stored_from(
    posterior: Posterior, likelihood: RatioLikelihood, identity: Identity, trust: str, reasons: Sequence[str]
) -> Stored:
    """What to keep of a posterior.

    Parameters
    ----------
    posterior : Posterior
    likelihood : RatioLikelihood
    identity : Identity
        Of the study and the digest.
    trust : str
    reasons : sequence of str
        The verdict.
    """
    unknowns = posterior.problem.unknowns
    x, log_posterior, effective = _thinned(posterior)
    return Stored(
        study_hash=identity.study_hash,
        digest_hash=identity.digest_hash,
        port_signs=likelihood.port_signs,
        cooldowns=likelihood.cooldowns,
        sheared=dict(unknowns.sheared),
        residual_gain=likelihood.residual_gain,
        sizes=likelihood.sizes,
        tamed=tuple(sorted(likelihood.tamed)),
        reference=likelihood.reference,
        proposal=posterior.proposal.of(None),
        x=x,
        log_posterior=log_posterior,
        effective=effective,
        trust=trust,
        reasons=tuple(reasons),
        seed=posterior.seed,
    )


def stored_counts(posterior: Posterior, identity: Identity, trust: str, reasons: Sequence[str]) -> Stored:
    """What `detect` needs of a posterior from counts of transmission (as `stored_from`); no file is made of it."""
    problem = posterior.problem
    if not isinstance(problem, VoteProblem):
        raise ModelError("the posterior is not one of counts")
    x, log_posterior, effective = _thinned(posterior)
    return Stored(
        identity.study_hash, identity.digest_hash, problem.model.signs, problem.unknowns.cooldowns, {}, 0.0, None,
        posterior.proposal, x, log_posterior, effective, trust, tuple(reasons), posterior.seed,
    )  # fmt: skip


def _thinned(posterior: Posterior) -> tuple[FloatArray, FloatArray, float]:
    """Chains (E, T, W, D) thinned to about their autocorrelation time, their log posterior, and effective samples of the whole."""
    chains, quantities = posterior.chains, posterior.diagnosis.quantities
    taus = [q.autocorrelation.steps for q in quantities]
    taus = [t for t in taus if np.isfinite(t)]
    steps, per_step = chains.x.shape[1], chains.x.shape[0] * chains.x.shape[2]
    thin = max(1, int(np.ceil(max(taus, default=1.0))), int(np.ceil(steps * per_step / MOST_DRAWS)))
    thin = min(thin, max(1, steps // 8))
    effective = min(min(q.ess_bulk, q.ess_tail) for q in quantities)
    return (
        np.ascontiguousarray(chains.x[:, ::thin]),
        np.ascontiguousarray(chains.log_posterior[:, ::thin]),
        float(effective) if np.isfinite(effective) and effective > 0 else 1.0,
    )


def load_stored(path: str | Path) -> Stored:
    """Read the file.

    Raises
    ------
    InputError
        If it cannot be read, is damaged or of another format.
    """
    return store.read(path, POSTERIOR, _unpack)


def _unpack(header: dict[str, object], arrays: dict[str, npt.NDArray[np.generic]]) -> Stored:
    """The file's content; ValueError, TypeError or KeyError if anything is not as `save` writes it."""

    def array(name: str, *shape: int | None) -> FloatArray:
        """Finite floats of a shape, None standing for any length above zero."""
        found = arrays[name]
        if found.dtype != np.float64 or found.ndim != len(shape) or not np.all(np.isfinite(found)):
            raise ValueError(name)
        if any(n < 1 if want is None else n != want for n, want in zip(found.shape, shape, strict=True)):
            raise ValueError(name)
        return np.asarray(found, dtype=np.float64)

    def number(name: str, low: float) -> float:
        value = header[name]
        if not store.is_number(value) or not low <= value < np.inf:
            raise ValueError(name)
        return float(value)

    def texts(name: str) -> tuple[str, ...]:
        values = header[name]
        if type(values) is not list or not all(type(x) is str for x in values):
            raise ValueError(name)
        return tuple(values)

    def text(name: str) -> str:
        if type(header[name]) is not str:
            raise ValueError(name)
        return str(header[name])

    def whole(value: object) -> int:
        if type(value) is not int:
            raise ValueError("a whole number")
        return value

    if type(header["port_signs"]) is not list or type(header["sheared"]) is not list:
        raise TypeError("a list")
    cooldowns = texts("cooldowns")
    signs = tuple(whole(s) for s in header["port_signs"])
    if any(s not in (-1, 1) for s in signs) or text("trust") not in ("reliable", "tentative", "unusable"):
        raise ValueError("signs or trust")
    x = array("x", None, None, None, None)
    size = x.shape[3]
    log_p = arrays["log_posterior"]
    if log_p.dtype != np.float64 or log_p.shape != x.shape[:3] or np.any(np.isnan(log_p)):
        raise ValueError("log_posterior")
    weights = array("weights", None)
    factors = array("factors", len(weights), size, size)
    if np.any(weights < 0) or abs(weights.sum() - 1) > 1e-9 or np.any(np.einsum("kii->ki", factors) <= 0):
        raise ValueError("mixture")
    mixture = StudentMixture(weights, array("means", len(weights), size), factors, number("nu", 0.1))
    straight = _straight(header["straight"], arrays, array, size)
    reference = None
    if named := texts("reference"):
        held = {name: arrays[f"reference_{name}"] for name in named}
        if len(held) != len(named) or any(not 2 <= one.ndim <= MOST_AXES for one in held.values()):
            raise ValueError("reference")
        reference = ChipParameters({n: array(f"reference_{n}", 1, *[None] * (one.ndim - 1)) for n, one in held.items()})
        if reference["offset_phi0"].shape[1] != len(cooldowns) or reference["pump_strength"].shape != (1, len(signs)):
            raise ValueError("reference")
    return Stored(
        study_hash=text("study_hash"),
        digest_hash=text("digest_hash"),
        port_signs=signs,
        cooldowns=cooldowns,
        sheared={whole(a): whole(b) for a, b in header["sheared"]},
        residual_gain=number("residual_gain", 0.0),
        reference=reference,
        proposal=Proposal(mixture, straight),
        x=x,
        log_posterior=np.asarray(log_p, dtype=np.float64),
        effective=number("effective", 0.0),
        trust=text("trust"),
        reasons=texts("reasons"),
        seed=whole(header["seed"]),
        version=text("version"),
        sizes=_sizes(header["learned_within"], number),
        tamed=texts("tamed"),
    )


def _straight(
    held: object, arrays: Mapping[str, npt.NDArray[np.generic]], array: Callable[..., FloatArray], size: int
) -> Straight | None:
    """Straight coordinates without their problem, if some are held."""
    if held is False:
        return None
    if held is not True:
        raise TypeError("straight")
    follow, kept = (_columns(arrays[f"straight_{name}"]) for name in ("follow", "kept"))
    if follow[-1] >= size:
        raise ValueError("straight")
    flux, pull = array("straight_flux_phi0", len(kept)), array("straight_pull", len(kept), len(kept))
    prior = array("straight_prior", len(follow), len(follow))
    return Straight(None, array("straight_mode", size), follow, kept, flux, pull, prior)


def _sizes(values: object, number: Callable[[str, float], float]) -> Sizes:
    """Learned sizes, none negative; `within` pairs of them."""
    if type(values) is not list or len(values) % 2 or not all(store.is_number(v) and 0 <= v < np.inf for v in values):
        raise ValueError("learned_within")
    learned = {f.name: number(f"learned_{f.name}", 0.0) for f in fields(Sizes) if f.name != "within"}
    return Sizes(within=tuple(float(v) for v in values)).changed(learned)


def _columns(found: npt.NDArray[np.generic]) -> npt.NDArray[np.int64]:
    """Columns in ascending order, at least one; ValueError if it is not that."""
    if found.dtype != np.int64 or found.ndim != 1 or not len(found) or found[0] < 0:
        raise ValueError("columns")
    columns = np.asarray(found, dtype=np.int64)
    if np.any(np.diff(columns) <= 0):
        raise ValueError("columns")
    return columns
