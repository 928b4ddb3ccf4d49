"""Do the tests bite?  Single changes to physics, statistics and units, each of which the tests of its own room must notice.

    python tests/validation/mutations.py --check                         every text is found in the package, once
    python tests/validation/mutations.py --workers 2 --rows rows.jsonl   the run; called again, it goes on from its rows
    python tests/validation/mutations.py --rooms base,device             some rooms only
    python tests/validation/mutations.py --names "gauss x 10"            single changes

Each change is made in a temporary copy of the project, in which the test files of the room then run until the first failure.
A change is `killed` (a test failed), `survived`, `lost` (its text is no longer found, or found in several places, or its
tests are gone: mend the table), or `no answer` (the tests could not run, or took longer than the limit).  A text that has left its
module is looked for in the whole package.  A row holds for the bytes of the changed module and of the tests it ran.
Exit code 0 only if every change was killed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue

ROOT = Path(__file__).resolve().parents[2]
PARTS = ("fluxsense", "tests", "data_demo", "examples", "pyproject.toml", "README.md", "DEVELOPERS.md", "LICENSE")

Change = tuple[str, str, str, str]
"""Name, module, text, text instead."""

ROOMS: dict[str, tuple[tuple[str, ...], tuple[Change, ...]]] = {
    "base": (
        ("base/test_units.py", "base/test_sphere.py"),
        (
            ("mu_B x 10", "base/constants.py", "9.2740100657e-24", "9.2740100657e-23"),
            ("mu0 in the fourth digit", "base/constants.py", "1.25663706127e-6", "1.25763706127e-6"),
            (
                "flux quantum h/e",
                "base/constants.py",
                "PLANCK_J_S / (2.0 * ELEMENTARY_CHARGE_C)",
                "PLANCK_J_S / (1.0 * ELEMENTARY_CHARGE_C)",
            ),
            ("gauss x 10", "base/units.py", '"G": 1e-4', '"G": 1e-3'),
            ("milligauss x 10", "base/units.py", '"mG": 1e-7', '"mG": 1e-6'),
            ("cm x 10", "base/units.py", '"cm": 1e-2', '"cm": 1e-1'),
            ("nm^2 x 10", "base/units.py", '"nm^2": 1e-18', '"nm^2": 1e-17'),
            ("um^2 x 10", "base/units.py", '"um^2": 1e-12', '"um^2": 1e-11'),
            ("mm^2 x 10", "base/units.py", '"mm^2": 1e-6', '"mm^2": 1e-5'),
            ("J/T x 2", "base/units.py", '"J/T": 1.0', '"J/T": 2.0'),
            ("femto is atto", "base/units.py", '"f": 1e-15', '"f": 1e-18'),
            ("pico is nano", "base/units.py", '"p": 1e-12', '"p": 1e-11'),
            ("weber without the quantum", "base/units.py", '"Wb": 1.0 / FLUX_QUANTUM_WB', '"Wb": 1.0'),
            ("henry x quantum", "base/units.py", '"fpnu_", 1.0 / FLUX_QUANTUM_WB', '"fpnu_", FLUX_QUANTUM_WB'),
            ("degree of 200 to the turn", "base/units.py", "math.pi / 180.0", "math.pi / 200.0"),
            ("hour of 60 s", "base/units.py", '"h": 3600.0', '"h": 60.0'),
            (
                "angle without the factor 2",
                "base/sphere.py",
                "2.0 * np.arctan2(_norm(u - v), _norm(u + v))",
                "1.0 * np.arctan2(_norm(u - v), _norm(u + v))",
            ),
            ("spiral starts at the pole", "base/sphere.py", "(2.0 * index + 1.0) / n", "(2.0 * index) / n"),
            ("von Mises-Fisher exponent", "base/sphere.py", "peak - 0.5 * self.kappa", "peak - 0.25 * self.kappa"),
            (
                "conformal level",
                "base/sphere.py",
                "level * (len(values) + 1) / len(values)",
                "level * (len(values) - 1) / len(values)",
            ),
            (
                "region's solid angle",
                "base/sphere.py",
                "np.exp(-log_at_draws), 0.0)",
                "np.exp(-0.9 * log_at_draws), 0.0)",
            ),
        ),
    ),
    "magnetics": (
        ("magnetics",),
        (
            (
                "mu0 over 2 pi",
                "magnetics/wires.py",
                "MAGNETIC_CONSTANT_N_A2 / (4.0 * pi)",
                "MAGNETIC_CONSTANT_N_A2 / (2.0 * pi)",
            ),
            (
                "sign of an edge",
                "magnetics/wires.py",
                "integral = (seen.length + seen.length[wires.following])",
                "integral = (seen.length - seen.length[wires.following])",
            ),
            (
                "bend of an edge",
                "magnetics/wires.py",
                "both = (a3 + b3) * over_q * over_q + s3 * a2 * b2",
                "both = (a3 + b3) * over_q * over_q - s3 * a2 * b2",
            ),
            ("extent as its square", "magnetics/extent.py", "extent_m**2 / 12.0", "extent_m**2 / 6.0"),
            (
                "edge beside the dipole",
                "magnetics/wires.py",
                "root[beside] = cross2 / (product[beside] - along[beside])",
                "root[beside] = cross2 / (product[beside] + along[beside])",
            ),
            (
                "far loop's area term",
                "magnetics/wires.py",
                "(2.0 * wires.area[loop] / scale + moved)",
                "(1.9 * wires.area[loop] / scale + moved)",
            ),
            ("far loop's second order", "magnetics/wires.py", "- s * (3.0 + 5.0 * s)", "- s * (3.0 + 4.0 * s)"),
            (
                "wire's field far away",
                "magnetics/wires.py",
                "y2 = (0.5 * c / (scale * (1.0 + s))) ** 2",
                "y2 = (0.6 * c / (scale * (1.0 + s))) ** 2",
            ),
            (
                "area without the half",
                "magnetics/loops.py",
                "0.5 * np.cross(r, after)",
                "np.cross(r, after)",
            ),
            ("area's sign", "magnetics/loops.py", "np.cross(r, after)", "np.cross(after, r)"),
            (
                "turn the other way",
                "magnetics/loops.py",
                "c * x + s * y, c * y - s * x",
                "c * x - s * y, c * y + s * x",
            ),
            ("figure-eight's gap", "magnetics/loops.py", "g = 0.5 * gap", "g = 0.6 * gap"),
            (
                "chip's normal y cross x",
                "magnetics/loops.py",
                "np.stack([x, y, np.cross(x, y)])",
                "np.stack([x, y, np.cross(y, x)])",
            ),
            (
                "focusing squared",
                "magnetics/flux_map.py",
                "rows * flux_focusing[..., None]",
                "rows * flux_focusing[..., None] ** 2",
            ),
            (
                "calibration coil without focusing",
                "magnetics/flux_map.py",
                "mutual if factor is None else mutual * factor",
                "mutual",
            ),
            (
                "cross-talk transposed",
                "magnetics/flux_map.py",
                "current @ mutual.T + offset",
                "current @ mutual + offset",
            ),
        ),
    ),
    "device": (
        (
            "device",
            "outside/test_outside_simulator.py",
        ),
        (
            ("link loss 1 + z^2", "device/isolator.py", "e = 1.0 - z * z", "e = 1.0 + z * z"),
            ("link mean", "device/isolator.py", "s = 0.5 * (1.0 + z * z)", "s = 0.5 * (1.0 - z * z)"),
            (
                "idlers exchanged in the link",
                "device/isolator.py",
                "n11 = s * kb2 + e * beta2",
                "n11 = s * kb1 + e * beta1",
            ),
            ("link's sign", "device/isolator.py", "crossing = -z * np.sqrt", "crossing = z * np.sqrt"),
            (
                "pump phase reversed",
                "device/isolator.py",
                "to_2_from_1 = crossing * np.exp(1j * rows.theta)",
                "to_2_from_1 = crossing * np.exp(-1j * rows.theta)",
            ),
            (
                "internal loss twice",
                "device/isolator.py",
                "0.5 * (rows.ka[j] + rows.ka_loss[j])",
                "0.5 * (rows.ka[j] + 2 * rows.ka_loss[j])",
            ),
            (
                "pump frequency added",
                "device/isolator.py",
                "rows.idler_hz[j] - rows.pump_hz - origin",
                "rows.idler_hz[j] + rows.pump_hz - origin",
            ),
            (
                "hybrid's imbalance in power",
                "device/isolator.py",
                "10.0 ** (imbalance / 20.0)",
                "10.0 ** (imbalance / 10.0)",
            ),
            ("hybrid's loss in power", "device/isolator.py", "10.0 ** (-loss / 20.0)", "10.0 ** (-loss / 10.0)"),
            (
                "hybrid's phase error",
                "device/isolator.py",
                "1j * amplitude * sin_u * np.exp(1j * error)",
                "1j * amplitude * sin_u * np.exp(-1j * error)",
            ),
            (
                "extent not turned",
                "magnetics/extent.py",
                "moments, rotations))",
                "np.broadcast_to(np.eye(5), moments.shape), rotations))",
            ),
            (
                "calibration flux without focusing",
                "device/chip.py",
                '(flux + self._calibration) * parameters["flux_focusing"][:, None, :]',
                'flux * parameters["flux_focusing"][:, None, :] + self._calibration',
            ),
            (
                "amplitude as power",
                "device/chip.py",
                "np.sqrt(p.pump_power_w / iso.reference_power_w)",
                "(p.pump_power_w / iso.reference_power_w)",
            ),
            (
                "coil's current squared",
                "device/chip.py",
                "places[state.coil]) * state.current_a",
                "places[state.coil]) * state.current_a**2",
            ),
            (
                "pump ports exchanged",
                "device/chip.py",
                "(0.5 if p.pump_port == 1 else -0.5)",
                "(-0.5 if p.pump_port == 1 else 0.5)",
            ),
            (
                "pump phase error left out",
                "device/chip.py",
                'phase = table["phase"] + parameters["pump_phase_error_rad"]',
                'phase = table["phase"] + 0 * parameters["pump_phase_error_rad"]',
            ),
            (
                "link phase reversed",
                "device/chip.py",
                'np.exp(1j * number("link_phase_rad"))',
                'np.exp(-1j * number("link_phase_rad"))',
            ),
            (
                "common part without the half",
                "device/chip.py",
                "0.5 * (forward + backward)[:, :, None]",
                "0.6 * (forward + backward)[:, :, None]",
            ),
        ),
    ),
    "data": (
        (
            "data/test_touchstone.py",
            "data/test_digest.py",
            "data/test_noise_levels.py",
            "data/test_outliers.py",
            "data/test_counts.py",
        ),
        (
            ("no conjugation at the border", "data/touchstone.py", "np.conj(s, out=s)", "np.positive(s, out=s)"),
            ("dB of power", "data/touchstone.py", "10.0 ** (first / 20.0)", "10.0 ** (first / 10.0)"),
            (
                "angles in grads",
                "data/touchstone.py",
                "np.exp(1j * second * np.pi / 180)",
                "np.exp(1j * second * np.pi / 200)",
            ),
            (
                "writer does not conjugate",
                "data/touchstone.py",
                "np.conj(s).transpose(0, 2, 1)",
                "s.transpose(0, 2, 1)",
            ),
            ("writer exchanges S21 and S12", "data/touchstone.py", "np.conj(s).transpose(0, 2, 1)", "np.conj(s)"),
            (
                "running mean",
                "data/digest.py",
                "self.mean += delta / self.count",
                "self.mean += delta / (self.count + 1)",
            ),
            ("running scatter", "data/digest.py", "(self.count - 1) / self.count)", "1.0)"),
            ("merged mean", "data/digest.py", "delta * (other.count / total)", "delta * (self.count / total)"),
            (
                "merged scatter",
                "data/digest.py",
                "self.count * other.count / total)",
                "self.count * other.count / (total + 1))",
            ),
            (
                "scatter of the real part",
                "data/digest.py",
                "weight * (delta.real**2 + delta.imag**2)",
                "weight * (2 * delta.real**2)",
            ),
            (
                "white noise per quadrature",
                "data/noise_levels.py",
                "energy / (2.0 * (group.count - 1.0))",
                "energy / (1.0 * (group.count - 1.0))",
            ),
            (
                "one degree too many",
                "data/noise_levels.py",
                "energy / (2.0 * (group.count - 1.0))",
                "energy / (2.0 * group.count)",
            ),
            (
                "drift with its white part",
                "data/noise_levels.py",
                "whole - np.diag(known)",
                "whole - 0 * np.diag(known)",
            ),
            (
                "drift of few repeats as if of many",
                "data/noise_levels.py",
                "return np.asarray(total[best] / (n + m.ravel()[best] - size - 1.0))",
                "return np.asarray(found)",
            ),
            (
                "what paths drift together lost to the prior",
                "data/noise_levels.py",
                "PRIOR_SHARE = (1.0, 0.1, 0.01, 0.001)",
                "PRIOR_SHARE = (1.0, 1.0, 1.0, 1.0)",
            ),
            (
                "gain and phase exchanged",
                "data/noise_levels.py",
                "np.real(hermitian - complementary) / 2",
                "np.real(hermitian + complementary) / 2",
            ),
            ("magnitudes: half the variance", "data/noise_levels.py", "(2 * total, dof)", "(1 * total, dof)"),
            (
                "stated phase drift lost",
                "data/noise_levels.py",
                "[stated_gain**2, stated_phase_rad**2]",
                "[stated_gain**2, stated_gain**2]",
            ),
            (
                "median to deviation",
                "data/outliers.py",
                "1.4826 * np.median(np.delete(off, n, axis=0), axis=0)",
                "14.826 * np.median(np.delete(off, n, axis=0), axis=0)",
            ),
            (
                "outlier's gain",
                "data/outliers.py",
                "np.sum(np.conj(middle) * values, axis=-1)",
                "np.sum(middle * values, axis=-1)",
            ),
            (
                "direction read the wrong way",
                "data/counts.py",
                "bool(share[0] > share[1])",
                "bool(share[0] < share[1])",
            ),
            (
                "powers not divided by pump-off",
                "data/counts.py",
                "power / off_power * np.minimum",
                "power * np.minimum",
            ),
            (
                "notches decide",
                "data/counts.py",
                "np.minimum(passed / np.median(passed), 1.0)",
                "1.0",
            ),
        ),
    ),
    "counts": (
        ("data/test_counts.py", "outside/test_outside_directions.py"),
        (
            (
                "wrong-way rate halved",
                "infer/counts.py",
                "rate + (1 - 2 * rate) * probability",
                "0.5 * rate + (1 - rate) * probability",
            ),
            (
                "wrong-way rate once",
                "infer/counts.py",
                "rate + (1 - 2 * rate) * probability",
                "rate + (1 - rate) * probability",
            ),
            (
                "one ring decides",
                "infer/counts.py",
                "return first * second + (1 - first) * (1 - second)",
                "return first * second + (1 - first) * second",
            ),
            (
                "counts' information",
                "infer/counts.py",
                "weight = independent_sweeps(every[:, :, 0], self._count) / (middle * (1 - middle))",
                "weight = independent_sweeps(every[:, :, 0], self._count) / -middle",
            ),
            ("alike sweeps twice as alike", "infer/counts.py", "* likeness(p)))", "* 2 * likeness(p)))"),
            (
                "beta law of another size",
                "infer/counts.py",
                "LEAST_LIKENESS / np.maximum(count, 1.0)) - 1",
                "LEAST_LIKENESS / np.maximum(count, 1.0))",
            ),
            (
                "nothing shared",
                "infer/reading_noise.py",
                "mean + z[:, None, None] * shared",
                "mean + 0 * z[:, None, None] * shared",
            ),
            ("own noise halved", "infer/reading_noise.py", "np.sqrt(white + gain", "0.5 * np.sqrt(white + gain"),
            (
                "pump-off sweeps not averaged",
                "infer/reading_noise.py",
                "4 * off_power * v / planned",
                "4 * off_power * v",
            ),
            (
                "power of white noise",
                "infer/reading_noise.py",
                "(4 * on_power * v + 4 * v**2)",
                "(2 * on_power * v + 4 * v**2)",
            ),
            (
                "flux noise averaged over twice",
                "infer/reading_noise.py",
                "second.averaging(sd).T",
                "second.averaging(2 * sd).T",
            ),
            (
                "counts' odds doubled",
                "infer/counts.py",
                "difference = logs[0] - logs[1]",
                "difference = 2 * (logs[0] - logs[1])",
            ),
            ("deviance halved", "infer/counts.py", "np.asarray(2 * (first + second))", "np.asarray(first + second)"),
            (
                "one-sided tail",
                "infer/counts.py",
                "np.minimum(1.0, 2 * np.minimum(below, above))",
                "np.minimum(1.0, np.minimum(below, above))",
            ),
        ),
    ),
    "model": (
        ("model", "infer/test_elimination.py"),
        (
            (
                "common scores not whitened",
                "model/likelihood.py",
                "return {i: self.whitened(i, scores) for i, scores in out.items()}",
                "return out",
            ),
            (
                "slopes kept at another reference point",
                "model/likelihood.py",
                "if seen is not None and new.reference is self.reference:",
                "if seen is not None:",
            ),
            (
                "a size on one side only",
                "model/likelihood.py",
                "np.outer(scale[kept], scale[kept])",
                "np.outer(scale[kept], np.ones(kept.sum()))",
            ),
            (
                "wander kept",
                "model/likelihood.py",
                'for name in ("own", "flux_noise_phi0", "within")',
                'for name in ("own", "flux_noise_phi0")',
            ),
            (
                "flux noise kept",
                "model/likelihood.py",
                'for name in ("own", "flux_noise_phi0", "within")',
                'for name in ("own", "within")',
            ),
            (
                "precision x 0.85",
                "model/family.py",
                "digest[k].count * power / noise.white[k]",
                "0.85 * digest[k].count * power / noise.white[k]",
            ),
            (
                "precision x 1.2",
                "model/family.py",
                "digest[k].count * power / noise.white[k]",
                "1.2 * digest[k].count * power / noise.white[k]",
            ),
            (
                "pump-off noise halved",
                "model/family.py",
                "off_variance = noise.white[place.divisor][:, None] ** 2 / (off.count",
                "off_variance = noise.white[place.divisor][:, None] ** 2 / (2 * off.count",
            ),
            (
                "shared term's sign",
                "model/family.py",
                "noise -= off[:, None] * self.expected",
                "noise += 0 * off[:, None] * self.expected",
            ),
            ("drift does not average", "model/family.py", "drift / digest[k].count + stays", "drift + stays"),
            (
                "residual gain averages",
                "model/family.py",
                "drift / digest[k].count + stays",
                "(drift + stays) / digest[k].count",
            ),
            (
                "flux noise does not average",
                "model/likelihood.py",
                "size / np.sqrt(self.digest[key].count)",
                "size / 1.0",
            ),
            ("log volume halved", "model/family.py", "log_volume=float(2 * np.sum", "log_volume=float(1 * np.sum"),
            ("whole chi-square", "model/family.py", "out = -0.5 * self.quadratic", "out = -1.0 * self.quadratic"),
            (
                "noise scale's normalisation",
                "model/family.py",
                "out -= count * np.log(scale)",
                "out -= 0.5 * count * np.log(scale)",
            ),
            (
                "notch's power",
                "model/family.py",
                "self.count / (4 * variance * (a * a + variance))",
                "self.count / (2 * variance * (a * a + variance))",
            ),
            ("Rice: order", "model/rice.py", "0.5 * (count - 1) * np.log(x / safe)", "0.5 * count * np.log(x / safe)"),
            ("Rice: bias of the root", "model/rice.py", "s2 * (2 - 1 / count)", "s2 * (1 - 1 / count)"),
            ("Bessel: second term", "model/rice.py", "u2 = q * (81 +", "u2 = q * (80 +"),
            (
                "Rice: central",
                "model/rice.py",
                "(count - 1) * np.log(x) - 0.5 * x",
                "(count - 1) * np.log(x) - 0.6 * x",
            ),
            (
                "flicker: lowest frequency",
                "model/flicker.py",
                "sici(2 * np.pi * low_hz * safe)",
                "sici(np.pi * low_hz * safe)",
            ),
            (
                "flicker: no correlation",
                "model/flicker.py",
                "sici(2 * np.pi * high_hz * safe)[1] -",
                "0 * sici(2 * np.pi * high_hz * safe)[1] -",
            ),
            (
                "flicker: draws",
                "model/flicker.py",
                "weight = np.sqrt(np.log(edges[1:] / edges[:-1]))",
                "weight = np.sqrt(2 * np.log(edges[1:] / edges[:-1]))",
            ),
            (
                "phase integral without its prior",
                "model/pump_phase.py",
                "Nodes(error, self.basis(error), volume - 0.5 * distance[kept])",
                "Nodes(error, self.basis(error), volume - 0.0 * distance[kept])",
            ),
            ("phase basis", "model/pump_phase.py", "-2 * np.sin(0.5 * error_rad)", "-1 * np.sin(0.5 * error_rad)"),
            (
                "device's phase error each port's own",
                "model/pump_phase.py",
                "self.device_sd_rad**2 + np.diag(np.square(self.port_sd_rad))",
                "np.diag(self.device_sd_rad**2 + np.square(self.port_sd_rad))",
            ),
            (
                "a port's phase error in every sweep",
                "model/pump_phase.py",
                "for k, p in enumerate(port) if p in ports",
                "for k, p in enumerate(port) if p >= 0",
            ),
            (
                "cell of one axis",
                "model/pump_phase.py",
                "volume = float(np.sum(np.log(step)))",
                "volume = float(np.log(step[0]))",
            ),
            ("no finer lattice", "model/pump_phase.py", "FINE: Final = 1.5", "FINE: Final = 15.0"),
            (
                "spread of cosines",
                "model/pump_phase.py",
                "covariance[1::2, 1::2] = s, 0.5 * s**2",
                "covariance[1::2, 1::2] = s, 0.25 * s**2",
            ),
            (
                "device's share of a phase error",
                "model/pump_phase.py",
                "common = error_rad @ pull",
                "common = 0.5 * error_rad @ pull",
            ),
            ("noise scale's information", "model/problem.py", "2 * count * n.sd**2", "count * n.sd**2"),
        ),
    ),
    "coordinates": (
        ("infer/test_straight.py", "model/test_tilt.py"),
        (
            ("tilt's sense", "device/chip.py", "vectors + np.sinc(angle", "vectors - np.sinc(angle"),
            (
                "tilt's second order",
                "device/chip.py",
                "return np.asarray(found + 0.5 * np.sinc(",
                "return np.asarray(found + np.sinc(",
            ),
            (
                "tilt's slopes",
                "device/chip.py",
                "np.cross(self._tilting[:, :, None], rows)",
                "np.cross(rows, self._tilting[:, :, None])",
            ),
            ("tilt x 10", "study/types.py", "Spread(math.radians(0.5), most=0.3)", "Spread(math.radians(5), most=0.3)"),
            ("no way back", "infer/straight.py", "+= sign * self._shift(", "+= self._shift("),
            ("all follow", "infer/straight.py", "order[: max(tight - lead, 0)]", "order"),
            ("covariance there", "infer/straight.py", "slopes @ mode.covariance @ slopes.T", "mode.covariance"),
            (
                "chains left straight",
                "infer/orient.py",
                "replace(chains, x=proposal.bent(chains.x))",
                "replace(chains, x=chains.x)",
            ),
            (
                "bridge's chains left straight",
                "detection/evidence.py",
                "proposal.bent(chains.x[:, ::THIN])",
                "chains.x[:, ::THIN]",
            ),
            (
                "draws left straight",
                "infer/proposal.py",
                "self.bent(self.mixture.draw(rng, count))",
                "self.mixture.draw(rng, count)",
            ),
            (
                "density of coordinates at the unknowns",
                "infer/proposal.py",
                "x if self.straight is None else self.straight.straightened(x)",
                "x",
            ),
            (
                "coordinates never tried",
                "infer/proposal.py",
                "if self.perplexity < BENT else None",
                "if self.perplexity < 0 else None",
            ),
        ),
    ),
    "cooldowns": (
        ("infer/test_cooldowns.py", "device/test_chip.py", "model/test_slopes.py", "model/test_likelihood.py"),
        (
            ("idlers stay", "device/chip.py", "rates.idler_hz + idler", "rates.idler_hz"),
            (
                "modes of another cooldown",
                "device/chip.py",
                'isolator, table["cooldown"]], -1',
                'isolator, 0 * table["cooldown"]], -1',
            ),
            (
                "changes in the first cooldown",
                "model/priors.py",
                "enumerate(cooldowns) if c\n",
                "enumerate(cooldowns)\n",
            ),
            ("modes are exact", "model/priors.py", "+ _of_cooldowns(study, cooldowns, i)", ""),
            (
                "slope of the other line end",
                "device/setup.py",
                "reflections_between(s, e)[..., :, None, :]",
                "reflections_between(s, e)[..., ::-1, None, :]",
            ),
            (
                "slope without what it divides",
                "device/setup.py",
                "between_reflections(s, e)[..., None, :, :]",
                "s[..., None, 1:3, :]",
            ),
            (
                "imaginary part of a line end",
                "model/slopes.py",
                "(1j if imaginary else 1.0)",
                "(-1j if imaginary else 1.0)",
            ),
            ("smoothing left out of slopes", "device/chip.py", "by = np.mean(parts, axis=0)  #", "by = parts[0]  #"),
            (
                "step of a flux change",
                "model/likelihood.py",
                "isolator) - flux) / step[",
                "isolator) - flux) * 2 / step[",
            ),
        ),
    ),
    "turns": (
        ("model/test_turn.py",),
        (
            (
                "turned the other way",
                "device/chip.py",
                "= -turn_rad[:, self._there, None]",
                "= turn_rad[:, self._there, None]",
            ),
            (
                "slope the other way",
                "device/chip.py",
                "np.cross(self.plain(position_m)[:, None], self._axes[:, None])",
                "np.cross(self._axes[:, None], self.plain(position_m)[:, None])",
            ),
            ("turns are exact", "model/priors.py", 'if state.kind == "turned"\n', "if False\n"),
            (
                "the default a tenth",
                "study/types.py",
                "Spread(math.radians(1.0), most=1.0)",
                "Spread(math.radians(0.1), most=1.0)",
            ),
            (
                "half of a turn",
                "device/chip.py",
                "np.sinc(angle / np.pi) * across",
                "0.5 * np.sinc(angle / np.pi) * across",
            ),
        ),
    ),
    "within": (
        ("model/test_within_sweep.py",),
        (
            ("white noise taken for wander", "model/within_sweep.py", "(scatter - n * variance)", "(scatter)"),
            ("as of one mean", "model/family.py", "change / np.sqrt(counts[n])", "change"),
            (
                "divisor in the first group alone",
                "model/family.py",
                "out[count, path, :, :, n, path] = -change",
                "out[count, path, :, :, 0, path] = -change",
            ),
            (
                "fluxes taken for wander",
                "model/within_sweep.py",
                "reshape(-1, 2, nodes.size), slopes]",
                "reshape(-1, 2, nodes.size)]",
            ),
            (
                "orders forgotten",
                "model/within_sweep.py",
                "amplitudes[..., None] * cosines(",
                "amplitudes[:1, :, None] * cosines(",
            ),
            ("half of a radian", "model/within_sweep.py", "np.cos(np.pi * np.arange", "np.cos(3 * np.arange"),
            (
                "wander not in the likelihood",
                "model/family.py",
                "wandering[..., chosen], counts",
                "0 * wandering[..., chosen], counts",
            ),
        ),
    ),
    "magnitudes": (
        ("model/test_pump_phase.py", "model/test_rice.py"),
        (
            (
                "the device's phase exact, its ports' not",
                "model/priors.py",
                "    PUMP_STRENGTH,\n    NOISE_SCALE,",
                "    PUMP_STRENGTH,\n    PUMP_PHASE,\n    NOISE_SCALE,",
            ),
            ("notches of an uncertain set-up", "model/family.py", "if allowance.least:", "if False:"),
            ("small ratios kept", "model/family.py", "LEAST_AMPLITUDE = 0.1", "LEAST_AMPLITUDE = 0.0"),
        ),
    ),
    "slips": (
        ("infer/test_slips.py",),
        (
            ("alike never", "infer/slips.py", "found < ALIKE * predicted", "found < 0 * predicted"),
            ("alike however little is predicted", "infer/slips.py", "found < ALIKE * predicted", "found < ALIKE"),
            (
                "a port blamed for trapped flux",
                "infer/slips.py",
                "SETTLED_PHI0: Final = 0.1",
                "SETTLED_PHI0: Final = 1.0",
            ),
            ("the same port", "infer/slips.py", "pump_port=3 - probe.pump_port", "pump_port=probe.pump_port"),
            (
                "offsets at zero",
                "infer/slips.py",
                "OFFSETS: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)",
                "OFFSETS: Final = (0.0,)",
            ),
        ),
    ),
    "infer": (
        (
            "infer/test_quadrature.py",
            "infer/test_reference.py",
            "infer/test_wiring.py",
            "infer/test_diagnostics.py",
            "infer/test_predictive.py",
            "model/test_likelihood.py",
            "data/test_campaign.py",
            "infer/test_score_tests.py",
            "infer/test_sampling.py",
        ),
        (
            ("trapped flux near its mean only", "infer/offsets.py", "REACH: Final = 3.0", "REACH: Final = 0.2"),
            (
                "signs at the ends of a range",
                "infer/reference.py",
                "2 * int(np.ceil(np.max(reach) / SIGN_STEP_PHI0)) + 1)",
                "2)",
            ),
            ("signs in any cooldown", "infer/reference.py", "same[cooldown == n]", "same"),
            (
                "settled without a look at signs",
                "infer/reference.py",
                "return signs_known(problem.likelihood, isolator, problem.parameters(np.array(fits)), reach)",
                "return True",
            ),
            (
                "reduced likelihood promises 30",
                "infer/reduction.py",
                "TOLERANCE: Final = 0.03",
                "TOLERANCE: Final = 30.0",
            ),
            (
                "reduced likelihood drops what counts",
                "infer/reduction.py",
                "SMALLEST: Final = 1e-6",
                "SMALLEST: Final = 1e3",
            ),
            (
                "quadrature error halved",
                "infer/quadrature.py",
                "0.5 * abs(values[0] - values[1])",
                "0.25 * abs(values[0] - values[1])",
            ),
            (
                "quadrature error left out",
                "infer/quadrature.py",
                "0.5 * abs(values[0] - values[1])",
                "0.0 * abs(values[0] - values[1])",
            ),
            ("quadrature's two grids", "infer/quadrature.py", "total - np.log(2)", "total"),
            ("quadrature's volume", "infer/quadrature.py", "volume = size * np.log(step)", "volume = np.log(step)"),
            (
                "predictive levels inverted",
                "infer/predictive.py",
                "residual[1:, k] /= np.sqrt(levels[key])",
                "residual[1:, k] *= np.sqrt(levels[key])",
            ),
            (
                "predictive levels squared",
                "infer/predictive.py",
                "residual[1:, k] /= np.sqrt(levels[key])",
                "residual[1:, k] /= levels[key]",
            ),
            (
                "no Bonferroni",
                "infer/predictive.py",
                "3 * min(p_total, p_worst, p_smooth)",
                "0.1 * min(p_total, p_worst, p_smooth)",
            ),
            (
                "replicates without their fit",
                "infer/predictive.py",
                "residual[1:] -= np.tensordot(shift, slope, axes=1)",
                "residual[1:] -= 0 * np.tensordot(shift, slope, axes=1)",
            ),
            (
                "gamma tail's shape",
                "infer/predictive.py",
                "gammaincc(mean**2 / variance, max(values[0], 0.0) * mean / variance)",
                "gammaincc(0.5 * mean**2 / variance, 0.5 * max(values[0], 0.0) * mean / variance)",
            ),
            (
                "wiring odds doubled",
                "infer/wiring.py",
                "float(values[0] - values[1])",
                "float(2 * (values[0] - values[1]))",
            ),
            ("wiring from one sign", "infer/wiring.py", "for sign in (1, -1):", "for sign in (1, 1):"),
            (
                "angular error over sqrt 2",
                "base/sphere.py",
                "np.where(r2 > 0, np.sqrt(square), np.pi)",
                "np.where(r2 > 0, np.sqrt(0.5 * square), np.pi)",
            ),
            (
                "Student mixture's distance",
                "infer/mixture.py",
                "0.5 * (self.nu + size) * np.log1p(distance / self.nu)",
                "0.5 * self.nu * np.log1p(distance / self.nu)",
            ),
            (
                "Student draws",
                "infer/mixture.py",
                "np.sqrt(self.nu / rng.chisquare(self.nu, size=count))",
                "np.sqrt(self.nu / rng.chisquare(2 * self.nu, size=count))",
            ),
            (
                "importance weight's error",
                "infer/mixture.py",
                "w.std(ddof=1) / np.sqrt(w.size) / mean",
                "w.std(ddof=1) / w.size / mean",
            ),
            (
                "jump's balance",
                "infer/sampler.py",
                "mixture.log_density(coords) - mixture.log_density(new)",
                "mixture.log_density(new) - mixture.log_density(coords)",
            ),
            (
                "no balance",
                "infer/sampler.py",
                "mixture.log_density(coords) - mixture.log_density(new)",
                "0 * mixture.log_density(new)",
            ),
            ("Laplace's determinant", "infer/modes.py", "- 0.5 * log_det", "+ 0.5 * log_det"),
            (
                "Laplace's 2 pi",
                "infer/modes.py",
                "0.5 * self.x.size * np.log(2 * np.pi)",
                "0.5 * self.x.size * np.log(np.pi)",
            ),
            ("R-hat allowed", "infer/diagnostics.py", "LARGEST_R_HAT = 1.01", "LARGEST_R_HAT = 1.1"),
            ("effective samples wanted", "infer/diagnostics.py", "FEWEST_EFFECTIVE = 400.0", "FEWEST_EFFECTIVE = 40.0"),
            (
                "folded R-hat left out",
                "infer/diagnostics.py",
                'array_stats.rhat(x, method="rank")',
                'array_stats.rhat(x, method="z_scale")',
            ),
            (
                "weights from one ensemble",
                "infer/diagnostics.py",
                "elif gap.max() > tolerance:",
                "elif gap.max() > 10 * tolerance:",
            ),
            ("score test's variance", "infer/score_tests.py", "score * score / variance", "score * score / own"),
            (
                "prior conflict's spread",
                "infer/score_tests.py",
                "np.abs(plain) / np.sqrt(np.maximum(spread, SMALLEST_SPREAD))",
                "np.abs(plain) / np.maximum(spread, SMALLEST_SPREAD)",
            ),
            (
                "offsets' blur",
                "infer/budget.py",
                "np.sqrt(2 / 3 * np.trace(covariance))",
                "np.sqrt(1 / 3 * np.trace(covariance))",
            ),
        ),
    ),
    "detection": (
        ("detection", "model/test_likelihood.py", "infer/test_elimination.py"),
        (
            (
                "known direction",
                "detection/experiment.py",
                "ndtr(np.asarray(d, dtype=np.float64) - threshold)",
                "ndtr(np.asarray(d, dtype=np.float64) + threshold)",
            ),
            (
                "degrees of the far law",
                "detection/experiment.py",
                "np.maximum(lam + degrees - 1, 0)",
                "np.maximum(lam + 10 * degrees, 0)",
            ),
            (
                "noncentrality",
                "detection/experiment.py",
                "exceedance(t, root * root, degrees)",
                "exceedance(t, root, degrees)",
            ),
            ("least angle", "detection/experiment.py", "2 * float(-ndtri(wrong))", "1 * float(-ndtri(wrong))"),
            (
                "cross term of the score",
                "detection/experiment.py",
                "2 * self.cross + size * self.square",
                "self.cross + size * self.square",
            ),
            (
                "growth with a source",
                "detection/experiment.py",
                "mean @ kernel @ mean + np.trace(kernel @ information)",
                "mean @ kernel @ mean + 0 * np.trace(kernel @ information)",
            ),
            ("Bayes factor without its volume", "detection/linear.py", "- 0.5 * log_det)", "- 0.25 * log_det)"),
            ("prior of the components", "detection/linear.py", "relative**2 / 3", "relative**2"),
            (
                "covariance volume halved",
                "detection/evidence.py",
                "0.5 * likelihood.log_volume - sum(",
                "0.25 * likelihood.log_volume - 0.5 * sum(",
            ),
            (
                "covariance volume without the shared",
                "detection/evidence.py",
                "log_volume - sum(np.sum(np.log(f.shared))",
                "log_volume - sum(0.0 * np.sum(np.log(f.shared))",
            ),
            (
                "bridge's shares",
                "detection/evidence.py",
                "log_s1 = np.log(effective1 / (effective1 + n2))",
                "log_s1 = np.log(n2 / (effective1 + n2))",
            ),
            ("bridge's count", "detection/evidence.py", "+ np.log(n1))", "+ np.log(n2))"),
            (
                "evidence's error",
                "detection/evidence.py",
                "np.sqrt(share1 / effective1 + share2 / n2)",
                "np.sqrt(share1 / n2 + share2 / effective1) * 0.5",
            ),
            ("sequential: drift", "detection/sequential.py", "(-0.5 * d**2, 0.5 * d**2)", "(-0.4 * d**2, 0.4 * d**2)"),
            (
                "sequential: a quarter batch",
                "detection/sequential.py",
                "/ d**2 + 0.25\n        return",
                "/ d**2\n        return",
            ),
            (
                "sequential: limits of Wald",
                "detection/sequential.py",
                "log((1 - miss) / false_alarm), log(miss / (1 - false_alarm))",
                "log(1 / false_alarm), log(miss)",
            ),
            (
                "sequential: overshoot",
                "detection/sequential.py",
                "OVERSHOOT = 0.5825971579390107",
                "OVERSHOOT = 0.4825971579390107",
            ),
            (
                "fixed plan",
                "detection/sequential.py",
                "ndtri(1 - false_alarm) + ndtri(1 - miss)",
                "ndtri(1 - false_alarm) - ndtri(1 - miss)",
            ),
            ("rule of three", "detection/probabilities.py", "min(1.0, 3.0 / count)", "min(1.0, 1.0 / count)"),
            ("ensembles' error", "detection/probabilities.py", "np.sqrt(table.shape[0])", "table.shape[0]"),
        ),
    ),
    "design": (
        (
            "design/test_design_gdsii.py",
            "design/test_design_schedule.py",
            "design/test_design_sensitivity.py",
            "design/test_design_gain.py",
            "design/test_design_layout.py",
            "design/test_design_working_point.py",
            "design/test_design_count.py",
            "data/test_campaign.py",
        ),
        (
            (
                "GDSII unit in",
                "design/gdsii_reader.py",
                'gdstk.read_gds(order["path"], unit=1e-6)',
                'gdstk.read_gds(order["path"])',
            ),
            (
                "GDSII unit out",
                "design/gdsii.py",
                'gdstk.Library("fluxsense", unit=1e-6',
                'gdstk.Library("fluxsense", unit=1e-5',
            ),
            ("wire's width", "design/gdsii_reader.py", "2 * _area([piece])", "1 * _area([piece])"),
            (
                "centre line is the outer edge",
                "design/gdsii_reader.py",
                "gdstk.offset([outer], -0.5 * width",
                "gdstk.offset([outer], -0.0 * width",
            ),
            ("apportionment", "design/schedule.py", "(n - 1) / safe", "n / safe"),
            (
                "apportionment's last step",
                "design/schedule.py",
                "np.argmin(np.where(support, n / safe, np.inf))",
                "np.argmax(np.where(support, n / safe, -np.inf))",
            ),
            (
                "angle across",
                "design/sensitivity.py",
                "np.trace(covariance, axis1=-2, axis2=-1) - along, 0.0)",
                "np.trace(covariance, axis1=-2, axis2=-1) - 0 * along, 0.0)",
            ),
            (
                "drift in amplitude",
                "design/sensitivity.py",
                "noise.gain_drift**2, noise.phase_drift_rad**2",
                "noise.gain_drift, noise.phase_drift_rad**2",
            ),
            (
                "reverse's odds",
                "design/ambiguity.py",
                "np.maximum(best[:-1] - best[-1], 0.0)",
                "np.maximum(0.5 * (best[:-1] - best[-1]), 0.0)",
            ),
            (
                "distance of polygons",
                "design/outlines.py",
                "float(np.sqrt(np.min(np.sum(rest * rest, axis=2))))",
                "float(np.min(np.sum(rest * rest, axis=2)))",
            ),
            (
                "inside",
                "design/outlines.py",
                "np.count_nonzero(spans & (point[0] < at)) % 2",
                "np.count_nonzero(spans & (point[0] > at)) < 0",
            ),
            (
                "edge of the chip",
                "design/outlines.py",
                "0.5 * np.array(rules.chip_size_m) - rules.edge_m",
                "1.0 * np.array(rules.chip_size_m) - rules.edge_m",
            ),
            (
                "slope of the place",
                "design/sensitivity.py",
                "rows[1 + len(moved) :]) / (2 * step_m)",
                "rows[1 + len(moved) :]) / step_m",
            ),
            ("repeats for more isolators", "design/count.py", "study.plan.repeats * scale", "study.plan.repeats"),
        ),
    ),
    "characterize": (
        ("characterize/test_characterize.py",),
        (
            (
                "power cap",
                "characterize/points.py",
                "(MOST_CONVERSION / max(strength, 1e-6)) ** 2",
                "(MOST_CONVERSION / max(strength, 1e-6)) ** 1",
            ),
            ("power cap left out", "characterize/points.py", "min(powers_w[1], cap)", "powers_w[1]"),
            (
                "isolation in power",
                "characterize/points.py",
                "20 * np.log10(np.maximum(np.abs(s), 1e-8))",
                "10 * np.log10(np.maximum(np.abs(s), 1e-8))",
            ),
            (
                "transmission's sense",
                "characterize/points.py",
                "difference = db[:, 1] - db[:, 2]",
                "difference = db[:, 2] - db[:, 1]",
            ),
            (
                "gain elimination",
                "characterize/model.py",
                "gain = np.sum(np.conj(m) * d, axis=0) * inverse\n    error",
                "gain = np.sum(m * d, axis=0) * inverse\n    error",
            ),
            ("prior of a record's error", "characterize/model.py", "+ 1.0 / drift**2", "+ 0.0 / drift**2"),
            (
                "90% quantile",
                "characterize/fit.py",
                "fit.vector - QUANTILE_90 * fit.sd",
                "fit.vector - 0.5 * QUANTILE_90 * fit.sd",
            ),
            (
                "odds of two wirings",
                "characterize/fit.py",
                "odds = 0.5 * (second.chi2 - first.chi2)",
                "odds = second.chi2 - first.chi2",
            ),
            (
                "what is left open twice",
                "characterize/reflection.py",
                "root @ best, slopes",
                "0.5 * root @ best, slopes",
            ),
            ("nothing left open", "characterize/reflection.py", "total - float(gradient @ best)", "total"),
            ("a jump by a hair", "characterize/faults.py", "rms < REMOVED * misfit", "rms < misfit"),
            (
                "a loss known to kilohertz",
                "characterize/fit.py",
                "LEAST_LOSS: Final = 0.01",
                "LEAST_LOSS: Final = 0.0005",
            ),
            ("no line ends drawn", "characterize/reflection.py", "DRAWS: Final = 8", "DRAWS: Final = 0"),
            (
                "not said what chose",
                "characterize/reflection.py",
                "replace(seen, chose=True)",
                "replace(seen, chose=False)",
            ),
            (
                "noise without tilt",
                "characterize/model.py",
                "np.exp(tilt * place + bend",
                "np.exp(0 * tilt * place + bend",
            ),
            ("mirror image taken for the fit", "characterize/reflection.py", "seen.odds < 0:", "seen.odds > 0:"),
            (
                "too few frequencies",
                "characterize/records.py",
                "(points - 1) // max(fewest - 1, 1)",
                "(points - 1) // max(fewest - 2, 1)",
            ),
            (
                "misfit does not enlarge",
                "characterize/fit.py",
                "inverse_information(information * both) * max(1.0, per)",
                "inverse_information(information * both)",
            ),
            (
                "drift left in the noise",
                "characterize/fit.py",
                "parts.append(np.median(bend, axis=-1) / np.log(2) / 40.0)",
                "parts.append(np.median(bend, axis=-1) / np.log(2) / 4.0)",
            ),
        ),
    ),
    "live": (
        ("live/test_proposal.py",),
        (
            (
                "partner's time not charged",
                "live/proposal.py",
                "time_s = self._costs.of([(key, repeats), (other, repeats)], before)",
                "time_s = self._costs.of([(key, repeats)], before)",
            ),
            (
                "first sweeps too few",
                "live/proposal.py",
                "divmod(REPEATS + kinds, kinds)",
                "divmod(REPEATS, kinds)",
            ),
            (
                "settled in the order named",
                "live/proposal.py",
                "soonest = min(left, key=lambda item: self.of([(item[0], 0)], before))",
                "soonest = left[0]",
            ),
            (
                "rounds of full length to the end",
                "live/proposal.py",
                "fewer = [c.cut(share) for c in chosen]",
                "fewer = list(chosen)",
            ),
            (
                "cone over error of 80%",
                "live/stopping.py",
                "math.sqrt(math.log(10.0))",
                "math.sqrt(math.log(5.0))",
            ),
            (
                "prior left out of the angular error",
                "live/proposal.py",
                "information[..., :size, :size] + np.array(self._prior)",
                "information[..., :size, :size] + 1e-9 * np.array(self._prior)",
            ),
        ),
    ),
    "simulate": (
        ("data/test_campaign.py", "model/test_likelihood.py", "data/test_counts.py", "design/test_design_noise.py"),
        (
            (
                "delay's sign",
                "device/lines.py",
                "np.exp(1j * (2 * np.pi * frequency_hz * delay + turn))",
                "np.exp(1j * (-2 * np.pi * frequency_hz * delay + turn))",
            ),
            (
                "white noise x 1.2",
                "jobs/simulate.py",
                "truth.noise_scale * louder * level",
                "1.2 * truth.noise_scale * louder * level",
            ),
            (
                "jumps of half the size",
                "jobs/simulate.py",
                "noise.flux_jump_phi0 * rng",
                "0.5 * noise.flux_jump_phi0 * rng",
            ),
            ("two kinds of bad sweeps", "jobs/simulate.py", "rng.integers(1, 4, count)", "rng.integers(1, 3, count)"),
            ("jumps as large as their number", "study/types.py", "math.sqrt(self.flux_jumps)", "self.flux_jumps"),
            ("bad sweeps count", "design/sensitivity.py", "good * sweeps,", "sweeps,"),
            (
                "flux noise x 2",
                "jobs/simulate.py",
                "truth.noise_scale * noise.flux_phi0 * rng",
                "2 * truth.noise_scale * noise.flux_phi0 * rng",
            ),
            (
                "elevation and azimuth",
                "jobs/simulate.py",
                "np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth)",
                "np.cos(elevation) * np.sin(azimuth), np.cos(elevation) * np.cos(azimuth)",
            ),
        ),
    ),
}


@dataclass(frozen=True)
class Mutation:
    """One change, with the tests that must notice it."""

    room: str
    name: str
    module: str
    old: str
    new: str
    tests: tuple[str, ...]


def mutations() -> Iterator[Mutation]:
    """Every change of the table."""
    for room, (tests, changes) in ROOMS.items():
        for name, module, old, new in changes:
            yield Mutation(room, name, module, old, new, tests)


def place(one: Mutation, root: Path = ROOT) -> Path | None:
    """The module that holds the text once: the stated one, else the only one of the package."""
    stated = root / "fluxsense" / one.module
    if stated.is_file() and stated.read_text(encoding="utf-8").count(one.old) == 1:
        return stated
    holders = [p for p in sorted((root / "fluxsense").rglob("*.py")) if one.old in p.read_text(encoding="utf-8")]
    return holders[0] if len(holders) == 1 and holders[0].read_text(encoding="utf-8").count(one.old) == 1 else None


def tests_of(one: Mutation) -> list[str]:
    """The test files of a change's room; a folder stands for all of its test files.  Empty if one that is named is gone."""
    out: list[str] = []
    for name in one.tests:
        there = ROOT / "tests" / name
        found = sorted(there.glob("test_*.py")) if there.is_dir() else [there] if there.is_file() else []
        if not found:
            return []
        out += [str(p.relative_to(ROOT)) for p in found]
    return out


def mark(one: Mutation, where: Path) -> str:
    """What a row holds for: the changed module's bytes, those of the tests, and the change."""
    total = hashlib.sha256(repr((one.old, one.new)).encode() + where.read_bytes())
    for name in tests_of(one):
        total.update((ROOT / name).read_bytes())
    return total.hexdigest()[:16]


def copied(folder: Path) -> Path:
    """A copy of the project to change."""
    for part in PARTS:
        source = ROOT / part
        if source.is_dir():
            shutil.copytree(source, folder / part, ignore=shutil.ignore_patterns("__pycache__", "results", "*.pyc"))
        elif source.is_file():
            shutil.copy(source, folder / part)
    return folder


def run(tests: list[str], folder: Path, limit_s: float) -> tuple[str, str]:
    """Outcome of the tests in a copy, and the last line that says why."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--tb=no", *tests]
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(folder)}
    try:
        done = subprocess.run(
            command, cwd=folder, env=env, capture_output=True, text=True, timeout=limit_s, check=False
        )
    except subprocess.TimeoutExpired:
        return "no answer", f"longer than {limit_s:g} s"
    lines = [x for x in done.stdout.splitlines() if x.startswith(("FAILED", "ERROR"))] or done.stdout.splitlines()[-1:]
    outcome = {0: "survived", 1: "killed"}.get(done.returncode, "no answer")
    return outcome, (lines or [""])[0][:200]


def attempt(one: Mutation, where: Path, copies: SimpleQueue[Path], limit_s: float) -> dict[str, object]:
    """Make the change in a free copy, run its tests, take the change back."""
    folder = copies.get()
    begin = time.monotonic()
    target = folder / where.relative_to(ROOT)
    good = target.read_text(encoding="utf-8")
    try:
        target.write_text(good.replace(one.old, one.new), encoding="utf-8")
        outcome, detail = run(tests_of(one), folder, limit_s)
    finally:
        target.write_text(good, encoding="utf-8")
        copies.put(folder)
    return {
        "room": one.room, "name": one.name, "module": str(where.relative_to(ROOT)), "mark": mark(one, where),
        "outcome": outcome, "detail": detail, "seconds": round(time.monotonic() - begin, 1),
    }  # fmt: skip


def main() -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--rows", type=Path, metavar="FILE", help="rows of JSON, read first and added to")
    parser.add_argument("--rooms", default="", help="comma-separated")
    parser.add_argument("--names", default="", help="comma-separated")
    parser.add_argument("--limit-s", type=float, default=900.0, help="for the tests of one change (default 900)")
    parser.add_argument("--check", action="store_true", help="only look for the texts")
    options = parser.parse_args()
    rooms, names = ([x for x in text.split(",") if x] for text in (options.rooms, options.names))
    chosen = [m for m in mutations() if (not rooms or m.room in rooms) and (not names or m.name in names)]
    lost = [m for m in chosen if place(m) is None or not tests_of(m)]
    for one in lost:
        gone = f"{one.module} no longer holds {one.old!r} once" if tests_of(one) else "a test file of its room is gone"
        print(f"lost      {one.room:13s} {one.name}: {gone}")
    if options.check:
        print(f"{len(chosen)} changes, {len(lost)} lost")
        return 1 if lost else 0
    known: dict[str, dict[str, object]] = {}
    if options.rows and options.rows.is_file():
        rows = [json.loads(x) for x in options.rows.read_text(encoding="utf-8").splitlines()]
        known = {row["mark"]: row for row in rows if row["outcome"] != "no answer"}
    found = [(m, w) for m in chosen if m not in lost and (w := place(m)) is not None]
    done = [known[k] for m, w in found if (k := mark(m, w)) in known]
    wanted = [(m, w) for m, w in found if mark(m, w) not in known]
    with tempfile.TemporaryDirectory(prefix="mutations_") as name, ThreadPoolExecutor(options.workers) as pool:
        copies: SimpleQueue[Path] = SimpleQueue()
        for n in range(options.workers if wanted else 0):
            copies.put(copied(Path(name) / str(n)))
        jobs = [pool.submit(attempt, m, w, copies, options.limit_s) for m, w in wanted]
        for job in as_completed(jobs):
            row = job.result()
            done.append(row)
            print(
                f"{row['outcome']:9s} {row['room']:13s} {row['name']}  [{row['seconds']} s] {row['detail']}", flush=True
            )
            if options.rows:
                with options.rows.open("a", encoding="utf-8") as stream:
                    stream.write(json.dumps(row) + "\n")
    print("\n| room | changes | killed | survived | lost | no answer |\n| --- | --- | --- | --- | --- | --- |")
    for room in dict.fromkeys(m.room for m in chosen):
        counts = [
            sum(r["room"] == room and r["outcome"] == o for r in done) for o in ("killed", "survived", "no answer")
        ]
        gone = sum(m.room == room for m in lost)
        print(f"| {room} | {sum(counts) + gone} | {counts[0]} | {counts[1]} | {gone} | {counts[2]} |")
    survivors = [f"{r['room']}: {r['name']}" for r in done if r["outcome"] == "survived"]
    print("Survivors: " + ("; ".join(survivors) or "none"))
    return 0 if not lost and all(r["outcome"] == "killed" for r in done) else 1


if __name__ == "__main__":
    sys.exit(main())
