"""What `orient` leaves for `detect`: thinned chains, mixture, wiring and the likelihood's reference, in one .npz file.

No pickle; written beside and renamed.  It names study and digest by their hashes and is not used with others.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipParameters
from fluxsense.errors import InputError
from fluxsense.infer.likelihood import RatioLikelihood
from fluxsense.infer.mixture import StudentMixture
from fluxsense.infer.noise import measure_noise
from fluxsense.infer.orient import INTEGRATED, Orientation, measured_isolators
from fluxsense.infer.problem import CampaignProblem
from fluxsense.infer.unknowns import Unknowns
from fluxsense.study import Study
from fluxsense.traces.digest import Digest
from fluxsense.traces.files import write_beside

FloatArray = npt.NDArray[np.float64]

FORMAT = 1
MOST_DRAWS = 12_000
_FIELDS = ("source", "position_m", "offset_phi0", "effective_area", "pump_strength", "pump_phase_error_rad")


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
    mixture : StudentMixture
    x : ndarray (E, T, W, D)
        Thinned chains.
    log_posterior : ndarray (E, T, W)
    effective : float
        Effective samples of the whole chains.
    trust : str
    reasons : tuple of str
        The verdict of `orient`.
    seed : int
    """

    study_hash: str
    digest_hash: str
    port_signs: tuple[int, ...]
    cooldowns: tuple[str, ...]
    sheared: dict[int, int]
    residual_gain: float
    reference: ChipParameters | None
    mixture: StudentMixture
    x: FloatArray
    log_posterior: FloatArray
    effective: float
    trust: str
    reasons: tuple[str, ...]
    seed: int

    def fits(self, study: Study, digest: Digest) -> bool:
        """Whether it belongs to this study and these traces."""
        return self.study_hash == study.sha256 and self.digest_hash == digest.content_hash()

    def problem(self, study: Study, digest: Digest) -> CampaignProblem:
        """The posterior's problem, built again."""
        noise = study.noise
        likelihood = RatioLikelihood(
            study,
            digest,
            self.port_signs,
            residual_gain=self.residual_gain,
            noise=measure_noise(digest, noise.white, noise.gain_drift, noise.phase_drift_rad),
            reference=self.reference,
            cooldowns=self.cooldowns,
        )
        unknowns = Unknowns(
            study, self.cooldowns, measured_isolators(study, digest), leave_out=INTEGRATED, sheared=self.sheared
        )
        return CampaignProblem(unknowns, likelihood)

    def save(self, path: str | Path) -> None:
        """Write the file."""
        header = {
            "format": FORMAT,
            "study_hash": self.study_hash,
            "digest_hash": self.digest_hash,
            "port_signs": self.port_signs,
            "cooldowns": self.cooldowns,
            "sheared": sorted(self.sheared.items()),
            "residual_gain": self.residual_gain,
            "nu": self.mixture.nu,
            "effective": self.effective,
            "trust": self.trust,
            "reasons": self.reasons,
            "seed": self.seed,
            "stage": sorted(self.reference.stage) if self.reference else [],
            "reference": self.reference is not None,
        }
        arrays: dict[str, Any] = {
            "header": np.frombuffer(json.dumps(header).encode(), dtype=np.uint8),
            "weights": self.mixture.weights,
            "means": self.mixture.means,
            "factors": self.mixture.factors,
            "x": self.x.astype(np.float64),
            "log_posterior": self.log_posterior,
        }
        if self.reference is not None:
            arrays |= {f"reference_{name}": getattr(self.reference, name) for name in _FIELDS}
            arrays |= {f"stage_{name}": value for name, value in self.reference.stage.items()}
        buffer = BytesIO()
        np.savez(buffer, **arrays)
        write_beside(Path(path), buffer.getvalue(), sync=True)


def stored_from(orientation: Orientation) -> Stored:
    """What to keep of a result."""
    posterior = orientation.posterior
    likelihood = orientation.likelihood
    unknowns = posterior.problem.unknowns
    chains = posterior.chains
    taus = [q.autocorrelation.steps for q in posterior.diagnosis.quantities]
    taus = [t for t in taus if np.isfinite(t)]
    steps, per_step = chains.x.shape[1], chains.x.shape[0] * chains.x.shape[2]
    thin = max(1, int(np.ceil(max(taus, default=1.0))), int(np.ceil(steps * per_step / MOST_DRAWS)))
    thin = min(thin, max(1, steps // 8))
    document = orientation.document
    return Stored(
        study_hash=orientation.study.sha256,
        digest_hash=orientation.digest.content_hash(),
        port_signs=likelihood.port_signs,
        cooldowns=likelihood.cooldowns,
        sheared=dict(unknowns.sheared),
        residual_gain=likelihood.residual_gain,
        reference=likelihood.reference,
        mixture=posterior.mixture,
        x=np.ascontiguousarray(chains.x[:, ::thin]),
        log_posterior=np.ascontiguousarray(chains.log_posterior[:, ::thin]),
        effective=float(document["sampling"]["effective_samples"] or 1.0),
        trust=document["verdict"]["trust"],
        reasons=tuple(document["verdict"]["reasons"]),
        seed=posterior.seed,
    )


def load_stored(path: str | Path) -> Stored:
    """Read the file.

    Raises
    ------
    InputError
        If it cannot be read, is damaged or of another format.
    """
    file = Path(path)
    remedy = "Run fluxsense orient again"
    try:
        with np.load(BytesIO(file.read_bytes()), allow_pickle=False) as data:
            arrays = {name: data[name] for name in data.files}
        header = json.loads(arrays["header"].tobytes().decode())
        if header["format"] != FORMAT:
            raise InputError(f"the stored posterior has format {header['format']}", where=str(file), remedy=remedy)
        mixture = StudentMixture(arrays["weights"], arrays["means"], arrays["factors"], float(header["nu"]))
        reference = None
        if header["reference"]:
            reference = ChipParameters(
                **{name: arrays[f"reference_{name}"] for name in _FIELDS},
                stage={name: arrays[f"stage_{name}"] for name in header["stage"]},
            )
        x, log_p = arrays["x"], arrays["log_posterior"]
        if (
            x.ndim != 4
            or log_p.shape != x.shape[:3]
            or mixture.means.shape[1:] != x.shape[3:]
            or not np.all(np.isfinite(x))
        ):
            raise ValueError("shapes")
        return Stored(
            study_hash=str(header["study_hash"]),
            digest_hash=str(header["digest_hash"]),
            port_signs=tuple(int(s) for s in header["port_signs"]),
            cooldowns=tuple(str(c) for c in header["cooldowns"]),
            sheared={int(a): int(b) for a, b in header["sheared"]},
            residual_gain=float(header["residual_gain"]),
            reference=reference,
            mixture=mixture,
            x=x,
            log_posterior=log_p,
            effective=float(header["effective"]),
            trust=str(header["trust"]),
            reasons=tuple(str(r) for r in header["reasons"]),
            seed=int(header["seed"]),
        )
    except OSError as error:
        raise InputError(
            f"the stored posterior cannot be read ({error.strerror or error})", where=str(file), remedy=remedy
        ) from None
    except (KeyError, ValueError, TypeError, UnicodeDecodeError, BadZipFile, EOFError):
        raise InputError("the stored posterior is damaged", where=str(file), remedy=remedy) from None
