"""Sweeps that do not look like their repeats: false alarms by simulation, planted faults by construction."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.data.campaign import campaign_rows, load_campaign, load_screened
from fluxsense.data.digest import Distrusted, digest_campaign, group_key
from fluxsense.data.outliers import PARTS, RepeatScreen, node_values, strange_sweeps
from fluxsense.data.touchstone import Sweep, write_sweep
from fluxsense.infer.verdict import distrusted_share, kept_findings, left_out_findings
from fluxsense.jobs.simulate import draw_truth, sweeps, write_campaign
from fluxsense.report.sentences import sentences
from fluxsense.study import Study, read_study

GRID = np.linspace(-1, 1, PARTS)
SLOPE = np.stack([np.exp(-3 * GRID**2 + 1j * GRID), np.exp(-3 * GRID**2 + 2j * GRID)])
SLOPE = SLOPE / np.linalg.norm(SLOPE)
SHAPE = 100 * np.stack([np.exp(1j * np.linspace(0, 3, PARTS)) * np.linspace(0.2, 1, PARTS)] * 2)
STEEP = (0.3, 0.7, 1.0, 1.0, 1.5, 2.0)
"""Slopes of the settings of an isolator, over the usual one."""


def noise(rng: np.random.Generator, repeats: int, points: int = PARTS) -> np.ndarray:
    return rng.normal(size=(repeats, 2, points)) + 1j * rng.normal(size=(repeats, 2, points))


def drawn(rng: np.random.Generator, repeats: int, groups: int, flux: float) -> list[list[np.ndarray]]:
    """Clean sweeps of six settings: white noise of 1, gain drift of 1%, flux noise along one slope a setting."""

    def group(steep: float) -> np.ndarray:
        moved = flux * steep * rng.normal(size=(repeats, 1, 1)) * SLOPE
        values = SHAPE * (1 + 0.01 * noise(rng, repeats, 1)) + noise(rng, repeats) + moved
        return np.concatenate([values, 1 + 0.1 * rng.normal(size=(repeats, 2, 1))], axis=2)

    return [[group(steep) for _ in range(groups)] for steep in STEEP]


def strange(settings: list[list[np.ndarray]]) -> list[np.ndarray]:
    return [found for groups in strange_sweeps(settings) for found, _ in groups]


@pytest.mark.parametrize(
    ("repeats", "groups", "flux", "most"),
    [
        (4, 1, 0.0, 0.005),
        (8, 2, 0.0, 0.005),
        (20, 1, 0.0, 0.005),
        (8, 2, 3.0, 0.01),
        (8, 2, 30.0, 0.025),
        (5, 2, 10.0, 0.02),
        (4, 1, 10.0, 0.012),
    ],
)
def test_clean_sweeps_are_kept(repeats: int, groups: int, flux: float, most: float) -> None:
    """The efficiency on clean data: the variance of a mean of normal draws grows by one over the share that is kept."""
    rng = np.random.default_rng(repeats)
    found = [f for _ in range(40) for f in strange(drawn(rng, repeats, groups, flux))]
    share = np.concatenate(found).mean()
    assert share < most
    assert 1 - share > 0.95


@pytest.mark.parametrize(
    ("repeats", "flux", "jump"), [(5, 0.0, 30.0), (8, 0.0, 20.0), (8, 3.0, 60.0), (20, 10.0, 160.0)]
)
def test_a_jump_along_the_slope_is_found_and_only_that(repeats: int, flux: float, jump: float) -> None:
    rng = np.random.default_rng(1)
    hit = other = 0
    for _ in range(40):
        settings = drawn(rng, repeats, 2, flux)
        settings[2][0][1, :, :-1] += jump * SLOPE
        found = strange(settings)
        hit += found[4][1]
        other += sum(f.sum() for f in found) - found[4][1]
    assert hit >= 36
    assert other < 0.02 * 40 * 12 * repeats


@pytest.mark.parametrize(("share", "most"), [(0.05, 0.5), (0.08, 0.6)])
def test_bad_sweeps_hardly_move_a_mean(share: float, most: float) -> None:
    """Jumps along the slope, bursts and gain jumps of random size: the mean's part along the slope against the clean one's spread.

    Leaving so many out costs the root of their share by itself, 0.22 and 0.28; three bad ones of eight cannot be told.  The plain
    mean moves by several spreads (negative control)."""
    rng = np.random.default_rng(2)
    robust, plain = [], []
    for _ in range(25):
        settings = drawn(rng, 8, 2, 2.0)
        clean = [np.array(g) for groups in settings for g in groups]
        bad = [g for groups in settings for g in groups]
        for g in bad:
            for n in np.flatnonzero(rng.random(len(g)) < share):
                kind = rng.integers(3)
                if kind == 0:
                    g[n, :, :-1] += 60 * SLOPE
                elif kind == 1:
                    g[n, :, 4:7] += 15 * noise(rng, 1, 3)[0]
                else:
                    g[n, :, :-1] *= 1.3
        keep = [~f for f in strange(settings)]
        unit = SLOPE.conj().reshape(-1)

        def along(group: np.ndarray, unit: np.ndarray = unit) -> float:
            values = group[..., :-1] / np.mean(group[..., :-1] / SHAPE, axis=(1, 2), keepdims=True)
            return float(np.real(np.mean(values, axis=0).reshape(-1) @ unit))

        reference = [along(g) for g in clean]
        spread = np.sqrt(np.mean([np.var([along(g[n : n + 1]) for n in range(8)]) / 8 for g in clean]) * len(clean))
        robust.append((sum(along(g[k]) for g, k in zip(bad, keep, strict=True)) - sum(reference)) / spread)
        plain.append((sum(along(g) for g in bad) - sum(reference)) / spread)
    assert np.median(np.abs(robust)) < 0.4
    assert np.sqrt(np.mean(np.square(robust))) < most
    assert np.sqrt(np.mean(np.square(plain))) > 2


def test_drift_of_gain_and_phase_is_not_distrusted_and_another_gain_is() -> None:
    """A wrong attenuator or power of the analyser: the same shape, less of it."""
    rng = np.random.default_rng(5)
    for repeats in (3, 5, 8):
        gain = 1 + 0.05 * noise(rng, repeats, 1)
        values = np.concatenate([SHAPE * gain + noise(rng, repeats), np.ones((repeats, 2, 1))], axis=2)
        assert not strange([[values]])[0].any()
        values = np.concatenate([SHAPE * (1 + 0.2 * (gain - 1)), np.ones((repeats, 2, 1))], axis=2)
        values[:, :, :-1] += noise(rng, repeats)
        values[1, :, :-1] *= 0.4
        assert list(np.flatnonzero(strange([[values]])[0])) == [1]
    wild = 1 + 0.2 * noise(rng, 200, 1)  # drift that large is everywhere
    values = np.concatenate([SHAPE * wild + noise(rng, 200), np.ones((200, 2, 1))], axis=2)
    assert strange([[values]])[0].mean() < 0.01


@pytest.mark.parametrize("delay_s", [0.0, 55e-9])
@pytest.mark.parametrize("complex_data", [True, False])
def test_what_is_kept_of_a_sweep(delay_s: float, complex_data: bool) -> None:
    """Means over parts of the band do not lose a turning trace, and carry the noise of a mean of so many points."""
    rng = np.random.default_rng(6)
    f = np.linspace(4.93e9, 5.07e9, 160)
    s = np.zeros((f.size, 2, 2), dtype=complex)
    s[:, 1, 0] = 0.5 * np.exp(2j * np.pi * f * delay_s) if complex_data else 0.5
    s[:, 0, 1] = 2 * s[:, 1, 0]
    white = 1e-3 * (rng.normal(size=s.shape) + complex_data * 1j * rng.normal(size=s.shape))
    kept = node_values(Sweep(f, s + white))
    np.testing.assert_allclose(np.abs(kept[:, :-1]), [[0.5] * PARTS, [1.0] * PARTS], rtol=0.02)
    # a median of 156 dependent values: five times 10%
    np.testing.assert_allclose(kept[:, -1].real, 1e-3 / np.sqrt(10), rtol=0.5)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    folder = tmp_path_factory.mktemp("screen")
    plain = small_study(folder, repeats=6)
    write_campaign(plain, draw_truth(plain, 1), folder)
    return read_study(folder / "study.toml")


def test_a_clean_campaign_is_left_alone(study: Study) -> None:
    digest, bad = load_screened(study)
    assert bad == []
    assert digest.content_hash() == digest_campaign(campaign_rows(study), study.log.parent).content_hash()
    assert left_out_findings(digest, bad) == []
    assert distrusted_share(digest, bad) == 0


def test_a_flux_jump_in_one_sweep_is_left_out_and_named(study: Study, tmp_path: Path) -> None:
    """The sweep is replaced by one simulated with the loops 20 mPhi0 off."""
    truth = draw_truth(study, 1)
    off = truth.parameters.changed(offset_phi0=truth.parameters["offset_phi0"] + 0.02)
    jumped = [(row, sweep) for row, sweep in sweeps(study, replace(truth, parameters=off, seed=1))]
    row, sweep = next((r, s) for r, s in jumped if r.pump_on and r.repeat == 4)
    original = study.folder / row.file
    kept = original.read_bytes()
    try:
        write_sweep(original, Sweep(sweep.frequency_hz, sweep.s * (1 + 1e-9), 50.0), digits=5)
        digest, bad = load_screened(study)
    finally:
        original.write_bytes(kept)
    assert [d.file for d in bad] == [row.file]
    assert digest[group_key(row)].count == 5
    words = sentences(left_out_findings(digest, bad))
    assert row.file in words[0]
    assert "1 of " in words[0]
    assert distrusted_share(digest, bad) == pytest.approx(1 / 6)


def test_few_repeats_are_named_but_kept(study: Study) -> None:
    screen, whole = RepeatScreen(), RepeatScreen()
    victim = ""
    for row, sweep in sweeps(study, draw_truth(study, 2)):
        if row.repeat > 3:
            continue
        whole.add(group_key(row), sweep, row.file)
        if row.pump_on and row.repeat == 2 and not victim:
            victim = row.file
            s = sweep.s.copy()
            s[:5] += 2.0
            sweep = replace(sweep, s=s)
        screen.add(group_key(row), sweep, row.file)
    assert whole.distrusted() == []
    found = screen.distrusted()
    assert [(d.file, d.left_out) for d in found] == [(victim, False)]
    digest = load_campaign(study)
    assert left_out_findings(digest, found) == []
    assert distrusted_share(digest, found) == 0
    assert sentences(kept_findings(found)) == [
        f"Sweeps unlike their repeats, of which there are too few to leave any out: {victim}. Look at these first; with 4 "
        "repeats or more such a sweep is left out."
    ]


def test_half_a_group_left_out_is_a_reason_for_doubt(study: Study) -> None:
    digest = load_campaign(study)
    key = next(k for k in digest if k.pump_on)
    bad = [Distrusted(f"x{n}.s2p", key, 9.0) for n in range(6)]
    assert distrusted_share(digest, bad) == pytest.approx(0.5)


def test_one_bad_file_of_a_hundred_is_left_out_with_a_word(tmp_path: Path) -> None:
    """Cut off in the middle; the campaign goes on without it, and a stored digest knows it again."""
    plain = small_study(tmp_path, repeats=10, points=9)
    rows = write_campaign(plain, draw_truth(plain, 1), tmp_path)
    study = read_study(tmp_path / "study.toml")
    assert len(rows) >= 100
    victim = tmp_path / rows[7].file
    victim.write_bytes(victim.read_bytes()[:200])
    digest = load_campaign(study)
    assert [(d.file, bool(d.why)) for d in digest.left_out] == [(rows[7].file, True)]
    assert digest.sweeps == len(rows) - 1
    (found,) = left_out_findings(digest, digest.distrusted)
    assert found.code == "traces of no use"
    assert rows[7].file in sentences([found])[0]
    digest.save(tmp_path / "digest.npz")
    assert load_campaign(study, former=tmp_path / "digest.npz").content_hash() == digest.content_hash()
    for row in rows[10:13]:
        (tmp_path / row.file).write_bytes((tmp_path / row.file).read_bytes()[:150])
    with pytest.raises(InputError, match=r"cannot be used|frequencies differs"):
        load_campaign(study)
