"""The likelihood of a digest's ratios: traces over the pump-off trace of one state against the model's same ratio.

A family (`fluxsense.model.family`) holds all groups of one isolator, bias and cooldown, pump-on and pump-off, of every state of
the source, as ratios to one pump-off group, with the noise that is theirs alone: so what the pump-off sweeps of a state
tell of the source counts, and the line's gain is one unknown.  Beside it an isolator's families have real amplitudes in
common:

* flicker noise of the flux in its loops (`fluxsense.model.flicker`);
* its eliminated parameters: every number of the study that may be wrong by a stated amount and is not sampled.  With a
  reference point phi_0 the model is y = m(theta, phi_0) + J (phi - phi_0), so that with prior means phi_p and covariance S

      y + J (phi_0 - phi_p) - m(theta, phi_0)  is normal with covariance  C + J S J^T,

  exact where the model is linear within the posterior; `relinearised` moves phi_0 to the most probable value;
* the part of what the model leaves out that all states of a cooldown share (`fluxsense.model.remainder`);
* what a state's sweeps have in common and those of another have not (`fluxsense.model.between_states`).

What lies between the device and the analyser (`SETUP_ARRAYS`) is held as the difference that it makes to the ratios at the
reference point and to their slopes with the fluxes, so that the model that is called thousands of times has two ports and one
frequency a point.  The slopes matter where the device itself shows little: opposite changes in both loops of like stages.

All of it is built from the study: no argument that is left out leaves out noise.  Without a reference point the directions of
these amplitudes are taken at the study's central values.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import solve_triangular

from fluxsense.base.errors import InputError
from fluxsense.base.units import dbm_to_watt
from fluxsense.data.digest import Digest, GroupKey, off_group_for
from fluxsense.data.noise_levels import NoiseLevels, measure_noise
from fluxsense.device.chip import SETUP_ARRAYS, ChipModel, ChipParameters, Probe, nominal_array, nominal_parameters
from fluxsense.model.between_states import errors_between_states, linewidth_hz
from fluxsense.model.family import Added, Allowance, Family, Notch, Place, build_family, least_amplitude, reals
from fluxsense.model.flicker import wandering_covariance
from fluxsense.model.parameter import Parameter
from fluxsense.model.priors import eliminated_parameters
from fluxsense.model.remainder import Sizes, smooth_functions
from fluxsense.model.slopes import STEP, scattering_slopes
from fluxsense.study import Study

__all__ = ["Family", "Notch", "RatioLikelihood", "every", "every_few", "every_some", "probe_of"]

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Points = Callable[[str, int], npt.NDArray[np.intp]]

_BLOCK_VALUES = 60_000
"""Complex values per block of parameter sets: keeps the working set near the second-level cache."""
SEARCH_POINTS = 24
PLACING_POINTS = 60


def probe_of(study: Study, key: GroupKey, cooldowns: Sequence[str]) -> Probe:
    """The model's probe for a group of the digest."""
    return Probe(
        isolator=[i.name for i in study.isolators].index(key.isolator),
        pump_on=key.pump_on,
        pump_port=key.pump_port,
        pump_phase_rad=key.pump_phase_rad,
        pump_power_w=dbm_to_watt(key.pump_power_dbm) if key.pump_on else 0.0,
        pump_frequency_hz=key.pump_frequency_hz,
        bias_a=key.bias_a,
        state=[s.name for s in study.states].index(key.state),
        cooldown=list(cooldowns).index(key.cooldown),
    )


def every(_name: str, count: int) -> npt.NDArray[np.intp]:
    """All frequencies."""
    return np.arange(count)


def every_few(_name: str, count: int) -> npt.NDArray[np.intp]:
    """About `SEARCH_POINTS` evenly spread frequencies, for the search."""
    return np.arange(0, count, max(1, count // SEARCH_POINTS))


def every_some(_name: str, count: int) -> npt.NDArray[np.intp]:
    """About `PLACING_POINTS` evenly spread frequencies, to find where to linearise."""
    return np.arange(0, count, max(1, count // PLACING_POINTS))


@dataclass(frozen=True)
class _Bench:
    """Families of one isolator on one grid of frequencies, and the model of their probes."""

    isolator: int
    model: ChipModel
    places: tuple[Place, ...]


@dataclass(frozen=True)
class _Slopes:
    """A family's ratios (K, 2, F) at the reference point and what moves them.

    on and off (2, K, 2, F): the flux of each loop in a group's sweeps and in those that divide, per Phi0; eliminated (E, K, 2, F): the
    isolator's eliminated parameters, per standard deviation of the prior; added: what the set-up adds to the ratios.
    """

    ratio: ComplexArray
    on: ComplexArray
    off: ComplexArray
    eliminated: ComplexArray
    added: Added | None = None

    @classmethod
    def of(cls, place: Place, s: ComplexArray, by_flux: ComplexArray, eliminated: ComplexArray) -> _Slopes:
        """From scattering parameters (P, 2, F), nothing added, and their slopes (2, P, 2, F) and (E, P, 2, F)."""
        rows, divisor = list(place.rows), place.divisor_row
        ratio = s[rows] / s[divisor]

        def shared(slope: ComplexArray) -> ComplexArray:
            return np.asarray(-ratio * (slope[:, divisor] / s[divisor])[:, None])

        on = by_flux[:, rows] / s[divisor]
        return cls(ratio, on, shared(by_flux), eliminated[:, rows] / s[divisor] + shared(eliminated))

    def beside(self, bare: _Slopes, flux_phi0: FloatArray) -> _Slopes:
        """The same with what the set-up adds to ratios without it, at fluxes (P, 2) of the probes."""
        added = Added(self.ratio - bare.ratio, self.on - bare.on, self.off - bare.off, flux_phi0)
        return replace(self, added=added)

    def of_magnitudes(self) -> _Slopes:
        """The same for the magnitudes of the ratios."""
        turn = np.conj(self.ratio) / np.abs(self.ratio)

        def real(x: ComplexArray) -> ComplexArray:
            return np.asarray((x * turn).real.astype(np.complex128))

        return _Slopes(real(self.ratio), real(self.on), real(self.off), real(self.eliminated))


@dataclass(frozen=True)
class _Seen:
    """What is taken at the reference point: values at which eliminated parameters are held, in prior deviations by isolator too,
    and slopes by bench."""

    held: _Held
    values: dict[int, FloatArray]
    slopes: list[list[_Slopes]]

    def only(self, kept: dict[int, list[int]], held: _Held, benches: Sequence[_Bench]) -> _Seen:
        """The same with only those eliminated parameters of each isolator that stand at these places."""
        slopes = [
            [replace(one, eliminated=one.eliminated[kept[bench.isolator]]) for one in own]
            for bench, own in zip(benches, self.slopes, strict=True)
        ]
        return _Seen(held, {i: self.values[i][places] for i, places in kept.items()}, slopes)


@dataclass(frozen=True)
class _Common:
    """What an isolator's families have in common: the Cholesky factor of the amplitudes' information, and how many come first
    that are eliminated parameters."""

    factor: FloatArray
    eliminated: int

    @property
    def log_volume(self) -> float:
        """Log determinant of the amplitudes' information."""
        return float(2 * np.sum(np.log(np.diag(self.factor))))


_Kind = tuple[str, float, float]
"""A kind of what an isolator's families have in common: with the amplitudes of flicker and walk that its covariance is made of."""
ELIMINATED: Final[_Kind] = ("eliminated", 0.0, 0.0)
LEFT_OUT: Final[_Kind] = ("left out", 0.0, 0.0)
BETWEEN_STATES: Final[_Kind] = ("between states", 0.0, 0.0)


@dataclass(frozen=True)
class _Share:
    """Those directions (Z', K, 2, F) of unit size that move one family, their rows among all, and its own noise's inverse on them."""

    rows: npt.NDArray[np.intp]
    directions: ComplexArray
    weighed: FloatArray


@dataclass(frozen=True)
class _Unit:
    """What an isolator's families have in common, each kind of size one: rows by kind, inner products (Z, Z), families and their shares."""

    rows: dict[_Kind, slice]
    gram: FloatArray
    places: list[tuple[int, int]]
    shares: list[_Share]


class _Wandering:
    """What wanders through all groups of an isolator (flux in its loops, gain of its paths): roots of the covariance of their means.

    It depends on the times of the sweeps alone, and is worked out once for all reference points and noises.
    """

    def __init__(self, digest: Digest, places: Sequence[Place]) -> None:
        self._keys = sorted({k for place in places for k in (*place.keys, place.divisor)})
        self._windows = [digest[k].blocks.windows for k in self._keys]
        self._roots: dict[tuple[float, float], FloatArray] = {}

    def root(self, flicker: float, walk: float) -> tuple[list[GroupKey], FloatArray]:
        """Groups, and a root (G, R) of their covariance for these amplitudes of flicker noise and of a walk over the campaign."""
        found = self._roots.get((flicker, walk))
        if found is None:
            covariance = np.zeros((len(self._keys), len(self._keys)))
            if flicker > 0:
                covariance += flicker**2 * self._unit_flicker
            if walk > 0:
                covariance += walk**2 * self._unit_walk
            found = _root(covariance)
            if 0.0 in (flicker, walk):  # of size one; mixtures come and go
                self._roots[flicker, walk] = found
        return self._keys, found

    @cached_property
    def _unit_flicker(self) -> FloatArray:
        return wandering_covariance(self._windows, 1.0, 0.0)

    @cached_property
    def _unit_walk(self) -> FloatArray:
        return wandering_covariance(self._windows, 0.0, 1.0)


@dataclass(frozen=True)
class _Noise:
    """All of the noise: families by bench, and what each isolator's have in common."""

    parts: list[tuple[int, ChipModel, list[Family]]]
    common: dict[int, _Common]


class RatioLikelihood:
    """Log-likelihood of a digest for batches of chip parameters.

    Parameters
    ----------
    study : Study
    digest : Digest
    port_signs : sequence of int, optional
        Wiring of each isolator's pump ports.
    residual_gain : float, optional
        Relative gain error per quadrature, path and setting that does not average down; the study's by default.
    sizes : Sizes, optional
        Of what the model leaves out and of what wanders; nothing by default.
    reference : ChipParameters, optional
        Batch of one at which the directions of flux noise and of eliminated parameters are taken, and the values of the
        latter; the study's central values by default.
    groups : sequence of GroupKey, optional
        Pump-on groups to use (all by default); the pump-off groups of their states go with them.
    noise : NoiseLevels, optional
        Measured from the digest by default.
    cooldowns : sequence of str, optional
        Names in the order in which the parameters list their offsets; the digest's by default.
    tamed : collection of str, optional
        Names of parameters eliminated beyond those that always are (`priors.TAMEABLE`).
    points : callable, optional
        Takes an isolator's name and the number of its frequencies, returns the indices of those to use: less
        information at less cost, for the search.

    Raises
    ------
    InputError
        If there is no pump-on group, or one has no pump-off group.
    """

    def __init__(
        self,
        study: Study,
        digest: Digest,
        port_signs: Sequence[int] | None = None,
        *,
        residual_gain: float | None = None,
        sizes: Sizes | None = None,
        reference: ChipParameters | None = None,
        groups: Sequence[GroupKey] | None = None,
        noise: NoiseLevels | None = None,
        cooldowns: Sequence[str] | None = None,
        tamed: Collection[str] = (),
        points: Points | None = None,
    ) -> None:
        self.study = study
        self.digest = digest
        self.magnitude = study.data.of_magnitudes
        self._points = points or every
        stated = [x.pump_port_1_sign or 1 for x in study.isolators]
        self.port_signs = tuple(stated if port_signs is None else port_signs)
        self.noise = noise or measure_noise(
            digest, study.noise.white, study.noise.gain_drift, study.noise.phase_drift_rad
        )
        self.cooldowns = tuple(sorted({k.cooldown for k in digest}) if cooldowns is None else cooldowns)
        self._groups = None if groups is None else tuple(groups)
        self._benches = self._arranged()
        measured = sorted({b.isolator for b in self._benches})
        self.tamed = frozenset(tamed)
        self.eliminated = eliminated_parameters(study, self.cooldowns, measured, self.tamed)
        """Eliminated parameters by isolator."""
        self._wandering = {
            i: _Wandering(digest, [place for b in self._benches if b.isolator == i for place in b.places])
            for i in measured
        }
        self._unit: dict[int, _Unit] = {}
        self.reference = reference
        self.residual_gain = study.noise.residual_gain if residual_gain is None else residual_gain
        self.sizes = sizes or Sizes()

    def rebuilt(
        self,
        *,
        residual_gain: float | None = None,
        sizes: Sizes | None = None,
        reference: ChipParameters | None = None,
        tamed: Collection[str] | None = None,
        known: Collection[str] = (),
    ) -> RatioLikelihood:
        """The same data with another reference point, residual gain, sizes or choice of what is eliminated.

        What is not given stays as it is; eliminated parameters of the known kinds (`Parameter.group`) are exact.
        """
        new = self._copy()
        if tamed is not None and frozenset(tamed) != self.tamed:
            new.tamed = frozenset(tamed)
            new.eliminated = eliminated_parameters(self.study, self.cooldowns, list(self.eliminated), new.tamed)
        if known:
            new.eliminated = {i: tuple(p for p in own if p.group not in known) for i, own in new.eliminated.items()}
        if reference is not None:
            new.reference = reference
        if residual_gain is not None:
            new.residual_gain = residual_gain
        if sizes is not None:
            new.sizes = sizes
        seen = self.__dict__.get("_seen")
        if seen is not None and new.reference is self.reference:
            new._take(seen, self.eliminated)
            same = new.residual_gain == self.residual_gain and all(
                getattr(new.sizes, name) == getattr(self.sizes, name) for name in ("own", "flux_noise_phi0", "within")
            )
            if same and new.eliminated is self.eliminated and "_own" in self.__dict__:
                new.__dict__["_own"] = self._own
                new._unit = self._unit
        return new

    def _copy(self) -> RatioLikelihood:
        """The same, but for what is worked out when it is asked for."""
        new = object.__new__(RatioLikelihood)
        new.__dict__.update({name: x for name, x in self.__dict__.items() if name not in ("_seen", "_own", "_noise")})
        new._unit = {}
        return new

    def _take(self, seen: _Seen, eliminated: dict[int, tuple[Parameter, ...]]) -> None:
        """Take over what was seen at the same reference point, if its eliminated parameters are all of these."""
        if self.eliminated is eliminated:
            self.__dict__["_seen"] = seen
            return
        place = {i: {p.name: n for n, p in enumerate(own)} for i, own in eliminated.items()}
        if all(p.name in place[i] for i, own in self.eliminated.items() for p in own):
            kept = {i: [place[i][p.name] for p in own] for i, own in self.eliminated.items()}
            self.__dict__["_seen"] = seen.only(kept, self._held_at(self._reference_or_nominal())[0], self._benches)

    def on_points(
        self, points: Points, *, sizes: Sizes | None = None, residual_gain: float | None = None
    ) -> RatioLikelihood:
        """The same likelihood at some frequencies only (see `points` of the constructor), and with such noise."""
        return RatioLikelihood(
            self.study,
            self.digest,
            self.port_signs,
            residual_gain=self.residual_gain if residual_gain is None else residual_gain,
            sizes=self.sizes if sizes is None else sizes,
            reference=self.reference,
            groups=self._groups,
            noise=self.noise,
            cooldowns=self.cooldowns,
            tamed=self.tamed,
            points=points,
        )

    def of_isolator(self, isolator: int) -> RatioLikelihood:
        """The same likelihood of one isolator's sweeps only."""
        new = self._copy()
        mine = [n for n, bench in enumerate(self._benches) if bench.isolator == isolator]
        new._benches = [self._benches[n] for n in mine]
        new._groups = tuple(k for bench in new._benches for place in bench.places for k in place.keys if k.pump_on)
        new.eliminated = {isolator: self.eliminated[isolator]}
        seen = self._seen
        new.__dict__["_seen"] = _Seen(
            new._held_at(self._reference_or_nominal())[0],
            {isolator: seen.values[isolator]},
            [seen.slopes[n] for n in mine],
        )
        return new

    # ------------------------------------------------------------ building

    def _members(self) -> dict[GroupKey, list[GroupKey]]:
        """Groups by the pump-off group that divides them: pump-on groups, and then pump-off groups in other states.

        Where pump-on groups are chosen, pump-off groups count in their states only, but to divide where there is no other.
        """
        study, digest, where = self.study, self.digest, str(self.study.log)
        on = [k for k in (digest if self._groups is None else self._groups) if k.pump_on]
        if not on:
            raise InputError("the campaign has no sweep with the pump on", where=where, remedy="Record pump-on sweeps")
        states = {k.state for k in (digest if self._groups is None else on)}
        off = [k for k in digest if not k.pump_on and k.state in states]
        first = states & {s.name for s in study.states if s.kind == "out"} or states
        members: dict[GroupKey, list[GroupKey]] = {}
        for key in on:
            members.setdefault(off_group_for(key, digest, where, first=first), []).append(key)
        for key in off:
            divisor = off_group_for(key, digest, where, first=first)
            if divisor in members and divisor != key:
                members[divisor].append(key)
        return members

    def _arranged(self) -> list[_Bench]:
        """Families by isolator and grid: an isolator may have been swept on several grids."""
        study, digest, members = self.study, self.digest, self._members()
        keys = [*(k for own in members.values() for k in own), *members]
        names = [i.name for i in study.isolators]
        probes = [probe_of(study, k, self.cooldowns) for k in keys]
        by_grid: dict[tuple[str, bytes], list[int]] = {}
        for n, k in enumerate(keys):
            by_grid.setdefault((k.isolator, digest[k].frequency_hz.tobytes()), []).append(n)
        out = []
        for (name, _), chosen in sorted(by_grid.items()):
            i = names.index(name)
            every_grid = [np.zeros(0)] * len(names)
            full = digest[keys[chosen[0]]].frequency_hz
            index = self._points(name, full.size)
            every_grid[i] = full[index]
            model = ChipModel(study, [probes[n] for n in chosen], every_grid, self.port_signs)
            row = {keys[n]: r for r, n in enumerate(chosen)}
            places = tuple(
                Place(i, tuple(own), divisor, tuple(row[k] for k in own), row[divisor], index)
                for divisor, own in members.items()
                if divisor in row
            )
            if places:
                out.append(_Bench(i, model, places))
        return out

    def _reference_or_nominal(self) -> ChipParameters:
        if self.reference is not None:
            return self.reference
        return nominal_parameters(self.study, cooldowns=len(self.cooldowns))

    def _held_at(self, at: ChipParameters) -> tuple[_Held, ChipParameters]:
        """What eliminated parameters are held at, but for the set-up's, and the reference point with all of them."""
        eliminated = [p for own in self.eliminated.values() for p in own]
        at = _Held.of(self.study, eliminated, at).put(at)
        return _Held.of(self.study, [p for p in eliminated if p.array not in SETUP_ARRAYS], at), at

    @cached_property
    def _seen(self) -> _Seen:
        """The directions of all amplitudes at the reference point."""
        held, at = self._held_at(self._reference_or_nominal())
        values = {
            i: np.array([float(p.whitened(p.of(at[p.array]))[0]) if p.array in at else 0.0 for p in own])
            for i, own in self.eliminated.items()
        }
        return _Seen(held, values, [self._bench_slopes(bench, at) for bench in self._benches])

    @property
    def values_at_reference(self) -> dict[int, FloatArray]:
        """Eliminated parameters (E,) at the reference point by isolator, in standard deviations from their prior means."""
        return self._seen.values

    def _bench_slopes(self, bench: _Bench, at: ChipParameters) -> list[_Slopes]:
        model, i = bench.model, bench.isolator
        flux = model.probe_flux(at, i)
        own = self.eliminated[i]
        direct = [p for p in own if not p.moves_flux]
        quick = self._points is not every  # some frequencies are for a search, at half the cost
        s, by = scattering_slopes(model, at, i, flux, direct, one_sided=quick)
        by_flux, per_unit = by[:, :2], dict(zip([p.name for p in direct], by[0, 2:], strict=True))
        moved = _flux_changes(model, at, i, [p for p in own if p.moves_flux], flux)  # (E', P, 2)
        for p, change in zip([p for p in own if p.moves_flux], moved, strict=True):
            per_unit[p.name] = np.einsum("pk,kpaf->paf", change, by_flux[0, :2])
        each = np.array([p.sd * per_unit[p.name] for p in own]).reshape(len(own), *s.shape[1:])
        found = [_Slopes.of(place, s[0], by_flux[0, :2], each) for place in bench.places]
        found = [slopes.of_magnitudes() if self.magnitude else slopes for slopes in found]
        if not any(name in at for name in SETUP_ARRAYS):
            return found
        return [a.beside(b, flux[0]) for a, b in zip(found, self._bare_slopes(bench, at), strict=True)]

    def _bare_slopes(self, bench: _Bench, parameters: ChipParameters) -> list[_Slopes]:
        """A bench's ratios and their slopes with the fluxes at one set of parameters, without set-up."""
        at = ChipParameters({name: parameters[name] for name in parameters if name not in SETUP_ARRAYS})
        s, by_flux = scattering_slopes(bench.model, at, bench.isolator, bench.model.probe_flux(at, bench.isolator), [])
        none = np.zeros((0, *s.shape[1:]), dtype=np.complex128)
        found = [_Slopes.of(place, s[0], by_flux[0], none) for place in bench.places]
        return [one.of_magnitudes() for one in found] if self.magnitude else found

    @cached_property
    def _own(self) -> list[list[Family]]:
        """Families by bench with the noise that is theirs alone."""
        same = Allowance(self.noise, self.residual_gain, self.sizes.own, self.sizes.within)
        # before there is a source, measured ratios say better than the model's along what gain errors and pump-off noise act
        with_source = self.reference is not None and bool(np.any(self.reference["source"]))
        found = []
        for bench, slopes in zip(self._benches, self._seen.slopes, strict=True):
            families = []
            allowance = replace(same, least=least_amplitude(self.eliminated[bench.isolator]))
            for place, own in zip(bench.places, slopes, strict=True):
                expected = own.ratio if with_source else None
                family = build_family(
                    place, self.digest, allowance, expected, self._flux_noise(place, own), self.magnitude
                )
                shift = np.tensordot(self.values_at_reference[bench.isolator], own.eliminated, axes=1)
                families.append(replace(family, ratio=family.ratio + shift, added=own.added))
            found.append(families)
        return found

    @cached_property
    def _noise(self) -> _Noise:
        """The families' noise, with what each isolator's families have in common."""
        parts = [(bench.isolator, bench.model, list(own)) for bench, own in zip(self._benches, self._own, strict=True)]
        common: dict[int, _Common] = {}
        for i in sorted({b.isolator for b in self._benches}):
            found = self._joined(i, parts)
            if found is not None:
                common[i] = found
        return _Noise(parts, common)

    def _flux_noise(self, place: Place, slopes: _Slopes) -> ComplexArray:
        """Directions of white flux noise of each group's mean, unit variance each (two per group)."""
        size = max(self.study.noise.flux_phi0, self.sizes.flux_noise_phi0)
        if size <= 0:
            return np.zeros((0, *slopes.ratio.shape), dtype=np.complex128)
        count = len(place.keys)
        out = np.zeros((2 * (count + 1), *slopes.ratio.shape), dtype=np.complex128)
        for n, key in enumerate(place.keys):
            out[2 * n : 2 * n + 2, n] = size / np.sqrt(self.digest[key].count) * slopes.on[:, n]
        out[2 * count :] = size / np.sqrt(self.digest[place.divisor].count) * slopes.off
        return out

    def _joined(self, isolator: int, parts: list[tuple[int, ChipModel, list[Family]]]) -> _Common | None:
        """Give an isolator's families in parts their shares of the amplitudes that they have in common, if there are any."""
        sizes = self._common_sizes(isolator)
        found = self._unit.get(isolator)
        if found is None or not sizes.keys() <= found.rows.keys():
            found = self._unit[isolator] = self._of_unit_size(isolator, tuple(sizes))
        scale = np.zeros(len(found.gram))
        for kind, size in sizes.items():
            scale[found.rows[kind]] = size
        kept = scale > 0
        if not np.any(kept):
            return None
        place = np.cumsum(kept) - 1
        for (number, n), share in zip(found.places, found.shares, strict=True):
            mine = kept[share.rows]
            factor = scale[share.rows[mine]]
            families = parts[number][2]
            families[n] = replace(
                families[n],
                common_rows=place[share.rows[mine]],
                common=share.weighed[mine] * factor[:, None],
                common_directions=share.directions[mine] * factor[:, None, None, None],
            )
        total = found.gram[np.ix_(kept, kept)] * np.outer(scale[kept], scale[kept])
        lower = np.linalg.cholesky(total + np.eye(len(total)))
        return _Common(np.asarray(lower, dtype=np.float64), len(self.eliminated[isolator]))

    def _common_sizes(self, isolator: int) -> dict[_Kind, float]:
        """How large what an isolator's families have in common is, by its kind; eliminated parameters come first."""
        sizes = self.sizes
        flicker = max(self.study.noise.flux_slow_phi0, sizes.flux_flicker_phi0)
        walk = sizes.flux_walk_phi0
        out: dict[_Kind, float] = {ELIMINATED: 1.0 if self.eliminated[isolator] else 0.0}
        if flicker > 0 and walk > 0:  # of one covariance, which is no multiple of another's
            out["flux", flicker, walk] = 1.0
        else:
            out |= {("flux", 1.0, 0.0): flicker, ("flux", 0.0, 1.0): walk}
        out |= {("gain", 0.0, 1.0): sizes.gain_walk, LEFT_OUT: sizes.common, BETWEEN_STATES: 1.0}
        return {kind: size for kind, size in out.items() if size > 0}

    def _of_unit_size(self, isolator: int, kinds: Sequence[_Kind]) -> _Unit:
        """What an isolator's families have in common, each kind of size one, under the noise that is theirs alone."""
        mine = [
            (number, n, place, slopes)
            for number, (bench, own) in enumerate(zip(self._benches, self._seen.slopes, strict=True))
            if bench.isolator == isolator
            for n, (place, slopes) in enumerate(zip(bench.places, own, strict=True))
        ]
        pairs = [(place, slopes) for _, _, place, slopes in mine]
        blocks = {kind: self._directions(isolator, kind, pairs) for kind in kinds}
        ends = np.cumsum([0, *(len(block[0]) for block in blocks.values())])
        rows = {kind: slice(int(a), int(b)) for kind, a, b in zip(blocks, ends[:-1], ends[1:], strict=True)}
        total, shares = np.zeros((int(ends[-1]), int(ends[-1]))), []
        for at, (number, n, _, _) in enumerate(mine):
            each = np.concatenate([block[at] for block in blocks.values()])
            moved = np.flatnonzero(np.any(each, axis=(1, 2, 3)))
            each = np.ascontiguousarray(each[moved])
            weighed = self._own[number][n].inverse(each)
            total[np.ix_(moved, moved)] += weighed @ reals(each).T
            shares.append(_Share(moved, each, weighed))
        return _Unit(rows, 0.5 * (total + total.T), [(number, n) for number, n, _, _ in mine], shares)

    def _directions(self, isolator: int, kind: _Kind, mine: list[tuple[Place, _Slopes]]) -> list[ComplexArray]:
        """Directions (Z, K, 2, F) per family of one kind of what an isolator's families have in common, of size one."""
        if kind == ELIMINATED:
            return [slopes.eliminated for _, slopes in mine]
        if kind == LEFT_OUT:
            return self._left_out(mine)
        if kind == BETWEEN_STATES:
            return self._between_states(mine)
        what, flicker, walk = kind
        keys, root = self._wandering[isolator].root(flicker, walk)
        row = {k: n for n, k in enumerate(keys)}
        out = []
        for place, slopes in mine:
            own, shared = root[[row[k] for k in place.keys]], root[row[place.divisor]]
            on, off = (slopes.on, slopes.off) if what == "flux" else _gain_slopes(slopes.ratio)
            each = np.einsum("kr,lkpf->lrkpf", own, on) + np.einsum("r,lkpf->lrkpf", shared, off)
            each = each.reshape(-1, *slopes.ratio.shape)
            out.append(each.real.astype(np.complex128) if self.magnitude else each)
        return out

    def _left_out(self, mine: list[tuple[Place, _Slopes]]) -> list[ComplexArray]:
        """Directions of the remainder per family: one smooth function a path and setting, whatever the state."""
        settings = sorted({_setting_of(k) for place, _ in mine for k in place.keys if k.pump_on}, key=repr)
        out = []
        for (place, slopes), shapes in zip(mine, self._smooth(mine), strict=True):  # shapes (J, F)
            each = np.zeros((len(settings), 2, len(shapes), 2, *slopes.ratio.shape), dtype=np.complex128)
            for n, key in enumerate(place.keys):
                if not key.pump_on:
                    continue  # the same remainder as in the sweeps that it is divided by; what is not: `_between_states`
                at = settings.index(_setting_of(key))
                for path in range(2):
                    each[at, path, :, 0, n, path] = shapes * slopes.ratio[n, path]
                    each[at, path, :, 1, n, path] = 1j * shapes * slopes.ratio[n, path]
            flat = each.reshape(-1, *slopes.ratio.shape)
            out.append(flat.real.astype(np.complex128) if self.magnitude else flat)
        return out

    def _smooth(self, mine: list[tuple[Place, _Slopes]]) -> list[FloatArray]:
        """Functions (J, F) of the frequency for each family, smooth over a linewidth, of which remainders are made."""
        grids = [self.digest[place.divisor].frequency_hz[place.chosen] for place, _ in mine]
        span = min(float(g.min()) for g in grids), max(float(g.max()) for g in grids)
        length = linewidth_hz(self.study, mine[0][0].isolator)
        return [smooth_functions(grid, span, length) for grid in grids]

    def _between_states(self, mine: list[tuple[Place, _Slopes]]) -> list[ComplexArray]:
        """Directions per family of what one state's sweeps have in common (`fluxsense.model.between_states`), each family's own.

        As large as the study says, and not learned: it could pass for a source.
        """
        each = []
        for (place, slopes), functions in zip(mine, self._smooth(mine), strict=True):
            keys = (*place.keys, place.divisor)
            errors = errors_between_states(
                self.study, place.isolator, [k.state for k in keys], [not k.pump_on for k in keys], functions
            )
            each.append((errors[:, :-1] - errors[:, -1:]) * slopes.ratio)
        total, first, out = sum(len(own) for own in each), 0, []
        for own in each:
            block = np.zeros((total, *own.shape[1:]), dtype=np.complex128)
            block[first : first + len(own)] = own
            first += len(own)
            out.append(block.real.astype(np.complex128) if self.magnitude else block)
        return out

    # ------------------------------------------------------------ eliminated parameters

    def complete(self, parameters: ChipParameters) -> ChipParameters:
        """The same parameters with eliminated ones at their values at the reference point, without the set-up.

        What the set-up adds to the ratios there is the families' `added`.
        """
        if any(name in parameters for name in SETUP_ARRAYS):
            parameters = ChipParameters({name: parameters[name] for name in parameters if name not in SETUP_ARRAYS})
        return self._seen.held.put(parameters)

    def at_reference(self, parameters: ChipParameters) -> ChipParameters:
        """The same parameters with all eliminated ones at their values at the reference point."""
        if self.reference is None:
            return self._seen.held.put(parameters)
        held = {name: self.reference[name] for name in SETUP_ARRAYS if name in self.reference}
        return self.complete(parameters).changed(
            **{name: np.repeat(x, parameters.batch, axis=0) for name, x in held.items()}
        )

    def eliminated_means(self, parameters: ChipParameters) -> dict[int, FloatArray]:
        """Most probable eliminated parameters for one set of the others, in standard deviations from their prior means.

        Returns
        -------
        dict of int to ndarray (E,)
            By isolator, in the order of `eliminated`.
        """
        residuals = [f.ratio - r for f, r in zip(self.families, self.predict(parameters), strict=True)]
        scores = self.common_scores(residuals)
        return {
            i: self.from_scores(i, scores[i])[0, : len(own)]
            for i, own in self.eliminated.items()
            if own and i in scores
        }

    def eliminated_covariance(self, isolator: int) -> FloatArray:
        """Covariance (E, E) of an isolator's eliminated parameters at fixed others, in units of their prior's deviations."""
        common = self._noise.common[isolator]
        half = _forward(common.factor, np.eye(len(common.factor), common.eliminated))
        return np.asarray(half.T @ half)

    def common_scores(
        self, vectors: Sequence[ComplexArray], families: Sequence[Family] | None = None
    ) -> dict[int, FloatArray]:
        """Whitened scores (..., Z) of each isolator's common amplitudes for vectors (..., K, 2, F) per family.

        Summed over its families; their squared length is what these amplitudes take off the quadratic form.  families are those
        that the vectors belong to, all by default; an isolator whose families have nothing in common is left out.
        """
        out: dict[int, FloatArray] = {}
        for family, each in zip(self.families if families is None else families, vectors, strict=True):
            i = family.isolator
            if self.commons(i):
                if i not in out:
                    out[i] = np.zeros((*each.shape[:-3], self.commons(i)))
                out[i][..., family.common_rows] += family.common_scores(each)
        return {i: self.whitened(i, scores) for i, scores in out.items()}

    def whitened(self, isolator: int, scores: FloatArray) -> FloatArray:
        """Whitened scores (..., Z) from an isolator's families' (`Family.common_scores`), summed."""
        flat = scores.reshape(-1, scores.shape[-1])
        return _forward(self._noise.common[isolator].factor, flat.T).T.reshape(scores.shape)

    def commons(self, isolator: int) -> int:
        """How many amplitudes an isolator's families have in common."""
        return len(self._noise.common[isolator].factor) if isolator in self._noise.common else 0

    def common_directions(self, family: Family) -> ComplexArray:
        """Directions (Z, K, 2, F) of all amplitudes that a family's isolator has in common, those that do not move it zero."""
        out = np.zeros((self.commons(family.isolator), *family.ratio.shape), dtype=np.complex128)
        out[family.common_rows] = family.common_directions
        return out

    def from_scores(self, isolator: int, scores: FloatArray) -> FloatArray:
        """Most probable common amplitudes (n, Z) of an isolator from whitened scores (n, Z)."""
        return _backward(self._noise.common[isolator].factor, scores.T).T

    def unshifted(self, family: Family) -> ComplexArray:
        """A family's measured ratios (K, 2, F), as they are without a reference point."""
        for (_, _, families), slopes in zip(self._noise.parts, self._seen.slopes, strict=True):
            for one, own in zip(families, slopes, strict=True):
                if one is family:
                    shift = np.tensordot(self.values_at_reference[family.isolator], own.eliminated, axes=1)
                    return np.asarray(family.ratio - shift)
        raise KeyError(family.isolator)

    def moved_to(self, parameters: ChipParameters, values: Mapping[int, FloatArray] | None = None) -> ChipParameters:
        """A reference point: these parameters, with eliminated ones at some values within their bounds.

        values hold, by isolator, standard deviations from prior means (E,); the most probable ones by default.
        """
        found = self.eliminated_means(parameters) if values is None else values
        at = self.at_reference(parameters)
        arrays = {name: np.array(at[name]) for name in at}
        for i, own in self.eliminated.items():
            for n, p in enumerate(own):
                if i in found:
                    if p.array not in arrays:
                        arrays[p.array] = nominal_array(self.study, p.array, at.batch)
                    p.put(arrays, p.value(found[i][n : n + 1]))
        return ChipParameters(arrays)

    def held_back(self, parameters: ChipParameters) -> float:
        """Log density by which eliminated parameters at the reference point fall short of their most probable values.

        Half the squared distance in their own covariance; the log-likelihood less this is that of the exact model at the
        reference point and of the prior there, whatever the slopes are.
        """
        found = self.eliminated_means(parameters)
        total = 0.0
        for i, mean in found.items():
            off = self.values_at_reference[i] - mean
            total += 0.5 * float(off @ np.linalg.solve(self.eliminated_covariance(i), off))
        return total

    # ------------------------------------------------------------ what it offers

    @property
    def log_volume(self) -> float:
        """Log determinant of the information on all amplitudes, for comparing noise levels."""
        return sum(f.log_volume for f in self.families) + sum(c.log_volume for c in self._noise.common.values())

    def noise_for(self, digest: Digest) -> NoiseLevels:
        """The same noise for a digest with further groups: an isolator's new groups get its median white level."""
        white = dict(self.noise.white)
        for key in digest:
            if key not in white:
                own = [v for k, v in self.noise.white.items() if k.isolator == key.isolator]
                white[key] = np.median(own, axis=0)
        return replace(self.noise, white=white)

    @property
    def measured(self) -> list[int]:
        """Positions of the isolators that have families."""
        return list(self.eliminated)

    def pump_ports(self, isolator: int) -> set[int]:
        """Pump ports of an isolator's sweeps, 0 for a free pump phase."""
        places = [place for bench in self._benches if bench.isolator == isolator for place in bench.places]
        return {key.pump_port or 0 for place in places for key in place.keys if key.pump_on}

    @property
    def parts(self) -> list[tuple[int, ChipModel, list[Family]]]:
        """Isolator, model of its probes, and families, for each of its grids of frequencies."""
        return self._noise.parts

    @property
    def families(self) -> list[Family]:
        """Every family, in a fixed order."""
        return [f for _, _, families in self._noise.parts for f in families]

    @property
    def values(self) -> int:
        """Real numbers in the data."""
        return sum(f.values for f in self.families)

    @property
    def own_noise(self) -> object:
        """What stands for the families' noise that is theirs alone: the same object for likelihoods in which it is the same."""
        return self._own

    def inverse(self, vectors: Sequence[ComplexArray], own: Sequence[FloatArray] | None = None) -> list[FloatArray]:
        """The inverse of the whole covariance applied to vectors (n, K, 2, F) per family, as reals (n, 2*K*2*F).

        own is the same for the noise that is each family's alone (`Family.inverse`), where that is known.
        """
        scores = self.common_scores(vectors)
        out = []
        for n, (family, each) in enumerate(zip(self.families, vectors, strict=True)):
            found = family.inverse(each) if own is None else own[n]
            if family.isolator in scores:
                amplitudes = self.from_scores(family.isolator, scores[family.isolator])
                found = found - amplitudes[:, family.common_rows] @ family.common
            out.append(found)
        return out

    def by_sweeps(self, vectors: Sequence[ComplexArray]) -> tuple[FloatArray, dict[GroupKey, FloatArray]]:
        """Inner products v_i^T C^-1 v_j of vectors (n, K, 2, F) per family, and their growth with one more sweep of each group.

        With V_k the covariance of one sweep of group k and N_k their number, C holds V_k/N_k, so that the derivative by N_k is
        (C^-1 v_i)^T V_k (C^-1 v_j)/N_k^2.  Numbers of sweeps need not be whole.

        Returns
        -------
        ndarray (n, n)
        dict of GroupKey to ndarray (n, n)
            For pump-on and pump-off groups.
        """
        weighed = self.inverse(vectors)
        total = np.asarray(sum(reals(v) @ w.T for v, w in zip(vectors, weighed, strict=True)))
        size = max(self.study.noise.flux_phi0, self.sizes.flux_noise_phi0)
        places = [
            pair
            for b, own in zip(self._benches, self._seen.slopes, strict=True)
            for pair in zip(b.places, own, strict=True)
        ]
        growth: dict[GroupKey, FloatArray] = {}

        def grow(key: GroupKey, white: ComplexArray, gain: ComplexArray, flux: FloatArray) -> None:
            """White part (n, P) scaled to unit variance, projections on the gain of both paths (n, 2), and on the fluxes (n, 2)."""
            flat = np.ascontiguousarray(white).view(np.float64)
            turns = np.stack([gain[:, 0].real, gain[:, 0].imag, gain[:, 1].real, gain[:, 1].imag], axis=1)
            other = turns @ self.noise.drift[key.isolator] @ turns.T + size**2 * flux @ flux.T
            one = flat @ flat.T + other / self.digest[key].count ** 2
            growth[key] = growth[key] + one if key in growth else one

        for family, each, (place, slopes) in zip(self.families, weighed, places, strict=True):
            w = each.view(np.complex128).reshape(len(each), *family.ratio.shape)
            along = np.conj(family.expected) * w  # (n, K, 2, F)
            with np.errstate(divide="ignore"):
                variance = np.where(family.precision > 0, 1 / family.precision, 0.0)
            for k, key in enumerate(place.keys):
                count = self.digest[key].count
                white = (w[:, k] * np.sqrt(variance[k] / count)).reshape(len(w), -1)
                flux = np.einsum("npf,lpf->nl", w[:, k], np.conj(slopes.on[:, k])).real
                grow(key, white, along[:, k].sum(axis=-1), flux)
            off = along.sum(axis=1)  # (n, 2, F)
            white = (off / np.sqrt(family.off_precision * self.digest[place.divisor].count)).reshape(len(w), -1)
            flux = np.einsum("nkpf,lkpf->nl", w, np.conj(slopes.off)).real
            grow(place.divisor, white, off.sum(axis=-1), flux)
        return total, growth

    def quadratic(self, residuals: Sequence[ComplexArray]) -> FloatArray:
        """r^T C^-1 r over all families for residuals (B, K, 2, F) per family; shape (B,)."""
        total = np.zeros(len(residuals[0]))
        for family, residual in zip(self.families, residuals, strict=True):
            total += family.quadratic(residual)
        for scores in self.common_scores(residuals).values():
            total -= np.sum(scores**2, axis=1)
        return total

    def draw_noise(self, rng: np.random.Generator, count: int) -> list[ComplexArray]:
        """Draws of all noise of the ratios, (count, K, 2, F) per family."""
        own = [family.draw_noise(rng, count) for family in self.families]
        return [a + b for a, b in zip(own, self.draw_common(rng, count), strict=True)]

    def draw_common(self, rng: np.random.Generator, count: int) -> Iterator[ComplexArray]:
        """Draws of what an isolator's families have in common, (count, K, 2, F), one family after the other."""
        drawn: dict[int, FloatArray] = {}
        for family in self.families:
            i = family.isolator
            if not self.commons(i):
                yield np.zeros((count, *family.ratio.shape), dtype=np.complex128)
                continue
            if i not in drawn:
                drawn[i] = rng.standard_normal((count, self.commons(i)))
            yield np.tensordot(drawn[i][:, family.common_rows], family.common_directions, axes=1)

    def cleaned(self, residuals: Sequence[ComplexArray]) -> Iterator[ComplexArray]:
        """Residuals (B, K, 2, F) less their most probable amplitudes of every kind, one family after the other."""
        scores = self.common_scores(residuals)
        for family, residual in zip(self.families, residuals, strict=True):
            if family.isolator in scores:
                amplitude = self.from_scores(family.isolator, scores[family.isolator])[:, family.common_rows]
                residual = residual - np.tensordot(amplitude, family.common_directions, axes=1)
            if len(family.directions):
                residual = residual - np.tensordot(family.amplitudes(residual), family.directions, axes=1)
            yield residual

    def predict(self, parameters: ChipParameters) -> list[ComplexArray]:
        """Model ratios (B, K, 2, F) for each family, eliminated parameters at their values at the reference point.

        Parameters
        ----------
        parameters : ChipParameters
            Batch of B.

        Raises
        ------
        ModelError
            If a value is not finite.
        """
        parameters = self.complete(parameters)
        out = []
        shared_flux = None
        for i, model, families in self._noise.parts:
            if shared_flux is None:
                shared_flux = model.source_flux(parameters)
            flux = model.probe_flux(parameters, i, shared_flux)
            s = model.scattering(parameters, i, flux=flux)
            for family in families:
                off = s[:, family.divisor_row][:, None]
                inverse = np.conj(off) / (off.real**2 + off.imag**2)
                ratio = s[:, list(family.rows)] * inverse
                if self.magnitude:
                    ratio = np.abs(ratio).astype(np.complex128)
                if family.added is not None:
                    ratio += family.added.at(flux, family.rows, family.divisor_row)
                self.refuse_non_finite(ratio, parameters, model, i)
                out.append(ratio)
        return out

    def predict_with_phase(
        self, parameters: ChipParameters, isolators: Sequence[int]
    ) -> list[tuple[Family, ComplexArray]]:
        """Model ratios of some isolators' families and their change with a further pump phase error e.

        The ratio is mu + sin(e) q + (cos(e) - 1) p, exactly where no line ends are in the model; see
        `ChipModel.scattering_and_phase`.

        Returns
        -------
        list of (Family, ndarray (B, 3, K, 2, F) of complex)
            mu, q and p along the second axis.
        """
        parameters = self.complete(parameters)
        out: list[tuple[Family, ComplexArray]] = []
        shared_flux = None
        for number, (i, model, _) in enumerate(self._noise.parts):
            if i not in isolators:
                continue
            if shared_flux is None:
                shared_flux = model.source_flux(parameters)
            flux = model.probe_flux(parameters, i, shared_flux)
            out += self.stacks_at(number, parameters, flux).values()
        return out

    def stacks_at(
        self, part: int, parameters: ChipParameters, flux_phi0: FloatArray
    ) -> dict[int, tuple[Family, ComplexArray]]:
        """`predict_with_phase` for one of `parts`, with the flux (B, P, 2) of its probes given and parameters complete.

        Returns
        -------
        dict of int to (Family, ndarray (B, 3, K, 2, F) of complex)
            By the number of the family in `families`.
        """
        i, model, families = self._noise.parts[part]
        s, q, p = model.scattering_and_phase(parameters, i, flux=flux_phi0)
        out = {}
        for n, family in enumerate(families, sum(len(f) for _, _, f in self._noise.parts[:part])):
            rows = list(family.rows)
            off = s[:, family.divisor_row][:, None]
            inverse = np.conj(off) / (off.real**2 + off.imag**2)
            stack = np.empty((s.shape[0], 3, len(rows), 2, s.shape[-1]), dtype=np.complex128)
            for k, one in enumerate((s, q, p)):
                np.multiply(one[:, rows], inverse, out=stack[:, k])
            if family.added is not None:
                stack[:, 0] += family.added.at(flux_phi0, family.rows, family.divisor_row)
            self.refuse_non_finite(stack, parameters, model, i)
            out[n] = family, stack
        return out

    @staticmethod
    def refuse_non_finite(values: ComplexArray, parameters: ChipParameters, model: ChipModel, isolator: int) -> None:
        """Raise the error that explains the first set of a batch whose predicted values (B, *) are not finite."""
        finite = np.isfinite(values.reshape(len(values), -1).view(np.float64)).all(axis=1)
        if not np.all(finite):
            bad = int(np.flatnonzero(~finite)[0])
            raise model.explain_non_finite(parameters.rows(slice(bad, bad + 1)), isolator)

    def flux_slopes(self, parameters: ChipParameters) -> list[tuple[ComplexArray, ComplexArray]]:
        """Slopes (2, K, 2, F) of each family's ratios with the flux of either loop, per Phi0, for one set of parameters.

        With that in each group's own sweeps, and with that in the sweeps that divide.
        """
        at = self.complete(parameters)
        found = [one for bench in self._benches for one in self._bare_slopes(bench, at)]
        added = [family.added for family in self.families]
        return [
            (one.on, one.off) if a is None else (one.on + a.on, one.off + a.off)
            for one, a in zip(found, added, strict=True)
        ]

    def loop_fluxes(self, parameters: ChipParameters) -> list[FloatArray]:
        """Flux in the two loops for each family's pump-on groups, for complete parameters: per family (B, K, 2) in Phi0."""
        out = []
        for i, model, families in self._noise.parts:
            flux = model.probe_flux(parameters, i)
            out += [flux[:, list(family.rows)] for family in families]
        return out

    def batch_step(self) -> int:
        """Parameter sets per block."""
        widest = max(len(model.probes) * model.frequency_hz[i].size for i, model, _ in self._noise.parts)
        return max(1, _BLOCK_VALUES // (2 * widest))

    def log_likelihood(self, parameters: ChipParameters, scale: FloatArray | None = None) -> FloatArray:
        """-1/2 r^T C^-1 r over all families, shape (B,); constants that do not depend on the parameters left out.

        scale (B,), if given, is a factor on all of the noise.
        """
        batch = parameters.batch
        step = self.batch_step()
        out = np.empty(batch)
        for start in range(0, batch, step):
            rows = slice(start, min(start + step, batch))
            ratios = self.predict(parameters.rows(rows))
            total = np.zeros(rows.stop - rows.start)
            loud = None if scale is None else scale[rows]
            for family, ratio in zip(self.families, ratios, strict=True):
                total += family.log_density(ratio, loud)
            residuals = [f.ratio - r for f, r in zip(self.families, ratios, strict=True)]
            for scores in self.common_scores(residuals).values():
                total += 0.5 * np.sum(scores**2, axis=1) * (1.0 if loud is None else loud**-2)
            out[rows] = total
        return out


def _forward(lower: npt.NDArray[np.floating], right: FloatArray) -> FloatArray:
    """L^-1 b for a lower triangular L."""
    return np.asarray(solve_triangular(lower, right, lower=True, check_finite=False))


def _backward(lower: npt.NDArray[np.floating], right: FloatArray) -> FloatArray:
    """L^-T b for a lower triangular L."""
    return np.asarray(solve_triangular(lower, right, lower=True, trans="T", check_finite=False))


def _root(covariance: FloatArray) -> FloatArray:
    """A root (G, R) of a positive semidefinite matrix (G, G); R is 0 for zero."""
    values, vectors = np.linalg.eigh(covariance)
    held = values > 1e-10 * max(float(values[-1]), 1e-300)
    return np.asarray(vectors[:, held] * np.sqrt(values[held]))


def _gain_slopes(ratio: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Change (4, K, 2, F) of the ratios with the relative gain (re, im of S21, re, im of S12) of the pump-on and off sweep."""
    on = np.zeros((4, *ratio.shape), dtype=np.complex128)
    for path in range(2):
        on[2 * path, :, path] = ratio[:, path]
        on[2 * path + 1, :, path] = 1j * ratio[:, path]
    return on, -on


def _flux_changes(
    model: ChipModel, at: ChipParameters, isolator: int, wanted: Sequence[Parameter], flux: FloatArray
) -> FloatArray:
    """Change (E, P, 2) of the probes' fluxes with parameters, per their unit; the flux is linear in each of them."""
    if not wanted:
        return np.zeros((0, *flux.shape[1:]))
    every = at.repeated(len(wanted))
    arrays = {name: every[name] for name in every}
    for n, p in enumerate(wanted):
        if p.array not in arrays:
            arrays[p.array] = nominal_array(model.study, p.array, len(wanted))
        p.of(arrays[p.array])[n] += STEP * p.sd
    step = np.array([STEP * p.sd for p in wanted])
    return np.asarray((model.probe_flux(ChipParameters(arrays), isolator) - flux) / step[:, None, None])


def _setting_of(key: GroupKey) -> tuple[object, ...]:
    """What a group's sweeps have in common in all states of a cooldown."""
    return (
        key.pump_port,
        key.pump_phase_rad,
        key.pump_power_dbm,
        key.pump_frequency_hz,
        key.bias_a,
        key.cooldown,
    )


@dataclass(frozen=True)
class _Held:
    """Values at which eliminated parameters are held: by array, their places and values, and the array's nominal entries."""

    study: Study
    places: dict[str, tuple[tuple[npt.NDArray[np.intp], ...], FloatArray]]

    @classmethod
    def of(cls, study: Study, eliminated: Sequence[Parameter], at: ChipParameters) -> _Held:
        """Those of a reference point; a parameter that it does not hold has the study's value and needs no place."""
        by_array: dict[str, list[Parameter]] = {}
        for p in eliminated:
            if p.array in at:
                by_array.setdefault(p.array, []).append(p)
        return cls(
            study,
            {
                name: (
                    tuple(np.array(axis, dtype=np.intp) for axis in zip(*(p.index for p in own), strict=True)),
                    np.array([float(p.of(at[name])[0]) for p in own]),
                )
                for name, own in by_array.items()
            },
        )

    def put(self, parameters: ChipParameters) -> ChipParameters:
        """The parameters with these values."""
        if not self.places:
            return parameters
        arrays = {}
        for name, (index, values) in self.places.items():
            base = parameters.get(name)
            array = nominal_array(self.study, name, parameters.batch) if base is None else np.array(base)
            place: tuple[slice | npt.NDArray[np.intp], ...] = (slice(None), *index)
            array[place] = values
            arrays[name] = array
        return parameters.changed(**arrays)
