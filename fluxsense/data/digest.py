"""The digest: what the likelihood needs of a campaign, whatever the number of repeats.

Sweeps of one isolator at one setting, state and cooldown form a group.  For Gaussian noise the count, the mean and the
scatter about the mean of a group are sufficient, so only those are kept; they are updated sweep by sweep (Welford,
Technometrics 4, 419 (1962)) and merged group by group (Chan, Golub & LeVeque, The American Statistician 37, 242 (1983)):
with d the new sweep minus the old mean of n sweeps, every scatter grows by n/(n+1) times the square of a linear map of d;
with d the difference of two means, by n_a n_b/(n_a+n_b) times it.  No squares of raw values are ever subtracted.

What happened when stands in a few blocks of time per group (`fluxsense.data.blocks`).  Memory holds the groups and 16 bytes
of identity per sweep (about 100 bytes while building); the sweeps themselves are not kept.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, total_ordering
from typing import Generic, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from fluxsense.base import store
from fluxsense.base.errors import InputError
from fluxsense.base.executors import Workers, ordered_map
from fluxsense.data.blocks import Blocks, RunningBlocks
from fluxsense.data.log import LogRow
from fluxsense.data.touchstone import Sweep
from fluxsense.data.traces import Traces

DIGEST = store.Kind("digest", 2, "the digest", "Build the digest from the traces again")
NODE_LIMIT = 24
BAND = 4
"""Lags along frequency that the band of a scatter matrix holds."""
HASH_BYTES = 16
CHUNK_TRACES = 512
"""Traces that are summed one by one before their sums are merged, whoever sums them."""

PATHS = ("11", "21", "12", "22")
"""Order of the paths in the first axis of means and scatters."""

_ARRAYS: dict[str, np.dtype[np.generic]] = {
    "frequency_hz": np.dtype("<f8"),
    "mean": np.dtype("<c16"),
    "scatter": np.dtype("<f8"),
    "band": np.dtype("<c16"),
    "node_hermitian": np.dtype("<c16"),
    "node_complementary": np.dtype("<c16"),
    "block_count": np.dtype("<i8"),
    "block_time_s": np.dtype("<f8"),
    "block_mean": np.dtype("<c16"),
    "trace_hash": np.dtype("u1"),
}
_SUMS = ("scatter", "band", "node_hermitian", "node_complementary")

Array = TypeVar("Array", bound=NDArray[np.generic])
Seen = TypeVar("Seen")
"""What is kept of a sweep for who watches: the sweep itself if nobody says."""


@total_ordering
@dataclass(frozen=True, eq=False)
class GroupKey:
    """What the sweeps of one group have in common.

    Attributes
    ----------
    isolator : str
    pump_on : bool
    pump_port : int or None
        None when the pump is off or its phase is free.
    pump_phase_rad : float or None
        None when the pump is off or enters by a port.
    pump_power_dbm, pump_frequency_hz : float
        NaN when the pump is off.
    bias_a : tuple of float
    state, cooldown : str

    Notes
    -----
    Keys are equal, hash and order by value, where a NaN equals a NaN and, like None, comes first.
    """

    isolator: str
    pump_on: bool
    pump_port: int | None
    pump_phase_rad: float | None
    pump_power_dbm: float
    pump_frequency_hz: float
    bias_a: tuple[float, ...]
    state: str
    cooldown: str

    @cached_property
    def sort_key(self) -> tuple[object, ...]:
        """Tuple that orders keys: isolator, cooldown, pump, state, then the setting."""
        return (
            self.isolator,
            self.cooldown,
            self.pump_on,
            self.state,
            _rank(self.pump_port),
            _rank(self.pump_phase_rad),
            _rank(self.pump_power_dbm),
            _rank(self.pump_frequency_hz),
            self.bias_a,
        )

    def __eq__(self, other: object) -> bool:
        return self.sort_key == other.sort_key if isinstance(other, GroupKey) else NotImplemented

    def __lt__(self, other: object) -> bool:
        return self.sort_key < other.sort_key if isinstance(other, GroupKey) else NotImplemented

    def __hash__(self) -> int:
        return hash(self.sort_key)

    def describe(self) -> str:
        """Return the key as words for messages."""
        if not self.pump_on:
            pump = "pump off"
        else:
            entry = f"port {self.pump_port}"
            if self.pump_phase_rad is not None:
                entry = f"phase {math.degrees(self.pump_phase_rad):g} deg"
            pump = f"pump on, {entry}, {self.pump_power_dbm:g} dBm, {self.pump_frequency_hz:.9g} Hz"
        bias = ", ".join(f"{x:g} A" for x in self.bias_a)
        return f"isolator {self.isolator!r}, {pump}, bias ({bias}), state {self.state!r}, cooldown {self.cooldown!r}"

    def as_json(self) -> list[object]:
        """Return the fields as JSON values; NaN becomes null."""

        def plain(x: float | None) -> float | None:
            return None if x is None or math.isnan(x) else float(x) + 0.0

        return [
            self.isolator,
            self.pump_on,
            self.pump_port,
            plain(self.pump_phase_rad),
            plain(self.pump_power_dbm),
            plain(self.pump_frequency_hz),
            [float(x) + 0.0 for x in self.bias_a],
            self.state,
            self.cooldown,
        ]


def _rank(value: float | None) -> tuple[bool, float]:
    """Put None and NaN first, and make them comparable."""
    absent = value is None or math.isnan(value)
    return (not absent, 0.0 if absent or value is None else value)


def group_key(row: LogRow) -> GroupKey:
    """Return the group that a row of the log belongs to."""
    return GroupKey(
        row.isolator,
        row.pump_on,
        row.pump_port,
        row.pump_phase_rad,
        row.pump_power_dbm,
        row.pump_frequency_hz,
        row.bias_a,
        row.state,
        row.cooldown,
    )


@dataclass(frozen=True, eq=False)
class GroupStats:
    """Sufficient statistics of the sweeps of one group; all arrays are read-only.

    Attributes
    ----------
    count : int
        Number of sweeps N.
    frequency_hz : ndarray, shape (F,)
    reference_ohm : float
    mean : ndarray of complex, shape (4, F)
        Paths in the order 11, 21, 12, 22.
    scatter : ndarray, shape (4, F)
        Sum over sweeps of |d|^2 with d = s - mean.
    band : ndarray of complex, shape (2, 4, F)
        For S21 and S12 and lags l = 1 to 4 the sum over sweeps of d_k conj(d_(k+l)), zero beyond the last frequency.  With
        `scatter` it is the band of the scatter matrix from which the energy of any combination of up to five neighbouring
        points follows, also of one that is chosen by the mean: see `local_energy`.
    node_index : ndarray of int, shape (K,)
        Up to 24 evenly spread frequency indices, first and last among them.
    node_hermitian, node_complementary : ndarray of complex, shape (2K, 2K)
        Sums over sweeps of (y - m)(y - m)^H and (y - m)(y - m)^T; y holds S21 at the nodes, then S12 at the nodes.
    blocks : Blocks
        Counts, times and means at the nodes of up to 16 spans of time.
    trace_hash : ndarray of uint8, shape (N, 16)
        Identities of the sweeps, sorted.
    """

    count: int
    frequency_hz: NDArray[np.float64]
    reference_ohm: float
    mean: NDArray[np.complex128]
    scatter: NDArray[np.float64]
    band: NDArray[np.complex128]
    node_hermitian: NDArray[np.complex128]
    node_complementary: NDArray[np.complex128]
    blocks: Blocks
    trace_hash: NDArray[np.uint8]

    @property
    def node_index(self) -> NDArray[np.intp]:
        """Frequency indices of the nodes."""
        return node_indices(self.frequency_hz.size)

    @property
    def first_time_s(self) -> float:
        """Time of the first sweep."""
        return float(self.blocks.time_s[:, 0].min())

    @property
    def last_time_s(self) -> float:
        """Time of the last sweep."""
        return float(self.blocks.time_s[:, 2].max())

    def moved(self, first_time_s: float, last_time_s: float, count: int | None = None) -> GroupStats:
        """The same means as if so many sweeps (those there are, if left out) had been taken evenly between two times."""
        count = self.count if count is None else count
        middle = self.mean[1:3, self.node_index]
        return replace(self, count=count, blocks=Blocks.even(first_time_s, last_time_s, count, middle))

    def local_energy(self, combination: NDArray[np.complex128]) -> NDArray[np.float64]:
        """Sum over sweeps of |sum_i a_i d_(k+i)|^2 for S21 and S12.

        Parameters
        ----------
        combination : ndarray of complex, shape (2, F - w + 1, w)
            The factors a of w = 1 to 5 neighbouring points.  White noise of standard deviation sigma per quadrature gives
            2 sigma^2 (N - 1) sum |a|^2 on average.

        Returns
        -------
        ndarray, shape (2, F - w + 1)
        """
        a = combination
        places, width = a.shape[1:]
        total = np.zeros(a.shape[:2])
        for i in range(width):
            total += np.abs(a[..., i]) ** 2 * self.scatter[1:3, i : i + places]
            for j in range(i + 1, width):
                pair = self.band[:, j - i - 1, i : i + places]
                total += 2.0 * np.real(a[..., i] * np.conj(a[..., j]) * pair)
        return np.asarray(np.maximum(total, 0.0))


def node_indices(points: int, limit: int = NODE_LIMIT) -> NDArray[np.intp]:
    """Return up to `limit` evenly spread indices of `points` frequencies, ends included."""
    return np.unique(np.round(np.linspace(0, points - 1, min(limit, points))).astype(np.intp))


@dataclass(frozen=True)
class Distrusted:
    """A sweep that does not look like its repeats, or cannot be used.

    Attributes
    ----------
    file : str
        As the log names it.
    key : GroupKey
    score : float
        Mean squared deviation from its repeats, in robust variances; zero if it could not be compared.
    left_out : bool
        False where there are too few repeats to say which of them is wrong.
    identity : str
        Of its file, in hex: the first `HASH_BYTES` of its SHA-256.
    why : str
        What is wrong with it, where that is something else than that it is unlike its repeats.
    """

    file: str
    key: GroupKey
    score: float
    left_out: bool = True
    identity: str = ""
    why: str = ""


class Digest(Mapping[GroupKey, GroupStats]):
    """Immutable mapping from groups to their statistics, in the order of the keys.

    Parameters
    ----------
    groups : mapping of GroupKey to GroupStats
        Copied; the statistics are shared.
    distrusted : sequence of Distrusted
        Sweeps that do not look like their repeats, worst first: those left out are in no group, the others are.
    """

    def __init__(
        self, groups: Mapping[GroupKey, GroupStats] | None = None, distrusted: Iterable[Distrusted] = ()
    ) -> None:
        groups = groups or {}
        self._groups = {key: groups[key] for key in sorted(groups)}
        self.distrusted = tuple(distrusted)

    @property
    def left_out(self) -> tuple[Distrusted, ...]:
        """Sweeps of the campaign that are in no group."""
        return tuple(d for d in self.distrusted if d.left_out)

    def __getitem__(self, key: GroupKey) -> GroupStats:
        return self._groups[key]

    def __iter__(self) -> Iterator[GroupKey]:
        return iter(self._groups)

    def __len__(self) -> int:
        return len(self._groups)

    def __repr__(self) -> str:
        return f"Digest({len(self)} groups, {self.sweeps} sweeps)"

    @property
    def sweeps(self) -> int:
        """Number of sweeps in all groups."""
        return sum(stats.count for stats in self.values())

    def content_hash(self) -> str:
        """Return a SHA-256 in hex of the format version, the keys, the identities of the sweeps in each group and of
        those left out.

        It names which sweeps the digest holds and as what, so it does not depend on the order in which they came nor on
        how the digest was merged, while the sums themselves differ in rounding.
        """
        total = hashlib.sha256(f"fluxsense digest {DIGEST.version}\n".encode())
        for key, stats in self.items():
            total.update(json.dumps(key.as_json(), ensure_ascii=True).encode() + b"\n")
            total.update(stats.count.to_bytes(8, "big"))
            total.update(stats.trace_hash.tobytes())
        for identity in sorted(d.identity for d in self.left_out):
            total.update(f"left out {identity}\n".encode())
        return total.hexdigest()

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the digest to a file (`fluxsense.base.store`), beside, forced to disk and renamed.

        Raises
        ------
        InputError
            The file cannot be written.
        """
        fields = {
            "content_hash": self.content_hash(),
            "groups": [
                {
                    "key": key.as_json(),
                    "count": group.count,
                    "points": int(group.frequency_hz.size),
                    "reference_ohm": group.reference_ohm,
                    "blocks": len(group.blocks),
                    "block_level": group.blocks.level,
                }
                for key, group in self.items()
            ],
            "distrusted": [[d.file, d.key.as_json(), d.score, d.left_out, d.identity, d.why] for d in self.distrusted],
        }
        parts: dict[str, list[NDArray[np.generic]]] = {name: [] for name in _ARRAYS}
        for group in self.values():
            for name in _ARRAYS:
                own = name.removeprefix("block_")
                parts[name].append(np.ravel(getattr(group if own == name else group.blocks, own)))
        arrays = {name: np.concatenate(parts[name] or [np.empty(0)]).astype(kind) for name, kind in _ARRAYS.items()}
        store.write(path, DIGEST, fields, arrays)


class DigestBuilder:
    """Adds sweeps one by one; `freeze` returns the digest.

    Parameters
    ----------
    start : Digest, optional
        Go on from here.
    """

    def __init__(self, start: Digest | None = None) -> None:
        self._groups: dict[GroupKey, _Running] = {}
        self._owner: dict[bytes, GroupKey] = {}
        self._frozen: dict[GroupKey, GroupStats] = {}
        for key, stats in (start or {}).items():
            self._groups[key] = _Running.resume(stats)
            self._frozen[key] = stats
            for row in stats.trace_hash:
                self._owner[row.tobytes()] = key

    def holds(self, trace_hash: bytes) -> GroupKey | None:
        """Return the group in which a sweep was counted already, or None."""
        return self._owner.get(trace_hash[:HASH_BYTES])

    def add(self, key: GroupKey, sweep: Sweep, time_s: float, trace_hash: bytes | None = None, where: str = "") -> None:
        """Count one sweep.

        Parameters
        ----------
        key : GroupKey
        sweep : Sweep
        time_s : float
        trace_hash : bytes, optional
            Identity of the sweep, at least 16 bytes such as a SHA-256 of its file; a hash of key, time and values if
            left out.
        where : str
            Name of the trace for messages.

        Raises
        ------
        InputError
            The sweep was counted before; its frequencies, reference or shape differ from those of its group; a value is
            not finite.  The builder is then as it was.
        """
        f = np.asarray(sweep.frequency_hz, dtype=np.float64)
        s = np.asarray(sweep.s, dtype=np.complex128)
        if f.ndim != 1 or f.size == 0 or s.shape != (f.size, 2, 2):
            raise InputError(f"a sweep needs shapes (F,) and (F, 2, 2), got {f.shape} and {s.shape}", where=where)
        if not (np.isfinite(f).all() and np.isfinite(s).all() and math.isfinite(time_s)):
            raise InputError("the sweep or its time holds values that are not finite", where=where)
        if np.any(np.diff(f) <= 0.0):
            raise InputError("the frequencies of the sweep do not increase", where=where)
        if trace_hash is None:
            own = hashlib.sha256(json.dumps([key.as_json(), float(time_s)]).encode())
            own.update(np.ascontiguousarray(f).tobytes())
            own.update(np.ascontiguousarray(s).tobytes())
            trace_hash = own.digest()
        if len(trace_hash) < HASH_BYTES:
            raise InputError(f"a trace hash needs {HASH_BYTES} bytes, got {len(trace_hash)}", where=where)
        identity = trace_hash[:HASH_BYTES]
        if identity in self._owner:
            raise InputError(
                f"a trace with this very content was counted before ({self._owner[identity].describe()})",
                where=where,
                remedy="Remove the copy from the log",
            )
        self.compare(key, sweep, where)
        group = self._groups.get(key)
        if group is None:
            group = self._groups[key] = _Running(f, sweep.reference_ohm, where)
        # (F, 2, 2) -> paths 11, 21, 12, 22 by F
        group.add(np.ascontiguousarray(s.transpose(2, 1, 0)).reshape(4, f.size), float(time_s), identity)
        self._owner[identity] = key
        self._frozen.pop(key, None)

    def compare(self, key: GroupKey, sweep: Sweep, where: str = "") -> None:
        """Refuse a sweep whose frequencies or reference are not those of its group.

        Raises
        ------
        GridFault
        """
        group = self._groups.get(key)
        if group is not None and (what := group.differs(sweep.frequency_hz, sweep.reference_ohm)) is not None:
            raise _other_grid(what, group.where, key, where)

    def forget(self, key: GroupKey) -> None:
        """Take a group out with all of its sweeps, if it is there."""
        group = self._groups.pop(key, None)
        self._frozen.pop(key, None)
        for identity in () if group is None else group.identities:
            del self._owner[identity]

    def absorb(self, digest: Digest, files: Mapping[bytes, str]) -> None:
        """Count all sweeps of a digest.

        Parameters
        ----------
        digest : Digest
        files : mapping of bytes to str
            Names of its traces by identity, in the order of the log.

        Raises
        ------
        InputError
            As `add`; the builder is then of no more use.
        """
        first: dict[GroupKey, str] = {}
        owner = {row.tobytes(): key for key, stats in digest.items() for row in stats.trace_hash}
        for identity, name in files.items():
            first.setdefault(owner[identity], name)
        for key, theirs in digest.items():
            group = self._groups.get(key)
            self._frozen.pop(key, None)
            if group is None:
                self._groups[key] = _Running.resume(theirs, first.get(key, ""))
            elif (what := group.differs(theirs.frequency_hz, theirs.reference_ohm)) is not None:
                raise _other_grid(what, group.where, key, first.get(key, ""))
            else:
                group.merge(theirs)
        self._owner.update(owner)

    def freeze(self) -> Digest:
        """Return the digest of what was added so far; the builder can go on.

        Groups that did not grow since the last time are the same objects as then.
        """
        for key, group in self._groups.items():
            if key not in self._frozen:
                self._frozen[key] = group.freeze()
        return Digest(self._frozen)

    def finish(self) -> Digest:
        """Return the digest without copying the sums; the builder is empty afterwards."""
        groups, self._groups, self._owner, self._frozen = self._groups, {}, {}, {}
        return Digest({key: groups.pop(key).freeze(last=True) for key in list(groups)})


class GridFault(InputError):
    """Two traces of one group have different frequencies or references."""

    key: GroupKey


def _other_grid(what: str, earlier: str, key: GroupKey, where: str) -> GridFault:
    fault = GridFault(
        f"{what} from that of {earlier or 'an earlier trace'} in the same group ({key.describe()})",
        where=where,
        remedy="Repeats of one setting need one frequency grid and one reference: sweep them alike, or log them as"
        " different settings",
    )
    fault.key = key
    return fault


class _Running:
    """One group while it grows."""

    def __init__(self, frequency_hz: NDArray[np.float64], reference_ohm: float, where: str) -> None:
        points = frequency_hz.size
        self.frequency_hz = np.array(frequency_hz)
        self.reference_ohm = float(reference_ohm)
        self.where = where
        self.nodes = node_indices(points)
        size = 2 * self.nodes.size
        self.count = 0
        self.mean = np.zeros((4, points), dtype=np.complex128)
        self.scatter = np.zeros((4, points))
        self.band = np.zeros((2, BAND, points), dtype=np.complex128)
        self.node_hermitian = np.zeros((size, size), dtype=np.complex128)
        self.node_complementary = np.zeros((size, size), dtype=np.complex128)
        self.blocks = RunningBlocks(self.nodes.size)
        self.identities: list[bytes] = []

    @classmethod
    def resume(cls, stats: GroupStats, where: str = "") -> _Running:
        self = cls(stats.frequency_hz, stats.reference_ohm, where)
        self.count = stats.count
        for name in ("mean", *_SUMS):
            setattr(self, name, np.array(getattr(stats, name)))
        self.blocks.merge(stats.blocks)
        self.identities = [row.tobytes() for row in stats.trace_hash]
        return self

    def differs(self, frequency_hz: NDArray[np.float64], reference_ohm: float) -> str | None:
        if frequency_hz.size != self.frequency_hz.size:
            return f"its grid of {frequency_hz.size} frequencies differs"
        if not np.array_equal(frequency_hz, self.frequency_hz):
            k = int(np.flatnonzero(frequency_hz != self.frequency_hz)[0])
            return f"its frequency grid (point {k + 1}: {frequency_hz[k]:.12g} Hz, not {self.frequency_hz[k]:.12g} Hz) differs"
        if reference_ohm != self.reference_ohm:
            return f"its reference of {reference_ohm:g} ohm (not {self.reference_ohm:g} ohm) differs"
        return None

    def add(self, s: NDArray[np.complex128], time_s: float, identity: bytes) -> None:
        delta = s - self.mean
        self.count += 1
        self.mean += delta / self.count
        self._scatter(delta, (self.count - 1) / self.count)
        self.blocks.add(time_s, s[1:3, self.nodes])
        self.identities.append(identity)

    def merge(self, other: GroupStats) -> None:
        total = self.count + other.count
        delta = other.mean - self.mean
        self.mean += delta * (other.count / total)
        for name in _SUMS:
            getattr(self, name).__iadd__(getattr(other, name))
        self._scatter(delta, self.count * other.count / total)
        self.count = total
        self.blocks.merge(other.blocks)
        self.identities += [row.tobytes() for row in other.trace_hash]

    def _scatter(self, delta: NDArray[np.complex128], weight: float) -> None:
        """Add `weight` times the squares that a step `delta` (4, F) of the mean stands for."""
        if weight == 0.0:
            return
        self.scatter += weight * (delta.real**2 + delta.imag**2)
        inner = delta[1:3]
        turned = weight * inner.conj()
        for lag in range(1, min(BAND, inner.shape[1] - 1) + 1):
            self.band[:, lag - 1, :-lag] += inner[:, :-lag] * turned[:, lag:]
        y = inner[:, self.nodes].ravel()
        column = (weight * y)[:, None]
        self.node_hermitian += column * y.conj()
        self.node_complementary += column * y

    def freeze(self, last: bool = False) -> GroupStats:
        names = ("frequency_hz", "mean", *_SUMS)
        arrays = {name: getattr(self, name) if last else np.array(getattr(self, name)) for name in names}
        hashes = np.frombuffer(b"".join(sorted(self.identities)), dtype=np.uint8).reshape(-1, HASH_BYTES)
        return GroupStats(
            count=self.count,
            reference_ohm=self.reference_ohm,
            blocks=self.blocks.freeze(),
            trace_hash=_fixed(hashes),
            **{name: _fixed(array) for name, array in arrays.items()},
        )


def _fixed(array: Array) -> Array:
    array.flags.writeable = False
    return array


def merge(a: Digest, b: Digest) -> Digest:
    """Return the digest of the sweeps of both.

    Associative and commutative, but for rounding; an empty digest is neutral.

    Parameters
    ----------
    a, b : Digest
        Unchanged.

    Raises
    ------
    InputError
        A sweep is in both; a group has different frequencies or references in the two.
    """
    twice = _identities(a) & _identities(b)
    if twice:
        raise InputError(
            f"the two digests share {len(twice)} sweep(s), which would count twice",
            remedy="Merge digests of different traces, or build one digest of all of them",
        )
    groups = dict(a)
    for key, theirs in b.items():
        if key not in groups:
            groups[key] = theirs
            continue
        running = _Running.resume(groups[key])
        what = running.differs(theirs.frequency_hz, theirs.reference_ohm)
        if what is not None:
            raise InputError(
                f"in the second digest, {what} from that of the first in the same group ({key.describe()})",
                remedy="Repeats of one setting need one frequency grid and one reference",
            )
        running.merge(theirs)
        groups[key] = running.freeze()
    return Digest(groups, dict.fromkeys((*a.distrusted, *b.distrusted)))


def _identities(digest: Digest) -> set[bytes]:
    return {row.tobytes() for stats in digest.values() for row in stats.trace_hash}


@dataclass(frozen=True)
class Told(Generic[Seen]):
    """Who is told what while traces are read.

    Attributes
    ----------
    progress : callable, optional
        Called with (traces done, traces in all) after each trace, or with an executor after each `CHUNK_TRACES`.
    watch : callable, optional
        Called with group, what `look` makes of the sweep, and file name of each trace added, in the order of the log.
    look : callable, optional
        Defined at the top level of a module.  What `watch` needs of a sweep, so that no whole sweep has to travel back
        from where it was read; without it, the sweep itself.
    """

    progress: Callable[[int, int], None] | None = None
    watch: Callable[[GroupKey, Seen, str], None] | None = None
    look: Callable[[Sweep], Seen] | None = None


def digest_campaign(
    rows: Iterable[LogRow],
    place: Traces | str | os.PathLike[str],
    told: Told[Seen] | None = None,
    *,
    start: Digest | None = None,
    executor: Workers | None = None,
    spare: int = 0,
) -> Digest:
    """Read the traces of a log into a digest, in one pass and bounded memory.

    Parameters
    ----------
    rows : iterable of LogRow
    place : Traces or path-like
        Where the traces lie; a folder stands for Touchstone files in it.
        Folder that the file names are relative to.
    told : Told, optional
        Who is told of it.
    start : Digest, optional
        Go on from here; traces that it holds already, in the same group, are passed over.
    executor : concurrent.futures.Executor or Processes, optional
        Reads traces side by side.  The digest is the same, to the last bit, with any executor or none: sums of
        `CHUNK_TRACES` traces of the log are merged in order.
    spare : int
        So many traces may be left out because they cannot be read (cut off, not numbers) or have other frequencies than most of
        their group; see `spare_traces`.  ``told.watch`` is then called at the end.

    Returns
    -------
    Digest
        ``distrusted`` names the traces that were left out, and why.

    Raises
    ------
    InputError
        A trace cannot be read or trusted, and no more can be spared; two traces of a group have different frequencies (both are named); a trace is a
        byte-for-byte copy of another one, or was digested before under another setting.
    """
    rows, traces = list(rows), Traces.of(place)
    odd: dict[str, Distrusted] = {}
    while True:
        try:
            return _digest_once(rows, traces, told or Told(), start, executor, (spare, odd))
        except GridFault as fault:
            found = _odd_grids([row for row in rows if group_key(row) == fault.key and row.file not in odd], traces)
            if not found or len(odd) + len(found) > spare:
                raise
            odd |= found


def spare_traces(rows: Sequence[LogRow]) -> int:
    """How many traces of a log may be left out because they cannot be used: one in a hundred."""
    return len(rows) // 100


def _odd_grids(rows: Sequence[LogRow], traces: Traces) -> dict[str, Distrusted]:
    """Traces of a group that have other frequencies than more than half of it."""
    grids: dict[bytes, list[tuple[LogRow, str, int]]] = {}
    for row in rows:
        try:
            raw = traces.raw(row.file)
            sweep = traces.sweep(raw, traces.path(row.file))
        except InputError:
            continue
        grid = sweep.frequency_hz.tobytes() + repr(sweep.reference_ohm).encode()
        identity = hashlib.sha256(raw).digest()[:HASH_BYTES].hex()
        grids.setdefault(grid, []).append((row, identity, sweep.frequency_hz.size))
    most = max(grids.values(), key=len)
    if 2 * len(most) <= len(rows):
        return {}
    out = {}
    for members in grids.values():
        if members is not most:
            for row, identity, points in members:
                why = f"its {points} frequencies are not those of its repeats"
                out[row.file] = Distrusted(row.file, group_key(row), 0.0, True, identity, why)
    return out


def _digest_once(
    rows: Sequence[LogRow],
    traces: Traces,
    told: Told[Seen],
    start: Digest | None,
    executor: Workers | None,
    sparing: tuple[int, Mapping[str, Distrusted]],
) -> Digest:
    """`digest_campaign` without the traces of odd frequencies that are known so far."""
    progress, watch, look = told.progress, told.watch, told.look
    spare, odd = sparing
    builder = DigestBuilder(start)
    known = {row.tobytes(): key for key, stats in (start or {}).items() for row in stats.trace_hash}
    reading = _Reading(traces, known, look, watch is not None, spare > 0, frozenset(odd))
    chunks = [rows[k : k + CHUNK_TRACES] for k in range(0, len(rows), CHUNK_TRACES)]
    done = 0
    later: list[tuple[GroupKey, Seen, str]] = []
    unusable = list(odd.values())

    def each(key: GroupKey, sweep: Sweep, file: str) -> None:
        if watch is not None:
            seen(key, cast("Seen", sweep) if look is None else look(sweep), file)

    def seen(key: GroupKey, what: Seen, file: str) -> None:
        if spare:
            later.append((key, what, file))
        elif watch is not None:
            watch(key, what, file)

    def count() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, len(rows))

    parts: Iterator[_Part[Seen]] = (
        (_read_chunk(reading, chunk, each, count) for chunk in chunks)
        if executor is None
        else ordered_map(_read_chunk_away, chunks, reading, executor=executor, batch=1)
    )
    for chunk, part in zip(chunks, parts, strict=True):
        unusable += part.unusable
        if len(unusable) > spare:
            worst = unusable[-1]
            raise InputError(
                f"{worst.why} ({len(unusable)} traces of {len(rows)} cannot be used, {spare} could be spared)",
                where=traces.path(worst.file),
                remedy="Measure them again, or take them out of the log",
            )
        for identity, file in part.files.items():
            if builder.holds(identity) is not None:
                raise _copied(rows, traces, identity, file)
        builder.absorb(part.digest, part.files)
        if executor is not None:
            for entry in part.seen:
                seen(*entry)
            done += len(chunk)
            if progress is not None:
                progress(done, len(rows))
    whole = builder.finish()
    lost = {d.key for d in unusable} - set(whole)
    if lost:
        d = next(d for d in unusable if d.key in lost)
        raise InputError(
            f"{d.why}, and its group holds no other ({d.key.describe()})",
            where=traces.path(d.file),
            remedy="Measure it again, or take the whole group out of the log",
        )
    for entry in later:
        if watch is not None:
            watch(*entry)
    return Digest(whole, [*(() if start is None else start.distrusted), *unusable])


@dataclass(frozen=True)
class _Reading(Generic[Seen]):
    """What reading any chunk of a log needs: where its traces lie, traces digested before, what is to be kept of each sweep, what is left out."""

    traces: Traces
    known: dict[bytes, GroupKey]
    look: Callable[[Sweep], Seen] | None
    watched: bool
    sparing: bool
    odd: frozenset[str]


@dataclass(frozen=True)
class _Part(Generic[Seen]):
    """A chunk's digest, the paths of its traces by identity, and what was seen of each (only from other processes)."""

    digest: Digest
    files: dict[bytes, str]
    seen: list[tuple[GroupKey, Seen, str]]
    unusable: list[Distrusted]


def _read_chunk_away(reading: _Reading[Seen], rows: Sequence[LogRow]) -> _Part[Seen]:
    """Read a chunk in a worker."""
    seen: list[tuple[GroupKey, Seen, str]] = []

    def keep(key: GroupKey, sweep: Sweep, file: str) -> None:
        if reading.watched:
            seen.append((key, cast("Seen", sweep) if reading.look is None else reading.look(sweep), file))

    part = _read_chunk(reading, rows, keep, lambda: None)
    return _Part(part.digest, part.files, seen, part.unusable)


def _read_chunk(
    reading: _Reading[Seen],
    rows: Sequence[LogRow],
    each: Callable[[GroupKey, Sweep, str], None],
    count: Callable[[], None],
) -> _Part[Seen]:
    builder = DigestBuilder()
    files: dict[bytes, str] = {}
    unusable: list[Distrusted] = []
    for row in rows:
        if row.file in reading.odd:
            count()
            continue
        path = reading.traces.path(row.file)
        raw = reading.traces.raw(row.file)
        trace_hash = hashlib.sha256(raw).digest()
        identity = trace_hash[:HASH_BYTES]
        key = group_key(row)
        owner = reading.known.get(identity)
        if owner is not None:
            if owner != key:
                raise InputError(
                    f"the log now says {key.describe()}; when the trace was digested it said {owner.describe()}",
                    where=path,
                    remedy="Correct the log, or build the digest afresh",
                )
        elif identity in files:
            raise _copied(rows, reading.traces, identity, path)
        else:
            try:
                sweep = reading.traces.sweep(raw, path)
            except InputError as fault:
                if not reading.sparing:
                    raise
                unusable.append(Distrusted(row.file, key, 0.0, True, identity.hex(), fault.what))
            else:
                builder.add(key, sweep, row.time_s, trace_hash, where=path)
                files[identity] = path
                each(key, sweep, row.file)
        count()
    return _Part(builder.finish(), files, [], unusable)


def _copied(rows: Sequence[LogRow], traces: Traces, identity: bytes, path: str) -> InputError:
    return InputError(
        f"the trace is a copy of {_first_copy(rows, traces, identity)!r}",
        where=path,
        remedy="Remove one of them from the log, or find the sweep that belongs here",
    )


def _first_copy(rows: Sequence[LogRow], traces: Traces, identity: bytes) -> str:
    """Return the name of the first trace with this content; read again, since names are not kept."""
    for row in rows:
        if hashlib.sha256(traces.raw(row.file)).digest()[:HASH_BYTES] == identity:
            return row.file
    return "another trace"


def off_group_for(
    key: GroupKey, digest: Mapping[GroupKey, GroupStats], where: str = "", *, first: Collection[str]
) -> GroupKey:
    """Return the pump-off group by which a group is divided, the same one for all states of the source.

    Of the same isolator and cooldown, and with the same frequencies: of those with the nearest bias one in a state of `first`,
    and of these the one with most sweeps.

    Parameters
    ----------
    key : GroupKey
        A group; for a pump-off one it may be the group itself.
    digest : mapping of GroupKey to GroupStats
    where : str
        What a message names as the place: the log's path, say.
    first : collection of str
        States whose pump-off sweeps are preferred.

    Returns
    -------
    GroupKey

    Raises
    ------
    InputError
        There is no pump-off group of this isolator and cooldown, or none with the same frequencies.
    """
    candidates = [
        other
        for other in digest
        if not other.pump_on and other.isolator == key.isolator and other.cooldown == key.cooldown
    ]
    advice = "Record pump-off sweeps of this isolator in this cooldown, with the same frequencies"
    if not candidates:
        raise InputError(
            f"there is no pump-off sweep of isolator {key.isolator!r} in cooldown {key.cooldown!r}",
            where=where,
            remedy=advice,
        )
    if key in digest:
        grid = digest[key].frequency_hz
        candidates = [other for other in candidates if np.array_equal(digest[other].frequency_hz, grid)]
        if not candidates:
            raise InputError(
                f"no pump-off sweep has the frequencies of the pump-on sweeps ({key.describe()})",
                where=where,
                remedy=advice,
            )
        ohm = digest[key].reference_ohm
        alike = [other for other in candidates if digest[other].reference_ohm == ohm]
        if not alike:
            raise InputError(
                f"the pump-off sweeps refer to {digest[candidates[0]].reference_ohm:g} ohm and the pump-on sweeps to {ohm:g} ohm "
                f"({key.describe()})",
                where=where,
                remedy="Write both with the same reference resistance (the R of the Touchstone option line)",
            )
        candidates = alike

    def preference(other: GroupKey) -> tuple[object, ...]:
        distance = math.dist(other.bias_a, key.bias_a)
        return (distance, other.state not in first, -digest[other].count, other.sort_key)

    return min(candidates, key=preference)


def load(path: str | os.PathLike[str]) -> Digest:
    """Read a digest written by `Digest.save`.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    Digest

    Raises
    ------
    InputError
        The file is missing, cut off, of another kind or version, or its content is not consistent.  Nothing is unpickled.
    """
    return store.read(path, DIGEST, _unpack)


def _unpack(fields: Mapping[str, object], members: Mapping[str, NDArray[np.generic]]) -> Digest:
    entries = store.tables(fields["groups"])
    for array, kind in _ARRAYS.items():
        if members[array].dtype != kind or members[array].ndim != 1:
            raise store.Damaged(f"{array} has the wrong type or shape")
        if kind.kind in "fc" and not np.isfinite(members[array]).all():
            raise store.Damaged(f"{array} holds values that are not finite")
    used = dict.fromkeys(_ARRAYS, 0)
    groups: dict[GroupKey, GroupStats] = {}
    for entry in entries:
        arrays = {}
        for array, shape in _shapes(entry).items():
            begin, used[array] = used[array], used[array] + math.prod(shape)
            if used[array] > members[array].size:
                raise store.Damaged(f"{array} is too short")
            arrays[array] = _fixed(members[array][begin : used[array]].reshape(shape).copy())
        groups[_key_from_json(_list(entry["key"]))] = _group(entry, arrays)
    for array, length in used.items():
        if length != members[array].size:
            raise store.Damaged(f"{array} is too long")
    digest = Digest(groups, [_distrusted(_list(x)) for x in _list(fields["distrusted"])])
    if len(digest) != len(entries) or digest.content_hash() != fields["content_hash"]:
        raise store.Damaged("it does not match its own checksum")
    return digest


def _shapes(entry: Mapping[str, object]) -> dict[str, tuple[int, ...]]:
    """Shapes of a group's arrays, in the order of `_ARRAYS`."""
    count, points, blocks = (entry[name] for name in ("count", "points", "blocks"))
    if type(count) is not int or type(points) is not int or type(blocks) is not int or min(count, points, blocks) < 1:
        raise store.Damaged("a group has no sweeps or no frequencies")
    nodes = node_indices(points).size
    return {
        "frequency_hz": (points,),
        "mean": (4, points),
        "scatter": (4, points),
        "band": (2, BAND, points),
        "node_hermitian": (2 * nodes, 2 * nodes),
        "node_complementary": (2 * nodes, 2 * nodes),
        "block_count": (blocks,),
        "block_time_s": (blocks, 3),
        "block_mean": (blocks, 2, nodes),
        "trace_hash": (count, HASH_BYTES),
    }


def _list(value: object) -> list[object]:
    if not isinstance(value, list):
        raise TypeError("a list")
    return value


def _group(entry: Mapping[str, object], arrays: dict[str, NDArray[np.generic]]) -> GroupStats:
    ohm = entry["reference_ohm"]
    if not store.is_number(ohm) or not 0.0 < ohm < math.inf:
        raise store.Damaged("a reference is not a positive number")

    def real(name: str) -> NDArray[np.float64]:
        return np.asarray(arrays[name], dtype=np.float64)

    def complexes(name: str) -> NDArray[np.complex128]:
        return np.asarray(arrays[name], dtype=np.complex128)

    if np.any(np.diff(real("frequency_hz")) <= 0.0):
        raise store.Damaged("frequencies do not increase")
    if np.any(real("scatter") < 0.0):
        raise store.Damaged("a scatter is negative")
    count, level = entry["count"], entry["block_level"]
    if type(count) is not int or type(level) is not int:
        raise store.Damaged("its blocks of time are not as they should be")
    counts = np.asarray(arrays["block_count"], dtype=np.int64)
    blocks = Blocks(counts, real("block_time_s"), complexes("block_mean"), level)
    if fault := blocks.fault(count):
        raise store.Damaged(fault)
    return GroupStats(
        count=count,
        reference_ohm=float(ohm),
        frequency_hz=real("frequency_hz"),
        mean=complexes("mean"),
        scatter=real("scatter"),
        band=complexes("band"),
        node_hermitian=complexes("node_hermitian"),
        node_complementary=complexes("node_complementary"),
        blocks=blocks,
        trace_hash=np.asarray(arrays["trace_hash"], dtype=np.uint8),
    )


def _distrusted(fields: Sequence[object]) -> Distrusted:
    file, key, score, left_out, identity, why = fields
    if type(file) is not str or type(left_out) is not bool or not store.is_number(score) or type(why) is not str:
        raise TypeError("a distrusted sweep")
    if not math.isfinite(score) or type(identity) is not str or len(bytes.fromhex(identity)) not in (0, HASH_BYTES):
        raise TypeError("the score or identity of a distrusted sweep")
    return Distrusted(file, _key_from_json(_list(key)), float(score), left_out, identity, why)


def _key_from_json(fields: Sequence[object]) -> GroupKey:
    isolator, pump_on, port, phase, power, frequency, bias, state, cooldown = fields
    if type(isolator) is not str or type(state) is not str or type(cooldown) is not str or type(pump_on) is not bool:
        raise TypeError("a name or switch of a key")
    if not (port is None or type(port) is int) or type(bias) is not list:
        raise TypeError("a port or bias of a key")

    def number(value: object) -> float:
        if not store.is_number(value) or not math.isfinite(value):
            raise TypeError("a number of a key")
        return float(value)

    return GroupKey(
        isolator,
        pump_on,
        port,
        None if phase is None else number(phase),
        math.nan if power is None else number(power),
        math.nan if frequency is None else number(frequency),
        tuple(number(x) for x in bias),
        state,
        cooldown,
    )
