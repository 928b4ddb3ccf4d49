"""The suite with the oldest dependencies that pyproject.toml allows, and with the newest.

    python tests/faults/versions.py                     # both, the fast suite: two environments, then a few minutes each
    python tests/faults/versions.py --which oldest --keep /tmp/oldest -- tests/data/test_digest.py -x

The oldest environment pins every run-time dependency to its lower bound; what tests alone need comes as new as these
allow.  Arguments after `--` go to pytest.  Exit code 0 only if the suite passes in each.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


CONTEMPORARIES = ("pyparsing==3.1.2",)
"""What the oldest libraries need beside them: matplotlib 3.9 calls functions of pyparsing that later became deprecated."""


def lower_bounds() -> list[str]:
    """Run-time dependencies pinned to the lower bounds of pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pins = []
    for text in project["dependencies"]:
        match = re.fullmatch(r"([\w.-]+)>=([\w.]+)", text.strip())
        if match is None:
            raise SystemExit(f"the dependency {text!r} states no lower bound")
        pins.append(f"{match[1]}=={match[2]}")
    return pins


def suite(which: str, place: Path, arguments: list[str]) -> int:
    """Make one environment and run the tests in it."""
    venv.create(place, with_pip=True, clear=True)
    python = place / "bin" / "python"
    install = [str(python), "-m", "pip", "install", "--quiet", "-e", f"{ROOT}[test]"]
    if which == "oldest":
        pins = place / "oldest.txt"
        pins.write_text("\n".join((*lower_bounds(), *CONTEMPORARIES)) + "\n")
        install += ["-c", str(pins)]
    else:
        install += ["--upgrade", "--upgrade-strategy", "eager"]
    subprocess.run(install, check=True, cwd=ROOT)
    listed = subprocess.run(
        [str(python), "-m", "pip", "list", "--format=freeze"], check=True, capture_output=True, text=True
    ).stdout.split()
    names = {re.split(r"[=>]", p)[0].lower() for p in lower_bounds()}
    print(
        f"{which}: {sys.version.split()[0]}, " + ", ".join(x for x in listed if x.split("=")[0].lower() in names),
        flush=True,
    )
    done = subprocess.run(
        [str(python), "-m", "pytest", "-q", "-p", "no:cacheprovider", *(arguments or ["-n", "2"])],
        cwd=ROOT,
        check=False,
    )
    return done.returncode


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--which", choices=("oldest", "newest", "both"), default="both")
    parser.add_argument("--keep", metavar="DIR", help="make the environments here and leave them")
    parser.add_argument("arguments", nargs="*", help="for pytest")
    options = parser.parse_args()
    codes = []
    for which in ("oldest", "newest") if options.which == "both" else (options.which,):
        with tempfile.TemporaryDirectory() as folder:
            place = Path(options.keep or folder) / which
            codes.append(suite(which, place, options.arguments))
            print(f"{which}: {'passed' if codes[-1] == 0 else 'failed'}", flush=True)
    return int(any(codes))


if __name__ == "__main__":
    raise SystemExit(main())
