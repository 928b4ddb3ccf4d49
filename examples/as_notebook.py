"""A tutorial in percent format (`# %%` begins a cell) as a Jupyter notebook (format 4.5), without any library.

python examples/as_notebook.py examples/tutorial_direction.py [OUT.ipynb]
"""

import argparse
import json
from pathlib import Path


def cells(text: str) -> list[tuple[str, list[str]]]:
    """Kind (markdown or code) and lines of each cell."""
    out: list[tuple[str, list[str]]] = []
    for line in text.splitlines():
        if line.startswith("# %%"):
            out.append(("markdown" if "[markdown]" in line else "code", []))
        elif out:
            out[-1][1].append(line)
    return [(kind, _trimmed(lines if kind == "code" else [x.removeprefix("#").removeprefix(" ") for x in lines]))
            for kind, lines in out]  # fmt: skip


def _trimmed(lines: list[str]) -> list[str]:
    while lines and not lines[-1].strip():
        lines = lines[:-1]
    return lines


def notebook(text: str) -> dict[str, object]:
    """The document of a notebook."""
    made = []
    for n, (kind, lines) in enumerate(cells(text)):
        source = [f"{x}\n" for x in lines[:-1]] + lines[-1:]
        cell: dict[str, object] = {"cell_type": kind, "id": f"cell-{n}", "metadata": {}, "source": source}
        made.append(cell | ({"execution_count": None, "outputs": []} if kind == "code" else {}))
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    return {"cells": made, "metadata": {"kernelspec": kernel}, "nbformat": 4, "nbformat_minor": 5}


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("script", type=Path)
    parser.add_argument("out", type=Path, nargs="?")
    options = parser.parse_args()
    out = options.out or options.script.with_suffix(".ipynb")
    out.write_text(json.dumps(notebook(options.script.read_text()), indent=1) + "\n")
    print(f"Wrote {out}")
