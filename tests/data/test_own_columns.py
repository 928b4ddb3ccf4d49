"""Sweeps against columns of the laboratory's own: what is put into traces along a column is found, chance is not.

Reference: the change put into each trace, and `scipy.stats.spearmanr` of it; probabilities by chance against their own law.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from conftest import run
from small_study import study_text

from fluxsense import load_campaign, read_study
from fluxsense.data.own_columns import MEASURES, own_columns
from fluxsense.report.figures import sweeps_against_columns

PER_KELVIN = 0.05
"""Change of S21's gain per unit of the column."""


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight repeats; a temperature differs from state to state and wanders, and S21 of every sweep follows it."""
    folder = tmp_path_factory.mktemp("own")
    (folder / "study.toml").write_text(study_text(repeats=8, points=11))
    assert run(["simulate", folder / "study.toml", "--seed", 3]).code == 0
    rng = np.random.default_rng(4)
    with (folder / "log.csv").open() as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        here = float(rng.normal(0.0, 0.1))
        row |= {"temperature_mk": f"{10.0 + (row['state'] == 'in') + here:.6f}", "pressure": f"{rng.normal():.4f}"}
        row |= {"who": "the night shift", "same": "4.2"}
        path = folder / row["file"]
        lines = path.read_text().splitlines()
        for n, line in enumerate(lines):
            if line[0] not in "!#":
                values = [float(x) for x in line.split()]
                values[3:5] = [x * (1 + PER_KELVIN * here) for x in values[3:5]]  # S21 is the second pair of a two-port
                lines[n] = " ".join(map(repr, values))
        path.write_text("\n".join(lines) + "\n")
    with (folder / "log.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return folder / "study.toml"


def test_what_goes_with_a_column_is_found(campaign: Path) -> None:
    study = read_study(campaign)
    found = own_columns(study, load_campaign(study))
    assert [one.name for one in found] == ["temperature_mk", "pressure"]  # neither words nor what never changes
    temperature, pressure = found
    assert temperature.sure == [MEASURES.index("gain of S21 (%)")]
    assert pressure.sure == []
    gain = temperature.measures[0]
    near = temperature.values - np.where(temperature.values > 10.5, 11, 10)
    slope = np.polyfit(near, gain, 1)[0]
    assert slope == pytest.approx(100 * PER_KELVIN, rel=0.1)
    assert temperature.correlation[0] > 0.5
    assert pressure.probability.min() > 1e-4
    figure = sweeps_against_columns(found)
    assert len(figure.axes) == 2 * len(MEASURES)
    assert figure.axes[0].get_xlabel() == "temperature_mk"
    assert "chance" in figure.axes[0].get_title()


def test_a_column_that_only_tells_states_apart_goes_with_nothing(campaign: Path) -> None:
    study = read_study(campaign)
    digest = load_campaign(study)
    text = (campaign.parent / "log.csv").read_text().splitlines()
    rows = [line.split(",") for line in text]
    at, state = rows[0].index("temperature_mk"), rows[0].index("state")
    for row in rows[1:]:
        row[at] = "11" if row[state] == "in" else "10"
    log = campaign.parent / "log.csv"
    former = log.read_bytes()
    try:
        log.write_text("\n".join(",".join(row) for row in rows) + "\n")
        assert own_columns(study, digest)[0].probability.min() == 1.0
    finally:
        log.write_bytes(former)
    assert own_columns(study, digest)[0].sure
