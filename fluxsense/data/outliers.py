"""Which sweeps do not belong with their repeats: jumps of trapped flux, a wrong setting, interference.

Each sweep is reduced to its values at the digest's frequency nodes, so memory grows by a few hundred bytes a sweep.  Within
a group, deviations from the median of the repeats are freed of a common gain error and compared, node by node, with a robust
scale.  Only gross misfits are named, and only where they stand out from what the other repeats do in the same direction:
flux noise moves every sweep of a group along the same slope, some further than others.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fluxsense.data.digest import Distrusted, GroupKey, node_indices
from fluxsense.data.touchstone import Sweep

FEWEST_REPEATS = 5
"""With fewer repeats no majority can be told from its outliers: a sweep is named, but not left out."""
FEWEST_TO_NAME = 3
"""With fewer repeats than that no sweep is even named."""
FACTOR = 4.0
"""Mean squared deviation, in robust variances, above which a sweep is distrusted.

The mean over some fifty nodes and two quadratures of a standard normal's square exceeds 4 with negligible probability; the
margin is for robust scales from few repeats."""
STANDS_OUT = {5: 13.0, 6: 13.0, 7: 11.0, 8: 11.0, 10: 8.0, 12: 7.0, 16: 6.0, 24: 5.0, 50: 4.5}
"""How far a sweep must lie from the median, in robust scales of the other repeats along the same direction, by the number of
repeats.  Where all deviations are draws of one normal law along one direction, as flux noise makes them, a sweep in a
hundred lies further for 5 or 6 repeats, a few in a thousand for 7 to 12, one in a thousand for more (by simulation): the scale
of few others is rough, and a larger factor would let jumps pass."""
GAIN_OFF = 0.1
"""Change of a path's gain, relative to the repeats' median, below which no sweep is distrusted for its gain: drift is smaller."""
_CHI_SQUARE_MEDIAN = 1.3862943611198906  # median of chi-square with two degrees: 2 ln 2


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
        """Sweeps whose score exceeds `FACTOR` and that stand out from their repeats, or whose gain does, worst first."""
        found = []
        for key, members in self._groups.items():
            if len(members) < FEWEST_TO_NAME:
                continue
            values = np.array([v for _, v in members], dtype=np.complex128)
            enough = len(members) >= FEWEST_REPEATS
            strange = gain_is_strange(values)
            for n, score in enumerate(repeat_scores(values)):
                if strange[n] or (score > FACTOR and (not enough or stands_out(values, n))):
                    found.append(Distrusted(members[n][0], key, float(score), enough))
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
    return np.asarray(np.mean(_deviations(values)[1] ** 2, axis=1))


def gain_is_strange(values: NDArray[np.complex128]) -> NDArray[np.bool_]:
    """Whether the gain of a sweep (N, 2, K) in a path is off by more than `GAIN_OFF`, and stands out from its repeats; (N,)."""
    off = np.abs(_deviations(values)[0] - 1)  # (N, 2)
    found = np.any(off > GAIN_OFF, axis=1)
    for n in np.flatnonzero(found):
        others = 1.4826 * np.median(np.delete(off, n, axis=0), axis=0)
        found[n] = np.any((off[n] > GAIN_OFF) & (off[n] > _allowed(len(off)) * others))
    return np.asarray(found)


def stands_out(values: NDArray[np.complex128], number: int) -> bool:
    """Whether a sweep lies further from the median than `STANDS_OUT` allows for so many repeats.

    Parameters
    ----------
    values : ndarray (N, 2, K) of complex
    number : int
        Which sweep.

    Notes
    -----
    The scale is 1.4826 times the median size of the other repeats' deviations along this one's, and not less than that of
    white noise.
    """
    _, deviations = _deviations(values)
    size = float(np.linalg.norm(deviations[number]))
    along = np.abs(np.delete(deviations, number, axis=0) @ deviations[number]) / size
    return bool(size > _allowed(len(values)) * max(1.4826 * float(np.median(along)), 1.0))


def _allowed(repeats: int) -> float:
    return float(np.interp(repeats, list(STANDS_OUT), list(STANDS_OUT.values())))


def _deviations(values: NDArray[np.complex128]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Gains (N, 2) over the median's, and deviations (N, 4 K) from it beyond them, in robust standard deviations."""
    middle = np.median(values.real, axis=0) + 1j * np.median(values.imag, axis=0)
    power = np.sum(np.abs(middle) ** 2, axis=-1)
    gain = np.sum(np.conj(middle) * values, axis=-1) / np.where(power > 0, power, 1.0)
    deviation = values - np.where(power > 0, gain, 1.0)[..., None] * middle
    square = deviation.real**2 + deviation.imag**2
    own = np.median(square, axis=0) / _CHI_SQUARE_MEDIAN
    pooled = np.median(own, axis=-1, keepdims=True)
    variance = 0.5 * (own + pooled)
    floor = 1e-14 * np.max(np.abs(middle) ** 2, initial=0.0) + 1e-300
    scaled = deviation / np.sqrt(np.maximum(variance, floor))
    return np.where(power > 0, gain, 1.0), np.concatenate([scaled.real, scaled.imag], axis=-1).reshape(len(values), -1)
