"""Counts of directions against sweeps that are solved one by one, by a simulator that knows no law of the counts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from outside_directions import forward_readings, noisy_readings
from outside_simulator import Group, OutsideStudy

from fluxsense import read_study
from fluxsense.data.counts import Votes, transmits_forward, votes_from_rows
from fluxsense.data.touchstone import Sweep
from fluxsense.device.chip import nominal_parameters
from fluxsense.infer.counts import VoteModel, independent_sweeps
from fluxsense.infer.reading_law import mean_of_nodes
from fluxsense.jobs.orient_counts import orient_votes
from fluxsense.jobs.simulate import draw_truth, simulate_directions
from fluxsense.study import Study

FOLDER = Path(__file__).parent / "studies"
FLUX_SD_PHI0 = 0.05
WRONG_WAY = 0.06


def direction_study(folder: Path, name: str) -> Path:
    """One of the studies with directions for data, loops that flip now and then, and few points a sweep."""
    text = (FOLDER / f"{name}.toml").read_text(encoding="utf-8")
    text = text.replace('flux = "0.1 mPhi0"', f'flux = "{1e3 * FLUX_SD_PHI0:g} mPhi0"').replace(
        "points = 41", "points = 15"
    )
    text = text.replace("0.8300 mA", "0.1500 mA")  # loops of the six isolators near the flux at which they turn round
    assert f"{1e3 * FLUX_SD_PHI0:g} mPhi0" in text
    path = folder / f"{name}.toml"
    path.write_text(text + f'\n[data]\nkind = "direction"\nwrong_way = {WRONG_WAY}\n', encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def counted(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[object, Votes], dict[object, float]]:
    """Counts of 150 sweeps a group, and what the package expects for the very same truth."""
    path = direction_study(tmp_path_factory.mktemp("directions"), "six_isolators")
    outside, mine = OutsideStudy(path), read_study(path)
    rng = np.random.default_rng(17)
    truth = outside.draw(outside.size * np.array([0.6, -0.5, 0.62]), rng)
    keys, _ = votes_from_rows(simulate_directions(mine, draw_truth(mine, 1)), ".")
    votes: dict[object, Votes] = {}
    for key in keys:
        setting = next(n for n, s in enumerate(mine.settings) if np.allclose(s.bias_a, key.bias_a))
        group = Group(
            mine.plan.cooldowns.index(key.cooldown),
            [s.name for s in mine.states].index(key.state),
            setting,
            [i.name for i in mine.isolators].index(key.isolator),
        )
        seen = forward_readings(outside, truth, group, FLUX_SD_PHI0, WRONG_WAY, 150, rng)
        votes[key] = Votes(int(seen.sum()), seen.size)
    still = replace(mine.noise, white=0.0, gain_drift=0.0, residual_gain=0.0)  # as the outside sweeps are
    model = VoteModel(replace(mine, noise=still), tuple(votes), mine.plan.cooldowns, tuple(truth.wiring))
    same = nominal_parameters(mine).changed(
        source=truth.source[None],
        position_m=truth.position_m[None],
        offset_phi0=truth.offset_phi0[None],
        flux_focusing=truth.flux_focusing[None],
    )
    p = model.forward(same, WRONG_WAY)[0]
    return path, votes, dict(zip(votes, p, strict=True))


def test_the_law_of_the_counts_is_what_sweeps_do(
    counted: tuple[Path, dict[object, Votes], dict[object, float]],
) -> None:
    _, votes, expected = counted
    total = 0.0
    for key, seen in votes.items():
        p = expected[key]
        z = (seen.forward / seen.count - p) / np.sqrt(p * (1 - p) / seen.count)
        assert abs(z) < 4.5, (key, seen, p)
        total += z * z
    assert total < len(votes) + 4 * np.sqrt(2 * len(votes))  # chi-square: four standard deviations
    assert 0.15 < min(expected.values(), key=lambda p: abs(p - 0.5)) < 0.85  # some group is no foregone conclusion
    # negative control: half the rate of wrong readings does not describe them
    halved = {k: (p - WRONG_WAY) / (1 - 2 * WRONG_WAY) * (1 - WRONG_WAY) + WRONG_WAY / 2 for k, p in expected.items()}
    misfit = sum(
        (v.forward - v.count * q) ** 2 / (v.count * q * (1 - q))
        for v, q in zip(votes.values(), halved.values(), strict=True)
    )
    assert misfit > total + 10


def test_an_analysers_noise_does_what_the_law_says(tmp_path: Path) -> None:
    """White noise of 3% and pump-off means of four sweeps, each pump-on group with its own: mean and scatter of the counts."""
    white, off_sweeps, sweeps = 0.03, 4, 120
    path = direction_study(tmp_path, "six_isolators")
    outside, mine = OutsideStudy(path), read_study(path)
    plan = replace(mine.plan, off_repeats=off_sweeps)
    still = replace(mine.noise, white=white, gain_drift=0.0, residual_gain=0.0)
    noisy = replace(mine, noise=still, plan=plan)
    rng = np.random.default_rng(29)
    truth = outside.draw(outside.size * np.array([0.6, -0.5, 0.62]), rng)
    keys, _ = votes_from_rows(simulate_directions(mine, draw_truth(mine, 1)), ".")
    seen = []
    for key in keys:
        setting = next(n for n, s in enumerate(mine.settings) if np.allclose(s.bias_a, key.bias_a))
        group = Group(
            mine.plan.cooldowns.index(key.cooldown), [s.name for s in mine.states].index(key.state), setting,
            [i.name for i in mine.isolators].index(key.isolator),
        )  # fmt: skip
        read = noisy_readings(
            outside, truth, group, FLUX_SD_PHI0, WRONG_WAY, sweeps, rng, white=white, off_sweeps=off_sweeps
        )
        seen.append(np.mean(read))
    same = nominal_parameters(mine).changed(
        source=truth.source[None], position_m=truth.position_m[None], offset_phi0=truth.offset_phi0[None],
        flux_focusing=truth.flux_focusing[None],
    )  # fmt: skip

    def misfit(study: Study, alike: bool) -> float:
        p = VoteModel(study, tuple(keys), mine.plan.cooldowns, tuple(truth.wiring)).nodes(same, WRONG_WAY)
        count = np.full(len(keys), float(sweeps))
        n = independent_sweeps(p, count)[0] if alike else count
        mean = mean_of_nodes(p)[0]
        return float(np.sum((np.array(seen) - mean) ** 2 * n / (mean * (1 - mean))))

    assert misfit(noisy, True) < len(keys) + 4 * np.sqrt(2 * len(keys))
    assert misfit(noisy, False) > 2 * len(
        keys
    )  # negative controls: what a group shares, and all of the noise, left out
    assert misfit(replace(noisy, noise=replace(still, white=0.0)), False) > 2 * len(keys)


def test_lines_and_pump_off_notches_do_not_turn_a_reading(tmp_path: Path) -> None:
    """Bare rings near half a flux quantum detune the two stages: with the pump off the device then has a deep notch, which
    no reading may hang on.  Through lines of other gains each sweep says what the device alone says."""
    study = OutsideStudy(direction_study(tmp_path, "bare_rings"))
    rng = np.random.default_rng(3)
    truth = study.draw(study.size * np.array([0.6, -0.5, 0.62]), rng)
    flux = study.source_flux_phi0(truth)
    found = {"read": 0, "divided": 0, "sweeps": 0}
    for setting in (0, 1):
        group = Group(0, 1, setting, 1)
        off = study.sweep(truth, flux, group, False)
        gains = np.array([[1.0, 0.3], [2.5, 1.0]])  # of S12 and S21, the same with the pump on and off
        own = np.abs(np.stack([off[:, 1, 0], off[:, 0, 1]])) ** 2
        for _ in range(40):
            s = study.sweep(truth, flux, group, True, 0.08 * rng.normal(size=2))
            power = np.abs(np.stack([s[:, 1, 0], s[:, 0, 1]])) ** 2
            true = np.sum(power[0]) > np.sum(power[1])
            alone = transmits_forward(Sweep(study.frequency_hz, s, 50.0), own)
            through = transmits_forward(Sweep(study.frequency_hz, s * gains, 50.0), own * np.array([[6.25], [0.09]]))
            assert alone == through
            found["sweeps"] += 1
            found["read"] += through != true
            found["divided"] += (np.diff(np.sum(power / own, axis=1))[0] < 0) != true
    assert found["read"] <= 0.05 * found["sweeps"]
    assert found["divided"] > 0.3 * found["sweeps"]  # negative control: divided by the pump-off powers alone


@pytest.mark.slow
def test_a_direction_from_directions(tmp_path: Path) -> None:
    """The whole inference of sweeps that the package did not make: the truth lies in the 95% region."""
    path = direction_study(tmp_path, "six_isolators")
    path.write_text(path.read_text(encoding="utf-8").replace("repeats = 4", "repeats = 40"), encoding="utf-8")
    outside, mine = OutsideStudy(path), read_study(path)
    rng = np.random.default_rng(23)
    truth = outside.draw(outside.size * np.array([0.2, 0.7, -0.68]), rng)
    rows = simulate_directions(mine, draw_truth(mine, 1))
    keys, mark = votes_from_rows(rows, ".")
    votes = {}
    for key, made in keys.items():
        group = Group(
            mine.plan.cooldowns.index(key.cooldown),
            [s.name for s in mine.states].index(key.state),
            next(n for n, s in enumerate(mine.settings) if np.allclose(s.bias_a, key.bias_a)),
            [i.name for i in mine.isolators].index(key.isolator),
        )
        seen = forward_readings(outside, truth, group, FLUX_SD_PHI0, WRONG_WAY, made.count, rng)
        votes[key] = Votes(int(seen.sum()), seen.size)
    result = orient_votes(replace(mine), votes, data_hash=mark, seed=1)
    assert result.region_contains(truth.source)[0.95]
