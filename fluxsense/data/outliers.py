"""Which sweeps do not belong with their repeats: jumps of trapped flux, jumps of gain, bursts, a wrong setting.

Each sweep is reduced to its means over up to 16 parts of the band, so memory grows by a few hundred bytes a sweep.  Within
a group, deviations from the median of the repeats are freed of a common gain error.  What flux noise does to them lies along
few directions, which all groups of one setting share; these are found, and what lies across them is white.  A sweep is
distrusted if it lies further across than white noise reaches, or further along than its setting's sweeps do, each measured
in robust scales; or if its gain is off.  Leaving out whole sweeps beyond a fixed number of scales is a redescending
estimate of the mean (a skipped mean); what it costs on clean data is measured in ``tests/data/test_outliers.py``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from fluxsense.data.digest import Distrusted, GroupKey
from fluxsense.data.touchstone import Sweep

PARTS = 16
"""Parts of the band that a sweep's means are taken over."""
FEWEST_REPEATS = 4
"""With fewer repeats no majority can be told from its outliers: a sweep is named, but not left out."""
FEWEST_FOR_TWO = 6
"""With fewer repeats two strange sweeps are named, but not left out."""
FEWEST_TO_NAME = 3
"""With fewer repeats than that no sweep is even named."""
ACROSS = 5.0
"""Excess of the squared length across the common directions, in its standard deviations under white noise, that is distrusted."""
ALONG = {3: 16.0, 4: 14.0, 6: 10.0, 8: 8.0, 12: 6.5, 16: 5.5, 24: 4.8, 48: 4.3, 100: 4.0}
"""Size along a common direction, in robust scales of the sweeps of a setting, that is distrusted, by the number of sweeps.

The scale of few is rough; where all are draws of one normal law, one sweep in a hundred or fewer lies further (by simulation)."""
STEEPEST = 3.0
"""Ratio of a setting's slopes to those that are usual for its isolator up to which the isolator's own scale may stand in."""
SURELY = 6.0
"""Robust scales of its own setting that a sweep must lie off all the same."""
MOST_DIRECTIONS = 2
"""Common directions that are looked for: a ring in each of an isolator's two converters."""
GAIN_OFF = 0.1
"""Change of a path's gain, relative to the repeats' median, below which no sweep is distrusted for its gain: drift is smaller."""

_Complex = NDArray[np.complex128]
_Float = NDArray[np.float64]


def node_values(sweep: Sweep) -> NDArray[np.complex64]:
    """Means of S21 and S12 over up to `PARTS` equal parts of the band, and a last column, (2, K + 1).

    Within a part the phase by which the trace turns from point to point on the whole is turned back, about the part's middle:
    a cable's phase would wipe the mean out.  A part keeps the phase of its middle.  The last column is the standard deviation
    per quadrature of a part's mean under the sweep's white noise, from the median of its fourth differences.
    """
    s = np.stack([sweep.s[:, 1, 0], sweep.s[:, 0, 1]])
    points = s.shape[1]
    edges = np.round(np.linspace(0, points, min(PARTS, points) + 1)).astype(np.intp)
    step = np.angle(np.sum(s[:, 1:] * np.conj(s[:, :-1]), axis=1))
    count = np.diff(edges)
    middle = np.repeat(edges[:-1] + 0.5 * (count - 1), count)
    turned = s * np.exp(-1j * step[:, None] * (np.arange(points) - middle))
    means = np.add.reduceat(turned, edges[:-1], axis=1) / count
    white = np.zeros((2, 1))
    if points > 4:
        bend = np.abs(np.diff(s * np.exp(-1j * step[:, None] * np.arange(points)), 4, axis=1)) ** 2
        # 70 = 1 + 16 + 36 + 16 + 1; the median of a squared modulus is 2 ln 2 variances per quadrature, of a square 0.4549
        usual = 2.0 * np.log(2.0) if np.any(s.imag) else _MEDIAN
        white = np.sqrt(np.median(bend, axis=1, keepdims=True) / (70.0 * usual) / np.mean(count))
    return np.asarray(np.concatenate([means, white], axis=1), dtype=np.complex64)


class RepeatScreen:
    """Takes sweeps one by one and names those that do not look like their repeats."""

    def __init__(self) -> None:
        self._groups: dict[GroupKey, list[tuple[str, bytes]]] = {}  # bytes: an array of its own takes 80 more

    def add(self, key: GroupKey, sweep: Sweep, file: str) -> None:
        """Remember a sweep by the means of its parts."""
        self.keep(key, node_values(sweep), file)

    def keep(self, key: GroupKey, values: NDArray[np.complex64], file: str) -> None:
        """As `add`, from what `node_values` made of the sweep."""
        self._groups.setdefault(key, []).append((file, values.astype(np.complex64).tobytes()))

    def distrusted(self) -> list[Distrusted]:
        """Sweeps that stand out from their repeats, worst first."""
        found = []
        for settings in self._isolators():
            members = [[self._groups[key] for key in keys] for keys in settings]
            values = [[_unpacked(group) for group in m] for m in members]
            for keys, groups, judged in zip(settings, members, strange_sweeps(values), strict=True):
                for key, group, (strange, score) in zip(keys, groups, judged, strict=True):
                    # of four or five, two that differ from the rest are as likely a drift through all of them
                    enough = len(group) >= (FEWEST_REPEATS if np.sum(strange) < 2 else FEWEST_FOR_TWO)
                    found += [Distrusted(group[n][0], key, float(score[n]), enough) for n in np.flatnonzero(strange)]
        return sorted(found, key=lambda d: (-d.score, d.file))

    def _isolators(self) -> list[list[list[GroupKey]]]:
        """Keys by isolator and number of parts, then by setting: groups of one setting differ in state and cooldown only."""
        isolators: dict[tuple[object, ...], dict[tuple[object, ...], list[GroupKey]]] = {}
        for key in sorted(self._groups):
            setting = (key.pump_on, key.pump_port, key.pump_phase_rad, *key.sort_key[6:8], key.bias_a)
            parts = len(self._groups[key][0][1])
            isolators.setdefault((key.isolator, parts), {}).setdefault(setting, []).append(key)
        return [list(settings.values()) for settings in isolators.values()]


def _unpacked(group: Sequence[tuple[str, bytes]]) -> _Complex:
    """Values (N, 2, K + 1) of the sweeps of a group."""
    flat = np.frombuffer(b"".join(v for _, v in group), dtype=np.complex64).astype(np.complex128)
    return flat.reshape(len(group), 2, -1)


Judged = tuple[NDArray[np.bool_], _Float]
"""Which sweeps of a group are strange (N,), and their scores (N,)."""


def strange_sweeps(settings: Sequence[Sequence[_Complex]]) -> list[list[Judged]]:
    """Which sweeps of an isolator do not look like their repeats.

    Parameters
    ----------
    settings : sequence of sequence of ndarray (N, 2, K + 1) of complex
        For each setting what `node_values` made of the sweeps of its groups.

    Returns
    -------
    list of list of (ndarray (N,) of bool, ndarray (N,))
        The score is the mean squared deviation from the median of the repeats, in variances of white noise; about 1 where
        there is nothing but white noise.  Groups of fewer than `FEWEST_TO_NAME` sweeps are not judged: their scores are zero.
    """
    out = [[(np.zeros(len(g), dtype=bool), np.zeros(len(g))) for g in groups] for groups in settings]
    pooled = [_Pool(groups) for groups in settings]
    pooled = [p for p in pooled if p.rows.size]
    if not pooled:
        return out
    white = np.median(np.concatenate([p.white for p in pooled]), axis=0)
    for p in pooled:
        p.scale(white)
    squares = np.concatenate([p.squares() for p in pooled])
    usual = max(float(np.median(squares)) / _MEDIAN, 1.0)
    place = iter(pooled)
    for groups, results in zip(settings, out, strict=True):
        if any(len(g) >= FEWEST_TO_NAME for g in groups):
            for n, judged in next(place).judge(usual, len(squares)):
                results[n] = judged
    return out


class _Pool:
    """Deviations of the sweeps of one setting from the medians of their groups, freed of a gain error each.

    Attributes
    ----------
    rows : ndarray (M, P)
    lost : ndarray (M, 1) or (M,)
        What the median takes of the variance, one minus one over the repeats.
    white : ndarray (M, 2)
        Standard deviation of the parts' means under white noise, from each sweep.
    freedom : float
        Real numbers of a row beyond the gains.
    """

    def __init__(self, groups: Sequence[_Complex]) -> None:
        self.judged = [n for n, g in enumerate(groups) if len(g) >= FEWEST_TO_NAME]
        mine = [groups[n] for n in self.judged]
        real = not any(np.any(g[..., :-1].imag) for g in mine)
        found = [_deviations(g[..., :-1], real) for g in mine]
        self.gains = [gain for gain, _ in found]
        self.sizes = [len(g) for g in mine]
        self.rows = np.concatenate([d for _, d in found]) if found else np.empty((0, 0))
        self.lost = np.repeat([1.0 - 1.0 / n for n in self.sizes], self.sizes)
        self.white = np.concatenate([g[..., -1].real for g in mine]) if mine else np.empty((0, 2))
        self.freedom = max(self.rows.shape[1] - (2 if real else 4), 1)

    def scale(self, white: _Float) -> None:
        """Divide the rows by the white noise (2,) of either path, and find the common directions."""
        half = self.rows.shape[1] // 2
        least = 1e-6 * np.max(np.abs(self.rows), initial=0.0) + 1e-300
        self.rows = self.rows / np.repeat(np.maximum(white, least), half)
        self._directions = self._common_directions()
        self._along = np.abs(self.rows @ self._directions.T)

    def squares(self) -> _Float:
        """Squares along the first common direction (M,); where there is none, what white noise has for its median."""
        return self._along[:, 0] ** 2 if len(self._directions) else np.full(len(self.rows), _MEDIAN)

    def judge(self, usual: float, sweeps: int) -> Iterator[tuple[int, Judged]]:
        """Number of each group that is judged, with which of its sweeps are strange.

        Parameters
        ----------
        usual : float
            Variance along the common directions that is usual for the isolator, in units of white noise.
        sweeps : int
            Sweeps that it rests on.
        """
        directions, along = self._directions, self._along
        rest = np.sum(self.rows**2, axis=1) - np.sum(along**2, axis=1)
        freedom = max(self.freedom - len(directions), 1)
        typical = max(
            1.0, float(np.median(rest / self.lost)) / freedom
        )  # an isolator's settings may differ in their noise
        strange = rest > self.lost * typical * (freedom + ACROSS * np.sqrt(2.0 * freedom))
        own = np.maximum(1.4826 * np.median(along, axis=0), np.sqrt(typical))
        steep = np.sqrt(1.0 + STEEPEST**2 * (usual - 1.0))
        shared = np.maximum(allowed(sweeps) * steep, SURELY * own)
        strange |= np.any(along > np.minimum(allowed(len(along)) * own, shared), axis=1)
        score = np.mean(self.rows**2, axis=1)
        begin = 0
        for n, gain, size in zip(self.judged, self.gains, self.sizes, strict=True):
            mine = slice(begin, begin + size)
            yield n, (strange[mine] | _gain_is_strange(gain), score[mine])
            begin += size

    def _common_directions(self) -> _Float:
        """Up to `MOST_DIRECTIONS` unit rows along which sweeps move more than white noise makes them.

        Rows longer than three times the median are shortened to that, so that one bad sweep among many does not choose the
        direction alone; a direction counts if its squared singular value lies beyond the edge of the Marchenko-Pastur law.
        """
        length = np.linalg.norm(self.rows, axis=1)
        longest = 3.0 * max(float(np.median(length)), np.sqrt(self.freedom))
        clipped = self.rows * np.minimum(1.0, longest / np.maximum(length, 1e-300))[:, None]
        _, singular, vectors = np.linalg.svd(clipped, full_matrices=False)
        edge = 1.2 * (np.sqrt(len(clipped)) + np.sqrt(self.freedom)) ** 2
        held = int(np.sum(singular[: min(MOST_DIRECTIONS, len(clipped) - 2)] ** 2 > edge))
        return np.asarray(vectors[:held])


_MEDIAN = 0.4549
"""Median of a chi-square of one degree of freedom."""


def allowed(sweeps: int) -> float:
    """Robust scales that a sweep among so many of its setting may lie off along a common direction."""
    return float(np.interp(sweeps, list(ALONG), list(ALONG.values())))


def _deviations(values: _Complex, real: bool) -> tuple[_Complex, _Float]:
    """Gains (N, 2) over the median's, and deviations (N, P) from it beyond them: S21, then S12, as reals."""
    middle = np.median(values.real, axis=0) + 1j * np.median(values.imag, axis=0)
    power = np.sum(np.abs(middle) ** 2, axis=-1)
    gain = np.sum(np.conj(middle) * values, axis=-1) / np.where(power > 0, power, 1.0)
    gain = np.where(power > 0, gain, 1.0)
    deviation = values - gain[..., None] * middle
    parts = [deviation.real] if real else [deviation.real, deviation.imag]
    return gain, np.concatenate(parts, axis=-1).reshape(len(values), -1)


def _gain_is_strange(gain: _Complex) -> NDArray[np.bool_]:
    """Whether the gains (N, 2) of a sweep are off by more than `GAIN_OFF` in a path, and stand out from its repeats; (N,)."""
    off = np.abs(gain - 1)
    found = np.any(off > GAIN_OFF, axis=1)
    for n in np.flatnonzero(found):
        others = 1.4826 * np.median(np.delete(off, n, axis=0), axis=0)
        found[n] = np.any((off[n] > GAIN_OFF) & (off[n] > allowed(len(off)) * others))
    return np.asarray(found)
