"""Sweeps against columns of the laboratory's own in the log (a temperature, a pressure): does anything go with them?

Of each sweep three numbers, against the mean of its repeats: the change of gain and phase of either path, and what is left of the
difference, in white noise.  A column's values are taken against their mean over the same repeats, so that a column that only
tells settings or states apart goes with nothing.  How surely two go together: Spearman's rank correlation, over all sweeps.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.data.campaign import campaign_rows, campaign_traces
from fluxsense.data.digest import Digest, GroupKey, group_key
from fluxsense.data.log import LogRow
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

FEWEST_SWEEPS: Final = 8
MOST_SWEEPS: Final = 1500
"""Sweeps that are read again, spread evenly over the log."""
MEASURES: Final = (
    "gain of S21 (%)",
    "phase of S21 (deg)",
    "gain of S12 (%)",
    "phase of S12 (deg)",
    "rest (white noise)",
)
"""What of a sweep is seen against a column."""
SURE: Final = 1e-3
"""Probability, by chance in any measure of any column, below which a column is said to go with the sweeps."""


@dataclass(frozen=True)
class OwnColumn:
    """Sweeps against one column.

    Attributes
    ----------
    name : str
    values : ndarray (N,)
        As they stand in the log.
    measures : ndarray (5, N)
        `MEASURES` of each sweep against the mean of its repeats.
    correlation, probability : ndarray (5,)
        Spearman's rank correlation with the column, both freed of the repeats' means; the probability of a larger one by chance
        among all that are looked at.
    """

    name: str
    values: FloatArray
    measures: FloatArray
    correlation: FloatArray
    probability: FloatArray

    @property
    def sure(self) -> list[int]:
        """Which measures go with the column surely, the surest first."""
        order = np.argsort(self.probability, kind="stable")
        return [int(n) for n in order if self.probability[n] < SURE]


def own_columns(study: Study, digest: Digest) -> list[OwnColumn]:
    """Every column of the laboratory's own that holds numbers, with what the sweeps do as it changes.

    Parameters
    ----------
    study : Study
    digest : Digest
        Of the same campaign: the means of the repeats.

    Returns
    -------
    list of OwnColumn
        In the order of the log; columns without numbers, or with one value only, are left out.

    Raises
    ------
    InputError
        If log or traces cannot be read.
    """
    rows = campaign_rows(study)
    if not any(row.own for row in rows):
        return []
    left_out = {d.file for d in (*digest.distrusted, *digest.left_out) if d.left_out}
    rows = [r for r in rows if r.file and r.file not in left_out and digest.get(group_key(r)) is not None]
    names = list(dict.fromkeys(name for row in rows for name, _ in row.own))
    cells = np.array([[_number(dict(row.own).get(name, "")) for name in names] for row in rows]).reshape(-1, len(names))
    told = [n for n in range(len(names)) if np.sum(np.isfinite(cells[:, n])) >= FEWEST_SWEEPS and _changes(cells[:, n])]
    if not told:
        return []
    chosen = np.unique(np.linspace(0, len(rows) - 1, min(len(rows), MOST_SWEEPS)).round().astype(int))
    rows, cells = [rows[n] for n in chosen], cells[chosen]
    keys = [group_key(row) for row in rows]
    measures = _measures(study, digest, rows, keys)
    return [_column(names[n], cells[:, n], measures, keys, len(told) * len(MEASURES)) for n in told]


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return math.nan


def _changes(values: FloatArray) -> bool:
    finite = values[np.isfinite(values)]
    return bool(np.ptp(finite) > 0)


def _measures(study: Study, digest: Digest, rows: list[LogRow], keys: list[GroupKey]) -> FloatArray:
    """Numbers (5, N) of each sweep: see `MEASURES`."""
    traces = campaign_traces(study)
    out = np.full((len(MEASURES), len(rows)), np.nan)
    for n, (row, key) in enumerate(zip(rows, keys, strict=True)):
        mean = digest[key].mean[[1, 2]]
        s = traces.read(row.file).s
        sweep = np.stack([s[:, 1, 0], s[:, 0, 1]])
        if sweep.shape != mean.shape:
            continue
        power = np.sum(np.abs(mean) ** 2, axis=1)
        gain = np.sum(np.conj(mean) * sweep, axis=1) / np.where(power > 0, power, 1.0)
        rest = sweep - gain[:, None] * mean
        bend = np.abs(np.diff(rest, axis=1)) ** 2  # of neighbours: what is smooth is no noise
        white = np.sqrt(np.mean(bend) / 2)
        out[[0, 2], n], out[[1, 3], n] = 100 * (np.abs(gain) - 1), np.degrees(np.angle(gain))
        out[4, n] = np.sqrt(np.mean(np.abs(rest) ** 2)) / white if white > 0 else np.nan
    return out


def _column(name: str, values: FloatArray, measures: FloatArray, keys: list[GroupKey], looked_at: int) -> OwnColumn:
    from scipy.stats import spearmanr

    groups: dict[GroupKey, list[int]] = {}
    for n, key in enumerate(keys):
        groups.setdefault(key, []).append(n)
    correlation, probability = np.zeros(len(measures)), np.ones(len(measures))
    for m, one in enumerate(measures):
        a, b = [], []
        for own in groups.values():
            kept = [n for n in own if np.isfinite(values[n]) and np.isfinite(one[n])]
            if len(kept) > 1:
                a.append(values[kept] - values[kept].mean())
                b.append(one[kept] - one[kept].mean())
        x, y = (np.concatenate(c) if c else np.zeros(0) for c in (a, b))
        if len(x) >= FEWEST_SWEEPS and np.ptp(x) > 0 and np.ptp(y) > 0:
            found = spearmanr(x, y)
            correlation[m], probability[m] = found.statistic, min(1.0, looked_at * float(found.pvalue))
    return OwnColumn(name, values, measures, correlation, probability)
