"""How to cite the package, and what changed: one version everywhere.

The form of ``CITATION.cff`` is that of the Citation File Format 1.2.0 (required keys from memory).
"""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import fluxsense

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "fluxsense"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_citation_file_agrees_with_the_package() -> None:
    text = (PACKAGE / "CITATION.cff").read_text(encoding="utf-8")
    found = dict(re.findall(r'^([a-z-]+): "?([^"\n]+)"?$', text, re.MULTILINE))
    assert {"cff-version", "message", "title", "version"} <= found.keys()
    assert "\nauthors:\n" in text
    project = PROJECT["project"]
    assert found["version"] == project["version"] == fluxsense.__version__
    assert found["license"] == project["license"]
    assert found["title"].lower() == f"{project['name']}: {project['description']}".lower()
    assert re.findall(r'^  - name: "(.+)"$', text, re.MULTILINE) == [a["name"] for a in project["authors"]]


def test_cite_prints_a_sentence_and_an_entry_and_imports_nothing_heavy() -> None:
    code = """
import sys
from fluxsense.cli import main
try:
    main(["--cite"])
except SystemExit as stop:
    print(stop.code, [m for m in ("numpy", "scipy", "matplotlib") if m in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert done.stderr == ""
    sentence, entry = done.stdout.split("\n\n")
    assert f"fluxsense {fluxsense.__version__}" in sentence
    entry, end = entry.rstrip("\n").rsplit("\n", 1)
    assert end == "0 []"
    assert entry.startswith("@software{fluxsense_")
    assert entry.count("{") == entry.count("}")
    fields = dict(re.findall(r"^  (\w+) = \{(.+)\},$", entry, re.MULTILINE))
    assert fields["version"] == fluxsense.__version__
    assert fields["author"] == "{the fluxsense developers}"
    assert re.fullmatch(r"\d{4}", fields["year"])


def test_changes_begin_with_this_version_and_are_installed() -> None:
    text = (PACKAGE / "CHANGES.md").read_text(encoding="utf-8")
    assert re.findall(r"^## (\S+)", text, re.MULTILINE)[0] == fluxsense.__version__
    assert {"CHANGES.md", "CITATION.cff", "THEORY.md"} <= set(
        PROJECT["tool"]["setuptools"]["package-data"]["fluxsense"]
    )
