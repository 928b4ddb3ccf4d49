"""Elements of a line, and what a row of them does to the probe and to the noise.

A part that loses power (attenuator, cable, filter, coupler, isolator, switch) transmits eta and radiates (1 - eta) T_eff
of its own temperature; an amplifier multiplies by G what comes in and its noise temperature T_n.  Friis (Proc. IRE 32,
419 (1944), from memory): noise that stage i adds counts at the chip's output divided by the gain before it.  The noise
that arrives at the chip through its input line, vacuum included, is passed on by unit transmission:

    T_sys = T_in + sum_i T_i / (g_1 ... g_(i-1)),    T_i = (1/eta - 1) T_eff for a loss, T_n for an amplifier.

Saturation: an amplifier passes the amplitude x as sqrt(G) x/sqrt(1 + u), u = c |x|^2/P_1dB with c = 10^0.1 - 1, so that
its gain is 1 dB lower at the input power P_1dB (a common soft limiter, no source).  Differentiated, noise that is small
beside the tone passes with 1/sqrt(1 + u) in the phase's quadrature and 1/(1 + u)^1.5 in the amplitude's: relative to the tone
the first is unchanged, the second smaller by 1/(1 + u); a change of the device's transmission is made smaller likewise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.readout.networks import Network, at_frequencies, cascade
from fluxsense.readout.noise import (
    LEAST_QUANTA,
    behind_loss,
    check_temperature,
    decibel,
    effective_temperature_k,
    power_ratio,
    quantum_k,
    sigma_per_quadrature,
)
from fluxsense.study.readout import ELEMENT_KINDS, Element, Readout

COMPRESSION_STEP: Final = 10**0.1 - 1
SMALLEST: Final = 1e-40
LARGEST: Final = 1e40
"""Powers (W) at the chip and gains behind it beyond which a number must be a slip."""
WORRYING_MARGIN_DB: Final = 10.0
"""Distance to the 1 dB compression point from which on gain errors stay below 0.11 dB (`gain_lost_db`)."""


@dataclass(frozen=True)
class Chain:
    """A read-out chain: what the study says of it, and the measured networks of its elements by the names of their files."""

    readout: Readout
    networks: Mapping[str, Network] = field(default_factory=dict)

    def gains(self, elements: Sequence[Element], frequency_hz: float) -> list[float]:
        """`power_gains` with the chain's networks."""
        return power_gains(elements, frequency_hz, self.networks)


@dataclass(frozen=True)
class StageReport:
    """One element in use.

    Attributes
    ----------
    name, kind : str
    power_w : float
        Probe power at its input, at unit transmission of the chip.
    gain_db : float
        For small signals.
    noise_k : float
        What it adds to the system noise temperature at the chip's output (elements before the chip: to what arrives
        at the chip).
    margin_db : float
        1 dB compression point over the power at the input; infinite where none is stated.
    """

    name: str
    kind: str
    power_w: float
    gain_db: float
    noise_k: float
    margin_db: float

    @property
    def gain_lost_db(self) -> float:
        """How much lower the gain is than for small signals, dB."""
        return gain_lost_db(self.margin_db)


@dataclass(frozen=True)
class ChainReport:
    """A chain at one frequency.

    Attributes
    ----------
    frequency_hz : float
    power_w : float
        Probe power at the chip.
    incoming_k : float
        Noise temperature of what arrives at the chip, vacuum included.
    system_k : float
        System noise temperature at the chip's output, vacuum included.
    quanta : float
        The same over h f/k.
    down, up : tuple of StageReport
    sigma_amplitude, sigma_phase : float
        Standard deviation of the two quadratures of the received transmission, relative to unit transmission.
    slope : float
        Factor on changes of the transmission's amplitude by saturation, at most 1.
    """

    frequency_hz: float
    power_w: float
    incoming_k: float
    system_k: float
    quanta: float
    down: tuple[StageReport, ...]
    up: tuple[StageReport, ...]
    sigma_amplitude: float
    sigma_phase: float
    slope: float

    @property
    def sigma(self) -> float:
        """Standard deviation per quadrature, root mean square of the two."""
        return math.sqrt(0.5 * (self.sigma_amplitude**2 + self.sigma_phase**2))

    @property
    def excess_quanta(self) -> float:
        """Quanta beyond the least that an amplifier of both quadratures allows."""
        return self.quanta - LEAST_QUANTA

    @property
    def limiting(self) -> StageReport:
        """The stage behind the chip that adds most noise."""
        return max(self.up, key=lambda x: x.noise_k)

    @property
    def closest_to_compression(self) -> StageReport | None:
        """The stage with the least margin; None where no compression point is stated."""
        stated = [x for x in (*self.down, *self.up) if math.isfinite(x.margin_db)]
        return min(stated, key=lambda x: x.margin_db) if stated else None


def gain_lost_db(margin_db: float) -> float:
    """Loss of gain (dB) of a stage whose input lies margin_db below its 1 dB compression point."""
    return decibel(1 + COMPRESSION_STEP * power_ratio(-margin_db))


def check_element(element: Element, where: str = "") -> None:
    """Refuse an element that cannot exist.

    Raises
    ------
    InputError
        For an unknown kind, a passive part with gain or noise of its own, a temperature or noise below zero.
    """
    where = where or f'element "{element.name}"'
    if element.kind not in ELEMENT_KINDS:
        raise InputError(
            f'the kind "{element.kind}" is not known', where=where, remedy=f"Choose one of: {', '.join(ELEMENT_KINDS)}"
        )
    kind = ELEMENT_KINDS[element.kind]
    check_temperature(element.temperature_k, where)
    if not kind.active and element.gain_db > 0:
        raise InputError(
            f"{element.words} is passive and cannot have a gain of {element.gain_db:g} dB",
            where=where,
            remedy="Give its loss as a number above zero, or name the kind of amplifier that it is",
        )
    if not kind.active and (element.added_k > 0 or element.added_quanta > 0):
        raise InputError(
            f"{element.words} is passive: what it adds follows from its loss and its temperature",
            where=where,
            remedy="Leave the noise temperature out",
        )
    if element.added_k < 0 or element.added_quanta < 0:
        raise InputError(
            "a noise temperature below zero is not possible", where=where, remedy="Give it in K or mK, zero or above"
        )
    if element.backward_db is not None and element.backward_db > 0:
        raise InputError(
            f"a gain of {element.backward_db:g} dB backwards would make the line oscillate",
            where=where,
            remedy="Give the isolation as a number above zero",
        )
    if not element.compression_w > 0:
        raise InputError("the compression point is not above zero W", where=where, remedy='Give it as "-50 dBm", say')


def check_chain(readout: Readout, where: str = "") -> None:
    """Refuse a chain that cannot be worked with.

    Raises
    ------
    InputError
        For an impossible element, no amplifier behind the chip, or no source power.
    """
    for element in (*readout.down, *readout.up):
        check_element(element, f'{where}, "{element.name}"' if where else "")
    check_temperature(readout.source_temperature_k, where)
    if not any(x.active for x in readout.up):
        raise InputError(
            "there is no amplifier between the chip and the receiver",
            where=where,
            remedy='Add one, or the receiver itself (kind "receiver") with its noise temperature',
        )
    if not readout.source_power_w > 0:
        raise InputError("the source power is not above zero", where=where, remedy='Give it as "-20 dBm", say')


def power_gains(
    elements: Sequence[Element], frequency_hz: float, networks: Mapping[str, Network] | None = None
) -> list[float]:
    """Gain of power of each element at one frequency.

    Measured networks in a row are cascaded: the gain of each is that of the cascade with it over that without it, so that
    the product is the cascade's, reflections between the networks included.

    Parameters
    ----------
    elements : sequence of Element
        In the direction of the signal.
    frequency_hz : float
    networks : mapping of str to Network, optional
        By the names of the elements' files.

    Raises
    ------
    InputError
        If a network is missing or does not cover the frequency, or a passive one gives more power than it takes.
    """
    out = []
    total = None
    for element in elements:
        if not element.file:
            total = None
            out.append(power_ratio(element.gain_db))
            continue
        if networks is None or element.file not in networks:
            raise InputError(
                "this file was not read", where=element.file, remedy="Give its network by the file's name as well"
            )
        own = at_frequencies(networks[element.file], [frequency_hz])[0]
        if not element.active and float(np.linalg.svd(own, compute_uv=False)[0]) > 1.01:
            raise InputError(
                f"the network gives out more power than it takes in at {frequency_hz / 1e9:.6g} GHz, "
                f"but {element.words} is passive",
                where=element.file,
                remedy="Check the file, or name the kind of amplifier that it is",
            )
        joined = own if total is None else cascade(total, own)
        before = 1.0 if total is None else abs(total[1, 0]) ** 2
        out.append(float(abs(joined[1, 0]) ** 2 / before))
        total = joined
    return out


def _own_noise_k(element: Element, gain: float, frequency_hz: float) -> float:
    """Noise temperature that an element adds, at its input, K."""
    if element.active:
        return element.added_k + element.added_quanta * float(quantum_k(frequency_hz))
    loss = min(gain, 1.0)
    return (1.0 / loss - 1.0) * float(effective_temperature_k(frequency_hz, element.temperature_k))


def _arriving(chain: Chain, frequency_hz: float) -> tuple[float, float, tuple[StageReport, ...]]:
    """Power and noise temperature at the chip, and the stages before it."""
    readout = chain.readout
    gains = chain.gains(readout.down, frequency_hz)
    power = readout.source_power_w
    noise = float(effective_temperature_k(frequency_hz, readout.source_temperature_k))
    stages = []
    for n, (element, gain) in enumerate(zip(readout.down, gains, strict=True)):
        added = _own_noise_k(element, gain, frequency_hz)
        stages.append(_stage(element, power, gain, added * math.prod(gains[n:])))
        noise = gain * (noise + added)
        power *= gain / (1 + COMPRESSION_STEP * power / element.compression_w)
    return power, noise, tuple(stages)


def _stage(element: Element, power_w: float, gain: float, noise_k: float) -> StageReport:
    margin = math.inf if math.isinf(element.compression_w) else decibel(element.compression_w / power_w)
    return StageReport(element.name, element.kind, power_w, decibel(gain), noise_k, margin)


def report(chain: Chain, frequency_hz: float, transmission: float = 1.0) -> ChainReport:
    """Noise and margins of a chain at one frequency.

    Parameters
    ----------
    chain : Chain
    frequency_hz : float
    transmission : float
        Amplitude that the chip transmits, for the powers behind it; scatter stays relative to unit transmission.

    Returns
    -------
    ChainReport

    Raises
    ------
    InputError
        If the chain cannot be worked with (`check_chain`, `power_gains`).
    """
    readout = chain.readout
    check_chain(readout)
    at_chip, incoming, down = _arriving(chain, frequency_hz)
    gains = chain.gains(readout.up, frequency_hz)
    if not (SMALLEST < at_chip < LARGEST and SMALLEST < math.prod(gains) < LARGEST):
        raise InputError(
            f"with these losses and gains {at_chip:.3g} W arrive at the chip, and {decibel(math.prod(gains)):.4g} dB follow",
            remedy="Check losses and gains: 60 to 90 dB down and 60 to 100 dB up are usual",
        )
    power = at_chip * transmission**2
    added = [incoming]
    squeezed = [1.0]  # amplitude noise over phase noise, of what enters at that place
    before = 1.0
    stages = []
    for element, gain in zip(readout.up, gains, strict=True):
        own = _own_noise_k(element, gain, frequency_hz)
        stages.append(_stage(element, power, gain, own / before))
        added.append(own / before)
        u = COMPRESSION_STEP * power / element.compression_w
        squeezed.append(1.0)
        squeezed = [x / (1 + u) for x in squeezed]
        before *= gain / (1 + u)
        power *= gain / (1 + u)
    phase = math.fsum(added)
    amplitude = math.fsum(t * x**2 for t, x in zip(added, squeezed, strict=True))
    return ChainReport(
        frequency_hz=frequency_hz,
        power_w=at_chip,
        incoming_k=incoming,
        system_k=phase,
        quanta=phase / float(quantum_k(frequency_hz)),
        down=down,
        up=tuple(stages),
        sigma_amplitude=float(sigma_per_quadrature(at_chip, amplitude, readout.bandwidth_hz, readout.averages)),
        sigma_phase=float(sigma_per_quadrature(at_chip, phase, readout.bandwidth_hz, readout.averages)),
        slope=squeezed[0],
    )


def sweep_seconds(readout: Readout, points: int, directions: int = 2) -> float:
    """Duration of a sweep: points times directions (S21 and S12, one after the other) times time, and a pause."""
    return points * directions * readout.seconds_per_point + readout.pause_s


def backward_noise_k(
    elements: Sequence[Element],
    frequency_hz: float,
    networks: Mapping[str, Network] | None = None,
    behind_k: float = 300.0,
) -> float:
    """Noise temperature of what comes back to the chip through the elements behind it, vacuum included.

    Each passive part passes what comes from behind by its reverse gain and radiates the rest at its own temperature; an
    amplifier's input radiates like a matched resistor at its physical temperature (an assumption; real inputs differ by
    some), and passes what comes from behind by its reverse gain where that is stated.

    Parameters
    ----------
    elements : sequence of Element
        In the direction of the signal.
    frequency_hz : float
    networks : mapping of str to Network, optional
    behind_k : float
        Physical temperature of what follows the last element.

    Returns
    -------
    float
    """
    noise = float(effective_temperature_k(frequency_hz, behind_k))
    forward = power_gains(elements, frequency_hz, networks)
    for element, gain in zip(reversed(elements), reversed(forward), strict=True):
        own = float(effective_temperature_k(frequency_hz, element.temperature_k))
        if element.active:
            back = 0.0 if element.backward_db is None else power_ratio(element.backward_db)
        else:
            back = min(gain, 1.0) if element.backward_db is None else power_ratio(element.backward_db)
        noise = float(behind_loss(noise, back, own))
    return noise


def with_power_at_chip(chain: Chain, frequency_hz: float, power_w: float) -> Chain:
    """The chain with the source power at which `power_w` arrives at the chip (saturation before the chip left out)."""
    gain = math.prod(chain.gains(chain.readout.down, frequency_hz))
    return replace(chain, readout=replace(chain.readout, source_power_w=power_w / gain))


NOTABLE_FACTOR: Final = 1.5
"""Measured over predicted scatter (or the reverse) from which on causes are looked for."""


@dataclass(frozen=True)
class Cause:
    """One thing that would explain why repeats scatter otherwise than the chain says.

    Attributes
    ----------
    key : str
        "power": the power at the chip differs by `level_db`; "compression": `stage` is used within `level_db` of its 1 dB
        compression point; "amplifier": with `stage` off (passing the signal without gain) the scatter would be `factor`
        times the chain's; "bandwidth": noise bandwidth times `factor`.
    stage : str
    level_db, factor : float
    """

    key: str
    stage: str = ""
    level_db: float = 0.0
    factor: float = 1.0


def causes(chain: Chain, frequency_hz: float, seen: float) -> list[Cause]:
    """What would explain a scatter that differs from the chain's; empty within `NOTABLE_FACTOR`.

    Parameters
    ----------
    chain : Chain
    frequency_hz : float
    seen : float
        Standard deviation per quadrature that repeats show, relative to unit transmission.

    Returns
    -------
    list of Cause
        The most telling first.
    """
    predicted = report(chain, frequency_hz)
    ratio = seen / predicted.sigma
    if 1 / NOTABLE_FACTOR <= ratio <= NOTABLE_FACTOR:
        return []
    out = []
    close = predicted.closest_to_compression
    if ratio > 1 and close is not None and close.margin_db < WORRYING_MARGIN_DB:
        out.append(Cause("compression", stage=close.name, level_db=close.margin_db))
    out.append(Cause("power", level_db=-20 * math.log10(ratio)))
    up = chain.readout.up
    for n, element in enumerate(up):
        if not element.active or ratio < 1 or element.file or element.gain_db <= 0:
            continue
        off = replace(element, gain_db=0.0, added_k=0.0, added_quanta=0.0)
        rest = (*up[:n], off, *up[n + 1 :])
        if any(x.active and x.gain_db > 0 for x in rest):
            without = replace(chain, readout=replace(chain.readout, up=rest))
            factor = report(without, frequency_hz).sigma / predicted.sigma
            if ratio / NOTABLE_FACTOR <= factor <= ratio * NOTABLE_FACTOR:
                out.append(Cause("amplifier", stage=element.name, factor=factor))
    out.append(Cause("bandwidth", factor=ratio**2))
    return out


def white_noise(chain: Chain, frequency_hz: Sequence[float]) -> float:
    """Noise per quadrature and point, relative to unit transmission: root mean square of the chain's over frequencies (Hz)."""
    return math.sqrt(math.fsum(report(chain, f).sigma ** 2 for f in frequency_hz) / len(frequency_hz))
