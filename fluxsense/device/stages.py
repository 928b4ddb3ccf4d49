"""The two converters of an isolator as arrays: from named parameters and fluxes to pumped modes and couplings.

Inside, arrays are (2, P, B): converter, probe, parameter set; so that numpy's inner loops run over the longest axis.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from fluxsense.base.errors import InputError
from fluxsense.base.units import format_quantity
from fluxsense.device.pumped import Modes, PumpReference, Rates, most_coupling_hz, pump_reference, pumped_modes
from fluxsense.device.rings import Numbers, Ring, ring_kind, ring_kinds
from fluxsense.study import Isolator

FloatArray = npt.NDArray[np.float64]

MODE_FIELDS: Final = ("signal_frequency_hz", "idler_frequency_hz", "signal_participation", "idler_participation")


class NamedArrays(Protocol):
    """A batch of named arrays; see `fluxsense.device.chip.ChipParameters`."""

    def get(self, name: str) -> FloatArray | None:
        """The array of that name, or None if the study's value holds."""
        ...


def ring_field_names() -> tuple[str, ...]:
    """Names of every number that some kind of ring is made of: stage fields like any other."""
    return tuple(dict.fromkeys(x.name for kind in ring_kinds() for x in kind.fields))


MOST_HELD: Final = 64
"""Sets of held values whose pump at reference flux and power is kept."""


class Stages:
    """The two stages of one isolator.

    Parameters
    ----------
    isolator : Isolator
        As the study states it.
    index : int
        Its position in the named arrays' axis of isolators.
    where : str
        The study file, for messages.

    Raises
    ------
    InputError
        For a ring that its kind refuses.
    """

    def __init__(self, isolator: Isolator, index: int, where: str) -> None:
        self.isolator = isolator
        self._index = index
        self._where = f"{where}, isolator[{isolator.name}]"
        stages = isolator.stages
        kinds = [ring_kind(s.ring) for s in stages]
        alike = kinds[0] is kinds[1] and stages[0].branch == stages[1].branch
        self._groups: list[tuple[Ring, int | None, slice]] = (
            [(kinds[0], stages[0].branch, slice(0, 2))]
            if alike
            else [(kind, s.branch, slice(k, k + 1)) for k, (kind, s) in enumerate(zip(kinds, stages, strict=True))]
        )
        fields = (*MODE_FIELDS, "coupling_hz", *dict.fromkeys(x.name for kind in kinds for x in kind.fields))
        defaults = {x.name: x.default for kind in kinds for x in kind.fields}
        self._stated = {
            name: np.array([[[getattr(s, name, defaults.get(name, np.nan))]] for s in stages], dtype=np.float64)
            for name in fields
        }
        self._references: list[PumpReference] | None = None
        self._held: dict[tuple[str | bytes, ...], list[PumpReference]] = {}

    def value(self, parameters: NamedArrays | None, name: str) -> FloatArray:
        """A field of both stages, (2, 1, B) or (2, 1, 1)."""
        given = None if parameters is None else parameters.get(name)
        return self._stated[name] if given is None else given[:, self._index, :].T[:, None, :]

    def _numbers(self, parameters: NamedArrays | None, ring: Ring, part: slice) -> Numbers:
        return {x.name: self.value(parameters, x.name)[part] for x in ring.fields}

    def _modes(self, parameters: NamedArrays | None, part: slice) -> Modes:
        return Modes(*(self.value(parameters, name)[part] for name in MODE_FIELDS))

    def _reference(self, parameters: NamedArrays | None) -> list[PumpReference]:
        """The pump at reference flux and power, per group of stages; the study's own is worked out once."""
        given = {} if parameters is None else {n: x for n in self._stated if (x := parameters.get(n)) is not None}
        if given:
            rows = np.concatenate([x[:, self._index].reshape(len(x), -1) for x in given.values()], axis=1)
            if not np.all(rows == rows[0]):
                return [self._inverted(parameters, ring, part) for ring, _, part in self._groups]
            key = (*given, rows[0].tobytes())  # held values: one inversion serves the batch, and those that follow
            if key not in self._held:
                if len(self._held) == MOST_HELD:
                    del self._held[next(iter(self._held))]
                first = {name: x[:1] for name, x in given.items()}
                self._held[key] = [self._inverted(first, ring, part) for ring, _, part in self._groups]
            return self._held[key]
        if self._references is None:
            found = [self._inverted(None, ring, part) for ring, _, part in self._groups]
            for (ring, _, part), one in zip(self._groups, found, strict=True):
                if not np.all(one.reached):
                    raise self._out_of_reach(ring, part, one)
            self._references = found
        return self._references

    def _inverted(self, parameters: NamedArrays | None, ring: Ring, part: slice) -> PumpReference:
        f = ring.quarter_phase(np.array(self.isolator.reference_flux_phi0))
        return pump_reference(
            ring,
            f,
            self._numbers(parameters, ring, part),
            self._modes(parameters, part),
            self.value(parameters, "coupling_hz")[part],
        )

    def _out_of_reach(self, ring: Ring, part: slice, found: PumpReference) -> InputError:
        worst = int(np.flatnonzero(~found.reached[:, 0, 0])[0])
        f = ring.quarter_phase(np.array(self.isolator.reference_flux_phi0))
        most = most_coupling_hz(ring, f, self._numbers(None, ring, part), self._modes(None, part))[worst, 0, 0]
        stage = (part.start or 0) + worst
        return InputError(
            f"no pump makes this ring couple its modes by {_hz(self.isolator.stages[stage].coupling_hz)} at the "
            f"reference flux of {self.isolator.reference_flux_phi0:g} Phi0: the most is {_hz(float(most))}",
            where=f"{self._where}.stage_{stage + 1}.coupling",
            remedy="Check the coupling, the participation ratios (both modes need one) and the reference flux",
        )

    def quarter_phases(self, flux_phi0: FloatArray) -> FloatArray:
        """Quarter phases of both rings at fluxes (..., 2)."""
        parts = [
            ring.quarter_phase(flux_phi0[..., part], None if branch is None else np.array(branch))
            for ring, branch, part in self._groups
        ]
        return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)

    def signs(self, flux_phi0: FloatArray) -> FloatArray:
        """Signs of both couplings at fluxes (..., 2), 0 where there is none."""
        f = self.quarter_phases(flux_phi0)
        return np.sign(np.round(self.circulating_current(f), 12))

    def circulating_current(self, f: FloatArray) -> FloatArray:
        """Circulating currents over the critical one at quarter phases (..., 2), for the study's rings."""
        parts = [
            ring.circulating_current(
                f[..., part], {name: x[:, 0, 0] for name, x in self._numbers(None, ring, part).items()}
            )
            for ring, _, part in self._groups
        ]
        return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)

    def rates(
        self,
        parameters: NamedArrays | None,
        flux_phi0: FloatArray,
        amplitude: FloatArray | float,
        shift_factor: FloatArray | float = 1.0,
    ) -> Rates:
        """Frequencies and signed couplings of both stages.

        Parameters
        ----------
        parameters : ChipParameters or None
            Batch of B; None for the study's values.
        flux_phi0 : ndarray (B, P, 2)
        amplitude : ndarray broadcastable to (2, P, B)
            Pump current over that at the reference power; 0 with the pump off.
        shift_factor : ndarray broadcastable to (2, P, B)
            Factor on the pump's shift of the modes.

        Returns
        -------
        Rates
            Arrays (B, P, 2), Hz.  A coupling that no swing reaches in one of the sets is the largest there is.

        Raises
        ------
        InputError
            If the study's own coupling cannot be reached.
        """
        f = np.ascontiguousarray(self.quarter_phases(flux_phi0).T)
        references = self._reference(parameters)
        parts = []
        for (ring, _, part), reference in zip(self._groups, references, strict=True):
            numbers = self._numbers(parameters, ring, part)
            current = amplitude[part] if isinstance(amplitude, np.ndarray) and amplitude.shape[0] == 2 else amplitude
            swing = reference.swing_at(ring, f[part], numbers, current)
            parts.append(pumped_modes(ring, f[part], numbers, self._modes(parameters, part), swing, shift_factor))
        whole = parts[0] if len(parts) == 1 else Rates(*(np.concatenate(x) for x in zip(*parts, strict=True)))
        return Rates(*(np.ascontiguousarray(x.T) for x in whole))


@lru_cache(maxsize=256)
def stages_of(isolator: Isolator, index: int, where: str) -> Stages:
    """`Stages`, once for each isolator: a search over settings asks for the same rings thousands of times."""
    return Stages(isolator, index, where)


def _hz(value: float) -> str:
    return format_quantity(value, "frequency", 4)
