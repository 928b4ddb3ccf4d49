"""What directions of transmission tell in a planned experiment: Fisher information of the binomial law.

A sweep of probability p of reading 'from 1 to 2' has the information p'^2/(p (1 - p)) about a flux: that of the angle
2 arcsin sqrt(p), known to one radian.  So counts take the place of traces as one real value a sweep, of unit noise, with the
slopes p'/sqrt(p (1 - p)); everything behind it, from fluxes to errors, is the same (`fluxsense.design.sensitivity`).  A sweep far
from a flip tells next to nothing: its slopes vanish.

How far a truth p_0 is from another p is not measured along the angle but exactly: n times the Kullback-Leibler divergence
p_0 ln(p_0/p) + (1 - p_0) ln((1 - p_0)/(1 - p)), whose gradient by a parameter is -(p_0 - p) p'/(p (1 - p)).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import rel_entr

from fluxsense.infer.reading_law import SURE, ReadingLaw, misread

FloatArray = npt.NDArray[np.float64]


def count_slopes(law: ReadingLaw, flux_phi0: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Probabilities of reading 'from 1 to 2', and their slopes over sqrt(p (1 - p)), of an isolator's probes.

    Parameters
    ----------
    law : ReadingLaw
        Of the pump-on probes; a pump-off probe, which has no direction, stands behind them here.
    flux_phi0 : ndarray (R, 2)

    Returns
    -------
    p : ndarray (R, P + 1, 1, 1)
        1/2 for the pump-off probe.
    slopes : ndarray (R, 2, P + 1, 1, 1)
        By the two fluxes; zero for the pump-off probe.
    """
    rate, on = law.study.data.wrong_way, len(law.probes)
    p, slopes = law.slopes(np.repeat(flux_phi0[:, None, :], on, axis=1))
    out, by_flux = np.full((len(p), on + 1), 0.5), np.zeros((len(p), 2, on + 1))
    out[:, :on] = np.clip(misread(p, rate), SURE, 1 - SURE)
    by_flux[:, :, :on] = (1 - 2 * rate) * slopes / np.sqrt(out[:, None, :on] * (1 - out[:, None, :on]))
    return out[..., None, None], by_flux[..., None, None]


def apart_of_counts(truth: FloatArray, p: FloatArray) -> FloatArray:
    """Residuals (R, 2, P, 1, 1) of probabilities: by the first the gradient follows, the square of the second is the divergence."""
    truth = np.broadcast_to(truth, p.shape)
    divergence = rel_entr(truth, p) + rel_entr(1 - truth, 1 - p)
    return np.stack([(truth - p) / np.sqrt(p * (1 - p)), np.sqrt(2 * np.maximum(divergence, 0.0))], axis=1)


def information_of_counts(slopes: npt.NDArray[np.complex128], sweeps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Information (R, n, n) of counts with slopes (R, n, P, 1, 1), and its derivative (R, P, n, n) by each number of sweeps."""
    s = slopes[..., 0, 0].real.transpose(0, 2, 1)
    per_sweep = s[..., :, None] * s[..., None, :]
    return np.einsum("p,rpij->rij", sweeps, per_sweep), per_sweep
