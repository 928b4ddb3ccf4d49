"""Unknowns and priors: densities that integrate to one, draws that follow them, and where each number goes."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from fluxsense.device.chip import nominal_parameters
from fluxsense.model.source_prior import IDLE_RELATIVE_SD, LIST_SHIFT, source_prior
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import DirectionPrior, read_study

DEMO = Path(__file__).parents[2] / "data_demo" / "grain" / "study.toml"

AXIS = (0.48, -0.6, 0.64)
DIRECTIONS = {
    "sphere": DirectionPrior(),
    "cap": DirectionPrior("cap", AXIS, 0.6),
    "wide cap": DirectionPrior("cap", AXIS, 2.5),
    "narrow cap": DirectionPrior("cap", AXIS, 1e-7),
    "plane": DirectionPrior("plane", AXIS, 0.3),
    "thin plane": DirectionPrior("plane", AXIS, 1e-6),
    "whole plane": DirectionPrior("plane", AXIS, np.pi / 2),
}
SIZES = {"scale": ("scale", 0.0), "known": ("known", 0.3), "fixed": ("fixed", 0.0)}


@pytest.fixture(scope="module")
def demo():
    return read_study(DEMO)


@pytest.fixture(scope="module")
def rich(demo):
    """The demo with an uncertain field of every sort."""
    first = demo.isolators[0]
    uncertain = (
        ("signal_linewidth_hz", 12e6),
        ("signal_internal_hz", 0.4e6),
        ("idler_participation", 0.1),
        ("coupling_hz", 1e6),
    )
    stage = replace(first.stages[0], stated_sd=uncertain)
    loop = replace(demo.loops[0], flux_focusing=0.9, offset_phi0=0.2).with_sd(flux_focusing=0.3)
    loops = (loop, *demo.loops[1:])
    return replace(demo, loops=loops, isolators=(replace(first, stages=(stage, first.stages[1])), *demo.isolators[1:]))


def polar(direction):
    """Angle of unit vectors (B, 3) to AXIS, from the chord: exact for small angles too."""
    return 2 * np.arcsin(np.clip(np.linalg.norm(direction - np.array(AXIS), axis=1) / 2, 0, 1))


# ---------------------------------------------------------------- the source's prior


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("where", DIRECTIONS)
def test_density_integrates_to_one(size, where):
    # the density depends on the radius only, times the region: radial quadrature times the region's solid angle, which is
    # worked out here by quadrature over the polar angle
    prior = source_prior(*SIZES[size], DIRECTIONS[where])
    d = DIRECTIONS[where]
    low, high = {"sphere": (0, np.pi), "cap": (0, d.half_angle_rad)}.get(
        d.kind, (np.pi / 2 - d.half_angle_rad, np.pi / 2 + d.half_angle_rad)
    )
    omega, _ = integrate.quad(lambda t: 2 * np.pi * np.sin(t), low, high)
    assert prior.solid_angle_sr() == pytest.approx(omega, rel=1e-9)
    # a direction well inside: the axis of a cap, a vector at right angles to it for a plane
    inside = np.array(AXIS) if d.kind != "plane" else np.array([0.8, 0.0, -0.6])
    radial, error = integrate.quad(
        lambda r: r * r * np.exp(prior.log_density(r * inside[None])[0]), 0, 4, points=[0.5, 1, 1.5], limit=200
    )
    assert error * omega < 1e-6
    assert radial * omega == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("where", ["sphere", "cap", "wide cap", "plane"])
def test_density_integrates_to_one_by_monte_carlo(size, where):
    # importance sampling from a wide normal density, sd 0.8: no assumption about what the density depends on
    prior = source_prior(*SIZES[size], DIRECTIONS[where])
    rng = np.random.default_rng(1)
    wide = 0.8
    w = wide * rng.standard_normal((60_000, 3))
    weight = np.exp(prior.log_density(w) - stats.norm(0, wide).logpdf(w).sum(axis=1))
    error = weight.std() / np.sqrt(weight.size)
    assert error < 0.04
    assert abs(weight.mean() - 1) < 5 * error
    assert abs(1.3 * weight.mean() - 1) > 5 * error  # a constant wrong by 0.26 would be seen


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("where", DIRECTIONS)
def test_draws_follow_the_density(size, where):
    prior = source_prior(*SIZES[size], DIRECTIONS[where])
    w = prior.draw(np.random.default_rng(2), 4000)
    assert np.all(np.isfinite(prior.log_density(w)))
    radius = np.linalg.norm(w, axis=1)
    # radius: chi of three degrees over sqrt 3 (each component has variance 1/3), or a normal cut at zero
    law = stats.chi(3, scale=np.sqrt(1 / 3))
    if size != "scale":
        sd = {"known": 0.3, "fixed": IDLE_RELATIVE_SD}[size]
        law = stats.truncnorm(-1 / sd, np.inf, 1, sd)
    assert stats.kstest(radius, law.cdf).pvalue > 1e-4
    # polar angle about the axis: its cosine is uniform (Archimedes); for small angles the chord squared is
    d = DIRECTIONS[where]
    direction = w / radius[:, None]
    if d.kind == "plane":
        edge = np.sin(d.half_angle_rad)
        assert stats.kstest(direction @ np.array(AXIS) / edge, stats.uniform(-1, 2).cdf).pvalue > 1e-4
    else:
        half = np.pi if d.kind == "sphere" else d.half_angle_rad
        u = (np.sin(polar(direction) / 2) / np.sin(half / 2)) ** 2
        assert stats.kstest(u, stats.uniform.cdf).pvalue > 1e-4
    # azimuth about the axis
    e1 = np.array([0.8, 0.0, -0.6])
    e2 = np.cross(AXIS, e1)
    azimuth = np.arctan2(w @ e2, w @ e1) / (2 * np.pi) + 0.5
    assert stats.kstest(azimuth, stats.uniform.cdf).pvalue > 1e-4
    # and independent of each other
    assert abs(stats.spearmanr(radius, w @ np.array(AXIS) / radius).statistic) < 5 / np.sqrt(4000)


def test_a_wrong_law_of_the_draws_would_be_seen():
    w = source_prior("known", 0.3, DirectionPrior()).draw(np.random.default_rng(3), 4000)
    assert stats.kstest(np.linalg.norm(w, axis=1), stats.norm(1, 0.35).cdf).pvalue < 1e-4


@pytest.mark.parametrize("where", ["cap", "wide cap", "plane"])
def test_region_ends_where_it_says(where):
    d = DIRECTIONS[where]
    prior = source_prior("scale", 0.0, d)
    e1 = np.array([0.8, 0.0, -0.6])
    # angles to the axis just within and just beyond each edge
    pairs = [(d.half_angle_rad - 1e-9, d.half_angle_rad + 1e-9)]
    if d.kind == "plane":
        pairs = [
            (np.pi / 2 + s * (d.half_angle_rad - 1e-9), np.pi / 2 + s * (d.half_angle_rad + 1e-9)) for s in (-1, 1)
        ]
    for pair in pairs:
        for angle, expected in zip(pair, (True, False), strict=True):
            w = 0.7 * (np.cos(angle) * np.array(AXIS) + np.sin(angle) * e1)[None]
            assert prior.inside(w)[0] == expected
            assert np.isfinite(prior.log_density(w)[0]) == expected


def test_fixed_size_uses_the_direction_only(demo):
    study = replace(demo, source=replace(demo.source, size_prior="fixed"))
    unknowns = Unknowns(study)
    x = unknowns.draw(np.random.default_rng(4), 50)
    np.testing.assert_allclose(np.linalg.norm(unknowns.source(x), axis=1), 30e-15, rtol=1e-12)
    longer = x.copy()
    longer[:, :3] *= 3
    np.testing.assert_allclose(unknowns.source(longer), unknowns.source(x), rtol=1e-12)


@pytest.mark.parametrize("size", SIZES)
def test_curvature_is_the_slope_of_the_density(size):
    prior = source_prior(*SIZES[size], DirectionPrior())
    rng = np.random.default_rng(5)
    for w in 0.7 * rng.standard_normal((5, 3)):
        gradient, matrix = prior.curvature(w)
        step = 1e-6
        points = np.concatenate([w + step * np.eye(3), w - step * np.eye(3)])
        value = prior.log_density(points)
        np.testing.assert_allclose(gradient, (value[:3] - value[3:]) / (2 * step), rtol=1e-6, atol=1e-6)
        assert np.linalg.eigvalsh(matrix)[0] > 0


LISTS = (((0.0, 0.0, 1.0), (1.0, 0.0, 0.0)), ((0.0, 0.6, 0.8), (0.0, 0.8, 0.6), (0.0, 0.0, -1.0)))


@pytest.mark.parametrize("candidates", LISTS)
@pytest.mark.parametrize("size", SIZES)
def test_a_list_stands_for_its_candidates(size, candidates):
    """Draws name each candidate equally often; the density integrates to one (importance sampling from a wider law)."""
    prior = source_prior(*SIZES[size], DirectionPrior("list", candidates=candidates))
    rng = np.random.default_rng(8)
    w = prior.draw(rng, 6000)
    counts = np.bincount(prior.nearest_candidate(w), minlength=len(candidates))
    assert stats.chisquare(counts).pvalue > 1e-4
    vectors = prior.vector(w)
    unit = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    np.testing.assert_allclose(unit, np.array(candidates)[prior.nearest_candidate(w)], atol=1e-12)
    # written out anew: law of the size, times the idle law across, over the area at that distance
    length = np.linalg.norm(w, axis=1)
    r = length - LIST_SHIFT
    if size == "scale":
        radial = stats.maxwell.logpdf(r, scale=np.sqrt(1 / 3))
    else:
        sd = prior.radial_sd
        radial = stats.truncnorm.logpdf(r, -1 / sd, np.inf, loc=1, scale=sd)
    np.testing.assert_allclose(prior.log_density(w), radial + prior_across(prior, w) - 2 * np.log(length), atol=1e-8)
    assert np.all(np.isneginf(prior.log_density(0.5 * LIST_SHIFT * unit_w(w))))


def unit_w(w):
    return w / np.linalg.norm(w, axis=1, keepdims=True)


def prior_across(prior, w):
    """Log density per sr of the idle coordinates, written out anew: von Mises-Fisher laws of equal weight."""
    kappa = prior.concentration
    each = [np.exp(kappa * (unit_w(w) @ np.array(c) - 1)) for c in prior.direction.candidates]
    return np.log(kappa / (2 * np.pi) / -np.expm1(-2 * kappa) * np.mean(each, axis=0))


@pytest.mark.parametrize("size", SIZES)
def test_slopes_of_a_list_prior(size):
    prior = source_prior(*SIZES[size], DirectionPrior("list", candidates=LISTS[1]))
    w = prior.draw(np.random.default_rng(3), 5)
    for x in w:
        gradient, matrix = prior.curvature(x)
        step = 1e-6
        value = prior.log_density(np.concatenate([x + step * np.eye(3), x - step * np.eye(3)]))
        np.testing.assert_allclose(gradient, (value[:3] - value[3:]) / (2 * step), rtol=1e-5, atol=1e-4)
        assert np.linalg.eigvalsh(matrix)[0] > 0


# ---------------------------------------------------------------- the whole vector


def test_names_follow_what_the_study_switches_on(demo):
    names = Unknowns(demo).names
    assert names[:6] == ("source x", "source y", "source z", "position x", "position y", "position z")
    assert names[6:14] == tuple(f"offset {x.name}" for x in demo.loops)
    assert names[14:16] == ("pump strength east", "pump phase error east")
    assert len(names) == 3 + 3 + 8 + 8
    two = Unknowns(demo, ("a", "b"), isolators=[1])
    assert two.names[6:] == (
        "offset north_near (a)", "offset north_far (a)", "offset north_near (b)", "offset north_far (b)",
        "pump strength north", "pump phase error north",
    )  # fmt: skip
    blank = Unknowns(demo, with_source=False)
    assert blank.lead == 0
    assert blank.size == 16
    assert not any("position" in x for x in blank.names)
    field = replace(demo, source=replace(demo.source, kind="uniform_field"))
    assert not any("position" in x for x in Unknowns(field).names)


def test_whitened_to_physical_and_back(rich):
    # inside the bounds: physical = mean + sd x, undone here with the study's own numbers
    unknowns = Unknowns(rich, everything=True)
    x = unknowns.draw(np.random.default_rng(6), 200)
    before = x.copy()
    physical = unknowns.physical(x)
    np.testing.assert_array_equal(x, before)
    back = physical.copy()
    back[:, :3] /= rich.source.size
    for column, n in enumerate(unknowns.nuisances, 3):
        back[:, column] = (physical[:, column] - n.mean) / n.sd
    np.testing.assert_allclose(back, x, atol=1e-9)


def test_each_number_reaches_its_parameter(rich):
    unknowns = Unknowns(rich, ("a", "b"), everything=True)
    x = unknowns.draw(np.random.default_rng(7), 3)
    before = x.copy()
    p = unknowns.parameters(x)
    np.testing.assert_array_equal(x, before)
    physical = dict(zip(unknowns.names, unknowns.physical(x).T, strict=True))
    np.testing.assert_allclose(p["source"], np.stack([physical[f"source {a}"] for a in "xyz"], axis=1))
    np.testing.assert_allclose(p["position_m"], np.stack([physical[f"position {a}"] for a in "xyz"], axis=1))
    assert p["offset_phi0"].shape == (3, 2, 8)
    for c, cooldown in enumerate("ab"):
        for n, loop in enumerate(rich.loops):
            np.testing.assert_array_equal(p["offset_phi0"][:, c, n], physical[f"offset {loop.name} ({cooldown})"])
    np.testing.assert_array_equal(p["flux_focusing"][:, 0], physical["flux focusing east_near"])
    np.testing.assert_array_equal(p["flux_focusing"][:, 1:], 1.0)
    np.testing.assert_array_equal(p["pump_strength"][:, 2], physical["pump strength west"])
    np.testing.assert_array_equal(p["pump_phase_error_rad"][:, 3], physical["pump phase error south"])
    np.testing.assert_array_equal(p["signal_linewidth_hz"][:, 0, 0], physical["signal linewidth east stage 1"])
    np.testing.assert_array_equal(p["idler_participation"][:, 0, 0], physical["idler participation east stage 1"])
    np.testing.assert_array_equal(p["signal_linewidth_hz"][:, 0, 1], 42e6)  # the certain ones stay
    np.testing.assert_array_equal(p["signal_linewidth_hz"][:, 3, 0], 40e6)
    assert set(p) - set(nominal_parameters(rich, cooldowns=2)) == {
        "signal_linewidth_hz",
        "signal_internal_hz",
        "idler_participation",
        "coupling_hz",
    }
    blank = Unknowns(rich, with_source=False, everything=True)
    np.testing.assert_array_equal(blank.parameters(np.zeros((2, blank.size)))["source"], 0.0)


def test_cut_nuisances(rich):
    # share 0.1 +- 0.1 in 0..1, internal loss 0.4 +- 0.4 MHz above 0: normal laws cut there (scipy's truncnorm)
    unknowns = Unknowns(rich, everything=True)
    x = unknowns.draw(np.random.default_rng(8), 4000)
    physical = dict(zip(unknowns.names, unknowns.physical(x).T, strict=True))
    laws = {
        "idler participation east stage 1": stats.truncnorm(-1, 9, 0.1, 0.1),
        "signal internal east stage 1": stats.truncnorm(-1, np.inf, 0.4e6, 0.4e6),
        "signal linewidth east stage 1": stats.truncnorm((40e3 - 40e6) / 12e6, np.inf, 40e6, 12e6),
        "flux focusing east_near": stats.truncnorm((0.9e-3 - 0.9) / 0.3, np.inf, 0.9, 0.3),
        "offset east_near": stats.norm(0.2, 15e-3),
    }
    for name, law in laws.items():
        assert stats.kstest(physical[name], law.cdf).pvalue > 1e-4, name
    # the density of the nuisances is the product of these laws (in whitened units: times the sd)
    blank = Unknowns(rich, with_source=False, everything=True)
    y = blank.draw(np.random.default_rng(9), 5)
    expected = np.zeros(5)
    for column, n in enumerate(blank.nuisances):
        law = laws.get(n.name, stats.norm(n.mean, n.sd))
        if n.array == "pump_strength":
            law = stats.truncnorm((1e-3 - 1) / n.sd, np.inf, 1, n.sd)
        if n.array == "coupling_hz":
            law = stats.truncnorm((1e-3 * n.mean - n.mean) / n.sd, np.inf, n.mean, n.sd)
        expected += law.logpdf(n.mean + n.sd * y[:, column]) + np.log(n.sd)
    np.testing.assert_allclose(blank.log_prior(y), expected, rtol=1e-10)


def test_beyond_a_bound_the_density_vanishes_and_the_model_still_answers(rich):
    unknowns = Unknowns(rich, everything=True)
    x = unknowns.draw(np.random.default_rng(10), 4)
    column = unknowns.names.index("idler participation east stage 1")
    x[1, column], x[2, column] = -1.1, 9.1
    assert list(np.isfinite(unknowns.log_prior(x))) == [True, False, False, True]
    share = unknowns.parameters(x)["idler_participation"][:, 0, 0]
    assert (share[1], share[2]) == (0.0, 1.0)


def test_extent_is_unknown_unless_stated(demo):
    """Five numbers of the spread of `fluxsense.magnetics.extent`, (L^2/12) sqrt(2/15), which no source has no use for."""
    stated = replace(demo, source=replace(demo.source, extent_m=3e-6))
    unknowns = Unknowns(stated)
    extent = [n for n in unknowns.nuisances if n.group == "extent"]
    assert [n.of_source and n.moves_flux and n.home == -1 for n in extent] == [True] * 5
    np.testing.assert_allclose([n.sd for n in extent], 9e-12 / 12 * np.sqrt(2 / 15))
    assert unknowns.size == Unknowns(demo).size + 5
    x = unknowns.draw(np.random.default_rng(3), 4)
    columns = [3 + unknowns.nuisances.index(n) for n in extent]
    np.testing.assert_allclose(
        unknowns.parameters(x)["source_second_moments_m2"], x[:, columns] * extent[0].sd, rtol=1e-12
    )
    assert unknowns.label(columns[0]) == ("extent of the source, x^2 - y^2", 1e12, "um^2")
    assert "source_second_moments_m2" not in nominal_parameters(stated)
    unstated = Unknowns(replace(demo, source=replace(demo.source, extent_m=None)))
    assert {n.group for n in unstated.nuisances} > {"extent"}
    for source in (
        replace(demo.source, kind="sphere", extent_m=None, numbers=(("radius_m", 2e-6),)),
        replace(demo.source, kind="uniform_field", extent_m=None),
    ):
        assert "extent" not in {n.group for n in Unknowns(replace(demo, source=source)).nuisances}
    assert Unknowns(stated, with_source=False).size == Unknowns(demo, with_source=False).size


def test_log_prior_splits_into_source_and_nuisances(demo):
    whole, blank = Unknowns(demo), Unknowns(demo, with_source=False)
    x = whole.draw(np.random.default_rng(11), 6)
    rest = np.concatenate([np.zeros((6, 0)), x[:, 6:]], axis=1)
    position = stats.norm.logpdf(x[:, 3:6]).sum(axis=1)
    source = whole.source_prior.log_density(x[:, :3])
    np.testing.assert_allclose(whole.log_prior(x), source + position + blank.log_prior(rest), rtol=1e-12)
    gradient, matrix = whole.prior_curvature(x[0])
    np.testing.assert_array_equal(gradient[3:], -x[0, 3:])
    np.testing.assert_array_equal(matrix[3:, 3:], np.eye(whole.size - 3))


def test_draws_repeat_with_the_seed(demo):
    unknowns = Unknowns(demo)
    first, second = (unknowns.draw(np.random.default_rng(12), 20) for _ in range(2))
    np.testing.assert_array_equal(first, second)


def test_labels(demo):
    unknowns = Unknowns(demo)
    assert unknowns.label(0) == ("source x", 1e15, "fA m^2")
    name, factor, unit = unknowns.label(3)
    assert (name, unit) == ("position x", "um")
    assert factor == pytest.approx(1e6)
    assert unknowns.label(6)[2] == "mPhi0"
    assert unknowns.label(15)[2] == "deg"
