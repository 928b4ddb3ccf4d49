"""Working points: large gains where there are any, limits kept."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from design_scenarios import chip, ring

from fluxsense.base.errors import InputError
from fluxsense.design.sensitivity import direction_points, planned_experiment, predict
from fluxsense.design.working_point import (
    Effort,
    best_working_point,
    isolation_db,
    landscape,
    merge_settings,
    own_lines,
    split_settings,
)
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Limits

ZERO = ((0.0, 0.0, 1), (0.0, 0.0, 2))
HALF = ((0.5, 0.5, 1),)


def test_chip_at_zero_bias_gains_at_least_twentyfold() -> None:
    study = chip(ring(3, 14, 14), height_um=12, position_sd_um=0.0, bias=ZERO[:1], points=21)
    x = direction_points(Unknowns(study, study.plan.cooldowns), 4, 0)
    found = best_working_point(study, x, Effort(rounds=1, samples=16, polish=25))
    assert found.error_before_deg > 20 * found.error_after_deg
    # points that the search never saw
    fresh = direction_points(Unknowns(study, study.plan.cooldowns), 12, 99)
    before = predict(planned_experiment(study), fresh).expected_error_deg()
    after = predict(planned_experiment(study, settings=found.settings), fresh).expected_error_deg()
    assert before > 20 * after
    limits = [b.limit_a for b in study.bias_lines]
    for setting in found.settings:
        assert np.all(np.abs(setting.bias_a) <= limits)
        assert setting.pump_power_w <= 1e-9 * (1 + 1e-9)
    again = best_working_point(study, x, Effort(rounds=1, samples=16, polish=25))
    assert again == found


def test_limits_of_the_study_are_kept() -> None:
    study = chip(ring(2, 14, 14), height_um=12, position_sd_um=0.2, points=21, bias=HALF)
    lines = tuple(replace(b, limit_a=0.85e-3) for b in study.bias_lines)
    study = replace(study, bias_lines=lines, limits=Limits(8e-10, (2.29e9, 2.33e9), 10.0))
    x = direction_points(Unknowns(study, study.plan.cooldowns), 2, 0)
    found = best_working_point(study, x, Effort(rounds=1, samples=8, polish=10))
    for setting, isolation in zip(found.settings, found.isolation_db, strict=True):
        assert np.all(np.abs(setting.bias_a) <= 0.85e-3)
        assert setting.pump_power_w <= 8e-10 * (1 + 1e-9)
        assert setting.pump_frequency_hz is not None
        assert 2.29e9 - 1 <= setting.pump_frequency_hz <= 2.33e9 + 1
        assert min(isolation) >= 10.0 - 1e-6


def test_settings_are_split_and_merged() -> None:
    study = chip(ring(3, 14, 14), points=21)
    split = split_settings(study)
    assert len(split) == 9
    assert all(len(s.isolators) == 1 and s.pump_frequency_hz is not None for s in split)
    merged = merge_settings(study, list(split))
    assert sum(len(s.isolators) for s in merged) == 9
    assert own_lines(study, 1) == [2, 3]
    # the split experiment is the same experiment
    x = direction_points(Unknowns(study, study.plan.cooldowns), 2, 0)
    whole = predict(planned_experiment(study, most_points=11), x).angular_error_rad()
    parts = predict(planned_experiment(study, settings=split, most_points=11), x).angular_error_rad()
    np.testing.assert_allclose(whole, parts, rtol=1e-6)


def test_an_experiment_is_at_its_own_settings_whatever_the_unknowns_were_made_for() -> None:
    # a search keeps the unknowns while it tries settings: powers, frequencies and ports tried are those that are judged
    study = chip(ring(3, 14, 14), points=21)
    split = list(split_settings(study))
    unknowns = planned_experiment(study, settings=split, most_points=11).unknowns
    x = direction_points(unknowns, 2, 0)
    for name in (split[1].isolators[0], split[-1].isolators[0]):
        tried = [
            replace(s, pump_power_w=0.5 * s.pump_power_w, pump_frequency_hz=(s.pump_frequency_hz or 0.0) + 2e6)
            for s in split
            if s.isolators == (name,)
        ]
        kept = planned_experiment(study, settings=tried, most_points=11, unknowns=unknowns)
        for bench in kept.benches:
            assert [(p.pump_power_w, p.pump_frequency_hz, p.pump_port) for p in bench.probes if p.pump_on] == [
                (tried[k].pump_power_w, tried[k].pump_frequency_hz, tried[k].pump_port) for k in bench.settings
            ]
        fresh = predict(planned_experiment(study, settings=tried, most_points=11), x)
        np.testing.assert_allclose(predict(kept, x).information, fresh.information, rtol=1e-9)


def test_landscape_has_its_valley_away_from_zero() -> None:
    study = chip(ring(3, 14, 14), height_um=12, position_sd_um=0.1, points=21)
    x = direction_points(Unknowns(study, study.plan.cooldowns), 2, 0)
    found = landscape(study, x, 0, nodes=7)
    middle = found.error_deg[3, 3]
    assert np.nanmin(found.error_deg) < middle
    assert found.now_phi0 == pytest.approx((0.5, 0.5))


def test_isolation_agrees_with_the_overview() -> None:
    from fluxsense.jobs.check import check

    study = chip(ring(2, 14, 14), points=81)
    entry = check(replace(study, logs=(study.folder / "none.csv",))).document["isolators"][0]["settings"][0]
    # 81 points against 201 in a notch
    assert isolation_db(study, study.settings[0], 0) == pytest.approx(entry["isolation_db"], abs=3.0)


def test_study_without_settings_is_refused() -> None:
    study = replace(chip(ring(2, 14, 14)), settings=())
    with pytest.raises(InputError, match="no settings"):
        best_working_point(study, np.zeros((1, 3)))
