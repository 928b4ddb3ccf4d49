"""Kinds of sources against a magnetostatics library and closed forms that share nothing with the package.

magpylib integrates no flux: its field is integrated over the loop by Gauss-Legendre nodes here.  The flux of a magnetic
charge q through a loop is mu0 q Omega/(4 pi) with Omega the solid angle of a triangle (A. Van Oosterom and J. Strackee,
IEEE Trans. Biomed. Eng. 30, 125 (1983), from memory); a rod magnetised along itself is two of them.
"""

from __future__ import annotations

import magpylib
import numpy as np
import pytest
from reference.magnets import rectangle_outline
from scipy.constants import mu_0

from fluxsense.base.constants import FLUX_QUANTUM_WB
from fluxsense.base.errors import InputError
from fluxsense.magnetics.extent import (
    SECOND_MOMENTS,
    moment_tensors,
    second_moment_sd_m2,
)
from fluxsense.magnetics.flux_map import NO_PLACE, clearance_m, flux_map, flux_map_unchecked
from fluxsense.magnetics.sources import source_kind
from fluxsense.magnetics.wires import Wires
from fluxsense.study.kinds import source_kinds

WIDTH, HEIGHT = 12e-6, 8e-6
CENTRE = np.array([7e-6, -3e-6, 0.0])
LOOP = rectangle_outline(WIDTH, HEIGHT, CENTRE)
WIRES = Wires.of([LOOP])
PLACE = np.array([0.5e-6, 1e-6, 10e-6])
AXIS = np.array([0.6, 0.0, 0.8])
NUMBERS = {
    "dipole": {},
    "uniform_field": {},
    "sphere": {"radius_m": 2e-6},
    "rod": {"length_m": 8e-6, "axis": tuple(AXIS)},
    "film_patch": {"width_m": 6e-6, "depth_m": 4e-6, "normal": (0.0, 0.6, 0.8), "x_axis": (1.0, 0.0, 0.0)},
}
PLACED = [name for name, kind in source_kinds().items() if kind.has_position]


def library_flux(body: magpylib.magnet.Cuboid) -> float:
    """Flux of a magpylib body through the loop in Wb: its field over 24 by 24 Gauss-Legendre nodes."""
    nodes, weights = np.polynomial.legendre.leggauss(24)
    x = CENTRE[0] + 0.5 * WIDTH * nodes
    y = CENTRE[1] + 0.5 * HEIGHT * nodes
    points = np.stack([*np.meshgrid(x, y, indexing="ij"), np.zeros((24, 24))], axis=-1)
    field = body.getB(points)[..., 2]
    return float(0.25 * WIDTH * HEIGHT * np.einsum("ij,i,j->", field, weights, weights))


def solid_angle(place: np.ndarray) -> float:
    """Solid angle of the loop from a place above it, positive for flux of a positive charge along +z."""
    total = 0.0
    for a, b, c in ((LOOP[0], LOOP[1], LOOP[2]), (LOOP[0], LOOP[2], LOOP[3])):
        u, v, w = a - place, b - place, c - place
        nu, nv, nw = (np.linalg.norm(x) for x in (u, v, w))
        below = nu * nv * nw + (u @ v) * nw + (u @ w) * nv + (v @ w) * nu
        total += 2.0 * np.arctan2(u @ np.cross(v, w), below)
    return float(total)


def rows(name: str, place: np.ndarray = PLACE) -> np.ndarray:
    return flux_map([LOOP], name, place, numbers=NUMBERS[name])[0] * FLUX_QUANTUM_WB


def test_rod_magnetised_along_itself_is_two_charges():
    half = 0.5 * NUMBERS["rod"]["length_m"] * AXIS
    # a positive charge above the loop sends flux down through it: minus the solid angle of a loop wound about +z
    expected = mu_0 / (4 * np.pi) / 8e-6 * (solid_angle(PLACE + half) - solid_angle(PLACE - half))
    assert rows("rod") @ AXIS == pytest.approx(expected, rel=1e-9, abs=0)


@pytest.mark.parametrize("moment", list(np.eye(3)))
def test_film_patch_and_rod_against_a_library(moment):
    # a patch of 1 nm: its thickness changes the flux by (t/d)^2, about 1e-8
    turn = magpylib.magnet.Cuboid(dimension=(1, 1, 1)).orientation.from_euler("x", -np.arctan2(0.6, 0.8))
    volume = 6e-6 * 4e-6 * 1e-8
    patch = magpylib.magnet.Cuboid(
        dimension=(6e-6, 4e-6, 1e-8), position=PLACE, orientation=turn, magnetization=turn.inv().apply(moment) / volume
    )
    assert rows("film_patch") @ moment == pytest.approx(library_flux(patch), rel=1e-6, abs=0)
    turn = turn.from_euler("y", np.arctan2(0.6, 0.8))
    thin = 4e-8
    rod = magpylib.magnet.Cuboid(
        dimension=(thin, thin, 8e-6),
        position=PLACE,
        orientation=turn,
        magnetization=turn.inv().apply(moment) / (thin**2 * 8e-6),
    )
    assert rows("rod") @ moment == pytest.approx(library_flux(rod), rel=2e-5, abs=0)


def test_sphere_against_a_library():
    sphere = magpylib.magnet.Sphere(
        diameter=4e-6, position=PLACE, magnetization=np.array([1.0, 2.0, -0.5]) / (4 / 3 * np.pi * 8e-18)
    )
    assert rows("sphere") @ [1.0, 2.0, -0.5] == pytest.approx(library_flux(sphere), rel=1e-9, abs=0)


def test_field_of_the_library_is_that_of_the_uniform_kind():
    field = np.array([0.3, -0.2, 0.9])
    np.testing.assert_allclose(
        flux_map([LOOP], "uniform_field")[0] @ field * FLUX_QUANTUM_WB, 0.9 * WIDTH * HEIGHT, rtol=1e-13
    )


@pytest.mark.parametrize("name", PLACED)
def test_far_away_each_is_a_dipole(name):
    """The relative difference falls as the square of the distance."""
    apart = []
    for distance in (4e-4, 8e-4):
        place = np.array([0.3, 0.2, 1.0]) * distance
        dipole = rows("dipole", place)
        apart.append(np.linalg.norm(rows(name, place) - dipole) / np.linalg.norm(dipole))
    assert apart[0] < 1e-3
    assert apart[1] < 0.26 * apart[0] or apart[1] < 1e-12


@pytest.mark.parametrize("name", list(source_kinds()))
def test_batches_of_places_are_places_one_by_one(name):
    kind = source_kind(name)
    places = np.array([[[0.0, 0.0, 9e-6], [1e-6, 0.0, 11e-6]], [[0.0, 2e-6, 12e-6], [-1e-6, 0.0, 8e-6]]])
    two = Wires.of([LOOP, LOOP + 5e-6 * np.array([1.0, 0.0, 0.0])])
    together = flux_map_unchecked(kind, two, places, None, NUMBERS[name])
    assert together.shape == (2, 2, 2, 3)
    for index in np.ndindex(2, 2):
        np.testing.assert_allclose(
            together[index], flux_map_unchecked(kind, two, places[index], None, NUMBERS[name]), rtol=1e-12
        )


def test_no_wire_passes_through_a_body():
    corner = LOOP[0]
    for name, near, off in (
        ("sphere", corner + np.array([0.0, 0.0, 1.9e-6]), corner + np.array([0.0, 0.0, 2.1e-6])),
        ("rod", corner + 3.9e-6 * AXIS, corner + 4.3e-6 * AXIS),
        ("film_patch", corner + np.array([2.9e-6, 0.0, 0.0]), corner + np.array([0.0, 0.0, 3e-6])),
    ):
        with pytest.raises(InputError, match=f"The {name.replace('_', ' ')} at .* lies on the wire of loop 0"):
            flux_map([LOOP], name, near, numbers=NUMBERS[name])
        assert np.isfinite(flux_map([LOOP], name, off, numbers=NUMBERS[name])).all()
    assert clearance_m(
        source_kind("sphere"), LOOP, corner + np.array([0, 0, 3e-6]), NUMBERS["sphere"]
    ) == pytest.approx(1e-6)
    assert clearance_m(source_kind("uniform_field"), LOOP, NO_PLACE, {}) == np.inf


# ---------------------------------------------------------------- extent


def added(place: np.ndarray, wires: Wires = WIRES) -> np.ndarray:
    """What a dipole's extent adds to the flux of one loop, (5, 3) in Wb per c_a and component of the moment."""
    thirds = source_kind("dipole").thirds(wires, place, {})[0]
    return np.einsum("n,nak->ak", thirds, moment_tensors(np.eye(3)[None])[0])


def differences(place: np.ndarray, step: float, wires: Wires) -> np.ndarray:
    """The same from fourth-order second differences of a dipole's rows (Abramowitz and Stegun 25.3.24, from memory)."""
    weights = {-2: -1 / 12, -1: 16 / 12, 0: -30 / 12, 1: 16 / 12, 2: -1 / 12}
    out = []
    for tensor in SECOND_MOMENTS:
        along = [
            sum(w * source_kind("dipole").rows(wires, place + k * step * u, {})[0] for k, w in weights.items())
            for u in np.linalg.eigh(tensor)[1].T
        ]
        out.append(0.5 * np.linalg.eigh(tensor)[0] @ np.array(along) / step**2)
    return np.array(out)


@pytest.mark.parametrize(
    ("place", "nearest_m"),
    [
        (PLACE, 1e-5),
        (CENTRE + np.array([6e-6 - 1e-7, 1e-6, 1e-7]), 1e-7),  # close to an edge
        (CENTRE + np.array([3e-5, 4e-6, 0.0]), 2.4e-5),  # in line with an edge, in the loop's plane
        (CENTRE + np.array([6e-6, 4e-6, 2e-6]), 2e-6),  # above a corner
        (CENTRE + np.array([1e-4, -2e-4, 1e-4]), 2e-4),  # far away
    ],
)
def test_derivatives_of_the_rows_against_differences(place, nearest_m):
    tilted = Wires.of([LOOP @ np.array([[0.8, 0.0, -0.6], [0.36, 0.8, 0.48], [0.48, -0.6, 0.64]])])
    for wires in (WIRES, tilted):
        away = nearest_m if wires is WIRES else 1e-5
        at = place if wires is WIRES else PLACE
        expected = differences(at, 0.02 * away, wires)
        np.testing.assert_allclose(added(at, wires), expected, rtol=2e-5, atol=2e-5 * np.abs(expected).max())


def test_second_moments_are_what_a_small_rod_and_patch_add():
    """The correction leaves of a rod's and a patch's difference from a dipole only the next order, (size/distance)^2 of it."""
    bare = source_kind("dipole")
    moment = np.array([0.4, -1.0, 0.7])
    for name, tensor in (
        ("rod", np.outer(AXIS, AXIS) / 12),
        ("film_patch", (np.diag([6.0**2, 0, 0]) + 4.0**2 * np.outer([0, 0.8, -0.6], [0, 0.8, -0.6])) / 12 / 64),
    ):
        left = []
        for scale in (1.0, 0.5):
            size = {k: scale * v if k.endswith("_m") else v for k, v in NUMBERS[name].items()}
            exact = source_kind(name).rows(WIRES, PLACE, size)[0] @ moment
            c = np.einsum("...ij,aij->...a", tensor * (8e-6 * scale) ** 2, SECOND_MOMENTS)
            point = bare.rows(WIRES, PLACE, {})[0] @ moment
            left.append(abs(exact - point - c @ added(PLACE) @ moment) / abs(exact - point))
        assert left[0] < 0.25
        assert left[1] == pytest.approx(left[0] / 4, rel=0.15)


def test_a_sphere_adds_nothing_of_its_own():
    """All second moments of a sphere are isotropic: no c_a, and its flux is that of a dipole (textbook)."""
    np.testing.assert_allclose(np.einsum("...ij,aij->...a", np.eye(3) * 4e-12 / 5, SECOND_MOMENTS), 0, atol=1e-27)
    np.testing.assert_array_equal(rows("sphere"), rows("dipole"))
    for name, kind in source_kinds().items():
        some = np.any(kind.thirds(WIRES, PLACE, NUMBERS[name]))
        assert some or not kind.has_extent, f"{name} states an extent that changes nothing"


def test_rod_on_the_axis_of_a_circle_in_closed_form():
    """Rod of length L along the axis of a circle of radius R at height z, magnetised along itself.

    flux = (mu0 m/2L) [s/sqrt(R^2+s^2)] from s = z - L/2 to z + L/2, the mean of the dipole's mu0 m R^2/(2 (R^2+s^2)^1.5)
    along the rod; its second moment adds (L^2/24) d^2/dz^2 of the latter (both by hand).
    """
    radius, z, length = 9e-6, 12e-6, 4e-6
    angle = 2 * np.pi * np.arange(720) / 720
    circle = Wires.of([radius * np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)])
    place, axial = np.array([0.0, 0.0, z]), np.array([0.0, 0.0, 1.0])
    r2 = radius**2 + z**2
    ends = [s / np.sqrt(radius**2 + s**2) for s in (z - length / 2, z + length / 2)]
    whole = mu_0 / (2 * length) * (ends[1] - ends[0])
    dipole = mu_0 * radius**2 / (2 * r2**1.5)
    second = mu_0 * radius**2 / 2 * length**2 / 24 * (15 * z**2 / r2**3.5 - 3 / r2**2.5)
    numbers = {"length_m": length, "axis": tuple(axial)}
    assert source_kind("rod").rows(circle, place, numbers)[0] @ axial == pytest.approx(whole, rel=1e-4, abs=0)
    c = np.einsum("...ij,aij->...a", length**2 / 12 * np.outer(axial, axial), SECOND_MOMENTS)
    assert c @ added(place, circle) @ axial == pytest.approx(second, rel=1e-4, abs=0)
    assert whole - dipole == pytest.approx(second, rel=0.03, abs=0)  # the next order is (L/z)^2/10 of it


def test_hessian_of_the_flux_against_the_library():
    """Second derivatives of a dipole's flux, from differences of the library's dipole field."""
    moment = np.array([1.0, 0.0, 0.0])
    ours = added(PLACE) @ moment
    step = 2e-7

    def flux(place: np.ndarray) -> float:
        return library_flux(magpylib.misc.Dipole(position=place, moment=moment))

    for tensor, value in zip(SECOND_MOMENTS, ours, strict=True):
        values, vectors = np.linalg.eigh(tensor)
        total = sum(
            0.5 * w * (flux(PLACE + step * u) + flux(PLACE - step * u) - 2 * flux(PLACE)) / step**2
            for w, u in zip(values, vectors.T, strict=True)
        )
        assert value == pytest.approx(total, rel=2e-3, abs=1e-4 * np.abs(ours).max())


def test_prior_of_the_second_moments_has_the_mean_square_of_rods():
    rng = np.random.default_rng(5)
    u = rng.normal(size=(20_000, 3))
    u /= np.linalg.norm(u, axis=1)[:, None]
    c = np.einsum("...ij,aij->...a", 4e-6**2 / 12 * u[:, :, None] * u[:, None, :], SECOND_MOMENTS)
    np.testing.assert_allclose(np.sqrt(np.mean(c**2, axis=0)), second_moment_sd_m2(4e-6), rtol=0.02)
    np.testing.assert_allclose(np.einsum("aij,bij->ab", SECOND_MOMENTS, SECOND_MOMENTS), np.eye(5), atol=1e-15)
    np.testing.assert_allclose(np.einsum("aii->a", SECOND_MOMENTS), 0, atol=1e-15)
