"""Slips that turn whole campaigns into another's: what the sweeps look like before anything is fitted.

The ratio of pump-on and pump-off means, y (S21 and S12), of the sweeps without the source is compared with the model's at the
numbers that the study states, m.  Each usual slip says what y or m would have been without it: the conjugate, the ports
exchanged, on and off exchanged, numbers that are magnitudes (in dB) and degrees, another isolator's m, another pump power.  The distance is a median over everything swept,

    d = median |y' - m'| / median |m - 1|,

so that what the pump does is the measure, and some strange sweeps do not matter.  A slip is named only where the study as it
stands, its loops' offsets anywhere within their priors, is far from the sweeps (`FAR`) and the study without the slip near (`NEAR`, and `TIMES` times nearer): uncertain
numbers of a chip leave d at some tenths at most, none of these slips does.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.findings import TRUST, Finding
from fluxsense.data.digest import Digest, GroupKey, off_group_for
from fluxsense.device.chip import ChipModel, nominal_parameters, off_probe, with_source_out
from fluxsense.model.likelihood import probe_of
from fluxsense.model.parameter import OFFSET
from fluxsense.study import Study

ComplexArray = npt.NDArray[np.complex128]

FAR: Final = 0.6
NEAR: Final = 0.45
TIMES: Final = 2.0
OFFSETS: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)
"""Offsets of the two loops, in prior deviations, any of which may bring a study near its sweeps: which way a pair transmits hangs on them."""
POWERS: Final = (1e3, 1e-3, 1e6, 1e-6)
"""Factors of power by which dBm, dBW, W and mW are mistaken for each other."""


@dataclass(frozen=True)
class _Seen:
    """The groups of one isolator without the source: means with the pump on and off (K, 2, F), and frequencies (F,)."""

    isolator: int
    keys: tuple[GroupKey, ...]
    on: ComplexArray
    off: ComplexArray
    frequency_hz: npt.NDArray[np.float64]

    @property
    def ratio(self) -> ComplexArray:
        """Pump on over pump off, (K, 2, F)."""
        return _ratio(self.on, self.off)


def slip_findings(study: Study, digest: Digest) -> list[Finding]:
    """The slip that the sweeps look like, a reason not to use them, or that they look like nothing known; else nothing.

    Parameters
    ----------
    study : Study
    digest : Digest
        Of complex traces.
    """
    seen = list(_seen(study, digest, ("out",)))
    unusable = TRUST.index("unusable")
    if dead := tuple(study.isolators[s.isolator].name for s in seen if not np.all(s.off)):
        return [Finding("dead pump off", unusable, isolators=dead)]
    far = [s for s in seen if _distance(s.ratio, _models(study, s)) > FAR]
    far = [s for s in far if _distance(s.ratio, _models(study, s, spread=OFFSETS)) > FAR]
    if not far:
        return []
    names = tuple(study.isolators[s.isolator].name for s in far)
    tried = [*_alike_for_all(study, far), *_exchanged(study, far, seen), *_other_state(study, far, digest)]
    slips = sorted(tried, key=lambda slip: slip[0])
    if not slips:
        return [Finding("sweeps unlike the study", isolators=names)]
    _, code, values = slips[0]
    return [Finding(code, unusable, isolators=names, **values)]


Slip = tuple[float, str, dict[str, str | float]]
"""Largest distance left, code, and values of a finding."""


def _alike_for_all(study: Study, far: Sequence[_Seen]) -> Iterator[Slip]:
    """Slips that every isolator that is far from its model shares."""
    for code, mended in _MENDED.items():
        left = [_left(study, s, mended(s.on, s.off), _models(study, s)) for s in far]
        if max(left) < NEAR:
            yield max(left), code, {}
    for factor in POWERS:
        left = [_left(study, s, s.ratio, _models(study, s, power=factor)) for s in far]
        if max(left) < NEAR:
            yield max(left), "slip: power", {"level_db": float(10 * np.log10(factor))}


def _exchanged(study: Study, far: Sequence[_Seen], seen: Sequence[_Seen]) -> Iterator[Slip]:
    """Pairs of isolators whose sweeps each look like the other's."""
    for one in far:
        for other in (s for s in seen if s is not one):
            pair = ((one, other.isolator), (other, one.isolator))
            left = [_left(study, s, s.ratio, _models(study, s, as_if=i)) for s, i in pair]
            if max(left) < NEAR:
                first, second = (study.isolators[s.isolator].name for s in (one, other))
                yield max(left), "slip: isolators", {"first": first, "second": second}


def _other_state(study: Study, far: Sequence[_Seen], digest: Digest) -> Iterator[Slip]:
    """The sweeps with the source in look as if it were out."""
    inside = {s.isolator: s for s in _seen(study, digest, ("in",))}
    if all(s.isolator in inside for s in far):
        left = [_left(study, s, inside[s.isolator].ratio, _models(study, inside[s.isolator])) for s in far]
        if max(left) < NEAR:
            yield max(left), "slip: states", {}


def _ratio(on: ComplexArray, off: ComplexArray) -> ComplexArray:
    """One over the other; where nothing is to be divided by, as if the pump changed nothing."""
    return np.asarray(np.where(off == 0, 1.0, on / np.where(off == 0, 1.0, off)))


def _by_angle(s: ComplexArray) -> ComplexArray:
    """Numbers read as real and imaginary part (and conjugated), taken as magnitude and degrees."""
    return np.asarray(s.real * np.exp(1j * np.radians(s.imag)))


def _by_decibels(s: ComplexArray) -> ComplexArray:
    """The same as decibels and degrees; beyond 300 dB they cannot be that."""
    return np.asarray(10 ** (np.clip(s.real, -300, 300) / 20) * np.exp(1j * np.radians(s.imag)))


_MENDED: Final[dict[str, Callable[[ComplexArray, ComplexArray], ComplexArray]]] = {
    "slip: conjugated": lambda on, off: np.conj(_ratio(on, off)),
    "slip: on and off": lambda on, off: _ratio(off, on),
    "slip: ports": lambda on, off: _ratio(on, off)[:, ::-1],
    "slip: decibels": lambda on, off: _ratio(_by_decibels(on), _by_decibels(off)),
    "slip: magnitudes": lambda on, off: _ratio(_by_angle(on), _by_angle(off)),
}
"""What the ratios would have been without a slip."""


def _seen(study: Study, digest: Digest, kinds: Collection[str]) -> Iterator[_Seen]:
    """What each isolator's sweeps in states of such kinds show, on the grid of the first."""
    out = {s.name for s in study.states if s.kind in kinds}
    for i, iso in enumerate(study.isolators):
        mine = [k for k in digest if k.isolator == iso.name and k.pump_on and k.state in out]
        if not mine:
            continue
        grid = digest[mine[0]].frequency_hz
        keys = tuple(k for k in mine if np.array_equal(digest[k].frequency_hz, grid))
        on = np.array([digest[k].mean[1:3] for k in keys])
        off = np.array([digest[off_group_for(k, digest, str(study.log), first=(k.state,))].mean[1:3] for k in keys])
        yield _Seen(i, keys, on, off, grid)


def _models(
    study: Study, seen: _Seen, *, power: float = 1.0, as_if: int | None = None, spread: Sequence[float] = (0.0,)
) -> list[ComplexArray]:
    """What the study predicts for such sweeps, (K, 2, F) for each wiring that it allows and each pair of offsets from a spread."""
    i = seen.isolator if as_if is None else as_if
    quiet = with_source_out(study)
    probes = []
    for k in seen.keys:
        probe = replace(probe_of(study, k, (k.cooldown,)), isolator=i, state=0, cooldown=0)
        probes += [replace(probe, pump_power_w=probe.pump_power_w * power), off_probe(probe)]
    sign = study.isolators[i].pump_port_1_sign
    grids = [seen.frequency_hz if n == i else np.zeros(0) for n in range(len(study.isolators))]
    at = nominal_parameters(quiet).repeated(len(spread) ** 2)
    offset = np.array(at[OFFSET])
    names = [x.name for x in study.loops]
    loops = [names.index(stage.loop) for stage in study.isolators[i].stages]
    offset[:, 0, loops] += np.array(list(product(spread, repeat=2))) * [study.loops[n].sd["offset_phi0"] for n in loops]
    out: list[ComplexArray] = []
    for each in (1, -1) if sign is None else (sign,):
        model = ChipModel(quiet, probes, grids, [each] * len(study.isolators))
        s = model.scattering(at.changed(**{OFFSET: offset}), i)
        out += list(s[:, 0::2] / s[:, 1::2])
    return out


def _distance(ratio: ComplexArray, models: Sequence[ComplexArray]) -> float:
    """d of the module's text, for the wiring that fits best."""
    return min(
        float(np.median(np.abs(ratio - m)) / max(float(np.median(np.abs(m - 1))), 1e-9)) for m in models
    )  # fmt: skip


def _left(study: Study, seen: _Seen, ratio: ComplexArray, models: Sequence[ComplexArray]) -> float:
    """How far the sweeps are from what they would be with a slip; infinite where they are not much nearer than as they stand."""
    as_is, mended = _distance(seen.ratio, _models(study, seen)), _distance(ratio, models)
    return mended if mended * TIMES < as_is else float("inf")
