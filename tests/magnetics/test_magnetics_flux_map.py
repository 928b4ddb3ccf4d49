"""Flux maps: units, linearity, factors, bias lines, messages."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference.magnets import coil_field_t, dipole_field_t, dipole_flux_wb_per_a_m2, rectangle_outline, regular_outline

from fluxsense.base.constants import FLUX_QUANTUM_WB
from fluxsense.base.errors import InputError
from fluxsense.magnetics.flux_map import NO_PLACE, bias_flux, coil_flux_map, flux_map, flux_map_unchecked
from fluxsense.magnetics.loops import area_vector
from fluxsense.magnetics.sources import source_kind
from fluxsense.magnetics.wires import Wires

seeds = st.integers(0, 2**32 - 1)
LOOPS = [
    rectangle_outline(10e-6, 8e-6),
    regular_outline(12, 4e-6, (2e-5, 0, 0), normal=(1, 0, 1)),
    regular_outline(3, 6e-6, (0, 3e-5, 1e-6)),
]


def test_uniform_field_is_the_area_in_flux_quanta():
    # 1 mT through 10 um x 10 um is 1e-13 Wb; h/2e = 2.067833848...e-15 Wb (exact in the SI), so 48.3597848 Phi0
    # (Josephson constant 483597.8484 GHz/V).
    t = flux_map([rectangle_outline(1e-5, 1e-5)], "uniform_field")
    np.testing.assert_allclose(t @ [0, 0, 1e-3], [48.35978484], rtol=1e-9)
    np.testing.assert_allclose(
        flux_map(LOOPS, "uniform_field"),
        np.stack([area_vector(r) for r in LOOPS]) / FLUX_QUANTUM_WB,
        rtol=1e-14,
        atol=1e-7,
    )


def test_coplanar_loops_in_a_uniform_field_have_rank_one():
    coplanar = [rectangle_outline(1e-5, 2e-5, (k * 3e-5, 0, 0)) for k in range(4)]
    assert np.linalg.matrix_rank(flux_map(coplanar, "uniform_field")) == 1
    # and the loops of different planes do not
    assert np.linalg.matrix_rank(flux_map(LOOPS, "uniform_field")) == 2


@given(seeds)
@settings(max_examples=20, deadline=None)
def test_dipole_map_is_one_row_per_loop_for_each_position(seed):
    rng = np.random.default_rng(seed)
    positions = rng.normal(size=(3, 4, 3)) * 1e-5 + [0, 0, 2e-5]
    t = flux_map(LOOPS, "dipole", positions)
    assert t.shape == (3, 4, 3, 3)
    for index in np.ndindex(3, 4):
        alone = np.stack([dipole_flux_wb_per_a_m2(r, positions[index]) for r in LOOPS]) / FLUX_QUANTUM_WB
        np.testing.assert_allclose(t[index], alone, rtol=0, atol=1e-12 * np.abs(alone).max())
    np.testing.assert_array_equal(t, flux_map_unchecked(source_kind("dipole"), Wires.of(LOOPS), positions))


def test_two_dipoles_far_apart_act_as_a_uniform_field():
    # Close to the middle of two equal dipoles the field is uniform to second order, so both maps must agree.
    near = LOOPS[:1]
    moment = np.array([0.3, -0.5, 1.0])
    field = sum(dipole_field_t(moment, [0, 0, z], [0, 0, 0]) for z in (-0.1, 0.1))
    flux = sum(flux_map(near, "dipole", [0, 0, z]) @ moment for z in (-0.1, 0.1))
    np.testing.assert_allclose(flux, flux_map(near, "uniform_field") @ field, rtol=1e-7)


def test_flux_focusing_multiplies_rows_and_broadcasts():
    plain = flux_map(LOOPS, "dipole", [0, 0, 1e-5])
    np.testing.assert_allclose(flux_map(LOOPS, "dipole", [0, 0, 1e-5], [1, 2, 0.5]), plain * [[1], [2], [0.5]])
    sampled = np.random.default_rng(0).uniform(0.5, 2, size=(7, 3))
    np.testing.assert_allclose(flux_map(LOOPS, "dipole", [0, 0, 1e-5], sampled), plain * sampled[..., None])
    assert flux_map(LOOPS, "uniform_field", flux_focusing=sampled).shape == (7, 3, 3)


def test_coil_map_of_a_wide_coil_is_its_field_times_the_area():
    coil = regular_outline(48, 5e-3, equal_area=True)
    field = coil_field_t(coil, 1.0, [0, 0, 0])
    np.testing.assert_allclose(coil_flux_map(LOOPS, coil), flux_map(LOOPS, "uniform_field") @ field, rtol=1e-4)
    np.testing.assert_allclose(coil_flux_map(LOOPS, coil, [1, 3, 2]), coil_flux_map(LOOPS, coil) * [1, 3, 2])
    np.testing.assert_allclose(coil_flux_map(LOOPS, coil[::-1]), -coil_flux_map(LOOPS, coil), rtol=1e-9)


def test_bias_by_hand():
    # Loop 0: 2*0.1 + 0.5*(-0.2) + 0.01; loop 1: 0.3*0.1 + 4*(-0.2) - 0.02.
    got = bias_flux([[2.0, 0.5], [0.3, 4.0]], [0.1, -0.2], [0.01, -0.02])
    np.testing.assert_allclose(got, [0.11, -0.79], rtol=1e-14)


@given(seeds)
@settings(max_examples=60, deadline=None)
def test_bias_is_affine_and_batches(seed):
    rng = np.random.default_rng(seed)
    mutual, offset = rng.normal(size=(3, 2)), rng.normal(size=(5, 3))
    current = rng.normal(size=(4, 1, 2))
    got = bias_flux(mutual, current, offset)
    assert got.shape == (4, 5, 3)
    for index in np.ndindex(4, 5):
        np.testing.assert_allclose(got[index], mutual @ current[index[0], 0] + offset[index[1]], atol=1e-14)


def test_callers_arrays_stay_as_they_were():
    loops, position, factor = [r.copy() for r in LOOPS], np.array([0, 0, 1e-5]), np.ones(3)
    flux_map(loops, "dipole", position, factor)[:] = 0
    flux_map(loops, "uniform_field")[:] = 0
    for kept, r in zip(LOOPS, loops, strict=True):
        np.testing.assert_array_equal(r, kept)
    wires = Wires.of(loops)
    flux_map_unchecked(source_kind("uniform_field"), wires, NO_PLACE)[:] = 0
    assert np.all(np.any(wires.area != 0, axis=1))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: flux_map([LOOPS[0], LOOPS[1][:2]], "uniform_field"),
            "outline 1 has 2 vertices, a closed outline needs at least 3. "
            "List the corners in order; the last one is joined to the first.",
        ),
        (
            lambda: flux_map(LOOPS, "monopole"),
            'The source kind \'monopole\' is not known. Use "dipole" or "film_patch" or "rod" or "sphere" or "uniform_field".',
        ),
        (lambda: flux_map(LOOPS, "dipole"), "A dipole needs a position. Give position_m in metres."),
        (
            lambda: flux_map(LOOPS, "uniform_field", [0, 0, 1]),
            'A uniform field has no position, but one was given. Leave position_m out, or say kind="dipole".',
        ),
        (
            lambda: flux_map(LOOPS, "dipole", [[0, 0, 1e-5], [1e-6, -4e-6, 0]]),
            "The dipole at (1e-06, -4e-06, 0) m lies on the wire of loop 0, where its flux has no value. "
            "Move the dipole or the loop.",
        ),
        (
            lambda: flux_map(LOOPS, "dipole", [np.nan, 0, 0]),
            "position_m contains a value that is not finite. Give finite numbers in metres, tesla or ampere square metres.",
        ),
        (
            lambda: flux_map(LOOPS, "uniform_field", flux_focusing=[1, 1]),
            "flux_focusing has shape (2,), its last axis must hold one factor for each of the 3 loop(s). "
            "Give them in the order of the outlines.",
        ),
        (
            lambda: flux_map(LOOPS, "uniform_field", flux_focusing=[1, 0, 1]),
            "flux_focusing contains a factor that is not a finite number above zero. "
            "Use 1 for a loop without flux focusing.",
        ),
        (
            lambda: bias_flux([1, 2], [1], [0]),
            "mutual_phi0_per_a has shape (2,), one row per loop and one column per bias line is needed.",
        ),
        (
            lambda: bias_flux([[1, 2]], [1], [0]),
            "current_a has shape (1,), its last axis must hold the 2 bias line(s). Give one current per bias line.",
        ),
        (
            lambda: bias_flux([[1, 2]], [1, 1], [0, 0]),
            "offset_phi0 has shape (2,), its last axis must hold the 1 loop(s). Give one offset per loop.",
        ),
    ],
)
def test_messages(call, message):
    with pytest.raises(InputError) as caught:
        call()
    assert str(caught.value) == message


def test_dipole_at_a_corner_is_refused_but_close_by_is_not():
    with pytest.raises(InputError, match="lies on the wire of loop 0"):
        flux_map(LOOPS, "dipole", LOOPS[0][2])
    close = flux_map(LOOPS, "dipole", LOOPS[0][2] + [0, 0, 1e-12])
    assert np.all(np.isfinite(close))
