"""Fields and fluxes against textbooks, many-digit quadrature, magpylib and Maxwell's coaxial circles.

Values marked "from memory" were not read in the publication; they were verified by
an independent computation.  magpylib carries its own mu0 (scipy's), which differs
from CODATA 2022 by less than 1e-9.  Every comparison of SI numbers sets its own absolute
tolerance: the default of pytest.approx, 1e-12, would swallow webers and henries whole.
"""

import magpylib
import mpmath as mp
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.magnets import coil_field_t, dipole_field_t, dipole_flux_wb_per_a_m2, rectangle_outline, regular_outline
from scipy.spatial.transform import Rotation
from scipy.special import ellipe, ellipk

from fluxsense.base.constants import FLUX_QUANTUM_WB, MAGNETIC_CONSTANT_N_A2
from fluxsense.base.errors import InputError
from fluxsense.magnetics.loops import area_vector, distance_to_outline
from fluxsense.magnetics.wires import FAR_RATIO, Wires, mutual_inductance_h, unit_current_rows

MU0 = MAGNETIC_CONSTANT_N_A2
OLD_MU0 = 4e-7 * np.pi  # the printed tables of inductance and the textbook numbers below use it
seeds = st.integers(0, 2**32 - 1)


def row_in_many_digits(vertices, position):
    """mu0/(4 pi) sum over edges of (e x u) times the integral of |e + t u|^-3, by quadrature in 34 digits."""
    with mp.workdps(34):
        total = [mp.mpf(0)] * 3
        r0 = [mp.mpf(float(c)) for c in position]
        corners = [[mp.mpf(float(c)) for c in p] for p in vertices]
        for p, q in zip(corners, corners[1:] + corners[:1], strict=True):
            e = [a - b for a, b in zip(p, r0, strict=True)]
            u = [a - b for a, b in zip(q, p, strict=True)]
            c = [e[1] * u[2] - e[2] * u[1], e[2] * u[0] - e[0] * u[2], e[0] * u[1] - e[1] * u[0]]
            uu = sum(x * x for x in u)
            closest = min(max(-sum(a * b for a, b in zip(e, u, strict=True)) / uu, mp.mpf(0)), mp.mpf(1))
            if all(x == 0 for x in c):
                continue

            def integrand(t, e=e, u=u):
                return sum((a + t * b) ** 2 for a, b in zip(e, u, strict=True)) ** mp.mpf("-1.5")

            width = mp.sqrt(sum((a + closest * b) ** 2 for a, b in zip(e, u, strict=True)) / uu)
            cuts = {mp.mpf(0), mp.mpf(1), closest}
            for k in range(-3, 12):  # graded towards the nearest point, where the integrand peaks
                for side in (-1, 1):
                    cut = closest + side * width * 4**k
                    if 0 < cut < 1:
                        cuts.add(cut)
            integral = mp.quad(integrand, sorted(cuts))
            total = [s + x * integral for s, x in zip(total, c, strict=True)]
        return np.array([float(mp.mpf(MU0) / (4 * mp.pi) * x) for x in total])


def fan_nodes(vertices, count):
    """Gauss nodes and vector weights on the fan of triangles from the outline's mean: a spanning surface."""
    x, w = np.polynomial.legendre.leggauss(count)
    x, w = 0.5 * (1 + x), 0.5 * w
    s, t = np.meshgrid(x, x, indexing="ij")
    weight = (w[:, None] * w * s).ravel()
    centre, p, q = vertices.mean(axis=0), vertices, np.roll(vertices, -1, axis=0)
    s, t = s.ravel()[:, None, None], t.ravel()[:, None, None]
    nodes = centre + s * ((1 - t) * (p - centre) + t * (q - centre))
    return nodes.reshape(-1, 3), (weight[:, None, None] * np.cross(p - centre, q - centre)).reshape(-1, 3)


# ---------------------------------------------------------------- dipole field


def test_dipole_field_on_axis_and_equator():
    # Textbook: 2e-7 T on the axis and -1e-7 T on the equator at 1 m from 1 A m^2 (mu0 = 4 pi e-7).
    field = dipole_field_t([0, 0, 1], [0, 0, 0], [[0, 0, 1], [1, 0, 0]])
    np.testing.assert_allclose(field * OLD_MU0 / MU0, [[0, 0, 2e-7], [0, 0, -1e-7]], rtol=1e-14, atol=1e-30)


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_dipole_field_against_magpylib(seed):
    rng = np.random.default_rng(seed)
    m, r0, x = rng.normal(size=(3, 3))
    peer = magpylib.misc.Dipole(moment=m, position=r0).getB(x)
    np.testing.assert_allclose(dipole_field_t(m, r0, x), peer, rtol=1e-9, atol=1e-9 * np.abs(peer).max())


def test_dipole_field_broadcasts_as_a_loop():
    rng = np.random.default_rng(5)
    m, r0, x = rng.normal(size=(4, 1, 3)), rng.normal(size=(3,)), rng.normal(size=(6, 3))
    field = dipole_field_t(m, r0, x)
    assert field.shape == (4, 6, 3)
    np.testing.assert_array_equal(field[2, 5], dipole_field_t(m[2, 0], r0, x[5]))


# ---------------------------------------------------------------- flux of a dipole in a loop


def test_dipole_above_a_square():
    # Closed form mu0 m s^2/(2 pi (z^2 + s^2/4) sqrt(z^2 + s^2/2)) (derived by reciprocity, checked by a double
    # integral); s = 10 um, z = 5 um, 1e-15 A m^2: 4.61880215291e-17 Wb = 0.0223364278341 Phi0.
    row = dipole_flux_wb_per_a_m2(rectangle_outline(10e-6, 10e-6), [0, 0, 5e-6])
    s, z = 10e-6, 5e-6
    np.testing.assert_allclose(
        row, [0, 0, MU0 * s**2 / (2 * np.pi * (z**2 + s**2 / 4) * np.sqrt(z**2 + s**2 / 2))], rtol=1e-14, atol=1e-18
    )
    assert row[2] * 1e-15 == pytest.approx(4.61880215291e-17, rel=1e-9, abs=0)
    assert row[2] * 1e-15 / FLUX_QUANTUM_WB == pytest.approx(0.0223364278341, rel=1e-9, abs=0)


def test_polygons_approach_the_circle_at_fourth_order():
    # Jackson, loop and dipole on its axis: mu0 m a^2/(2 (a^2 + z^2)^1.5); a = z = 5 um, 1e-15 A m^2:
    # 4.44288293757e-17 Wb = 0.0214856862938 Phi0.
    exact = 0.0214856862938 * FLUX_QUANTUM_WB * 1e15
    assert exact == pytest.approx(MU0 * (5e-6) ** 2 / (2 * 50e-12**1.5), rel=1e-9, abs=0)
    error = {}
    for sides in (16, 32, 64):
        for equal in (False, True):
            loop = regular_outline(sides, 5e-6, equal_area=equal)
            error[sides, equal] = abs(dipole_flux_wb_per_a_m2(loop, [0, 0, 5e-6])[2] / exact - 1)
    assert np.log2(error[32, False] / error[64, False]) == pytest.approx(2, abs=0.05)
    assert np.log2(error[16, True] / error[32, True]) == pytest.approx(4, abs=0.05)
    assert error[64, True] < 2e-6


def test_bohr_magneton_in_the_middle_of_a_loop():
    # Identity Phi/Phi0 = r_e/a (classical electron radius); CODATA: mu_B = 9.2740100657e-24, r_e = 2.8179403205e-15.
    loop = regular_outline(512, 1e-6, equal_area=True)
    flux = dipole_flux_wb_per_a_m2(loop, [0, 0, 0])[2] * 9.2740100657e-24
    assert flux / FLUX_QUANTUM_WB == pytest.approx(2.8179403205e-9, rel=2e-8, abs=0)


def test_best_radius_for_an_axial_dipole():
    # Derived: a = sqrt(2) z, where the flux is mu0 m/(3 sqrt(3) z).
    z = 3e-6

    def flux(radius):
        return dipole_flux_wb_per_a_m2(regular_outline(256, radius, equal_area=True), [0, 0, z])[2]

    best = flux(np.sqrt(2) * z)
    assert best == pytest.approx(MU0 / (3 * np.sqrt(3) * z), rel=1e-8, abs=0)
    assert flux(1.4 * z) < best > flux(1.43 * z)


@pytest.mark.parametrize("distance", [1e-9, 1e-5, 1e-2, 0.3, 1.0, FAR_RATIO, 30.0, 1e4, 1e8])
def test_row_at_any_distance_against_many_digits(distance):
    rng = np.random.default_rng(17)
    loop = rng.normal(size=(5, 3))
    if distance < 0.1:
        away = np.cross(loop[1] - loop[0], [0.3, -1.0, 0.5])
        position = loop[0] + 0.37 * (loop[1] - loop[0]) + distance * away / np.linalg.norm(away)
    else:
        position = loop.mean(axis=0) + distance * np.array([0.48, -0.64, 0.6])
    expected = row_in_many_digits(loop, position)
    # Coordinates are rounded at eps times the loop's size, so that over the distance is the best there can be.
    conditioning = max(2e-14, 2**-52 * np.ptp(loop, axis=0).max() / distance)
    np.testing.assert_allclose(
        dipole_flux_wb_per_a_m2(loop, position), expected, rtol=0, atol=conditioning * np.abs(expected).max()
    )


@pytest.mark.parametrize(
    "position",
    [
        (3.0, -1.0, 0.0),
        (1.0 + 2.0**-30, -1.0, 0.0),
        (-1.0, 1.0 + 1e-12, 0.0),
        (1.0, 1e5, 0.0),
        (1.0 + 1e-7, -1.0 + 1e-13, 1e-13),
    ],
)
def test_dipole_in_line_with_an_edge(position):
    square = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    expected = row_in_many_digits(square, position)
    got = dipole_flux_wb_per_a_m2(square, position)
    assert np.all(np.isfinite(got))
    np.testing.assert_allclose(got, expected, rtol=0, atol=2e-14 * np.abs(expected).max())


def test_far_dipole_gives_field_times_area():
    loop = rectangle_outline(1e-6, 2e-6, normal=(1, 2, 3))
    position = np.array([0.3, -0.2, 0.5])
    expected = np.array([dipole_field_t(m, position, [0, 0, 0]) @ area_vector(loop) for m in np.eye(3)])
    np.testing.assert_allclose(dipole_flux_wb_per_a_m2(loop, position), expected, rtol=1e-10)


@given(seeds)
@settings(max_examples=20, deadline=None)
def test_flux_equals_the_surface_integral_of_the_dipole_field(seed):
    rng = np.random.default_rng(seed)
    loop = rng.uniform(-1, 1, size=(5, 3))
    loop -= loop.mean(axis=0)
    direction = rng.normal(size=3)
    position = 5.0 * direction / np.linalg.norm(direction)
    nodes, weights = fan_nodes(loop, 24)
    expected = np.array([(dipole_field_t(m, position, nodes) * weights).sum() for m in np.eye(3)])
    got = dipole_flux_wb_per_a_m2(loop, position)
    scale = np.abs(dipole_field_t(np.ones(3), position, nodes) * weights).sum()
    np.testing.assert_allclose(got, expected, rtol=0, atol=1e-12 * scale)
    # Negative control: with the winding reversed the same comparison must fail.
    assert np.abs(dipole_flux_wb_per_a_m2(loop[::-1], position) - expected).max() > 1e-6 * np.abs(expected).max()


places = st.sampled_from([0.5, 3.0, FAR_RATIO * 3, 1e3])


@given(seeds, places)
@settings(max_examples=60, deadline=None)
def test_row_turns_moves_and_scales_with_the_geometry(seed, distance):
    rng = np.random.default_rng(seed)
    loop, position = rng.normal(size=(6, 3)), distance * rng.normal(size=3)
    row = dipole_flux_wb_per_a_m2(loop, position)
    # Rounding of the moved coordinates is the limit: far away eps times the distance over the loop's size, close by
    # eps times the size over the distance to the wire.
    atol = 1e-14 * np.abs(row).max() * max(10.0, distance, 10.0 / distance_to_outline(position, loop))
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.normal(size=3)
    np.testing.assert_allclose(
        dipole_flux_wb_per_a_m2(loop @ turn.T + shift, turn @ position + shift), turn @ row, rtol=0, atol=atol
    )
    np.testing.assert_allclose(
        2.0 * dipole_flux_wb_per_a_m2(2.0 * loop, 2.0 * position), row, rtol=1e-13, atol=1e-15 * np.abs(row).max()
    )
    np.testing.assert_allclose(dipole_flux_wb_per_a_m2(loop[::-1], position), -row, rtol=0, atol=atol)
    np.testing.assert_allclose(dipole_flux_wb_per_a_m2(np.roll(loop, 2, axis=0), position), row, rtol=0, atol=atol)


@given(seeds, places)
@settings(max_examples=60, deadline=None)
def test_row_is_additive_over_loops_that_share_a_wire_and_blind_to_extra_corners(seed, distance):
    rng = np.random.default_rng(seed)
    loop, position = rng.normal(size=(6, 3)), distance * rng.normal(size=3)
    row = dipole_flux_wb_per_a_m2(loop, position)
    parts = [dipole_flux_wb_per_a_m2(part, position) for part in (loop[:4], loop[[3, 4, 5, 0]])]
    size = max(np.abs(part).max() for part in parts)
    np.testing.assert_allclose(sum(parts), row, rtol=0, atol=1e-12 * size)
    halved = np.stack([loop, 0.5 * (loop + np.roll(loop, -1, axis=0))], axis=1).reshape(-1, 3)
    rounding = 1e-14 * size * max(10.0, 10.0 / distance_to_outline(position, loop))
    np.testing.assert_allclose(dipole_flux_wb_per_a_m2(halved, position), row, rtol=0, atol=rounding)
    repeated = np.concatenate([loop, loop[:1]])  # closed by hand: one edge of no length
    np.testing.assert_allclose(dipole_flux_wb_per_a_m2(repeated, position), row, rtol=0, atol=1e-12 * size)


def test_batch_equals_loop_across_near_and_far_and_over_blocks():
    rng = np.random.default_rng(8)
    loops = [rng.normal(size=(n, 3)) + shift for n, shift in ((3, 0.0), (40, 5.0), (7, 100.0))]
    positions = rng.normal(size=(30, 50, 3)) * np.geomspace(0.1, 1e3, 50)[:, None]
    rows = unit_current_rows(Wires.of(loops), positions)
    assert rows.shape == (30, 50, 3, 3)
    for index in [(0, 0), (3, 20), (29, 49), (11, 30)]:
        alone = np.array([dipole_flux_wb_per_a_m2(loop, positions[index]) for loop in loops])
        assert np.all(np.abs(rows[index] - alone) <= 1e-14 * np.abs(alone).max(axis=1, keepdims=True))


# ---------------------------------------------------------------- coils


def test_circular_coil_field():
    # a = 1 m, 1 A, mu0 = 4 pi e-7 (verified with magpylib's closed form): centre, z = 1, and (0.6, 0, 0.4).
    coil = regular_outline(512, 1.0, equal_area=True)
    field = coil_field_t(coil, 1.0, [[0, 0, 0], [0, 0, 1], [0.6, 0, 0.4]]) * OLD_MU0 / MU0
    np.testing.assert_allclose(
        field, [[0, 0, 6.28318531e-7], [0, 0, 2.22144147e-7], [2.27409777e-7, 0, 5.06928315e-7]], rtol=5e-9, atol=1e-20
    )


@given(seeds)
@settings(max_examples=30, deadline=None)
def test_coil_field_against_magpylib(seed):
    rng = np.random.default_rng(seed)
    coil, points = rng.normal(size=(5, 3)), 2.0 * rng.normal(size=(8, 3))
    peer = magpylib.current.Polyline(current=2.5, vertices=np.concatenate([coil, coil[:1]])).getB(points)
    np.testing.assert_allclose(coil_field_t(coil, 2.5, points), peer, rtol=0, atol=2e-9 * np.abs(peer).max())


def test_coil_field_is_linear_in_the_current():
    coil = rectangle_outline(1.0, 2.0)
    one = coil_field_t(coil, 1.0, [0.1, 0.2, 0.3])
    np.testing.assert_allclose(coil_field_t(coil, [-2.0, 0.0, 3.0], [0.1, 0.2, 0.3]), np.outer([-2, 0, 3], one))


# ---------------------------------------------------------------- mutual inductance


def maxwell_coaxial(a, b, d):
    """Maxwell, Treatise art. 701: mu0 sqrt(ab) ((2/k - k) K - (2/k) E), k^2 = 4ab/((a + b)^2 + d^2)."""
    k2 = 4 * a * b / ((a + b) ** 2 + d**2)
    k = np.sqrt(k2)
    return MU0 * np.sqrt(a * b) * ((2 / k - k) * ellipk(k2) - 2 / k * ellipe(k2))


def limit_of_polygons(inductance, sides):
    """Richardson step for an error of order sides^-4 (equal areas)."""
    coarse, fine = inductance(sides), inductance(2 * sides)
    return (16 * fine - coarse) / 15


@pytest.mark.parametrize(
    ("a", "b", "d", "table_nh", "rel"),
    [
        # nH with mu0 = 4 pi e-7: Maxwell's form = Neumann quadrature = Carlson's integrals to 12 digits.
        (0.25, 0.25, 0.10, 337.684718487, 1e-7),
        (0.25, 0.25, 0.50, 35.4649815511, 2e-8),
        (0.25, 0.20, 0.10, 248.78735904219, 1e-7),
    ],
)
def test_coaxial_circles(a, b, d, table_nh, rel):
    def inductance(sides):
        return mutual_inductance_h(
            regular_outline(sides, a, equal_area=True), regular_outline(sides, b, (0, 0, d), equal_area=True)
        )

    got = limit_of_polygons(inductance, 32)
    assert maxwell_coaxial(a, b, d) * OLD_MU0 / MU0 == pytest.approx(table_nh * 1e-9, rel=1e-11, abs=0)
    assert got == pytest.approx(maxwell_coaxial(a, b, d), rel=rel, abs=0)


def test_close_coaxial_circles():
    # a = b = 25 cm, 1 cm apart: 1036.66484928 nH ("1036.66 cm" in Rosa & Grover 1912, from memory).  Sides must be
    # shorter than the gap before the error falls as sides^-4, so the polygon is finer and the tolerance wider.
    got = mutual_inductance_h(
        regular_outline(160, 0.25, equal_area=True), regular_outline(160, 0.25, (0, 0, 0.01), equal_area=True)
    )
    assert got * OLD_MU0 / MU0 == pytest.approx(1036.66484928e-9, rel=2e-6, abs=0)


def test_tilted_circles():
    # Radii 16 and 10 cm, centre (0, 4.33013, 17.5) cm, normal (0, 3, sqrt 3): 26.6433305 nH by Neumann quadrature
    # with 1000 and 2000 nodes, which agree to 16 digits.
    def inductance(sides):
        return mutual_inductance_h(
            regular_outline(sides, 0.16, equal_area=True),
            regular_outline(sides, 0.10, (0, 0.0433013, 0.175), (0, 3, np.sqrt(3)), equal_area=True),
        )

    assert limit_of_polygons(inductance, 32) * OLD_MU0 / MU0 == pytest.approx(26.6433305e-9, rel=1e-8, abs=0)


def parallel_filaments(p, q, r, s):
    """Neumann integral of two parallel straight wires in many digits: four terms x asinh(x/d) - sqrt(x^2 + d^2).

    Derived by integrating 1/sqrt((x - y)^2 + d^2) twice by hand.
    """
    p, q, r, s = (mp.matrix([mp.mpf(float(c)) for c in v]) for v in (p, q, r, s))

    def dot(a, b):
        return mp.fsum(x * y for x, y in zip(a, b, strict=True))

    along = (q - p) / mp.sqrt(dot(q - p, q - p))
    if dot(along, s - r) == 0:
        return mp.mpf(0)
    d2 = dot(r - p, r - p) - dot(r - p, along) ** 2

    def g(x):
        return x * mp.asinh(x / mp.sqrt(d2)) - mp.sqrt(x * x + d2)

    x, y = dot(r - p, along), dot(s - p, along)
    length = dot(q - p, along)
    return g(y) - g(y - length) - g(x) + g(x - length)


def rectangles_in_many_digits(a, b):
    with mp.workdps(50):
        total = mp.mpf(0)
        for p, q in zip(a, np.roll(a, -1, axis=0), strict=True):
            for r, s in zip(b, np.roll(b, -1, axis=0), strict=True):
                total += parallel_filaments(p, q, r, s)
        return float(total * mp.mpf(MU0) / (4 * mp.pi))


@pytest.mark.parametrize(
    "shift",
    [
        (0, 0, 2.0**-10),
        (0, 0, 0.125),
        (0, 0, 1),
        (0.25, 0.5, 0.0625),
        (3, 5, 0),
        (7.5, 0, 0),
        (0, 0, 64),
        (20, -30, 512),
        (1000, 3000, 0),
        (0, 0, 2**20),
        (0.125, 0.375, 0),  # crosses in two points
    ],
)
def test_rectangles_against_the_closed_form(shift):
    a = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    b = a * [0.75, 1.25, 1] + np.array(shift, dtype=float)
    rel = 1e-14 * max(5.0, np.linalg.norm(shift))
    expected = rectangles_in_many_digits(a, b)
    assert mutual_inductance_h(a, b) == pytest.approx(expected, rel=rel, abs=0)
    assert mutual_inductance_h(b[::-1], a) == pytest.approx(-expected, rel=rel, abs=0)


def test_long_edge_just_beyond_the_switch_to_the_far_form():
    # The series in |u|/(|e| + |v|) converges slowest where one edge spans the whole outline.
    a = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    b = a * [0.25, 1, 1] + np.array([0.0, 8.0, 0.0])
    assert mutual_inductance_h(a, b) == pytest.approx(rectangles_in_many_digits(a, b), rel=3e-14, abs=0)


@given(seeds)
@settings(max_examples=15, deadline=None)
def test_mutual_inductance_equals_the_flux_of_the_coils_field(seed):
    rng = np.random.default_rng(seed)
    a, b = rng.uniform(-1, 1, size=(4, 3)), rng.uniform(-1, 1, size=(5, 3)) + np.array([0, 0, 6.0])
    nodes, weights = fan_nodes(a, 24)
    field = coil_field_t(b, 1.0, nodes)
    expected, scale = (field * weights).sum(), np.abs(field * weights).sum()
    m = mutual_inductance_h(a, b)
    assert m == pytest.approx(expected, rel=0, abs=1e-12 * scale)
    assert mutual_inductance_h(b, a) == pytest.approx(m, rel=0, abs=1e-12 * scale)
    assert mutual_inductance_h(a, b[::-1]) == pytest.approx(-m, rel=0, abs=1e-12 * scale)
    turn, shift = Rotation.random(random_state=seed).as_matrix(), rng.normal(size=3)
    assert mutual_inductance_h(a @ turn.T + shift, b @ turn.T + shift) == pytest.approx(m, rel=0, abs=1e-12 * scale)


def test_wires_that_cross_at_a_slant_are_integrated_the_same_both_ways():
    a = np.array([[0, 0, 0], [2.0, 0, 0], [0.7, 1.5, 0]])
    b = np.array([[0.1, -0.5, 0], [1.5, 1.0, 0], [-0.5, 0.6, 0]])
    assert mutual_inductance_h(a, b) == pytest.approx(mutual_inductance_h(b, a), rel=1e-10, abs=0)


def test_linked_loops_and_extra_corners():
    a, b = rectangle_outline(2.0, 2.0), rectangle_outline(2.0, 2.5, (1.0, 0.1, 0), normal=(0.2, 1, 0.7))
    m = mutual_inductance_h(a, b)
    assert abs(m) > 1e-8
    assert m == pytest.approx(mutual_inductance_h(b, a), rel=1e-12, abs=0)
    middle = 0.5 * (b + np.roll(b, -1, axis=0))
    halved = np.stack([b, middle, middle], axis=1).reshape(-1, 3)
    for outline in (np.concatenate([b, b[:1]]), halved):
        assert mutual_inductance_h(a, outline) == pytest.approx(m, rel=1e-12, abs=0)
        assert mutual_inductance_h(outline, a) == pytest.approx(m, rel=1e-12, abs=0)


# ---------------------------------------------------------------- messages


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: dipole_flux_wb_per_a_m2([[0, 0, 0], [1, 0, 0]], [0, 0, 1]),
            "outline 0 has 2 vertices, a closed outline needs at least 3. "
            "List the corners in order; the last one is joined to the first.",
        ),
        (
            lambda: dipole_flux_wb_per_a_m2(np.ones((3, 3)), [0, 0, 1]),
            "outline 0 has all corners in one point. Give its corners in metres.",
        ),
        (
            lambda: dipole_flux_wb_per_a_m2(np.ones((2, 3, 3)), [0, 0, 1]),
            "outline 0 has shape (2, 3, 3), rows of x, y, z are needed. Give one outline per entry of the list.",
        ),
        (lambda: Wires.of([]), "The list of outlines is empty. Give at least one loop."),
        (
            lambda: mutual_inductance_h(rectangle_outline(1, 1), rectangle_outline(1, 1, (0.5, 0, 0))),
            "The two outlines run along each other at (almost) no distance, where the mutual inductance of thin wires is "
            "infinite. Keep them apart by at least the width of the wire.",
        ),
    ],
)
def test_messages(call, message):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message
