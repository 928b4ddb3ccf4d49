"""Two modes on a pumped ring as classical mechanics: equations of motion from the circuit's energy, and their Floquet exponents.

Nothing of the package, and none of its formulas.  The energy of the ring is that of four arms and four shunts,
-cos d for an arm that is a junction, and by minimising over its inner phase for an arm with a stray inductance; its second
derivatives by the phases X and Y at each instant of the pump are finite differences of that energy.  The two modes have a
series inductance and a capacitance each; a mode's phase is that across both inductances, so that at each instant the
stiffness is the inverse of the sum of two inductance matrices.  The linear equations of motion are integrated over one
period of the pump by Runge and Kutta's fourth-order rule.  Two of the four exponents cross as the pump's frequency is
swept: their least distance is 2 g, and where it is least, and their sum there, give the frequencies of both modes.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar


def arm_energy(phase, stray):
    """Least energy of an arm at a phase, units of E_J."""
    if stray == 0.0:
        return -np.cos(phase)
    inner = minimize_scalar(
        lambda q: -np.cos(q) + (phase - q) ** 2 / (2 * stray),
        bounds=(phase - 1.2 * stray, phase + 1.2 * stray),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(inner.fun)


def ring_energy(nodes, f, alpha, stray=0.0):
    """Energy of four arms round the nodes' phases and a shunt from each to a free common point, units of E_J."""
    p = np.asarray(nodes, dtype=float)
    arms = sum(arm_energy(x, stray) for x in np.roll(p, -1) - p + f)
    return arms + alpha * np.sum((p - p.mean()) ** 2)  # E_L/2 each, E_L = 2 alpha E_J


def nodes_of(x, y, z):
    return [z / 2 + x / 2, -z / 2 + y / 2, z / 2 - x / 2, -z / 2 - y / 2]


def stiffness_xy(f, z, alpha, stray=0.0, h=0.05):
    """Second derivatives (2, 2) of the ring's energy by X and Y at X = Y = 0, by fourth-order differences."""

    def along(x, y):
        e = [ring_energy(nodes_of(s * h * x, s * h * y, z), f, alpha, stray) for s in (-2, -1, 0, 1, 2)]
        return (-e[0] + 16 * e[1] - 30 * e[2] + 16 * e[3] - e[4]) / (12 * h * h)

    xx, yy = along(1, 0), along(0, 1)
    mixed = 0.5 * (along(1, 1) - xx - yy)
    return np.array([[xx, mixed], [mixed, yy]])


@dataclass(frozen=True)
class Pair:
    """Two modes on a ring: frequencies (Hz) and participation ratios, both (2,) at zero flux without a pump."""

    frequency_hz: np.ndarray
    participation: np.ndarray
    alpha: float
    stray: float = 0.0

    def circuit(self):
        """Series inductances (2,) in units of L_J and capacitances (2,) in units in which w^2 = stiffness/capacitance."""
        ring = 1 / stiffness_xy(0.0, 0.0, self.alpha, self.stray)[0, 0]
        series = ring * (1 / self.participation - 1)
        return series, 1 / ((series + ring) * (2 * np.pi * self.frequency_hz) ** 2)

    def still_hz(self, f):
        """Frequencies without a pump."""
        series, capacitance = self.circuit()
        matrix = np.linalg.inv(np.diag(series) + np.linalg.inv(stiffness_xy(f, 0.0, self.alpha, self.stray)))
        return np.sqrt(np.diag(matrix) / capacitance) / (2 * np.pi)

    def pumped(self, f, swing, steps=240):
        """Frequencies (2,) of the two modes and size of their coupling (Hz) under a pump."""
        series, capacitance = self.circuit()
        # the stiffness is a smooth function of the swing's momentary value: 25 Chebyshev nodes stand for all instants
        nodes = np.cos(np.pi * (np.arange(25) + 0.5) / 25)
        table = [stiffness_xy(f, swing * x, self.alpha, self.stray).ravel() for x in nodes]
        at_nodes = np.polynomial.chebyshev.chebfit(nodes, np.array(table), 24)
        instants = np.cos(np.pi * np.arange(steps + 1) / steps)
        ring = np.polynomial.chebyshev.chebval(instants, at_nodes).T.reshape(-1, 2, 2)
        half = list(np.linalg.inv(np.diag(series) + np.linalg.inv(ring)))
        whole = half + half[-2::-1]  # the pump's cosine is even about its half period
        still = self.still_hz(f)
        middle = still[1] - still[0]
        sweep = middle * (1 + np.linspace(-1e-2, 1e-2, 7))
        pairs = np.array([self._exponents(whole, capacitance, still[0], w) for w in sweep])
        offset = (sweep - middle) / middle
        gap = np.polyfit(offset, ((pairs[:, 1] - pairs[:, 0]) / middle) ** 2, 3)
        at = -gap[2] / (2 * gap[1])
        for _ in range(20):
            at -= np.polyval(np.polyder(gap), at) / np.polyval(np.polyder(gap, 2), at)
        coupling = 0.5 * middle * np.sqrt(np.polyval(gap, at))
        total = np.polyval(
            np.polyfit(offset, pairs.sum(axis=1) + sweep, 3), at
        )  # w_a + w_b, as the idler is at w + w_p
        difference = middle * (1 + at)
        return np.array([total - difference, total + difference]) / 2, coupling

    @staticmethod
    def _exponents(stiffness, capacitance, near_hz, pump_hz):
        """The two exponents (Hz, modulo the pump's frequency) next to a frequency."""
        motion = np.zeros((len(stiffness), 4, 4))
        motion[:, :2, 2:] = np.eye(2)
        motion[:, 2:, :2] = -np.array(stiffness) / capacitance[:, None]
        steps = (len(stiffness) - 1) // 2
        h = 1 / (pump_hz * steps)
        monodromy = np.eye(4)
        # velocities in units of w make the matrix well scaled
        scale = np.diag([1.0, 1.0, 2 * np.pi * near_hz, 2 * np.pi * near_hz])
        motion = np.linalg.inv(scale) @ motion @ scale
        for k in range(steps):
            first, second, third = motion[2 * k : 2 * k + 3]
            k1 = first @ monodromy
            k2 = second @ (monodromy + 0.5 * h * k1)
            k3 = second @ (monodromy + 0.5 * h * k2)
            k4 = third @ (monodromy + h * k3)
            monodromy = monodromy + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        turn = np.angle(np.linalg.eigvals(monodromy)) / (2 * np.pi) * pump_hz
        away = (turn - near_hz + 0.5 * pump_hz) % pump_hz - 0.5 * pump_hz
        nearest = away[np.argsort(np.abs(away))[:2]]
        return np.sort(near_hz + nearest)
