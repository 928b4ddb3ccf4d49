"""Which pump port is which: the sign of the pump phase difference, read from sweeps with known flux signs.

Pump port 1 gives +90 or -90 degrees between the two stages, depending on how the pump hybrid was connected.  Sweeps
with the source out (or a known calibration source) at a bias decide: both signs are fitted to each isolator's own
sweeps, with its offsets, pump strength and phase error free within their priors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from fluxsense.base.beside import Beside, aside
from fluxsense.base.errors import InputError
from fluxsense.data.digest import Digest
from fluxsense.device.chip import study_flux_map
from fluxsense.infer.modes import modes_without_source
from fluxsense.infer.reference import alone, height, loose_and_sharp, signs_known
from fluxsense.model.likelihood import RatioLikelihood, every_few
from fluxsense.study import State, Study

FloatArray = npt.NDArray[np.float64]

QUICK_GAIN = 0.02
"""Residual gain at least of fits about the study's central values."""
DECISIVE = 10.0
"""Difference of the log posteriors of the two signs that counts as decided."""


@dataclass(frozen=True)
class Wiring:
    """Sign of the pump phase difference for pump port 1, per isolator, and where it is from.

    Attributes
    ----------
    signs : tuple of int
    log_odds : tuple of float
        Log posterior of the sign taken less that of the other; NaN where it was not examined.
    stated : tuple of bool
        Whether the study states it.
    """

    signs: tuple[int, ...]
    log_odds: tuple[float, ...]
    stated: tuple[bool, ...]


def source_flux_scale_phi0(study: Study) -> FloatArray:
    """Root mean square flux per loop of a source of the stated size in a random direction, at its central position."""
    rows = study_flux_map(study)
    return np.asarray(np.sqrt(np.sum(rows**2, axis=-1) / 3) * study.source.size)


def read_wiring(study: Study, digest: Digest, measured: Sequence[int], helper: Beside | None = None) -> Wiring:
    """Find the wiring of every measured isolator from the digest.

    Parameters
    ----------
    study : Study
    digest : Digest
    measured : sequence of int
        Isolators with sweeps.
    helper : Beside, optional
        A second process, which looks at half of them.

    Returns
    -------
    Wiring

    Raises
    ------
    InputError
        If the study leaves a sign to the reference sweeps and they do not decide it.
    """
    signs, odds, stated = [], [], []
    half = (len(measured) + 1) // 2
    others = aside(helper, _all_sign_odds, study, digest, tuple(measured[half:]))
    differences = _all_sign_odds(study, digest, measured[:half]) | others()
    for i, iso in enumerate(study.isolators):
        known = iso.pump_port_1_sign
        stated.append(known is not None)
        if i not in measured:
            signs.append(known or 1)
            odds.append(float("nan"))
            continue
        signs.append(known or _decided(study, i, differences[i]))
        odds.append(signs[-1] * differences[i])
    return Wiring(tuple(signs), tuple(odds), tuple(stated))


def wiring_signs(study: Study, digest: Digest, measured: Sequence[int]) -> tuple[int, ...]:
    """The signs of `read_wiring` without the odds, for which only isolators are examined whose wiring the study leaves open."""
    known = [iso.pump_port_1_sign for iso in study.isolators]
    differences = _all_sign_odds(study, digest, [i for i in measured if known[i] is None])
    return tuple(
        sign or (_decided(study, i, differences[i]) if i in differences else 1) for i, sign in enumerate(known)
    )


def _decided(study: Study, isolator: int, difference: float) -> int:
    """The sign that log odds of +1 against -1 stand for, if they decide."""
    iso = study.isolators[isolator]
    if not abs(difference) >= DECISIVE:
        raise InputError(
            f'the sweeps do not tell which way isolator "{iso.name}" transmits for pump port 1 '
            f"(log odds {difference:+.1f}, {DECISIVE:g} wanted): its rings carry no flux of known sign, trapped flux may reverse "
            "it, or the sweeps miss the resonance",
            where=f"{study.path.name}, isolator[{iso.name}].pump_port_1_phase",
            remedy='State "+90 deg" or "-90 deg" in the study, or record source-out sweeps with both loops biased '
            "to about half a flux quantum, and each to minus that where offset_sd is not much smaller",
        )
    return 1 if difference > 0 else -1


def _all_sign_odds(study: Study, digest: Digest, isolators: Sequence[int]) -> dict[int, float]:
    """`_sign_odds` of some isolators."""
    return {i: _sign_odds(study, digest, i) for i in isolators}


def _sign_odds(study: Study, digest: Digest, isolator: int) -> float:
    """Log posterior odds of +1 against -1, each at its best fit, for one isolator."""
    name = study.isolators[isolator].name
    own = {k: v for k, v in digest.items() if k.isolator == name}
    swept = {k.state for k in own if k.pump_on}
    out = {s.name for s in study.states if s.kind == "out"}
    # a known source may be other than the study says (`fluxsense.infer.blind`): it decides only where it must
    quiet = out if out & swept else out | {s.name for s in study.states if s.kind == "calibration"}
    reference = any(k.pump_on and k.state in quiet for k in own)
    scale = np.zeros(len(study.loops)) if reference else source_flux_scale_phi0(study)
    if reference:
        own = {k: v for k, v in own.items() if not k.pump_on or k.state in quiet}
    # every (cooldown, state) gets offsets of its own, so that an unknown source only adds to them
    kinds = {s.name: s for s in study.states}
    labels = {k: (k.cooldown if k.state in quiet else f"{k.cooldown}|{k.state}") for k in own}
    paired = {labels[k] for k in own if k.pump_on} <= {labels[k] for k in own if not k.pump_on}
    if (
        not paired
    ):  # pump-off sweeps of another state must serve: one set of offsets, as uncertain as the source makes it
        labels = {k: k.cooldown for k in own}
        scale = source_flux_scale_phi0(study)
    relabelled = Digest({replace(k, cooldown=labels[k]): v for k, v in own.items()})
    loops = tuple(
        x.with_sd(offset_phi0=float(np.hypot(max(x.offset_sd_phi0, 1e-4), s)))
        for x, s in zip(study.loops, scale, strict=True)
    )
    states = tuple(s if s.kind in ("out", "calibration") else State(s.name, "out") for s in kinds.values())
    plain = replace(study, loops=loops, states=states)
    values = []
    for sign in (1, -1):
        likelihood = RatioLikelihood(
            plain, relabelled, [sign] * len(study.isolators), residual_gain=max(study.noise.residual_gain, QUICK_GAIN),
            points=every_few,
        )  # fmt: skip
        if signs_known(likelihood, isolator):
            values.append(_quick_height(likelihood, isolator))
        else:  # with the currents of both rings reversed the other wiring fits about as well: what is eliminated has a say
            values.append(height(*loose_and_sharp(likelihood, isolator), isolator))
    return float(values[0] - values[1])


def _quick_height(likelihood: RatioLikelihood, isolator: int) -> float:
    """Log posterior at the best fit about the study's central values."""
    problem = alone(likelihood, isolator)
    if not problem.unknowns.size:
        return float(problem.log_likelihood(np.zeros((1, 0)))[0])
    modes = modes_without_source(problem, max_steps=30)
    return modes[0].log_posterior if modes else -np.inf
