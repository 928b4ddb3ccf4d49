"""The reduced quadrature on disk, beside the digest, so that a second run does not build it again.

It is taken from the file only for the very problem it was built for: the file holds a hash over every array that the
quadrature follows from (ratios, precisions and noise directions of all families, hence digest, noise and reference;
unknowns and study, hence priors; the mixture; the random stream; the constants of its building).  Anything else, and any
damage, is passed over, and the quadrature built afresh: the answer is the same to the last bit either way.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

import fluxsense
from fluxsense.base import store
from fluxsense.base.errors import InputError
from fluxsense.infer import reduction as building
from fluxsense.infer.mixture import StudentMixture
from fluxsense.infer.reduction import CompressedProblem, Reduced, compress, small_likelihood
from fluxsense.model.likelihood import Family
from fluxsense.model.problem import CampaignProblem

QUADRATURE = store.Kind("quadrature", 2, "the quadrature", "It is built again", 1_000_000_000)
_FIELDS = ("mean_nodes", "lift", "offset", "slow", "slow_offset")


def kept_compress(
    problem: CampaignProblem,
    mixture: StudentMixture,
    rng: np.random.Generator,
    path: str | os.PathLike[str] | None = None,
    tolerance: float = building.TOLERANCE,
) -> CompressedProblem | None:
    """`compress`, or what it gave for the same problem before.

    Parameters
    ----------
    problem, mixture, rng, tolerance
        As `compress`; the stream is drawn from only if the quadrature is built.
    path : path-like, optional
        Where it is kept.  A file that does not fit is replaced; one that cannot be written does no harm.

    Returns
    -------
    CompressedProblem or None
    """
    if path is None:
        return compress(problem, mixture, rng, tolerance)
    identity = quadrature_identity(problem, mixture, rng, tolerance)
    found = _read(path, identity, problem, mixture)
    if found is not None:
        return found
    made = compress(problem, mixture, rng, tolerance)
    if made is not None:
        with suppress(InputError):
            _write(path, identity, made)
    return made


def quadrature_identity(
    problem: CampaignProblem, mixture: StudentMixture, rng: np.random.Generator, tolerance: float
) -> str:
    """SHA-256 in hex over everything that the quadrature follows from."""
    likelihood = problem.likelihood
    unknowns = problem.unknowns
    constants = (
        QUADRATURE.version, fluxsense.__version__, np.__version__, likelihood.study.sha256, likelihood.digest.content_hash(),
        list(likelihood.port_signs), likelihood.residual_gain, list(likelihood.cooldowns), list(problem.measured),
        list(unknowns.names), unknowns.with_source, sorted(unknowns.sheared.items()), tolerance, mixture.nu,
        building.NODE_COUNTS, building.TRAINING, building.TESTING, building.PHASE_TRAINING, building.BASIS_TOLERANCE,
        building.WIDEN, building.SKETCH, repr(rng.bit_generator.state),
    )  # fmt: skip
    total = hashlib.sha256(json.dumps(constants).encode())
    for array in (mixture.weights, mixture.means, mixture.factors):
        total.update(np.ascontiguousarray(array).tobytes())
    for family in likelihood.families:
        total.update(json.dumps([family.isolator, *(k.as_json() for k in (*family.on_keys, family.off_key))]).encode())
        for name in ("frequency_hz", "ratio", "expected", "precision", "shared", "whitener"):
            total.update(np.ascontiguousarray(getattr(family, name)).tobytes())
        if family.common is not None:
            total.update(np.ascontiguousarray(family.common).tobytes())
    return total.hexdigest()


def _write(path: str | os.PathLike[str], identity: str, made: CompressedProblem) -> None:
    names = list(made.index)
    arrays: dict[str, npt.NDArray[Any]] = {f"index_{n}": made.index[name].astype("<i8") for n, name in enumerate(names)}
    for n, part in enumerate(made.reduced):
        for field in _FIELDS:
            value = getattr(part, field)
            if value is not None:
                arrays[f"{field}_{n}"] = np.ascontiguousarray(value, dtype="<f8")
    arrays["constants"] = np.array([part.constant for part in made.reduced])
    fields = {
        "identity": identity, "isolators": names, "nodes": made.nodes, "points": made.points, "radius": made.radius,
        "error": made.error,
    }  # fmt: skip
    store.write(path, QUADRATURE, fields, arrays, sync=False)


def _read(
    path: str | os.PathLike[str], identity: str, problem: CampaignProblem, mixture: StudentMixture
) -> CompressedProblem | None:
    """What the file holds, if it is whole and of this very problem."""
    if not Path(path).is_file():
        return None

    def unpack(fields: dict[str, Any], arrays: dict[str, npt.NDArray[Any]]) -> CompressedProblem | None:
        if fields["identity"] != identity:
            return None
        index = {name: arrays[f"index_{n}"].astype(np.intp) for n, name in enumerate(fields["isolators"])}
        families = problem.likelihood.families
        reduced = [_part(arrays, n, family, index) for n, family in enumerate(families)]
        counts = int(fields["nodes"]), int(fields["points"])
        small = small_likelihood(problem.likelihood, index)
        return CompressedProblem(
            problem, small, reduced, mixture, float(fields["radius"]), counts, float(fields["error"]), index
        )

    try:
        return store.read(path, QUADRATURE, unpack)
    except InputError:
        return None


def _part(
    arrays: Mapping[str, npt.NDArray[Any]], n: int, family: Family, index: Mapping[str, npt.NDArray[np.intp]]
) -> Reduced:
    chosen = index[family.on_keys[0].isolator]
    width = 2 * family.ratio.shape[0] * 2 * int(np.sum(chosen < family.frequency_hz.size))
    rank = arrays[f"offset_{n}"].size
    slow: Sequence[npt.NDArray[np.float64] | None] = (None, None)
    if family.common is not None:
        slow = (arrays[f"slow_{n}"], arrays[f"slow_offset_{n}"])
    part = Reduced(
        family.isolator, arrays[f"mean_nodes_{n}"], arrays[f"lift_{n}"], arrays[f"offset_{n}"],
        float(arrays["constants"][n]), *slow,
    )  # fmt: skip
    if part.mean_nodes.shape != (width,) or part.lift.shape != (rank, width) or part.offset.shape != (rank,):
        raise ValueError("shapes")
    return part
