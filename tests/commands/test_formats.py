"""An answer in open formats, read back by the libraries that others would read it with.

Outside references: arviz and h5netcdf (NetCDF), Python's csv, a LaTeX table taken apart by hand, the headers of PDF, SVG and PNG.
"""

from __future__ import annotations

import csv
import json
import warnings
from pathlib import Path
from xml.etree import ElementTree

import h5py
import numpy as np
import pytest
from conftest import run
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.jobs import formats
from fluxsense.jobs.orient import Answer, orient_folder
from fluxsense.jobs.simulate import simulate
from fluxsense.report.tables import Table, latex_text, unknowns_table

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # arviz announces its own next version
    import arviz


@pytest.fixture(scope="module")
def answer(tmp_path_factory: pytest.TempPathFactory) -> tuple[Answer, Path]:
    study = small_study(tmp_path_factory.mktemp("study"))
    simulate(study, seed=1)
    folder = study.folder / "results"
    wanted = ("netcdf", "tables", "figures")
    return orient_folder(study, folder, seed=1, wanted_ess=200, report=False, formats=wanted), folder


def test_netcdf_opens_and_equals_the_document(answer: tuple[Answer, Path]) -> None:
    found, folder = answer
    document = json.loads((folder / "result.json").read_text())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = arviz.from_netcdf(str(folder / "posterior.nc"), engine="h5netcdf")
    posterior = data.posterior
    assert json.loads(posterior.attrs["result"]) == document
    for entry in document["nuisances"]:
        name = "_".join(entry["name"].replace("-", " ").split())
        values = posterior[name].to_numpy()
        assert posterior[name].attrs["unit"] == entry["unit"]
        assert values.mean() == pytest.approx(entry["mean"], rel=1e-12, abs=1e-12 * entry["sd"])
        assert values.std() == pytest.approx(entry["sd"], rel=1e-12, abs=0)
    direction = posterior["direction"].to_numpy()[0]
    source = np.stack([posterior[f"source_{a}"].to_numpy()[0] for a in "xyz"], axis=-1)
    assert np.linalg.norm(direction, axis=1) == pytest.approx(np.ones(len(direction)), abs=1e-12)
    assert direction * posterior["size"].to_numpy()[0][:, None] == pytest.approx(source, rel=1e-12, abs=0)
    mean = direction.mean(axis=0)
    assert mean / np.linalg.norm(mean) @ document["direction"]["vector"] > 0.99
    assert found.to_inferencedata().posterior.equals(posterior)


def test_draws_and_tables_are_those_of_the_document(answer: tuple[Answer, Path]) -> None:
    found, folder = answer
    with (folder / "draws.csv").open(newline="") as file:
        head, *rows = list(csv.reader(file))
    names, units, values = found.table(formats.DRAWS)
    assert head == [f"{n} ({u})" if u else n for n, u in zip(names, units, strict=True)]
    assert np.array(rows, dtype=float) == pytest.approx(values, rel=1e-15, abs=0)
    with (folder / "unknowns.csv").open(newline="") as file:
        listed = list(csv.DictReader(file))
    for entry, row in zip(found.document["nuisances"], listed, strict=True):
        assert (row["unknown"], float(row["mean"]), float(row["s.d."])) == (entry["name"], entry["mean"], entry["sd"])
    with (folder / "summary.csv").open(newline="") as file:
        summary = {row[0]: row[1] for row in csv.reader(file)}
    assert float(summary["azimuth"]) == found.document["direction"]["azimuth_deg"]
    assert float(summary["90% region, solid angle"]) == found.document["region"][1]["solid_angle_sr"]
    assert summary["verdict"] == found.verdict.trust


def test_latex_says_the_same_to_four_digits(answer: tuple[Answer, Path]) -> None:
    found, folder = answer
    text = (folder / "unknowns.tex").read_text()
    body = [
        line.split(r" \\")[0].split(" & ") for line in text.splitlines() if r" \\" in line and r"\hline" not in line
    ]
    assert len(body) == len(found.document["nuisances"])
    for entry, row in zip(found.document["nuisances"], body, strict=True):
        assert row[0] == latex_text(entry["name"])
        number = row[4].strip("$").replace(r" \times 10^{", "e").rstrip("}")
        assert float(number) == pytest.approx(entry["mean"], rel=1e-3, abs=1e-30)
    assert text.count(r"\begin{tabular}") == text.count(r"\end{tabular}") == 1
    assert latex_text("a_b 50% {x}") == r"a\_b 50\% \{x\}"
    assert Table("", ("x",), ((1.5e-9,), (None,))).latex().count(r"$1.5 \times 10^{-9}$") == 1


def test_figures_are_files_of_their_kind_and_the_same_again(answer: tuple[Answer, Path], tmp_path: Path) -> None:
    found, folder = answer
    names = {p.stem for p in folder.glob("*.svg")}
    assert names == {"map", "geometry", "corner", "traces", "quantiles", "directionality"}
    formats.write_formats(found, tmp_path, ["figures"])
    for name in names:
        pdf = (folder / f"{name}.pdf").read_bytes()
        assert pdf.startswith(b"%PDF-")
        assert pdf == (tmp_path / f"{name}.pdf").read_bytes()
        assert ElementTree.parse(folder / f"{name}.svg").getroot().tag.endswith("svg")


def test_a_notebook_shows_the_picture(answer: tuple[Answer, Path]) -> None:
    found, _ = answer
    png = found._repr_png_()
    assert png is not None
    assert png.startswith(b"\x89PNG\r\n")
    assert 300 < int.from_bytes(png[16:20], "big") < 1200
    html = found._repr_html_()
    assert 'src="data:image/png;base64,' in html
    assert found.lines()[0].split(". ")[0] in html


def test_without_its_libraries_netcdf_is_refused_at_once(
    answer: tuple[Answer, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    found, _ = answer
    monkeypatch.setattr(formats, "find_spec", lambda name: None)
    outcome = run(["orient", found.study.path, "--netcdf"])
    assert outcome.code == 2
    assert "pip install 'fluxsense[netcdf]'" in outcome.err
    with pytest.raises(InputError, match="arviz and h5netcdf"):
        found.to_inferencedata()


def test_every_unknown_is_in_the_file(answer: tuple[Answer, Path]) -> None:
    found, folder = answer
    with h5py.File(folder / "posterior.nc") as file:
        stored = set(file["posterior"])
    assert {n.replace(" ", "_") for n in found.table(1)[0]} <= stored
    assert len(unknowns_table(found.document).rows) == len(found.table(1)[0]) - 3
