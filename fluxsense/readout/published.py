"""Published sensors to stand beside: a short table, each with its source and what of it was read (``THEORY.md``, last section).

A sensor that reads flux is taken as a round filament of its radius, one that reads a field as a point with its own
standoff.  What it would make of a moment at a distance follows from magnetostatics: flux mu0 m a^2/(2 (a^2+z^2)^1.5) on the
axis of a loop, field mu0 m/(2 pi z^3) on the axis of a dipole.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from fluxsense.base.constants import (
    BOHR_MAGNETON_A_M2,
    FLUX_QUANTUM_WB,
    MAGNETIC_CONSTANT_N_A2,
    PLANCK_J_S,
)
from fluxsense.readout.sensitivity import flux_noise_of_energy_resolution_phi0

FAR_BETTER: Final = 100.0
"""Factor from which on another kind of sensor is named."""


@dataclass(frozen=True)
class Published:
    """A sensor as published.

    Attributes
    ----------
    words : str
    flux_noise_phi0 : float or None
        Phi0/sqrt(Hz).
    radius_m : float or None
        Of its loop, where published.
    moment_noise_mu_b : float or None
        As published, mu_B/sqrt(Hz), with its own source-to-sensor distance.
    field_noise_t : float or None
        T/sqrt(Hz).
    standoff_m : float
        Nearest that its sensing volume can come to a source, or its own extent; a rough number of ours.
    remark : str
        What limits its use.
    source, mark : str
        Reference, and what of it was read.
    """

    words: str
    flux_noise_phi0: float | None
    radius_m: float | None
    moment_noise_mu_b: float | None
    field_noise_t: float | None
    standoff_m: float
    remark: str
    source: str
    mark: str


def _of_energy(quanta_h: float) -> float:
    return flux_noise_of_energy_resolution_phi0(quanta_h * PLANCK_J_S, 50e-12)


PUBLISHED: Final = (
    Published(
        "SQUID of 46 nm diameter on a tip", 50e-9, 23e-9, 0.38, None, 1e-8,
        "needs a scanning tip within nanometres of the source",
        "Vasyukov et al., Nature Nanotechnology 8, 639 (2013), arXiv:1308.0694", "a summary by others read; journal from memory",
    ),
    Published(
        "nano-SQUID read out dispersively at 4 to 8 GHz", 30e-9, None, None, None, 1e-7,
        "flux noise in a band of 20 MHz; a loop smaller than the junctions' leads",
        "Levenson-Falk et al., arXiv:1301.3184", "abstract read",
    ),
    Published(
        "micro-SQUID read out dispersively, 4 K", 80e-9, None, None, None, 1e-6,
        "above 10 kHz",
        "Foroughi et al., arXiv:1803.07636", "abstract read",
    ),
    Published(
        "dc SQUID of 50 pH at 16 mK, 100 kHz", _of_energy(0.62), None, None, None, 1e-6,
        "at 100 kHz; 1.64 h at 1 kHz and 14 h at 10 Hz",
        "Drung et al., IEEE Trans. Appl. Supercond. 21 (2011)", "abstract read (0.62 h); flux noise is our arithmetic",
    ),
    Published(
        "dc SQUID of 50 pH at 16 mK, 10 Hz", _of_energy(14.0), None, None, None, 1e-6,
        "at 10 Hz",
        "Drung et al., IEEE Trans. Appl. Supercond. 21 (2011)", "abstract read (14 h); flux noise is our arithmetic",
    ),
    Published(
        "single spin in diamond", None, None, None, 0.5e-9, 3e-8,
        "an alternating field, tens of nanometres from the surface, room temperature",
        "arXiv:2205.04415", "abstract read",
    ),
    Published(
        "potassium vapour magnetometer", None, None, None, 160e-18, 5e-3,
        "a volume of 0.45 cm^3 at 40 Hz, in a shield, above room temperature",
        "Dang, Maloof and Romalis, arXiv:0910.2206", "abstract read",
    ),
)  # fmt: skip


def moment_noise_at(sensor: Published, distance_m: float) -> float | None:
    """Moment noise (A m^2/sqrt(Hz)) of a sensor for a dipole on its axis, along the axis, at a distance.

    Nearer than its standoff it cannot come.  None where neither a field nor flux and radius are published.
    """
    z = max(distance_m, sensor.standoff_m)
    if sensor.field_noise_t is not None:
        return float(sensor.field_noise_t * 2 * math.pi * z**3 / MAGNETIC_CONSTANT_N_A2)
    if sensor.flux_noise_phi0 is None or sensor.radius_m is None:
        return None
    a = sensor.radius_m
    per_moment = MAGNETIC_CONSTANT_N_A2 * a**2 / (2 * (a**2 + z**2) ** 1.5) / FLUX_QUANTUM_WB
    return float(sensor.flux_noise_phi0 / per_moment)


@dataclass(frozen=True)
class Comparison:
    """A published sensor against this device.

    Attributes
    ----------
    sensor : Published
    flux_factor : float or None
        Device's flux noise over the sensor's.
    moment_factor : float or None
        Device's moment noise at its source over the sensor's at the same distance.
    approach_factor : float or None
        The same with the sensor as near as it can come.
    field_factor : float or None
        Device's field noise over the sensor's, where the source is a field.
    """

    sensor: Published
    flux_factor: float | None
    moment_factor: float | None
    approach_factor: float | None
    field_factor: float | None

    @property
    def far_better(self) -> bool:
        """Whether the sensor would be hundreds of times better for this source, at its own distance."""
        return any(x is not None and x >= FAR_BETTER for x in (self.moment_factor, self.field_factor))


def compare(
    flux_noise_phi0: float,
    *,
    moment_noise_a_m2: float | None = None,
    distance_m: float = 0.0,
    field_noise_t: float | None = None,
) -> list[Comparison]:
    """The device beside every published sensor.

    Parameters
    ----------
    flux_noise_phi0 : float
        Of the best loop, Phi0/sqrt(Hz).
    moment_noise_a_m2 : float, optional
        At the source's place along its best axis, A m^2/sqrt(Hz).
    distance_m : float
        From the source to the nearest loop, with a moment.
    field_noise_t : float, optional
        Where the source is a uniform field, T/sqrt(Hz).
    """
    out = []
    for sensor in PUBLISHED:
        own = moment_noise_at(sensor, distance_m)
        near = moment_noise_at(sensor, 0.0)
        if sensor.moment_noise_mu_b is not None:
            near = sensor.moment_noise_mu_b * BOHR_MAGNETON_A_M2
        seen = moment_noise_a_m2
        out.append(
            Comparison(
                sensor,
                None if sensor.flux_noise_phi0 is None else flux_noise_phi0 / sensor.flux_noise_phi0,
                None if seen is None or own is None else seen / own,
                None if seen is None or near is None else seen / near,
                None if field_noise_t is None or sensor.field_noise_t is None else field_noise_t / sensor.field_noise_t,
            )
        )
    return out
