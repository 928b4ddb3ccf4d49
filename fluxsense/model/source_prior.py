"""Priors of the source vector: one class for each kind of prior of its direction, in `DIRECTION_PRIORS`.

Priors on the source vector w = x[:3] (in units of the stated size):

scale   each component normal with variance 1/3, so that the root mean square size is the stated one;
known   direction uniform, size normal about 1 with the stated relative width, cut at 0;
fixed   direction uniform, size exactly 1: only the direction of w is used; its length is an idle coordinate with a
        narrow prior about 1 that keeps w away from the origin.

A cap about an axis, or the neighbourhood of a plane, cuts the sphere; the density inside is raised by the ratio of solid angles.
A list of candidates makes the direction of w stand for the candidate nearest to it, and the length of w less `LIST_SHIFT`
for the size.  The two coordinates across are then idle; they have a narrow von Mises-Fisher prior about each candidate, of
equal weight, so that Cartesian moves and jumps work and the likelihood knows candidates only.  The shift keeps the
candidates apart where the size is small.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from fluxsense.base.sphere import equal_area_points
from fluxsense.study import DirectionPrior

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

LOG_2PI = float(np.log(2 * np.pi))
IDLE_RELATIVE_SD = 0.15
LIST_SHIFT = 3.0


@dataclass(frozen=True)
class SourcePrior:
    """Prior of the scaled source vector w (see the module's text), here with a direction anywhere on the sphere.

    Attributes
    ----------
    size_prior : str
        'scale', 'known' or 'fixed'.
    relative_sd : float
        Relative width of a known size.
    direction : DirectionPrior
    """

    size_prior: str
    relative_sd: float
    direction: DirectionPrior

    @property
    def candidates(self) -> FloatArray | None:
        """Unit vectors (K, 3) of a list of candidate directions; None for a continuous prior."""
        return None

    @property
    def radial_sd(self) -> float:
        """Width of the normal prior of the length of w about 1 (known and fixed sizes)."""
        return IDLE_RELATIVE_SD if self.size_prior == "fixed" else self.relative_sd

    @property
    def _axis(self) -> FloatArray:
        return np.array(self.direction.axis)

    def nearest_candidate(self, w: FloatArray) -> npt.NDArray[np.intp]:
        """Number of the candidate of a list that each w (B, 3) stands for."""
        return np.asarray(np.argmax(w @ np.array(self.direction.candidates).T, axis=1))

    def spread_directions(self, count: int) -> FloatArray:
        """Directions (about count, 3) from which a search begins: all over the sphere, or the candidates."""
        return equal_area_points(count)

    def embed(self, directions: FloatArray, size: float) -> FloatArray:
        """Vectors w (B, 3) that stand for directions (B, 3) and one size in units of the stated one."""
        return np.asarray(directions * size)

    def vector(self, w: FloatArray) -> FloatArray:
        """Source vectors in units of the stated size, shape (B, 3)."""
        if self.size_prior != "fixed":
            return w
        length = np.sqrt(np.sum(w * w, axis=1, keepdims=True))
        return np.asarray(w / np.where(length > 0, length, 1.0))

    def inside(self, w: FloatArray) -> BoolArray:
        """Whether the direction of w lies in the prior's region, shape (B,)."""
        return np.ones(w.shape[0], dtype=bool)

    def at_edge(self, w: FloatArray) -> BoolArray | None:
        """Whether the direction of w (B, 3) lies within a twentieth of the half-angle of the region's edge; None without one."""
        return None

    def solid_angle_sr(self) -> float:
        """Solid angle of the prior's region."""
        return float(4 * np.pi)

    def curvature(self, w: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Gradient (3,) of the log density at one w (3,), and a positive matrix (3, 3) near its negative Hessian."""
        if self.size_prior == "scale":
            return -3 * w, 3 * np.eye(3)
        r = max(float(np.sqrt(w @ w)), 1e-3)
        unit = w / r
        slope = -(r - 1) / self.radial_sd**2 - 2 / r
        outer = np.outer(unit, unit)
        return slope * unit, outer / self.radial_sd**2 + (np.eye(3) - outer) * max(-slope / r, 0.1)

    def log_density(self, w: FloatArray) -> FloatArray:
        """Log density of w (B, 3) with respect to volume, normalised; -inf outside the region."""
        r2 = np.sum(w * w, axis=1)
        if self.size_prior == "scale":
            return np.asarray(-1.5 * r2 - 1.5 * np.log(2 * np.pi / 3))
        with np.errstate(divide="ignore"):
            volume = np.log(4 * np.pi * r2)
        return np.asarray(np.where(r2 > 0, self._log_length(np.sqrt(r2)) - volume, -np.inf))

    def _log_length(self, r: FloatArray) -> FloatArray:
        """Log density of a known or fixed size: normal about 1, cut at 0."""
        sd = self.radial_sd
        return np.asarray(-0.5 * ((r - 1) / sd) ** 2 - 0.5 * LOG_2PI - np.log(sd * ndtr(1 / sd)))

    def draw(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Draws of w, shape (count, 3)."""
        direction = self._draw_direction(rng, count)
        if self.size_prior == "scale":
            radius = np.sqrt(np.sum(rng.standard_normal((count, 3)) ** 2, axis=1) / 3)
        else:
            radius = 1 + self.radial_sd * rng.standard_normal(count)
            while np.any(radius <= 0):
                bad = radius <= 0
                radius[bad] = 1 + self.radial_sd * rng.standard_normal(int(bad.sum()))
        return self._of_polar(direction, radius)

    def _of_polar(self, direction: FloatArray, radius: FloatArray) -> FloatArray:
        return np.asarray(direction * radius[:, None])

    def _draw_direction(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Uniform directions in the prior's region, by Archimedes' hat-box theorem about its axis."""
        return _about(np.tile(self._axis, (count, 1)), self._below(rng, count), rng)

    def _below(self, rng: np.random.Generator, count: int) -> FloatArray:
        """1 - cosine of angles to the axis."""
        return 2 * rng.uniform(0, 1, count)


class CapPrior(SourcePrior):
    """A direction within an angle of an axis."""

    def inside(self, w: FloatArray) -> BoolArray:
        return np.asarray(self._angle(w) <= self.direction.half_angle_rad)

    def _angle(self, w: FloatArray) -> FloatArray:
        """Angle to the axis, from sine and cosine together, which keeps its digits in narrow regions."""
        across = np.cross(self._axis, w)
        return np.asarray(np.arctan2(np.sqrt(np.sum(across * across, axis=1)), w @ self._axis))

    def at_edge(self, w: FloatArray) -> BoolArray | None:
        inner = replace(self.direction, half_angle_rad=0.95 * self.direction.half_angle_rad)
        return ~replace(self, direction=inner).inside(w)

    def solid_angle_sr(self) -> float:
        return float(4 * np.pi * np.sin(self.direction.half_angle_rad / 2) ** 2)

    def log_density(self, w: FloatArray) -> FloatArray:
        ratio = np.log(4 * np.pi / self.solid_angle_sr())
        return np.asarray(np.where(self.inside(w), super().log_density(w) + ratio, -np.inf))

    def _below(self, rng: np.random.Generator, count: int) -> FloatArray:
        # keeps its digits in a narrow cap
        return np.asarray(2 * np.sin(self.direction.half_angle_rad / 2) ** 2 * rng.uniform(0, 1, count))


class PlanePrior(CapPrior):
    """A direction within an angle of the plane across an axis."""

    @property
    def _edge(self) -> float:
        return float(np.sin(min(self.direction.half_angle_rad, np.pi / 2)))

    def inside(self, w: FloatArray) -> BoolArray:
        return np.asarray(np.abs(self._angle(w) - np.pi / 2) <= self.direction.half_angle_rad)

    def solid_angle_sr(self) -> float:
        return 4 * np.pi * self._edge

    def _below(self, rng: np.random.Generator, count: int) -> FloatArray:
        return 1 - rng.uniform(-self._edge, self._edge, count)


class ListPrior(SourcePrior):
    """One of a few candidate directions."""

    @cached_property
    def candidates(self) -> FloatArray:
        return np.array(self.direction.candidates)

    @cached_property
    def concentration(self) -> float:
        """Concentration of the idle von Mises-Fisher densities: eight standard deviations to the nearest border."""
        c = self.candidates
        gap = np.array([[np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b) for b in c] for a in c])
        nearest = float(np.min(gap[~np.eye(len(c), dtype=bool)]))
        return float((8 / min(nearest / 2, 1.0)) ** 2)

    def spread_directions(self, count: int) -> FloatArray:
        return self.candidates

    def embed(self, directions: FloatArray, size: float) -> FloatArray:
        return np.asarray(directions * (size + LIST_SHIFT))

    def vector(self, w: FloatArray) -> FloatArray:
        candidate = self.candidates[self.nearest_candidate(w)]
        if self.size_prior == "fixed":
            return np.asarray(candidate)
        return np.asarray(candidate * np.maximum(np.sqrt(np.sum(w * w, axis=1, keepdims=True)) - LIST_SHIFT, 0.0))

    def curvature(self, w: FloatArray) -> tuple[FloatArray, FloatArray]:
        length = max(float(np.sqrt(w @ w)), 1e-3)
        r = max(length - LIST_SHIFT, 1e-3)
        unit = w / length
        centre = self.candidates[self.nearest_candidate(w[None])[0]]
        across = np.eye(3) - np.outer(unit, unit)
        if self.size_prior == "scale":
            slope, bend = 2 / r - 3 * r, 3.0 + 2 / r**2
        else:
            slope, bend = -(r - 1) / self.radial_sd**2, 1 / self.radial_sd**2
        kappa = self.concentration
        gradient = (slope - 2 / length) * unit + kappa / length * (across @ centre)
        return gradient, bend * np.outer(unit, unit) + kappa / length**2 * across

    def log_density(self, w: FloatArray) -> FloatArray:
        length = np.sqrt(np.sum(w * w, axis=1))
        r = length - LIST_SHIFT
        alive = r > 0
        safe, long = np.where(alive, r, 1.0), np.where(alive, length, 1.0)
        if self.size_prior == "scale":  # Maxwell's law with a mean square of one
            log_p = -1.5 * safe**2 + 2 * np.log(safe) + np.log(4 * np.pi) - 1.5 * np.log(2 * np.pi / 3)
        else:
            log_p = self._log_length(safe)
        centre = self.candidates[self.nearest_candidate(w)]
        kappa = self.concentration
        deficit = 0.5 * np.sum((w / long[:, None] - centre) ** 2, axis=1)  # 1 - cosine, with its digits
        across = np.log(kappa / (2 * np.pi) / -np.expm1(-2 * kappa) / len(self.candidates)) - kappa * deficit
        return np.asarray(np.where(alive, log_p + across - 2 * np.log(long), -np.inf))

    def _of_polar(self, direction: FloatArray, radius: FloatArray) -> FloatArray:
        return np.asarray(direction * (radius + LIST_SHIFT)[:, None])

    def _draw_direction(self, rng: np.random.Generator, count: int) -> FloatArray:
        chosen = rng.integers(len(self.candidates), size=count)
        tight = -np.log1p(-rng.uniform(0, 1, count)) / self.concentration  # 1 - cosine of a narrow law
        return _about(self.candidates[chosen], np.minimum(tight, 2.0), rng)


DIRECTION_PRIORS: Final[Mapping[str, type[SourcePrior]]] = {
    "sphere": SourcePrior,
    "cap": CapPrior,
    "plane": PlanePrior,
    "list": ListPrior,
}
"""By the kind of a study's `DirectionPrior`."""


def source_prior(size_prior: str, relative_sd: float, direction: DirectionPrior) -> SourcePrior:
    """The prior that a study states; arguments as the attributes of `SourcePrior`."""
    return DIRECTION_PRIORS[direction.kind](size_prior, relative_sd, direction)


def _about(axis: FloatArray, below: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Directions about axes (B, 3) at angles of cosine 1 - below (B,), turned at random."""
    cosine = 1 - below
    helper = np.eye(3)[np.argmin(np.abs(axis), axis=1)]
    e1 = np.cross(axis, helper)
    e1 /= np.linalg.norm(e1, axis=1, keepdims=True)
    e2 = np.cross(axis, e1)
    angle = rng.uniform(0, 2 * np.pi, len(axis))[:, None]
    sine = np.sqrt(below * (2 - below))[:, None]
    return np.asarray(cosine[:, None] * axis + sine * (np.cos(angle) * e1 + np.sin(angle) * e2))
