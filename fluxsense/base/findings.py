"""What is found out about a result, as values: findings, and the verdict that they add up to.

A finding is a code with the numbers and names that belong to it.  Sentences are made of findings in ``report/sentences.py``
and nowhere else, so that whoever finds something out need not care how it is said, in which language, or how long a line is.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Union

TRUST = ("reliable", "tentative", "unusable")
"""Levels of trust, best first; a finding's doubt is a place in this list."""

Value = Union[str, float, int, bool, tuple[float, ...], tuple[float, str], tuple[str, ...], tuple["Finding", ...]]  # noqa: UP007 - an alias needs it at run time


@dataclass(frozen=True, init=False)
class Finding:
    """Something found out.

    Parameters
    ----------
    code : str
        What it is; `report.sentences` holds a sentence for each.
    doubt : int
        What it leaves of the trust in the result, as a place in `TRUST`; 0 for a finding that takes nothing away.
    **values : str or number or tuple
        Numbers (SI units, unit in the name) and names that the sentence needs.
    """

    code: str
    doubt: int
    items: tuple[tuple[str, Value], ...]

    def __init__(self, code: str, doubt: int = 0, **values: Value) -> None:
        object.__setattr__(self, "code", code)
        object.__setattr__(self, "doubt", doubt)
        object.__setattr__(self, "items", tuple(values.items()))

    def more(self, code: str, **values: Value) -> Finding:
        """Another finding with these values and further ones."""
        found = Finding(code, self.doubt)
        object.__setattr__(found, "items", (*self.items, *values.items()))
        return found

    @property
    def values(self) -> dict[str, Value]:
        """Numbers and names by what they are called."""
        return dict(self.items)


@dataclass(frozen=True)
class Verdict:
    """Whether to believe a result.

    Attributes
    ----------
    trust : str
        'reliable', 'tentative' or 'unusable'.
    reasons : tuple of Finding
        Why; never empty.
    """

    trust: str
    reasons: tuple[Finding, ...]

    @classmethod
    def of(cls, findings: Iterable[Finding], otherwise: str) -> Verdict:
        """The verdict that findings with a doubt add up to; without any, `otherwise` is the code of the only reason."""
        doubts = tuple(f for f in findings if f.doubt)
        return cls(TRUST[max((f.doubt for f in doubts), default=0)], doubts or (Finding(otherwise),))

    @property
    def exit_code(self) -> int:
        """Of the command: 0 if the result is reliable, 1 if it is done but not to be trusted."""
        return int(self.trust != TRUST[0])
