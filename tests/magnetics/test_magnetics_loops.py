"""Outlines: area vectors, placing, distances, messages."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.magnets import rectangle_outline, regular_outline
from scipy.spatial.transform import Rotation

from fluxsense.base.errors import InputError
from fluxsense.magnetics.loops import area_vector, distance_to_outline, figure_eight_outline, place

seeds = st.integers(0, 2**32 - 1)


def random_outline(rng, corners=None, size=1e-5):
    return size * rng.normal(size=(corners or int(rng.integers(3, 9)), 3))


def spanning_triangles_area(vertices):
    """Area of the fan of triangles from the first vertex: a surface spanned by the outline."""
    total = np.zeros(3)
    for k in range(1, len(vertices) - 1):
        total += 0.5 * np.cross(vertices[k] - vertices[0], vertices[k + 1] - vertices[0])
    return total


def test_area_of_shapes_known_from_school():
    np.testing.assert_allclose(area_vector(rectangle_outline(3e-6, 2e-6)), [0, 0, 6e-12], rtol=1e-14, atol=1e-27)
    triangle = [[0, 0, 0], [4, 0, 0], [0, 3, 0]]
    np.testing.assert_allclose(area_vector(triangle), [0, 0, 6])
    hexagon = regular_outline(6, 2.0)  # (3 sqrt 3/2) R^2
    np.testing.assert_allclose(area_vector(hexagon), [0, 0, 6 * np.sqrt(3)], atol=1e-14)
    np.testing.assert_allclose(area_vector(regular_outline(7, 2.0, equal_area=True)), [0, 0, 4 * np.pi], atol=1e-14)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_area_equals_any_spanning_surface_and_turns_with_the_outline(seed):
    rng = np.random.default_rng(seed)
    r = random_outline(rng)
    a = area_vector(r)
    atol = 1e-14 * np.abs(r).max() ** 2 * len(r)
    np.testing.assert_allclose(a, spanning_triangles_area(r), atol=atol)
    np.testing.assert_allclose(area_vector(r[::-1]), -a, atol=atol)
    turn = Rotation.random(random_state=seed).as_matrix()
    np.testing.assert_allclose(area_vector(r @ turn.T), turn @ a, atol=atol)


def test_area_of_a_small_loop_far_from_the_origin_keeps_its_digits():
    # Offset exactly representable, so the corners carry no rounding of their own.
    unit_square = np.array([[0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    corners = 2.0**-30 * unit_square + np.array([1.0, 2.0, 3.0])
    np.testing.assert_array_equal(area_vector(corners), [0, 0, 2.0**-60])


def test_area_of_a_batch_equals_a_loop_over_it():
    batch = np.random.default_rng(3).normal(size=(4, 5, 6, 3))
    expected = np.array([[area_vector(one) for one in row] for row in batch])
    np.testing.assert_allclose(area_vector(batch), expected, atol=1e-14)


@pytest.mark.parametrize("gap", [0.0, 0.7])
def test_figure_eight_ignores_a_uniform_field_and_reads_the_gradient(gap):
    w, h, slope = 1.5, 2.0, 3.0
    r = figure_eight_outline(w, h, gap)
    np.testing.assert_allclose(area_vector(r), 0, atol=1e-15)
    # B = slope (z, 0, x) has A = slope (0, x^2/2, y z) (curl by hand); Simpson is exact for the quadratic integrand.
    p, q = r, np.roll(r, -1, axis=0)

    def a_field(x):
        return slope * np.stack([0 * x[:, 0], x[:, 0] ** 2 / 2, x[:, 1] * x[:, 2]], axis=1)

    flux = (((a_field(p) + 4 * a_field((p + q) / 2) + a_field(q)) / 6) * (q - p)).sum()
    assert flux == pytest.approx(slope * (h * w * (w + gap) + gap**2 * h / 6), rel=1e-14)
    right = r[(r[:, 0] > 0) | ((gap == 0) & (np.arange(8) < 4))]
    assert area_vector(right)[2] > 0  # the lobe on the +x side runs counterclockwise


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_place_is_rigid_and_composes_with_its_inverse(seed):
    rng = np.random.default_rng(seed)
    turn, origin = Rotation.random(random_state=seed).as_matrix(), rng.normal(size=3)
    points = rng.normal(size=(6, 3))
    there = place(points, origin, 3.0 * turn[:, 0], 0.2 * turn[:, 1])
    np.testing.assert_allclose(there, points @ turn.T + origin, atol=1e-14)
    back = place(there - origin, np.zeros(3), turn[0], turn[1])
    np.testing.assert_allclose(back, points, atol=1e-14)
    flat = place(points[:, :2], origin, turn[:, 0], turn[:, 1])
    np.testing.assert_allclose((flat - origin) @ turn[:, 2], 0, atol=1e-14)


def test_place_mends_axes_that_were_rounded():
    axes = place(np.eye(3), (0, 0, 0), (0.866, 0.5, 0), (-0.5, 0.867, 0))
    np.testing.assert_allclose(axes @ axes.T, np.eye(3), atol=1e-15)


@settings(max_examples=25, deadline=None)
@given(seeds)
def test_distance_against_dense_sampling_of_the_wire(seed):
    rng = np.random.default_rng(seed)
    r = rng.normal(size=(5, 3))
    points = rng.normal(size=(7, 3)) * 2
    t = np.linspace(0, 1, 401)[:, None]
    wire = np.concatenate([p + t * (q - p) for p, q in zip(r, np.roll(r, -1, axis=0), strict=True)])
    dense = np.linalg.norm(points[:, None] - wire, axis=-1).min(axis=1)
    got = distance_to_outline(points, r)
    spacing = np.linalg.norm(np.roll(r, -1, axis=0) - r, axis=1).max() / 400
    assert np.all(got <= dense + 1e-14)
    assert np.all(got >= dense - spacing / 2)
    np.testing.assert_allclose(got, [distance_to_outline(p, r) for p in points])


def test_distance_examples():
    square = rectangle_outline(2.0, 2.0)
    np.testing.assert_allclose(
        distance_to_outline([[0, 0, 0], [1, 0.3, 0], [4, 5, 0], [0, 0, 2]], square), [1, 0, 5, np.sqrt(5)], atol=1e-15
    )
    closed_twice = np.concatenate([square, square[:1]])  # an edge of no length
    assert distance_to_outline([0, 0, 0], closed_twice) == pytest.approx(1.0)


def test_callers_arrays_stay_as_they_were():
    r = np.random.default_rng(0).normal(size=(5, 3))
    kept = r.copy()
    area_vector(r), distance_to_outline(r[0], r), place(r, r[0], (1, 0, 0), (0, 1, 0))
    np.testing.assert_array_equal(r, kept)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: area_vector([[0, 0, 0], [1, 0, 0]]),
            "outline has 2 vertices, a closed outline needs at least 3. "
            "List the corners in order; the last one is joined to the first.",
        ),
        (
            lambda: area_vector([1, 0, 0]),
            "outline has 1 vertex, a closed outline needs at least 3. "
            "List the corners in order; the last one is joined to the first.",
        ),
        (
            lambda: area_vector([[0, 0], [1, 0], [0, 1]]),
            "outline has shape (3, 2), its last axis must hold x, y, z. Give three components per vector.",
        ),
        (
            lambda: area_vector([[0, 0, 0], [1, 0, 0], [0, np.nan, 0]]),
            "outline contains a value that is not finite. Give finite numbers in metres, tesla or ampere square metres.",
        ),
        (lambda: area_vector([["a", 0, 0]]), "outline cannot be read as numbers. Give x, y, z for each point."),
        (
            lambda: figure_eight_outline(-1e-6, 1.0),
            "lobe_width_m is -1e-06, it must be a finite length above zero. Give the length in metres.",
        ),
        (
            lambda: figure_eight_outline(1.0, float("nan")),
            "lobe_height_m is nan, it must be a finite length above zero. Give the length in metres.",
        ),
        (
            lambda: figure_eight_outline(1.0, 1.0, -0.1),
            "gap_m is -0.1, it must be zero or a finite length above zero. Give it in metres.",
        ),
        (
            lambda: figure_eight_outline(1.0, 1.0, normal=(0, 0, 0)),
            "normal has zero length. Give a vector that points somewhere; its length is not used.",
        ),
        (
            lambda: place([[0, 0]], (0, 0, 0), (0, 0, 0), (0, 1, 0)),
            "x_axis has zero length. Give a vector that points somewhere; its length is not used.",
        ),
        (
            lambda: place([[0, 0]], (0, 0, 0), (1, 0, 0), (1, 1, 0)),
            "x_axis and y_axis are 45.00 degrees apart, a chip's axes must be perpendicular. Correct one of the axes.",
        ),
        (
            lambda: place([0, 0], (0, 0, 0), (1, 0, 0), (0, 1, 0)),
            "The points have shape (2,), rows of x, y or of x, y, z are needed. Give one row per corner, in metres.",
        ),
        (
            lambda: place([[0, np.inf]], (0, 0, 0), (1, 0, 0), (0, 1, 0)),
            "The points contain a value that is not finite. Give finite numbers in metres.",
        ),
    ],
)
def test_messages(call, message):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message


@given(angle=st.floats(-3.0, 3.0))
def test_a_figure_eight_turns_about_its_normal(angle):
    """Against scipy's rotations: counterclockwise seen from the tip of the normal."""
    size = (4e-6, 3e-6, 0.5e-6)
    turned = figure_eight_outline(*size, turn_rad=angle)
    expected = Rotation.from_rotvec([0.0, 0.0, angle]).apply(figure_eight_outline(*size))
    np.testing.assert_allclose(turned, expected, rtol=1e-12, atol=1e-18)
