"""Direction-only inference: probabilities against brute force and against the S-parameters, counts from logs and traces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from result_keys import differences
from scipy.stats import betabinom, binom, chi2
from slopes import check_slopes
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.data.campaign import campaign_rows, load_votes
from fluxsense.data.counts import Votes, votes_from_rows
from fluxsense.device.chip import ChipModel, nominal_parameters, off_probe
from fluxsense.infer.counts import (
    VoteModel,
    VoteProblem,
    _deviance,
    _shapes,
    drawn_readings,
    independent_sweeps,
    likeness,
    read_vote_wiring,
)
from fluxsense.infer.reading_law import ReadingLaw, mean_of_nodes
from fluxsense.infer.reading_noise import decision
from fluxsense.jobs.orient_counts import orient_votes
from fluxsense.jobs.simulate import draw_truth, simulate_directions, write_campaign
from fluxsense.model.likelihood import probe_of
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import read_study

STEPS = (-0.1, 0.0, 0.1)
DIRECTION = '\n[data]\nkind = "direction"\nwrong_way = 0.03\nwrong_way_factor = 1.5\n'


def make(folder, **changes):
    options = {
        "fluxes": [(0.5, a, 0.5, a) for a in STEPS] + [(a, 0.5, a, 0.5) for a in STEPS],
        "ports": (1,) * 6,
        "repeats": 20,
        "flux_noise_mphi0": 40.0,
        "extra": DIRECTION,
    } | changes
    return small_study(folder, **options)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return make(tmp_path_factory.mktemp("votes"))


def test_probability_agrees_with_the_larger_of_the_two_transmissions(study):
    """At flux well away from a flip the model says what the S-parameters say, for both ports and all signs."""
    truth = draw_truth(study, 1)
    rows = simulate_directions(study, truth)
    votes, _ = votes_from_rows(rows, ".")
    rng = np.random.default_rng(0)
    keys = list(votes)
    keys += [replace(k, pump_port=2) for k in keys]
    biased = [replace(k, bias_a=tuple(rng.choice([-1, 1], 4) * 0.5 / 600)) for k in keys]
    quiet = truth.parameters.changed(source=np.zeros((1, 3)))
    for signs in ((1, 1), (-1, 1)):
        p = VoteModel(study, tuple(biased), ("c1",), signs).forward(quiet, 0.0)[0]
        for n, key in enumerate(biased):
            probe = probe_of(study, key, ("c1",))
            f = np.linspace(4.98e9, 5.03e9, 21)
            s = np.abs(ChipModel(study, [probe], [f, f], signs).scattering(quiet, probe.isolator))[0, 0]
            assert (p[n] > 0.99) == (s[0].mean() > s[1].mean())
            assert p[n] > 0.99 or p[n] < 0.01


def without_analyser(study, **noise):
    """The study with an analyser, lines and gains that add nothing."""
    still = {"white": 0.0, "gain_drift": 0.0, "phase_drift_rad": 0.0, "residual_gain": 0.0}
    return replace(study, noise=replace(study.noise, **(still | noise)))


def test_slopes(study):
    truth = draw_truth(study, 2)
    votes, _ = votes_from_rows(simulate_directions(study, truth), ".")
    problem = VoteProblem(Unknowns(study, ("c1",)), votes, truth.port_signs)
    x = problem.unknowns.draw(np.random.default_rng(3), 1)[0]
    check_slopes(problem, x)


def test_sweeps_solved_one_by_one_keep_the_law(study):
    """Each sweep is simulated with flux noise of its own and read by its powers; the likelihood's law takes no part.

    The chi-square of all groups against that law, by a count of sweeps that resolves a hundredth; a law with twice the flux
    noise, and one that never misreads, fail.  The analyser is nearly quiet here.
    """
    study = without_analyser(study, white=1e-4)
    many = replace(study, plan=replace(study.plan, repeats=300, off_repeats=4))
    truth = draw_truth(study, 3)
    votes, _ = votes_from_rows(simulate_directions(many, truth), ".")
    assert sum(v.count for v in votes.values()) == 6 * 2 * 2 * 300

    def misfit(law, wrong_way):
        p = VoteModel(law, tuple(votes), ("c1",), truth.port_signs).forward(truth.parameters, wrong_way)[0]
        forward, count = np.array([(v.forward, v.count) for v in votes.values()]).T
        return float(np.sum((forward - count * p) ** 2 / (count * p * (1 - p))))

    assert misfit(study, truth.wrong_way) < chi2.isf(1e-4, 24)
    louder = replace(study, noise=replace(study.noise, flux_phi0=2 * study.noise.flux_phi0))
    assert misfit(louder, truth.wrong_way) > 2 * chi2.isf(1e-4, 24)
    assert misfit(study, 1e-3) > 2 * chi2.isf(1e-4, 24)


@pytest.mark.parametrize("campaigns", [3, pytest.param(4, marks=pytest.mark.slow)])
@pytest.mark.parametrize(("white", "off_repeats"), [(0.01, 4), (0.01, 100), (1e-4, 4)])
def test_noise_of_the_analyser_is_in_the_law(study, white, off_repeats, campaigns):
    """Noisy sweeps near a flip, divided by a few noisy pump-off sweeps or by many, and by gains that drift: campaigns of 300
    sweeps a group keep mean and scatter of the law.  The law of the currents alone fails, and so does a binomial one."""
    many = replace(study, plan=replace(study.plan, repeats=300, off_repeats=off_repeats))
    many = replace(many, noise=replace(many.noise, white=white))
    still = without_analyser(many)
    total = {"law": 0.0, "binomial": 0.0, "currents": 0.0}
    groups = 0
    for seed in range(100, 100 + campaigns):
        truth = draw_truth(study, seed)
        votes, _ = votes_from_rows(simulate_directions(many, truth), ".")
        forward, count = np.array([(v.forward, v.count) for v in votes.values()], dtype=float).T
        models = [VoteModel(one, tuple(votes), ("c1",), truth.port_signs) for one in (many, still)]
        nodes, currents = (m.nodes(truth.parameters, truth.wrong_way) for m in models)
        for name, law, n in (
            ("law", nodes, independent_sweeps(nodes, count)[0]),
            ("binomial", nodes, count),
            ("currents", currents, count),
        ):
            p = mean_of_nodes(law)[0]
            total[name] += float(np.sum((forward / count - p) ** 2 * n / (p * (1 - p))))
        groups += count.size
    assert total["law"] < groups + 4 * np.sqrt(2 * groups)  # chi-square: four standard deviations
    assert total["law"] > groups - 4 * np.sqrt(2 * groups)
    assert total["binomial"] > 1.5 * groups
    assert total["currents"] > 5 * groups


def test_what_decides_a_reading_scatters_as_it_is_said_to(study):
    """The difference of powers itself, drawn with noise 4000 times: its mean, its own scatter over given pump-off powers, and that
    of their means, at fluxes near a flip, at the working point and far from it."""
    noise = replace(study.noise, white=0.03, gain_drift=0.01, residual_gain=0.0)
    loud = replace(study, noise=noise, plan=replace(study.plan, off_repeats=6))
    key = next(iter(votes_from_rows(simulate_directions(study, draw_truth(study, 1)), ".")[0]))
    probe = probe_of(loud, key, ("c1",))
    flux = np.array([[0.5, 0.01], [0.5, 0.3], [0.05, 0.02], [0.7, -0.4]])
    mean, own, shared = decision(loud, 0, probe, 1, flux)
    f = np.linspace(loud.sweep.start_hz, loud.sweep.stop_hz, loud.sweep.points)
    many = nominal_parameters(loud).repeated(len(flux))
    on, off = (
        ChipModel(loud, [p], [f, f], [1, 1]).scattering(many, 0, flux=flux[:, None])[:, 0]
        for p in (probe, off_probe(probe))
    )
    rng, count = np.random.default_rng(8), 4000

    def seen(s, sweeps):
        """Means of so many noisy sweeps of given scattering parameters, (count, ...)."""
        shape = (count, *s.shape)
        white = noise.white * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape)) / np.sqrt(sweeps)
        drift = 1 + noise.gain_drift * rng.standard_normal((count, *s.shape[:-1], 1)) / np.sqrt(sweeps)
        return s * drift + white

    def difference(power, divisor):
        passed = np.sqrt(divisor[..., 0, :] * divisor[..., 1, :])
        weight = np.minimum(passed / np.median(passed, axis=-1, keepdims=True), 1.0)[..., None, :]
        share = np.sum(power / divisor * weight, axis=-1)
        return share[..., 0] - share[..., 1]

    divisor = np.abs(off) ** 2 + 2 * noise.white**2 / 6
    single = difference(np.abs(seen(on, 1)) ** 2, divisor)
    common = difference(np.abs(on) ** 2, np.abs(seen(off, 6)) ** 2)
    np.testing.assert_allclose(
        single.mean(axis=0), mean, atol=4 * own.max() / np.sqrt(count) + 0.02 * np.abs(mean).max()
    )
    np.testing.assert_allclose(single.std(axis=0), own, rtol=0.06)
    np.testing.assert_allclose(common.std(axis=0), shared, rtol=0.12)  # to first order in the noise of a mean


@pytest.mark.parametrize("ring", ["shunted", "bare"])
def test_both_fluxes_reversed_read_alike(study, ring):
    """The forward model, on which the law's table rests to save half of its work: with imbalances of hybrid and pump."""
    stages = study.isolators[0].stages
    if ring == "bare":
        stages = tuple(replace(s, ring="bare", shunt_ratio=0.0) for s in stages)
    iso = replace(study.isolators[0], stages=stages, hybrid_imbalance_db=0.5)
    other = replace(study, isolators=(iso, study.isolators[1]))
    key = next(iter(votes_from_rows(simulate_directions(study, draw_truth(study, 1)), ".")[0]))
    flux = np.random.default_rng(4).uniform(-0.4, 0.4, (20, 2))
    probe = probe_of(other, key, ("c1",))
    for one, reversed_ in zip(decision(other, 0, probe, 1, flux), decision(other, 0, probe, 1, -flux), strict=True):
        np.testing.assert_allclose(one, reversed_, rtol=1e-9, atol=1e-12)


def test_what_noise_adds_is_nothing_where_currents_decide(study):
    """Half a flux quantum is far from any flip: a quiet analyser then adds nothing to what both currents say, whichever their signs."""
    key = next(iter(votes_from_rows(simulate_directions(study, draw_truth(study, 1)), ".")[0]))
    quiet = without_analyser(study, white=1e-4)
    (noise,) = ReadingLaw(quiet, 0, (probe_of(quiet, key, ("c1",)),), 1)._noise
    far = 0.5 * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
    np.testing.assert_allclose(noise(far), 0.0, atol=1e-3)


def test_a_ring_held_in_a_branch_reads_as_the_same_flux_beyond_it(study):
    """Branches 0 and 1, a flux quantum apart; well away from flips the currents alone decide."""
    key = next(iter(votes_from_rows(simulate_directions(study, draw_truth(study, 1)), ".")[0]))
    flux = np.array([[[0.25, 0.2]], [[0.25, -0.2]], [[0.01, 0.25]]])
    found = []
    for branch in (0, 1):
        held = tuple(replace(s, ring="bare", shunt_ratio=0.0, branch=branch) for s in study.isolators[0].stages)
        one = replace(study, isolators=(replace(study.isolators[0], stages=held), study.isolators[1]))
        law = ReadingLaw(without_analyser(one, white=1e-3), 0, (probe_of(one, key, ("c1",)),), 1)
        found.append(law.forward(flux - branch)[:, 0])
    assert found[0] == pytest.approx(found[1], abs=1e-9)
    assert found[0][:2] == pytest.approx([1.0, 0.0], abs=1e-3)
    assert 0.55 < found[0][2] < 0.65


def test_the_beta_binomial_law_has_the_moments_and_adds_up_to_one():
    """Against the general-purpose library's, and against its own draws."""
    p = np.array([0.2, 0.35, 0.5, 0.6, 0.7])[:, None, None] * np.array([1.0, 0.9])
    count = np.array([30.0, 12.0])
    mean, r = mean_of_nodes(p)[0], likeness(p)[0]
    drawn = drawn_readings(np.repeat(p, 40_000, axis=1), count, np.random.default_rng(2))
    a, b = mean * (1 / r - 1), (1 - mean) * (1 / r - 1)
    np.testing.assert_allclose(_shapes(p, count), [a[None], b[None]], rtol=1e-12)
    for n in (0, 1):
        law = betabinom(int(count[n]), a[n], b[n])
        assert law.mean() == pytest.approx(count[n] * mean[n])
        assert law.var() == pytest.approx(count[n] ** 2 * mean[n] * (1 - mean[n]) / independent_sweeps(p, count)[0, n])
        assert drawn[:, n].mean() == pytest.approx(law.mean(), abs=4 * law.std() / 200)
        assert drawn[:, n].var() == pytest.approx(law.var(), rel=0.04)
    nothing_shared = np.full((5, 1, 2), 0.3)
    assert likeness(nothing_shared) == pytest.approx(0.0, abs=1e-12)
    assert independent_sweeps(nothing_shared, count)[0] == pytest.approx(count)


def test_deviance_and_tails_are_those_of_the_binomial_law(study):
    """Against the general-purpose library's law: twice the log odds of the observed share against p, and both tails."""
    forward, count, p = np.array([0.0, 3.0, 20.0]), np.array([10.0, 10.0, 20.0]), np.array([0.4, 0.5, 0.9])
    expected = 2 * (binom.logpmf(forward, count, forward / count) - binom.logpmf(forward, count, p))
    np.testing.assert_allclose(_deviance(forward, count, p), expected, rtol=1e-9)
    quiet = without_analyser(study, white=1e-4)
    truth = draw_truth(quiet, 4)
    votes, _ = votes_from_rows(simulate_directions(quiet, truth), ".")
    problem = VoteProblem(Unknowns(quiet, ("c1",)), votes, truth.port_signs)
    x = problem.unknowns.whitened(truth.parameters)
    p = mean_of_nodes(problem.nodes(x))[0]
    seen, of = np.array([(v.forward, v.count) for v in votes.values()]).T
    tails = np.minimum(1, 2 * np.minimum(binom.cdf(seen, of, p), 1 - binom.cdf(seen - 1, of, p)))
    np.testing.assert_allclose(problem.tail_probabilities(x)[0], tails, atol=1e-3)
    assert tails.min() < 0.5


def test_the_direction_is_found_and_the_wiring_read(study):
    truth = draw_truth(study, 7)
    votes, mark = votes_from_rows(simulate_directions(study, truth), ".")
    result = orient_votes(study, votes, data_hash=mark, seed=3)
    assert result.document["verdict"]["trust"] == "reliable", result.document["verdict"]
    assert result.region_contains(truth.parameters["source"][0])[0.95]
    signs = [1 if w["pump_port_1_phase"] == "+90 deg" else -1 for w in result.document["wiring"]]
    assert tuple(signs) == truth.port_signs
    assert result.document["data"] == {
        "kind": "direction", "sweeps": 480, "groups": 24, "states": ["in", "out"], "cooldowns": ["c1"],
    }  # fmt: skip
    assert result.document == orient_votes(study, votes, data_hash=mark, seed=3).document
    assert differences(result.document, traces=False) == []


def test_wrong_wiring_is_noticed(study):
    truth = draw_truth(study, 5)
    votes, _ = votes_from_rows(simulate_directions(study, truth), ".")
    stated = replace(
        study,
        isolators=tuple(
            replace(i, pump_port_1_sign=-s) for i, s in zip(study.isolators, truth.port_signs, strict=True)
        ),
    )
    result = orient_votes(stated, votes, seed=2)
    assert result.document["verdict"]["trust"] == "unusable"
    assert "Check the wiring, the bias currents and the stated rate" in result.document["verdict"]["reasons"][0]


def test_no_reference_no_wiring(study):
    truth = draw_truth(study, 5)
    votes, _ = votes_from_rows(simulate_directions(study, truth), ".")
    only_in = {k: v for k, v in votes.items() if k.state == "in"}
    with pytest.raises(InputError) as caught:
        read_vote_wiring(study, only_in, ("c1",), 0)
    assert str(caught.value) == (
        'study.toml, isolator[a].pump_port_1_phase: nothing tells which way isolator "a" transmits for pump port 1: no sweep '
        'of it was taken with the source out. State "+90 deg" or "-90 deg", or record source-out sweeps.'
    )


def test_log_and_traces_give_directions(study, tmp_path):
    """The log's own column round trips; complex traces of a campaign without flux noise give the model's directions."""
    folder = tmp_path / "log"
    truth = draw_truth(study, 5)
    study_here = make(tmp_path)
    write_campaign(study_here, truth, tmp_path)
    votes, mark = load_votes(study_here)
    assert (votes, mark) == votes_from_rows(simulate_directions(study, truth), ".")
    assert all(r.file == "" and r.transmits in ("21", "12") for r in campaign_rows(study_here))
    folder.mkdir()
    traced = make(folder, extra="", flux_noise_mphi0=0.0, repeats=2)
    # loops near zero flux hardly convert: with noise such a sweep may read either way
    still = replace(traced.noise, white=1e-5, gain_drift=0.0, phase_drift_rad=0.0, residual_gain=0.0)
    write_campaign(replace(traced, noise=still), truth, folder)
    text = traced.path.read_text(encoding="utf-8").replace('flux = "0.0 mPhi0"', 'flux = "5 mPhi0"') + DIRECTION
    traced.path.write_text(text, encoding="utf-8")
    traced = read_study(traced.path)
    votes, _ = load_votes(traced)
    p = VoteModel(traced, tuple(votes), ("c1",), truth.port_signs).forward(truth.parameters, 0.0)[0]
    for n, v in enumerate(votes.values()):
        assert v.count == 2
        if not 0.05 < p[n] < 0.95:
            assert v.forward == (2 if p[n] > 0.5 else 0)


def test_a_row_without_trace_needs_direction_data(study, tmp_path):
    here = make(tmp_path)
    write_campaign(here, draw_truth(here, 5), tmp_path)
    text = here.path.read_text(encoding="utf-8").replace(DIRECTION, "")
    here.path.write_text(text, encoding="utf-8")
    with pytest.raises(
        InputError, match=r"log.csv:2: this sweep has no trace, only a direction, but .* data are complex"
    ):
        campaign_rows(read_study(here.path))


def test_directions_need_flux_noise(tmp_path):
    with pytest.raises(InputError, match="directions alone are as sharp as the flux noise of a sweep"):
        make(tmp_path, flux_noise_mphi0=0.0)


def test_slow_flux_noise_is_not_for_directions(tmp_path):
    """It was ignored in silence: the sweeps of a group would count as independent though they move together."""
    with pytest.raises(InputError) as caught:
        make(tmp_path, slow_mphi0=1.0)
    assert str(caught.value) == (
        "study.toml, data.kind: sweeps that only say a direction are taken as independent, which slow flux noise "
        "(noise.flux_slow) is not. Leave noise.flux_slow out and take it into offset_sd of the loops, or record the complex "
        "traces."
    )


def test_groups_that_all_go_one_way_are_said_to(study):
    truth = draw_truth(study, 5)
    votes, _ = votes_from_rows(simulate_directions(study, truth), ".")
    p = VoteModel(study, tuple(votes), ("c1",), truth.port_signs).forward(truth.parameters, 0.0)[0]
    one_way = {k: Votes(v.count if q > 0.5 else 0, v.count) for (k, v), q in zip(votes.items(), p, strict=True)}
    result = orient_votes(study, one_way, seed=1, wanted_ess=100, max_seconds=3)
    assert any(
        x.startswith("Every group of sweeps went one way without exception") for x in result.document["findings"]
    )


@pytest.mark.parametrize("wrong_way", [0.0, 0.03, 0.2])
def test_wrong_readings_at_the_stated_rate(study, wrong_way):
    """Loops at half a flux quantum with a hundredth of noise never flip: a sweep is then misread with the stated rate alone."""
    quiet = without_analyser(study, flux_phi0=0.01)
    truth = draw_truth(quiet, 1)
    still = truth.parameters.changed(
        source=np.zeros((1, 3)), offset_phi0=np.zeros_like(truth.parameters["offset_phi0"])
    )
    votes, _ = votes_from_rows(simulate_directions(study, truth), ".")
    keys = tuple(replace(k, bias_a=(0.5 / 600,) * 4) for k in votes)
    p = VoteModel(quiet, keys, ("c1",), (1, -1)).forward(still, wrong_way)[0]
    for n, key in enumerate(keys):
        sign = (1 if key.isolator == "a" else -1) * (1 if key.pump_port == 1 else -1)
        assert p[n] == pytest.approx(1 - wrong_way if sign > 0 else wrong_way, abs=2e-6)


def test_odds_of_the_wiring_in_closed_form(study):
    """Loops that cannot flip: each of n readings counts log((1 - e)/e) for the wiring that it agrees with."""
    exact = replace(
        without_analyser(study, flux_phi0=0.01),
        loops=tuple(replace(x, offset_phi0=0.0).with_sd(offset_phi0=1e-6) for x in study.loops),
        data=replace(study.data, wrong_way=0.03, wrong_way_factor=1.0),
    )
    truth = draw_truth(exact, 1)
    key = next(k for k in votes_from_rows(simulate_directions(study, truth), ".")[0] if k.state == "out")
    counts = {
        replace(key, isolator=name, pump_port=port, bias_a=(0.5 / 600,) * 4): Votes(forward, 20)
        for name, port, forward in (("a", 1, 19), ("a", 2, 1), ("b", 1, 2), ("b", 2, 20))
    }
    wiring = read_vote_wiring(exact, counts, ("c1",), 0)
    each = np.log(0.97 / 0.03)
    assert wiring.signs == (1, -1)
    assert wiring.log_odds == pytest.approx(((38 - 2) * each, (38 - 2) * each), rel=5e-5)
