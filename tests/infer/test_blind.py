"""A known source as a blind test: the law of the fluxes against scipy's normal density, fluxes against the truth, mistakes by name.

Outside references: `scipy.stats.multivariate_normal`; the coil's flux from magpylib's field of a polyline, integrated over the
loop; the truth of simulated campaigns.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import magpylib
import numpy as np
import pytest
from known_source import CODES, MADE, truth_of, with_coil
from scipy.stats import multivariate_normal

import fluxsense.infer.orient as inference
from fluxsense.base.constants import FLUX_QUANTUM_WB
from fluxsense.data.digest import Digest
from fluxsense.device.chip import ChipModel, known_flux_phi0, loop_outlines_m
from fluxsense.infer.blind import (
    FreeFluxes,
    Law,
    blind_findings,
    blind_test,
    free_fluxes,
    judged,
    known_states,
    law_of,
    of_data,
    stated_world,
)
from fluxsense.jobs.orient import known_source_entry, orient
from fluxsense.jobs.result import as_study
from fluxsense.jobs.simulate import Truth, simulate_digest
from fluxsense.jobs.start import start
from fluxsense.report.sentences import sentences
from fluxsense.study import Study

GEOMETRY = ("height", "axes", "isolators", "place")
"""Mistakes that change what fluxes the study expects, and not those that the sweeps show."""
Campaign = tuple[Study, Truth, Digest]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    study = with_coil(as_study(start(tmp_path_factory.mktemp("starter"))))
    truth = truth_of(study, 5)
    return study, truth, simulate_digest(study, truth)


@pytest.fixture(scope="module")
def found(campaign: Campaign) -> FreeFluxes:
    study, truth, digest = campaign
    fluxes = free_fluxes(study, digest, truth.port_signs)
    assert fluxes is not None
    return fluxes


def test_law_agrees_with_the_normal_density_of_numbers() -> None:
    """Data y with a normal error C about u, and u normal: y is normal with mean m and covariance C + P."""
    rng = np.random.default_rng(3)
    size = 4
    root = rng.standard_normal((size, size))
    covariance = root @ root.T + 0.1 * np.eye(size)
    y = rng.standard_normal(size)
    information = np.linalg.inv(covariance)
    fluxes = FreeFluxes((("c", "out"),), (0, 1, 2, 3), information @ y, information)
    laws = [Law(rng.standard_normal(size), rng.standard_normal((size, 6))) for _ in range(2)]
    ours = [law.log_probability(fluxes) for law in laws]
    theirs = [multivariate_normal(law.mean, covariance + law.columns @ law.columns.T).logpdf(y) for law in laws]
    assert ours[1] - ours[0] == pytest.approx(theirs[1] - theirs[0], rel=1e-9)
    gain = laws[0].columns.T @ np.linalg.inv(covariance + laws[0].columns @ laws[0].columns.T)
    mean, sd = laws[0].multiples(fluxes, 2)
    assert mean == pytest.approx((gain @ (y - laws[0].mean))[-2:], rel=1e-9)
    assert sd == pytest.approx(np.sqrt(1 - np.diag(gain @ laws[0].columns))[-2:], rel=1e-9)


def test_data_alone_are_what_is_left_without_the_prior() -> None:
    """Information adds up: that of data with covariance C and of a normal prior, in units of the prior's deviations."""
    rng = np.random.default_rng(5)
    root, sd = rng.standard_normal((3, 3)), np.array([0.5, 2.0, 3.0])
    data = np.linalg.inv(root @ root.T + 0.1 * np.eye(3))
    together = sd[:, None] * (data + np.diag(1 / sd**2)) * sd
    assert of_data(together, sd) == pytest.approx(data, rel=1e-9)
    assert of_data(0.5 * np.eye(3), sd) == pytest.approx(np.zeros((3, 3)), abs=0)


def test_stated_flux_of_the_coil_agrees_with_an_integrated_field(campaign: Campaign) -> None:
    study, _, _ = campaign
    coil, state = study.coils[0], study.states[-1]
    closed = np.array([*coil.outline_m, coil.outline_m[0]])
    wire = magpylib.current.Polyline(current=state.current_a, vertices=closed)
    nodes, weights = np.polynomial.legendre.leggauss(24)
    for n, outline in enumerate(loop_outlines_m(study)):
        (x0, y0), (x1, y1) = outline[:, :2].min(axis=0), outline[:, :2].max(axis=0)
        assert np.ptp(outline[:, 2]) == 0  # a rectangle in the plane of the chip
        assert len(outline) == 4
        x, y = np.meshgrid(x0 + (x1 - x0) * (nodes + 1) / 2, y0 + (y1 - y0) * (nodes + 1) / 2, indexing="ij")
        points = np.stack([x, y, np.full_like(x, outline[0, 2])], axis=-1)
        flux = np.einsum("i,j,ij->", weights, weights, wire.getB(points)[..., 2]) * (x1 - x0) * (y1 - y0) / 4
        assert known_flux_phi0(study)[-1, n] == pytest.approx(flux / FLUX_QUANTUM_WB, rel=1e-6)


def test_fluxes_taken_as_unknown_are_those_of_the_truth(campaign: Campaign, found: FreeFluxes) -> None:
    """Coil and source alike: the blind fit gives their flux in every loop within its own errors."""
    study, truth, _ = campaign
    model = ChipModel(study, [], [np.zeros(0)] * len(study.isolators), truth.port_signs)
    flux = model.source_flux(truth.parameters)[0]
    states = [s.name for s in study.states]
    pulls = []
    for state in ("in", study.states[-1].name):
        mean, sd = found.beside(state, study.plan.cooldowns[0], "out")
        expected = flux[states.index(state)] - flux[states.index("out")]
        pulls += list((mean - expected) / sd)
        assert np.all(np.abs(expected)[:2] > 5 * sd[:2])  # the fit tells something
    assert np.max(np.abs(pulls)) < 4
    assert np.mean(np.square(pulls)) < 2.5


@pytest.mark.parametrize("mistake", ["none", *GEOMETRY])
def test_every_mistake_is_named_and_none_in_a_good_campaign(
    campaign: Campaign, found: FreeFluxes, mistake: str
) -> None:
    study, _, digest = campaign
    wrong, _ = MADE[mistake]((study, digest), np.random.default_rng(7))
    test = judged(wrong, found)
    assert {m.code for m in test.named} == {CODES[mistake]} - {""}
    assert not test.unexplained
    if mistake == "none":
        assert test.strength == pytest.approx(1, abs=4 * test.strength_sd)
        assert max(f.doubt for f in blind_findings(test)) == 0
    else:
        assert [f.doubt for f in blind_findings(test)] == [2]
    if mistake == "place":
        shift = np.array(study.coils[0].outline_m[0]) - np.array(wrong.coils[0].outline_m[0])
        assert test.moved_m == pytest.approx(shift, abs=2e-6)


def test_exchanged_states_and_reversed_currents_are_named(campaign: Campaign, found: FreeFluxes) -> None:
    """Exchanged labels turn the fluxes found over to each other; reversed lines are fitted anew."""
    study, truth, digest = campaign
    other = {"in": "out", "out": "in"}
    relabelled = replace(found, places=tuple((c, other.get(s, s)) for c, s in found.places))
    assert [m.code for m in judged(study, relabelled).named] == ["exchanged states"]
    wrong, _ = MADE["signs"]((study, digest), np.random.default_rng(7))
    test = blind_test(wrong, digest, truth.port_signs)
    assert test is not None
    assert "all signs" in {m.code for m in test.named}
    assert test.strength == pytest.approx(-1, abs=0.15)


def test_what_no_mistake_explains_is_said(campaign: Campaign, found: FreeFluxes) -> None:
    """Fluxes of no known source at all: every loop's shifted by hand by as much as the coil's, with signs of its own."""
    study, _, _ = campaign
    wild = np.zeros(found.pull.size)
    n = next(k for k, (_, s) in enumerate(found.places) if s == study.states[-1].name)
    size = len(found.loops)
    largest = np.max(np.abs(known_flux_phi0(study)))
    wild[n * size : (n + 1) * size] = largest * np.array([-1.2, 0.9, 1.4, -0.8])
    test = judged(study, replace(found, pull=found.pull + found.information @ wild))
    assert test.unexplained
    assert [f.code for f in blind_findings(test)] == ["known source unexplained"]


def test_offsets_of_a_law_are_shared_by_states_and_no_more(campaign: Campaign, found: FreeFluxes) -> None:
    """Covariance of two states' fluxes: the offsets' variance, and that of the source where it is in."""
    study, _, _ = campaign
    law = law_of(study, stated_world(study), found)
    covariance = law.columns @ law.columns.T
    places = [s for _, s in found.places]
    out, inside = (places.index(s) * len(found.loops) for s in ("out", "in"))
    sd = study.loops[found.loops[0]].sd["offset_phi0"]
    assert covariance[out, out] == pytest.approx(sd**2)
    assert covariance[out, inside] == pytest.approx(sd**2)
    assert covariance[inside, inside] > sd**2
    assert covariance[out, out + 1] == 0


def test_without_a_known_source_the_study_stands_alone(campaign: Campaign) -> None:
    study, truth, digest = campaign
    plain = Digest({k: v for k, v in digest.items() if k.state in ("out", "in")})
    assert known_states(study, plain) == ()
    assert blind_test(study, plain, truth.port_signs) is None
    assert "rest on the study alone" in known_source_entry(None)["said"][0]
    unpaired = Digest({k: v for k, v in digest.items() if k.pump_on or k.state in ("out", "in")})
    assert blind_test(study, unpaired, truth.port_signs) is None


@pytest.mark.slow
def test_orient_names_the_mistake_and_quotes_no_direction(
    campaign: Campaign, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    study, _, digest = campaign
    wrong, _ = MADE["signs"]((study, digest), np.random.default_rng(7))
    efforts: list[object] = []
    search = inference.find_modes
    monkeypatch.setattr(inference, "find_modes", lambda *a, **k: efforts.append(k.get("effort")) or search(*a, **k))
    answer = orient(wrong, digest, seed=1, wanted_ess=400)
    assert inference.WIDE_EFFORT not in efforts  # no search mends the study
    assert answer.verdict.trust == "unusable"
    assert "known source, mistake" in answer.document["verdict"]["codes"]
    assert "No direction is quoted" in answer.lines()[0]
    assert "all signs" in answer.document["known_source"]["named"]
    right = orient(study, digest, seed=1, wanted_ess=400)
    assert "come out as the study says" in right.lines()[1]
    assert sentences(right.verdict.reasons)
    assert "known source, mistake" not in right.document["verdict"]["codes"]
