"""Chains on disk while they grow: to go on after a kill, and for others to read meanwhile.

One HDF5 file, always whole: it is made in memory, written beside and renamed, so that whoever opens it sees the chains up
to some step and never half a file.  It is written so seldom that writing takes a small share of the time.  Besides the
chains it holds the state of every random generator at that step, so that a run that goes on from it walks exactly the
steps that an uninterrupted one would.
"""

from __future__ import annotations

import hashlib
import io
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

import h5py
import numpy as np
import numpy.typing as npt

from fluxsense.base import store
from fluxsense.base.errors import InputError
from fluxsense.base.files import read_bytes, write_beside

FloatArray = npt.NDArray[np.float64]
Kind = TypeVar("Kind", bound=np.generic)

CHAINS = store.Kind("chains", 2, "the file of chains", "Remove it and run orient again")
LEAST_SECONDS = 5.0
"""Shortest time between two writings; longer where writing itself is slow (a fiftieth of the time at most)."""


@dataclass(frozen=True)
class Walk:
    """Every ensemble's chain up to a step, and what it takes to go on.

    Attributes
    ----------
    x : ndarray (E, T, W, D)
        Whitened positions at each step.
    log_posterior : ndarray (E, T, W)
    accepted : ndarray (E, W)
        Accepted proposals so far.
    keys : ndarray (E, 624) of uint32
    places : ndarray (E, 3)
        With `keys` the states of the Mersenne twisters: position, whether a normal is kept, that normal.
    calls : int
        Evaluations of the likelihood so far.
    """

    x: FloatArray
    log_posterior: FloatArray
    accepted: FloatArray
    keys: npt.NDArray[np.uint32]
    places: FloatArray
    calls: int

    @property
    def steps(self) -> int:
        """Steps of each ensemble."""
        return int(self.x.shape[1])

    def random_state(self, ensemble: int) -> tuple[str, npt.NDArray[np.uint32], int, int, float]:
        """State of one ensemble's generator, as `numpy.random.RandomState.set_state` takes it."""
        place = self.places[ensemble]
        return "MT19937", self.keys[ensemble], int(place[0]), int(place[1]), float(place[2])


def run_identity(*parts: object) -> str:
    """Hash of everything that a run's steps depend on: what is passed, and the versions of the libraries used."""
    versions = [version(name) for name in ("fluxsense", "numpy", "scipy", "emcee")]
    return hashlib.sha256("\n".join(str(p) for p in (*parts, *versions)).encode()).hexdigest()


class ChainFile:
    """The file of one run.

    Parameters
    ----------
    path : path-like
    identity : str
        See `run_identity`; a file of another run is not gone on from.
    clock : callable, optional
        Seconds that only grow; for tests.

    Attributes
    ----------
    fault : str
        Why the chains could not be written the last time; empty if they could.
    """

    def __init__(
        self, path: str | os.PathLike[str], identity: str, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self.path = Path(path)
        self.identity = identity
        self._clock = clock
        self._next = clock() + LEAST_SECONDS
        self.fault = ""

    def known_by(self, *arrays: FloatArray) -> ChainFile:
        """The same file, of a run known also by what its steps start from: a study changed in memory is another run."""
        total = hashlib.sha256(self.identity.encode())
        for array in arrays:
            total.update(np.ascontiguousarray(array).tobytes())
        return ChainFile(self.path, total.hexdigest(), self._clock)

    def unfinished(self) -> Walk | None:
        """The walk to go on from; None if there is no file, it cannot be used, is of another run or was finished."""
        if not self.path.exists():
            return None
        try:
            walk, identity, finished = _read(self.path)
        except InputError:
            return None
        return walk if identity == self.identity and not finished else None

    def keep(self, walk: Callable[[], Walk]) -> None:
        """Write the walk if it is time to; a fault of the disk does not stop the run."""
        if self._clock() >= self._next:
            self._try(walk(), finished=False)

    def close(self, walk: Walk, *, finished: bool) -> None:
        """Write the walk at the end of the run; a fault of the disk does not take the answer with it."""
        self._try(walk, finished=finished)

    def _try(self, walk: Walk, *, finished: bool) -> None:
        try:
            self.save(walk, finished=finished)
            self.fault = ""
        except InputError as error:
            self.fault = str(error)
            self._next = self._clock() + LEAST_SECONDS

    def save(self, walk: Walk, *, finished: bool) -> None:
        """Write the walk.

        Raises
        ------
        InputError
            If the file cannot be written; an earlier one is then left as it was.
        """
        began = self._clock()
        buffer = io.BytesIO()
        with h5py.File(buffer, "w", userblock_size=store.SEAL_BYTES) as file:
            file.attrs["identity"] = self.identity
            file.attrs["finished"] = finished
            file.attrs["calls"] = walk.calls
            for name in ("x", "log_posterior", "accepted", "keys", "places"):
                file.create_dataset(name, data=getattr(walk, name))
        write_beside(self.path, store.sealed(buffer.getvalue(), CHAINS), sync=True)
        now = self._clock()
        self._next = now + max(LEAST_SECONDS, 50 * (now - began))


def read_chains(path: str | os.PathLike[str]) -> Walk:
    """The chains of a run, also of one that is still going.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    Walk

    Raises
    ------
    InputError
        If the file is missing, not one of chains, of another format version, or damaged.
    """
    return _read(Path(path))[0]


def _read(path: Path) -> tuple[Walk, str, bool]:
    def damaged(why: str) -> InputError:
        return InputError(f"the file of chains cannot be used ({why})", where=str(path), remedy=CHAINS.remedy)

    raw = read_bytes(path, limit_bytes=CHAINS.limit_bytes, kind="file of chains")
    store.check_seal(
        raw, CHAINS, str(path)
    )  # the HDF5 library neither notices changed numbers nor survives every damage
    try:
        with h5py.File(io.BytesIO(raw), "r") as file:
            identity, finished = str(file.attrs["identity"]), bool(file.attrs["finished"])
            calls = int(file.attrs["calls"])
            x, log_p, accepted, places = (
                _array(file, name, np.dtype(np.float64), len(raw))
                for name in ("x", "log_posterior", "accepted", "places")
            )
            keys = _array(file, "keys", np.dtype(np.uint32), len(raw))
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, AttributeError, OverflowError) as fault:
        raise damaged(str(fault)[:120] or type(fault).__name__) from None
    sound = (
        x.ndim == 4
        and log_p.shape == x.shape[:3]
        and accepted.shape == (x.shape[0], x.shape[2])
        and keys.shape == (x.shape[0], 624)
        and places.shape == (x.shape[0], 3)
        and calls >= 0
    )
    if not sound:
        raise damaged("its arrays do not fit each other")
    if not (np.all(np.isfinite(x)) and not np.any(np.isnan(log_p)) and np.all(np.isfinite(places))):
        raise damaged("it holds values that are not finite")
    if not (np.all((places[:, 0] >= 0) & (places[:, 0] <= 624)) and np.all((places[:, 1] == 0) | (places[:, 1] == 1))):
        raise damaged("the state of a random generator is not one")
    return Walk(x, log_p, accepted, keys, places, calls), identity, finished


def _array(file: h5py.File, name: str, kind: np.dtype[Kind], most_bytes: int) -> npt.NDArray[Kind]:
    """A plain dataset: stored in the file itself, not compressed, no larger than the file."""
    if not isinstance(file.get(name, getlink=True), h5py.HardLink):
        raise ValueError(f"{name} stands elsewhere")
    data = file[name]
    if not isinstance(data, h5py.Dataset) or data.dtype != kind:
        raise ValueError(f"{name} is not an array of {kind}")
    if data.external or data.is_virtual or data.chunks is not None or data.compression is not None:
        raise ValueError(f"{name} is not stored plainly")
    if data.size * kind.itemsize > most_bytes:
        raise ValueError(f"{name} is larger than the file")
    return np.asarray(data[()], dtype=kind)
