"""The digest: one pass equals the textbook formulas, merging is algebra, files are checked.

References: two-pass sums over the stored sweeps (numpy); Welford (1962) and Chan, Golub & LeVeque (1983) for the updates;
expectations and spreads of the scatter of white noise from the chi-square distribution.
"""

import hashlib
import json
import math
import re
import tracemalloc
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fluxsense.base import store
from fluxsense.base.errors import InputError
from fluxsense.base.executors import Processes
from fluxsense.data import digest as digest_module
from fluxsense.data.digest import (
    Digest,
    DigestBuilder,
    Distrusted,
    GroupKey,
    Told,
    digest_campaign,
    group_key,
    load,
    merge,
    node_indices,
    off_group_for,
)
from fluxsense.data.log import LogRow
from fluxsense.data.outliers import RepeatScreen, node_values
from fluxsense.data.touchstone import Sweep, write_sweep

ON = GroupKey("A", True, 1, None, -30.0, 2.1e9, (1e-5, 0.0), "in", "first")
OFF = GroupKey("A", False, None, None, math.nan, math.nan, (1e-5, 0.0), "in", "first")
F = np.linspace(7.0e9, 7.1e9, 31)


def noisy(rng, sigma=0.1, f=F):
    """A sweep with unequal paths and a large constant, so that squares of raw values would cancel."""
    base = np.array([[0.1, 30.0], [1000.0, -0.2]]) * np.exp(2j * np.pi * f / 1e9)[:, None, None]
    return Sweep(f, base + sigma * (rng.normal(size=(f.size, 2, 2)) + 1j * rng.normal(size=(f.size, 2, 2))))


def built(items, start=None):
    builder = DigestBuilder(start)
    for key, sweep, time_s in items:
        builder.add(key, sweep, time_s)
    return builder.freeze()


def assert_same(a, b, rtol=1e-9):
    assert list(a) == list(b)
    assert a.content_hash() == b.content_hash()
    for key in a:
        x, y = a[key], b[key]
        assert (x.count, x.first_time_s, x.last_time_s) == (y.count, y.first_time_s, y.last_time_s)
        np.testing.assert_array_equal(x.frequency_hz, y.frequency_hz)
        np.testing.assert_array_equal(x.trace_hash, y.trace_hash)
        np.testing.assert_allclose(x.mean, y.mean, rtol=1e-13, atol=1e-13)
        assert x.blocks.level == y.blocks.level
        np.testing.assert_array_equal(x.blocks.count, y.blocks.count)
        np.testing.assert_array_equal(x.blocks.time_s[:, [0, 2]], y.blocks.time_s[:, [0, 2]])
        np.testing.assert_allclose(x.blocks.time_s, y.blocks.time_s, rtol=1e-13)
        np.testing.assert_allclose(x.blocks.mean, y.blocks.mean, rtol=1e-13, atol=1e-13)
        for name in ("scatter", "band", "node_hermitian", "node_complementary"):
            u, v = getattr(x, name), getattr(y, name)
            np.testing.assert_allclose(u, v, rtol=rtol, atol=rtol * (1e-12 + np.abs(u).max(initial=0.0)))


def test_one_pass_equals_two_passes():
    rng = np.random.default_rng(3)
    sweeps = [noisy(rng) for _ in range(17)]
    stats = built((ON, s, 10.0 - k) for k, s in enumerate(sweeps))[ON]
    raw = np.stack([[s.s[:, 0, 0], s.s[:, 1, 0], s.s[:, 0, 1], s.s[:, 1, 1]] for s in sweeps])
    d = raw - raw.mean(axis=0)
    nodes = np.round(np.linspace(0, 30, 24)).astype(int)
    y = np.concatenate([d[:, 1, nodes], d[:, 2, nodes]], axis=1)
    assert (stats.count, stats.first_time_s, stats.last_time_s) == (17, -6.0, 10.0)
    np.testing.assert_array_equal(stats.node_index, nodes)
    np.testing.assert_allclose(stats.mean, raw.mean(axis=0), rtol=1e-13)
    # Rounding of the sweeps themselves, 1000 * 2e-16 against 0.1, bounds the agreement.
    np.testing.assert_allclose(stats.scatter, np.sum(np.abs(d) ** 2, axis=0), rtol=1e-10)
    for lag in range(1, 5):
        expected = np.sum(d[:, 1:3, :-lag] * d[:, 1:3, lag:].conj(), axis=0)
        np.testing.assert_allclose(stats.band[:, lag - 1, :-lag], expected, rtol=1e-9, atol=1e-9)
    a = rng.normal(size=(2, 27, 5)) + 1j * rng.normal(size=(2, 27, 5))
    windows = np.lib.stride_tricks.sliding_window_view(d[:, 1:3], 5, axis=2)
    energy = np.sum(np.abs(np.einsum("pkw,npkw->npk", a, windows)) ** 2, axis=0)
    np.testing.assert_allclose(stats.local_energy(a), energy, rtol=1e-9)
    np.testing.assert_allclose(stats.node_hermitian, np.einsum("ni,nj->ij", y, y.conj()), atol=1e-10)
    np.testing.assert_allclose(stats.node_complementary, np.einsum("ni,nj->ij", y, y), atol=1e-10)


@given(st.integers(0, 2**32 - 1), st.integers(1, 8), st.data())
@settings(max_examples=40, deadline=None)
def test_merging_is_associative_commutative_and_equal_to_one_pass(seed, count, data):
    rng = np.random.default_rng(seed)
    f = F[: data.draw(st.sampled_from([1, 2, 3, 31]))]
    items = [(data.draw(st.sampled_from([ON, OFF])), noisy(rng, f=f), float(k)) for k in range(count)]
    whole = built(items)
    part = [data.draw(st.integers(0, 2)) for _ in items]
    a, b, c = (built(item for item, p in zip(items, part, strict=True) if p == k) for k in range(3))
    left = merge(merge(a, b), c)
    assert_same(left, merge(a, merge(b, c)))
    assert_same(left, merge(c, merge(b, a)))
    assert_same(left, whole)
    assert_same(whole, built(reversed(items)))
    assert_same(whole, built(items[1:], start=built(items[:1])))
    assert_same(merge(whole, Digest()), whole, rtol=0)
    assert_same(merge(Digest(), whole), whole, rtol=0)


def test_white_noise_gives_the_stated_expectations():
    rng = np.random.default_rng(4)
    repeats, sigma = 200, 0.3
    stats = built((ON, noisy(rng, sigma), float(k)) for k in range(repeats))[ON]
    # 4 * 31 points of 2 (N - 1) quadratures each: scatter / sigma^2 is chi-square.
    quadratures = 4 * 31 * 2 * (repeats - 1)
    total = stats.scatter.sum() / sigma**2
    assert abs(total - quadratures) < 5 * math.sqrt(2 * quadratures)
    # Proper noise: hermitian scatter is 2 sigma^2 (N - 1) on the diagonal, complementary scatter averages to nothing.
    diagonal = stats.node_hermitian.diagonal().real.sum() / (2 * sigma**2 * (repeats - 1))
    assert diagonal == pytest.approx(48, abs=5 * math.sqrt(48 / (repeats - 1)))
    mean_complementary = abs(stats.node_complementary.diagonal().mean()) / (2 * sigma**2 * (repeats - 1))
    assert mean_complementary < 5 / math.sqrt(48 * (repeats - 1))


def test_real_noise_shows_in_the_complementary_scatter():
    # Flux noise moves every point along one direction: improper noise, for which y y^T is as large as y y^H.
    rng = np.random.default_rng(6)
    direction = np.exp(0.7j)
    stats = built((ON, Sweep(F, np.full((F.size, 2, 2), direction * rng.normal())), float(k)) for k in range(9))[ON]
    np.testing.assert_allclose(stats.node_complementary, stats.node_hermitian * direction**2, rtol=1e-12)


def test_paths_are_not_mixed_up():
    s = np.zeros((F.size, 2, 2), dtype=complex)
    s[:, 0, 0], s[:, 1, 0], s[:, 0, 1], s[:, 1, 1] = 11, 21, 12, 22
    np.testing.assert_array_equal(built([(ON, Sweep(F, s), 0.0)])[ON].mean[:, 0], [11, 21, 12, 22])


@pytest.mark.parametrize("points", [1, 2, 23, 24, 25, 1001])
def test_nodes_are_few_even_and_reach_the_ends(points):
    nodes = node_indices(points)
    assert nodes.size == min(24, points)
    assert (nodes[0], nodes[-1]) == (0, points - 1)
    if nodes.size > 1:
        steps = np.diff(nodes)
        assert steps.min() > 0
        assert steps.max() - steps.min() <= 1


def test_keys_without_a_pump_are_equal_whatever_the_nan():
    other = replace(OFF, pump_power_dbm=float("nan"), pump_frequency_hz=-float("nan"))
    assert other == OFF
    assert hash(OFF) == hash(other)
    assert replace(OFF, pump_power_dbm=0.0) != OFF
    assert OFF != "a key"
    assert sorted([ON, OFF]) == sorted([OFF, ON]) == [OFF, ON]
    negative_zero = replace(OFF, bias_a=(1e-5, -0.0))
    assert negative_zero == OFF
    assert hash(negative_zero) == hash(OFF)
    assert negative_zero.as_json() == OFF.as_json()


def test_a_sweep_counts_once():
    rng = np.random.default_rng(7)
    sweep = noisy(rng)
    builder = DigestBuilder()
    builder.add(ON, sweep, 0.0)
    with pytest.raises(InputError) as caught:
        builder.add(ON, sweep, 0.0, where="copy.s2p")
    assert str(caught.value) == (
        "copy.s2p: a trace with this very content was counted before (isolator 'A', pump on, port 1, -30 dBm, 2.1e+09 Hz,"
        " bias (1e-05 A, 0 A), state 'in', cooldown 'first'). Remove the copy from the log."
    )
    digest = builder.freeze()
    assert digest.sweeps == 1
    with pytest.raises(InputError, match=r"share 1 sweep\(s\), which would count twice"):
        merge(digest, built([(ON, sweep, 0.0), (ON, noisy(rng), 1.0)]))


@pytest.mark.parametrize(
    ("sweep", "time_s", "message"),
    [
        (Sweep(F[:-1], np.zeros((30, 2, 2), complex)), 1.0,
         "its grid of 30 frequencies differs from that of first.s2p in the same group"),
        (Sweep(F + 1.0, np.zeros((31, 2, 2), complex)), 1.0,
         "its frequency grid (point 1: 7000000001 Hz, not 7000000000 Hz) differs from that of first.s2p"),
        (Sweep(F, np.zeros((31, 2, 2), complex), 75.0), 1.0, "its reference of 75 ohm (not 50 ohm) differs from"),
        (Sweep(F, np.full((31, 2, 2), np.nan + 0j)), 1.0, "not finite"),
        (Sweep(F, np.zeros((31, 2, 2), complex)), math.nan, "not finite"),
        (Sweep(F, np.zeros((31, 2), complex)), 1.0, "shapes (F,) and (F, 2, 2)"),
        (Sweep(F[::-1], np.zeros((31, 2, 2), complex)), 1.0, "do not increase"),
    ],
)  # fmt: skip
def test_bad_sweeps_leave_the_builder_as_it_was(sweep, time_s, message):
    builder = DigestBuilder()
    builder.add(ON, noisy(np.random.default_rng(8)), 0.0, where="first.s2p")
    before = builder.freeze()
    with pytest.raises(InputError) as caught:
        builder.add(ON, sweep, time_s, where="second.s2p")
    assert str(caught.value).startswith("second.s2p: ")
    assert message in str(caught.value)
    assert_same(before, builder.freeze(), rtol=0)


def test_merging_other_grids_is_refused():
    rng = np.random.default_rng(9)
    with pytest.raises(InputError, match="in the second digest, its grid of 30 frequencies differs"):
        merge(built([(ON, noisy(rng), 0.0)]), built([(ON, noisy(rng, f=F[1:]), 0.0)]))


def test_finishing_empties_the_builder():
    rng = np.random.default_rng(29)
    items = [(key, noisy(rng), float(n)) for n, key in enumerate([ON, OFF, ON])]
    builder = DigestBuilder(built(items[:1]))
    for key, sweep, time_s in items[1:]:
        builder.add(key, sweep, time_s)
    assert_same(builder.freeze(), built(items))
    assert_same(builder.finish(), built(items))
    assert len(builder.freeze()) == 0


def test_content_hash_tells_contents_apart():
    rng = np.random.default_rng(10)
    a, b = noisy(rng), noisy(rng)
    one = built([(ON, a, 0.0)])
    hashes = {
        Digest().content_hash(),
        one.content_hash(),
        built([(OFF, a, 0.0)]).content_hash(),
        built([(ON, b, 0.0)]).content_hash(),
        built([(ON, a, 0.0), (ON, b, 1.0)]).content_hash(),
        built([(ON, a, 0.0), (OFF, b, 1.0)]).content_hash(),
    }
    assert len(hashes) == 6


def test_a_digest_cannot_be_edited():
    digest = built([(ON, noisy(np.random.default_rng(11)), 0.0)])
    with pytest.raises(TypeError):
        digest[ON] = digest[ON]
    for name in (
        "mean",
        "scatter",
        "band",
        "node_hermitian",
        "node_complementary",
        "frequency_hz",
        "trace_hash",
    ):
        with pytest.raises(ValueError, match="read-only"):
            getattr(digest[ON], name)[...] = 0


def sample():
    rng = np.random.default_rng(12)
    left = [
        Distrusted("x.s2p", ON, 0.0, why="it cannot be read"),
        Distrusted("y.s2p", OFF, 7.5, identity="0a" * 16),
        Distrusted("z.s2p", OFF, 4.5, False, "0b" * 16),
    ]
    free = replace(ON, pump_port=None, pump_phase_rad=0.3, isolator="Ω")
    items = [(key, noisy(rng), float(k)) for k, key in enumerate([ON, OFF, ON, free])]
    items.append((replace(ON, state="out"), noisy(rng, f=F[:2]), 9.0))
    whole = built(items)
    return Digest(whole, left)


@pytest.mark.parametrize("digest", [sample(), Digest()], ids=["groups", "empty"])
def test_saved_digests_load_equal(tmp_path, digest):
    digest.save(tmp_path / "digest.npz")
    back = load(tmp_path / "digest.npz")
    assert_same(back, digest, rtol=0)
    assert back.distrusted == digest.distrusted
    assert [p.name for p in tmp_path.iterdir()] == ["digest.npz"]
    for key in digest:
        np.testing.assert_array_equal(back[key].node_hermitian, digest[key].node_hermitian)
        assert back[key].mean.flags.writeable is False


def test_cut_and_damaged_digests_raise_only_input_errors(tmp_path):
    path = tmp_path / "digest.npz"
    sample().save(path)
    raw = path.read_bytes()
    rng = np.random.default_rng(13)
    for length in rng.integers(0, len(raw), 30):
        path.write_bytes(raw[:length])
        with pytest.raises(InputError, match=r"digest\.npz: the digest is"):
            load(path)
    for place in rng.integers(0, len(raw), 300):
        broken = bytearray(raw)
        broken[place] ^= int(rng.integers(1, 256))
        path.write_bytes(broken)
        try:
            digest = load(path)
        except InputError:
            continue
        assert_same(digest, sample(), rtol=0)  # a byte that carries nothing, such as a date in the archive


def rewritten(path, change):
    """The file with other content under a good checksum."""
    with np.load(path) as archive:
        members = dict(archive)
    header = json.loads(members.pop("header").tobytes())
    change(header["fields"], members)
    store.write(path, digest_module.DIGEST, header["fields"], members)


def setter(name, value):
    def change(header, members):
        members[name] = members[name].copy()
        members[name][0] = value

    return change


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda h, m: m.pop("mean"), "its header is not as it should be."),
        (lambda h, m: h.pop("groups"), "its header is not as it should be."),
        (setter("scatter", np.nan), "scatter holds values that are not finite."),
        (setter("scatter", -1.0), "a scatter is negative."),
        (setter("frequency_hz", 1e12), "frequencies do not increase."),
        (lambda h, m: m.update(mean=m["mean"][:-1]), "mean is too short."),
        (lambda h, m: m.update(mean=np.append(m["mean"], 0j)), "mean is too long."),
        (lambda h, m: m.update(mean=m["mean"].real), "mean has the wrong type or shape."),
        (lambda h, m: h["groups"][0].update(count=0), "a group has no sweeps or no frequencies."),
        (lambda h, m: h["groups"][0].update(reference_ohm=0.0), "a reference is not a positive number."),
        (lambda h, m: h["groups"][0]["key"].__setitem__(0, "B"), "it does not match its own checksum."),
        (setter("trace_hash", 0), "it does not match its own checksum."),
        (lambda h, m: h["groups"][0]["key"].pop(), "its header is not as it should be."),
        (setter("block_count", 7), "its blocks of time do not hold the sweeps that there are."),
        (setter("block_time_s", 1e9), "the last time of a block lies before the first."),
        (lambda h, m: h["groups"][0].update(block_level=-11), "its blocks of time are not as they should be."),
        (lambda h, m: h["distrusted"][0].__setitem__(0, 1), "its header is not as it should be."),
    ],
)  # fmt: skip
def test_inconsistent_digests_are_refused(tmp_path, change, message):
    path = tmp_path / "digest.npz"
    sample().save(path)
    rewritten(path, change)
    with pytest.raises(InputError) as caught:
        load(path)
    assert str(caught.value).startswith(
        f"{path}: the digest is damaged: {message} Build the digest from the traces again."
    )


def campaign(folder, rng, count=6):
    rows = []
    for k in range(count):
        write_sweep(folder / f"{k}.s2p", noisy(rng), digits=17)
        key = ON if k % 2 else OFF
        rows.append(
            LogRow(k + 2, f"{k}.s2p", key.isolator, key.pump_on, key.pump_port, key.pump_phase_rad, key.pump_power_dbm,
                   key.pump_frequency_hz, key.state, key.cooldown, k, float(k), key.bias_a)
        )  # fmt: skip
    return rows


def test_a_campaign_is_digested_from_its_files(tmp_path):
    rows = campaign(tmp_path, np.random.default_rng(14))
    calls = []
    digest = digest_campaign(rows, tmp_path, Told(lambda done, total: calls.append((done, total))))
    assert calls == [(k, 6) for k in range(1, 7)]
    assert [stats.count for stats in digest.values()] == [3, 3]
    rng = np.random.default_rng(14)
    expected = built((group_key(row), noisy(rng), row.time_s) for row in rows)
    for key in digest:
        np.testing.assert_allclose(digest[key].mean, expected[key].mean, rtol=1e-14)
        np.testing.assert_allclose(digest[key].scatter, expected[key].scatter, rtol=1e-12)


def test_going_on_passes_over_what_is_counted(tmp_path):
    rows = campaign(tmp_path, np.random.default_rng(15))
    whole = digest_campaign(rows, tmp_path)
    assert_same(digest_campaign(rows, tmp_path, start=digest_campaign(rows[:4], tmp_path)), whole, rtol=0)
    assert_same(digest_campaign(rows, tmp_path, start=whole), whole, rtol=0)
    with pytest.raises(
        InputError, match=r"the log now says .*state 'out'.*when the trace was digested it said .*state 'in'"
    ):
        digest_campaign([replace(rows[0], state="out")], tmp_path, start=whole)


def test_faults_of_a_campaign_name_the_files(tmp_path):
    rows = campaign(tmp_path, np.random.default_rng(16))
    (tmp_path / "copy.s2p").write_bytes((tmp_path / "1.s2p").read_bytes())
    with pytest.raises(InputError) as caught:
        digest_campaign([*rows, replace(rows[3], file="copy.s2p")], tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}/copy.s2p: the trace is a copy of '1.s2p'."
        " Remove one of them from the log, or find the sweep that belongs here."
    )
    write_sweep(tmp_path / "3.s2p", noisy(np.random.default_rng(17), f=F[:9]))
    with pytest.raises(InputError) as caught:
        digest_campaign(rows, tmp_path)
    assert str(caught.value).startswith(
        f"{tmp_path}/3.s2p: its grid of 9 frequencies differs from that of {tmp_path}/1.s2p in the same group"
    )


def test_any_number_of_workers_gives_the_same_bits(tmp_path, monkeypatch):
    monkeypatch.setattr(digest_module, "CHUNK_TRACES", 5)
    rows = campaign(tmp_path, np.random.default_rng(21), count=23)
    screens = [RepeatScreen() for _ in range(4)]
    calls = []

    def digested(n, executor, start=None):
        return digest_campaign(
            rows, tmp_path, Told(lambda done, total: calls.append((n, done)), screens[n].keep, node_values),
            start=start, executor=executor,
        )  # fmt: skip

    alone = digested(0, None)
    with ThreadPoolExecutor(3) as pool:
        others = [digested(1, pool), digested(2, Processes(2)), digested(3, pool, digest_campaign(rows[:7], tmp_path))]
    for other in others[:2]:
        assert alone.content_hash() == other.content_hash()
        for key, stats in alone.items():
            for name in ("mean", "scatter", "band", "node_hermitian", "node_complementary", "trace_hash"):
                np.testing.assert_array_equal(getattr(other[key], name), getattr(stats, name))
    assert_same(others[2], alone)
    assert_same(alone, digest_campaign(rows[::-1], tmp_path))
    assert [done for n, done in calls if n == 2] == [5, 10, 15, 20, 23]
    names = [[file for group in screen._groups.values() for file, _ in group] for screen in screens]
    assert names[1] == names[0] == names[2]
    assert len(names[0]) == 23
    assert len(names[3]) == 16  # the first seven had been counted before


def test_faults_between_chunks_name_the_files_too(tmp_path, monkeypatch):
    monkeypatch.setattr(digest_module, "CHUNK_TRACES", 2)
    rows = campaign(tmp_path, np.random.default_rng(22))
    (tmp_path / "copy.s2p").write_bytes((tmp_path / "1.s2p").read_bytes())
    for executor in (None, ThreadPoolExecutor(2)):
        with pytest.raises(InputError) as caught:
            digest_campaign([*rows, replace(rows[3], file="copy.s2p")], tmp_path, executor=executor)
        assert str(caught.value).startswith(f"{tmp_path}/copy.s2p: the trace is a copy of '1.s2p'.")
    write_sweep(tmp_path / "3.s2p", noisy(np.random.default_rng(17), f=F[:9]))
    for executor in (None, ThreadPoolExecutor(2)):
        with pytest.raises(InputError) as caught:
            digest_campaign(rows, tmp_path, executor=executor)
        assert str(caught.value).startswith(
            f"{tmp_path}/3.s2p: its grid of 9 frequencies differs from that of {tmp_path}/1.s2p in the same group"
        )


BAD = {
    "cut off": lambda raw: raw[: len(raw) // 2],
    "not a number": lambda raw: raw[:-40] + b" nan" + raw[-36:],
    "empty": lambda raw: b"",
    "beyond all sense": lambda raw: re.sub(rb"(?m)( \S+)(\s*)\Z", rb" 1e300\2", raw),
    "another grid": None,
}


@pytest.mark.parametrize("place", [0, 4, 22])
@pytest.mark.parametrize("what", BAD)
def test_a_bad_file_is_left_out_with_a_word_where_it_can_be_spared(tmp_path, monkeypatch, what, place):
    """The digest is that of the other files; without a spare it is an error, as two bad files are with one spare."""
    monkeypatch.setattr(digest_module, "CHUNK_TRACES", 5)
    rows = campaign(tmp_path, np.random.default_rng(23), count=23)
    rows += [replace(row, file=f"copy{n}.s2p", repeat=100 + n) for n, row in enumerate(rows)]
    rng = np.random.default_rng(24)
    for row in rows[23:]:
        write_sweep(tmp_path / row.file, noisy(rng), digits=17)

    def spoil(row):
        path = tmp_path / row.file
        if BAD[what] is None:
            write_sweep(path, noisy(np.random.default_rng(1000 + len(row.file) + row.repeat), f=F + 1e6), digits=17)
        else:
            path.write_bytes(BAD[what](path.read_bytes()))

    spoil(rows[place])
    expected = digest_campaign([row for row in rows if row is not rows[place]], tmp_path)
    for executor in (None, ThreadPoolExecutor(2)):
        seen = []
        digest = digest_campaign(
            rows,
            tmp_path,
            Told(watch=lambda *entry, seen=seen: seen.append(entry[2]), look=node_values),
            executor=executor,
            spare=1,
        )
        assert [(d.file, d.key, d.left_out) for d in digest.left_out] == [
            (rows[place].file, group_key(rows[place]), True)
        ]
        assert digest.left_out[0].why
        assert (
            digest.left_out[0].identity
            == hashlib.sha256((tmp_path / rows[place].file).read_bytes()).digest()[:16].hex()
        )
        assert seen == [row.file for row in rows if row is not rows[place]]
        assert_same(Digest(digest), expected)
    with pytest.raises(InputError):
        digest_campaign(rows, tmp_path)
    spoil(rows[place + 1])
    with pytest.raises(InputError):
        digest_campaign(rows, tmp_path, spare=1)
    assert len(digest_campaign(rows, tmp_path, spare=2).left_out) == 2


def test_half_of_a_group_on_another_grid_is_nobodys_to_choose(tmp_path):
    rows = campaign(tmp_path, np.random.default_rng(26), count=4)
    write_sweep(tmp_path / "1.s2p", noisy(np.random.default_rng(27), f=F + 1e6), digits=17)
    with pytest.raises(InputError, match="its frequency grid"):
        digest_campaign(rows, tmp_path, spare=4)


def test_a_group_that_would_be_lost_is_an_error(tmp_path):
    rows = campaign(tmp_path, np.random.default_rng(28), count=5)
    rows[4] = replace(rows[4], state="out")
    (tmp_path / "4.s2p").write_bytes(b"# HZ S RI R 50\n1 2 3\n")
    with pytest.raises(InputError, match=r"4\.s2p: .*its group holds no other"):
        digest_campaign(rows, tmp_path, spare=2)


def test_memory_does_not_grow_with_the_number_of_repeats():
    # Only the identities grow: 16 bytes each, about 100 as Python objects in a set and a list.
    sweep = noisy(np.random.default_rng(18), f=F[:5])
    builder = DigestBuilder()

    def add(begin, end):
        for k in range(begin, end):
            builder.add(ON, sweep, float(k), hashlib.sha256(k.to_bytes(4, "big")).digest())

    add(0, 500)
    tracemalloc.start()
    try:
        add(500, 1500)
        grown, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert grown < 200 * 1000 + 20_000
    add(1500, 6000)
    stats = builder.freeze()[ON]
    assert stats.count == 6000
    np.testing.assert_allclose(stats.mean[1], sweep.s[:, 1, 0], rtol=1e-12)  # a constant stays, with no scatter
    assert stats.scatter.max() < 1e-15


class TestPumpOffPartner:
    """The order of preference, one candidate removed at a time."""

    candidates = (
        replace(OFF, state="out"),
        OFF,
        replace(OFF, state="turned"),
        replace(OFF, bias_a=(1.1e-5, 0.0)),
        replace(OFF, bias_a=(2e-5, 0.0)),
    )

    def digest(self, keys):
        rng = np.random.default_rng(19)
        twice = [
            key for key in keys for _ in range(2 if key == OFF else 1)
        ]  # most sweeps, but for those with the source out
        return built((key, noisy(rng), float(k)) for k, key in enumerate([ON, *twice]))

    @pytest.mark.parametrize("first", range(5))
    def test_preference(self, first):
        left = self.candidates[first:]
        for order in (left, left[::-1]):
            assert off_group_for(ON, self.digest(order), first=("out",)) == left[0]

    def test_none_of_this_isolator_or_cooldown(self):
        others = [replace(OFF, isolator="B"), replace(OFF, cooldown="second"), replace(ON, state="out")]
        with pytest.raises(InputError) as caught:
            off_group_for(ON, self.digest(others), first=("out",))
        assert str(caught.value) == (
            "there is no pump-off sweep of isolator 'A' in cooldown 'first'."
            " Record pump-off sweeps of this isolator in this cooldown, with the same frequencies."
        )

    def test_another_reference_resistance_does_not_serve(self):
        rng = np.random.default_rng(21)
        other = replace(noisy(rng), reference_ohm=75.0)
        with pytest.raises(InputError, match=r"pump-off sweeps refer to 75 ohm and the pump-on sweeps to 50 ohm"):
            off_group_for(ON, built([(ON, noisy(rng), 0.0), (OFF, other, 1.0)]), first=("out",))
        far = replace(OFF, bias_a=(9e-5, 0.0))
        assert (
            off_group_for(ON, built([(ON, noisy(rng), 0.0), (OFF, other, 1.0), (far, noisy(rng), 2.0)]), first=("out",))
            == far
        )

    def test_other_frequencies_do_not_serve(self):
        rng = np.random.default_rng(20)
        far = replace(OFF, bias_a=(9e-5, 0.0))
        digest = built([(ON, noisy(rng), 0.0), (OFF, noisy(rng, f=F[1:]), 1.0)])
        with pytest.raises(InputError, match="no pump-off sweep has the frequencies of the pump-on sweeps"):
            off_group_for(ON, digest, first=("out",))
        assert off_group_for(ON, merge(digest, built([(far, noisy(rng), 2.0)])), first=("out",)) == far

    def test_pump_off_groups_of_all_states_have_the_same_one(self):
        digest = self.digest(self.candidates)
        assert {off_group_for(key, digest, first=("out",)) for key in self.candidates[:3]} == {self.candidates[0]}
        assert off_group_for(OFF, digest, first=("turned",)) == self.candidates[2]
