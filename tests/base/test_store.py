"""The one store: what is written is what numpy reads; anything else is refused with what to run again.

References: numpy's own reader of its format; SHA-256 of hashlib.
"""

from __future__ import annotations

import hashlib
import io
import json
from pathlib import Path

import numpy as np
import pytest

from fluxsense.base import store
from fluxsense.base.errors import InputError

THINGS = store.Kind("things", 3, "the file of things", "Make the things again")
OTHERS = store.Kind("others", 3, "the file of others", "Make the others again")
FIELDS = {"name": "Ω", "numbers": [1, 2.5, None], "deep": {"a": [True]}}
ARRAYS = {
    "a": np.arange(6.0).reshape(2, 3),
    "b": np.array([1 + 2j, 3.0]),
    "c": np.zeros((0, 2), dtype=np.uint8),
    "d": np.arange(6, dtype=np.int64).reshape(2, 3).T,
}


def plain(fields: dict, arrays: dict) -> tuple[dict, dict]:
    return fields, arrays


def test_round_trip_and_numpy_reads_it_too(tmp_path: Path) -> None:
    path = tmp_path / "things.npz"
    store.write(path, THINGS, FIELDS, ARRAYS)
    fields, arrays = store.read(path, THINGS, plain)
    assert fields == FIELDS
    with np.load(path, allow_pickle=False) as outside:
        header = json.loads(outside["header"].tobytes())
        assert {k: header[k] for k in ("magic", "kind", "version", "fields")} == {
            "magic": "fluxsense store", "kind": "things", "version": 3, "fields": FIELDS,
        }  # fmt: skip
        for name, value in ARRAYS.items():
            for found in (arrays[name], outside[name]):
                assert found.dtype == value.dtype
                np.testing.assert_array_equal(found, value)
    assert not arrays["a"].flags.writeable
    store.write(tmp_path / "again.npz", THINGS, dict(reversed(FIELDS.items())), dict(reversed(ARRAYS.items())))
    assert store.read(tmp_path / "again.npz", THINGS, plain)[0] == FIELDS


@pytest.mark.parametrize("place", [0.1, 0.5, 0.9])
def test_every_change_is_noticed(tmp_path: Path, place: float) -> None:
    """Numbers, fields and names are under the checksum; the archive's own dates and the like are not, and change nothing."""
    path = tmp_path / "things.npz"
    store.write(path, THINGS, FIELDS, ARRAYS)
    raw = path.read_bytes()
    rng = np.random.default_rng(int(10 * place))
    words: list[str] = []
    for at in rng.integers(0, len(raw), 60):
        path.write_bytes(raw[:at] + bytes([raw[at] ^ int(rng.integers(1, 256))]) + raw[at + 1 :])
        try:
            fields, arrays = store.read(path, THINGS, plain)
        except InputError as error:
            words.append(str(error))
            continue
        assert fields == FIELDS
        assert all(np.array_equal(arrays[name], value) for name, value in ARRAYS.items())
    assert len(words) > 30
    assert all(text.startswith(str(path)) and "again" in text for text in words)
    path.write_bytes(raw[: int(place * len(raw))])
    with pytest.raises(InputError, match="the file of things is damaged: it is cut off"):
        store.read(path, THINGS, plain)


def archive(header: object, **arrays: np.ndarray) -> bytes:
    stream = io.BytesIO()
    np.savez(stream, header=np.frombuffer(json.dumps(header).encode(), dtype=np.uint8), **arrays)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ({"format": "fluxsense things", "version": 1}, "was written by an earlier version of this program. Make the things again."),
        ({"format": 1, "x": 2}, "was written by an earlier version of this program. Make the things again."),
        ({"magic": "something"}, "this is not a file of fluxsense"),
        ({"magic": store.MAGIC, "kind": "others", "version": 3}, 'this file holds "others". Make the things again.'),
        ({"magic": store.MAGIC, "kind": "things", "version": 2}, "has format version 2, this program reads 3. Make the things again."),
        ({"magic": store.MAGIC, "kind": "things", "version": True}, "has format version true, this program reads 3."),
        ({"magic": store.MAGIC, "kind": "things", "version": 3}, "is damaged: its header is not as it should be."),
        ({"magic": store.MAGIC, "kind": "things", "version": 3, "fields": {}, "checksum": "0"}, "does not match its own checksum."),
        ([1], "is damaged: its header is not as it should be."),
    ],
)  # fmt: skip
def test_foreign_and_former_files_are_told_apart(tmp_path: Path, header: object, words: str) -> None:
    path = tmp_path / "things.npz"
    path.write_bytes(archive(header, a=np.arange(3.0)))
    with pytest.raises(InputError) as caught:
        store.read(path, THINGS, plain)
    assert words in str(caught.value)


def test_what_unpacking_finds_is_told(tmp_path: Path) -> None:
    path = tmp_path / "things.npz"
    store.write(path, THINGS, FIELDS, ARRAYS)

    def refuse(fields: dict, arrays: dict) -> None:
        raise store.Damaged("the b is too long")

    with pytest.raises(InputError, match=r"the file of things is damaged: the b is too long\. Make the things again\."):
        store.read(path, THINGS, refuse)
    with pytest.raises(InputError, match="its header is not as it should be"):
        store.read(path, THINGS, lambda fields, arrays: fields["missing"])
    with pytest.raises(InputError, match="there is no such file of things"):
        store.read(tmp_path / "none.npz", THINGS, plain)


def test_seals_of_files_that_other_libraries_write() -> None:
    payload = bytes(range(256)) * 5
    raw = store.sealed(bytes(store.SEAL_BYTES) + payload, THINGS)
    assert raw[store.SEAL_BYTES :] == payload
    assert hashlib.sha256(payload).hexdigest().encode() in raw[: store.SEAL_BYTES]
    store.check_seal(raw, THINGS, "x")
    with pytest.raises(InputError, match="does not match its own checksum"):
        store.check_seal(raw[:-1] + b"\0", THINGS, "x")
    with pytest.raises(InputError, match='this file holds "things"'):
        store.check_seal(raw, OTHERS, "x")
    with pytest.raises(
        InputError, match=r"not a file of fluxsense, or one of an earlier version\. Make the things again"
    ):
        store.check_seal(b"fluxsense chains, SHA-256 of what follows byte 512:\n" + bytes(600), THINGS, "x")
