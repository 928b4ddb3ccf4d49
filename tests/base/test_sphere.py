"""Directional statistics against published data, closed forms, scipy and simulated coverage."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.fisher import vmf_cone_rad, vmf_sample
from scipy import stats

from fluxsense.base import sphere as dn
from fluxsense.base.errors import InputError

# Fisher, Proc. R. Soc. A 217, 295 (1953): remanent magnetisation, Iceland 1947-48; declination and inclination in deg
# (transcribed from scipy's own tests, which cite Fisher 1953 and Mardia & Jupp and negate both angles).
DECLINATION = np.radians([343.2, 62.0, 36.9, 27.0, 359.0, 5.7, 50.4, 357.6, 44.0])
INCLINATION = np.radians([66.1, 68.7, 70.1, 82.1, 79.5, 73.0, 69.3, 58.8, 51.4])
ICELAND = dn.vector_from_angles(DECLINATION, INCLINATION)

angles = st.tuples(st.floats(-3.14, 3.14), st.floats(-1.57, 1.57))
components = st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda v: max(map(abs, v)) > 1e-3)


# ---------------------------------------------------------------------------------------------------- angles and maps
@given(angles)
def test_angles_and_back(pair):
    azimuth, elevation = dn.angles_from_vector(dn.vector_from_angles(*pair))
    assert elevation == pytest.approx(pair[1], abs=1e-12)
    assert np.cos(azimuth - pair[0]) == pytest.approx(1.0, abs=1e-12)


def test_azimuth_runs_from_x_to_y_and_elevation_to_z():
    assert np.allclose(dn.vector_from_angles(np.pi / 2, 0.0), [0, 1, 0], atol=1e-15)
    assert np.allclose(dn.vector_from_angles(0.3, np.pi / 2), [0, 0, 1], atol=1e-15)
    assert dn.angles_from_vector([0.0, -0.0, -2.0])[0] == 0.0


@pytest.mark.parametrize("angle", [1e-12, 1e-9, 1e-3, 1.0, 3.0, np.pi - 1e-9])
def test_angle_between_is_accurate_at_both_ends(angle):
    assert dn.angle_between_rad([1, 0, 0], [np.cos(angle), np.sin(angle), 0]) == pytest.approx(angle, rel=1e-6)


@given(components, components, components)
def test_angle_is_a_metric(a, b, c):
    ab, bc, ac = dn.angle_between_rad(a, b), dn.angle_between_rad(b, c), dn.angle_between_rad(a, c)
    assert ab == dn.angle_between_rad(b, a)
    assert ac <= ab + bc + 1e-12


@given(components, components)
def test_rotation_to_centres_keeps_angles_and_is_proper(a, b):
    rotation = dn.rotation_to(a)
    assert np.allclose(rotation @ dn.unit_vectors(a), [1, 0, 0], atol=1e-12)
    assert np.allclose(rotation @ rotation.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(rotation) == pytest.approx(1.0, abs=1e-12)
    x, y = dn.lambert_xy(b, a)
    assert np.hypot(x, y) == pytest.approx(2 * np.sin(dn.angle_between_rad(a, b) / 2), abs=1e-12)


def test_north_is_up_on_the_centred_map():
    centre = dn.vector_from_angles(0.7, 0.2)
    assert np.allclose(dn.lambert_xy(dn.vector_from_angles(0.7, 0.2 + 1e-6), centre), [0.0, 1e-6], atol=1e-11)
    east = dn.lambert_xy(dn.vector_from_angles(0.7 + 1e-6, 0.2), centre)
    assert np.allclose(east, [1e-6 * np.cos(0.2), 0.0], atol=1e-11)


def test_lattice_integrates_harmonics():
    points = dn.equal_area_points(2000)
    assert np.allclose(np.linalg.norm(points, axis=1), 1.0, atol=1e-15)
    assert np.abs(points.mean(axis=0)).max() < 1e-4
    assert np.allclose(points.T @ points / 2000, np.eye(3) / 3, atol=1e-4)  # <x_i x_j> = delta_ij/3 on the sphere
    # no crowding: closest pair against the mean spacing sqrt(4 pi/n)
    gram = points @ points.T
    np.fill_diagonal(gram, -1)
    assert np.sqrt(2 - 2 * gram.max()) > 0.6 * np.sqrt(4 * np.pi / 2000)


def test_random_directions_are_uniform():
    v = dn.random_directions(np.random.default_rng(4), 4000)
    # Rayleigh: 3 n |mean|^2 follows chi-square with three degrees of freedom, from memory
    assert stats.chi2.sf(3 * 4000 * np.sum(v.mean(axis=0) ** 2), 3) > 1e-3
    assert stats.kstest(v[:, 0], stats.uniform(-1, 2).cdf).pvalue > 1e-3  # any component is uniform (Archimedes)


# ------------------------------------------------------------------------------------------------ Fisher's distribution
def test_vmf_cone_values():
    # 95% of one draw, quadrature of the density over the cap
    assert np.degrees(vmf_cone_rad([1.0, 10.0, 39.5], 0.95)) == pytest.approx(
        [136.284722, 45.538746, 22.458169], abs=1e-6
    )
    # three equal orthogonal loops, y = (1.5, -.4, 1.1), gain 2, noise .7: posterior is this distribution
    assert np.degrees(vmf_cone_rad(7.765835751, 0.95)) == pytest.approx(52.103095, abs=1e-6)
    assert vmf_cone_rad(0.0, [0.5, 1.0]) == pytest.approx([np.pi / 2, np.pi])
    assert vmf_cone_rad(3.0, [0.0, 1.0]) == pytest.approx([0.0, np.pi])
    # tight: 2-d normal, theta^2 kappa/2 = -ln(1 - level); 140.245563 deg at kappa = 1 for 95%
    assert np.degrees(vmf_cone_rad(1e12, 0.95)) * 1e6 == pytest.approx(140.245563, rel=1e-7)


def one_kernel(mean, kappa):
    """A density of one kernel."""
    k = np.array([kappa])
    return dn.SphereDensity(dn.unit_vectors([mean]), np.ones(1), k, k, np.ones(1))


@pytest.mark.parametrize("kappa", [1e-3, 2.0, 300.0])
def test_a_kernel_is_the_density_of_scipy(kappa):
    points, mean = dn.equal_area_points(50), dn.unit_vectors([1, -2, 0.5])
    expected = stats.vonmises_fisher(mean, kappa).logpdf(points)
    assert np.allclose(one_kernel(mean, kappa).log_density(points), expected, atol=1e-9 * max(1, kappa))
    assert np.allclose(one_kernel(mean, 0.0).log_density(points), -np.log(4 * np.pi))


@pytest.mark.parametrize("kappa", [0.5, 5.0, 300.0])
def test_draws_of_a_kernel_follow_the_distribution(kappa):
    """Evenly spread draws fill every cone by its closed form, and every azimuth alike."""
    mean = dn.unit_vectors([-0.2, 0.9, 0.1])
    v = one_kernel(mean, kappa).draws(20_000)
    angle = dn.angle_between_rad(v, mean)
    for level in (0.05, 0.5, 0.95):
        assert np.mean(angle < vmf_cone_rad(kappa, level)) == pytest.approx(level, abs=1e-3)
    x, y = dn.lambert_xy(v, mean).T
    assert stats.kstest(np.arctan2(y, x), stats.uniform(-np.pi, 2 * np.pi).cdf).statistic < 2e-3


@pytest.mark.parametrize("kappa", [0.0, 1.0, 40.0, 1e9])
def test_vmf_samples_follow_the_distribution(kappa):
    rng = np.random.default_rng(7)
    mean = dn.unit_vectors([-0.2, 0.9, 0.1])
    v = vmf_sample(rng, mean, kappa, 3000)
    angle = dn.angle_between_rad(v, mean)
    level = rng.uniform(size=3000)  # the angle's distribution function is the inverse of the cone
    assert stats.ks_2samp(angle, vmf_cone_rad(kappa, level)).pvalue > 1e-3
    x, y = dn.lambert_xy(v, mean).T
    assert stats.kstest(np.arctan2(y, x), stats.uniform(-np.pi, 2 * np.pi).cdf).pvalue > 1e-3


def test_spherical_mean_angle_between_sign_products():
    # P(sign(b1.v) != sign(b2.v)) = angle/pi for isotropic v (Goemans & Williamson, J. ACM 42, 1115 (1995), from memory)
    v = dn.equal_area_points(50000)
    for degrees in (30, 60, 90, 120):
        b1, b2 = dn.vector_from_angles(0.1, 0.2), dn.vector_from_angles(0.1, 0.2 + np.radians(degrees))
        assert np.mean((v @ b1) * (v @ b2) < 0) == pytest.approx(degrees / 180, abs=2e-3)


# ------------------------------------------------------------------------------------- clouds for density, regions, modes
MEAN = np.array([0.3, -0.5, 0.8])


def cloud(name, rng, n):
    pick = rng.random(n)[:, None]
    if name == "round":
        return vmf_sample(rng, MEAN, 50.0, n)
    if name == "hundredth of a degree":
        return vmf_sample(rng, MEAN, np.radians(0.01) ** -2, n)
    if name == "1e-6 rad":
        return vmf_sample(rng, MEAN, 1e12, n)
    if name == "sphere":
        return dn.random_directions(rng, n)
    if name == "two unequal":
        return np.where(pick < 0.3, vmf_sample(rng, [0, 0, 1], 2000.0, n), vmf_sample(rng, [1, 1, -1], 20.0, n))
    if name == "antipodal":
        return vmf_sample(rng, MEAN, 30.0, n) * np.where(pick < 0.5, 1, -1)
    if name == "ring":
        return dn.vector_from_angles(rng.uniform(0, 2 * np.pi, n), 0.02 * rng.standard_normal(n))
    if name == "exact plane":
        return dn.vector_from_angles(rng.uniform(0, 2 * np.pi, n), np.zeros(n))
    if name == "arc":
        return dn.vector_from_angles(0.5 * rng.standard_normal(n), 0.01 * rng.standard_normal(n))
    raise KeyError(name)


CLOUDS = [
    "round",
    "hundredth of a degree",
    "1e-6 rad",
    "sphere",
    "two unequal",
    "antipodal",
    "ring",
    "exact plane",
    "arc",
]


@pytest.mark.parametrize("name", CLOUDS)
def test_regions_hold_their_level(name):
    # truth drawn from the same distribution: 25 posteriors of 300 samples, 300 truths each; the scatter between
    # posteriors (which share their samples' luck) gives the error
    rng = np.random.default_rng(8)
    levels = (0.5, 0.9)
    inside = []
    for _ in range(25):
        regions = dn.credible_regions(cloud(name, rng, 300), levels, axis=MEAN)
        truth = cloud(name, rng, 300)
        inside.append([dn.contains(r, truth).mean() for r in regions])
    error = np.std(inside, axis=0, ddof=1) / 5
    assert np.all(np.abs(np.mean(inside, axis=0) - levels) < 4 * error + 0.005)


def test_a_region_from_scores_with_their_own_kernel_fails_coverage():
    # negative control: without leaving each sample out, its own kernel lifts its score and the region is too small
    rng = np.random.default_rng(9)
    inside = []
    for _ in range(60):
        density = dn.fit_sphere_density(cloud("round", rng, 60))
        threshold = np.quantile(density.log_density(density.centres), 0.1)
        inside.append(np.mean(density.log_density(cloud("round", rng, 200)) >= threshold))
    assert np.mean(inside) < 0.9 - 5 * np.std(inside, ddof=1) / np.sqrt(60)


@pytest.mark.parametrize("kappa", [2.0, 100.0, 1e8])
def test_solid_angle_against_the_cap(kappa):
    # highest-density region of Fisher's distribution: a cap of 2 pi (1 - cos cone)
    levels = np.array([0.5, 0.9, 0.95])
    cone = vmf_cone_rad(kappa, levels)
    cap = 4 * np.pi * np.sin(cone / 2) ** 2
    ratios, cones = [], []
    for seed in range(6):
        regions = dn.credible_regions(vmf_sample(np.random.default_rng(seed), MEAN, kappa, 1000), levels, axis=MEAN)
        assert [r.level for r in regions] == list(levels)
        ratios.append([r.solid_angle_sr for r in regions] / cap)
        cones.append([np.radians(r.cone_deg) for r in regions] / cone)
    error = np.std(ratios, axis=0, ddof=1) / np.sqrt(6)
    assert np.all(np.abs(np.mean(ratios, axis=0) - 1.0) < 4 * error + 0.04)  # smoothing: a few per cent
    assert np.mean(cones, axis=0) == pytest.approx(1.0, abs=0.06)


def test_solid_angle_error_is_the_scatter_that_it_claims():
    # area of one fixed region measured by fresh random draws of the same estimate, against the lattice draws' figure
    samples = cloud("two unequal", np.random.default_rng(10), 400)
    region = dn.credible_regions(samples, (0.9,))[0]
    points = dn.equal_area_points(100000)
    exact = 4 * np.pi * dn.contains(region, points).mean()
    assert abs(region.solid_angle_sr - exact) < 4 * region.solid_angle_error_sr + 2e-3


def test_regions_are_nested_and_the_whole_sphere_is_the_limit():
    samples = cloud("antipodal", np.random.default_rng(11), 200)
    small, large, all_of_it = dn.credible_regions(samples, (0.5, 0.9, 0.999))
    points = dn.equal_area_points(3000)
    assert np.all(dn.contains(large, points) | ~dn.contains(small, points))
    assert all_of_it.solid_angle_sr == 4 * np.pi  # 200 samples cannot promise 99.9%
    assert dn.contains(all_of_it, points).all()
    assert dn.contains(large, points.reshape(30, 100, 3)).shape == (30, 100)


def test_density_integrates_to_one_and_leave_one_out_equals_refit():
    rng = np.random.default_rng(12)
    samples = dn.unit_vectors(cloud("two unequal", rng, 60))
    full = dn.fit_sphere_density(samples)
    assert 4 * np.pi * np.exp(full.log_density(dn.equal_area_points(40000))).mean() == pytest.approx(1.0, abs=0.01)
    score = full.log_density(samples, leave_one_out=True)
    for i in range(0, 60, 7):
        rest = dn.fit_sphere_density(np.delete(samples, i, axis=0))
        # 59 samples round to the same number of neighbours as 60
        assert score[i] == pytest.approx(rest.log_density(samples[i : i + 1])[0], abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**31), components)
def test_density_turns_with_the_sphere(seed, towards):
    rng = np.random.default_rng(seed)
    samples, points = cloud("round", rng, 50), dn.random_directions(rng, 20)
    rotation = dn.rotation_to(towards)
    plain = dn.fit_sphere_density(samples).log_density(points)
    turned = dn.fit_sphere_density(samples @ rotation.T).log_density(points @ rotation.T)
    assert np.allclose(plain, turned, rtol=1e-9, atol=1e-8)


def test_repeated_samples_count_as_weight():
    rng = np.random.default_rng(13)
    samples = cloud("round", rng, 100)
    times = rng.integers(1, 5, 100)
    points = dn.random_directions(rng, 50)
    repeated = dn.fit_sphere_density(np.repeat(samples, times, axis=0)).log_density(points)
    assert np.allclose(repeated, dn.fit_sphere_density(samples, times).log_density(points), rtol=0, atol=1e-10)


def test_weights_steer_the_regions():
    # uniform directions weighted into Fisher's distribution: same 90% cap, within the sampling error of 4000 uniform
    # draws (about 0.19 x 4000 of them carry the weight)
    rng = np.random.default_rng(14)
    samples = dn.random_directions(rng, 3000)
    weights = stats.vonmises_fisher(dn.unit_vectors(MEAN), 5.0).pdf(samples)
    region = dn.credible_regions(samples, (0.9,), axis=MEAN, weights=weights)[0]
    cone = float(vmf_cone_rad(5.0, 0.9))
    assert region.solid_angle_sr == pytest.approx(4 * np.pi * np.sin(cone / 2) ** 2, rel=0.12)
    assert region.cone_deg == pytest.approx(np.degrees(cone), rel=0.05)


def test_many_samples_are_thinned_without_locking_to_a_period():
    kept = dn._thinned(64_000, 3000)
    assert 2900 < len(kept) <= 3000
    share = np.bincount(kept % 64, minlength=64) / len(kept)  # as many from each of 64 interleaved walkers
    assert share.max() < 2 / 64
    assert share.min() > 0.5 / 64


# ----------------------------------------------------------------------------------------------------------------- modes
@pytest.mark.parametrize("name", ["round", "1e-6 rad", "sphere", "ring", "arc"])
def test_one_cloud_is_one_mode(name):
    found = [len(dn.clusters(cloud(name, np.random.default_rng(s), 1000)).modes) for s in range(8)]
    assert sum(found) <= 8 + 1  # sampling noise may split a ring once in a while


def test_two_modes_with_weights_means_and_widths():
    n = 4000
    samples = cloud("two unequal", np.random.default_rng(15), n)
    found = dn.clusters(samples)
    assert len(found.modes) == 2
    heavy, light = found.modes
    assert heavy.weight == pytest.approx(0.7, abs=4 * np.sqrt(0.21 / n))
    assert heavy.weight + light.weight == pytest.approx(1.0)
    assert dn.angle_between_rad(light.mean, [0, 0, 1]) < 4 * np.sqrt(2 / 2000 / light.count)
    assert light.angular_sd_rad == pytest.approx(np.sqrt(2 / 2000), rel=0.1)
    assert heavy.angular_sd_rad == pytest.approx(np.sqrt(2 / 20), rel=0.1)
    truth = dn.angle_between_rad(samples, [0, 0, 1]) < 0.3
    assert np.mean((found.labels == 1) == truth) > 0.999
    assert [m.count for m in found.modes] == np.bincount(found.labels).tolist()


@pytest.mark.parametrize(("apart", "modes"), [(2.0, 1), (3.0, 1), (7.0, 2)])
def test_overlapping_clouds_are_one_and_distant_ones_two(apart, modes):
    rng = np.random.default_rng(16)
    a, b = dn.vector_from_angles(0.0, 0.0), dn.vector_from_angles(apart / 20, 0.0)  # sd 1/20 rad at kappa 400
    samples = np.concatenate([vmf_sample(rng, a, 400.0, 500), vmf_sample(rng, b, 400.0, 500)])
    assert len(dn.clusters(samples).modes) == modes


def test_touching_clouds_part_at_a_deep_saddle_only():
    # six standard deviations apart the density half way is 2 exp(-4.5) = 0.022 of the peaks; of 3000 samples some do
    # bridge the gap, so it is the depth of the saddle that parts the two
    rng = np.random.default_rng(19)
    a, b = dn.vector_from_angles(0.0, 0.0), dn.vector_from_angles(6 / 20, 0.0)
    samples = np.concatenate([vmf_sample(rng, a, 400.0, 1500), vmf_sample(rng, b, 400.0, 1500)])
    found = dn.clusters(samples)
    assert [m.weight for m in found.modes] == pytest.approx([0.5, 0.5], abs=0.02)
    assert len(dn.clusters(samples, saddle=0.001).modes) == 1


def test_a_mode_of_one_per_cent_is_found():
    # 15 samples: fewer than the neighbours that the graph asks for
    rng = np.random.default_rng(20)
    samples = np.concatenate([vmf_sample(rng, MEAN, 50.0, 1485), vmf_sample(rng, -MEAN, 5000.0, 15)])
    assert [m.count for m in dn.clusters(samples).modes] == [1485, 15]


def test_eight_mirror_images_are_eight_modes():
    rng = np.random.default_rng(17)
    signs = np.array([[i, j, k] for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)])
    samples = np.concatenate([vmf_sample(rng, s, 200.0, 250) for s in signs])
    found = dn.clusters(samples)
    assert len(found.modes) == 8
    assert [m.weight for m in found.modes] == pytest.approx([1 / 8] * 8, abs=1e-6)


def test_antipodal_odds_counts():
    samples = np.repeat([[0, 0, 1.0], [0, 0, -1.0], [1.0, 0, 0.1]], [30, 10, 20], axis=0)
    wide = dn.antipodal_odds(samples, [0, 0, 5])
    assert (wide.same, wide.opposite) == pytest.approx((50, 10))
    assert wide.odds == pytest.approx(50.5 / 10.5)
    narrow = dn.antipodal_odds(samples, [0, 0, 5], half_angle_rad=0.5)
    assert narrow.odds == pytest.approx(30.5 / 10.5)
    back = dn.antipodal_odds(samples, [0, 0, -5], half_angle_rad=0.5)
    assert back.odds == pytest.approx(1 / narrow.odds)
    assert back.log_error == pytest.approx(np.sqrt(1 / 30.5 + 1 / 10.5))


# -------------------------------------------------------------------------------------------------------------- messages
@pytest.mark.parametrize(
    ("call", "text"),
    [
        (
            lambda: dn.angles_from_vector([0.0, 0.0, 0.0]),
            "direction: a vector of length zero has no direction. Remove zero vectors before taking directions.",
        ),
        (
            lambda: dn.angles_from_vector([0.0, np.nan, 0.0]),
            "direction: a direction holds a value that is not finite. Remove nan and inf.",
        ),
        (
            lambda: dn.angle_between_rad([1.0, 0.0], [1.0, 0.0, 0.0]),
            "direction: directions need three components on their last axis, got an array of shape (2,). "
            "Pass an array of shape (..., 3).",
        ),
        (
            lambda: dn.credible_regions(np.tile([[1.0, 0, 0]], (100, 1))),
            "samples: only 1 distinct directions with a weight, too few for a density on the sphere. "
            "Give at least 20; a chain that repeats itself must run longer.",
        ),
        (
            lambda: dn.credible_regions(ICELAND),
            "samples: at least 20 directions are needed, got 9.",
        ),
        (
            lambda: dn.credible_regions(dn.equal_area_points(30), levels=(95,)),
            "levels: a credible level must lie between 0 and 1, got 95. Write 0.95 for 95%.",
        ),
        (
            lambda: dn.fit_sphere_density(dn.equal_area_points(30), weights=-np.ones(30)),
            "weights: weights must be finite, not negative and not all zero. Normalise log weights first.",
        ),
        (
            lambda: dn.antipodal_odds(ICELAND, [0, 0, 1], half_angle_rad=2.0),
            "antipodal_odds: the half-angle of a cap must lie in (0, pi/2], got 2.0 rad. "
            "Caps wider than a hemisphere would overlap.",
        ),
    ],
)
def test_messages(call, text):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == text


def test_inputs_are_left_alone():
    samples = 3.0 * cloud("round", np.random.default_rng(18), 100)
    before = samples.copy()
    dn.credible_regions(samples)
    dn.clusters(samples)
    assert np.array_equal(samples, before)


def test_moments_in_si_have_directions():
    assert np.allclose(dn.unit_vectors([3e-200, 0.0, 4e-200]), [0.6, 0.0, 0.8], rtol=1e-15)
