"""The one binary store: arrays and plain fields in a file that names itself, and that nobody has to trust.

A file is an `.npz` archive (any reader of numpy's format opens it) without compression and without pickle.  Its member
``header`` is a JSON text: magic, kind, version, the writer's plain fields, and a SHA-256 over fields and arrays.  The same
five entries seal files that another library writes (chains in HDF5): there they stand as text in the block before the data.

`numpy.load` gives memory to whatever size the header of an array states, and decompresses whatever the archive holds, so
that a file of a few kilobytes can ask for all memory.  Here anything compressed is refused, and an array must be exactly
as long as its header says.
"""

from __future__ import annotations

import hashlib
import io
import json
import math
import os
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeGuard, TypeVar

import numpy as np
from numpy.typing import NDArray

from fluxsense.base.errors import InputError
from fluxsense.base.files import read_bytes, write_beside
from fluxsense.base.units import shown

MAGIC = "fluxsense store"
MOST_MEMBERS = 10_000
SEAL_BYTES = 512
"""Length of the text before data that another library writes (HDF5 calls it the user block)."""

Made = TypeVar("Made")


@dataclass(frozen=True)
class Kind:
    """A kind of stored file.

    Attributes
    ----------
    name : str
        Stands in the header.
    version : int
        Of its fields and arrays; a file of another version is not read.
    words : str
        For messages: "the digest".
    remedy : str
        What to run again: "Build the digest from the traces again".
    limit_bytes : int
    """

    name: str
    version: int
    words: str
    remedy: str
    limit_bytes: int = 8_000_000_000


def is_number(value: object) -> TypeGuard[float]:
    """Whether a value of a header is a number: true and false are none."""
    return type(value) in (int, float)


def tables(value: object) -> list[dict[str, object]]:
    """A list of tables of a header; TypeError if it is none."""
    if not isinstance(value, list) or not all(isinstance(x, dict) for x in value):
        raise TypeError("a list of tables")
    return value


class Damaged(ValueError):
    """The file cannot be read; the text says why, in a few words that fit behind 'the file is damaged:'."""


def write(
    path: str | os.PathLike[str],
    kind: Kind,
    fields: Mapping[str, object],
    arrays: Mapping[str, NDArray[np.generic]],
    *,
    sync: bool = True,
) -> None:
    """Write a file beside and rename it.

    Parameters
    ----------
    path : path-like
    kind : Kind
    fields : mapping
        JSON values.
    arrays : mapping of str to ndarray
        Plain numbers; the name ``header`` is taken.
    sync : bool
        Force it to the disk.

    Raises
    ------
    InputError
        The file cannot be written.
    """
    plain = {name: np.ascontiguousarray(array) for name, array in arrays.items()}
    header = {
        "magic": MAGIC,
        "kind": kind.name,
        "version": kind.version,
        "checksum": _checksum(fields, plain),
        "fields": fields,
    }
    text = json.dumps(header, allow_nan=False).encode()
    stream = io.BytesIO()
    np.savez(stream, header=np.frombuffer(text, dtype=np.uint8), **plain)  # type: ignore[arg-type]
    write_beside(path, stream.getvalue(), sync=sync)


def read(
    path: str | os.PathLike[str],
    kind: Kind,
    unpack: Callable[[dict[str, object], dict[str, NDArray[np.generic]]], Made],
) -> Made:
    """Read a file that `write` wrote.

    Parameters
    ----------
    path : path-like
    kind : Kind
        What it has to be.
    unpack : callable
        Makes the result of fields and (read-only) arrays.  What it raises of ValueError, TypeError, KeyError and the like means
        that the file is damaged; the text of `Damaged` is told.

    Raises
    ------
    InputError
        The file is missing, too large, of another kind or version, or damaged: with what to run again.
    """
    raw = read_bytes(Path(path), limit_bytes=kind.limit_bytes, kind=kind.words.removeprefix("the "))
    where = os.fspath(path)
    try:
        arrays = arrays_from_bytes(raw)
        header = json.loads(arrays.pop("header").tobytes())
        if not isinstance(header, dict):
            raise Damaged("its header is not as it should be")
        _identify(header, kind, where)
        fields = header["fields"]
        if not isinstance(fields, dict) or header["checksum"] != _checksum(fields, arrays):
            raise Damaged("it does not match its own checksum")
        return unpack(fields, arrays)
    except Damaged as fault:
        raise InputError(f"{kind.words} is damaged: {fault}", where=where, remedy=kind.remedy) from None
    except (KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError, RecursionError):
        what = f"{kind.words} is damaged: its header is not as it should be"
        raise InputError(what, where=where, remedy=kind.remedy) from None


def sealed(raw: bytes, kind: Kind) -> bytes:
    """Data of another library with the header's entries put into the `SEAL_BYTES` before them.

    Parameters
    ----------
    raw : bytes
        Begins with a block of `SEAL_BYTES` that the other library does not read.
    kind : Kind
    """
    checksum = hashlib.sha256(memoryview(raw)[SEAL_BYTES:]).hexdigest()
    header = {"magic": MAGIC, "kind": kind.name, "version": kind.version, "checksum": checksum}
    return (json.dumps(header) + "\n").encode().ljust(SEAL_BYTES, b"\0") + raw[SEAL_BYTES:]


def check_seal(raw: bytes, kind: Kind, where: str) -> None:
    """Refuse data whose header names another kind or version, or whose checksum does not fit, before a library sees them.

    Raises
    ------
    InputError
        With what to run again.
    """
    try:
        header = json.loads(raw[:SEAL_BYTES].rstrip(b"\0"))
    except (ValueError, RecursionError):
        header = None
    if not isinstance(header, dict):
        raise _not_ours(kind, where)
    _identify(header, kind, where)
    if sealed(raw, kind) != raw:
        raise InputError(
            f"{kind.words} is damaged: it does not match its own checksum", where=where, remedy=kind.remedy
        )


def _identify(header: Mapping[str, object], kind: Kind, where: str) -> None:
    if header.get("magic") != MAGIC:
        if "format" in header:  # what versions before this store wrote
            raise InputError(
                f"{kind.words} was written by an earlier version of this program", where=where, remedy=kind.remedy
            )
        raise _not_ours(kind, where)
    if header.get("kind") != kind.name:
        raise InputError(
            f"{kind.words} is wanted, this file holds {shown(header.get('kind'))}", where=where, remedy=kind.remedy
        )
    if type(header.get("version")) is not int or header["version"] != kind.version:
        raise InputError(
            f"{kind.words} has format version {shown(header.get('version'))}, this program reads {kind.version}",
            where=where,
            remedy=kind.remedy,
        )


def _not_ours(kind: Kind, where: str) -> InputError:
    what = f"{kind.words} is wanted, and this is not a file of fluxsense, or one of an earlier version"
    return InputError(what, where=where, remedy=kind.remedy)


def _checksum(fields: Mapping[str, object], arrays: Mapping[str, NDArray[np.generic]]) -> str:
    """SHA-256 in hex over the fields and every array's name, type, shape and numbers."""
    total = hashlib.sha256(json.dumps(fields, sort_keys=True).encode())
    for name in sorted(arrays):
        total.update(f"\n{name} {arrays[name].dtype.str} {arrays[name].shape}\n".encode())
        total.update(np.ascontiguousarray(arrays[name]).tobytes())
    return total.hexdigest()


def arrays_from_bytes(raw: bytes) -> dict[str, NDArray[np.generic]]:
    """Arrays of an uncompressed `.npz` archive, by name.

    Parameters
    ----------
    raw : bytes
        Content of the file.

    Returns
    -------
    dict of str to ndarray
        Read-only; together no larger than `raw`.

    Raises
    ------
    Damaged
        The archive is cut off, compressed or encrypted, a checksum does not fit, a name stands twice, or a member is not
        an array of plain numbers in C order.
    """
    found: dict[str, NDArray[np.generic]] = {}
    _check_end(raw)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            members = archive.infolist()
            if len(members) > MOST_MEMBERS:
                raise Damaged(f"it has {len(members)} members")
            if sum(member.file_size for member in members) > len(raw):
                raise Damaged("its members claim to be larger than the file")
            for member in members:
                name = member.filename.removesuffix(".npy")
                if member.compress_type == zipfile.ZIP_STORED and member.compress_size != member.file_size:
                    raise Damaged("a member has two sizes")
                if member.compress_type != zipfile.ZIP_STORED or member.flag_bits & 1:
                    raise Damaged("it is compressed or encrypted, which this program never writes")
                if name in found or name == member.filename:
                    raise Damaged("a member stands twice or is no array")
                found[name] = _array(archive.read(member))
    except Damaged:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError):
        raise Damaged("it is cut off, or a checksum does not fit") from None
    except (ValueError, TypeError, KeyError, IndexError, OverflowError, RuntimeError, struct.error, MemoryError):
        raise Damaged("it is not an archive of plain arrays") from None
    return found


def _check_end(raw: bytes) -> None:
    """The directory must lie right before the end record, and nothing after that: else two readers may see two archives."""
    end = len(raw) - 22
    if end < 0 or raw[end : end + 4] != b"PK\x05\x06" or raw[-2:] != b"\0\0":
        raise Damaged("it is cut off, or a checksum does not fit")
    size, start = struct.unpack_from("<II", raw, end + 12)
    if 0xFFFFFFFF in (size, start):  # beyond four gigabytes: a larger end record stands before this one
        return
    if start + size != end:
        raise Damaged("its directory is not where it should be")
    at = start
    while at + 46 <= end and raw[at : at + 4] == b"PK\x01\x02":  # a name may not reach over the directory's end
        at += 46 + sum(struct.unpack_from("<HHH", raw, at + 28))
    if at != end:
        raise Damaged("its directory does not fit its length")


_HEADER = re.compile(
    rb"\{'descr': '([<>|][biufc][0-9]{1,2})', 'fortran_order': False, 'shape': \(((?:[0-9]{1,18}(?:, |,)?){0,8})\), \} *\n"
)
"""The header that numpy writes for plain numbers; matched, not evaluated."""


def _array(data: bytes) -> NDArray[np.generic]:
    """One `.npy` member, version 1.0 or 2.0 of the format: magic, version, length of the header, header, numbers."""
    width = {b"\x93NUMPY\x01\x00": 2, b"\x93NUMPY\x02\x00": 4}.get(data[:8], 0)
    begin = 8 + width + int.from_bytes(data[8 : 8 + width], "little")
    header = _HEADER.fullmatch(data[8 + width : begin]) if width and begin <= len(data) else None
    if header is None:
        raise Damaged("a member is not an array of plain numbers")
    kind = np.dtype(header[1].decode())
    shape = tuple(int(n) for n in header[2].replace(b",", b" ").split())
    if math.prod(shape) * kind.itemsize != len(data) - begin:
        raise Damaged("an array is not as long as its header says")
    return np.frombuffer(data, dtype=kind, offset=begin).reshape(shape)
