"""Pump phase errors of an isolator's sweeps, and the integral over them.

A sweep's error is that of the device and that of its pump port together.  The model is linear in its sine and cosine
(`fluxsense.device.chip.ChipModel.scattering_and_phase`), so that with G the inner products of y - mu and, for each kind c of sweeps,
of -q and -p on these sweeps alone,

    log L = log integral N(e; 0, S) exp(-(1, sin e_c, cos e_c - 1, ...) G (...)^T/2) de

over the errors e_c of all kinds, whose prior S has the device's variance everywhere and a port's on its diagonal.  Neither may be
taken as linear: transmission tells an error's cosine better than its sine, so the posterior has a hump on either side of zero in
each, and errors of device and port that grow with opposite signs would leave their second order behind as an amplitude of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.device.chip import ChipParameters, nominal_array
from fluxsense.model.family import Family
from fluxsense.model.parameter import PUMP_PHASE, PUMP_PORT_PHASE
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

PARTS: Final = 3
"""Arrays of a stack: ratios, and their change with the sine and with the cosine of a pump phase error."""
REACH: Final = 5.0
"""Standard deviations of the prior that the lattice reaches."""
FIRST_STEP: Final = 1 / 3
"""Of a standard deviation."""
FINE: Final = 1.5
"""Most of a step over the narrowest width of the likelihood: the midpoint rule is then exact to 2 exp(-2 pi^2/1.5^2), 3e-4 of a hump."""
NEGLIGIBLE: Final = 16.0
"""Log density below the highest at which a node counts for nothing."""
NO_SIGN_RAD: Final = 1e-3
"""Error below which it counts as of neither sign."""
MOST_NODES: Final = 20_000
MOST_VALUES: Final = 1_000_000
"""Log densities held at once."""
FEW_ROWS: Final = 8
"""Inner products of fewer sets are taken one by one."""


@dataclass(frozen=True)
class PumpPhases:
    """The errors of an isolator's kinds of sweeps, one for each pump port whose own error is uncertain and one for all others.

    ports: the pump ports of each kind, 0 a free phase; device_sd_rad, port_sd_rad (C of them): the prior, about the study's values.
    """

    ports: tuple[tuple[int, ...], ...]
    device_sd_rad: float
    port_sd_rad: tuple[float, ...]

    @classmethod
    def of(cls, study: Study, isolator: int, used: Collection[int]) -> PumpPhases | None:
        """Those of sweeps with these pump ports (0: a free phase); None where every phase is exact."""
        sd = study.isolators[isolator].setup.sd
        device = study.isolators[isolator].pump_phase_error_sd_rad
        own = {port: sd[f"pump_{port}_phase_error_rad"] if port else 0.0 for port in sorted(set(used))}
        alike = tuple(port for port, x in own.items() if x == 0)
        kinds: list[tuple[tuple[int, ...], float]] = [((port,), x) for port, x in own.items() if x > 0]
        if alike and device > 0:
            kinds.append((alike, 0.0))
        if not kinds:
            return None
        return cls(tuple(ports for ports, _ in kinds), device, tuple(x for _, x in kinds))

    @property
    def size(self) -> int:
        """Length of the basis 1, sin e_1, cos e_1 - 1, sin e_2, ..."""
        return 1 + 2 * len(self.ports)

    @cached_property
    def covariance(self) -> FloatArray:
        """Prior covariance (C, C) of the errors."""
        return np.asarray(self.device_sd_rad**2 + np.diag(np.square(self.port_sd_rad)))

    def split(self, stack: ComplexArray, family: Family, axis: int = 1) -> ComplexArray:
        """A stack of mu, q and p (..., 3, K, 2, F) with q and p of every kind by themselves, along the axis of the three."""
        whole = np.moveaxis(stack, axis, 0)
        out = np.zeros((self.size, *whole.shape[1:]), dtype=np.complex128)
        out[0] = whole[0]
        port = [key.pump_port or 0 if key.pump_on else -1 for key in family.keys]
        for c, ports in enumerate(self.ports):
            mine = [k for k, p in enumerate(port) if p in ports]
            out[1 + 2 * c : 3 + 2 * c, ..., mine, :, :] = whole[1:, ..., mine, :, :]
        return np.moveaxis(out, 0, axis)

    def basis(self, error_rad: FloatArray) -> FloatArray:
        """1, sin e and cos e - 1 of errors (M, C), shape (M, 1 + 2 C)."""
        out = np.ones((len(error_rad), self.size))
        out[:, 1::2], out[:, 2::2] = np.sin(error_rad), -2 * np.sin(0.5 * error_rad) ** 2
        return out

    def basis_prior(self) -> tuple[FloatArray, FloatArray]:
        """Mean (2 C,) and precision (2 C, 2 C) of sin e and cos e - 1, to leading order in the variances."""
        s = self.covariance
        mean, covariance = np.zeros(2 * len(s)), np.zeros((2 * len(s), 2 * len(s)))
        mean[1::2] = -0.5 * np.diag(s)
        covariance[::2, ::2], covariance[1::2, 1::2] = s, 0.5 * s**2
        return mean, np.asarray(np.linalg.inv(covariance))

    # ------------------------------------------------------------ the integral

    def log_integral(self, gram: FloatArray) -> FloatArray:
        """Log-likelihood (B,) with the errors integrated over, for inner products (B, n, n)."""
        out = np.empty(len(gram))
        for rows, nodes in self._blocks(gram):
            values = nodes.log_density(gram[rows])
            top = values.max(axis=1, keepdims=True)
            values -= top
            out[rows] = top[:, 0] + np.log(np.exp(values, out=values).sum(axis=1))
        return out

    def errors(self, gram: FloatArray, rng: np.random.Generator) -> FloatArray:
        """Draws of the errors (B, C) given inner products (B, n, n)."""
        out = np.empty((len(gram), len(self.ports)))
        for rows, nodes in self._blocks(gram):
            values = nodes.log_density(gram[rows])
            values += rng.gumbel(size=values.shape)  # the largest is a draw from the weights
            out[rows] = nodes.error_rad[np.argmax(values, axis=1)]
        return out

    def most_probable(self, gram: FloatArray, like_rad: FloatArray) -> FloatArray:
        """The most probable errors (B, C) given inner products (B, n, n), of the signs of others (C,) where these have weight.

        A likelihood linearised in other numbers about errors of one sign says little of those of the other: whoever follows
        the most probable ones from point to point of linearisation stays on one hump.
        """
        out = np.empty((len(gram), len(self.ports)))
        for rows, nodes in self._blocks(gram):
            same = np.all((np.sign(nodes.error_rad) == np.sign(like_rad)) | (np.abs(like_rad) < NO_SIGN_RAD), axis=1)
            values = nodes.log_density(gram[rows])
            out[rows] = nodes.error_rad[np.argmax(np.where(same, values, -np.inf) if np.any(same) else values, axis=1)]
        return out

    def _blocks(self, gram: FloatArray) -> Iterator[tuple[slice, Nodes]]:
        """Blocks of rows with their nodes: of so few that their lattice is fine enough, and so many as are held at once."""
        left = [slice(0, len(gram))] if len(gram) else []
        while left:
            rows = left.pop()
            nodes, count = self.nodes(gram[rows]), rows.stop - rows.start
            if not nodes.fine and count > 1:
                middle = rows.start + count // 2
                left += [slice(middle, rows.stop), slice(rows.start, middle)]
                continue
            for part in _some_rows(count, len(nodes.log_prior)):
                yield slice(rows.start + part.start, rows.start + part.stop), nodes

    def of_parameters(self, parameters: ChipParameters, study: Study, isolator: int) -> FloatArray:
        """The errors (B, C) that chip parameters hold for an isolator, about the study's values."""
        own = port_errors(parameters, study) - nominal_array(study, PUMP_PORT_PHASE, 1)
        device = parameters[PUMP_PHASE][:, isolator]
        each = [device + (own[:, isolator, ports[0] - 1] if ports[0] else 0.0) for ports in self.ports]
        return np.stack(each, axis=1)

    def nodes(self, gram: FloatArray) -> Nodes:
        """Nodes of the integral for inner products (B, n, n): a lattice, refined where any of them has weight.

        Within a cell the log density rises above that of the nearest node by at most half its steepest curvature times the
        squared distance, which is counted when a cell is given up.
        """
        steep, count = np.abs(self._lower), len(self.ports)
        width = np.sqrt(np.max(np.diagonal(gram, axis1=1, axis2=2)[:, 1:], axis=0))  # of sin, cos, sin, ...
        step = np.full(count, FIRST_STEP)
        z, nodes = _first_level(self)
        while True:
            sine = np.minimum(np.abs(nodes.basis[:, 1::2]) + 0.5 * steep @ step, 1.0)
            slope = (width[::2] + sine * width[1::2]) @ steep  # (M, C): of the whitened residual with z, at most
            rise = 0.125 * (slope @ step) ** 2
            active = np.zeros(len(z), dtype=np.bool_)
            for rows in _some_rows(len(gram), len(z)):
                height = nodes.log_density(gram[rows])
                active |= np.any(height >= height.max(axis=1, keepdims=True) - (NEGLIGIBLE + rise), axis=0)
            rough = np.max(slope[active], axis=0) * step > FINE
            fine = not np.any(rough)
            if fine or 2 ** int(rough.sum()) * int(active.sum()) > MOST_NODES:
                return nodes.chosen(active, fine)
            halves = [0.25 * s * np.array([-1.0, 1.0]) if r else np.zeros(1) for s, r in zip(step, rough, strict=True)]
            step = np.where(rough, step / 2, step)
            z, nodes = self.level((z[active][:, None] + _products(halves)).reshape(-1, count), step)

    def level(self, z: FloatArray, step: FloatArray) -> tuple[FloatArray, Nodes]:
        """The lattice points (M, C) within reach of some, in coordinates of unit prior, and the nodes there for cells of that size."""
        distance = np.einsum("mc,mc->m", z, z)
        kept = distance <= REACH**2
        z = z[kept]
        error = z @ self._lower.T
        volume = float(np.sum(np.log(step))) - 0.5 * len(step) * np.log(2 * np.pi)
        return z, Nodes(error, self.basis(error), volume - 0.5 * distance[kept])

    @cached_property
    def _lower(self) -> FloatArray:
        """Errors are this (C, C) @ z."""
        return np.asarray(np.linalg.cholesky(self.covariance))

    def shares(self, error_rad: FloatArray, rng: np.random.Generator | None) -> tuple[FloatArray, FloatArray]:
        """Device's error (B,) and those of both ports (B, 2) that make up errors (B, C): draws, or their means without a generator."""
        count, device = len(error_rad), self.device_sd_rad**2
        pull = device * np.linalg.solve(self.covariance, np.ones(len(self.ports)))
        common = error_rad @ pull
        if rng is not None:
            common = common + np.sqrt(max(device * (1 - pull.sum()), 0.0)) * rng.standard_normal(count)
        own = np.zeros((count, 2))
        for c, ports in enumerate(self.ports):
            if self.port_sd_rad[c] > 0:
                own[:, ports[0] - 1] = error_rad[:, c] - common
        return common, own

    def draw(self, rng: np.random.Generator) -> tuple[float, FloatArray]:
        """A draw from the prior of the device's error and those of both ports (2,), about the study's values."""
        own = np.zeros(2)
        for ports, sd in zip(self.ports, self.port_sd_rad, strict=True):
            if sd > 0:
                own[ports[0] - 1] = sd * rng.standard_normal()
        return self.device_sd_rad * float(rng.standard_normal()), own


@dataclass(frozen=True)
class Nodes:
    """Nodes of the integral.

    Attributes
    ----------
    error_rad : ndarray (M, C)
    basis : ndarray (M, n)
        1, sin and cos - 1 of each.
    log_prior : ndarray (M,)
        Log of the prior density times the volume of a cell.
    fine : bool
        Whether the lattice is as fine as is wanted.
    """

    error_rad: FloatArray
    basis: FloatArray
    log_prior: FloatArray
    fine: bool = False

    def chosen(self, which: npt.NDArray[np.bool_], fine: bool) -> Nodes:
        """Some of them."""
        return Nodes(self.error_rad[which], self.basis[which], self.log_prior[which], fine)

    def log_likelihood(self, gram: FloatArray) -> FloatArray:
        """At every node, (B, M), for inner products (B, n, n)."""
        if len(gram) < FEW_ROWS:
            return np.asarray([-0.5 * np.einsum("ma,ma->m", self.basis @ one, self.basis) for one in gram])
        return np.asarray(gram.reshape(len(gram), -1) @ self._products)

    @cached_property
    def _products(self) -> FloatArray:
        """Minus half the products (n^2, M) of the basis with itself."""
        products = -0.5 * self.basis[:, :, None] * self.basis[:, None]
        return np.ascontiguousarray(products.reshape(len(self.basis), -1).T)

    def log_density(self, gram: FloatArray) -> FloatArray:
        """The same with `log_prior`."""
        out = self.log_likelihood(gram)
        out += self.log_prior
        return out


@lru_cache(maxsize=64)
def _first_level(phases: PumpPhases) -> tuple[FloatArray, Nodes]:
    """The lattice that the nodes of every integral begin with."""
    count, side = len(phases.ports), int(np.ceil(REACH / FIRST_STEP))
    line = FIRST_STEP * (np.arange(-side, side) + 0.5)
    return phases.level(_products([line] * count), np.full(count, FIRST_STEP))


def port_errors(parameters: ChipParameters, study: Study) -> FloatArray:
    """The pump ports' errors (B, I, 2) of chip parameters, the study's where they hold none: an array to be changed."""
    found = parameters.get(PUMP_PORT_PHASE)
    return nominal_array(study, PUMP_PORT_PHASE, parameters.batch) if found is None else np.array(found)


def _some_rows(count: int, width: int) -> Iterator[slice]:
    """Rows of a table of that width, so many at a time as are held at once."""
    step = max(1, MOST_VALUES // max(width, 1))
    return (slice(start, min(start + step, count)) for start in range(0, count, step))


def _products(axes: Sequence[npt.NDArray[np.floating]]) -> FloatArray:
    """Every combination (M, C) of the entries of C axes."""
    return np.asarray(np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(axes)))
