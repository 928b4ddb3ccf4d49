"""Campaigns for benchmarks: digests of any number of repeats, made without a trace."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np

from fluxsense.data.blocks import Blocks
from fluxsense.data.digest import BAND, HASH_BYTES, Digest, GroupStats, group_key, node_indices
from fluxsense.device.chip import ChipModel
from fluxsense.device.isolator import PORTS
from fluxsense.device.lines import line_gain
from fluxsense.jobs.simulate import Truth, _log_row, _schedule
from fluxsense.study import Study, read_study

GRAIN = Path(__file__).resolve().parents[2] / "data_demo" / "grain" / "study.toml"


def grain_study(
    folder: Path, *, points: int, repeats: int, patterns: int = 4, quiet: bool = False, cut_states: bool = False
) -> Study:
    """The grain study with other numbers: bias patterns, each with both pump ports, in the states out and in.

    Parameters
    ----------
    folder : Path
        Gets a file study.toml.
    points, repeats : int
    patterns : int
        1 to 4: near and far loop alike, opposed, and both at two thirds of that bias.
    quiet : bool
        White noise only.
    cut_states : bool
        The state in alone.
    """
    text = GRAIN.read_text(encoding="utf-8")
    begin, end = text.index("[[setting]]"), text.index("[sweep]")
    near = {"east": 0.85, "north": 0.8585, "west": 0.867, "south": 0.8755}
    settings = []
    for n in range(patterns):
        scale, sign = (1.0 if n < 2 else 0.67), (1 if n % 2 == 0 else -1)
        bias = ", ".join(
            f'{side}_near = "{scale * value:.4f} mA", {side}_far = "{sign * scale * 0.85:.4f} mA"'
            for side, value in near.items()
        )
        settings += [
            f'[[setting]]\nname = "s{n}_{port}"\nbias = {{ {bias} }}\npump_port = {port}\n'
            'pump_power = "-60 dBm"\npump_frequency = "matched"\n'
            for port in (1, 2)
        ]
    text = text[:begin] + "\n".join(settings) + "\n" + text[end:]
    text = re.sub(r"points = \d+", f"points = {points}", text)
    text = re.sub(r"(\noff_repeats|\nrepeats) = \d+", rf"\1 = {repeats}", text)
    if quiet:
        text = re.sub(r"gain_drift = \S+", "gain_drift = 0.0", text)
        text = re.sub(r'phase_drift = "[^"]*"', 'phase_drift = "0 deg"', text)
        text = re.sub(r"residual_gain = \S+", "residual_gain = 0.0", text)
        text = re.sub(r'\nflux = "[^"]*"', '\nflux = "0 mPhi0"', text)
    if cut_states:
        text = text.replace('states = ["out", "in"]', 'states = ["in"]')
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return read_study(path)


def summed_digest(study: Study, truth: Truth, seed: int = 5) -> Digest:
    """The digest that a campaign would leave, from its means and the expected scatter of its repeats.

    Means carry their noise (white noise and drift over the root of the number of repeats, residual gain in full); sums of
    squares are set to their expectations, (N - 1) times the variance (none beside each other but for drift).
    """
    rng = np.random.default_rng(seed)
    f = np.linspace(study.sweep.start_hz, study.sweep.stop_hz, study.sweep.points)
    gains = [line_gain(rng, f) for _ in study.isolators]
    nodes = node_indices(f.size)
    noise = study.noise
    groups: dict[Any, GroupStats] = {}
    for line, group in enumerate(_schedule(study), 1):
        i, n = group.probe.isolator, group.repeats
        model = ChipModel(study, [group.probe], [f] * len(study.isolators), truth.port_signs)
        s = model.scattering(truth.parameters, i, PORTS)[0, 0] * gains[i]
        white = noise.white * np.median(np.abs(gains[i]), axis=1)[:, None]

        def normal(*shape: int) -> Any:
            return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

        drift = (
            noise.gain_drift * rng.standard_normal(4) + 1j * noise.phase_drift_rad * rng.standard_normal(4)
        ) / n**0.5
        mean = s * (1 + noise.residual_gain * normal(4) + drift)[:, None] + white * normal(4, f.size) / n**0.5
        free = max(n - 1, 0)
        drift_power = noise.gain_drift**2 + noise.phase_drift_rad**2
        y = s[1:3][:, nodes]
        hermitian = np.zeros((2, nodes.size, 2, nodes.size), dtype=complex)
        complementary = np.zeros_like(hermitian)
        for p in range(2):
            hermitian[p, :, p] = drift_power * np.outer(y[p], y[p].conj()) + 2 * white[1 + p] ** 2 * np.eye(nodes.size)
            complementary[p, :, p] = (noise.gain_drift**2 - noise.phase_drift_rad**2) * np.outer(y[p], y[p])
        band = np.zeros((2, BAND, f.size), dtype=complex)
        for lag in range(1, BAND + 1):
            band[:, lag - 1, :-lag] = free * drift_power * s[1:3, :-lag] * np.conj(s[1:3, lag:])
        row = _log_row(study, group, 0, line - 1)
        groups[group_key(row)] = GroupStats(
            count=n,
            frequency_hz=f,
            reference_ohm=50.0,
            mean=mean,
            scatter=free * (2 * white**2 + drift_power * np.abs(s) ** 2),
            band=band,
            node_hermitian=free * hermitian.reshape(2 * nodes.size, -1),
            node_complementary=free * complementary.reshape(2 * nodes.size, -1),
            blocks=Blocks.even(20.0 * line, 20.0 * line + n, n, mean[1:3, nodes]),
            trace_hash=np.sort(rng.integers(0, 256, (n, HASH_BYTES), dtype=np.uint8), axis=0),
        )
    return Digest(groups)
