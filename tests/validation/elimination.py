"""Elimination against sampling everything: the direction of a campaign with every number among the unknowns.

    python tests/validation/elimination.py ROWS.jsonl --campaigns 5
    python tests/validation/elimination.py ROWS.jsonl --table

A script, not a test: some ten minutes of one core a campaign.  Campaigns are those of `laboratory.py` (ordinary set-up, focusing
factors off too).  At the mode that `orient` finds, with the noise that it learned and on the few frequencies of its search,
two posteriors of the direction are drawn: that with hundreds of numbers eliminated linearly, by `sample_posterior` as `orient`
does; and that of the exact model with all of them explicit, pump phase errors and tamed parameters too, by Hamiltonian steps
(R. M. Neal, Handbook of Markov Chain Monte Carlo, chapter 5, arXiv:1206.1901, from memory) in coordinates in which the linear
posterior is standard normal, the chain's own Metropolis step making it exact.  Each campaign adds one line: means in the plane
that touches the sphere, in posterior deviations; ratios of spreads; the chain's effective samples; what `orient` says of
linearity.  Wanted: means within 0.1 deviations, spreads within 5%.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np  # noqa: E402
from laboratory import CHIPS, FloatArray, measure, read_rows  # noqa: E402

from fluxsense import load_screened, read_study  # noqa: E402
from fluxsense.base.errors import ModelError  # noqa: E402
from fluxsense.base.streams import stream  # noqa: E402
from fluxsense.device.chip import ChipParameters  # noqa: E402
from fluxsense.infer.assumptions import linearity_check  # noqa: E402
from fluxsense.infer.diagnostics import ess_bulk  # noqa: E402
from fluxsense.infer.modes import ascend  # noqa: E402
from fluxsense.infer.orient import prepare, sample_posterior  # noqa: E402
from fluxsense.model.family import reals  # noqa: E402
from fluxsense.model.likelihood import every_few  # noqa: E402
from fluxsense.model.linearised import Linearised  # noqa: E402
from fluxsense.model.parameter import Parameter  # noqa: E402
from fluxsense.model.problem import CampaignProblem  # noqa: E402
from fluxsense.model.slopes import scattering_slopes  # noqa: E402

STEP = 1e-3
LEAPS, LEAP = 12, 0.13
TOO_FAR = 1000.0
"""Fall of the log posterior from which a path of steps is given up."""
KEPT, BURNT, CHAINS = 600, 60, 2


class Everything:
    """Log posterior of all numbers z (N,), the exact model's, and its gradient.

    z holds the unknowns of a problem and then each isolator's eliminated parameters, in prior deviations.
    """

    def __init__(self, problem: CampaignProblem) -> None:
        self.unknowns, self.eliminating = problem.unknowns, problem.likelihood
        self.order = [i for i, own in self.eliminating.eliminated.items() if own]
        groups = {p.group for own in self.eliminating.eliminated.values() for p in own}
        self.noise = self.eliminating.rebuilt(known=groups)  # nothing eliminated, all noise along the same directions
        self.size = self.unknowns.size + sum(len(self.eliminating.eliminated[i]) for i in self.order)

    def apart(self, z: FloatArray) -> tuple[FloatArray, dict[int, FloatArray]]:
        """Unknowns (D,), and eliminated parameters by isolator."""
        x, rest = z[: self.unknowns.size], z[self.unknowns.size :]
        values = {}
        for i in self.order:
            count = len(self.eliminating.eliminated[i])
            values[i], rest = rest[:count], rest[count:]
        return x, values

    def parameters(self, z: FloatArray) -> ChipParameters:
        x, values = self.apart(z)
        return self.eliminating.moved_to(self.unknowns.parameters(x[None]), values)

    def shifted(self, z: FloatArray, columns: list[int], owner: dict[int, Parameter]) -> ChipParameters:
        """Parameters (2 M) with each of M numbers a step up and a step down."""
        x, values = self.apart(z)
        xs = np.repeat(x[None], 2 * len(columns), axis=0)
        for n, c in enumerate(columns):
            if c < len(x):
                xs[2 * n, c] += STEP
                xs[2 * n + 1, c] -= STEP
        at = self.eliminating.moved_to(self.unknowns.parameters(xs), values)
        arrays = {name: np.array(at[name]) for name in at}
        for n, c in enumerate(columns):
            if c >= len(x):
                own = owner[c].of(arrays[owner[c].array])
                own[2 * n : 2 * n + 2] = owner[c].value(z[c] + STEP * np.array([1.0, -1.0]))
        return ChipParameters(arrays)

    def __call__(self, z: FloatArray) -> tuple[float, FloatArray]:
        x, values = self.apart(z)
        at = self.parameters(z)
        prior_gradient = self.unknowns.prior_curvature(x)[0]
        value = float(self.unknowns.log_prior(x[None])[0])
        gradient = np.concatenate([prior_gradient, *(-values[i] for i in self.order)])
        value -= 0.5 * sum(float(values[i] @ values[i]) for i in self.order)
        owners: list[tuple[int, Parameter, float]] = []  # column, parameter, its value's change per unit of z
        for n, p in enumerate(self.unknowns.nuisances):
            owners.append((self.unknowns.lead + n, p, _rate(p, x[self.unknowns.lead + n])))
        first = self.unknowns.size
        for i in self.order:
            for n, p in enumerate(self.eliminating.eliminated[i]):
                owners.append((first + n, p, _rate(p, values[i][n])))
            first += len(self.eliminating.eliminated[i])
        movers = [*range(self.unknowns.lead), *(c for c, p, _ in owners if p.moves_flux or p.of_source)]
        shifted = self.shifted(z, movers, {c: p for c, p, _ in owners})
        residuals, slopes, families = [], [], []
        for i, model, own in self.noise.parts:
            flux = model.probe_flux(at, i)
            direct = [(c, p, rate) for c, p, rate in owners if p.home == i and c not in movers]
            s, by = scattering_slopes(model, at, i, flux, [p for _, p, _ in direct], one_sided=True)
            every = np.zeros((self.size, *s.shape[1:]), dtype=np.complex128)
            for (c, _, rate), slope in zip(direct, by[0, 2:], strict=True):
                every[c] = rate * slope
            moved = model.probe_flux(shifted, i).reshape(len(movers), 2, -1, 2)
            changes = (moved[:, 0] - moved[:, 1]) / (2 * STEP)  # (M, P, 2)
            every[movers] = np.einsum("mpk,kpaf->mpaf", changes, by[0, :2])
            for family in own:
                rows, divisor = list(family.rows), family.divisor_row
                ratio = s[0, rows] / s[0, divisor]
                slopes.append(every[:, rows] / s[0, divisor] - ratio * (every[:, divisor] / s[0, divisor])[:, None])
                residuals.append((family.ratio - ratio)[None])
                families.append(family)
        weighed = self.noise.inverse(residuals)
        for residual, w, slope in zip(residuals, weighed, slopes, strict=True):
            value -= 0.5 * float(reals(residual)[0] @ w[0])
            gradient = gradient + reals(slope) @ w[0]
        return value, gradient


def _rate(p: Parameter, z: float) -> float:
    up, down = p.value(np.array([z + STEP, z - STEP]))
    return float((up - down) / (2 * STEP))


def linear_posterior(everything: Everything, at: Linearised) -> tuple[FloatArray, FloatArray]:
    """Mean (N,) and a root (N, N) of the covariance of all numbers in the linear model."""
    x_root = np.linalg.cholesky(at.covariance)
    mean, lead = [at.x], at.x.size
    root = np.zeros((everything.size, everything.size))
    root[:lead, :lead] = x_root
    first = lead
    for i in everything.order:
        centre, _, pull = at.eliminated(i)
        count = len(centre)
        rows = slice(first, first + count)
        root[rows, :lead] = -pull @ x_root
        own = everything.eliminating.eliminated_covariance(i)
        root[rows, rows] = np.linalg.cholesky(own + 1e-12 * np.eye(count))
        mean.append(centre)
        first += count
    return np.concatenate(mean), root


def hamiltonian(
    everything: Everything, mean: FloatArray, root: FloatArray, rng: np.random.Generator, kept: int
) -> tuple[FloatArray, float, float]:
    """Draws (kept, N) of the exact posterior, the rate of acceptance, and the size of the steps."""
    u = np.zeros(everything.size)

    def at(u: FloatArray) -> tuple[float, FloatArray]:
        try:
            value, gradient = everything(mean + root @ u)
        except ModelError:
            return -np.inf, np.zeros_like(u)
        return value, root.T @ gradient

    value, gradient = at(u)
    draws, taken, leap = np.empty((kept, everything.size)), 0, LEAP
    for n in range(-BURNT, kept):
        p = rng.standard_normal(u.size)
        step = leap * rng.uniform(0.7, 1.3)
        there, slope, energy = u, gradient, value - 0.5 * float(p @ p)
        half = p + 0.5 * step * slope
        for k in range(LEAPS):
            there = there + step * half
            reached, slope = at(there)
            if reached < energy - TOO_FAR:
                break
            half = half + (step if k < LEAPS - 1 else 0.5 * step) * slope
        accepted = np.log(rng.random()) < reached - 0.5 * float(half @ half) - energy
        if accepted:
            u, value, gradient = there, reached, slope
        if n < 0:  # the step is found while nothing is kept
            leap *= 1.08 if accepted else 0.8
        else:
            taken += accepted
            draws[n] = mean + root @ u
    return draws, taken / kept, leap


def plane(vectors: FloatArray, centre: FloatArray) -> FloatArray:
    """Source vectors (N, 3) as directions in the plane that touches the sphere at a centre, (N, 2)."""
    unit = vectors / np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(unit @ np.linalg.svd(centre[None])[2][1:].T)


def row_of(chip: str, seed: int, kept: int) -> dict[str, Any]:
    """Both posteriors of one campaign."""
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path, _ = measure(chip, "ordinary, focusing", "usual", seed, 1.0, Path(folder))
        study = read_study(path)
        digest, _ = load_screened(study)
    problem, modes, _ = prepare(study, digest, rng=stream(seed, "search"))
    thin = CampaignProblem(problem.unknowns, problem.likelihood.on_points(every_few))
    mode = ascend(thin, modes[0].x)
    assert mode is not None
    short = sample_posterior(thin, seed, modes=[mode], wanted_ess=4000)
    linear = linearity_check(thin, short.thinned())
    explicit, x = thin.explicit(mode.x)
    everything = Everything(explicit)
    mean, root = linear_posterior(everything, Linearised.of(explicit, x))
    chains = [hamiltonian(everything, mean, root, stream(seed, "elimination", n), kept) for n in range(CHAINS)]
    vectors = np.array([explicit.unknowns.source(z[:, : explicit.unknowns.size]) for z, _, _ in chains])  # (C, N, 3)
    centre = short.directions.mean(axis=0)
    flat, exact = plane(short.directions, centre), np.array([plane(v, centre) for v in vectors])
    effective = [ess_bulk(exact[..., k]) for k in range(2)]
    whole = exact.reshape(-1, 2)
    spread = np.linalg.cholesky(np.cov(flat.T))
    shift = np.linalg.solve(spread, whole.mean(axis=0) - flat.mean(axis=0))
    inside = np.linalg.inv(spread) @ np.cov(whole.T) @ np.linalg.inv(spread).T
    return {
        "chip": chip, "seed": seed, "numbers": everything.size, "shift_sd": shift.tolist(),
        "spreads": np.sqrt(np.linalg.eigvalsh(inside)).tolist(), "effective": effective,
        "leaps": [leap for _, _, leap in chains], "accepted": [a for _, a, _ in chains], "linearity": [linear.gain_sd, linear.shift_sd, linear.shift_error],
        "seconds": round(time.perf_counter() - began),
    }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("rows", type=Path)
    parser.add_argument("--campaigns", type=int, default=5)
    parser.add_argument("--first-seed", type=int, default=320)
    parser.add_argument("--kept", type=int, default=KEPT)
    parser.add_argument("--table", action="store_true")
    options = parser.parse_args()
    rows = read_rows(options.rows)
    done = {r["seed"] for r in rows}
    for seed in range(options.first_seed, options.first_seed + options.campaigns):
        if seed not in done and not options.table:
            row = row_of(list(CHIPS)[seed % len(CHIPS)], seed, options.kept)
            rows.append(row)
            with options.rows.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
    for r in rows:
        print(
            f"{r['chip']} {r['seed']}: {r['numbers']} numbers; mean moves by {np.hypot(*r['shift_sd']):.3f} deviations "
            f"(its own error {1 / np.sqrt(min(r['effective'])):.3f}), spreads times {r['spreads'][0]:.3f} and {r['spreads'][1]:.3f} "
            f"(+- {1 / np.sqrt(2 * min(r['effective'])):.3f}); accepted {min(r['accepted']):.2f}; linearity says {r['linearity'][1]:.3f}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
