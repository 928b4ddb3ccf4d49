"""Learning what no study can state: how large the remainder is, and how far flux and gain wander.

Each size has a half-normal prior whose scale is said in per cent or in flux quanta.  The data are asked by their evidence
with every unknown integrated over (`Linearised.log_evidence`): where a drift could pass for a source the data say nothing of
its size, and the answer is as wide as the prior makes it; a size at which the unknowns are held would be learned as zero
there.  What is used is the root of the posterior mean of the square, since variances add.

A walk of the flux shows itself within each group of sweeps too, in its blocks of time, whether or not groups with the source
and without are interleaved (`fluxsense.model.drift`): where those say that there is one, the answer is as wide as they say.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from fluxsense.base.findings import Finding
from fluxsense.data.digest import GroupKey
from fluxsense.data.noise_levels import PATHS
from fluxsense.device.chip import ChipModel
from fluxsense.model.drift import Confounding, Covariance, Series, confounding, drift_series, slow_drift
from fluxsense.model.flicker import group_covariance, span_s, walk_covariance
from fluxsense.model.likelihood import RatioLikelihood, probe_of
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.remainder import Sizes
from fluxsense.model.slopes import scattering_slopes
from fluxsense.model.within_sweep import wander

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

GRID: Final = (0.05, 0.15, 0.35, 0.7, 1.2, 2.0)
"""In units of the prior's scale."""
ROUNDS: Final = 2
FEWEST_BLOCKS: Final = 8
CONTRASTS: Final = {"in": 1.0, "turned": -1.0}
"""How much of the source the sweeps of a kind of state see, for the order of sweeps; none of it in all others."""
MOST_OF_A_BLOCK: Final = 8
"""Sweeps as which a block of time counts at most in their order."""
CLEAR_LOG_RATIO: Final = 5.0
"""Log of the likelihood of all blocks with a walk over that without from which there is one."""
ORDER: Final = ("common", "flux_walk_phi0", "flux_noise_phi0", "gain_walk", "own")


def learned_sizes(problem: CampaignProblem, x: FloatArray, scales: Sizes) -> Sizes:
    """Sizes from the data about a mode x (D,).

    Parameters
    ----------
    problem : CampaignProblem
        On few frequencies: the remainder and the walks are smooth.
    x : ndarray (D,)
    scales : Sizes
        Of the half-normal priors; a size of zero stays zero, and what repeats show (`within`) stays as it is.

    Returns
    -------
    Sizes
    """
    wanted = [name for name in ORDER if getattr(scales, name) > 0]
    if not wanted:
        return scales
    explicit, wide = problem.explicit(x)
    at = Linearised.of(explicit, wide)
    sizes = scales.changed({name: 0.3 * getattr(scales, name) for name in wanted})
    for _ in range(ROUNDS):
        for name in wanted:
            scale = float(getattr(scales, name))
            values = scale * np.array(GRID)
            at = _under(at, sizes)
            logs = np.array([_under(at, sizes.changed({name: float(v)})).log_evidence for v in values])
            logs -= 0.5 * (values / scale) ** 2
            weight = np.exp(logs - logs.max()) * np.gradient(values)
            sizes = sizes.changed({name: float(np.sqrt(weight @ values**2 / weight.sum()))})
    return sizes


def drift_from_blocks(likelihood: RatioLikelihood) -> tuple[float, float]:
    """Random walk and flicker noise of the flux as the blocks of time within the groups show them; of the two, what fits better.

    Parameters
    ----------
    likelihood : RatioLikelihood
        With a reference point: the flux is read off along the model's slopes there.

    Returns
    -------
    walk_phi0 : float
        Deviation of the walk over the campaign; 0 if there is none.
    flicker_phi0 : float
        Amplitude as the study's `flux_slow_phi0`; 0 if there is none.

    Notes
    -----
    Amplitudes of all loops together, by the weight of what each tells; their errors are added in squares.
    """
    if likelihood.reference is None:
        return 0.0, 0.0
    read = [
        series
        for i in likelihood.measured
        for series in drift_series(
            likelihood.digest, likelihood.study.isolators[i].name, likelihood.noise.white, _flux_slopes(likelihood, i)
        )[4:]
        if len(series.value) >= FEWEST_BLOCKS
    ]
    (walk, likely_walk), (flicker, likely_flicker) = (_together(read, c) for c in (walk_covariance, group_covariance))
    if max(likely_walk, likely_flicker) < CLEAR_LOG_RATIO:
        return 0.0, 0.0
    if likely_flicker >= likely_walk:
        return 0.0, flicker
    return walk * float(np.sqrt(span_s([g.blocks.windows for g in likelihood.digest.values()]))), 0.0


def wander_within_sweeps(likelihood: RatioLikelihood) -> tuple[float, ...]:
    """What each sweep has for itself along frequency, from the repeats of all groups: `Sizes.within`.

    Parameters
    ----------
    likelihood : RatioLikelihood
        With a reference point, as in `drift_from_blocks`.
    """
    if likelihood.reference is None or likelihood.magnitude:
        return ()
    digest, white = likelihood.digest, likelihood.noise.white
    return wander(
        (digest[key], white[key], slopes)
        for i in likelihood.measured
        for key, slopes in _flux_slopes(likelihood, i).items()
    )


def _together(read: Sequence[Series], covariance: Covariance) -> tuple[float, float]:
    """Amplitude that several series share, its error added in squares, and the log of its likelihood over that of none."""
    found = [one for series in read if np.isfinite((one := slow_drift(series, covariance)).error) and one.error > 0]
    weight = sum(one.error**-2 for one in found)
    if weight == 0.0:
        return 0.0, 0.0
    square = sum((one.amplitude**2 + one.error**2) * one.error**-2 for one in found) / weight
    return float(np.sqrt(square)), sum(one.log_ratio for one in found)


def drift_findings(likelihood: RatioLikelihood) -> list[Finding]:
    """That flux which wanders can pass for the source, since sweeps with and without it were not taken in turns; else empty."""
    walk, found = likelihood.sizes.flux_walk_phi0, order_of_sweeps(likelihood)
    if walk <= 0 or not found.serious:
        return []
    return [Finding("not in turns", flux=walk, percent=100 * found.share, interleaved_percent=100 * found.interleaved)]


def wander_findings(likelihood: RatioLikelihood) -> list[Finding]:
    """That transmission wanders along each sweep; else empty."""
    within = np.reshape(likelihood.sizes.within, (-1, 2))
    if not within.size:
        return []
    gain, phase = np.sqrt(0.5 * np.sum(within**2, axis=0))  # the mean square of a cosine is a half
    return [Finding("wanders within sweeps", percent=100 * float(gain), phase_deg=float(np.degrees(phase)))]


def order_of_sweeps(likelihood: RatioLikelihood) -> Confounding:
    """How alike a slow drift and the source look, from the times of the sweeps with the pump on."""
    kinds = {s.name: s.kind for s in likelihood.study.states}
    rows = [
        (time, (key.isolator, key.pump_port, key.pump_phase_rad, key.pump_frequency_hz, key.bias_a, key.cooldown),
         CONTRASTS.get(kinds[key.state], 0.0))
        for key, group in likelihood.digest.items()
        if key.pump_on
        for time, count in zip(group.blocks.time_s[:, 1], group.blocks.count, strict=True)
        for _ in range(min(int(count), MOST_OF_A_BLOCK))
    ]  # fmt: skip
    return confounding(*zip(*rows, strict=True))


def _flux_slopes(likelihood: RatioLikelihood, isolator: int) -> dict[GroupKey, ComplexArray]:
    """Derivatives (2, 2, K) of the means of an isolator's groups at their nodes, by the flux of either loop."""
    study, digest, reference = likelihood.study, likelihood.digest, likelihood.reference
    assert reference is not None
    by_grid: dict[bytes, list[GroupKey]] = {}
    for key, group in digest.items():
        if key.isolator == study.isolators[isolator].name and len(group.blocks) > 1:
            by_grid.setdefault(group.frequency_hz[group.node_index].tobytes(), []).append(key)
    out: dict[GroupKey, ComplexArray] = {}
    for grid, keys in by_grid.items():
        grids = [np.zeros(0)] * len(study.isolators)
        grids[isolator] = np.frombuffer(grid)
        probes = [probe_of(study, k, likelihood.cooldowns) for k in keys]
        model = ChipModel(study, probes, grids, likelihood.port_signs)
        flux = model.probe_flux(reference, isolator)
        s, slopes = scattering_slopes(model, reference, isolator, flux, [])
        for row, key in enumerate(keys):
            mean = digest[key].mean[list(PATHS)][:, digest[key].node_index]
            out[key] = np.asarray(
                mean * slopes[0, :, row] / s[0, row]
            )  # the line's gain, whatever it is, multiplies both
    return out


def _under(at: Linearised, sizes: Sizes) -> Linearised:
    """The same point with other sizes; what does not change with them is not worked out again."""
    likelihood = at.likelihood.rebuilt(sizes=sizes)
    return at.under(CampaignProblem(at.problem.unknowns, likelihood, integrate=False))
