"""What a user would otherwise do: the same numbers by general or straightforward means."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import sysconfig
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
Rows = Mapping[str, npt.NDArray[Any]]


# ---------------------------------------------------------------- forward model


def by_lapack(frequency_hz: FloatArray, rows: Rows) -> ComplexArray:
    """S21 and S12 (n, 2, F) by inverting the equations of motion of two signal and two idler modes, batched LAPACK.

    With in = z out of the other idler and out = in - sqrt(kb) b, the idlers' own part of the matrix gets
    sqrt(kb) (1 - Z)^-1 Z sqrt(kb), Z = [[0, z], [z, 0]]; so |z| = 1 is left out.
    """
    n = len(rows["pump_frequency_hz"])
    ka, kb = rows["signal_linewidth_hz"], rows["idler_linewidth_hz"]
    z = rows["link"]
    joined = np.zeros((n, 2, 2), dtype=complex)
    joined[:, 0, 1] = joined[:, 1, 0] = z
    root_b = np.sqrt(kb)
    feedback = root_b[:, :, None] * np.linalg.solve(np.eye(2) - joined, joined) * root_b[:, None, :]
    g = rows["coupling_hz"].astype(complex)
    g[:, 1] *= np.exp(1j * rows["pump_phase_rad"])
    constant = np.zeros((n, 4, 4), dtype=complex)
    constant[:, [0, 1], [0, 1]] = (ka + rows["signal_internal_hz"]) / 2 + 1j * rows["signal_frequency_hz"]
    constant[:, 2:, 2:] = feedback
    idler = rows["pump_frequency_hz"][:, None] - rows["idler_frequency_hz"]
    constant[:, [2, 3], [2, 3]] += (kb + rows["idler_internal_hz"]) / 2 - 1j * idler
    constant[:, [0, 1], [2, 3]] = 1j * g
    constant[:, [2, 3], [0, 1]] = 1j * np.conj(g)
    motion = constant[:, None] - 1j * frequency_hz[None, :, None, None] * np.eye(4)
    response = np.linalg.inv(motion)[..., :2, :2]
    root = np.sqrt(ka)
    inner = np.eye(2) - root[:, None, :, None] * response * root[:, None, None, :]
    hybrid = np.empty((n, 1, 2, 2), dtype=complex)
    hybrid[:, 0, [0, 1], [0, 1]] = rows["hybrid_through"][:, None]
    hybrid[:, 0, [0, 1], [1, 0]] = rows["hybrid_cross"][:, None]
    s = hybrid @ inner @ hybrid
    return np.stack([s[..., 1, 0], s[..., 0, 1]], axis=1)


def by_circuit(frequency_hz: FloatArray, rows: Rows) -> ComplexArray:
    """S21 and S12 (n, 2, F) by composing a hybrid, two converters and a link with scikit-rf's circuits, row by row."""
    import skrf
    from skrf.circuit import Circuit

    points = frequency_hz.size
    axis = skrf.Frequency.from_f(frequency_hz, unit="hz")
    out = []
    for k in range(len(rows["pump_frequency_hz"])):
        row = {name: value[k] for name, value in rows.items()}
        hybrid = np.zeros((points, 4, 4), dtype=complex)  # ports 0, 1 outside; 2, 3 towards the converters
        hybrid[:, [0, 2, 1, 3], [2, 0, 3, 1]] = row["hybrid_through"]
        hybrid[:, [0, 3, 1, 2], [3, 0, 2, 1]] = row["hybrid_cross"]
        link = np.zeros((points, 2, 2), dtype=complex)
        link[:, 0, 1] = link[:, 1, 0] = row["link"]
        parts = {"hybrid": hybrid, "link": link}
        for stage, phase in ((0, 0.0), (1, row["pump_phase_rad"])):
            ka, kb = row["signal_linewidth_hz"][stage], row["idler_linewidth_hz"][stage]
            a = (ka + row["signal_internal_hz"][stage]) / 2 - 1j * (frequency_hz - row["signal_frequency_hz"][stage])
            shifted = frequency_hz + row["pump_frequency_hz"] - row["idler_frequency_hz"][stage]
            b = (kb + row["idler_internal_hz"][stage]) / 2 - 1j * shifted
            g = row["coupling_hz"][stage]
            det = a * b + g * g
            s = np.empty((points, 2, 2), dtype=complex)
            s[:, 0, 0] = 1 - ka * b / det
            s[:, 1, 1] = 1 - kb * a / det
            s[:, 0, 1] = 1j * g * np.exp(1j * phase) * np.sqrt(ka * kb) / det
            s[:, 1, 0] = 1j * g * np.exp(-1j * phase) * np.sqrt(ka * kb) / det
            parts[f"converter{stage}"] = s
        networks = {name: skrf.Network(frequency=axis, s=s, z0=50, name=name) for name, s in parts.items()}
        outside = [Circuit.Port(axis, f"port{j}", z0=50) for j in (1, 2)]
        circuit = Circuit(
            [
                [(outside[0], 0), (networks["hybrid"], 0)],
                [(outside[1], 0), (networks["hybrid"], 1)],
                [(networks["hybrid"], 2), (networks["converter0"], 0)],
                [(networks["hybrid"], 3), (networks["converter1"], 0)],
                [(networks["converter0"], 1), (networks["link"], 0)],
                [(networks["converter1"], 1), (networks["link"], 1)],
            ]
        )
        s = circuit.s_external
        out.append([s[:, 1, 0], s[:, 0, 1]])
    return np.array(out)


def compiled(flags: tuple[str, ...]) -> Callable[[FloatArray, Rows], ComplexArray] | None:
    """The kernel of `kernel.c`, compiled by the system's compiler; None where there is none."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        library = Path(folder) / f"kernel{sysconfig.get_config_var('SHLIB_SUFFIX') or '.so'}"
        source = Path(__file__).with_name("kernel.c")
        middle = Path(folder) / "kernel.o"
        # linked in a step of its own without the flags: a library linked with -ffast-math switches subnormal numbers off
        # for the whole process that loads it
        for command in (
            [compiler, *flags, "-c", "-fPIC", str(source), "-o", str(middle)],
            [compiler, "-shared", str(middle), "-o", str(library), "-lm"],
        ):
            if subprocess.run(command, capture_output=True, check=False).returncode != 0:
                return None
        call = ctypes.CDLL(str(library)).transmission  # stays loaded when the file is gone
    call.restype = None

    def run(frequency_hz: FloatArray, rows: Rows) -> ComplexArray:
        n = len(rows["pump_frequency_hz"])
        order = ("signal_frequency_hz", "idler_frequency_hz", "signal_linewidth_hz", "idler_linewidth_hz",
                 "signal_internal_hz", "idler_internal_hz", "coupling_hz")  # fmt: skip
        table = np.empty((n, 22))
        for k, name in enumerate(order):
            table[:, 2 * k : 2 * k + 2] = rows[name]
        table[:, 14], table[:, 15] = rows["pump_frequency_hz"], rows["pump_phase_rad"]
        for k, name in enumerate(("link", "hybrid_through", "hybrid_cross")):
            table[:, 16 + 2 * k], table[:, 17 + 2 * k] = rows[name].real, rows[name].imag
        grid = np.ascontiguousarray(frequency_hz)
        out = np.empty((n, 2, grid.size), dtype=complex)
        size = ctypes.c_long
        call(size(n), size(grid.size), *(ctypes.c_void_p(a.ctypes.data) for a in (grid, table, out)))
        return out

    return run


# ---------------------------------------------------------------- likelihood


class DirectSum:
    """The log-likelihood summed over every repeat, as a user would write it first; for one parameter set at a time.

    Parameters
    ----------
    likelihood : RatioLikelihood
        Without gain errors and flux noise; its white noise levels are taken over.
    repeats : sequence of ndarray (K, N, 2, F) of complex
        Per family, each repeat of each pump-on group over the pump-off mean.
    """

    def __init__(self, likelihood: Any, repeats: list[ComplexArray]) -> None:
        self._likelihood = likelihood
        self._repeats = repeats

    def __call__(self, parameters: Any) -> float:
        """-1/2 of the sum over all repeats of the squared residuals over their variance.

        What the pump-off mean's noise does to all repeats alike is inverted by Sherman and Morrison's formula, whose sums
        go over all repeats too.
        """
        total = 0.0
        predicted = self._likelihood.predict(parameters)
        for family, ratio, data in zip(self._likelihood.families, predicted, self._repeats, strict=True):
            each = family.precision[:, None] / data.shape[1]
            common = np.zeros(data.shape[2:], dtype=complex)
            for k in range(len(data)):
                residual = data[k] - ratio[0, k]
                total -= 0.5 * float(np.sum((residual.real**2 + residual.imag**2) * each[k]))
                common += np.sum(np.conj(family.expected[k]) * residual * each[k], axis=0)
            total += 0.5 * float(np.sum((common.real**2 + common.imag**2) * family.shared))
        return total
