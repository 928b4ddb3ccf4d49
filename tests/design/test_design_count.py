"""Numbers of isolators: the study that each gives, and the search over them.

References: information adds up over independent isolators, so copies that lie where the originals do and share the time
give nearly what the originals give (exactly so where nothing but white noise and the source matters).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from design_scenarios import chip, ring

from fluxsense.base.errors import InputError
from fluxsense.design.count import compare_counts, with_isolators
from fluxsense.design.layout import Search
from fluxsense.design.sensitivity import direction_points, planned_experiment, predict
from fluxsense.study import Study, read_study
from fluxsense.study.write import study_text


def small(**changes: object) -> Study:
    kwargs = {"height_um": 12.0, "position_sd_um": 0.0, "points": 15, "repeats": 8, "phase_sd_deg": 0.0}
    return chip(ring(4, 14, 12), **(kwargs | changes))  # type: ignore[arg-type]


def test_fewer_and_more_isolators(tmp_path: Path) -> None:
    study = small()
    assert with_isolators(study, 4) is study
    fewer, more = with_isolators(study, 2), with_isolators(study, 6)
    assert [i.name for i in fewer.isolators] == ["isolator_0", "isolator_1"]
    assert len(fewer.loops) == len(fewer.bias_lines) == 4
    assert fewer.plan.repeats == 16
    assert len(more.isolators) == 6
    assert more.plan.repeats == 5
    assert len(more.loops) == len(more.bias_lines) == 12
    assert set(more.layout.fixed) == {x.name for x in more.loops if x.name.startswith("reference")}
    for changed in (fewer, more):  # ready to use: reads back as the same study
        path = tmp_path / "study.toml"
        path.write_text(study_text(changed), encoding="utf-8")
        assert [x.name for x in read_study(path).loops] == [x.name for x in changed.loops]
        assert all(len(s.bias_a) == len(changed.bias_lines) for s in changed.settings)
    with pytest.raises(InputError, match="25 isolators cannot be laid out"):
        with_isolators(study, 25)


def test_copies_that_share_the_time_give_what_the_originals_give() -> None:
    """Offsets, strengths and drift switched off: twice the isolators at half the repeats carry the same information."""
    study = small(offset_sd_mphi0=0.0, strength_sd=0.0)
    study = replace(study, noise=replace(study.noise, gain_drift=0.0, phase_drift_rad=0.0, residual_gain=0.0))
    experiment = planned_experiment(study)
    x = direction_points(experiment.unknowns, 4, 1)
    once = predict(experiment, x).information
    twice = predict(planned_experiment(with_isolators(study, 8)), x).information
    np.testing.assert_allclose(twice, once, rtol=1e-6, atol=1e-6 * np.abs(once).max())
    # a negative control: with half of them in the same time the information is another
    half = predict(planned_experiment(with_isolators(study, 2)), x).information
    assert np.abs(half - once).max() > 0.1 * np.abs(once).max()


def test_search_over_the_number() -> None:
    """Position unknown: two loops cannot tell three components, four can; the search says so."""
    study = small(position_sd_um=0.3)
    found = compare_counts(study, (2, 4), Search(starts=1, steps=25, points=4))
    assert [f.count for f in found] == [2, 4]
    assert found[1].value < 0.5 * found[0].value
    with pytest.raises(InputError, match="unknown"):
        compare_counts(study, (2,), criterion="beauty")
