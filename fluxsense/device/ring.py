"""The Josephson ring: flux to circulating current, mode inductance and coupling.

Four equal junctions of energy E_J close a ring; node phases p_1..p_4 in order round it, junction phases
d_k = p_(k+1) - p_k + f, energy -E_J sum cos d_k.  The quarter phase f is a quarter of the loop's phase,
f = (pi/2) F with F the loop's flux in flux quanta.  Modes: X = p1 - p3, Y = p2 - p4, Z = (p1 + p3 - p2 - p4)/2.
Expanding the cosines (done with sympy in the tests) gives

    E / E_J = -4 [cos(X/2) cos(Y/2) cos Z cos f + sin(X/2) sin(Y/2) sin Z sin f]
            = -4 cos f + (cos f / 2)(X^2 + Y^2 + 4 Z^2) - sin f X Y Z + ...

so that the three-wave coupling is minus the circulating current I_c sin f in reduced flux quanta: both change sign
together.  Rings of this kind: Bergeal et al., Nature Physics 6, 296 (2010); with shunts: Roch et al., Phys. Rev.
Lett. 108, 147701 (2012).  The formulas are derived anew here (the papers' equations are cited from memory).

A shunted ring has an inductor L from each node to one floating common point; its shunt ratio is
alpha = L_J / (2 L) = E_L / (2 E_J).  alpha = 0 means a bare ring, which latches: it can sit on any branch n with
|F + n| < 1, and its quarter phase is (pi/2)(F + n).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SINGLE_STATE_SHUNT_RATIO: Final = 2.0
"""A shunted ring has one state at every flux when its shunt ratio is above this value (L < L_J/4).

The Z mode's curvature 4 (cos f + alpha/2) stays positive over the whole period only then.
"""


def quarter_phase(flux_phi0: npt.ArrayLike, alpha: npt.ArrayLike, branch: npt.ArrayLike | None = None) -> FloatArray:
    """Quarter phase of a ring at a given flux.

    Parameters
    ----------
    flux_phi0 : array_like
        Flux F in the loop, in flux quanta.
    alpha : array_like
        Shunt ratio, 0 for a bare ring; broadcasts with the flux.
    branch : array_like of int, optional
        Branch n that a bare ring holds; broadcasts.  It is honoured where it is a (meta)stable one, |F + n| < 1, and
        replaced by the ground branch elsewhere.  Shunted rings take no notice of it.

    Returns
    -------
    ndarray
        f in rad: (pi/2)(F + n) for a bare ring, n = -round(F) in the ground branch (a tie at half-integer F goes to
        even n); (pi/2) F for a shunted one.

    Raises
    ------
    InputError
        For a negative shunt ratio or a branch that is not an integer.

    Notes
    -----
    The energy of branch n is -4 E_J cos f, lowest for the smallest |F + n|; a branch stays a local minimum while
    cos f > 0.
    """
    flux = np.asarray(flux_phi0, dtype=np.float64)
    ratio = _shunt_ratio(alpha)
    ground = -np.round(flux)
    if branch is None:
        held = ground
    else:
        number = _whole(branch, "branch")
        held = np.where(np.abs(flux + number) < 1.0, number, ground)
    return np.asarray(0.5 * np.pi * np.where(ratio == 0.0, flux + held, flux), dtype=np.float64)


def follow_branch(flux_path_phi0: npt.ArrayLike, start_branch: int | None = None) -> IntArray:
    """Branch of a bare ring at each point of a flux ramp.

    Parameters
    ----------
    flux_path_phi0 : array_like, shape (T,)
        Flux in the order in which it is applied, in flux quanta.  Between two points the flux is taken to move
        monotonically.
    start_branch : int, optional
        Branch before the first point; the ground branch of the first point if not given.

    Returns
    -------
    ndarray of int, shape (T,)
        Branch n at each point.  It is kept while |F + n| < 1; there the local minimum disappears (cos f = 0) and the
        ring is taken to settle in the ground branch -round(F) of that point.

    Raises
    ------
    InputError
        If the path is not one-dimensional or not finite, or the start is not an integer.

    Notes
    -----
    Thermal escape over the vanishing barrier is left out: at millikelvin temperature it moves the jump a little below
    |F + n| = 1.
    """
    path = np.asarray(flux_path_phi0, dtype=np.float64)
    if path.ndim != 1 or not np.all(np.isfinite(path)):
        raise InputError(
            f"a flux ramp must be a plain list of finite numbers, got an array of shape {path.shape}",
            where="flux_path_phi0",
            remedy="Give one ramp at a time, in flux quanta.",
        )
    branches = np.empty(path.shape, dtype=np.int64)
    if path.size == 0:
        return branches
    held = int(-np.round(path[0])) if start_branch is None else int(_whole(start_branch, "start_branch"))
    begin = 0
    while begin < path.size:
        lost = np.flatnonzero(np.abs(path[begin:] + held) >= 1.0)
        end = begin + int(lost[0]) if lost.size else path.size
        branches[begin:end] = held
        if end < path.size:
            held = int(-np.round(path[end]))
            branches[end] = held
            end += 1
        begin = end
    return branches


def circulating_current_a(f: npt.ArrayLike, critical_current_a: npt.ArrayLike) -> FloatArray:
    """Current I_c sin f round the ring (A); the derivative of the energy by the loop's phase, over the reduced quantum."""
    return np.asarray(np.asarray(critical_current_a, dtype=np.float64) * np.sin(f), dtype=np.float64)


def inductance_ratio(f: npt.ArrayLike, alpha: npt.ArrayLike) -> FloatArray:
    """Inductance of the X and Y modes relative to zero flux.

    Parameters
    ----------
    f : array_like
        Quarter phase, rad.
    alpha : array_like
        Shunt ratio.

    Returns
    -------
    ndarray
        (1 + alpha)/(cos f + alpha), from the curvature E_J cos f + E_L/2; nan where that curvature is not positive
        (no such state of the ring exists).

    Raises
    ------
    InputError
        For a negative shunt ratio.
    """
    return _ratio_of_curvatures(f, _shunt_ratio(alpha))


def pump_inductance_ratio(f: npt.ArrayLike, alpha: npt.ArrayLike) -> FloatArray:
    """Inductance of the Z mode, which carries the pump, relative to zero flux.

    Parameters, errors and the meaning of nan as for `inductance_ratio`; the value is (1 + alpha/2)/(cos f + alpha/2),
    from the curvature 4 E_J cos f + E_L.
    """
    return _ratio_of_curvatures(f, 0.5 * _shunt_ratio(alpha))


def mode_frequency_hz(
    f: npt.ArrayLike, zero_flux_frequency_hz: npt.ArrayLike, share: npt.ArrayLike, alpha: npt.ArrayLike
) -> FloatArray:
    """Frequency of a mode whose inductance the ring is part of.

    Parameters
    ----------
    f : array_like
        Quarter phase, rad.
    zero_flux_frequency_hz : array_like
        Frequency at zero flux, Hz.
    share : array_like
        The ring's part p of the mode's whole inductance at zero flux, between 0 and 1.
    alpha : array_like
        Shunt ratio.

    Returns
    -------
    ndarray
        w0 / sqrt(1 + p (lam - 1)), Hz, with lam from `inductance_ratio`: a lumped mode w = 1/sqrt(L C) of which the
        part p of L scales with lam.

    Raises
    ------
    InputError
        For a share outside 0..1 or a negative shunt ratio.
    """
    total = 1.0 + _share(share, "share") * (inductance_ratio(f, alpha) - 1.0)
    return np.asarray(np.asarray(zero_flux_frequency_hz, dtype=np.float64) / np.sqrt(total), dtype=np.float64)


def relative_coupling(
    f: npt.ArrayLike,
    f_reference: npt.ArrayLike,
    alpha: npt.ArrayLike,
    share_a: npt.ArrayLike,
    share_b: npt.ArrayLike,
) -> FloatArray:
    """Three-wave coupling in units of its size at a reference quarter phase.

    Parameters
    ----------
    f, f_reference : array_like
        Quarter phase and reference quarter phase, rad; all arguments broadcast.
    alpha : array_like
        Shunt ratio.
    share_a, share_b : array_like
        The ring's part of the inductance of the signal and of the idler mode at zero flux, between 0 and 1.

    Returns
    -------
    ndarray
        c(f)/|c(f_reference)|, signed like sin f, with c = sin f z_a z_b lam_Z and
        z_m = lam (1 + p_m (lam - 1))^(-3/4).

    Raises
    ------
    InputError
        If the coupling vanishes at the reference, for a share outside 0..1 or a negative shunt ratio.

    Notes
    -----
    Zero-point flux of a mode of impedance sqrt(L/C) grows as L^(1/4), and the ring sees the part p lam/(1 + p(lam-1))
    of it: their product is z_m up to a constant.  A pump far from the Z mode's resonance drives a fixed current, and so
    a Z phase in proportion to lam_Z.  The factor sin f is the cubic term of the ring's energy.
    """
    reference = np.abs(_coupling_expression(f_reference, alpha, share_a, share_b))
    if np.any(reference < 1e-12):
        raise InputError(
            "the ring has no coupling at the reference flux (sin f = 0)",
            where="f_reference",
            remedy="Choose a reference flux away from zero, such as a quarter or half of a flux quantum.",
        )
    return np.asarray(_coupling_expression(f, alpha, share_a, share_b) / reference, dtype=np.float64)


def ring_energy(
    x: npt.ArrayLike, y: npt.ArrayLike, z: npt.ArrayLike, f: npt.ArrayLike, shunt: npt.ArrayLike = 0.0
) -> FloatArray:
    """Potential energy of the ring in units of E_J.

    Parameters
    ----------
    x, y, z : array_like
        Mode phases X = p1 - p3, Y = p2 - p4, Z = (p1 + p3 - p2 - p4)/2, rad; all arguments broadcast.
    f : array_like
        Quarter phase, rad.
    shunt : array_like
        E_L/E_J of the shunt inductors, which is twice the shunt ratio alpha of the other functions here.

    Returns
    -------
    ndarray
        -4 [cos(X/2) cos(Y/2) cos Z cos f + sin(X/2) sin(Y/2) sin Z sin f] + shunt (X^2/4 + Y^2/4 + Z^2/2).
    """
    x_, y_, z_, f_ = (np.asarray(v, dtype=np.float64) for v in (x, y, z, f))
    cosines = np.cos(x_ / 2) * np.cos(y_ / 2) * np.cos(z_) * np.cos(f_)
    sines = np.sin(x_ / 2) * np.sin(y_ / 2) * np.sin(z_) * np.sin(f_)
    inductors = np.asarray(shunt, dtype=np.float64) * (x_**2 / 4 + y_**2 / 4 + z_**2 / 2)
    return np.asarray(-4.0 * (cosines + sines) + inductors, dtype=np.float64)


def _coupling_expression(
    f: npt.ArrayLike, alpha: npt.ArrayLike, share_a: npt.ArrayLike, share_b: npt.ArrayLike
) -> FloatArray:
    ratio = _shunt_ratio(alpha)
    phase = np.asarray(f, dtype=np.float64)
    return ring_response(phase, ratio, _share(share_a, "share_a"), _share(share_b, "share_b"))[2]


def ring_response(
    f: FloatArray, alpha: FloatArray, share_a: FloatArray, share_b: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unchecked inner function of `mode_frequency_hz` and `relative_coupling`, for the hot path.

    Parameters
    ----------
    f, alpha, share_a, share_b : ndarray
        Quarter phase in rad, shunt ratio and shares; they broadcast.

    Returns
    -------
    total_a, total_b : ndarray
        Inductance of each mode relative to zero flux, 1 + p (lam - 1).
    coupling : ndarray
        sin f z_a z_b lam_Z, not yet referred to anything.
    """
    cosine = np.cos(f)
    lam = _over_curvature(cosine, alpha)
    total_a = 1.0 + share_a * (lam - 1.0)
    total_b = 1.0 + share_b * (lam - 1.0)
    root = np.sqrt(total_a * total_b)
    coupling = np.sin(f) * lam * lam * _over_curvature(cosine, 0.5 * alpha) / (root * np.sqrt(root))
    return total_a, total_b, coupling


def _over_curvature(cosine: FloatArray, stiffness: FloatArray) -> FloatArray:
    """(1 + stiffness)/(cosine + stiffness), nan where the ring has no stable state."""
    curvature = cosine + stiffness
    if np.any(curvature <= 0.0):
        curvature = np.where(curvature > 0.0, curvature, np.nan)
    return np.asarray((1.0 + stiffness) / curvature)


def _ratio_of_curvatures(f: npt.ArrayLike, stiffness: FloatArray) -> FloatArray:
    return _over_curvature(np.asarray(np.cos(f), dtype=np.float64), stiffness)


def _shunt_ratio(alpha: npt.ArrayLike) -> FloatArray:
    ratio = np.asarray(alpha, dtype=np.float64)
    if np.any(ratio < 0.0):
        raise InputError(
            f"a shunt ratio cannot be negative, got {ratio.min():g}",
            where="alpha",
            remedy="Use L_J/(2 L), or 0 for a ring without shunts.",
        )
    return ratio


def _share(value: npt.ArrayLike, where: str) -> FloatArray:
    share = np.asarray(value, dtype=np.float64)
    outside = (share < 0.0) | (share > 1.0)
    if np.any(outside):
        raise InputError(
            f"the ring's share of a mode's inductance must lie between 0 and 1, got {share[outside].flat[0]:g}",
            where=where,
            remedy="Use ring inductance over total inductance, both at zero flux.",
        )
    return share


def _whole(value: npt.ArrayLike, where: str) -> FloatArray:
    number = np.asarray(value, dtype=np.float64)
    broken = ~(np.isfinite(number) & (number == np.round(number)))
    if np.any(broken):
        raise InputError(
            f"a branch is a whole number, got {number[broken].flat[0]:g}",
            where=where,
            remedy="Use ..., -1, 0, 1, ...: minus the number of flux quanta that the ring has let in.",
        )
    return number
