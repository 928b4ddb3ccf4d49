"""What must be true of an inferred direction, on small simulated campaigns and on a posterior known in closed form."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conftest import Measured
from reference.fisher import vmf_cone_rad, vmf_mean_cosine
from result_keys import differences
from scipy.integrate import quad
from small_study import small_study, study_text

from fluxsense.base.errors import InputError
from fluxsense.base.findings import Finding
from fluxsense.base.sphere import angle_between_rad
from fluxsense.data.digest import Digest, load
from fluxsense.infer.orient import HOPELESS_ESS, Posterior, prepare, sample_posterior
from fluxsense.infer.verdict import judge
from fluxsense.infer.wiring import read_wiring, wiring_signs
from fluxsense.jobs.check import check
from fluxsense.jobs.orient import Orientation, orient
from fluxsense.jobs.result import as_study
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.jobs.start import example_text
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.problem import FluxProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.sentences import sentences
from fluxsense.study import Study, read_study
from fluxsense.study.types import DirectionPrior

FIELD_T = np.array([0.5e-6, 0.3e-6, 0.6e-6])
"""The source of most campaigns here: 0.84 uT, well off every axis."""


def campaign(study: Study, seed: int = 1, signs: tuple[int, ...] | None = None) -> tuple[Truth, Digest]:
    truth = draw_truth(study, seed, FIELD_T)
    if signs is not None:
        truth = replace(truth, port_signs=signs)
    return truth, simulate_digest(study, truth)


def infer(folder: Path, seed: int = 1, **changes: object) -> Orientation:
    study = small_study(folder, **changes)
    return orient(study, campaign(study, seed)[1], seed=1)


def unit(vector: object) -> np.ndarray:
    v = np.asarray(vector, dtype=float)
    return v / np.linalg.norm(v)


# ---------------------------------------------------------------- the closed form

GAIN, SD, DATA = 2.0, 0.7, np.array([1.5, -0.4, 1.1])
"""Three orthogonal equal loops: y = g m + N(0, s^2 I), m a unit vector, uniform prior.

The posterior is von Mises-Fisher about y with kappa = g |y|/s^2, and the Bayes factor against no source is
exp(-g^2/2s^2) sinh(kappa)/kappa: completing the square leaves exp(kappa m.y/|y|), whose integral over the sphere is
4 pi sinh(kappa)/kappa (Mardia & Jupp, Directional Statistics, section 9.3, from memory; derived here).
"""
KAPPA = GAIN * float(np.linalg.norm(DATA)) / SD**2


@pytest.fixture(scope="module")
def fisher(tmp_path_factory: pytest.TempPathFactory) -> Posterior:
    path = tmp_path_factory.mktemp("fisher") / "study.toml"
    path.write_text(study_text(offset_sd_mphi0=0.0).replace('size = "1.0 uT"', 'size = "1 uT"\nsize_prior = "fixed"'))
    unknowns = Unknowns(read_study(path), ("c1",))
    assert unknowns.size == 3
    problem = FluxProblem(unknowns, GAIN * 1e6 * np.eye(3), DATA, SD)
    return sample_posterior(problem, seed=5, wanted_ess=4000, ensembles=4)


def test_the_closed_form_in_numbers():
    """The numbers used below, and both integrals again by quadrature over the cosine to the axis."""
    kappa = KAPPA
    assert kappa == pytest.approx(7.765835751, abs=1e-9)
    assert np.degrees(vmf_cone_rad(KAPPA, 0.95)) == pytest.approx(52.103095, abs=1e-6)
    mean = vmf_mean_cosine(KAPPA) * unit(DATA)
    np.testing.assert_allclose(mean, [0.68686344, -0.18316358, 0.50369986], rtol=0, atol=1e-8)
    factor = np.exp(-(GAIN**2) / (2 * SD**2)) * np.sinh(KAPPA) / KAPPA
    assert factor == pytest.approx(2.563367071, abs=1e-9)

    def ratio(cosine: float) -> float:
        along = GAIN * cosine * float(np.linalg.norm(DATA))
        return float(np.exp((along - GAIN**2 / 2) / SD**2) / 2)

    whole = quad(ratio, -1, 1, epsabs=1e-12)[0]
    assert whole == pytest.approx(2.563367071, abs=1e-9)
    assert quad(ratio, np.cos(np.radians(52.103095)), 1, epsabs=1e-12)[0] / whole == pytest.approx(0.95, abs=1e-8)


def test_fisher_posterior_mean(fisher):
    """Mean vector within 4.5 standard errors, these from the effective sample sizes of the diagnosis."""
    ess = min(min(q.ess_bulk, q.ess_tail) for q in fisher.diagnosis.quantities[:3])
    assert ess > 1000
    error = fisher.directions.std(axis=0) / np.sqrt(ess)
    expected = [0.68686344, -0.18316358, 0.50369986]
    assert np.all(np.abs(fisher.directions.mean(axis=0) - expected) < 4.5 * error)
    assert np.all(error < 0.02)  # tight enough to mean something
    # negative control: the prior's mean, or a posterior at half the concentration, would fail
    halved = float(vmf_mean_cosine(KAPPA / 2)) * unit(DATA)
    assert np.any(np.abs(fisher.directions.mean(axis=0) - halved) > 4.5 * error)


def test_fisher_posterior_concentration(fisher):
    """Mean cosine to the axis against coth kappa - 1/kappa, and the probability within the 95% cone."""
    cosine = fisher.directions @ unit(DATA)
    ess = min(min(q.ess_bulk, q.ess_tail) for q in fisher.diagnosis.quantities[:3])
    assert abs(cosine.mean() - float(vmf_mean_cosine(KAPPA))) < 4.5 * cosine.std() / np.sqrt(ess)
    inside = np.mean(cosine > np.cos(float(vmf_cone_rad(KAPPA, 0.95))))
    assert abs(inside - 0.95) < 4.5 * np.sqrt(0.95 * 0.05 / ess)


def test_fisher_regions(fisher):
    """Cone about the mean and solid angle of each region against the closed form of the cap."""
    for region in fisher.regions:
        cone = float(vmf_cone_rad(KAPPA, region.level))
        # the quantile's standard error sqrt(p(1-p)/n)/density, the density by a difference of the closed form
        slope = (
            float(vmf_cone_rad(KAPPA, region.level + 0.005)) - float(vmf_cone_rad(KAPPA, region.level - 0.005))
        ) / 0.01
        error = slope * np.sqrt(region.level * (1 - region.level) / 1500)
        assert abs(np.radians(region.cone_deg) - cone) < 4.5 * error + np.radians(0.5)
        solid = 2 * np.pi * (1 - np.cos(cone))
        assert region.solid_angle_sr == pytest.approx(solid, rel=0.06)


def test_fisher_evidence(fisher):
    """Bayes factor against no source, from the sampler's evidence."""
    null = -0.5 * float(DATA @ DATA) / SD**2
    factor = fisher.log_evidence - null
    assert fisher.log_evidence_sd < 0.02
    assert abs(factor - np.log(2.563367071)) < 4.5 * fisher.log_evidence_sd + 1e-4


def test_fisher_verdict(fisher):
    assert judge(fisher, None, fisher.evidence_ess).trust == "reliable"
    assert len([m for m in fisher.groups.modes if m.weight > 0.02]) == 1


# ---------------------------------------------------------------- what the data cannot tell


def test_zero_bias_leaves_the_axis(tmp_path):
    """No bias on any loop: the fluxes' signs enter through products only, so v and -v are equally probable."""
    result = infer(tmp_path, seed=2, fluxes=((0, 0, 0, 0),), ports=(1,), wiring="+90 deg")
    document = result.document
    truth = unit(FIELD_T)
    heavy = [m for m in document["modes"] if m["weight"] > 0.1]
    assert len(heavy) == 2
    one, other = (np.array(m["vector"]) for m in heavy)
    assert one @ other < -0.97
    assert abs(one @ truth) > 0.9
    # equal weights within their stated Monte Carlo error
    for m in heavy:
        assert abs(m["weight"] - 0.5) < 4.5 * m["weight_sd"] + 0.01
        assert m["weight_sd"] < 0.06
    assert 0.6 < document["antipodal_odds"] < 1.6
    words = " ".join(document["findings"])
    assert "Every loop is at zero bias" in words
    assert "a source and its reverse give the same data and only the axis is determined" in words
    assert "A setting that biases at least one loop to about half a flux quantum" in words
    assert "would decide between the two ends" in words
    assert "the axis is determined, the sense along it is not" in words
    assert "points in one of 2 directions" in str(result)
    region = result.region_contains(truth)
    assert region[0.95]
    assert result.region_contains(-truth)[0.95]


def test_coplanar_loops_in_a_uniform_field(tmp_path):
    """Rank one: only the field's z component is measured; the region is wide and holds every direction that fits it."""
    study = small_study(tmp_path, chips=("chip_z",) * 4)
    said = " ".join(check(study).document["warnings"])
    words = "only that component is determined, the other two are left to the prior"
    assert check(study).document["rank"] == 1
    assert words in said
    result = orient(study, campaign(study)[1], seed=1)
    document = result.document
    assert words in " ".join(document["findings"])
    wide = next(r for r in document["region"] if r["level"] == 0.9)
    assert wide["solid_angle_sr"] > 2.0
    assert 40 < wide["cone_deg"] < 90
    truth = unit(FIELD_T)
    assert result.region_contains(truth)[0.95]
    # turned about z by half a turn the field would give the same data
    assert result.region_contains([-truth[0], -truth[1], truth[2]])[0.95]
    assert not result.region_contains(-truth)[0.95]
    # the one component that is measured is measured well: posterior of v_z from size and direction
    draws = result.posterior.sizes * result.posterior.directions[:, 2]
    assert abs(draws.mean() - FIELD_T[2]) < 5 * draws.std() + 1e-9
    assert draws.std() < 0.01 * FIELD_T[2]


def test_without_source_out_sweeps(tmp_path, measured: Measured):
    """The offsets, known to 10 mPhi0 of about 100, then limit the answer; words and numbers say so."""
    result = infer(tmp_path, states=("in",))
    limits = result.document["limits"]
    assert limits["angular_error_deg"] > 5 * limits["with_reference_sweeps_deg"]
    assert limits["if_known"]["offset"] < 0.3 * limits["angular_error_deg"]
    (words,) = [x for x in result.document["findings"] if x.startswith("There is no reference state")]
    assert "known only to 10 mPhi0, cannot be told from the source's flux (about 112 mPhi0" in words
    assert (
        f"They dominate the error: {limits['angular_error_deg']:.2g} degrees as it is, "
        f"{limits['with_reference_sweeps_deg']:.2g} degrees with as many sweeps again taken with the source out."
        in words
    )
    assert result.region_contains(unit(FIELD_T))[0.95]
    # what is promised of reference sweeps is what they gave: same chip and plan, other truth
    with_them = json.loads(measured.outcome.out)
    assert not any("reference state" in x for x in with_them["findings"])
    spread = result.document["modes"][0]["angular_sd_deg"], with_them["modes"][0]["angular_sd_deg"]
    assert spread[0] > 5 * spread[1]


# ---------------------------------------------------------------- whether to believe it


def test_another_chips_traces_are_not_reported_as_reliable(tmp_path):
    """A chip that differs in nothing but its idlers' linewidth, 85 MHz instead of 60."""
    study = small_study(tmp_path)
    other = tmp_path / "other.toml"
    text = study_text()
    assert text.count('idler_linewidth = "60 MHz"') == 4
    other.write_text(text.replace('idler_linewidth = "60 MHz"', 'idler_linewidth = "85 MHz"'))
    result = orient(study, campaign(read_study(other))[1], seed=1)
    assert result.document["verdict"]["trust"] != "reliable"
    words = " ".join(result.document["verdict"]["reasons"])
    assert "The data do not look like draws of the model" in words
    assert "Check that the traces belong to this chip" in words
    assert "This result is reliable" not in result.lines()[0]
    assert result.document["predictive_check"]["p_value"] < 1e-3


class Sampled(Exception):
    """Carries how many effective draws were asked for."""


def sampled_for(study: Study, digest: Digest, monkeypatch: pytest.MonkeyPatch) -> float | None:
    """Effective draws that `orient` asks of the sampler, which then does not run."""

    def stop(*_: object, wanted_ess: float | None, hopeless: Callable[[], bool], **__: object) -> None:
        raise Sampled(HOPELESS_ESS if hopeless() else wanted_ess)

    monkeypatch.setattr("fluxsense.jobs.orient.sample_as_stated", stop)
    with pytest.raises(Sampled) as told:
        orient(study, digest, seed=1)
    return told.value.args[0]


@pytest.mark.slow
def test_candidates_without_the_truth_are_not_sampled_on(measured: Measured, monkeypatch: pytest.MonkeyPatch):
    """The field of the campaign points at elevation 68 degrees; candidates along the axes are over 20 degrees off."""
    study = read_study(measured.folder / "study.toml")
    digest = load(measured.folder / "results" / "digest.npz")
    axes = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    wrong = replace(study, source=replace(study.source, direction=DirectionPrior("list", candidates=axes)))
    assert sampled_for(wrong, digest, monkeypatch) == HOPELESS_ESS
    found = tuple(json.loads(measured.outcome.out)["direction"]["vector"])
    right = replace(study, source=replace(study.source, direction=DirectionPrior("list", candidates=(*axes, found))))
    assert sampled_for(right, digest, monkeypatch) is None  # as the study says
    (words,) = sentences([Finding("no candidate fits", 2, listed=3)])
    assert words.startswith("None of the 3 candidate directions describes the data")


def test_a_notch_in_the_pump_off_sweeps_is_no_misfit(tmp_path):
    """A strong field detunes the two stages so far that the pump-off transmission all but vanishes at some frequencies.

    What is divided by it there must not count for more than it is worth: at the true parameters twice the log-likelihood
    is chi-square distributed with as many degrees of freedom as there are numbers.
    """
    study = small_study(tmp_path)
    deepest, total, degrees = 1.0, 0.0, 0
    for seed in range(4):
        truth = draw_truth(study, seed, [-0.73e-6, 0.06e-6, 1.38e-6])
        digest = simulate_digest(study, truth)
        off = [np.abs(g.mean[1:3]).min() / np.median(np.abs(g.mean[1:3])) for k, g in digest.items() if not k.pump_on]
        deepest = min(deepest, *off)
        likelihood = RatioLikelihood(study, digest, truth.port_signs, reference=truth.parameters)
        total -= 2 * float(likelihood.log_likelihood(truth.parameters)[0])
        degrees += likelihood.values
    assert deepest < 0.05  # there is a notch
    assert (
        abs(total - degrees) < 5 * np.sqrt(2 * degrees) + 0.05 * degrees
    )  # noise levels are measured to some per cent


def test_same_seed_same_document(measured: Measured):
    """The saved digest and the study give the command's document again, to the last digit."""
    study = read_study(measured.folder / "study.toml")
    digest = load(measured.folder / "results" / "digest.npz")
    again = orient(study, digest, seed=11).document
    assert json.loads(json.dumps(again)) == json.loads(measured.outcome.out)


# ---------------------------------------------------------------- wiring


@pytest.mark.parametrize("signs", [(1, 1), (1, -1), (-1, 1), (-1, -1)])
def test_wiring_is_read_from_reference_sweeps(tmp_path, signs):
    study = small_study(tmp_path, points=15)
    wiring = read_wiring(study, campaign(study, signs=signs)[1], [0, 1])
    assert wiring.signs == signs
    assert wiring.stated == (False, False)
    assert all(odds > 100 for odds in wiring.log_odds)


def test_wiring_with_pump_off_sweeps_of_one_state_only(tmp_path):
    """Pump-off sweeps taken with the source in must serve the source-out sweeps too, and the other way round."""
    study = small_study(tmp_path, points=15)
    _, digest = campaign(study, signs=(1, -1))
    for kept in ("in", "out"):
        fewer = Digest({k: v for k, v in digest.items() if k.pump_on or k.state == kept})
        assert read_wiring(study, fewer, [0, 1]).signs == (1, -1)
    only = Digest({k: v for k, v in digest.items() if k.state == ("in" if k.pump_on else "out")})
    assert read_wiring(study, only, [0, 1]).signs == (1, -1)
    assert wiring_signs(study, only, [1]) == (1, -1)


def test_exchanged_pump_ports_show(tmp_path, monkeypatch):
    """A stated wiring that the sweeps contradict keeps the statement, with odds far below one; signs alone need no odds."""
    study = small_study(tmp_path, wiring="+90 deg", points=15)
    digest = campaign(study, signs=(1, -1))[1]
    wiring = read_wiring(study, digest, [0, 1])
    assert wiring.signs == (1, 1)
    assert wiring.log_odds[0] > 100
    assert wiring.log_odds[1] < -100
    monkeypatch.setattr("fluxsense.infer.wiring._sign_odds", lambda *_: pytest.fail("examined"))
    assert wiring_signs(study, digest, [0, 1]) == (1, 1)


def test_wiring_cannot_be_read_at_zero_bias(tmp_path):
    study = small_study(tmp_path, fluxes=((0, 0, 0, 0),), ports=(1,), points=15)
    with pytest.raises(InputError) as caught:
        read_wiring(study, campaign(study)[1], [0, 1])
    with pytest.raises(InputError, match="do not tell which way"):
        wiring_signs(study, campaign(study)[1], [0, 1])
    text = str(caught.value)
    assert text.startswith("study.toml, isolator[a].pump_port_1_phase: the sweeps do not tell which way isolator")
    assert text.endswith(
        'State "+90 deg" or "-90 deg" in the study, or record source-out sweeps with both loops biased to about half a flux '
        "quantum, and each to minus that where offset_sd is not much smaller."
    )


def test_candidate_directions_have_the_weights_of_their_integrals(tmp_path):
    """Each candidate's probability against an integral over the size alone (401 points), with everything else known."""
    study = small_study(
        tmp_path,
        source='direction_prior = "list"\ndirection_candidates = [[0, 0, 1], [0.1, 0, 1], [1, 0, 0], [0, -1, 0]]',
        size_ut=0.003,
        offset_sd_mphi0=0.0,
        points=11,
    )
    digest = simulate_digest(study, draw_truth(study, 3))
    result = orient(study, digest, seed=1, wanted_ess=1000)
    assert result.document["verdict"]["trust"] == "reliable", result.document["verdict"]
    problem = result.posterior.problem
    prior = problem.unknowns.source_prior
    r = np.linspace(1e-3, 4, 401)
    inside = []
    for candidate in prior.candidates:
        w = np.concatenate([prior.embed(candidate[None], x) for x in r])
        inside.append(problem.log_likelihood(w) + 2 * np.log(r) - 1.5 * r**2)
    inside = np.exp(np.array(inside) - np.max(inside)).sum(axis=1)
    expected = inside / inside.sum()
    found = np.zeros(4)
    for mode in result.document["modes"]:
        found[int(np.argmax(prior.candidates @ np.array(mode["vector"])))] = mode["weight"]
    effective = result.document["sampling"]["effective_samples"]
    assert np.all(np.abs(found - expected) < 5 * np.sqrt(expected * (1 - expected) / min(effective, 1000)) + 1e-3)
    level = result.document["region"][-1]
    assert 1 <= len(level["candidates"]) <= 4
    assert differences(result.document) == []
    assert level["solid_angle_sr"] == 0
    assert "Of the candidate directions, the source has:" in str(result)


def test_draws_against_the_edge_of_the_prior_are_said(tmp_path):
    """Fluxes of a field 30 degrees away from a cap of 20 degrees: the draws pile up at its edge, and the verdict says so."""
    study = small_study(
        tmp_path,
        source='direction_prior = "cap"\ndirection_axis = [0, 0, 1]\ndirection_half_angle = "20 deg"',
        offset_sd_mphi0=0.0,
    )
    rows = 1e5 * np.eye(3)
    for tilt, said in ((30.0, True), (0.0, False)):
        v = 1e-6 * np.array([np.sin(np.radians(tilt)), 0.0, np.cos(np.radians(tilt))])
        problem = FluxProblem(Unknowns(study, ("c1",)), rows, rows @ v, 0.004)
        verdict = judge(sample_posterior(problem, 1, ensembles=2, wanted_ess=400), None, 1e4)
        reasons = sentences(verdict.reasons)
        assert any("lie against the bound of the prior of direction" in x for x in reasons) == said
        assert (verdict.trust == "reliable") == (not said)


@pytest.mark.slow
def test_a_source_of_a_few_thousandths_of_a_flux_quantum_is_found(tmp_path: Path) -> None:
    """A weak source in a set-up that is not stated: settled with loose noise alone, this campaign ends 44 degrees away."""
    (tmp_path / "study.toml").write_text(example_text("grain_100nm"))
    study = as_study(tmp_path / "study.toml")
    truth = draw_truth(study, 15, 2.5e-16 * np.array([-0.606, -0.783, 0.141]))
    digest = simulate_digest(study, truth)
    _, modes, _ = prepare(study, digest, rng=np.random.default_rng(0))
    assert angle_between_rad(modes[0].x[:3], truth.parameters["source"][0]) < np.radians(12)
