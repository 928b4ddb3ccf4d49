"""A new kind of source is one object: every question that the package asks of a source goes to it.

The toy kind is two point dipoles a known distance apart, each with half of the moment: what the package makes of it is
compared with what it makes of a point dipole, and the reader, the writer, the overview and a simulated campaign take it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import run

from fluxsense.base.errors import InputError
from fluxsense.device.chip import check_geometry, study_flux_map
from fluxsense.jobs.check import check
from fluxsense.jobs.simulate import draw_truth, truth_text
from fluxsense.magnetics.sources.kind import Source
from fluxsense.magnetics.wires import unit_current_rows
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, kinds, read_study
from fluxsense.study.fields import Field, Quantity
from fluxsense.study.kinds import register_source
from fluxsense.study.write import study_text

DEMO = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"


class Pair(Source):
    """Half of the moment on either side along x."""

    name = "pair"
    words = "two grains"
    dimension = "moment"
    fields: tuple[Field, ...] = (
        Quantity(key="distance", attribute="distance_m", dimension="length", low=0.0, strict=True, words="distance"),
    )

    def rows(self, wires: Any, position_m: Any, numbers: Mapping[str, Any]) -> Any:
        half = np.array([0.5 * numbers["distance_m"], 0.0, 0.0])
        return 0.5 * (unit_current_rows(wires, position_m + half) + unit_current_rows(wires, position_m - half))


@pytest.fixture
def pair() -> Iterator[None]:
    register_source(Pair())
    yield
    del kinds._SOURCE_KINDS["pair"]


def written(folder: Path, *changes: tuple[str, str]) -> Study:
    """The demo with another source."""
    text = DEMO.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    return read_study(folder / "study.toml")


def test_a_new_kind_works_everywhere(pair: None, tmp_path: Path) -> None:
    dipole = read_study(DEMO)
    study = written(tmp_path, ('kind = "dipole"', 'kind = "pair"\ndistance = "6 um"'))
    assert (study.source.unit, study.source.dimension, study.source.has_position) == ("A m^2", "moment", True)
    check_geometry(study)
    # the flux of two halves 3 um to either side, by the map of a dipole moved there
    sides = [
        study_flux_map(replace(dipole, source=replace(dipole.source, position_m=(x, 0.0, 12e-6))))
        for x in (3e-6, -3e-6)
    ]
    np.testing.assert_allclose(study_flux_map(study), 0.5 * (sides[0] + sides[1]), rtol=1e-12)
    assert 1e-5 < np.abs(study_flux_map(study) * study.source.size).max() < 1  # of the order of mPhi0
    # its place is among the unknowns
    names = Unknowns(study).names
    assert [n for n in names if n.startswith("position")] == ["position x", "position y", "position z"]
    # the document and its words, a truth, and the study written again
    assert any("30 fA m^2" in line for line in check(study).lines())
    assert "position = [" in truth_text(study, draw_truth(study, 3))
    (tmp_path / "again.toml").write_text(study_text(study), encoding="utf-8")
    assert read_study(tmp_path / "again.toml").source == study.source


def test_faults_of_a_new_kind_are_named(pair: None, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"source\.distance: this entry is missing\. Add for example distance = "):
        written(tmp_path, ('kind = "dipole"', 'kind = "pair"'))
    with pytest.raises(
        InputError, match=r'source\.distance: this entry has no effect here\. It belongs to kind = "pair"'
    ):
        written(tmp_path, ('kind = "dipole"', 'kind = "dipole"\ndistance = "6 um"'))
    with pytest.raises(InputError, match="is known already"):
        register_source(Pair())


def test_a_kind_without_a_known_dimension_is_refused() -> None:
    odd = Pair()
    odd.name, odd.dimension = "odd", "weight"
    with pytest.raises(InputError, match='has a vector in "weight", which is no dimension with units'):
        register_source(odd)


def test_a_kind_registered_before_any_study_is_read_hides_none_that_is_shipped(monkeypatch: pytest.MonkeyPatch) -> None:
    shipped = kinds.source_kinds()
    kinds._shipped.cache_clear()  # as in a fresh process
    monkeypatch.setattr(kinds, "_SOURCE_KINDS", {})
    register_source(Pair())
    assert list(kinds.source_kinds()) == [*shipped, "pair"]


def test_a_kind_that_was_never_registered_is_no_source(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r'source\.kind: "pair" is not known here'):
        written(tmp_path, ('kind = "dipole"', 'kind = "pair"'))


@pytest.mark.parametrize(
    "lines",
    [
        'kind = "sphere"\nradius = "3 um"',
        'kind = "rod"\nlength = "4 um"\naxis = [1, 0, 1]',
        'kind = "film_patch"\nwidth = "6 um"\ndepth = "4 um"\nnormal = [0, 0, 1]',
    ],
)
def test_shipped_kinds_through_the_command_line(tmp_path: Path, lines: str) -> None:
    study = written(tmp_path, ('kind = "dipole"', lines))
    (tmp_path / "again.toml").write_text(study_text(study), encoding="utf-8")
    again = read_study(tmp_path / "again.toml").source
    assert again.kind == study.source.kind
    for (name, ours), (other, theirs) in zip(study.source.numbers, again.numbers, strict=True):
        assert name == other
        assert theirs == pytest.approx(ours, rel=1e-11)
    done = run(["check", tmp_path / "study.toml"])
    assert done.code in (0, 1), done.err
    assert "Flux of a source of 30 fA m^2" in done.out


def test_a_sphere_that_holds_a_wire_is_refused(tmp_path: Path) -> None:
    study = written(tmp_path, ('kind = "dipole"', 'kind = "sphere"\nradius = "14 um"'))
    with pytest.raises(InputError, match=r"the sphere at source\.position lies on the wire of this loop"):
        check_geometry(study)


def test_a_shaped_source_cannot_be_turned(tmp_path: Path) -> None:
    text = DEMO.read_text(encoding="utf-8")
    text = text.replace('kind = "dipole"', 'kind = "rod"\nlength = "4 um"\naxis = [1, 0, 1]', 1)
    turned = (
        '[[state]]\nname = "t"\nkind = "turned"\nrotation_axis = [0, 0, 1]\nrotation_angle = "90 deg"\n\n[[setting]]'
    )
    (tmp_path / "study.toml").write_text(text.replace("[[setting]]", turned, 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"state\[t\]\.kind: a rod turns its shape with its moment"):
        read_study(tmp_path / "study.toml")
