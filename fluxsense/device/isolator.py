"""The isolator: two converters in an interferometer, from parameters to scattering parameters.

The signal modes a1, a2 hang on a 90-degree hybrid whose other two arms are ports 1 and 2; the idler modes b1, b2 are
joined by a link of complex amplitude z (matched, reciprocal; what it does not pass is absorbed).  Each converter's pump
couples a_j to b_j with the signed rate g_j, and the two pumps differ in phase by theta.

Derivation (input-output theory, time factor exp(-i w t), out = in - sqrt(k) mode).  In the frame of the pump an idler
sees the frequency w + w_p.  With d_j = k_t,j/2 - i (w + w_p - w_b,j) the idlers obey

    d_j b_j + (kb_j/2) b_j = sqrt(kb_j) in_j + drive_j,    in_1 = z out_2,    in_2 = z out_1 ;

eliminating in and out gives the idlers' response I = N / den with e = 1 - z^2, s = (1 + z^2)/2,

    N11 = s kb2 + e d2,   N22 = s kb1 + e d1,   N12 = N21 = -sqrt(kb1 kb2) z,
    den = e (kb1 kb2/4 + d1 d2) + s (kb1 d2 + kb2 d1),

and the signal modes obey A a = sqrt(ka) in with A_jj = a_j + g_j^2 I_jj, A_12 = g1 g2 I12 exp(-i theta),
A_21 = g1 g2 I12 exp(+i theta), a_j = (ka_j + ka_int,j)/2 - i (w - w_a,j).  Multiplying A by den leaves no inner
division, and because N11 N22 - N12^2 = e den (s^2 - z^2 = e^2/4) one factor den also leaves the determinant:

    D = den a1 a2 + g1^2 a2 N11 + g2^2 a1 N22 + e g1^2 g2^2
    R1 = 1 - ka1 (den a2 + g2^2 N22)/D        R2 = 1 - ka2 (den a1 + g1^2 N11)/D
    T21 = sqrt(ka1 ka2) g1 g2 N12 exp(+i theta)/D         T12 = the same with exp(-i theta)

which is regular at |z| = 1.  D and all numerators have the form den q + r with q, r and den quadratic in w, so one
small matrix product per block gives every polynomial, and one division per point all ports.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple, NotRequired, TypedDict

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

PORTS: Final = ("11", "21", "12", "22")
POINTS_PER_BLOCK: Final = 12288
"""Points worked on at a time.

The work arrays (eight of 16 bytes a point for two ports) then stay in the cache, and each matrix product stays below
the size (262144 multiplications) from which a threaded BLAS would wake its threads: on a busy machine waiting for them
cost tens of times more than the product.
"""


PAIRS: Final = (
    "signal_frequency_hz",
    "idler_frequency_hz",
    "signal_linewidth_hz",
    "idler_linewidth_hz",
    "signal_internal_hz",
    "idler_internal_hz",
    "coupling_hz",
)
AMPLITUDES = ("link", "hybrid_through", "hybrid_cross", "arm_1", "arm_2")


class IsolatorRows(TypedDict):
    """What of isolators differs from row to row; every value broadcasts to n rows.

    Attributes
    ----------
    signal_frequency_hz, idler_frequency_hz : array_like, (n, 2)
        Mode frequencies of converters 1 and 2, Hz.
    signal_linewidth_hz, idler_linewidth_hz : array_like, (n, 2)
        External linewidths ka and kb (towards hybrid and link), Hz, positive.
    signal_internal_hz, idler_internal_hz : array_like, (n, 2)
        Internal loss of the signal mode, and the idler's termination plus internal loss (k_t), Hz, not negative.
    coupling_hz : array_like, (n, 2)
        Parametric coupling g, Hz, signed like sin f of the ring.  2 |g| / sqrt(ka kb) = 1 is full conversion of a
        single lossless converter.
    pump_frequency_hz : array_like, (n,)
        Pump frequency, Hz.  Rows without any coupling (pump off) do not depend on it and may have nan.
    pump_phase_rad : array_like, (n,)
        theta, rad; +-pi/2 by the pump hybrid's port.  It multiplies the path from signal mode 1 to signal mode 2 by
        exp(+i theta) and the way back by exp(-i theta).
    link : array_like of complex, (n,)
        Amplitude z of the link between the idlers, |z| <= 1.
    hybrid_through, hybrid_cross : array_like of complex, (n,)
        Elements of the signal hybrid, ideally 1/sqrt(2) and i/sqrt(2); see `hybrid_elements`.
    arm_1, arm_2 : array_like of complex, (n,)
        Amplitudes of the arms between the hybrid and converter 1 and 2, one way, 1 by default; equal ones belong to the lines.
    """

    signal_frequency_hz: FloatArray
    idler_frequency_hz: FloatArray
    signal_linewidth_hz: FloatArray
    signal_internal_hz: FloatArray
    idler_linewidth_hz: FloatArray
    idler_internal_hz: FloatArray
    coupling_hz: FloatArray
    pump_frequency_hz: FloatArray
    pump_phase_rad: FloatArray
    link: ComplexArray
    hybrid_through: ComplexArray
    hybrid_cross: ComplexArray
    arm_1: NotRequired[ComplexArray]
    arm_2: NotRequired[ComplexArray]


class _Rows(NamedTuple):
    """Checked parameters: (n,) each, or (2, n) with the two converters first."""

    signal_hz: FloatArray
    idler_hz: FloatArray
    ka: FloatArray
    kb: FloatArray
    ka_loss: FloatArray
    kb_loss: FloatArray
    g: FloatArray
    pump_hz: FloatArray
    theta: FloatArray
    link: ComplexArray
    through: ComplexArray
    cross: ComplexArray
    arm_1: ComplexArray
    arm_2: ComplexArray


def isolator_scattering(
    frequency_hz: npt.ArrayLike,
    rows: IsolatorRows,
    ports: Sequence[str] = ("21", "12"),
    block_rows: int | None = None,
) -> ComplexArray:
    """Scattering parameters of many isolators (parameter sets, settings) over one frequency grid.

    Parameters
    ----------
    frequency_hz : array_like, shape (F,)
        Signal frequencies, Hz.
    rows : IsolatorRows
        What differs from row to row.
    ports : sequence of str
        Which of "11", "21", "12", "22"; "21" is what leaves port 2 when port 1 is driven.
    block_rows : int, optional
        Rows worked on at a time; chosen for the cache if not given.  It does not change the result beyond rounding.

    Returns
    -------
    ndarray of complex, shape (n, len(ports), F)
        S = H A [[R1, T12], [T21, R2]] A H, H = [[through, cross], [cross, through]], A = diag(arm_1, arm_2), in the
        convention exp(-i w t).

    Raises
    ------
    InputError
        For shapes that do not fit, unknown ports, and values that no such circuit has (not finite, linewidth not
        positive, negative loss, link amplitude above 1).

    Notes
    -----
    Rates in Hz stand for rates in rad/s over 2 pi throughout; the equations are homogeneous, so nothing else changes.
    Derivation: head of this module.
    """
    grid = np.asarray(frequency_hz, dtype=np.float64)
    if grid.ndim != 1:
        raise InputError(f"one frequency axis is expected, got shape {grid.shape}", where="frequency_hz")
    if not np.all(np.isfinite(grid)):
        raise InputError("a frequency is not finite", where="frequency_hz")
    unknown = [p for p in ports if p not in PORTS]
    if unknown or not ports:
        raise InputError(
            f"unknown port pair {unknown[0]!r}" if unknown else "no port pair asked for",
            where="ports",
            remedy=f"Choose from {', '.join(PORTS)}.",
        )
    if block_rows is not None and block_rows < 1:
        raise InputError(f"a block needs at least one row, got {block_rows}", where="block_rows")
    return _scattering(grid, _checked_rows(rows), tuple(ports), block_rows)


def hybrid_elements(
    imbalance_db: npt.ArrayLike = 0.0, phase_error_rad: npt.ArrayLike = 0.0, loss_db: npt.ArrayLike = 0.0
) -> tuple[ComplexArray, ComplexArray]:
    """Through and cross amplitude of a 90-degree hybrid that is not quite ideal.

    Parameters
    ----------
    imbalance_db : array_like
        Power of the through arm over power of the cross arm, dB.
    phase_error_rad : array_like
        Phase of cross over through, beyond 90 degrees, rad.
    loss_db : array_like
        Power lost beyond the least that the phase error demands, dB, not negative.

    Returns
    -------
    through, cross : ndarray of complex
        ``through`` is real and positive; all arguments broadcast.

    Raises
    ------
    InputError
        For a negative loss or a value that is not finite.

    Notes
    -----
    A matched, symmetric, lossless four-port of this kind is in exact quadrature (the columns of H = [[t, c], [c, t]]
    must be orthogonal: Re(t conj c) = 0), so a phase error is possible only with loss.  The singular values of H are
    |t + c| and |t - c|; with total power P split as cos^2, sin^2 of an angle u, the larger one squared is
    P (1 + sin 2u |sin error|).  P is 10^(-loss/10) over that bracket: H stays passive, at the least extra loss.
    """
    imbalance, error, loss = (np.asarray(v, dtype=np.float64) for v in (imbalance_db, phase_error_rad, loss_db))
    for name, value in (("imbalance_db", imbalance), ("phase_error_rad", error), ("loss_db", loss)):
        if not np.all(np.isfinite(value)):
            raise InputError("a value is not finite", where=name)
    if np.any(loss < 0.0):
        raise InputError(
            f"a passive hybrid cannot have gain, got a loss of {loss.min():g} dB",
            where="loss_db",
            remedy="Give a loss of 0 dB or more.",
        )
    ratio = 10.0 ** (imbalance / 20.0)
    sin_u = 1.0 / np.sqrt(1.0 + ratio**2)
    cos_u = ratio * sin_u
    amplitude = 10.0 ** (-loss / 20.0) / np.sqrt(1.0 + 2.0 * sin_u * cos_u * np.abs(np.sin(error)))
    through = np.asarray(amplitude * cos_u, dtype=np.complex128)
    cross = np.asarray(1j * amplitude * sin_u * np.exp(1j * error), dtype=np.complex128)
    return through, cross


def _scattering(grid: FloatArray, rows: _Rows, ports: tuple[str, ...], block_rows: int | None) -> ComplexArray:
    """Core of `isolator_scattering`: no checks."""
    count = rows.pump_hz.size
    out = np.empty((count, len(ports), grid.size), dtype=np.complex128)
    if out.size == 0:
        return out
    columns = min(grid.size, POINTS_PER_BLOCK)
    height = min(block_rows or max(1, POINTS_PER_BLOCK // columns), count)
    starts = range(0, count, height)
    # Frequencies count from the block's mean signal frequency, where the polynomials are best conditioned.
    signal_mean = 0.5 * (rows.signal_hz[0] + rows.signal_hz[1])
    origins = [float(np.mean(signal_mean[start : start + height])) for start in starts]
    polynomials, slots = _polynomials(rows, ports, np.repeat(origins, height)[:count])
    kinds = polynomials.shape[0]

    points = height * columns
    value_space = np.empty(2 * kinds * points)
    inverse_space = np.empty(points, dtype=np.complex128)
    square_space = np.empty(2 * points)
    norm_space = np.empty(points)
    for origin, start in zip(origins, starts, strict=True):
        stop = min(start + height, count)
        size = stop - start
        factors = polynomials[:, start:stop].view(np.float64)
        for left in range(0, grid.size, columns):
            right = min(left + columns, grid.size)
            here = size * (right - left)
            values = _evaluate(factors, grid[left:right] - origin, value_space[: 2 * kinds * here])
            den, determinant = values[0], values[1]
            np.multiply(determinant, den, out=determinant)
            np.add(determinant, values[2], out=determinant)
            # 1/D as conj(D)/|D|^2: complex division is several times slower.
            inverse, square, norm = inverse_space[:here], square_space[: 2 * here], norm_space[:here]
            parts = determinant.view(np.float64)
            np.multiply(parts, parts, out=square)
            np.add(square[0::2], square[1::2], out=norm)
            np.reciprocal(norm, out=norm)
            np.multiply(determinant.real, norm, out=inverse.real)
            np.negative(norm, out=norm)
            np.multiply(determinant.imag, norm, out=inverse.imag)
            multiplied = set()
            for position, (quotient, remainder) in enumerate(slots):
                if quotient not in multiplied:
                    np.multiply(values[quotient], den, out=values[quotient])
                    multiplied.add(quotient)
                np.add(values[quotient], values[remainder], out=values[remainder])
                np.multiply(
                    values[remainder].reshape(size, -1),
                    inverse.reshape(size, -1),
                    out=out[start:stop, position, left:right],
                )
    return out


def _evaluate(factors: FloatArray, x: FloatArray, space: FloatArray) -> ComplexArray:
    """Complex quadratics c0 + c1 x + c2 x^2 at all x, by one real matrix product per kind; shape (kinds, points).

    The last axis of ``factors``, shape (kinds, rows, 6), holds Re c0, Im c0, Re c1, ...; even columns of the powers
    collect the real parts, odd ones the imaginary parts: the product is the complex array as it lies in memory.
    """
    powers = np.zeros((6, 2 * x.size))
    powers[0, 0::2] = powers[1, 1::2] = 1.0
    powers[2, 0::2] = powers[3, 1::2] = x
    powers[4, 0::2] = powers[5, 1::2] = x * x
    product = np.matmul(factors, powers, out=space.reshape(*factors.shape[:2], 2 * x.size))
    return product.reshape(factors.shape[0], -1).view(np.complex128)


def _polynomials(rows: _Rows, ports: tuple[str, ...], origin: FloatArray) -> tuple[ComplexArray, list[tuple[int, int]]]:
    """Coefficients in x = frequency - origin of all quadratics, shape (kinds, n, 3).

    The kinds are den, then q and r of D = den q + r, then those of the ports' numerators.  The second value gives, per
    port, the indices of its q and r; "21" and "12" share q.
    """
    ka1, ka2 = rows.ka
    kb1, kb2 = rows.kb
    square1, square2 = (g * g for g in rows.g)
    z = rows.link
    e = 1.0 - z * z
    s = 0.5 * (1.0 + z * z)
    # With y = -i x: a_j = alpha_j + y, d_j = beta_j + y, N11 = n11 + e y, N22 = n22 + e y.
    alpha1, alpha2 = (0.5 * (rows.ka[j] + rows.ka_loss[j]) + 1j * (rows.signal_hz[j] - origin) for j in (0, 1))
    beta1, beta2 = (0.5 * rows.kb_loss[j] + 1j * (rows.idler_hz[j] - rows.pump_hz - origin) for j in (0, 1))
    n11 = s * kb2 + e * beta2
    n22 = s * kb1 + e * beta1
    crossing = -z * np.sqrt(ka1 * ka2 * kb1 * kb2) * rows.g[0] * rows.g[1]
    to_2_from_1 = crossing * np.exp(1j * rows.theta)
    to_1_from_2 = crossing * np.exp(-1j * rows.theta)

    q_names = list(dict.fromkeys("transmission" if port in ("21", "12") else port for port in ports))
    poly = np.empty((3 + len(q_names) + len(ports), z.size, 3), dtype=np.complex128)
    den, q, r = poly[0], poly[1], poly[2]
    den[:, 0] = e * (0.25 * kb1 * kb2 + beta1 * beta2) + s * (kb1 * beta2 + kb2 * beta1)
    den[:, 1] = n11 + n22
    den[:, 2] = e
    q[:, 0] = alpha1 * alpha2
    q[:, 1] = alpha1 + alpha2
    q[:, 2] = 1.0
    r[:, 0] = square1 * alpha2 * n11 + square2 * alpha1 * n22 + e * square1 * square2
    r[:, 1] = square1 * (n11 + e * alpha2) + square2 * (n22 + e * alpha1)
    r[:, 2] = e * (square1 + square2)

    t, c, u, v = rows.through, rows.cross, rows.arm_1, rows.arm_2
    once, twice_1, twice_2 = u * v, u * u, v * v
    tt, cc, tc = t * t, c * c, t * c
    # Row and column of H A M A H: weights of R1, R2, T21, T12.
    weights = {
        "11": (tt * twice_1, cc * twice_2, tc * once, tc * once),
        "21": (tc * twice_1, tc * twice_2, tt * once, cc * once),
        "12": (tc * twice_1, tc * twice_2, cc * once, tt * once),
        "22": (cc * twice_1, tt * twice_2, tc * once, tc * once),
    }
    slots = []
    for position, port in enumerate(ports):
        w1, w2, w21, w12 = weights[port]
        direct = w1 + w2
        q_index = 3 + q_names.index("transmission" if port in ("21", "12") else port)
        r_index = 3 + len(q_names) + position
        q_port, r_port = poly[q_index], poly[r_index]
        q_port[:, 0] = direct * q[:, 0] - (w1 * ka1 * alpha2 + w2 * ka2 * alpha1)
        q_port[:, 1] = direct * q[:, 1] - (w1 * ka1 + w2 * ka2)
        q_port[:, 2] = direct
        loss1, loss2 = w1 * ka1 * square2, w2 * ka2 * square1
        r_port[:, 0] = direct * r[:, 0] - (loss1 * n22 + loss2 * n11) + w21 * to_2_from_1 + w12 * to_1_from_2
        r_port[:, 1] = direct * r[:, 1] - (loss1 + loss2) * e
        r_port[:, 2] = direct * r[:, 2]
        slots.append((q_index, r_index))
    poly[:, :, 1] *= -1j
    poly[:, :, 2] *= -1.0
    return poly, slots


def _checked_rows(rows: IsolatorRows) -> _Rows:
    """Broadcast and check; rows without coupling get an idler side that cannot do harm."""
    given: Mapping[str, object] = {"arm_1": 1.0, "arm_2": 1.0, **rows}
    pair_arrays = {name: np.asarray(given[name], dtype=np.float64) for name in PAIRS}
    singles: dict[str, npt.NDArray[np.generic]] = {
        **{name: np.asarray(given[name], dtype=np.float64) for name in ("pump_frequency_hz", "pump_phase_rad")},
        **{name: np.asarray(given[name], dtype=np.complex128) for name in AMPLITUDES},
    }
    count = _row_count(pair_arrays, singles)

    pair = np.empty((len(PAIRS), 2, count))
    for index, value in enumerate(pair_arrays.values()):
        pair[index] = value.T if value.ndim == 2 else value[:, None] if value.ndim == 1 else value
    complexes = np.empty((len(AMPLITUDES), count), dtype=np.complex128)
    for index, name in enumerate(AMPLITUDES):
        complexes[index] = singles[name]
    theta = np.empty(count)
    theta[:] = singles["pump_phase_rad"]
    if not (np.isfinite(pair).all() and np.isfinite(complexes).all() and np.isfinite(theta).all()):
        for name, array in (*pair_arrays.items(), *singles.items()):
            if name != "pump_frequency_hz" and not np.isfinite(array.astype(np.complex128)).all():
                raise InputError("a value is not finite", where=name)
    if not (pair[2:4] > 0.0).all():
        name = PAIRS[2] if pair[2].min() <= 0.0 else PAIRS[3]
        raise InputError(f"a linewidth must be positive, got {pair_arrays[name].min():g} Hz", where=name)
    if not (pair[4:6] >= 0.0).all():
        name = PAIRS[4] if pair[4].min() < 0.0 else PAIRS[5]
        raise InputError(f"a loss rate cannot be negative, got {pair_arrays[name].min():g} Hz", where=name)
    link, through, cross, arm_1, arm_2 = complexes
    size = np.abs(link)
    if not (size <= 1.0 + 1e-9).all():
        raise InputError(
            f"a link cannot amplify, got an amplitude of {size.max():g}",
            where="link",
            remedy="Use a complex amplitude of magnitude 1 or less.",
        )

    signal, idler, ka, kb, ka_loss, kb_loss, g = pair
    pump = np.empty(count)
    pump[:] = singles["pump_frequency_hz"]
    off = (g == 0.0).all(axis=0)
    if off.any():
        # The idlers of an uncoupled pair are never seen: unlinked and on resonance they keep den away from zero.
        pump[off] = (idler[0] - signal[0])[off]
        link[off] = 0.0
    if not np.isfinite(pump).all():
        raise InputError(
            "a pump frequency is not finite although its coupling is not zero",
            where="pump_frequency_hz",
            remedy="Give the pump's frequency, or a coupling of 0 for pump-off rows.",
        )
    return _Rows(signal, idler, ka, kb, ka_loss, kb_loss, g, pump, theta, link, through, cross, arm_1, arm_2)


def _row_count(pairs: dict[str, FloatArray], singles: dict[str, npt.NDArray[np.generic]]) -> int:
    """Number n of rows that all arguments broadcast to."""
    count, owner = 1, ""
    for name, array in (*pairs.items(), *singles.items()):
        lead = array.shape[:-1] if name in pairs else array.shape
        fits = len(lead) <= 1 and (name not in pairs or array.ndim == 0 or array.shape[-1] in (1, 2))
        rows = lead[0] if len(lead) == 1 else 1
        if fits and rows != 1 and not owner:
            count, owner = rows, name
        if not fits or rows not in (1, count):
            wanted = "(n, 2)" if name in pairs else "(n,)"
            reason = f" with n = {count} from {owner}" if fits else ""
            raise InputError(
                f"shape {array.shape} does not fit {wanted}{reason}",
                where=name,
                remedy="Rows are parameter sets or settings; the last axis of a pair is converter 1 and 2.",
            )
    return count
