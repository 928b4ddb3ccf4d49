"""An answer in open formats: draws as NetCDF (arviz's InferenceData) and CSV, tables as CSV and LaTeX, figures as PDF and SVG."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

import numpy as np

from fluxsense.base.errors import InputError
from fluxsense.base.files import write_beside
from fluxsense.jobs.folder import write_figures
from fluxsense.jobs.orient import Answer, stated_truth
from fluxsense.jobs.result import json_text
from fluxsense.report.tables import Table

DRAWS: Final = 3000
"""Posterior draws that go out: those behind the table of unknowns in the document."""
NEEDED: Final = ("arviz", "h5netcdf")
"""Libraries that NetCDF needs."""


def refuse_without_arviz() -> None:
    """Refuse NetCDF where its libraries are not installed, before long work begins.

    Raises
    ------
    InputError
    """
    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise InputError(
            f"NetCDF needs {' and '.join(missing)}, which {'is' if len(missing) == 1 else 'are'} not installed",
            where="--netcdf",
            remedy="Run: pip install 'fluxsense[netcdf]'",
        )


def inference_data(answer: Answer) -> Any:
    """The posterior as an ``arviz.InferenceData``.

    Parameters
    ----------
    answer : Answer

    Returns
    -------
    arviz.InferenceData
        Group ``posterior``, one chain: every unknown in SI units by its name with anything but letters and digits as ``_`` (attributes
        ``name`` and ``unit``), ``direction`` (x, y, z) and ``size``.  Draws come evenly from all ensembles, so that their means and
        deviations are those of the document; the document itself is the attribute ``result`` (JSON).

    Raises
    ------
    InputError
        If arviz is not installed.
    """
    refuse_without_arviz()
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # arviz announces its own next version
        import arviz

    names, units, values = answer.table(DRAWS)
    source = values[:, :3]
    size = np.linalg.norm(source, axis=1)
    columns = {_identifier(n): values[None, :, k] for k, n in enumerate(names)}
    if len(columns) < len(names):
        raise InputError("two unknowns have the same name once spaces are gone", remedy="Rename loops or isolators")
    everything = columns | {"size": size[None], "direction": (source / size[:, None])[None]}
    data = arviz.from_dict(posterior=everything, dims={"direction": ["axis"]}, coords={"axis": ["x", "y", "z"]})
    for name, unit in zip(names, units, strict=True):
        data.posterior[_identifier(name)].attrs.update(name=name, unit=unit)
    data.posterior["size"].attrs.update(name="size of the source", unit=answer.study.source.unit)
    data.posterior["direction"].attrs.update(name="direction of the source", unit="")
    data.posterior.attrs["result"] = json_text(answer.document)
    return data


def _identifier(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "_", name).strip("_")


def _write_netcdf(answer: Answer, folder: Path) -> None:
    data = inference_data(answer)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "posterior.nc"
        data.to_netcdf(str(path), engine="h5netcdf")
        write_beside(folder / "posterior.nc", path.read_bytes(), sync=True)


def _write_tables(answer: Answer, folder: Path) -> None:
    names, units, values = answer.table(DRAWS)
    columns = tuple(f"{name} ({unit})" if unit else name for name, unit in zip(names, units, strict=True))
    draws = Table("Posterior draws", columns, tuple(tuple(float(x) for x in row) for row in values))
    written = {"draws.csv": draws.csv()}
    for stem, table in answer.tables().items():
        written |= {f"{stem}.csv": table.csv(), f"{stem}.tex": table.latex()}
    for name, text in written.items():
        write_beside(folder / name, text.encode("utf-8"), sync=True)


def _write_figures(answer: Answer, folder: Path) -> None:
    from fluxsense.jobs.page import shown
    from fluxsense.report.pictures import answer_figures
    from fluxsense.report.views import known_source

    write_figures(answer_figures(shown(answer), known_source(stated_truth(answer.study))), folder)


WRITERS: Final[dict[str, Callable[[Answer, Path], None]]] = {
    "netcdf": _write_netcdf,
    "tables": _write_tables,
    "figures": _write_figures,
}
"""Formats by their option."""


def write_formats(answer: Answer, folder: Path, wanted: Sequence[str]) -> None:
    """Write an answer in formats of `WRITERS`.

    Raises
    ------
    InputError
        If a library is missing, or a file cannot be written.
    """
    for one in wanted:
        WRITERS[one](answer, folder)
