"""Closed-form derivatives of the isolator's scattering parameters.

The signal modes obey A a = sqrt(K) in with K = diag(ka1, ka2) (see `fluxsense.device.isolator`), so that the inner
scattering matrix is M = 1 - Q with Q = sqrt(K) A^-1 sqrt(K), and S = H M H.  For any parameter p

    dM/dp = Q W Q - (L Q + Q L),    W = K^-1/2 (dA/dp) K^-1/2,    L = d ln sqrt(K)/dp,

and Q = 1 - H^-1 S H^-1 follows from the scattering parameters that the chip model returns: only dA/dp is written out
here.  A_jj = a_j + g_j^2 I_jj, A_12 = g1 g2 I_12 exp(-i theta), A_21 = g1 g2 I_12 exp(i theta), with the idlers'
response I = N/den of that module, whose derivatives are rational functions of the idlers' rates.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipModel, ChipParameters
from fluxsense.device.isolator import isolator_scattering

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

LOCAL_KINDS = ("flux", "strength", "phase")


@dataclass(frozen=True, order=True)
class LocalParameter:
    """A quantity that an isolator's traces depend on directly.

    kind is "flux" (of stage 0 or 1, Phi0), "strength" (of both stages), "phase" (rad), or the name of a stage field.
    """

    kind: str
    stage: int = 0


def scattering_slopes(
    model: ChipModel,
    parameters: ChipParameters,
    isolator: int,
    flux_phi0: FloatArray,
    wanted: Sequence[LocalParameter],
) -> tuple[ComplexArray, ComplexArray]:
    """S21 and S12 of an isolator's probes and their derivatives, in closed form.

    Parameters
    ----------
    model : ChipModel
    parameters : ChipParameters
        Batch of B.
    isolator : int
    flux_phi0 : ndarray (B, P, 2)
        Flux in the two loops for each of the isolator's probes.
    wanted : sequence of n LocalParameter

    Returns
    -------
    s : ndarray (B, P, 2, F) of complex
        S21 and S12.
    slopes : ndarray (B, n, P, 2, F) of complex
        Derivatives, per unit of the quantity.
    """
    shape = flux_phi0.shape
    rows = model.kernel_rows(parameters, isolator, flux_phi0)
    f = model.frequency_hz[isolator]
    every = isolator_scattering(f, **rows, ports=("11", "21", "12", "22"))  # (n, 4, F)
    s = every.reshape(every.shape[0], 2, 2, f.size).transpose(0, 2, 1, 3)  # 11, 21, 12, 22 -> [row, out, in]
    t, c = rows["hybrid_through"][0], rows["hybrid_cross"][0]
    hybrid = np.array([[t, c], [c, t]])
    back = np.linalg.inv(hybrid)
    q = np.eye(2)[None, :, :, None] - np.einsum("ij,njkf,kl->nilf", back, s, back, optimize=True)
    # rows of H Q and columns of Q H that lead to S21 and S12
    left = np.einsum("ij,njkf->nikf", hybrid, q)
    right = np.einsum("nijf,jk->nikf", q, hybrid)
    ka = rows["signal_linewidth_hz"]
    root = np.sqrt(ka)[:, :, None]
    out_side = {21: left[:, 1] / root, 12: left[:, 0] / root}  # (n, 2, F)
    in_side = {21: right[:, :, 0] / root, 12: right[:, :, 1] / root}

    matrix = _Response(rows, f)
    cache: dict[tuple[str, int], ComplexArray] = {}

    def by_rate(rate: str, stage: int) -> ComplexArray:
        """dS/d(rate of a stage), (n, 2, F)."""
        key = (rate, stage)
        if key not in cache:
            change = matrix.change(rate, stage)
            parts = np.zeros((ka.shape[0], 2, f.size), dtype=np.complex128)
            for p, path in enumerate((21, 12)):
                for (j, k), value in change.items():
                    parts[:, p] += out_side[path][:, j] * value * in_side[path][:, k]
            if rate == "signal_linewidth_hz":  # -(L Q + Q L) between H and H, with L = 1/(2 ka_j) at stage j
                weight = 0.5 / ka[:, stage, None]
                for p, (m, n) in enumerate(((1, 0), (0, 1))):
                    parts[:, p] -= weight * (
                        hybrid[m, stage] * right[:, stage, n] + left[:, m, stage] * hybrid[stage, n]
                    )
            cache[key] = parts
        return cache[key]

    fields = sorted({w.kind for w in wanted} - set(LOCAL_KINDS))
    chain = model.rate_derivatives(parameters, isolator, flux_phi0, fields)
    slopes = np.zeros((len(wanted), ka.shape[0], 2, f.size), dtype=np.complex128)
    for n, one in enumerate(wanted):
        if one.kind == "phase":
            slopes[n] = by_rate("pump_phase_rad", 0)
            continue
        for stage in (0, 1) if one.kind == "strength" else (one.stage,):
            for rate, factor in chain[one.kind].items():
                weights = factor[..., stage].reshape(-1)
                if np.any(weights):
                    slopes[n] += weights[:, None, None] * by_rate(rate, stage)
    batch, probes = shape[:2]
    both = np.stack([s[:, 1, 0], s[:, 0, 1]], axis=1).reshape(batch, probes, 2, f.size)
    arranged = slopes.reshape(len(wanted), batch, probes, 2, f.size).transpose(1, 0, 2, 3, 4)
    return both, np.ascontiguousarray(arranged)


class _Response:
    """The matrix A's derivatives for rows of parameters on frequencies (F,)."""

    def __init__(self, rows: dict[str, npt.NDArray[np.generic]], f: FloatArray) -> None:
        pair = {k: np.asarray(v, dtype=np.float64)[:, :, None] for k, v in rows.items() if v.ndim == 2}
        self._g = pair["coupling_hz"]
        self._kb = pair["idler_linewidth_hz"]
        pump = np.array(rows["pump_frequency_hz"], dtype=np.float64)
        off = np.all(self._g[:, :, 0] == 0, axis=1)
        middle = np.mean(pair["idler_frequency_hz"] - pair["signal_frequency_hz"], axis=1)[:, 0]
        pump[off] = middle[off]  # without coupling the idlers are never seen
        self._d = 0.5 * pair["idler_internal_hz"] - 1j * (
            f[None, None, :] + pump[:, None, None] - pair["idler_frequency_hz"]
        )
        link = np.array(rows["link"], dtype=np.complex128)
        link[off] = 0.0
        z = link[:, None]
        e, h = 1 - z * z, 0.5 * (1 + z * z)
        kb, d = self._kb, self._d
        self._e, self._h = e, h
        self._den = e * (0.25 * kb[:, 0] * kb[:, 1] + d[:, 0] * d[:, 1]) + h * (kb[:, 0] * d[:, 1] + kb[:, 1] * d[:, 0])
        n12 = -np.sqrt(kb[:, 0] * kb[:, 1]) * z
        self._n = {
            (0, 0): h * kb[:, 1] + e * d[:, 1],
            (1, 1): h * kb[:, 0] + e * d[:, 0],
            (0, 1): n12 * np.ones_like(self._den),
        }
        self._i = {key: value / self._den for key, value in self._n.items()}
        theta = np.asarray(rows["pump_phase_rad"], dtype=np.float64)[:, None]
        self._turn = {(0, 1): np.exp(-1j * theta), (1, 0): np.exp(1j * theta)}

    def change(self, rate: str, stage: int) -> dict[tuple[int, int], ComplexArray]:
        """Entries of dA/d(rate of a stage) that are not zero, each broadcastable to (n, F)."""
        g, i, turn = self._g, self._i, self._turn
        other = 1 - stage
        if rate == "signal_frequency_hz":
            return {(stage, stage): np.full((1, 1), 1j)}
        if rate in ("signal_linewidth_hz", "signal_internal_hz"):
            return {(stage, stage): np.full((1, 1), 0.5 + 0j)}
        if rate == "coupling_hz":
            return {
                (stage, stage): 2 * g[:, stage] * i[stage, stage],
                (0, 1): g[:, other] * i[0, 1] * turn[0, 1],
                (1, 0): g[:, other] * i[0, 1] * turn[1, 0],
            }
        if rate == "pump_phase_rad":
            both = g[:, 0] * g[:, 1] * i[0, 1]
            return {(0, 1): -1j * both * turn[0, 1], (1, 0): 1j * both * turn[1, 0]}
        response = self._idler_change(rate, stage)
        both = g[:, 0] * g[:, 1] * response[0, 1]
        return {
            (0, 0): g[:, 0] ** 2 * response[0, 0],
            (1, 1): g[:, 1] ** 2 * response[1, 1],
            (0, 1): both * turn[0, 1],
            (1, 0): both * turn[1, 0],
        }

    def _idler_change(self, rate: str, stage: int) -> dict[tuple[int, int], ComplexArray]:
        """Derivative of the idlers' response I = N/den, (n, F) per entry."""
        other = 1 - stage
        kb, d, e, h = self._kb, self._d, self._e, self._h
        n = {key: np.zeros_like(value) for key, value in self._n.items()}
        if rate == "idler_linewidth_hz":
            den = 0.25 * e * kb[:, other] + h * d[:, other]
            n[other, other] = n[other, other] + h
            n[0, 1] = self._n[0, 1] / (2 * kb[:, stage])
        else:  # through d_j = k_t/2 - i (w + w_p - w_b)
            per_d = 1j if rate == "idler_frequency_hz" else 0.5
            den = per_d * (e * d[:, other] + h * kb[:, other])
            n[other, other] = n[other, other] + per_d * e
        return {key: (n[key] - self._i[key] * den) / self._den for key in n}
