"""Dispersive read-out of a qubit through the same chain.

A resonator of linewidth k is pulled by +chi or -chi (both over 2 pi here in Hz) by the qubit's two states.  Driven half way
between, it holds n photons in either state at amplitudes

    alpha = sqrt(n) e^(-/+ i phi),   tan phi = 2 chi/k,   so |d alpha| = 2 sqrt(n) sin(phi)

(Blais et al., Rev. Mod. Phys. 93, 025005 (2021), sec. V, from memory; derived again from k/2 alpha +- i chi alpha = drive).
The wave that leaves during tau, longer than 1/k, carries sqrt(k tau) d alpha; with N quanta of noise in all, referred to the
resonator, each quadrature scatters by sqrt(N/2) of the same unit.  Cutting half way between two normal laws whose means are
d apart in units of their standard deviation, the states are told right with the probability

    F = 1 - erfc(d/(2 sqrt2))/2,      d = sqrt(k tau) |d alpha|/sqrt(N/2).

Photons that come back through the chain, n_th in balance, dephase the qubit at the rate

    Gamma = (k/2) Re[sqrt((1 + 2i chi/k)^2 + 8i chi n_th/k) - 1]

(Clerk and Utami, Phys. Rev. A 75, 042302 (2007), arXiv:cond-mat/0611759, abstract read, formula from memory; checked in the
tests against the decay of the coherence in a truncated Fock space).
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fluxsense.base.errors import InputError
from fluxsense.readout.chain import Chain, backward_noise_k, report
from fluxsense.readout.networks import Network
from fluxsense.readout.noise import effective_temperature_k, photons, quantum_k
from fluxsense.study.readout import Element, Readout

FORMULAS: Final = (
    ("noise of what passes a loss or comes from a resistor", "T_eff = (h f/2k) coth(h f/2kT), out = eta T_in + (1 - eta) T_eff",
     "Callen and Welton, Phys. Rev. 83, 34 (1951); Caves, Phys. Rev. D 26, 1817 (1982); from memory"),
    ("noise of the chain, referred to the resonator", "N = T_sys/(h f/k), T_sys = T_in + sum_i T_i/(g_1 ... g_(i-1))",
     "Friis, Proc. IRE 32, 419 (1944), from memory"),
    ("distance of the two states' means in standard deviations",
     "d = sqrt(k tau) 2 sqrt(n) sin(phi)/sqrt(N/2), tan phi = 2 chi/k",
     "Blais et al., Rev. Mod. Phys. 93, 025005 (2021), section V, from memory; derived"),
    ("fidelity, two normal laws cut half way", "F = 1 - erfc(d/(2 sqrt 2))/2", "textbook"),
    ("dephasing by thermal photons", "Gamma = (k/2) Re[sqrt((1 + 2i chi/k)^2 + 8i chi n_th/k) - 1]",
     "Clerk and Utami, Phys. Rev. A 75, 042302 (2007), arXiv:cond-mat/0611759: abstract read, formula from memory"),
)  # fmt: skip
"""What each number is, its formula, and its source; k and chi are angular rates."""
FERRITE: Final = "isolator"
"""Kind of the elements that the sensor's isolator takes the place of."""
LOSSES_DB: Final = (0.0, 0.5, 1.0, 2.0, 3.0)
ISOLATIONS_DB: Final = (10.0, 15.0, 20.0, 30.0, 40.0)
"""Insertion losses and isolations that a device in place of ferrite isolators is looked at with."""


@dataclass(frozen=True)
class Resonator:
    """A read-out resonator and how it is used.

    Attributes
    ----------
    frequency_hz, linewidth_hz : float
        The whole linewidth couples to the output line.
    pull_hz : float
        chi/2pi: the qubit's states lie at plus and minus this.
    photons : float
        Held while it is driven.
    integration_s : float
    """

    frequency_hz: float
    linewidth_hz: float
    pull_hz: float
    photons: float
    integration_s: float


@dataclass(frozen=True)
class QubitReadout:
    """What a chain makes of a resonator.

    Attributes
    ----------
    quanta : float
        Noise in all at the resonator, quanta.
    separation : float
        Distance of the two means in standard deviations.
    fidelity : float
        Probability to tell a state right, both equally frequent.
    thermal_photons : float
        In the resonator, by what comes back through the chain.
    dephasing_per_s : float
    """

    quanta: float
    separation: float
    fidelity: float
    thermal_photons: float
    dephasing_per_s: float


def separation(resonator: Resonator, quanta: float) -> float:
    """Distance of the two means in standard deviations, with `quanta` of noise in all (at least 1/2).

    Raises
    ------
    InputError
        If a rate, the photons, the time or the noise are not above zero, or the integration is shorter than the
        resonator's own time.
    """
    r = resonator
    if not min(r.frequency_hz, r.linewidth_hz, abs(r.pull_hz), r.photons, r.integration_s) > 0 or not quanta > 0:
        raise InputError(
            "a dispersive read-out needs rates, photons, time and noise above zero", remedy="Give each of them"
        )
    rate = 2 * math.pi * r.linewidth_hz
    if r.integration_s * rate < 1:
        raise InputError(
            f"an integration of {r.integration_s:.3g} s is shorter than the resonator's own time of {1 / rate:.3g} s",
            remedy="Integrate longer: the formula holds for a resonator that has settled",
        )
    phi = math.atan(2 * abs(r.pull_hz) / r.linewidth_hz)
    distance = 2 * math.sqrt(r.photons) * math.sin(phi)
    return math.sqrt(rate * r.integration_s) * distance / math.sqrt(quanta / 2)


def fidelity(separation_sd: float) -> float:
    """Probability to tell two normal laws apart, `separation_sd` standard deviations between their means, cut half way."""
    return 1 - 0.5 * math.erfc(separation_sd / (2 * math.sqrt(2)))


def dephasing_per_s(linewidth_hz: float, pull_hz: float, thermal_photons: float) -> float:
    """Dephasing rate (1/s) of a qubit by thermal photons in its resonator."""
    rate, ratio = 2 * math.pi * linewidth_hz, pull_hz / linewidth_hz
    return 0.5 * rate * (cmath.sqrt((1 + 2j * ratio) ** 2 + 8j * ratio * thermal_photons) - 1).real


def qubit_readout(
    resonator: Resonator, up: Sequence[Element], networks: Mapping[str, Network] | None = None
) -> QubitReadout:
    """Signal to noise, fidelity and back-action of a chain behind a read-out resonator.

    Parameters
    ----------
    resonator : Resonator
    up : sequence of Element
        From the resonator to the receiver; the sensor's isolator stands among them as an element of kind "isolator".
    networks : mapping of str to Network, optional
        By the names of the elements' files.

    Returns
    -------
    QubitReadout

    Raises
    ------
    InputError
        If the line or the resonator cannot be worked with.
    """
    f = resonator.frequency_hz
    vacuum = float(effective_temperature_k(f, 0.0))
    readout = Readout(source_power_w=1e-20, bandwidth_hz=1.0, source_temperature_k=0.0, up=tuple(up))
    chain = Chain(readout, networks or {})
    quanta = report(chain, f).system_k / float(quantum_k(f))
    distance = separation(resonator, quanta)
    back = max(backward_noise_k(up, f, networks), vacuum)
    thermal = max(float(photons(f, back)), 0.0)
    return QubitReadout(
        quanta,
        distance,
        fidelity(distance),
        thermal,
        dephasing_per_s(resonator.linewidth_hz, resonator.pull_hz, thermal),
    )


def isolator_element(name: str, forward: float, backward: float, temperature_k: float) -> Element:
    """An isolator as a chain's element, from amplitudes abs(S) forward and backward (each at most 1)."""
    for value in (forward, backward):
        if not 0 < value <= 1:
            raise InputError(
                f"an amplitude of {value:g} is not between 0 and 1", remedy="Give abs(S21) and abs(S12) of the isolator"
            )
    return Element(
        name,
        "isolator",
        gain_db=20 * math.log10(forward),
        backward_db=20 * math.log10(backward),
        temperature_k=temperature_k,
    )


def in_place_of_ferrite(up: Sequence[Element], device: Element | None) -> list[Element]:
    """The line with a device in place of its isolators: where the first stood, or foremost; without any for None."""
    place = next((n for n, x in enumerate(up) if x.kind == FERRITE), 0)
    before, behind = [x for x in up[:place] if x.kind != FERRITE], [x for x in up[place:] if x.kind != FERRITE]
    return [*before, *([] if device is None else [device]), *behind]
