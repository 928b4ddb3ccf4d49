"""Reading and writing whole files, with sentences when that fails."""

from __future__ import annotations

import glob
import os
import secrets
import stat
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from fluxsense.base.errors import InputError

STALE_SECONDS = 3600.0
"""Writing one file takes seconds: a temporary file older than this belongs to a run that was killed."""


class EmptyFile(InputError):
    """A file that is there and holds nothing: writing it was cut short."""


def read_bytes(path: str | os.PathLike[str], *, limit_bytes: int, kind: str) -> bytes:
    """Return the content of a file no larger than a limit.

    Parameters
    ----------
    path : path-like
    limit_bytes : int
        Larger files are refused before they are read.
    kind : str
        What the file is meant to be, for messages ("trace", "log", ...).

    Raises
    ------
    InputError
        File missing, not an ordinary file, not readable, larger than the limit, or changing while it is read; `EmptyFile`, empty.
    """
    where = os.fspath(path)
    try:
        with open(path, "rb", opener=_without_waiting) as stream:
            about = os.fstat(stream.fileno())
            if not stat.S_ISREG(about.st_mode):
                raise InputError(
                    f"this is no ordinary file, and cannot be the {kind}",
                    where=where,
                    remedy="Name a file, not a pipe or device",
                )
            size = about.st_size
            if size > limit_bytes:
                raise InputError(
                    f"the {kind} holds {size / 1e6:.1f} MB, more than the limit of {limit_bytes / 1e6:.1f} MB",
                    where=where,
                    remedy="Check that this is the right file",
                )
            # One byte more than there should be shows a file that grows.  Never ask for the limit at once: the memory
            # would be taken whatever the file holds.
            raw = stream.read(size + 1)
    except FileNotFoundError:
        raise InputError(f"there is no such {kind}", where=where, remedy="Check the name and the folder") from None
    except IsADirectoryError:
        raise InputError(f"this is a folder, not a {kind}", where=where, remedy="Name the file in it") from None
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise InputError(
            f"the {kind} cannot be read ({reason})", where=where, remedy="Check the path and the right to read it"
        ) from None
    if len(raw) != size:
        raise InputError(
            f"the {kind} changed while it was read",
            where=where,
            remedy="Wait until whatever writes it has finished, then run the command again",
        )
    if not raw:
        raise EmptyFile(f"the {kind} is empty", where=where, remedy="Write the file again")
    return raw


def _sweep(target: Path) -> None:
    """Remove temporary files of this target that a run left which was killed an hour ago or more."""
    with suppress(OSError):
        for left in target.parent.glob(f".{glob.escape(target.name)}.????????.part"):
            if time.time() - left.stat().st_mtime > STALE_SECONDS:
                left.unlink(missing_ok=True)


def _without_waiting(path: str, flags: int) -> int:
    """Open without waiting for the other end, should the file be a pipe."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


@contextmanager
def only_writer(folder: str | os.PathLike[str]) -> Iterator[None]:
    """Hold a folder for one run; the hold ends with the process, however it ends.

    Parameters
    ----------
    folder : path-like
        Must exist; the folder itself is locked, no file is made.

    Raises
    ------
    InputError
        Another run holds it.

    Notes
    -----
    Where the system knows no locks, or they do not work (some network folders), nothing is held: files are whole all the
    same, since each is written beside and renamed.
    """
    try:
        import fcntl
    except ImportError:  # not a Unix
        yield
        return
    with ExitStack() as stack:
        try:
            handle = os.open(folder, os.O_RDONLY)
            stack.callback(os.close, handle)
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise InputError(
                "another run of fluxsense is writing to this folder",
                where=os.fspath(folder),
                remedy="Wait until it has finished, or choose another folder with --out",
            ) from None
        except OSError:
            pass  # no locks here; what cannot be written will be said where it is written
        yield


def write_beside(path: str | os.PathLike[str], data: bytes, *, sync: bool) -> None:
    """Write a file under a temporary name in the same folder, then rename it: readers see the old file or the new one.

    Parameters
    ----------
    path : path-like
    data : bytes
    sync : bool
        Also force file and folder to the disk, so that the new file outlives a power cut.

    Raises
    ------
    InputError
        The folder is missing or cannot be written to; an existing file is then left as it was.
    """
    target = Path(path)
    beside = target.with_name(f".{target.name}.{secrets.token_hex(4)}.part")
    try:
        try:
            with open(beside, "xb") as stream:
                stream.write(data)
                if sync:
                    stream.flush()
                    os.fsync(stream.fileno())
            os.replace(beside, target)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
        if sync:
            _sweep(target)
        if sync and hasattr(os, "O_DIRECTORY"):
            folder = os.open(target.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
    except OSError as fault:
        raise InputError(
            f"the file cannot be written ({fault.strerror or fault})",
            where=os.fspath(path),
            remedy="Check that the folder exists, may be written to and has room",
        ) from None
