"""Nothing is said of a log and traces that are sound; what is said of others: tests/faults/test_mistakes.py."""

from __future__ import annotations

import pytest
from small_study import small_study

from fluxsense.data.campaign import campaign_rows
from fluxsense.data.log import LogRow
from fluxsense.data.log_checks import log_findings, trace_findings
from fluxsense.jobs.simulate import draw_truth, write_campaign
from fluxsense.study import Study, read_study


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, list[LogRow]]:
    folder = tmp_path_factory.mktemp("log")
    plain = small_study(folder, repeats=2, points=9)
    write_campaign(plain, draw_truth(plain, 1), folder)
    study = read_study(folder / "study.toml")
    return study, campaign_rows(study)


def test_a_sound_campaign_gives_nothing_to_say(sound: tuple[Study, list[LogRow]]) -> None:
    study, rows = sound
    assert log_findings(rows, study) == []
    assert trace_findings(rows, study.log.parent, study) == []
