"""What `import fluxsense` offers: every name importable, every command a function, whatever was imported before."""

from __future__ import annotations

import subprocess
import sys

import pytest

import fluxsense
from fluxsense.cli import COMMANDS


def python(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_every_name_is_there_and_says_what_it_does() -> None:
    for name in fluxsense.__all__:
        value = getattr(fluxsense, name)
        assert name == "__version__" or (callable(value) and value.__doc__), name
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = fluxsense.nothing


def test_every_command_that_answers_is_a_function() -> None:
    for name in set(COMMANDS) - {"start"}:
        assert name in fluxsense.__all__
        assert getattr(fluxsense, name).__module__ == f"fluxsense.jobs.{name}"


@pytest.mark.parametrize("first", ["", "import fluxsense.characterize.run", "import fluxsense.jobs.characterize"])
def test_characterize_is_the_command_whatever_was_imported(first: str) -> None:
    code = f"""
{first}
from fluxsense import characterize
import fluxsense
from fluxsense.characterize.run import Characterization
print(characterize.__module__, fluxsense.characterize is characterize, Characterization.__module__)
"""
    assert python(code) == "fluxsense.jobs.characterize True fluxsense.characterize.run\n"


def test_the_package_itself_imports_nothing_heavy() -> None:
    assert python("import sys, fluxsense; print([m for m in ('numpy', 'scipy') if m in sys.modules])") == "[]\n"
