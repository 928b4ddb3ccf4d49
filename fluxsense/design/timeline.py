"""When a plan takes which sweeps, and the slow flux errors that groups of sweeps share because of it.

Noise of spectrum A^2/f has no time scale of its own: stretched in time, windows keep the covariance of their means but for
what is common to all (see `fluxsense.model.flicker`); neither has a random walk of a stated size from the campaign's beginning
to its end.  So the covariance is worked out once, for the plan as it stands, and kept where a schedule scales or shifts
numbers of sweeps.

A walk that the study says nothing of is in the answer with a size that the data are asked for; a plan takes the middle of that
size's prior (`fluxsense.model.priors.expected_walk_phi0`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from itertools import product

import numpy as np
import numpy.typing as npt

from fluxsense.model.flicker import wandering_covariance
from fluxsense.model.priors import expected_walk_phi0
from fluxsense.study import Study

FloatArray = npt.NDArray[np.float64]

Window = tuple[float, float, int]
"""Time of the first and of the last sweep of a group in s, and their number."""
HELD = 1e-10
"""Modes of the covariance weaker than this, relative to the strongest, are left out."""


def in_turns(groups: Sequence[tuple[str, str, int]], rounds: int) -> list[list[tuple[int, int]]]:
    """When sweeps are taken if the states of a cooldown are gone through so many times, each time with a part of the sweeps.

    Parameters
    ----------
    groups : sequence of (cooldown, state, count)
        In the order within a round; counts are numbers of sweeps.
    rounds : int

    Returns
    -------
    list of lists of (first, count)
        For each group its runs of sweeps: place of the first among all sweeps, from zero, and how many follow each other.
    """
    out: list[list[tuple[int, int]]] = [[] for _ in groups]
    place = 0
    for cooldown in dict.fromkeys(c for c, _, _ in groups):
        states = dict.fromkeys(s for c, s, _ in groups if c == cooldown)
        for turn, state in product(range(rounds), states):
            for n, (c, s, count) in enumerate(groups):
                taken = count * (turn + 1) // rounds - count * turn // rounds
                if (c, s) == (cooldown, state) and taken:
                    out[n].append((place, taken))
                    place += taken
    return out


def windows(
    study: Study,
    benches: Sequence[tuple[int, tuple[float, ...], tuple[int, ...]]],
    blocks: Sequence[tuple[int, tuple[int, ...], int]],
    sweeps: Sequence[Sequence[float]],
) -> dict[tuple[int, int], tuple[Window, ...]]:
    """When each probe of each block is swept, in the order that `fluxsense simulate` takes a campaign in.

    Parameters
    ----------
    study : Study
    benches : sequence of (isolator, bias currents, positions of settings)
    blocks : sequence of (bench, states, cooldown)
    sweeps : sequence of sequence of float
        Numbers of sweeps of each block's probes, state by state, the pump-off ones last in each; fewer than one count as one.

    Returns
    -------
    dict
        By position of the block and of the probe.
    """
    bench_of = {(i, bias): b for b, (i, bias, _) in enumerate(benches)}
    block_of = {(b, s, c): (n, k) for n, (b, own, c) in enumerate(blocks) for k, s in enumerate(own)}
    order = [(s, c) for c in dict.fromkeys(c for _, _, c in blocks) for _, own, of in blocks if of == c for s in own]
    groups: dict[tuple[int, int], tuple[str, str, int]] = {}
    for state, cooldown in dict.fromkeys(order):
        for k, setting in enumerate(study.settings):
            for i, isolator in enumerate(study.isolators):
                if isolator.name not in setting.isolators:
                    continue
                b = bench_of[i, setting.bias_a]
                n, place = block_of[b, state, cooldown]
                settings = benches[b][2]
                first = place * (len(settings) + 1)
                for probe in (first + len(settings), first + settings.index(k)):  # pump off first, once per bias
                    count = max(round(sweeps[n][probe]), 1)
                    groups.setdefault((n, probe), (str(cooldown), str(state), count))
    step = study.plan.seconds_per_sweep
    runs = in_turns(list(groups.values()), study.plan.rounds)
    return {
        key: tuple(((first + 1) * step, (first + count) * step, count) for first, count in own)
        for key, own in zip(groups, runs, strict=True)
    }


def slow_roots(
    study: Study,
    benches: Sequence[tuple[int, tuple[float, ...], tuple[int, ...]]],
    blocks: Sequence[tuple[int, tuple[int, ...], int]],
    sweeps: Sequence[Sequence[float]],
) -> tuple[FloatArray, ...] | None:
    """Flux errors of each block's probes per unit of independent standard normal amplitudes; None without slow noise.

    Parameters
    ----------
    study, benches, blocks, sweeps
        As for `windows`.

    Returns
    -------
    tuple of ndarray (P, R)
        In Phi0, for either loop (which have amplitudes of their own).  Blocks of one isolator share their R amplitudes.
    """
    sizes = study.noise.flux_slow_phi0, expected_walk_phi0(study)
    if not any(sizes):
        return None
    when = windows(study, benches, blocks, sweeps)
    roots: dict[tuple[int, int], FloatArray] = {}
    for isolator in {i for i, _, _ in benches}:
        groups = [key for key in when if benches[blocks[key[0]][0]][0] == isolator]
        root = _root(tuple(when[g] for g in groups), *sizes)
        roots |= {g: root[n] for n, g in enumerate(groups)}
    return tuple(
        np.array([roots[n, probe] for probe in range(len(states) * (len(benches[b][2]) + 1))])
        for n, (b, states, _) in enumerate(blocks)
    )


@lru_cache(maxsize=256)
def _root(each: tuple[tuple[Window, ...], ...], flicker_phi0: float, walk_phi0: float) -> FloatArray:
    """Root (G, R) of the covariance of group means; a search asks for the same again and again."""
    values, vectors = np.linalg.eigh(wandering_covariance(each, flicker_phi0, walk_phi0))
    held = values > HELD * values[-1]
    root = np.asarray(vectors[:, held] * np.sqrt(values[held]))
    root.setflags(write=False)
    return root


def spread_over_probes(slopes: npt.NDArray[np.complex128], states: int) -> npt.NDArray[np.complex128]:
    """Slopes (R, n, P, 2, F), the two fluxes of each state first, and after all those with the flux of one probe alone.

    Returns
    -------
    ndarray (R, n + 2 P, P, 2, F) of complex
        Loop by loop, probe by probe.
    """
    rows, count, probes = slopes.shape[:3]
    out = np.zeros((rows, count + 2 * probes, *slopes.shape[2:]), dtype=np.complex128)
    out[:, :count] = slopes
    for loop in range(2):
        for k in range(probes):
            out[:, count + loop * probes + k, k] = slopes[:, 2 * (k // (probes // states)) + loop, k]
    return out


def with_amplitudes(jacobian: FloatArray, root: FloatArray) -> FloatArray:
    """Jacobian (..., n, D) of local quantities, grown by rows for the flux of each probe and columns for amplitudes.

    Parameters
    ----------
    jacobian : ndarray (..., n, D)
    root : ndarray (P, R)

    Returns
    -------
    ndarray (..., n + 2 P, D + 2 R)
        For the slopes of `spread_over_probes`.
    """
    probes, modes = root.shape
    n, size = jacobian.shape[-2:]
    out = np.zeros((*jacobian.shape[:-2], n + 2 * probes, size + 2 * modes))
    out[..., :n, :size] = jacobian
    for loop in range(2):
        out[..., n + loop * probes : n + (loop + 1) * probes, size + loop * modes : size + (loop + 1) * modes] = root
    return out


def without_amplitudes(total: FloatArray, size: int) -> tuple[FloatArray, FloatArray]:
    """Information with standard normal amplitudes marginalised.

    Parameters
    ----------
    total : ndarray (B, D + A, D + A)
        Of the data alone.
    size : int
        D.

    Returns
    -------
    information : ndarray (B, D, D)
    weights : ndarray (B, D + A, D)
        The amplitudes' best values go along: a small change of the total changes the information by
        weights^T change weights.
    """
    inner = total[:, size:, size:] + np.eye(total.shape[1] - size)
    follow = np.linalg.solve(inner, total[:, size:, :size])
    information = total[:, :size, :size] - total[:, :size, size:] @ follow
    weights = np.concatenate([np.broadcast_to(np.eye(size), (total.shape[0], size, size)), -follow], axis=1)
    return 0.5 * (information + information.transpose(0, 2, 1)), weights


def gathered(
    parts: Sequence[tuple[int, FloatArray, FloatArray]], slow: bool, size: int
) -> tuple[FloatArray, Mapping[int, FloatArray]]:
    """Information about D unknowns from all blocks, each isolator's slow flux noise marginalised.

    Parameters
    ----------
    parts : sequence of (isolator, ndarray (B, m, m), ndarray (B, m, D + A))
        Information of each block about its local quantities, and their jacobian.
    slow : bool
        Whether there are amplitudes at all.
    size : int
        D.

    Returns
    -------
    information : ndarray (B, D, D)
    weights : mapping of int to ndarray (B, D + A, D)
        By isolator; empty without slow noise.
    """
    totals: dict[int, FloatArray] = {}
    for isolator, inner, jacobian in parts:
        one = jacobian.transpose(0, 2, 1) @ inner @ jacobian
        which = isolator if slow else 0
        totals[which] = totals[which] + one if which in totals else one
    if not slow:
        return totals[0], {}
    reduced = {isolator: without_amplitudes(total, size) for isolator, total in totals.items()}
    return np.asarray(sum(v[0] for v in reduced.values())), {i: v[1] for i, v in reduced.items()}
