"""Mutated inputs against every reader: a correct reading or a sentence, nothing else.

    python tests/faults/fuzz.py --count 100000            # the long run: about ten minutes of one core
    python tests/faults/fuzz.py --count 3000 --seed 7 --readers study,log
    python tests/faults/fuzz.py --again study:17:123      # one case again: reader, seed, number

Each case is a file made from a good one by one to four changes (bytes, tokens, lines, keys, checksums made good again
where an archive has them), all drawn from the seed and the number of the case.  The reader runs in a child process with
a limit on its address space and an alarm.  Outcomes:

    read      accepted, and a second, independent reading (`second.py`) agrees, number by number
    sentence  InputError with a place and a way out, printable, ending in a full stop or question mark
    wrong     accepted, but the second reading differs or refuses
    mute      InputError without place or remedy, or not printable
    traceback any other exception
    slow      more than 2 s of processor time
    memory    resident memory grew by more than the bound
    died      the child was killed by a signal

Exit code 0 only if every case is `read` or `sentence`.
"""

from __future__ import annotations

import argparse
import dataclasses
import io
import json
import multiprocessing
import os
import random
import resource
import signal
import struct
import sys
import tempfile
import time
import traceback
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from tokenize import TokenError
from typing import Any

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent)]

import numpy as np  # noqa: E402
import second  # noqa: E402
from small_study import study_text  # noqa: E402

from fluxsense.base.errors import InputError  # noqa: E402

LIMIT_S = 2.0
MEMORY_BOUND_BYTES = 256_000_000
"""How much the resident memory of a child may grow over all its cases; the inputs are below a megabyte each."""
OUTCOMES = ("read", "sentence", "wrong", "mute", "traceback", "slow", "memory", "died")
GOOD = ("read", "sentence")

# ---------------------------------------------------------------- the good files that mutations start from

RICH_STUDY = """
[[coil]]
name = "big"
outline = [["-5 mm", "-5 mm", "3 mm"], ["5 mm", "-5 mm", "3 mm"], ["5 mm", "5 mm", "3 mm"], ["-5 mm", "5 mm", "3 mm"]]
[[state]]
name = "half_turn"
kind = "turned"
rotation_axis = [0.3, -1, 2]
rotation_angle = "135.5 deg"
[[state]]
name = "coil_on"
kind = "calibration"
coil = "big"
current = "1 mA"
[[state]]
name = "known"
kind = "calibration"
field = ["0 T", "-3e-2 uT", "1 mG"]
[[setting]]
name = "free"
isolators = ["b"]
bias = { a1 = "0.1 mA" }
pump_phase = "-77.5 deg"
pump_power = "2.5 nW"
pump_frequency = "2.337 GHz"
[limits]
pump_power = "-55 dBm"
pump_frequency = ["2.2 GHz", "2.4 GHz"]
isolation = "15 dB"
[layout]
outlines = ["square", "free"]
size = ["4 um", "40 um"]
chip_size = ["200 um", "0.3 mm"]
edge = "2 um"
spacing = "1500 nm"
grid = "0.1 um"
loop_area = "3000 um^2"
change_chip = true
fixed = ["a1"]
keep_out = [{ chip = "chip_x", from = ["-5 um", "-5 um"], to = ["5 um", "5 um"] }]
[traces]
log = "log.csv"
allow_outside = false
format = "csv"
frequency_unit = "GHz"
s21 = ["a", "b"]
s12 = ["c", "d"]
reference = "75 ohm"
"""

DIPOLE_STUDY = """format = 1
title = "A grain, with every kind of loop"
note = "two lines\\nof text"
[uncertainty]
unstated = "default"
[source]
kind = "dipole"
position = ["0.5 um", "-1 um", "12 um"]
position_sd = ["0.3 um", "0 um", "1e-7 m"]
extent = "1.5 um"
size_prior = "known"
size = "30 fA m^2"
size_sd = "3 fA m2"
direction_prior = "list"
direction_candidates = [[0, 0, 1], [1, 2, -2], [1e-3, 0, 0.5]]
[[loop]]
name = "one"
shape = "circle"
center = ["11 um", "4 um"]
radius = "6 um"
sides = 32
flux_focusing = 1.25
flux_focusing_sd = 0.02
offset = "3 mPhi0"
offset_sd = "10 mPhi0"
[[loop]]
name = "two"
shape = "rectangle"
center = ["-11 um", "4 um"]
width = "12 um"
height = "8 um"
reversed = true
[[loop]]
name = "three"
outline = [["0 um", "20 um"], ["10 um", "20 um"], ["10 um", "30 um", "1 um"], ["0 um", "20 um"]]
[[loop]]
name = "four"
shape = "polygon"
crossing = true
outline = [["0 um", "-20 um"], ["10 um", "-30 um"], ["10 um", "-20 um"], ["0 um", "-30 um"]]
[[bias_line]]
name = "x"
limit = "2 mA"
mutual = { one = "600 Phi0/A", two = "-1.2 pH", four = "0.3 mPhi0/uA" }
mutual_sd = { one = "6 Phi0/A", two = "exact" }
[[isolator]]
name = "i"
link = "line"
link_amplitude = 0.93
link_phase = "12 deg"
hybrid_imbalance = "-0.2 dB"
hybrid_phase_error = "1 mrad"
hybrid_loss = "0.1 dB"
reference_flux = "0.5 Phi0"
reference_power = "1 nW"
pump_port_1_phase = "-90 deg"
pump_phase_error_sd = "2 deg"
pump_strength_sd = 0.03
pump_shift_factor = 1.1
link_phase_sd = "exact"
[isolator.setup]
return_loss = "18 dB"
direct_path = "-38.5 dB"
arm_phase = "1 deg"
arm_phase_sd = "2 deg"
static_flux_sd = "5 mPhi0"
if_smoothing = 0.2
discrepancy_own = 0.001
[isolator.stage_1]
loop = "one"
ring = "bare"
branch = -1
signal_frequency = "5.020 GHz"
signal_linewidth = "40 MHz"
signal_participation = 0.1
signal_participation_sd = 0.01
idler_frequency = "7350 MHz"
idler_linewidth = "6e7 Hz"
idler_termination = "60 MHz"
idler_participation = 0.25
coupling = "10.2 MHz"
coupling_sd = "1 MHz"
[isolator.stage_2]
loop = "two"
ring = "shunted"
shunt_ratio = 3
signal_frequency = "5.023 GHz"
signal_frequency_sd = "100 kHz"
signal_linewidth = "40 MHz"
signal_internal_loss = "0.4 MHz"
signal_participation = 0.1
idler_frequency = "7.35 GHz"
idler_linewidth = "60 MHz"
idler_internal_loss = "0.6 MHz"
idler_termination = "50 MHz"
idler_participation = 0.1
coupling = "10.2 MHz"
[[setting]]
name = "s"
bias = { x = "0.8 mA" }
pump_port = 2
pump_power = "-60 dBm"
[sweep]
start = "4.92 GHz"
stop = "5.06 GHz"
points = 41
[noise]
white = 0.02
flux = "1 uPhi0"
[sampling]
walkers = 64
max_steps = 1000
"""

NOISE_LINES = (
    'flux = "1 uPhi0"\nflux_slow = "2 uPhi0"\nscale_sd = 0.1\nbad_sweeps = 0.02\nflux_jumps = 1\nflux_jump = "2 uPhi0"'
)
DIRECTION_LINES = '[data]\nkind = "direction"\nwrong_way = 0.02\nwrong_way_factor = 2.5\n'

LOG_LINES = ("x", "y")
LOG_ISOLATORS = ("east", "north")
LOG_STATES = ("out", "in")


def good_log(rng: random.Random) -> bytes:
    """A log of eight rows with every kind of cell."""
    head = "file,isolator,pump,pump_port,pump_phase_deg,pump_power_dbm,pump_frequency_hz,state,cooldown,repeat,time_s,bias_x_a,bias_y_a"
    rows = [head]
    for n in range(8):
        pump = ("off,,,,", f"on,{1 + n % 2},,-60.{n},2.33e9", f"on,,{37.5 * n},-61,2330000{n:03d}")[n % 3]
        name = f'"t/a{n}.s2p"' if n % 4 == 1 else f"t/a{n}.s2p"
        rows.append(f"{name},{LOG_ISOLATORS[n % 2]},{pump},{LOG_STATES[n // 4]},c1,{n},{20 * n}.5,{n}e-4,-0.00{n}")
    if rng.random() < 0.3:  # directions beside the traces, or instead of one
        rows = [
            f"{row},{('transmits', '21', '', '12')[min(n, 3) if n < 4 else n % 4 or 1]}" for n, row in enumerate(rows)
        ]
        rows[1] = "," + rows[1].split(",", 1)[1]
    if rng.random() < 0.3:
        rows.insert(rng.randrange(1, len(rows)), rng.choice(["# a remark", "", ",,,,"]))
    return ("\r\n" if rng.random() < 0.3 else "\n").join(rows).encode() + b"\n" * (rng.random() < 0.8)


def good_touchstone(rng: random.Random) -> bytes:
    """A two-port file of four to seven points in any form, unit, version and layout."""
    unit, scale = rng.choice([("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("GHz", 1e9)])
    form = rng.choice(["RI", "MA", "DB"])
    fields = [unit, "S", form, f"R {rng.choice(['50', '75', '50.0'])}"]
    rng.shuffle(fields)
    version_2 = rng.random() < 0.3
    points = rng.randint(4, 7)
    rows = []
    for k in range(points):
        numbers = []
        for _ in range(4):
            a, b = rng.uniform(-1, 1), rng.uniform(-1, 1)
            if form == "MA":
                a, b = abs(a), 180 * b
            elif form == "DB":
                a, b = 30 * (a - 1), 180 * b
            numbers += [f"{a:.6g}", f"{b:.5e}"]
        f = f"{(5e9 + 1e6 * k) / scale!r}"
        if rng.random() < 0.1:
            rows += [f"{f} {numbers[0]} {numbers[1]} {numbers[2]} {numbers[3]}", "  " + " ".join(numbers[4:])]
        else:
            rows.append(f + " " + " ".join(numbers))
    head = ["! a sweep", "# " + " ".join(fields)]
    if version_2:
        order = rng.choice(["12_21", "21_12"])
        head = ["[Version] 2.0", head[1], "[Number of Ports] 2", f"[Two-Port Data Order] {order}"]
        head += [f"[Number of Frequencies] {points}"] * (rng.random() < 0.7)
        head += ["[Reference] 75 75"] * (rng.random() < 0.3) + ["[Network Data]"]
        rows += ["[End]"]
    elif rng.random() < 0.2:
        rows += [f"{4e9 / scale!r} 1.2 0.3 40 0.2", f"{4.5e9 / scale!r} 1.2 0.3 40 0.2"]
    return (rng.choice(["\n", "\r\n"]).join(head + rows) + "\n").encode()


def good_truth(rng: random.Random) -> bytes:
    """A truth file."""
    place = 'position = ["0 um", "1 um", "12 um"]\n' if rng.random() < 0.7 else ""
    return (
        'format = 1\nseed = 3\n[source]\nazimuth = "159.2 deg"\nelevation = "-0.4 rad"\nsize = "22 fA m^2"\n'
        f'{place}[offset.c1]\none = "1 mPhi0"\n[pump]\ni = {{ port_1_sign = 1 }}\n'
    ).encode()


_digests: list[bytes] = []


def good_digest(rng: random.Random) -> bytes:
    """A digest of a few groups."""
    if not _digests:
        from fluxsense.data.digest import Digest, DigestBuilder, Distrusted, GroupKey
        from fluxsense.data.touchstone import Sweep

        nan = float("nan")
        draw = np.random.default_rng(5)
        for points in (1, 2, 5, 30):
            builder = DigestBuilder()
            f = 5e9 + 1e6 * np.arange(points)
            for g in range(3):
                key = GroupKey(
                    "east", g > 0, g or None, None, -60.0 if g else nan, 2e9 if g else nan, (0.1, -2e-3), "in", "c"
                )
                for n in range(3):
                    s = draw.standard_normal((points, 2, 2)) + 1j * draw.standard_normal((points, 2, 2))
                    builder.add(key, Sweep(f, s, 50.0), float(n))
            with tempfile.TemporaryDirectory() as folder:
                bad = [
                    Distrusted("t/a.s2p", key, 9.5, True, "0f" * 16),
                    Distrusted("t/b.s2p", key, 4.5, False, "a1" * 16),
                ]
                Digest(builder.freeze(), bad[: points % 3]).save(Path(folder) / "d.npz")
                _digests.append((Path(folder) / "d.npz").read_bytes())
    return rng.choice(_digests)


_posteriors: list[bytes] = []


def good_posterior(rng: random.Random) -> bytes:
    """A stored posterior of invented numbers."""
    if not _posteriors:
        from fluxsense.detection.stored import Stored
        from fluxsense.device.chip import ChipParameters
        from fluxsense.infer.mixture import StudentMixture
        from fluxsense.infer.proposal import Proposal
        from fluxsense.infer.straight import Straight

        draw = np.random.default_rng(6)
        for held in (False, True):
            reference = ChipParameters(
                {
                    "source": np.ones((1, 3)), "position_m": np.zeros((1, 3)), "offset_phi0": np.ones((1, 1, 4)),
                    "flux_focusing": np.ones((1, 4)), "pump_strength": np.ones((1, 2)),
                    "pump_phase_error_rad": np.zeros((1, 2)), "coupling_hz": np.full((1, 2, 2), 1e7),
                }
            )  # fmt: skip
            mixture = StudentMixture(np.array([0.25, 0.75]), draw.standard_normal((2, 5)), np.stack([np.eye(5)] * 2))
            straight = Straight(
                None, np.ones(5), np.array([0, 1, 2, 4]), np.arange(3), np.ones(3), np.eye(3), np.eye(4)
            )  # fmt: skip
            x = draw.standard_normal((2, 10, 6, 5))
            stored = Stored(
                "ab" * 32, "cd" * 32, (1, -1), ("c1",), {0: 1}, 0.002, reference if held else None,
                Proposal(mixture, straight if held else None), x,
                -np.sum(x**2, axis=-1), 321.5, "reliable", ("The ensembles agree.",), 11,
            )  # fmt: skip
            with tempfile.TemporaryDirectory() as folder:
                stored.save(Path(folder) / "p.npz")
                _posteriors.append((Path(folder) / "p.npz").read_bytes())
    return rng.choice(_posteriors)


_chains: list[bytes] = []


def good_chains(rng: random.Random) -> bytes:
    """A file of chains of invented numbers."""
    if not _chains:
        from fluxsense.infer.chainfile import ChainFile, Walk

        draw = np.random.default_rng(7)
        for steps in (1, 12):
            x = draw.standard_normal((2, steps, 6, 3))
            keys = draw.integers(2**32, size=(2, 624), dtype=np.uint32)
            walk = Walk(
                x, -np.sum(x**2, axis=-1), np.ones((2, 6)), keys, np.array([[3.0, 1.0, 0.25], [624.0, 0.0, 0.0]]), 99
            )
            with tempfile.TemporaryDirectory() as folder:
                ChainFile(Path(folder) / "chains.h5", "ab" * 32).save(walk, finished=steps == 1)
                _chains.append((Path(folder) / "chains.h5").read_bytes())
    return rng.choice(_chains)


GDS_LAYER = 3
_layouts: list[bytes] = []


def good_gdsii(rng: random.Random) -> bytes:
    """A layout of two cells with labelled outlines, a closed path and a reference, written by gdstk."""
    if not _layouts:
        import gdstk

        library = gdstk.Library("lib", unit=1e-6, precision=1e-9)
        cells = [library.new_cell(n) for n in ("plate", "wall")]
        for n, cell in enumerate(cells):
            for k in range(3):
                corners = [(20 * k, n), (20 * k + 8.5, n), (20 * k + 8, n + 7.125), (20 * k - 0.003, n + 6)]
                cell.add(gdstk.Polygon(corners, layer=GDS_LAYER, datatype=n))
                cell.add(gdstk.Label(f"loop_{n}{k}", corners[0], layer=GDS_LAYER))
            cell.add(gdstk.rectangle((0, 0), (1, 1), layer=9))
            bend = [(0, 40), (5, 45), (9, 41), (0, 40)]
            cell.add(gdstk.FlexPath(bend, 0.5, simple_path=True, layer=GDS_LAYER))
        cells[0].add(gdstk.Reference(cells[1], (100, 100)))
        with tempfile.TemporaryDirectory() as folder:
            library.write_gds(str(Path(folder) / "a.gds"))
            _layouts.append((Path(folder) / "a.gds").read_bytes())
    return rng.choice(_layouts)


_studies: list[bytes] = []


def good_study(rng: random.Random) -> bytes:
    """One of several studies that together use every key."""
    if not _studies:
        _studies.append((ROOT / "fluxsense" / "starter.toml").read_bytes())
        _studies.append((study_text() + RICH_STUDY).encode())
        _studies.append(DIPOLE_STUDY.encode())
        _studies.append((DIPOLE_STUDY.replace('flux = "1 uPhi0"', NOISE_LINES) + DIRECTION_LINES).encode())
    return rng.choice(_studies)


# ---------------------------------------------------------------- mutations

NUMBERS = [
    "nan", "-nan", "inf", "-inf", "1e400", "-1e400", "1e-400", "1e308", "-0", "0", "-1", "1_000", "0x10", "0b11", "1e", "1.2.3",
    "--1", "+1", "1,5", "1.", ".5", "1e+30", "1e-30", "٣", "１２", "1d3", "1E5", "9" * 400, "9" * 5000, "10**10**10", "1e99999999999", "²",
    "1 2", "2147483648", "-9223372036854775809", "1e5e5", "True", "0.1", "3", "17", "1e3", "",
]  # fmt: skip
WORDS = [
    "", " ", "\u202e", "\ufeff", "\x00", "\x85", "\u2028", "é", "ﬁ", "in", "out", "off", "on", "__import__('os').system('true')",
    "{{ 7*7 }}", "${HOME}", "../../etc/passwd", "<script>", "10**10**10 Hz", "7,2 GHz", "5 GHz", "5 um", "3 bananas", "1 T", "1 uT",
    "1 µm", "1 μm", "5 mPhi0", "0.5 Φ₀", "90°", "1 dBm", "-300 dBm", "1e99 dBm", "4 fA·m²", "4 fA m2", "2 mu_B", "1 nH", "1 G",
    "a" * 5000, "circle", "square", "list", "cap", "plane", "known", "fixed", "line", "bare", "turned", "calibration", "#", '"', "'",
    "[", "]]", "=", "!", "[Version] 2.0", "# GHz S MA R 50", "[Network Data]", "[End]", "[Noise Data]", "%s%n", "NaN GHz", "null",
]  # fmt: skip
PICKLE = b"cos\nsystem\n(S'touch /tmp/fluxsense_was_here'\ntR."


def _tokens(text: bytes) -> list[tuple[int, int]]:
    """Places of numbers, words and quoted texts."""
    found, n = [], 0
    separators = b" \t\r\n,=[]{}"
    while n < len(text):
        if text[n] == 34:
            end = text.find(b'"', n + 1)
            end = len(text) if end < 0 else end
            found.append((n + 1, end))
            n = end + 1
        elif text[n] in separators:
            n += 1
        else:
            end = n
            while end < len(text) and text[end] not in separators and text[end] != 34:
                end += 1
            found.append((n, end))
            n = end
    return found


def mutate_text(raw: bytes, rng: random.Random) -> bytes:
    """One change of a text file: a token, a line, some bytes, the line ends, the encoding, the end."""
    kind = rng.randrange(13)
    tokens = _tokens(raw) if kind < 6 else []
    lines = raw.split(b"\n")
    at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    if kind < 6 and tokens:
        begin, end = rng.choice(tokens)
        old = raw[begin:end]
        if kind == 0:
            new = rng.choice(NUMBERS).encode()
        elif kind == 1:
            new = rng.choice(WORDS).encode()
        elif kind == 2:
            b, e = rng.choice(tokens)
            new = raw[b:e]
        elif kind == 3:  # another number, well formed
            number = f"{rng.choice([-1, 1, 1, 1]) * 10 ** rng.uniform(-8, 8):.{rng.randint(1, 17)}g}"
            number = number.replace("e-0", "e-").replace("e+0", "E+" if rng.random() < 0.5 else "e")
            _, space, tail = old.partition(b" ")
            new = number.encode() + space + tail
        elif kind == 4:  # inside a token
            place = rng.randrange(len(old) + 1)
            new = (
                old[:place] + rng.choice([b"-", b".", b"e", b"0", b"9", b" ", b"_", b"\xc2\xb5", b"\x00"]) + old[place:]
            )
        else:
            new = old[: rng.randrange(len(old) + 1)]
        return raw[:begin] + new + raw[end:]
    if kind == 6:
        lines.pop(at)
    elif kind == 7:
        lines.insert(other, lines[at])
    elif kind == 8:
        lines[at], lines[other] = lines[other], lines[at]
    elif kind == 9:
        lines[at] = rng.choice(WORDS).encode() + rng.choice([b"", b" ", b" = 1"]) + lines[at]
    elif kind == 10:
        return mutate_bytes(raw, rng)
    elif kind == 11:
        end = rng.choice([b"\r\n", b"\r", b"\n\n", b"\x0b", b"\x0c\n", b"\n \t"])
        return end.join(lines)
    elif kind == 12:
        text = raw.decode("latin-1")
        return rng.choice(
            [
                raw.decode("utf-8", "replace").encode("utf-16"),
                b"\xef\xbb\xbf" + raw,
                raw + b"\x1a",
                b"\x00" + raw,
                PICKLE + raw,
                b"",
                text.upper().encode("latin-1", "replace"),
                text.lower().encode("latin-1", "replace"),
                raw * 3,
            ]
        )
    return b"\n".join(lines)


def mutate_bytes(raw: bytes, rng: random.Random) -> bytes:
    """One change of any file: flip, cut, double, delete, overwrite."""
    if not raw:
        return bytes(rng.randrange(256) for _ in range(8))
    at = rng.randrange(len(raw))
    size = min(rng.choice([1, 1, 2, 4, 16, 200]), len(raw) - at)
    kind = rng.randrange(6)
    if kind == 0:
        return raw[:at] + bytes([raw[at] ^ (1 << rng.randrange(8))]) + raw[at + 1 :]
    if kind == 1:
        return raw[:at]
    if kind == 2:
        return raw[:at] + raw[at : at + size] * 2 + raw[at + size :]
    if kind == 3:
        return raw[:at] + raw[at + size :]
    if kind == 4:
        return raw[:at] + bytes(rng.randrange(256) for _ in range(size)) + raw[at + size :]
    return raw[:at] + rng.choice([b"\xff" * size, b"\x00" * size]) + raw[at + size :]


def mutate_chains(raw: bytes, rng: random.Random) -> bytes:
    """A change of the bytes; or, half of the time, of numbers or structure behind a checksum that fits."""
    from fluxsense.base.store import SEAL_BYTES, sealed
    from fluxsense.infer.chainfile import CHAINS

    if rng.random() < 0.5 or len(raw) < SEAL_BYTES or sealed(raw, CHAINS) != raw:
        return mutate_bytes(raw, rng)
    import h5py

    stream = io.BytesIO(raw)
    try:
        with h5py.File(stream, "r+") as file:
            name = rng.choice(["x", "log_posterior", "accepted", "keys", "places"])
            kind = rng.randrange(6)
            if file[name].size > 100_000:
                return mutate_bytes(raw, rng)
            data = file[name][...]
            if kind == 0:
                with np.errstate(over="ignore"):
                    data.flat[rng.randrange(data.size)] = (
                        rng.choice([0, 1, 3, 2**31]) if name == "keys" else rng.choice([np.nan, np.inf, 0, -1, 1e308])
                    )
                file[name][...] = data
            elif kind == 1:
                key = rng.choice(["identity", "finished", "calls"])
                if rng.random() < 0.3:
                    del file.attrs[key]
                else:
                    file.attrs[key] = rng.choice([0, 1, 2, -1, 1.5, "x", np.nan, b"y", [1, 2], np.zeros((2, 2))])
            else:
                del file[name]
                if kind == 2:
                    file.create_dataset(name, data=data[..., : rng.randrange(data.shape[-1] + 1)])
                elif kind == 3:
                    file.create_dataset(
                        name, data=data, chunks=data.shape, compression=rng.choice([None, "gzip", "lzf"])
                    )
                elif kind == 4:
                    file.create_dataset(
                        name,
                        data.shape if rng.random() < 0.5 else (3000, *data.shape),
                        rng.choice(["f8", "f4", "u4", "i8", "S8"]),
                    )
                else:
                    file[name] = rng.choice(
                        [h5py.ExternalLink("chains.h5", "/keys"), h5py.SoftLink("/keys"), h5py.SoftLink("/nowhere")]
                    )
    except (OSError, KeyError, ValueError, TypeError, RuntimeError):
        return mutate_bytes(raw, rng)
    return sealed(stream.getvalue(), CHAINS)


HOSTILE = [
    None, True, -1, 0, 1, 2, 25, 10**9, 10**30, -0.0, 0.5, 1e308, float("nan"), float("inf"), "", "x", "1", "false", [], {}, [[]], [1],
    ["c1"], {"a": 1}, "ab" * 40, [1, -1], [[0, 1]], ["in", True],
]  # fmt: skip


def _places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    out = []
    for key, value in items:
        out.append((*path, key))
        out += _places(value, (*path, key))
    return out


def _change_json(header: Any, rng: random.Random) -> None:
    path = rng.choice(_places(header) or [()])
    if not path:
        return
    node = header
    for key in path[:-1]:
        node = node[key]
    kind = rng.randrange(4)
    if kind == 0:
        del node[path[-1]]
    elif kind == 1 and isinstance(node, list):
        node.append(node[path[-1]])
    else:
        node[path[-1]] = rng.choice(HOSTILE)


def _member(name: str, data: bytes, rng: random.Random) -> tuple[str, bytes]:
    """One member of an archive, changed inside its header or its numbers."""
    kind = rng.randrange(8)
    if kind == 0:
        return name, mutate_bytes(data, rng)
    if kind == 1:
        shape = rng.choice(
            [b"(999999999999,)", b"(0,)", b"()", b"(1, 1)", b"(3,)", b"(-1,)", b"(10, 10, 10, 10, 10, 10, 10, 10)"]
        )
        a, b = data.find(b"'shape': ") + 9, data.find(b", }")
        return name, data[:a] + shape + data[b:]
    if kind == 2:
        for old in (b"<f8", b"<c16", b"|u1"):
            if old in data:
                return name, data.replace(
                    old, rng.choice([b"|O8", b"<f4", b">f8", b"<i8", b"|S8", b"<U1", b"|V8", b"<M8[s]"]), 1
                )
    if kind == 3:
        out = io.BytesIO()
        np.save(out, np.array([{"a": 1}], dtype=object), allow_pickle=True)
        return name, out.getvalue()
    if kind == 4:
        return rng.choice(["../x.npy", name + "y", "extra.npy", "header.npy", "mean.npy", "/etc/passwd.npy", "x"]), data
    begin = 10 + int.from_bytes(data[8:10], "little")
    if kind == 5 and len(data) - begin >= 8:  # a hostile number among good ones
        at = begin + 8 * rng.randrange((len(data) - begin) // 8)
        value = rng.choice([float("nan"), float("inf"), -1.0, 0.0, 1e308, -1e-308, 1.0])
        return name, data[:at] + struct.pack("<d", value) + data[at + 8 :]
    if kind == 6 and len(data) - begin >= 16:
        return name, data[: -rng.choice([1, 8, 16])]
    return name, data + bytes(rng.choice([1, 8, 16]))


def mutate_archive(raw: bytes, rng: random.Random) -> bytes:
    """A change of the bytes, or of what stands inside, packed again with good checksums."""
    if rng.random() < 0.35:
        return mutate_bytes(raw, rng)
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            members = [(m.filename, archive.read(m)) for m in archive.infolist()]
    except (
        zipfile.BadZipFile,
        ValueError,
        EOFError,
        OSError,
        NotImplementedError,
        zlib.error,
        RuntimeError,
        struct.error,
    ):
        return mutate_bytes(raw, rng)
    if not members:
        return raw
    method = zipfile.ZIP_STORED
    kind = rng.randrange(7)
    at = rng.randrange(len(members))
    if kind < 3:
        index = next((n for n, (name, _) in enumerate(members) if name == "header.npy"), None)
        try:
            header = json.loads(members[index or 0][1][128:])
            _change_json(header, rng)
            text = json.dumps(header).encode()
        except (ValueError, RecursionError):
            text = rng.choice([b"[" * 100000, b"{}", b"[]", b"9" * 5000, b"\xff\xfe", b"null"])
        out = io.BytesIO()
        np.save(out, np.frombuffer(text, dtype=np.uint8))
        members[index or 0] = ("header.npy", out.getvalue())
    elif kind == 3:
        members[at] = _member(*members[at], rng)
    elif kind == 4:
        members.pop(at)
    elif kind == 5:
        method = rng.choice([zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2])
        members.append(("bomb.npy", bytes(2_000_000)))
    else:
        name, data = members[at]
        other = rng.randrange(len(members))
        members[at], members[other] = (name, members[other][1]), (members[other][0], data)
    if rng.random() < 0.8:
        members = _summed_again(members)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members:
            if name not in archive.namelist():
                archive.writestr(name, data)
    return out.getvalue()


BROKEN = (
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    EOFError,
    OSError,
    RecursionError,
    SyntaxError,
    MemoryError,
    TokenError,
)
"""What numpy and json raise on members that are no arrays or no header."""


def _summed_again(members: list[tuple[str, bytes]]) -> list[tuple[str, bytes]]:
    """The members with the checksum in the header made to fit, where they are arrays and a header at all."""
    try:
        arrays = {n.removesuffix(".npy"): np.load(io.BytesIO(d), allow_pickle=False) for n, d in members}
        header = json.loads(arrays.pop("header").tobytes())
        header["checksum"] = second.checksum(header["fields"], arrays)
        text = json.dumps(header).encode()
    except BROKEN:
        return members
    out = io.BytesIO()
    np.save(out, np.frombuffer(text, dtype=np.uint8))
    return [(n, out.getvalue() if n == "header.npy" else d) for n, d in members]


# ---------------------------------------------------------------- readers and their comparison


def _plain(value: Any) -> Any:
    """Dataclasses as dictionaries, tuples as lists."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value) if f.name != "tree"}
    if isinstance(value, (tuple, list)):
        return [_plain(x) for x in value]
    return value


def check_study(path: Path) -> None:
    from fluxsense.study import read_study

    theirs = _plain(read_study(path))
    mine = second.study(path.read_bytes())
    mine["path"], mine["logs"] = path, [path.parent / log for log in mine["logs"]]
    chain = theirs.pop("readout")
    if (chain is None) != (mine.pop("readout") is None):
        raise second.Differs("a read-out chain in one reading only")
    for key in ("noise", "plan") if chain is not None else ():  # which may come from the chain; not read a second time
        mine.pop(key), theirs.pop(key)
    second.same(mine, theirs, "study", 1e-11)


def check_truth(path: Path) -> None:
    from fluxsense.jobs.simulate import read_truth_source
    from fluxsense.study import read_study

    study = read_study(path.parent / "dipole.toml")
    vector, position = read_truth_source(path, study)
    mine, place = second.truth(path.read_bytes(), dipole=True)
    size = max(abs(x) for x in mine)
    for a, b in zip(mine, vector, strict=True):
        if abs(a - b) > 1e-11 * size:
            raise second.Differs(f"source {mine} against {vector}")
    second.same(place, None if position is None else [float(x) for x in position], "position")


def check_log(path: Path) -> None:
    from fluxsense.data.log import Names, read_log

    rows = read_log(path, Names(LOG_ISOLATORS, LOG_STATES, LOG_LINES, ["c1"]), folder=path.parent)
    mine = second.log(path.read_bytes(), list(LOG_LINES))
    second.same(mine, [_plain(r) for r in rows], "log")
    names = [Path(os.path.realpath(path.parent / r.file)) for r in rows if r.file]
    if any(not n.is_relative_to(os.path.realpath(path.parent)) or not n.is_file() for n in names) or len(
        set(names)
    ) < len(names):
        raise second.Differs("a trace outside, missing or twice was accepted")


def check_touchstone(path: Path) -> None:
    from fluxsense.data.touchstone import read_sweep

    sweep = read_sweep(path)
    frequency, rows, ohm = second.touchstone(path.read_bytes())
    f, s = np.array(frequency), np.array(rows)
    theirs = np.conj(sweep.s[:, [0, 1, 0, 1], [0, 0, 1, 1]])
    if s.shape != theirs.shape or ohm != sweep.reference_ohm:
        raise second.Differs(f"{s.shape}, {ohm} ohm against {theirs.shape}, {sweep.reference_ohm} ohm")
    if np.any(np.abs(f - sweep.frequency_hz) > 1e-15 * 4 * np.abs(f)) or np.any(np.diff(f) <= 0):
        raise second.Differs("frequencies")
    if np.any(np.abs(s - theirs) > 1e-11 * np.abs(s)):  # angles reach 1e6 degrees
        raise second.Differs("values")


def check_digest(path: Path) -> None:
    from fluxsense.data.digest import load

    theirs, found = [], load(path)
    for key, stats in found.items():
        entry: dict[str, Any] = {"key": key.as_json()}
        entry |= {"count": stats.count, "reference_ohm": stats.reference_ohm, "block_level": stats.blocks.level}
        for name in ("frequency_hz", "mean", "scatter", "band", "node_hermitian", "node_complementary", "trace_hash"):
            entry[name] = getattr(stats, name).tobytes()
        for name in ("count", "time_s", "mean"):
            entry[f"block_{name}"] = getattr(stats.blocks, name).tobytes()
        theirs.append(entry)
    mine, distrusted = second.digest(path.read_bytes())
    listed = [[d.file, d.key.as_json(), d.score, d.left_out, d.identity, d.why] for d in found.distrusted]
    second.same(_floats(distrusted), _floats(listed), "distrusted sweeps", 0.0)
    theirs.sort(key=lambda e: json.dumps(e["key"]))
    for a, b in zip(mine, theirs, strict=True):
        second.same(_floats(a), _floats(b), "digest", 0.0)


def _floats(value: Any) -> Any:
    """JSON numbers as floats, so that 1 and 1.0 are the same."""
    if isinstance(value, dict):
        return {k: _floats(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_floats(v) for v in value]
    return float(value) if isinstance(value, int) and not isinstance(value, bool) else value


def check_posterior(path: Path) -> None:
    from fluxsense.detection.stored import load_stored

    stored = load_stored(path)
    header, arrays = second.posterior(path.read_bytes())
    for name in ("x", "log_posterior"):
        if arrays[name].tobytes() != getattr(stored, name).tobytes():
            raise second.Differs(name)
    for name in ("weights", "means", "factors"):
        if arrays[name].tobytes() != getattr(stored.proposal.mixture, name).tobytes():
            raise second.Differs(name)
    if (stored.proposal.straight is not None) != header["straight"]:
        raise second.Differs("straight")
    for name, mine in stored.proposal.arrays.items():
        if arrays[f"straight_{name}"].tobytes() != mine.tobytes():
            raise second.Differs(f"straight_{name}")
    if stored.reference is not None:
        if sorted(stored.reference) != sorted(header["reference"]):
            raise second.Differs("reference")
        for name in stored.reference:
            if arrays[f"reference_{name}"].tobytes() != stored.reference[name].tobytes():
                raise second.Differs(name)
    theirs = {k: _plain(getattr(stored, k)) for k in header.keys() & {f.name for f in dataclasses.fields(stored)}}
    theirs.update(nu=stored.proposal.mixture.nu, reference=header["reference"])
    theirs.update(sheared=[list(x) for x in sorted(stored.sheared.items())])
    mine = {k: header[k] for k in theirs}
    mine["sheared"] = sorted(list(x) for x in dict(mine["sheared"]).items())
    second.same(_floats(mine), _floats(theirs), "posterior", 0.0)


def check_gdsii(path: Path) -> None:
    from fluxsense.design.gdsii import read_gdsii

    found = read_gdsii(path, layer=GDS_LAYER)
    theirs = {cell: [x.corners_m.tolist() for x in named.values()] for cell, named in found.items()}
    second.same(second.gdsii(path.read_bytes(), GDS_LAYER), theirs, "layout", 1e-12)


def check_chains(path: Path) -> None:
    from fluxsense.infer.chainfile import read_chains

    walk = read_chains(path)
    for name, value in second.chains(path).items():
        theirs = getattr(walk, name)
        if np.asarray(value).tobytes() != np.asarray(theirs).tobytes() or np.shape(value) != np.shape(theirs):
            raise second.Differs(name)


READERS: dict[
    str, tuple[str, Callable[[random.Random], bytes], Callable[[bytes, random.Random], bytes], Callable[[Path], None]]
] = {
    "study": ("study.toml", good_study, mutate_text, check_study),
    "log": ("log.csv", good_log, mutate_text, check_log),
    "touchstone": ("sweep.s2p", good_touchstone, mutate_text, check_touchstone),
    "digest": ("digest.npz", good_digest, mutate_archive, check_digest),
    "posterior": ("posterior.npz", good_posterior, mutate_archive, check_posterior),
    "chains": ("chains.h5", good_chains, mutate_chains, check_chains),
    "truth": ("truth.toml", good_truth, mutate_text, check_truth),
    "gdsii": ("layout.gds", good_gdsii, mutate_bytes, check_gdsii),
}
"""File name, good files, mutation, reading and comparison."""


def make(reader: str, seed: int, number: int) -> bytes:
    """The input of one case; number 0 to 9 are the good files themselves."""
    rng = random.Random(f"{reader}:{seed}:{number}")
    _, good, mutate, _ = READERS[reader]
    raw = good(rng)
    if number >= 10:
        for _ in range(rng.choice([1, 1, 1, 2, 2, 3, 4])):
            raw = mutate(raw, rng)
    return raw[:1_000_000]


class TooSlow(BaseException):
    """The alarm went off."""


def _alarm(*_: Any) -> None:
    raise TooSlow


def prepare(folder: Path) -> None:
    """What readers need beside the file: traces that a log names, a study that a truth belongs to."""
    (folder / "t").mkdir(exist_ok=True)
    for n in range(8):
        (folder / "t" / f"a{n}.s2p").write_text("x")
    (folder / "dipole.toml").write_text(DIPOLE_STUDY)


def judge(reader: str, raw: bytes, folder: Path, limit_s: float = LIMIT_S) -> tuple[str, str]:
    """Outcome and detail of one input; the alarm must be armed by `run_case`."""
    name, _, _, check = READERS[reader]
    path = folder / name
    path.write_bytes(raw)
    begin = time.process_time()
    signal.setitimer(signal.ITIMER_PROF, 4 * limit_s)
    try:
        check(path)
        outcome, detail = "read", ""
    except InputError as error:
        text = str(error)
        good = error.where or text.startswith(name) or str(path) in text
        printable = all(c.isprintable() or c == "\n" for c in text)
        ends = text[-1:] in ".?!" and len(text) < 13 * 1500  # the study shows twelve faults at most
        outcome, detail = ("sentence" if good and printable and ends else "mute"), text
    except second.Differs as error:
        outcome, detail = "wrong", str(error)
    except TooSlow:
        outcome, detail = "slow", "".join(traceback.format_exc()[-2000:])
    except Exception:
        outcome, detail = "traceback", traceback.format_exc()[-3000:]
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
    spent = time.process_time() - begin
    if spent > limit_s:
        outcome, detail = "slow", f"{spent:.1f} s. {detail}"
    return outcome, detail


def _resident() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def child(reader: str, seed: int, begin: int, end: int, limit_s: float, pipe: Any) -> None:
    """Run a shard of cases; one message each."""
    signal.signal(signal.SIGPROF, _alarm)
    with tempfile.TemporaryDirectory(prefix="fuzz_") as name:
        folder = Path(name)
        prepare(folder)
        for number in range(10):  # imports and first use, before memory is measured and limited
            judge(reader, make(reader, seed, number), folder, limit_s)
        base = _resident()
        vm = (
            int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
            if sys.platform == "linux"
            else 0
        )
        if vm:
            resource.setrlimit(resource.RLIMIT_AS, (vm + 4 * MEMORY_BOUND_BYTES, resource.RLIM_INFINITY))
        for number in range(begin, end):
            pipe.send(("start", number, "", 0))
            outcome, detail = judge(reader, make(reader, seed, number), folder, limit_s)
            grown = _resident() - base
            if grown > MEMORY_BOUND_BYTES:
                outcome, detail = "memory", f"{grown / 1e6:.0f} MB. {detail}"
                base = _resident()
            pipe.send((outcome, number, detail if outcome not in GOOD else "", grown))
    pipe.send(("end", end, "", 0))


def run_shard(
    reader: str, seed: int, begin: int, end: int, limit_s: float, report: Callable[[str, str, int, str], None]
) -> tuple[Counter[str], int]:
    """Cases `begin` to `end`, in a child that is replaced when it dies; counts of outcomes and growth of memory in bytes."""
    context = multiprocessing.get_context("fork" if sys.platform == "linux" else "spawn")
    counts: Counter[str] = Counter()
    grown = 0
    while begin < end:
        mine, theirs = context.Pipe(duplex=False)
        process = context.Process(target=child, args=(reader, seed, begin, end, limit_s, theirs), daemon=True)
        process.start()
        theirs.close()
        current = begin
        while True:
            try:
                if not mine.poll(60.0):
                    process.kill()
                    raise EOFError
                kind, number, detail, more = mine.recv()
            except EOFError:
                process.join()
                if current < end:
                    counts["died"] += 1
                    report(reader, "died", current, f"exit code {process.exitcode}")
                begin = current + 1
                break
            if kind == "end":
                process.join()
                begin = end
                break
            current = number
            if kind != "start":
                counts[kind] += 1
                grown = max(grown, more)
                current = number + 1
                if kind not in GOOD:
                    report(reader, kind, number, detail)
    return counts, grown


def run(
    count: int,
    seed: int,
    readers: list[str],
    limit_s: float,
    report: Callable[[str, str, int, str], None],
    shard: int = 5000,
) -> dict[str, tuple[Counter[str], int]]:
    """`count` cases, shared out evenly; counts of outcomes and largest growth of memory by reader."""
    out = {}
    for n, reader in enumerate(readers):
        cases = count // len(readers) + (n < count % len(readers))
        counts: Counter[str] = Counter()
        grown = 0
        for begin in range(0, cases, shard):
            more, memory = run_shard(reader, seed, begin, min(cases, begin + shard), limit_s, report)
            counts += more
            grown = max(grown, memory)
        out[reader] = (counts, grown)
    return out


def table(results: dict[str, tuple[Counter[str], int]]) -> str:
    """Counts as a table."""
    lines = [f"{'reader':12}{'cases':>9}" + "".join(f"{o:>11}" for o in OUTCOMES) + f"{'grown MB':>10}"]
    total: Counter[str] = Counter()
    for reader, (counts, grown) in results.items():
        total += counts
        lines.append(
            f"{reader:12}{sum(counts.values()):>9}"
            + "".join(f"{counts[o]:>11}" for o in OUTCOMES)
            + f"{grown / 1e6:>10.0f}"
        )
    lines.append(f"{'all':12}{sum(total.values()):>9}" + "".join(f"{total[o]:>11}" for o in OUTCOMES))
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100_000, help="cases in all (default 100000)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--readers", default=",".join(READERS), help="comma-separated (default: all)")
    parser.add_argument(
        "--limit-s", type=float, default=LIMIT_S, help=f"processor time that a case may take (default {LIMIT_S:g})"
    )
    parser.add_argument("--again", metavar="READER:SEED:NUMBER", help="show one case and its outcome")
    options = parser.parse_args()
    if options.again:
        reader, seed, number = options.again.split(":")
        raw = make(reader, int(seed), int(number))
        sys.stdout.buffer.write(raw[:4000] + b"\n---\n")
        signal.signal(signal.SIGPROF, _alarm)
        with tempfile.TemporaryDirectory() as folder:
            prepare(Path(folder))
            print(*judge(reader, raw, Path(folder)), sep=": ")
        return 0
    shown: Counter[str] = Counter()

    def report(reader: str, outcome: str, number: int, detail: str) -> None:
        shown[reader + outcome] += 1
        if shown[reader + outcome] <= 3:
            print(f"{outcome}: {reader}:{options.seed}:{number}\n{detail}", file=sys.stderr, flush=True)

    begin = time.monotonic()
    results = run(options.count, options.seed, options.readers.split(","), options.limit_s, report)
    print(table(results))
    print(
        f"seed {options.seed}, {time.monotonic() - begin:.0f} s; limits {options.limit_s:g} s a case, {MEMORY_BOUND_BYTES / 1e6:.0f} MB growth"
    )
    return int(any(counts[o] for counts, _ in results.values() for o in OUTCOMES if o not in GOOD))


if __name__ == "__main__":
    raise SystemExit(main())
