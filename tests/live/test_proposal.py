"""Proposals never leave the limits, gain what they promise, and say why.

Outside references: the information of a second likelihood with one sweep more (a finite difference of the covariance itself); the
number of sweeps at which 1/n falls; the sequential test's promise by simulation in closed form (Ville's inequality, from memory).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study, study_text

from fluxsense.base.errors import InputError
from fluxsense.base.units import dbm_to_watt
from fluxsense.data.digest import DigestBuilder, GroupKey
from fluxsense.jobs.simulate import draw_truth
from fluxsense.live.anchor import of_isolator
from fluxsense.live.bounds import Bounds, Knobs, Neighbourhood
from fluxsense.live.campaign import Live
from fluxsense.live.instrument import SimulatedInstrument
from fluxsense.live.proposal import REPEATS, Costs, Planner, describe, first_round
from fluxsense.live.stopping import CONE_PER_ERROR, Wanted
from fluxsense.model.family import reals
from fluxsense.report.sentences import sentences
from fluxsense.study import Study, read_study

FIELD_T = np.array([0.5e-6, 0.3e-6, 0.6e-6])
LIMITED = '\n[limits]\npump_power = "-58 dBm"\npump_frequency = ["2.28 GHz", "2.36 GHz"]\n'


def instrument(study: Study, seed: int = 1) -> SimulatedInstrument:
    truth = draw_truth(study, seed, FIELD_T)
    return SimulatedInstrument(study, truth.parameters, truth.port_signs, seed)


def follow(campaign: Live, bench: SimulatedInstrument, rounds: int) -> list[tuple[GroupKey, int]]:
    """The loop of a laboratory: what is proposed is measured."""
    taken = []
    for _ in range(rounds):
        found = campaign.propose()
        if campaign.stop is not None or not found.proposals:
            break
        builder = DigestBuilder()
        for p in found.proposals:
            bench.wait(p.seconds - p.repeats * campaign.costs.sweep_s)
            for time_s, sweep in bench.measure(p.key, p.repeats):
                builder.add(p.key, sweep, time_s)
            taken.append((p.key, p.repeats))
        seconds = sum(p.seconds for p in found.proposals)
        campaign.add_digest(builder.finish(), last_time_s=bench.time_s, busy_s=seconds)
    return taken


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[Live, SimulatedInstrument]:
    """A campaign at some way, by its own proposals."""
    study = small_study(tmp_path_factory.mktemp("proposals"), wiring="+90 deg", extra=LIMITED)
    campaign, bench = Live(study, seed=2, costs=Costs(20.0, 60.0)), instrument(study)
    follow(campaign, bench, 5)
    assert campaign.current is not None
    return campaign, bench


@pytest.mark.parametrize("wanted_count", [2_000, pytest.param(100_000, marks=pytest.mark.slow)])
def test_a_hundred_thousand_proposals_stay_within_the_limits(tmp_path: Path, wanted_count: int) -> None:
    study = small_study(tmp_path, extra=LIMITED)
    bounds = Bounds(study)
    limits = np.array([b.limit_a for b in study.bias_lines])
    rng = np.random.default_rng(7)
    count = 0
    while count < wanted_count:
        isolator = int(rng.integers(2))
        near = Neighbourhood(bounds, isolator, rng.normal(0, 0.5, 2))
        port = int(rng.integers(1, 3))
        wild = Knobs(
            isolator,
            tuple(rng.normal(0, 2e-3, 4)),
            port,
            None,
            float(rng.normal(-60, 5)),
            float(rng.normal(2.32e9, 5e7)),
        )
        wanted = [
            wild,
            near.corrected(wild),
            *near.around(wild, 0.2, 3.0, 2e7),
            *near.at_fluxes(wild, ((0.5, 0.5), (2.0, -2.0))),
        ]
        for knobs in wanted:
            found = bounds.put_inside(knobs)
            assert found is not None
            assert np.all(np.abs(found.bias_a) <= limits)
            assert dbm_to_watt(found.pump_power_dbm) <= study.limits.pump_power_w * (1 + 1e-12)  # type: ignore[operator]
            assert 2.28e9 <= found.pump_frequency_hz <= 2.36e9
            assert bounds.inside(found)
            assert bounds.put_inside(found) == found
            count += 1


def test_without_limits_it_stays_near_what_is_in_use(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    bounds = Bounds(study)
    found = bounds.put_inside(Knobs(0, (0.0008, 0.0008, 0.0, 0.0), 1, None, -40.0, 9e9))
    assert found is not None
    assert found.pump_power_dbm == -60.0
    low, high = bounds.frequencies(0, found.bias_a, -60.0)
    assert high - low == pytest.approx(2 * 60e6)
    assert low <= found.pump_frequency_hz <= high


def test_everything_proposed_is_within_the_limits(measured: tuple[Live, SimulatedInstrument]) -> None:
    campaign, _ = measured
    current = campaign.current
    assert current is not None
    planner = Planner(current, campaign.digest, campaign.bounds, campaign.costs, 1)
    for i in (0, 1):
        looked = planner.candidates(i, [planner.candidates(i)[0]])
        assert len(looked) > 15
        assert all(campaign.bounds.inside(k) for k in looked)


def test_growth_with_a_sweep_is_the_finite_difference(measured: tuple[Live, SimulatedInstrument]) -> None:
    """V_k/N_k by hand: one likelihood more with a thousandth of a sweep more of one group."""
    campaign, _ = measured
    current = campaign.current
    assert current is not None
    digest = of_isolator(campaign.study, campaign.digest, 0)
    part = current.problems[0]

    def problem(changed: GroupKey | None) -> tuple[np.ndarray, dict[GroupKey, np.ndarray]]:
        groups = {k: replace(g, count=g.count + (1e-3 if k == changed else 0.0)) for k, g in digest.items()}  # type: ignore[arg-type]
        planned = current.anchor.planned(
            campaign.study, type(digest)(groups), part.unknowns, part.likelihood.noise, current.anchor.reference
        )
        vectors = [slopes[0] for _, _, slopes in planned.slopes(current.best[None])]
        total, growth = planned.likelihood.by_sweeps(vectors)
        direct = sum(reals(v) @ w.T for v, w in zip(vectors, planned.likelihood.inverse(vectors), strict=True))
        np.testing.assert_allclose(total, direct)
        return total, growth

    total, growth = problem(None)
    assert set(growth) == set(digest)
    for key in digest:
        step = (problem(key)[0] - total) / 1e-3
        scale = np.max(np.abs(growth[key]))
        np.testing.assert_allclose(growth[key] / scale, step / scale, atol=0.02)


def test_a_round_gains_what_it_promises(measured: tuple[Live, SimulatedInstrument]) -> None:
    campaign, bench = measured
    found = campaign.propose()
    assert found.aim == "angle"
    assert found.then < found.now
    assert found is campaign.propose()  # it stays until sweeps come
    now = campaign.answer.cone_deg
    follow(campaign, bench, 1)
    assert campaign.answer.cone_deg / now == pytest.approx(found.then / found.now, rel=0.35)
    (said,) = sentences([found.reason(campaign.study)])
    assert "Next: isolator" in said
    assert "degrees" in said
    assert describe(campaign.study, found.proposals[0]) in said


def test_settling_and_changes_of_state_are_charged(measured: tuple[Live, SimulatedInstrument]) -> None:
    campaign, _ = measured
    costs = Costs(20.0, 60.0, 600.0, ("in",))
    a = campaign.setting("a", "in", bias_a={}, pump_port=1, pump_power_dbm=-60, pump_frequency_hz=2.33e9)
    b = replace(a, state="out")
    c = replace(b, pump_port=2)
    assert costs.of([(a, 2)], None) == 2 * 20 + 60
    assert costs.of([(a, 2)], a) == 40
    assert costs.of([(a, 1), (b, 1), (c, 1)], a) == 3 * 20 + 600 + 60
    current = campaign.current
    assert current is not None
    for before in (a, b):
        dear = Planner(current, campaign.digest, campaign.bounds, Costs(20.0, 60.0, 1e6, ("in", "out")), 1)
        found = dear.round(before, {})
        assert {p.key.state for p in found.proposals} == {before.state}
        assert not found.by_hand


def test_pinned_and_forbidden(measured: tuple[Live, SimulatedInstrument]) -> None:
    campaign, _ = measured
    study, current = campaign.study, campaign.current
    assert current is not None
    pinned = Bounds(study, pinned=("s2",))
    planner = Planner(current, campaign.digest, pinned, campaign.costs, 1)
    found = planner.round(None, {})
    assert {p.name for p in found.proposals if p.key.pump_on} <= {"s2"}
    assert found.proposals
    forbidden = Bounds(study, forbidden=("s1",))
    assert "s1" not in forbidden.stated(0)
    assert not forbidden.allowed(Bounds(study).stated(0)["s1"])


def test_the_order_of_a_round_settles_as_seldom_as_it_can(measured: tuple[Live, SimulatedInstrument]) -> None:
    """Counted by hand: each change of a knob once, whatever the order in which the sweeps are named."""
    campaign, _ = measured
    costs = Costs(20.0, 60.0)
    a = campaign.setting("a", "in", bias_a={}, pump_port=1, pump_power_dbm=-60, pump_frequency_hz=2.33e9)
    b, c = replace(a, isolator="b"), replace(a, pump_port=2)
    mixed = [(a, 2), (c, 1), (b, 3), (replace(c, state="out"), 2)]
    ordered = costs.in_order(mixed, c)
    assert sorted(ordered) == sorted(mixed)
    assert [k.pump_port for k, _ in ordered] == [2, 2, 1, 1]
    assert costs.of(mixed, c) == 8 * 20 + 4 * 60
    assert costs.of(ordered, c) == 8 * 20 + 60


@pytest.mark.parametrize("repeats_done", [0, 3])
def test_the_first_rounds_give_the_noise_what_it_has_to_rest_on(tmp_path: Path, repeats_done: int) -> None:
    """One sweep of a group tells a mean; together the others are the ten that `Live` wants before it trusts an answer."""
    study = small_study(tmp_path, wiring="+90 deg")
    campaign, bench = Live(study, seed=2, costs=Costs(20.0, 60.0)), instrument(study)
    if repeats_done:
        key = campaign.propose().proposals[0].key
        for time_s, sweep in bench.measure(key, repeats_done):
            campaign.add(key, sweep, time_s=time_s)
    follow(campaign, bench, 2)
    digest = campaign.digest
    for name in "ab":
        own = [g.count for k, g in digest.items() if k.isolator == name]
        assert len(own) == 3
        assert sum(n - 1 for n in own) == REPEATS
    assert not first_round(study, digest, campaign.bounds, campaign.costs, None).proposals
    assert campaign.answer.verdict.trust == "reliable"


def test_a_new_setting_is_tried_for_what_both_states_tell_together(measured: tuple[Live, SimulatedInstrument]) -> None:
    """By hand: information of both states added, over the time of both; no proposal of one state may promise that much."""
    campaign, _ = measured
    current = campaign.current
    assert current is not None
    planner = Planner(current, campaign.digest, campaign.bounds, campaign.costs, 1)
    grown = {i: planner._grown(i, planner.candidates(i)) for i in (0, 1)}
    whole = np.asarray(sum(total for total, _ in grown.values()))
    now = float(planner._error_deg(whole))
    growth = grown[0][1]
    tried = 0
    for c in planner._looked_at({0: growth}, whole, None):
        if not c.partner:
            continue
        other = replace(c.key, state=c.partner)
        both = c.repeats * (growth[c.key] + growth[other])
        seconds = campaign.costs.of([(c.key, c.repeats), (other, c.repeats)], None)
        assert c.gain_per_s == pytest.approx((now - float(planner._error_deg(whole + both))) / seconds)
        alone = (now - float(planner._error_deg(whole + c.more))) / campaign.costs.of([(c.key, c.repeats)], None)
        assert c.gain_per_s > alone
        tried += 1
    assert tried > 5


def test_the_expected_error_is_that_of_prior_and_sweeps_together(measured: tuple[Live, SimulatedInstrument]) -> None:
    """By two unit vectors across the direction; without a sweep, with as much again as the prior, and with much more."""
    campaign, _ = measured
    current = campaign.current
    assert current is not None
    planner = Planner(current, campaign.digest, campaign.bounds, campaign.costs, 1)
    size = current.unknowns.size
    prior = np.array([current.unknowns.prior_curvature(x)[1] for x in planner._points])

    def by_hand(information: np.ndarray) -> float:
        total = 0.0
        for x, weight, own, p in zip(planner._points, planner._weights, information, prior, strict=True):
            across = np.linalg.svd(x[None, :3])[2][1:]
            covariance = np.linalg.inv(own + p)[:3, :3]
            total += weight * np.sqrt(sum(u @ covariance @ u for u in across)) / np.linalg.norm(x[:3])
        return float(np.degrees(total))

    stack = np.array([np.zeros((len(prior), size, size)), prior, 50.0 * prior])
    np.testing.assert_allclose(planner._error_deg(stack), [by_hand(one) for one in stack], rtol=1e-9)


def test_a_round_is_no_longer_than_the_wanted_cone_asks_for(measured: tuple[Live, SimulatedInstrument]) -> None:
    campaign, _ = measured
    current = campaign.current
    assert current is not None
    planner = Planner(current, campaign.digest, campaign.bounds, campaign.costs, 1)
    free = planner.round(None, {})
    near = planner.round(None, {}, wanted_deg=0.2 * free.now + 0.8 * free.then)
    close = planner.round(None, {}, wanted_deg=1.05 * free.now)
    counts = [sum(p.repeats for p in r.proposals) for r in (close, near, free)]
    assert counts[0] < counts[2]
    assert counts[0] <= counts[1] <= counts[2]
    assert near.then <= 0.2 * free.now + 0.8 * free.then


@pytest.mark.slow
def test_two_directions_are_told_apart(tmp_path: Path) -> None:
    """At zero bias a source and its reverse look alike: what is proposed is a bias at which they do not."""
    study = small_study(tmp_path, wiring="+90 deg", fluxes=((0.0, 0.0, 0.0, 0.0),), ports=(1,))
    campaign, bench = Live(study, seed=3, costs=Costs(20.0, 60.0)), instrument(study)
    bare = campaign.bounds.stated(0)["s1"]
    for state in ("out", "in"):
        for name in "ab":
            knobs = Bounds(study).stated("ab".index(name))["s1"]
            on = GroupKey(name, True, 1, None, knobs.pump_power_dbm, knobs.pump_frequency_hz, knobs.bias_a, state, "c1")
            off = GroupKey(name, False, None, None, np.nan, np.nan, knobs.bias_a, state, "c1")
            for key in (on, off):
                for time_s, sweep in bench.measure(key, 12):
                    campaign.add(key, sweep, time_s=time_s)
    assert len(campaign.answer.body["modes"]) > 1
    found = campaign.propose()
    assert found.aim == "modes"
    assert found.then > found.now
    assert any(p.key.bias_a != bare.bias_a for p in found.proposals)
    assert "tells the directions apart" in sentences([found.reason(study)])[0]
    follow(campaign, bench, 6)
    assert campaign.answer.body["modes"][0]["weight"] > 0.99
    assert campaign.answer.direction is not None
    assert campaign.answer.direction @ FIELD_T / np.linalg.norm(FIELD_T) > 0.9


# ---------------------------------------------------------------- stopping


def test_it_stops_at_the_wanted_cone_and_not_before(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg")
    campaign, bench = Live(study, seed=4, wanted=Wanted(cone_deg=1.2)), instrument(study, 4)
    follow(campaign, bench, 60)
    assert campaign.stop is not None
    assert campaign.stop.kind == "cone"
    assert campaign.answer.cone_deg <= 1.2 * 1.1
    assert all(m.cone_deg > 1.2 * 0.9 for m in campaign.history[:-3])
    assert "Enough: the 90% cone" in str(campaign.answer)


def test_a_cone_about_an_old_reference_point_ends_nothing(tmp_path: Path) -> None:
    """A truth for which the first run takes other offsets for true: three sweeps later the cone about them was 0.6 degrees, and 6 off."""
    extra = '\n[limits]\npump_power = "-57 dBm"\n'
    study = small_study(tmp_path, wiring="+90 deg", size_ut=0.4, repeats=4, extra=extra)
    truth = draw_truth(study, 13)
    bench = SimulatedInstrument(study, truth.parameters, truth.port_signs, 13)
    campaign = Live(study, seed=1, costs=Costs(20.0, 60.0), wanted=Wanted(cone_deg=1.0))
    follow(campaign, bench, 30)
    current, field = campaign.current, truth.parameters["source"][0]
    assert campaign.stop is not None
    assert campaign.stop.kind == "cone"
    assert current is not None
    assert current.anchor.sweeps == campaign.digest.sweeps
    assert campaign.answer.direction is not None
    off = np.degrees(np.arccos(campaign.answer.direction @ field / np.linalg.norm(field)))
    assert off < 2 * campaign.answer.cone_deg


def test_time_and_rates(tmp_path: Path) -> None:
    study = small_study(tmp_path, wiring="+90 deg")
    late = Live(study, seed=4, wanted=Wanted(cone_deg=0.01, seconds=600.0))
    follow(late, instrument(study, 4), 60)
    assert late.stop is not None
    assert late.stop.kind == "time"
    seen = Live(study, seed=4, wanted=Wanted(false_alarm=0.01, miss=0.05))
    follow(seen, instrument(study, 4), 10)
    assert seen.stop is not None
    assert seen.stop.kind == "source"


def test_what_cannot_be_reached_is_said_with_its_reason(tmp_path: Path) -> None:
    """Four flux focusing factors and a field of three components leave one combination to the prior, however often one repeats."""
    text = study_text(wiring="+90 deg").replace("offset_sd =", "flux_focusing_sd = 0.05\noffset_sd =")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    study = read_study(tmp_path / "study.toml")
    campaign = Live(study, seed=4, wanted=Wanted(cone_deg=1.0))
    follow(campaign, instrument(study, 4), 8)
    campaign.propose()
    assert campaign.stop is not None
    assert campaign.stop.kind == "out of reach"
    assert "cannot be reached" in str(campaign.answer)
    assert "because of the flux focusing factors" in str(campaign.answer)


def test_a_cone_over_the_error_of_a_round_cloud() -> None:
    """Draws of a round normal law in the plane: chi-square of two degrees of freedom (textbook)."""
    x = np.random.default_rng(1).standard_normal((400_000, 2))
    r = np.linalg.norm(x, axis=1)
    assert np.quantile(r, 0.9) / np.sqrt(np.mean(r**2)) == pytest.approx(CONE_PER_ERROR, rel=5e-3)


def test_wishes_without_sense_are_refused() -> None:
    for wrong in (
        {"cone_deg": -1.0},
        {"cone_deg": 180.0},
        {"seconds": 0.0},
        {"false_alarm": 0.01},
        {"false_alarm": 0.6, "miss": 0.1},
    ):
        with pytest.raises(InputError):
            Wanted(**wrong)
