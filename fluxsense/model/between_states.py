"""What the sweeps of one state of the source have in common that those of another have not, beside the source.

Sweeps of all states stand over one line gain.  A cable that somebody touched while changing the source gives all sweeps of that state
another gain, with a slope along the sweep; and the model may leave out some of how pump-off sweeps change with the state, where
opposite changes in both loops all but cancel, so that a little left out looks like much flux.  Both are relative errors of unit
variance times their size, for the likelihood of measured ratios and for plans alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

GAIN_SLOPE: Final = 0.4
"""Slope of a state's gain from the middle of a sweep to its end, of its size."""


def linewidth_hz(study: Study, isolator: int) -> float:
    """Mean linewidth of an isolator's signal modes: what a remainder is smooth over."""
    return float(np.mean([s.signal_linewidth_hz for s in study.isolators[isolator].stages]))


def touched(size: float, states: Sequence[str], points: int) -> ComplexArray:
    """Relative errors (C, P, 2, F) of sweeps whose lines may have been touched between states.

    Parameters
    ----------
    size : float
        Standard deviation per quadrature and path.
    states : sequence of str (P,)
        State of each kind of sweep; of a single state nothing shows.
    points : int
        Frequencies F.
    """
    each = sorted(set(states))
    if size <= 0 or len(each) < 2:
        return np.zeros((0, len(states), 2, points), dtype=np.complex128)
    shapes = size * np.stack([np.ones(points), GAIN_SLOPE * np.linspace(-1.0, 1.0, points)])
    out = np.zeros((len(each), 2, 2, 2, len(states), 2, points), dtype=np.complex128)
    for at, state in enumerate(each):
        own = [s == state for s in states]
        for path in range(2):
            out[at, path, :, 0, own, path], out[at, path, :, 1, own, path] = shapes, 1j * shapes
    return out.reshape(-1, len(states), 2, points)


def reference_state(study: Study) -> str:
    """The state whose pump-off sweeps those of the others are seen against: the first without the source, else the first."""
    return next((s.name for s in study.states if s.kind == "out"), study.states[0].name)


def left_out(size: float, owners: Sequence[int], functions: FloatArray) -> ComplexArray:
    """Relative errors (C, P, 2, F) of what a model leaves out of how pump-off sweeps change with the state.

    Parameters
    ----------
    size : float
    owners : sequence of int (P,)
        For each kind of sweep without the pump in a state other than `reference_state` a number of its own, from 0; -1 for all others.
    functions : ndarray (J, F)
        Of `fluxsense.model.remainder.smooth_functions`.

    Notes
    -----
    Which sweeps have such an error does not depend on what else was swept, so that sweeps left out never tell more.
    """
    points, total = functions.shape[-1], max(owners, default=-1) + 1
    if size <= 0 or not total:
        return np.zeros((0, len(owners), 2, points), dtype=np.complex128)
    out = np.zeros((total, 2, len(functions), 2, len(owners), 2, points), dtype=np.complex128)
    for n, own in enumerate(owners):
        for path in range(2) if own >= 0 else ():
            out[own, path, :, 0, n, path], out[own, path, :, 1, n, path] = size * functions, 1j * size * functions
    return out.reshape(-1, len(owners), 2, points)


def errors_between_states(
    study: Study, isolator: int, states: Sequence[str], off: Sequence[bool], functions: FloatArray
) -> ComplexArray:
    """All such relative errors (C, P, 2, F) of an isolator's kinds of sweeps, as large as its set-up says.

    Parameters
    ----------
    study : Study
    isolator : int
    states : sequence of str (P,)
        State of each kind of sweep.
    off : sequence of bool (P,)
        Whether it is taken without the pump.
    functions : ndarray (J, F)
        Of `fluxsense.model.remainder.smooth_functions` over `linewidth_hz`.
    """
    sd, usual = study.isolators[isolator].setup.sd, reference_state(study)
    chosen = np.array(off) & np.array([s != usual for s in states])
    owners = [int(n) if c else -1 for c, n in zip(chosen, np.cumsum(chosen) - 1, strict=True)]
    lines = touched(sd["gain_between_states"], states, functions.shape[-1])
    return np.concatenate([lines, left_out(sd["discrepancy"], owners, functions)])
