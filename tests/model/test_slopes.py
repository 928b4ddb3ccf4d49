"""Slopes of the forward model against fourth-order differences of the model itself, with other steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

from fluxsense.device.chip import STAGE_FIELDS, ChipModel, nominal_array, nominal_parameters, off_probe, setting_probe
from fluxsense.model.parameter import Parameter
from fluxsense.model.slopes import scattering_slopes
from fluxsense.study import Study


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return small_study(tmp_path)


@pytest.mark.parametrize("ring", ["shunted", "bare"])
@pytest.mark.parametrize("link", [0.7, 1.0])
def test_slopes_agree_with_differences_of_higher_order(study: Study, ring: str, link: float) -> None:
    """Fourth-order central differences of the chip model itself, at random unequal fluxes, pump phase off 90 degrees."""
    iso = study.isolators[0]
    stages = tuple(
        replace(
            s,
            shunt_ratio=s.shunt_ratio if ring == "shunted" else 0.0,
            signal_internal_hz=1e6,
            idler_termination_hz=2e6 * (n + 1),
            idler_linewidth_hz=s.idler_linewidth_hz * (1 + 0.1 * n),
            signal_linewidth_hz=s.signal_linewidth_hz * (1 - 0.1 * n),
        )
        for n, s in enumerate(iso.stages)
    )
    iso = replace(
        iso, stages=stages, link_amplitude=link, link_phase_rad=0.3, hybrid_imbalance_db=0.7, hybrid_loss_db=0.2
    )
    study = replace(study, isolators=(iso, study.isolators[1]))
    on = setting_probe(study, 0, 0, 0)
    probes = [on, setting_probe(study, 1, 0, 0), off_probe(on)]
    grid = np.linspace(4.95e9, 5.05e9, 11)
    model = ChipModel(study, probes, [grid, grid])
    base = nominal_parameters(study)
    base = base.changed(pump_phase_error_rad=base["pump_phase_error_rad"] + 0.1)
    flux = np.array([[[0.41, 0.37], [0.35, -0.44], [0.41, 0.37]]])
    wanted = [
        Parameter("strength", "pump_strength", (0,), 1.0, 0.05, ""),
        Parameter("phase", "pump_phase_error_rad", (0,), 0.0, 0.05, "rad"),
    ]
    for name in STAGE_FIELDS:
        sd = 0.01 if name.endswith("_participation") else 1e6
        wanted += [Parameter(f"{name} {k}", name, (0, k), 0.0, sd, "") for k in (0, 1)]
    s, slopes = scattering_slopes(model, base, 0, flux, wanted)
    np.testing.assert_allclose(s, model.scattering(base, 0, flux=flux), rtol=0, atol=1e-15)

    def check(n: int, at: Callable[[float], np.ndarray], step: float) -> None:
        expected = (8 * (at(step) - at(-step)) - (at(2 * step) - at(-2 * step))) / (12 * step)
        scale = max(np.abs(expected).max(), 1e-12)
        np.testing.assert_allclose(slopes[:, n], expected, rtol=0, atol=4e-6 * scale + 1e-13 / step, err_msg=str(n))

    for k in (0, 1):
        unit = np.eye(2)[k]
        check(k, lambda step, unit=unit: model.scattering(base, 0, flux=flux + step * unit), 1e-4)
    for n, one in enumerate(wanted, 2):

        def at(step: float, one: Parameter = one) -> np.ndarray:
            values = np.array(base[one.array] if one.array in base else nominal_array(study, one.array, 1))
            values[(0, *one.index)] += step
            return model.scattering(base.changed(**{one.array: values}), 0, flux=flux)

        check(n, at, 0.01 * one.sd)


def test_forward_differences_are_near_the_central_ones(study: Study) -> None:
    """At a value's upper bound the step goes down."""
    on = setting_probe(study, 0, 0, 0)
    grid = np.linspace(4.95e9, 5.05e9, 11)
    model = ChipModel(study, [on, off_probe(on)], [grid, grid])
    base = nominal_parameters(study)
    flux = np.array([[[0.41, 0.37], [0.35, -0.44]]])
    share = float(nominal_array(study, "idler_participation", 1)[0, 0, 1])
    wanted = [
        Parameter("width", "signal_linewidth_hz", (0, 0), 0.0, 1e6, "Hz"),
        Parameter("share", "idler_participation", (0, 1), 0.0, 0.01, "", high=share),
    ]
    s, central = scattering_slopes(model, base, 0, flux, wanted)
    same, forward = scattering_slopes(model, base, 0, flux, wanted, one_sided=True)
    np.testing.assert_allclose(same, s, rtol=0, atol=1e-14)
    scale = np.abs(central).max(axis=(0, 2, 3, 4), keepdims=True)
    np.testing.assert_allclose(forward / scale, central / scale, rtol=0, atol=1e-3)
    assert not np.array_equal(forward, central)


def test_slopes_of_a_batch_are_those_of_its_members(study: Study) -> None:
    on = setting_probe(study, 0, 0, 0)
    grid = np.linspace(4.95e9, 5.05e9, 5)
    model = ChipModel(study, [on, off_probe(on)], [grid, grid])
    base = nominal_parameters(study).repeated(3)
    flux = np.random.default_rng(1).uniform(0.2, 0.6, (3, 2, 2))
    wanted = [Parameter("strength", "pump_strength", (0,), 1.0, 0.05, "")]
    s, slopes = scattering_slopes(model, base, 0, flux, wanted)
    for n in range(3):
        one, own = scattering_slopes(model, base.rows(slice(n, n + 1)), 0, flux[n : n + 1], wanted)
        np.testing.assert_allclose(s[n], one[0], rtol=0, atol=1e-14)
        np.testing.assert_allclose(slopes[n], own[0], rtol=0, atol=1e-8 * np.abs(own).max())


@pytest.mark.parametrize("boxes", [False, True])
def test_line_ends_and_paths_in_closed_form_are_the_differences(study: Study, boxes: bool) -> None:
    """With smoothing, other line ends and error boxes there; central differences of fourth order of the whole model."""
    rng = np.random.default_rng(3)
    on = setting_probe(study, 0, 0, 0)
    grid = np.linspace(4.95e9, 5.05e9, 7)
    box = 0.1 * rng.normal(size=(2, 4, 7, 2)).view(np.complex128)[..., 0] + np.array([0, 1, 1, 0])[:, None]
    model = ChipModel(study, [on, off_probe(on)], [grid, grid], error_boxes=[(box[0], box[1]) if boxes else None, None])
    ends = 0.1 * rng.normal(size=nominal_array(study, "line_end", 1).shape)
    base = nominal_parameters(study).changed(line_end=ends, if_smoothing=np.array([[0.4, 0.0]]))
    flux = np.array([[[0.41, 0.37], [0.35, -0.44]]])
    wanted = [
        Parameter(f"{array} {port} {m} {part}", array, (0, port, m, part), 0.0, 0.1, "")
        for array in ("line_end", "direct_path")
        for port, m, part in ((0, 0, 0), (0, 1, 1), (1, 2, 0), (1, 0, 1))
    ]
    _, slopes = scattering_slopes(model, base, 0, flux, wanted, one_sided=True)
    for n, one in enumerate(wanted):

        def at(step: float, one: Parameter = one) -> np.ndarray:
            values = np.array(base[one.array] if one.array in base else nominal_array(study, one.array, 1))
            values[(0, *one.index)] += step
            return model.scattering(base.changed(**{one.array: values}), 0, flux=flux)

        expected = (8 * (at(1e-3) - at(-1e-3)) - (at(2e-3) - at(-2e-3))) / 12e-3
        np.testing.assert_allclose(slopes[:, 2 + n], expected, rtol=0, atol=1e-9, err_msg=one.name)
