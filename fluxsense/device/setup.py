"""What lies between the device and the analyser: line ends, direct paths, error boxes, the analyser itself.

With e1, e2 the reflections that a wave meets when it leaves the device by port 1 and 2, L21 and L12 direct paths beside
the device, and lines G21, G12 that cancel in ratios of sweeps of one path,

    D   = (1 - e1 S11)(1 - e2 S22) - e1 e2 S12 S21,
    M21 = G21 (S21/D + L21),        M12 = G12 (S12/D + L12)

(the signal-flow graph of a two-port between two reflections; checked against its direct solution in the tests).

e and L are smooth functions of frequency: sums of delays, of e from 0 (at the device) to tau_max (there and back along the
line), of L from -tau_max to tau_max: it is relative to the lines, and what passes the device may pass them too, on a shorter
or a longer way.  A random sum of many delays, spread evenly, has the covariance A^2 c(f - f') with c the Fourier transform of that
interval, and over a sweep of span B its principal functions (prolate spheroidal: Slepian and Pollak, Bell Syst. Tech. J.
40, 43 (1961), from memory) are few: about B tau_max + 3 hold all but 1e-4 of it.  `DelayBasis` holds these
functions, each a sum of delay terms; with independent complex normal coefficients of standard deviation A (rms of the
complex number) their sum is that random function.  A = 10^(-R/20) for a return loss, or an isolation, of R dB.

Time factor e^{-i w t}: a delay tau multiplies by e^{+i w tau}.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

TAU_MAX_S: Final = 10e-9
"""About one metre of cable, there and back (common practice: 0.66 of the speed of light)."""
EDGE_S: Final = 1e-9
"""By how much intervals of delays are widened: few functions describe a single delay at the very end of an interval worse
(an eighth of its amplitude missing, four times the usual size of coefficients) than one inside."""
LEFT_OUT: Final = 1e-4
"""Part of the prior variance that a basis may leave out."""

MEAN_POINTS: Final = np.array([0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)])
"""Gauss-Legendre points of (0, 1), equal weights: a mean over an interval, exact to third order.

An analyser's IF filter that reaches back by a part x of a frequency step shows at a point the mean of S over that part.
"""
PHASE_STEP_RAD: Final = 0.1

ErrorBoxes = tuple[ComplexArray, ComplexArray]
"""Two-ports (4, F) of S11, S21, S12, S22: before port 1 and behind port 2."""


@dataclass(frozen=True)
class DelayBasis:
    """M smooth functions of frequency, each a sum of delay terms e^{2 pi i (f - centre) tau}.

    Attributes
    ----------
    centre_hz : float
        Middle of the sweep.
    delays_s : ndarray (Q,)
    mixing : ndarray (Q, M) of complex
        Weights of the delay terms in each function, most important function first.
    """

    centre_hz: float
    delays_s: FloatArray
    mixing: ComplexArray

    @property
    def size(self) -> int:
        """Number of functions M."""
        return int(self.mixing.shape[1])

    def at(self, frequency_hz: FloatArray) -> ComplexArray:
        """The functions at some frequencies (F,), shape (M, F)."""
        phase = 2j * np.pi * np.multiply.outer(self.delays_s, frequency_hz - self.centre_hz)
        return np.asarray(self.mixing.T @ np.exp(phase))


@lru_cache(maxsize=64)
def delay_basis(
    start_hz: float,
    stop_hz: float,
    tau_max_s: float = TAU_MAX_S,
    size: int | None = None,
    tau_min_s: float = 0.0,
    left_out: float = LEFT_OUT,
) -> DelayBasis:
    """The basis for a sweep.

    Parameters
    ----------
    start_hz, stop_hz : float
        Ends of the sweep, Hz.
    tau_max_s : float
        Longest delay, s.
    size : int, optional
        Number of functions; the fewest that leave out less than `left_out` of the variance if not given.
    tau_min_s : float
        Shortest delay, s.
    left_out : float
        Part of the prior variance that the basis may leave out.

    Returns
    -------
    DelayBasis
        With coefficients of unit complex variance the mean square of the sum over the sweep is 1 (less what is left out).

    Raises
    ------
    InputError
        If the sweep or the delays have no span, or more functions are wanted than can be told apart.

    Notes
    -----
    Eigenfunctions of the covariance, by Gauss-Legendre quadrature in frequency and in delay: singular value
    decomposition of e^{2 pi i f tau} sqrt(weights).  The phase of each is fixed by making its largest delay term real.
    """
    if not stop_hz > start_hz or not tau_max_s > tau_min_s:
        raise InputError(
            f"a sweep from {start_hz:g} Hz to {stop_hz:g} Hz and a longest delay of {tau_max_s:g} s make no basis",
            remedy="Give a sweep with a span and a positive delay",
        )
    product = (stop_hz - start_hz) * (tau_max_s - tau_min_s)
    count = 24 + int(np.ceil(2.0 * product))
    node, weight = np.polynomial.legendre.leggauss(count)
    delays = tau_min_s + 0.5 * (tau_max_s - tau_min_s) * (1.0 + node)
    offsets = 0.5 * (stop_hz - start_hz) * node
    root = np.sqrt(0.5 * weight)
    kernel = root[:, None] * np.exp(2j * np.pi * np.multiply.outer(offsets, delays)) * root[None, :]
    _, value, right = np.linalg.svd(kernel)
    least = int(np.searchsorted(np.cumsum(value**2), 1.0 - left_out)) + 1
    chosen = least if size is None else size
    if not 0 < chosen <= count // 2:
        raise InputError(
            f"{chosen} functions are wanted of a basis that can tell apart {count // 2}",
            where="size",
            remedy=f"{least} are enough for this sweep",
        )
    # f_m = sum_q e^{2 pi i f tau_q} root_q v_mq: of mean square value_m^2 over the sweep
    mixing = root[:, None] * right[:chosen].conj().T
    largest = mixing[np.argmax(np.abs(mixing), axis=0), np.arange(chosen)]
    turned = mixing * (np.abs(largest) / largest)
    for shared in (delays, turned):  # every caller has the same
        shared.setflags(write=False)
    return DelayBasis(0.5 * (start_hz + stop_hz), delays, turned)


def between_reflections(s: ComplexArray, e: ComplexArray) -> ComplexArray:
    """Transmission of a device between two reflections.

    Parameters
    ----------
    s : ndarray (..., 4, F) of complex
        S11, S21, S12, S22 of the device.
    e : ndarray (..., 2, F) of complex
        Reflections that waves leaving port 1 and port 2 meet; broadcasts with s.

    Returns
    -------
    ndarray (..., 2, F) of complex
        S21/D and S12/D.
    """
    s11, s21, s12, s22 = (s[..., k, :] for k in range(4))
    e1, e2 = e[..., 0, :], e[..., 1, :]
    inverse = 1.0 / ((1.0 - e1 * s11) * (1.0 - e2 * s22) - e1 * e2 * s12 * s21)
    return np.stack([s21 * inverse, s12 * inverse], axis=-2)


def reflections_between(s: ComplexArray, e: ComplexArray) -> ComplexArray:
    """Reflections of a device between two others, seen from lines that let waves through: (S11 - e2 det S)/D, (S22 - e1 det S)/D.

    A line's own reflection adds a constant to them and its loss a factor, the same in every sweep.

    Parameters
    ----------
    s, e : ndarray (..., 4, F), (..., 2, F) of complex
        As for `between_reflections`.

    Returns
    -------
    ndarray (..., 2, F) of complex
    """
    s11, s21, s12, s22 = (s[..., k, :] for k in range(4))
    e1, e2 = e[..., 0, :], e[..., 1, :]
    across = s12 * s21
    determinant = s11 * s22 - across
    inverse = 1.0 / ((1.0 - e1 * s11) * (1.0 - e2 * s22) - e1 * e2 * across)
    return np.stack([(s11 - e2 * determinant) * inverse, (s22 - e1 * determinant) * inverse], axis=-2)


def by_reflections(s: ComplexArray, e: ComplexArray) -> ComplexArray:
    """Derivatives of `between_reflections` with both reflections.

    Parameters
    ----------
    s, e : ndarray (..., 4, F), (..., 2, F) of complex
        As for `between_reflections`.

    Returns
    -------
    ndarray (..., 2, 2, F) of complex
        By e1 and e2, of S21/D and S12/D.  As dD/de1 = -(S11 - e2 det S), each is what is seen of a reflection times what is
        seen of a transmission.
    """
    return np.asarray(reflections_between(s, e)[..., :, None, :] * between_reflections(s, e)[..., None, :, :])


def embedded(s: ComplexArray, first: ComplexArray, second: ComplexArray) -> ComplexArray:
    """A device between two measured error boxes: cascade of three two-ports.

    Parameters
    ----------
    s : ndarray (..., 4, F) of complex
        S11, S21, S12, S22 of the device.
    first, second : ndarray (4, F) of complex
        The same of the boxes; port 1 of the first and port 2 of the second are the analyser's, their other ports the
        device's.

    Returns
    -------
    ndarray (..., 4, F) of complex
    """
    return cascade(cascade(first, s), second)


def cascade(left: ComplexArray, right: ComplexArray) -> ComplexArray:
    """Port 2 of one two-port on port 1 of the next, (..., 4, F) of S11, S21, S12, S22 each; they broadcast."""
    a11, a21, a12, a22 = (left[..., k, :] for k in range(4))
    b11, b21, b12, b22 = (right[..., k, :] for k in range(4))
    loop = 1.0 / (1.0 - a22 * b11)
    return np.stack(
        [a11 + a12 * b11 * a21 * loop, a21 * b21 * loop, a12 * b12 * loop, b22 + b21 * a22 * b12 * loop], axis=-2
    )


def arm_amplitudes(phase_rad: FloatArray, loss_db: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Amplitudes of the two arms between the signal hybrid and the converters, one way.

    Parameters
    ----------
    phase_rad : ndarray
        Phase of arm 1 over arm 2 (their mean is part of the lines).
    loss_db : ndarray
        Loss of arm 2 over arm 1; a negative one lies in arm 1.

    Returns
    -------
    first, second : ndarray of complex
        Neither above 1 in size.
    """
    turn = np.exp(0.5j * np.asarray(phase_rad))
    loss = np.asarray(loss_db)
    first = turn * 10.0 ** (np.minimum(loss, 0.0) / 20.0)
    return first, np.conj(turn) * 10.0 ** (-np.maximum(loss, 0.0) / 20.0)


@dataclass(frozen=True)
class Surroundings:
    """What lies round a device: error boxes first, then line ends and direct paths; each None if there is none.

    Attributes
    ----------
    boxes : ErrorBoxes or None
    line_end, direct_path : ndarray (B, 1, 2, F) of complex or None
        Reflections beyond port 1 and 2; paths 21 and 12, relative to the lines' transmission.
    """

    boxes: ErrorBoxes | None = None
    line_end: ComplexArray | None = None
    direct_path: ComplexArray | None = None

    @property
    def reflects(self) -> bool:
        """Whether the device's own reflections are needed to know what is seen of its transmissions."""
        return self.boxes is not None or self.line_end is not None

    def seen(self, s: ComplexArray, ports: tuple[str, ...]) -> ComplexArray:
        """What the analyser sees of a device with S (B, P, len(ports), F); all four ports where `reflects`.

        The array may be changed in place and returned.
        """
        if self.boxes is not None:
            s = embedded(s, *self.boxes)
        if self.line_end is not None:
            s[..., 1:3, :] = between_reflections(s, self.line_end)
        if self.direct_path is not None:
            for path, name in enumerate(("21", "12")):
                if name in ports:
                    s[..., ports.index(name), :] += self.direct_path[..., path, :]
        return s

    def seen_by_line_ends(self, s: ComplexArray) -> ComplexArray:
        """Derivatives (B, P, 2, 2, F) of what is seen of S21 and S12 with both line ends, of a device with S (B, P, 4, F)."""
        if self.boxes is not None:
            s = embedded(s, *self.boxes)
        none = np.zeros((1, 1, 2, 1), dtype=np.complex128)
        return by_reflections(s, none if self.line_end is None else self.line_end)

    def seen_with_phase(
        self, s: ComplexArray, q: ComplexArray, p: ComplexArray, ports: tuple[str, ...]
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """The same for a device with s + sin(e) q + (cos(e) - 1) p: s, q, p (B, P, 2, F) of what is seen of S21 and S12.

        Exact at e = 0 and +-`PHASE_STEP_RAD`, and everywhere where nothing `reflects`.
        """
        if not self.reflects:
            return self.seen(s, ports), q, p
        sine, cosine = np.sin(PHASE_STEP_RAD), np.cos(PHASE_STEP_RAD) - 1.0
        ahead, behind = (self.seen(s + x * sine * q + cosine * p, ports)[..., 1:3, :] for x in (1.0, -1.0))
        here = self.seen(s, ports)[..., 1:3, :]
        return here, (ahead - behind) / (2.0 * sine), (ahead + behind - 2.0 * here) / (2.0 * cosine)
