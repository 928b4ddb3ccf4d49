"""All commands see the same sweeps: what `orient` leaves out stays out, is listed in the digest, and is read once.

The campaign has one trace replaced by that of another setting.  Counting file accesses and comparing with a digest of the
good traces alone are the references outside the loader.
"""

from __future__ import annotations

import json
import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Outcome, run
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.data import campaign, digest, traces
from fluxsense.data.campaign import campaign_rows, load_campaign
from fluxsense.data.digest import digest_campaign, load
from fluxsense.report.tables import tables_of
from fluxsense.study import Study, read_study

BAD = "traces/c1_in_s1_a_on_003.s2p"
OTHER = "traces/c1_in_s2_a_on_004.s2p"


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """A campaign with one trace of another setting, and another one's place taken by a fresh sweep."""
    folder = tmp_path_factory.mktemp("spoilt")
    study = small_study(folder, repeats=6, points=15)
    assert run(["simulate", study.path, "--seed", 4]).code == 0
    again = folder / "again"
    assert run(["simulate", study.path, "--seed", 5, "--out", again]).code == 0
    shutil.copy(folder / OTHER, folder / BAD)
    shutil.copy(again / OTHER, folder / OTHER)  # no copies in one log
    truth = folder / "truth.toml"
    shutil.rmtree(again)
    truth.unlink()
    # the second campaign has a truth of its own: its sweep is another one unlike its repeats
    return read_study(study.path)


@pytest.fixture(scope="module")
def answered(spoilt: Study) -> tuple[Outcome, Outcome]:
    """`orient`, then `detect`, on that campaign."""
    first = run(["orient", spoilt.path, "--seed", 1, "--no-report", "--json"])
    return first, run(["detect", spoilt.path, "--simulations", 0])


def test_detect_leaves_out_what_orient_left_out(spoilt: Study, answered: tuple[Outcome, Outcome]) -> None:
    first, second = answered
    assert first.code in (0, 1), first
    result = json.loads(first.out)
    folder = spoilt.folder / "results"
    assert set(result["data"]["left_out"]) == {BAD, OTHER}
    assert second.code in (0, 1), second
    assert "inferring first" not in second.err
    found = json.loads((folder / "detection.json").read_text())
    assert found["provenance"]["digest_hash"] == result["provenance"]["digest_hash"]
    assert found["provenance"]["orient_seed"] == 1
    curve = found["experiment"]["detection_against_size"]
    assert tables_of(found)["detection"].rows == tuple(zip(curve["size"], curve["probability"], strict=True))
    assert load(folder / "digest.npz").content_hash() == result["provenance"]["digest_hash"]


def test_the_digests_file_lists_what_was_left_out(spoilt: Study, answered: tuple[Outcome, Outcome]) -> None:
    kept = load(spoilt.folder / "results/digest.npz")
    assert {d.file for d in kept.left_out} == {BAD, OTHER}
    assert kept.distrusted == load_campaign(spoilt).distrusted
    assert kept.sweeps == len(campaign_rows(spoilt)) - 2


def test_no_trace_is_parsed_twice_but_those_of_the_groups_that_lost_one(
    spoilt: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    parsed: Counter[str] = Counter()
    original = traces.sweep_from_bytes

    def counting(raw: bytes, path: str) -> object:
        parsed[str(Path(path).relative_to(spoilt.folder))] += 1
        return original(raw, path)

    monkeypatch.setattr(traces, "sweep_from_bytes", counting)
    rows = campaign_rows(spoilt)
    found = load_campaign(spoilt)
    lost = {d.key for d in found.left_out}
    members = {r.file for r in rows if digest.group_key(r) in lost} - {BAD, OTHER}
    assert len(lost) == 2
    assert {file for file, times in parsed.items() if times > 1} == members
    assert max(parsed.values()) == 2
    monkeypatch.undo()
    good = digest_campaign([r for r in rows if r.file not in (BAD, OTHER)], spoilt.folder)
    assert list(good) == list(found)
    for key, stats in good.items():
        assert found[key].count == stats.count
        np.testing.assert_allclose(found[key].mean, stats.mean, rtol=1e-12, atol=1e-12)
        np.testing.assert_allclose(found[key].scatter, stats.scatter, rtol=1e-9, atol=1e-12)


def test_a_digest_of_the_very_traces_is_used_and_any_other_is_not(
    spoilt: Study, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(spoilt.folder, tmp_path / "x", ignore=shutil.ignore_patterns("results"))
    here = read_study(tmp_path / "x/study.toml")
    kept = tmp_path / "digest.npz"
    fresh = load_campaign(here)
    fresh.save(kept)
    parsed: list[str] = []
    original = traces.sweep_from_bytes
    monkeypatch.setattr(traces, "sweep_from_bytes", lambda raw, path: parsed.append(path) or original(raw, path))

    def parses() -> int:
        parsed.clear()
        assert load_campaign(here, former=kept).content_hash() == load_campaign(here).content_hash()
        whole = len(campaign_rows(here)) + sum(fresh[d.key].count for d in fresh.left_out)
        return len(parsed) - whole

    assert parses() == 0
    # the sweep that was left out is replaced by a good one: the old digest holds all the others, and is not enough
    raw = (here.folder / BAD.replace("003", "002")).read_text()
    (here.folder / BAD).write_text(raw.replace("\n", "\n! measured again\n", 1))
    assert {d.file for d in load_campaign(here, former=kept).left_out} == {OTHER}
    # a row less
    log = here.log.read_text().splitlines()
    here.log.write_text("\n".join(log[:-1]) + "\n")
    assert load_campaign(here, former=kept).sweeps == len(log) - 3
    kept.write_bytes(b"not a digest")
    assert load_campaign(here, former=kept).sweeps == len(log) - 3


def test_a_trace_that_changes_while_the_campaign_is_read(spoilt: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    original = campaign.RepeatScreen.distrusted

    def changed(screen: object) -> list[digest.Distrusted]:
        found = original(screen)
        return [replace(found[0], file=OTHER if found[0].file == BAD else BAD), *found[1:]]

    monkeypatch.setattr(campaign.RepeatScreen, "distrusted", changed)
    with pytest.raises(InputError, match="the trace changed while the campaign was read"):
        load_campaign(spoilt)


def test_detect_says_why_it_infers_anew_and_leaves_no_page_of_another_result(spoilt: Study, tmp_path: Path) -> None:
    """One prior changed after `orient`: its results are not used, and the page is of the new ones."""
    shutil.copytree(spoilt.folder, tmp_path / "x")
    here = tmp_path / "x"
    text = (here / "study.toml").read_text()
    (here / "study.toml").write_text(text.replace('offset_sd = "10.0 mPhi0"', 'offset_sd = "11.0 mPhi0"', 1))
    (here / "results/report.html").write_text("<html>an old page</html>")
    outcome = run(["detect", here / "study.toml", "--simulations", 0, "--seed", 1])
    assert outcome.code in (0, 1), outcome
    assert "the results of orient are of another study: inferring first" in outcome.err
    study = read_study(here / "study.toml")
    for name in ("result.json", "detection.json"):
        assert json.loads((here / "results" / name).read_text())["provenance"]["study_hash"] == study.sha256
    page = (here / "results/report.html").read_text()
    assert study.sha256 in page
    assert "<!-- confidence begins -->" in page
    assert (
        "Of another study or other data, and left as it was: detection.html.\n" in outcome.out
    )  # of the first `detect`


def test_old_files_are_named(spoilt: Study, answered: tuple[Outcome, Outcome], tmp_path: Path) -> None:
    shutil.copytree(spoilt.folder, tmp_path / "x")
    text = (tmp_path / "x/study.toml").read_text()
    (tmp_path / "x/study.toml").write_text(f"# looked at\n{text}")
    outcome = run(["orient", tmp_path / "x/study.toml", "--no-report", "--effective", 60])
    assert "Of another study or other data, and left as it was: detection.json, detection.html.\n" in outcome.out


def test_files_of_former_formats_say_what_to_run_again(
    spoilt: Study, answered: tuple[Outcome, Outcome], tmp_path: Path
) -> None:
    from fluxsense.detection.stored import load_stored

    for name, reader, remedy in (
        ("digest.npz", load, "Build the digest from the traces again"),
        ("posterior.npz", load_stored, "Run fluxsense orient again"),
    ):
        with np.load(spoilt.folder / "results" / name) as kept:
            arrays = {k: kept[k] for k in kept.files}
        header = json.loads(arrays["header"].tobytes())
        header["version"] = 1
        arrays["header"] = np.frombuffer(json.dumps(header).encode(), dtype=np.uint8)
        np.savez(tmp_path / name, **arrays)
        with pytest.raises(InputError, match=remedy):
            reader(tmp_path / name)
