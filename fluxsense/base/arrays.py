"""Arrays from `.npz` files that nobody has to trust: no pickle, no compression, nothing larger than the file itself.

`numpy.load` gives memory to whatever size the header of an array states, and decompresses whatever the archive holds, so
that a file of a few kilobytes can ask for all memory.  What this package writes is stored without compression; anything
else is refused, and an array must be exactly as long as its header says.
"""

from __future__ import annotations

import io
import math
import re
import struct
import zipfile
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

MOST_MEMBERS = 10_000


class DamagedArrays(ValueError):
    """The archive cannot be read; the text says why, in a few words that fit behind 'the file is damaged:'."""


def arrays_from_bytes(raw: bytes) -> dict[str, NDArray[Any]]:
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
    DamagedArrays
        The archive is cut off, compressed or encrypted, a checksum does not fit, a name stands twice, or a member is not
        an array of plain numbers in C order.
    """
    found: dict[str, NDArray[Any]] = {}
    _check_end(raw)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            members = archive.infolist()
            if len(members) > MOST_MEMBERS:
                raise DamagedArrays(f"it has {len(members)} members")
            if sum(member.file_size for member in members) > len(raw):
                raise DamagedArrays("its members claim to be larger than the file")
            for member in members:
                name = member.filename.removesuffix(".npy")
                if member.compress_type == zipfile.ZIP_STORED and member.compress_size != member.file_size:
                    raise DamagedArrays("a member has two sizes")
                if member.compress_type != zipfile.ZIP_STORED or member.flag_bits & 1:
                    raise DamagedArrays("it is compressed or encrypted, which this program never writes")
                if name in found or name == member.filename:
                    raise DamagedArrays("a member stands twice or is no array")
                found[name] = _array(archive.read(member))
    except DamagedArrays:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError):
        raise DamagedArrays("it is cut off, or a checksum does not fit") from None
    except (ValueError, TypeError, KeyError, IndexError, OverflowError, RuntimeError, struct.error, MemoryError):
        raise DamagedArrays("it is not an archive of plain arrays") from None
    return found


def _check_end(raw: bytes) -> None:
    """The directory must lie right before the end record, and nothing after that: else two readers may see two archives."""
    end = len(raw) - 22
    if end < 0 or raw[end : end + 4] != b"PK\x05\x06" or raw[-2:] != b"\0\0":
        raise DamagedArrays("it is cut off, or a checksum does not fit")
    size, start = struct.unpack_from("<II", raw, end + 12)
    if 0xFFFFFFFF in (size, start):  # beyond four gigabytes: a larger end record stands before this one
        return
    if start + size != end:
        raise DamagedArrays("its directory is not where it should be")
    at = start
    while at + 46 <= end and raw[at : at + 4] == b"PK\x01\x02":  # a name may not reach over the directory's end
        at += 46 + sum(struct.unpack_from("<HHH", raw, at + 28))
    if at != end:
        raise DamagedArrays("its directory does not fit its length")


_HEADER = re.compile(
    rb"\{'descr': '([<>|][biufc][0-9]{1,2})', 'fortran_order': False, 'shape': \(((?:[0-9]{1,18}(?:, |,)?){0,8})\), \} *\n"
)
"""The header that numpy writes for plain numbers; matched, not evaluated."""


def _array(data: bytes) -> NDArray[Any]:
    """One `.npy` member, version 1.0 or 2.0 of the format: magic, version, length of the header, header, numbers."""
    width = {b"\x93NUMPY\x01\x00": 2, b"\x93NUMPY\x02\x00": 4}.get(data[:8], 0)
    begin = 8 + width + int.from_bytes(data[8 : 8 + width], "little")
    header = _HEADER.fullmatch(data[8 + width : begin]) if width and begin <= len(data) else None
    if header is None:
        raise DamagedArrays("a member is not an array of plain numbers")
    kind = np.dtype(header[1].decode())
    shape = tuple(int(n) for n in header[2].replace(b",", b" ").split())
    if math.prod(shape) * kind.itemsize != len(data) - begin:
        raise DamagedArrays("an array is not as long as its header says")
    return np.frombuffer(data, dtype=kind, offset=begin).reshape(shape)
