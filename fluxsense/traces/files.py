"""Reading and writing whole files, with sentences when that fails."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from fluxsense.errors import InputError


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
        File missing, not a file, not readable, empty or larger than the limit.
    """
    where = os.fspath(path)
    try:
        with open(path, "rb") as stream:
            size = os.fstat(stream.fileno()).st_size
            if size > limit_bytes:
                raise InputError(
                    f"the {kind} holds {size / 1e6:.1f} MB, more than the limit of {limit_bytes / 1e6:.1f} MB",
                    where=where,
                    remedy="Check that this is the right file",
                )
            # A pipe or device reports size 0: read no further than one byte past the limit.
            raw = stream.read(limit_bytes + 1)
    except FileNotFoundError:
        raise InputError(f"there is no such {kind}", where=where, remedy="Check the name and the folder") from None
    except IsADirectoryError:
        raise InputError(f"this is a folder, not a {kind}", where=where, remedy="Name the file in it") from None
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        raise InputError(f"the {kind} cannot be read ({reason})", where=where) from None
    if len(raw) > limit_bytes:
        raise InputError(
            f"the {kind} holds more than the limit of {limit_bytes / 1e6:.1f} MB",
            where=where,
            remedy="Check that this is the right file",
        )
    if not raw:
        raise InputError(f"the {kind} is empty", where=where, remedy="Write the file again")
    return raw


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
            beside.unlink(missing_ok=True)
            raise
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
