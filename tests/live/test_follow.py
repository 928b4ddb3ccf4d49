"""The command on files: its last answer is that of `orient`, whatever happened on the way.

Outside reference: `orient` on the same files, and the kill and disk faults written out here (common practice, no source).
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from conftest import Measured, run
from document_types import misfits
from result_keys import differences

from fluxsense.base.errors import InputError
from fluxsense.cli import FILES
from fluxsense.data.campaign import campaign_rows
from fluxsense.data.digest import load
from fluxsense.jobs import folder as job_folder
from fluxsense.jobs.folder import UnwrittenError
from fluxsense.jobs.follow import follow
from fluxsense.report.documents import LiveDocument
from fluxsense.report.live import live_page
from fluxsense.study import Study, read_study


def fresh(measured: Measured, folder: Path, *, with_log: bool = True) -> Study:
    """The campaign without results, and without log and traces if it is yet to come."""
    target = folder / "campaign"
    target.mkdir()
    shutil.copy(measured.folder / "study.toml", target)
    if with_log:
        shutil.copytree(measured.folder / "traces", target / "traces", copy_function=shutil.copy2)
        shutil.copy(measured.folder / "log.csv", target)
    return read_study(target / "study.toml")


def test_once_ends_with_what_orient_says(measured: Measured, tmp_path: Path) -> None:
    study = fresh(measured, tmp_path)
    outcome = run(["follow", study.path, "--once", "--seed", 11, "--json"])
    assert outcome.code == 0
    document = json.loads(outcome.out)
    assert document["kind"] == "following"
    assert document["format"] == 1
    theirs = json.loads(measured.outcome.out)
    assert json.loads((study.folder / "results" / "result.json").read_text()) == theirs
    assert document["provenance"]["digest_hash"] == theirs["provenance"]["digest_hash"]
    cones = [{r["level"]: r["cone_deg"] for r in d["region"]}[0.9] for d in (document, theirs)]
    assert cones[0] == pytest.approx(cones[1], rel=0.25)
    assert set(FILES["follow"][1]) == {p.name for p in (study.folder / "results").iterdir()}
    assert "within" in outcome.err
    for name in ("live.json", "proposal.json"):
        assert differences(json.loads((study.folder / "results" / name).read_text()), file=name) == []
    assert misfits(document, LiveDocument) == []


@pytest.mark.slow
def test_killed_while_sweeps_arrive(measured: Measured, tmp_path: Path) -> None:
    """Killed at random moments; sweeps come whether it runs or not; in the end nothing is lost."""
    study = fresh(measured, tmp_path, with_log=False)
    rows = campaign_rows(read_study(measured.folder / "study.toml"))
    lines = (measured.folder / "log.csv").read_text().splitlines(keepends=True)
    (study.folder / "traces").mkdir()
    study.log.write_text(lines[0])
    rng = random.Random(5)
    process: subprocess.Popen[bytes] | None = None
    for row, line in zip(rows, lines[1:], strict=True):
        shutil.copy2(measured.folder / row.file, study.folder / row.file)
        with study.log.open("a") as log:
            log.write(line)
        if rng.random() < 0.12:
            if process is not None:
                time.sleep(rng.uniform(0.5, 3.0))
                process.send_signal(signal.SIGKILL)
                process.wait()
            command = [sys.executable, "-m", "fluxsense", "follow", str(study.path), "--poll", "0.1"]
            process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    assert process is not None
    process.kill()
    process.wait()
    for left in (study.folder / "results").glob("*.json"):
        json.loads(left.read_text())  # whole, whenever it was
    assert run(["follow", study.path, "--once", "--seed", 11, "--json", "--no-report"]).code == 0
    theirs = json.loads(measured.outcome.out)
    assert json.loads((study.folder / "results" / "result.json").read_text()) == theirs
    digest = load(study.folder / "results" / "digest.npz")
    assert digest.content_hash() == theirs["provenance"]["digest_hash"]


@pytest.mark.slow
def test_a_full_disk_is_a_sentence_and_nothing_is_lost(
    measured: Measured, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = fresh(measured, tmp_path)
    true = job_folder.write_beside
    said: list[str] = []

    def full(path: Path, data: bytes, *, sync: bool) -> None:
        if Path(path).name == "live.json":
            raise InputError("the file cannot be written (No space left on device)", where=str(path))
        true(path, data, sync=sync)

    monkeypatch.setattr(job_folder, "write_beside", full)
    with pytest.raises(UnwrittenError, match="No space left") as caught:
        follow(study, once=True, seed=11, report=False, tell=said.append)
    assert caught.value.document["direction"] is not None
    assert sum("could not be written" in line for line in said) == 1


def test_a_former_run_is_gone_on_from(measured: Measured, tmp_path: Path) -> None:
    study = fresh(measured, tmp_path)
    (study.folder / "results").mkdir()
    for name in ("posterior.npz", "result.json"):
        shutil.copy(measured.folder / "results" / name, study.folder / "results")
    found = follow(study, once=True, seed=11, report=False)
    assert found.document["full_run_sweeps"] == found.document["sweeps"] == len(campaign_rows(study))
    assert found.document["history"]


def test_idle_ends(measured: Measured, tmp_path: Path) -> None:
    study = fresh(measured, tmp_path, with_log=False)
    found = follow(study, idle_s=0.3, poll_s=0.05)
    assert found.document["direction"] is None
    assert differences(found.document, file="live.json") == []
    assert found.exit_code == 1
    assert "Waiting for" in " ".join(found.lines())


def test_the_page_escapes_what_a_user_wrote_and_loads_itself_anew() -> None:
    """Every text of a study, a log or a file's name is text on the page (common practice, no source)."""
    bad = '<script>alert("x")</script>'
    sweep = {
        "isolator": bad, "state": bad, "pump": "on", "pump_port": 1, "pump_power_dbm": -60.0, "pump_frequency_hz": 2.3e9,
        "bias_a": {bad: 1e-3}, "repeats": 2,
    }  # fmt: skip
    mode = {"weight": 1.0, "azimuth_deg": 10.0, "elevation_deg": 20.0}
    document = {
        "title": bad, "invented": True, "verdict": {"trust": "tentative", "reasons": [bad]}, "sweeps": 10, "busy_s": 50.0,
        "stop": {"kind": "time", "why": bad}, "direction": {"vector": [0.6, 0.0, 0.8]}, "modes": [mode],
        "region": [{"level": 0.9, "cone_deg": 3.0}], "size": {"mean": 1e-6, "unit": "T"}, "log_bayes_factor": 5.0,
        "left_out": [bad], "kept": [bad], "waiting": [bad], "said": [bad], "noise": {"stated": 0.01, "measured": {bad: 0.02}},
        "history": [{"busy_s": 10.0 * n, "cone_deg": 5.0 / n, "misfit_sd": 0.1 * n} for n in (1, 2, 3)],
        "next": {"why": bad, "by_hand": True, "sweeps": [sweep]},
    }  # fmt: skip
    page = live_page(document, np.array([[0.6, 0.0, 0.8], [0.0, 0.6, -0.8]]))
    assert "<script" not in page
    assert page.count("&lt;script&gt;") >= 10
    assert '<meta http-equiv="refresh" content="5">' in page
    assert page.count("<svg") == 3
    assert "moved by hand first" in page
