"""Each script of examples/ as a reader runs it, with small settings; the shortest in a process of its own, the others in this one."""

from __future__ import annotations

import io
import json
import re
import runpy
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path

import pytest
from conftest import Measured
from small_study import study_text

from fluxsense.jobs.start import start

EXAMPLES = Path(__file__).parents[2] / "examples"


def run_script(name: str, folder: Path, *arguments: object) -> str:
    """Standard output of a script run in `folder`; warnings are errors there too."""
    done = subprocess.run(
        [sys.executable, "-W", "error", str(EXAMPLES / name), *map(str, arguments)],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    return done.stdout


def run_here(name: str, folder: Path, *arguments: object) -> str:
    """The same in this process, whose imports are done; warnings are errors here anyway."""
    out, err = io.StringIO(), io.StringIO()
    with pytest.MonkeyPatch.context() as patch, redirect_stdout(out), redirect_stderr(err):
        patch.chdir(folder)
        patch.setattr(sys, "argv", [name, *map(str, arguments)])
        runpy.run_path(str(EXAMPLES / name), run_name="__main__")
    assert err.getvalue() == ""
    return out.getvalue()


def test_main_job(measured: Measured, tmp_path):
    out = run_here("main_job.py", tmp_path, measured.folder / "study.toml", "--out", "r", "--quick")
    assert out.startswith("This result is reliable. The source points to azimuth ")
    page = (tmp_path / "r" / "report.html").read_text()
    assert "A small study for tests" in page
    code = [
        x
        for x in (EXAMPLES / "main_job.py").read_text().split('"""')[2].splitlines()
        if x.strip() and not x.startswith("#")
    ]
    assert len(code) < 20


def test_chip_to_directionality(tmp_path):
    out = run_here("chip_to_directionality.py", tmp_path, "--quick")
    assert (tmp_path / "chip_to_directionality.pdf").read_bytes().startswith(b"%PDF")
    assert out.endswith("Wrote chip_to_directionality.pdf\n")
    assert out.count("\n") == 6  # a heading, four loops, the file
    rows = {line.split()[0]: [float(x) for x in line.split()[1:]] for line in out.splitlines()[1:5]}
    # north_near is a square of 12 um about (-4, 11) um as in the starter; its fluxes as `check` prints them there
    assert rows["north_near"] == pytest.approx([20.156, -57.211, 31.571], abs=0.006)


def test_paper_figure(measured: Measured, tmp_path):
    out = run_here("paper_figure.py", tmp_path, measured.folder / "study.toml", "--out", "figure.svg", "--quick")
    assert "Wrote figure.svg" in out
    assert "<svg" in (tmp_path / "figure.svg").read_text()[:1000]


def test_demo_sweeps(tmp_path):
    out = run_here("demo_sweeps.py", tmp_path, "sweeps", "--seed", 2026)
    assert out.endswith(" sweeps to sweeps.\n")
    assert {"log.csv", "study.toml"} <= {p.name for p in (tmp_path / "sweeps").iterdir()}


@pytest.mark.slow
def test_many_campaigns(measured: Measured, tmp_path):
    study = measured.folder / "study.toml"
    out = run_here("many_campaigns.py", tmp_path, study, study, "--workers", 2, "--effective", 100, "--seed", 1)
    one, two = out.splitlines()
    assert one == two
    assert one.startswith(f"{study}: azimuth ")


def test_every_example_is_run_by_some_test():
    tests = "".join(p.read_text(encoding="utf-8") for p in Path(__file__).parents[1].rglob("test_*.py"))
    names = [p.name for p in EXAMPLES.glob("*.py")]
    assert [name for name in names if f'"{name}"' not in tests] == []
    assert len(names) >= 3


def test_noise_floor(measured: Measured, tmp_path):
    out = run_here("noise_floor.py", tmp_path, measured.folder / "study.toml", "--slow", "1 mPhi0")
    white, slow = (
        [float(x.split(": ")[1]) for x in line.split(": ", 1)[1].removesuffix(" degrees").split(", ")]
        for line in out.splitlines()[:2]
    )
    assert white[0] / white[-1] == pytest.approx(100, rel=0.1)  # 10000 repeats
    assert slow[-1] == pytest.approx(slow[-3], rel=0.1)
    assert slow[-1] > 5 * white[-1]
    assert (tmp_path / "floor.png").read_bytes().startswith(b"\x89PNG")


def test_notch(tmp_path):
    out = run_script("notch.py", tmp_path)
    decibels, exact = (float(line.split("4096: ")[1].removesuffix(" dB")) for line in out.splitlines()[:2])
    assert decibels > -38.0  # biased, however many repeats
    assert exact == pytest.approx(-40.0, abs=0.25)


def test_live_loop(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(study_text(wiring="+90 deg"), encoding="utf-8")
    out = run_here("live_loop.py", tmp_path, path, "--cone", 2).splitlines()
    assert "Waiting for" in out[0] or "within" in out[0]
    assert "Enough: the 90% cone is within the wanted 2 degrees." in out[-1]
    code = (EXAMPLES / "live_loop.py").read_text().split("asked = parser.parse_args()")[1]
    assert len([x for x in code.splitlines() if x.strip()]) <= 20


TUTORIALS = ("direction", "design", "detect")


@pytest.fixture
def beside_the_data(tmp_path: Path) -> Path:
    """A folder from which the demo data are seen as from the repository's."""
    (tmp_path / "data_demo").symlink_to(EXAMPLES.parent / "data_demo")
    return tmp_path


def test_tutorial_direction(beside_the_data):
    out = run_here("tutorial_direction.py", beside_the_data)
    assert "east: chi-square per value 0.9" in out or "east: chi-square per value 1.0" in out
    assert "The source points to azimuth " in out
    assert "the truth lies in the 95% region" in out
    assert (beside_the_data / "tutorial_direction/direction.png").read_bytes().startswith(b"\x89PNG")


def test_tutorial_design(beside_the_data):
    out = run_here("tutorial_design.py", beside_the_data)
    assert "expected angular error: " in out
    assert 'The state "coil_on" tests these.' in out
    assert {p.name for p in (beside_the_data / "tutorial_design").glob("*.png")} == {"landscape.png", "ambiguity.png"}


@pytest.mark.parametrize("unstated", ["exact", pytest.param("default", marks=pytest.mark.slow)])
def test_tutorial_detect(beside_the_data, unstated):
    """As printed, and on its study with what that leaves unstated taken as exact, which takes a fifth of the time."""
    study = start(beside_the_data / "tutorial_detect")
    text = study.read_text()
    assert text.count('unstated = "default"') == 1
    study.write_text(text.replace('unstated = "default"', f'unstated = "{unstated}"'))
    out = run_here("tutorial_detect.py", beside_the_data)
    assert "detects with probability 0.9" in out
    assert "The data speak against a source" in out
    assert "come out as the study says" in out
    assert (beside_the_data / "tutorial_detect/empty.png").exists()


@pytest.mark.parametrize("name", TUTORIALS)
def test_tutorials_are_notebooks_too(name, tmp_path):
    script = EXAMPLES / f"tutorial_{name}.py"
    run_here("as_notebook.py", tmp_path, script, "x.ipynb")
    made = json.loads((tmp_path / "x.ipynb").read_text())
    assert (made["nbformat"], made["nbformat_minor"]) == (4, 5)
    kinds = [c["cell_type"] for c in made["cells"]]
    assert kinds[0] == "markdown"
    assert kinds.count("code") >= 4
    code = "\n".join("".join(c["source"]) for c in made["cells"] if c["cell_type"] == "code")
    wanted = [x for x in script.read_text().splitlines() if x.strip() and not x.startswith("#")]
    assert [x for x in code.splitlines() if x.strip() and not x.startswith("#")] == wanted
    words = "".join("".join(c["source"]) for c in made["cells"] if c["cell_type"] == "markdown")
    assert words.startswith("# ")
    assert len({c["id"] for c in made["cells"]}) == len(made["cells"])


def test_the_gallery_shows_what_the_tutorials_draw():
    page = (EXAMPLES / "gallery.md").read_text()
    shown = set(re.findall(r"\]\((gallery/[a-z_]+\.png)\)", page))
    assert shown == {f"gallery/{p.name}" for p in (EXAMPLES / "gallery").iterdir()}
    written = "".join((EXAMPLES / f"tutorial_{n}.py").read_text() for n in TUTORIALS)
    for name in shown:
        assert Path(name).stem in written
    for name in TUTORIALS:
        assert f"tutorial_{name}.py" in page
