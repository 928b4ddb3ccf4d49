"""How to cite the package: a sentence and a BibTeX entry, from the package's metadata and ``CITATION.cff``."""

from __future__ import annotations

import re
from importlib.metadata import metadata
from importlib.resources import files


def citation() -> str:
    """The sentence and the entry as text.

    All but the year is metadata of the installed package; the year is that of ``CITATION.cff``.
    """
    package = metadata("fluxsense")
    cff = (files("fluxsense") / "CITATION.cff").read_text(encoding="utf-8")
    year = re.search(r"^date-released: (\d{4})-", cff, re.MULTILINE)
    name, version, summary, authors = (package[x] for x in ("Name", "Version", "Summary", "Author"))
    entry = {
        "author": f"{{{authors}}}",
        "title": f"{name}: {summary[0].lower()}{summary[1:]}",
        "version": version,
        "year": "" if year is None else year[1],
        "license": package["License-Expression"] or "",
        "note": "Computer program",
    }
    lines = [f"  {key} = {{{value}}}," for key, value in entry.items() if value]
    sentence = (
        f"The direction of the source was inferred with {name} {version} ({authors}, {entry['year']}); the result states the "
        "seed, the versions of all libraries, and the hashes of study and data."
    )
    return "\n".join([sentence, "", f"@software{{{name}_{version.replace('.', '_')},", *lines, "}"])
