"""Which sweeps do not belong with their repeats: jumps of trapped flux, a wrong setting, interference.

Each sweep is reduced to its values at the digest's frequency nodes, so memory grows by a few hundred bytes a sweep.  Within
a group, deviations from the median of the repeats are freed of a common gain error and compared, node by node, with a robust
scale.  Only gross misfits are named; whether they are left out is the caller's choice, and must be said in the result.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxsense.traces.digest import GroupKey, node_indices
from fluxsense.traces.touchstone import Sweep

FEWEST_REPEATS = 5
"""With fewer repeats no majority can be told from its outliers."""
FACTOR = 4.0
"""Mean squared deviation, in robust variances, above which a sweep is distrusted.

The mean over some fifty nodes and two quadratures of a standard normal's square exceeds 4 with negligible probability; the
margin is for robust scales from few repeats."""
_CHI_SQUARE_MEDIAN = 1.3862943611198906  # median of chi-square with two degrees: 2 ln 2


@dataclass(frozen=True)
class Distrusted:
    """A sweep that does not look like its repeats: its file, its group and its mean squared deviation."""

    file: str
    key: GroupKey
    score: float


def node_values(sweep: Sweep) -> NDArray[np.complex64]:
    """Values of S21 and S12 (2, K) at the digest's nodes."""
    nodes = node_indices(sweep.frequency_hz.size)
    return np.stack([sweep.s[nodes, 1, 0], sweep.s[nodes, 0, 1]]).astype(np.complex64)


class RepeatScreen:
    """Takes sweeps one by one and names those that do not look like their repeats."""

    def __init__(self) -> None:
        self._groups: dict[GroupKey, list[tuple[str, NDArray[np.complex64]]]] = {}

    def add(self, key: GroupKey, sweep: Sweep, file: str) -> None:
        """Remember a sweep by its values of S21 and S12 at the nodes."""
        self.keep(key, node_values(sweep), file)

    def keep(self, key: GroupKey, values: NDArray[np.complex64], file: str) -> None:
        """As `add`, from what `node_values` made of the sweep."""
        self._groups.setdefault(key, []).append((file, values))

    def distrusted(self) -> list[Distrusted]:
        """Sweeps whose score exceeds `FACTOR`, worst first."""
        found = []
        for key, members in self._groups.items():
            if len(members) < FEWEST_REPEATS:
                continue
            scores = repeat_scores(np.array([v for _, v in members], dtype=np.complex128))
            found += [
                Distrusted(file, key, float(score))
                for (file, _), score in zip(members, scores, strict=True)
                if score > FACTOR
            ]
        return sorted(found, key=lambda d: -d.score)


def repeat_scores(values: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Mean squared deviation of each sweep from the median of its repeats, in robust variances.

    Parameters
    ----------
    values : ndarray (N, 2, K) of complex
        S21 and S12 at the nodes.

    Returns
    -------
    ndarray (N,)
        About 1 for sweeps of one kind.

    Notes
    -----
    A complex gain error per path is fitted to each sweep and removed.  The scale of a node is the median over sweeps of the
    squared deviation divided by 2 ln 2 (for a circular normal the squared modulus is chi-square with two degrees), averaged
    with the median over all nodes of the path, since few repeats give a rough scale.
    """
    middle = np.median(values.real, axis=0) + 1j * np.median(values.imag, axis=0)
    power = np.sum(np.abs(middle) ** 2, axis=-1)
    gain = np.sum(np.conj(middle) * values, axis=-1) / np.where(power > 0, power, 1.0)
    deviation = values - np.where(power > 0, gain, 1.0)[..., None] * middle
    square = deviation.real**2 + deviation.imag**2
    own = np.median(square, axis=0) / _CHI_SQUARE_MEDIAN
    pooled = np.median(own, axis=-1, keepdims=True)
    variance = 0.5 * (own + pooled)
    floor = 1e-14 * np.max(np.abs(middle) ** 2, initial=0.0) + 1e-300
    return np.asarray(np.mean(square / (2 * np.maximum(variance, floor)), axis=(1, 2)))
