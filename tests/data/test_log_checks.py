"""What is said of a log and its traces: one slip at a time in an invented campaign that is otherwise sound."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

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


def scaled(factor: float) -> Callable[[LogRow], LogRow]:
    return lambda row: replace(row, bias_a=tuple(factor * x for x in row.bias_a))


SLIPS: dict[str, tuple[Callable[[LogRow], LogRow | None], str, bool, str, str]] = {
    "mA in the column for A": (scaled(1e3), "bias beyond limit", True, "the line may carry", "look like mA"),
    "a thousandth": (scaled(1e-3), "no setting", True, "no sweep of the log", "units, signs"),
    "signs turned": (scaled(-1.0), "bias sign", True, "opposite sign", "hang on it"),
    "another bias": (
        lambda r: replace(r, bias_a=tuple(1.3 * x for x in r.bias_a)) if r.pump_port == 2 and r.isolator == "left" else r,
        "foreign settings", False, "are of no setting", "used as they are",
    ),
    "watts": (lambda r: replace(r, pump_power_dbm=1e-9), "pump power", True, "dB from the nearest", "look like W or mW"),
    "30 dB off": (lambda r: replace(r, pump_power_dbm=r.pump_power_dbm + 30), "pump power", True, "dB from", "30 dB off"),
    "no pump off": (
        lambda r: r if r.pump_on or r.isolator != "left" else None, "no pump off", True, "isolator 'left' has no sweep",
        "Record pump-off",
    ),
    "source never out": (
        lambda r: r if r.state != "out" else None, "no source out", False, "the source is never out", "source out",
    ),
    "source out in another cooldown": (
        lambda r: replace(r, cooldown="c0" if r.state == "out" else r.cooldown), "no source out", False,
        "in cooldown 'c0' do not help", "same cooldown",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SLIPS)
def test_slips_of_the_log_are_named(sound: tuple[Study, list[LogRow]], name: str) -> None:
    study, rows = sound
    change, code, serious, what, remedy = SLIPS[name]
    names = {i.name for i in study.isolators}
    first = sorted(names)[0]
    rows = [replace(r, isolator="left" if r.isolator == first else r.isolator) for r in rows]
    study = replace(
        study,
        isolators=tuple(replace(i, name="left" if i.name == first else i.name) for i in study.isolators),
        settings=tuple(
            replace(s, isolators=tuple("left" if x == first else x for x in s.isolators)) for s in study.settings
        ),
    )
    changed = [c for c in map(change, rows) if c is not None]
    found = {f.code: f for f in log_findings(changed, study)}
    assert code in found, sorted(found)
    assert found[code].serious == serious
    assert what in found[code].what
    assert remedy in found[code].remedy
    assert found[code].line >= 2
    assert 1 <= found[code].rows <= len(changed)


def spoil(path: Path, change: Callable[[str], str]) -> None:
    path.write_text(change(path.read_text()))


def megahertz(text: str) -> str:
    lines = []
    for line in text.splitlines():
        cells = line.split()
        lines.append(line if line[0] in "!#" else " ".join([repr(float(cells[0]) / 1e6), *cells[1:]]))
    return "\n".join(lines) + "\n"


def one_port(text: str) -> str:
    return "\n".join(x if x[0] in "!#" else " ".join(x.split()[:3]) for x in text.splitlines()) + "\n"


@pytest.mark.parametrize(
    ("what", "code", "words"),
    [("copy", "copies", "byte for byte"), ("mhz", "frequency unit", "1e+06 times smaller"), ("one", "one port", "holds one port"),
     ("band", "off the band", "beside the study's sweep")],
)  # fmt: skip
def test_slips_of_the_traces_are_named(
    sound: tuple[Study, list[LogRow]], tmp_path: Path, what: str, code: str, words: str
) -> None:
    study, rows = sound
    shutil.copytree(study.log.parent, tmp_path / "all")
    victim, other = (tmp_path / "all" / rows[n].file for n in (3, 1))
    if what == "copy":
        shutil.copy(other, victim)
    elif what == "band":
        study = replace(study, sweep=replace(study.sweep, start_hz=1.0123e9, stop_hz=1.0124e9))
    else:
        spoil(victim, megahertz if what == "mhz" else one_port)
    found = trace_findings(rows, tmp_path / "all", study)
    assert [f.code for f in found] == [code]
    assert words in found[0].what + found[0].remedy
    assert found[0].rows == (len(rows) if what == "band" else 1)
    assert found[0].line == rows[0 if what == "band" else 3].line
