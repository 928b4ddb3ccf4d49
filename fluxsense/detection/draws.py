"""Draws of the source that `orient` leaves, with the prior that they were inferred under, for comparing results."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fluxsense.base import store
from fluxsense.base.findings import TRUST
from fluxsense.base.units import OWN_UNIT
from fluxsense.model.source_prior import DIRECTION_PRIORS, SourcePrior, source_prior
from fluxsense.study import DirectionPrior, Source
from fluxsense.study.kinds import source_kinds

FloatArray = npt.NDArray[np.float64]

DRAWS = store.Kind("source draws", 1, "the file of draws", "Run fluxsense orient again", 100_000_000)
FILE = "draws.npz"


@dataclass(frozen=True)
class SourceDraws:
    """Draws of a posterior's source.

    Attributes
    ----------
    vectors : ndarray (N, 3)
        In the SI unit of the source's kind.
    effective : float
        Independent draws among them, at least.
    source : Source
        The hypothesis; of it only kind, size and direction priors count.
    title, trust, study_hash, digest_hash : str
        Of the result.
    """

    vectors: FloatArray
    effective: float
    source: Source
    title: str
    trust: str
    study_hash: str
    digest_hash: str

    @property
    def prior(self) -> SourcePrior:
        """The prior of the source over its stated size."""
        s = self.source
        return source_prior(s.size_prior, s.size_sd / s.size, s.direction)

    @property
    def unit(self) -> str:
        """SI unit of the vectors."""
        return self.source.unit

    def save(self, path: str | Path) -> None:
        """Write the file.

        Raises
        ------
        InputError
            It cannot be written.
        """
        s = self.source
        header = {
            "kind": s.kind,
            "size_prior": s.size_prior,
            "size": s.size,
            "size_sd": s.size_sd,
            "direction": asdict(s.direction),
            "effective": self.effective,
            **{name: getattr(self, name) for name in ("title", "trust", "study_hash", "digest_hash")},
        }
        store.write(path, DRAWS, header, {"vectors": np.ascontiguousarray(self.vectors, dtype=np.float64)})


def load_draws(path: str | Path) -> SourceDraws:
    """Read the file.

    Raises
    ------
    InputError
        It is missing, damaged or of another format: run `orient` again.
    """
    return store.read(path, DRAWS, _unpack)


def _unpack(header: dict[str, object], arrays: dict[str, npt.NDArray[np.generic]]) -> SourceDraws:
    vectors = np.asarray(arrays["vectors"])
    if vectors.dtype != np.float64 or vectors.ndim != 2 or vectors.shape[1] != 3 or not np.isfinite(vectors).all():
        raise store.Damaged("its draws are no vectors")

    def number(name: str) -> float:
        value = header[name]
        if not store.is_number(value) or not 0.0 <= value < math.inf:
            raise store.Damaged(f"its {name} is no number")
        return float(value)

    def text(name: str) -> str:
        if type(header[name]) is not str:
            raise store.Damaged(f"its {name} is no text")
        return str(header[name])

    given = header["direction"]
    if not isinstance(given, dict):
        raise TypeError("a direction")
    direction = DirectionPrior(
        str(given["kind"]),
        _vector(given["axis"]),
        float(given["half_angle_rad"]),
        tuple(_vector(c) for c in given["candidates"]),
    )
    kind = text("kind")
    if kind not in source_kinds() or direction.kind not in DIRECTION_PRIORS or text("trust") not in TRUST:
        raise store.Damaged("its source is of no kind that is known")
    source = Source(kind, text("size_prior"), number("size"), number("size_sd"), direction=direction)
    if source.size <= 0 or source.unit not in OWN_UNIT.values():
        raise store.Damaged("its source has no size")
    return SourceDraws(
        np.asarray(vectors, dtype=np.float64),
        max(number("effective"), 1.0),
        source,
        text("title"),
        text("trust"),
        text("study_hash"),
        text("digest_hash"),
    )


def _vector(values: Iterable[float]) -> tuple[float, float, float]:
    x, y, z = (float(v) for v in values)
    return x, y, z
