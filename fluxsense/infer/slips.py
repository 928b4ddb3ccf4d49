"""Slips that turn whole campaigns into another's: what the sweeps look like before anything is fitted.

The ratio of pump-on and pump-off means, y (S21 and S12), of the sweeps without the source is compared with the model's at the
numbers that the study states, m.  Each usual slip says what y or m would have been without it: the conjugate, the ports
exchanged, on and off exchanged, numbers that are magnitudes (in dB) and degrees, another isolator's m, another pump power.  The distance is a median over everything swept,

    d = median |y' - m'| / median |m - 1|,

so that what the pump does is the measure, and some strange sweeps do not matter.  A slip is named only where the study as it
stands, its loops' offsets anywhere within their priors, is far from the sweeps (`FAR`) and the study without the slip near (`NEAR`, and `TIMES` times nearer): uncertain
numbers of a chip leave d at some tenths at most, none of these slips does.  A pump that converts nothing leaves both ways alike
(`_converts_nothing`); a wrong port in the rows of one setting is looked for setting by setting (`_one_setting`), where trapped flux cannot
have turned a pair round.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import product
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.findings import TRUST, Finding
from fluxsense.data.digest import Digest, GroupKey, off_group_for
from fluxsense.data.settings import setting_names
from fluxsense.device.chip import ChipModel, Probe, nominal_parameters, off_probe, with_source_out
from fluxsense.model.likelihood import probe_of
from fluxsense.model.parameter import OFFSET
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

FAR: Final = 0.6
NEAR: Final = 0.45
TIMES: Final = 2.0
OFFSETS: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)
"""Offsets of the two loops, in prior deviations, any of which may bring a study near its sweeps: which way a pair transmits hangs on them."""
ALIKE: Final = 0.2
"""Difference of the two ways, over the predicted one, below which a pump converts nothing."""
MOST_OF_A_BAND: Final = 0.95
"""Quantile over the frequencies at which the two ways are compared: conversion may be narrow."""
SETTLED_PHI0: Final = 0.1
"""Prior deviation of a loop's offset below which trapped flux does not reverse the current of its ring."""
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
    if idle := tuple(study.isolators[s.isolator].name for s in seen if np.all(_converts_nothing(study, s))):
        return [Finding("slip: no conversion", unusable, isolators=idle)]
    far = [s for s in seen if _distance(s.ratio, _models(study, s)) > FAR]
    far = [s for s in far if _distance(s.ratio, _models(study, s, spread=OFFSETS)) > FAR]
    if not far:
        found = next((slip for s in seen if (slip := _idle(study, s) or _one_setting(study, s))), None)
        return [] if found is None else [Finding(found[0], unusable, **found[1])]
    names = tuple(study.isolators[s.isolator].name for s in far)
    tried = [*_alike_for_all(study, far), *_exchanged(study, far, seen), *_other_state(study, far, digest)]
    slips = sorted(tried, key=lambda slip: slip[0])
    if not slips:
        return [Finding("sweeps unlike the study", isolators=names)]
    _, code, values = slips[0]
    return [Finding(code, unusable, isolators=names, **values)]


Values = dict[str, str | tuple[str, ...]]
Slip = tuple[float, str, dict[str, str | float]]
"""Largest distance left, code, and values of a finding."""


def _alike_for_all(study: Study, far: Sequence[_Seen]) -> Iterator[Slip]:
    """Slips that every isolator that is far from its model shares."""
    for code, mended in _MENDED.items():
        left = [_left(study, s, mended(s.on, s.off), _models(study, s)) for s in far]
        if max(left) < NEAR:
            yield max(left), code, {}
    for factor in POWERS:
        stronger = partial(_with_power, factor=factor)
        left = [_left(study, s, s.ratio, _models(study, s, change=stronger)) for s in far]
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


def _converts_nothing(study: Study, seen: _Seen) -> npt.NDArray[np.bool_]:
    """Which groups (K,) transmit alike both ways with the pump on, where the study says otherwise for all offsets of a spread."""

    def both_ways(ratio: ComplexArray) -> FloatArray:
        return np.asarray(np.quantile(np.abs(ratio[:, 0] - ratio[:, 1]), MOST_OF_A_BAND, axis=1))

    found = both_ways(seen.ratio)
    if np.all(found > ALIKE * np.min([both_ways(m) for m in _models(study, seen)], axis=0)):
        return np.zeros(len(seen.keys), dtype=np.bool_)
    predicted = np.min([both_ways(m) for m in _models(study, seen, spread=OFFSETS)], axis=0)
    return np.asarray(found < ALIKE * predicted)


def _idle(study: Study, seen: _Seen) -> tuple[str, Values] | None:
    """The setting whose sweeps all look as if the pump converted nothing; those of the others do not."""
    idle, names = _converts_nothing(study, seen), setting_names(study, seen.keys)
    alike = {name: all(i for i, k in zip(idle, seen.keys, strict=True) if names[k] == name) for name in names.values()}
    found = [name for name, each in alike.items() if each]
    if len(found) != 1:
        return None
    return "slip: no conversion in a setting", {
        "settings": (found[0],),
        "isolator": study.isolators[seen.isolator].name,
    }


def _one_setting(study: Study, seen: _Seen) -> tuple[str, Values] | None:
    """The setting of an isolator that looks as if the pump had entered by the other port, as code and values.

    With all settings as logged but one, which is mended, the offsets and the wiring that fit best on average have to bring every
    setting near; as logged, they leave one far.  Where the study leaves the wiring open, either of two settings may be the one.
    """
    iso = study.isolators[seen.isolator]
    names = setting_names(study, seen.keys)
    several = sorted(set(names.values()))
    known = all(x.sd["offset_phi0"] < SETTLED_PHI0 for x in study.loops if x.name in {s.loop for s in iso.stages})
    if len(several) < 2 or not known or np.all(_each(seen.ratio, _models(study, seen)) < FAR):
        return None
    as_logged = _models(study, seen, spread=OFFSETS)
    worst = float(np.max(_each(seen.ratio, as_logged)))
    if worst < FAR:
        return None
    others = _models(study, seen, change=_by_other_port, spread=OFFSETS)
    found = []
    for name in several:
        mine = np.array([names[k] == name for k in seen.keys])[:, None, None]
        both = [np.where(mine, b, a) for a, b in zip(as_logged, others, strict=True)]
        left = float(np.max(_each(seen.ratio, both, measure=as_logged)))
        if left < NEAR and left * TIMES < worst:
            found.append(name)
    return ("slip: port of a setting", {"settings": tuple(found), "isolator": iso.name}) if found else None


def _with_power(probe: Probe, factor: float) -> Probe:
    return replace(probe, pump_power_w=probe.pump_power_w * factor)


def _by_other_port(probe: Probe) -> Probe:
    return probe if probe.pump_port is None else replace(probe, pump_port=3 - probe.pump_port)


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
    study: Study,
    seen: _Seen,
    *,
    change: Callable[[Probe], Probe] | None = None,
    as_if: int | None = None,
    spread: Sequence[float] = (0.0,),
) -> list[ComplexArray]:
    """What the study predicts for such sweeps, (K, 2, F) for each wiring that it allows and each pair of offsets from a spread.

    `change` is made to every probe with the pump on.
    """
    i = seen.isolator if as_if is None else as_if
    quiet = with_source_out(study)
    probes = []
    for k in seen.keys:
        probe = replace(probe_of(study, k, (k.cooldown,)), isolator=i, state=0, cooldown=0)
        probes += [probe if change is None else change(probe), off_probe(probe)]
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
    return min(float(np.median(np.abs(ratio - m)) / _measure(m)) for m in models)


def _each(
    ratio: ComplexArray, models: Sequence[ComplexArray], measure: Sequence[ComplexArray] | None = None
) -> FloatArray:
    """Distance of every group (K,), for the wiring and offsets that fit best on average; by the measure of other models if given."""
    sizes = [_measure(m) for m in (models if measure is None else measure)]
    distances = [np.median(np.abs(ratio - m), axis=(1, 2)) / size for m, size in zip(models, sizes, strict=True)]
    return np.asarray(min(distances, key=lambda each: float(np.mean(each))))


def _measure(model: ComplexArray) -> float:
    """What the pump does to transmission, on the median."""
    return max(float(np.median(np.abs(model - 1))), 1e-9)


def _left(study: Study, seen: _Seen, ratio: ComplexArray, models: Sequence[ComplexArray]) -> float:
    """How far the sweeps are from what they would be with a slip; infinite where they are not much nearer than as they stand."""
    as_is, mended = _distance(seen.ratio, _models(study, seen)), _distance(ratio, models)
    return mended if mended * TIMES < as_is else float("inf")
