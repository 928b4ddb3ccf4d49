"""Faults of one kind are named once.  Common practice, no source: a reader mends one line and knows where else to look."""

from __future__ import annotations

import pytest

from fluxsense.base.errors import InputError
from fluxsense.base.faults import MOST_SHOWN, Faults


def noted(*each: tuple[str, str, str]) -> Faults:
    faults = Faults()
    for where, what, remedy in each:
        faults.add(InputError(what, where=where, remedy=remedy))
    return faults


def test_nothing_is_raised_of_nothing() -> None:
    faults = Faults()
    faults.raise_any()
    assert not faults
    assert faults.lines() == []


def test_one_kind_is_named_with_its_places() -> None:
    faults = noted(
        ("s.toml, loop[a].side", '"3 GHz" is a frequency, but a length is wanted', "Write um"),
        ("s.toml, sweep.start", "this entry is missing", "Add it"),
        ("s.toml, loop[b].side", '"4 GHz" is a frequency, but a length is wanted', "Write um"),
        ("s.toml, loop[b].side", '"4 GHz" is a frequency, but a length is wanted', "Write um"),  # noted twice
        *((f"s.toml, loop[{n}].side", '"5 GHz" is a frequency, but a length is wanted', "Write um") for n in range(6)),
    )
    assert faults.count == 9
    with pytest.raises(InputError) as caught:
        faults.raise_any()
    assert str(caught.value).split("\n") == [
        's.toml, loop[a].side: "3 GHz" is a frequency, but a length is wanted (likewise loop[b].side ("4 GHz"), '
        'loop[0].side ("5 GHz"), loop[1].side ("5 GHz"), loop[2].side ("5 GHz"), loop[3].side ("5 GHz") and 2 more). Write um.',
        "s.toml, sweep.start: this entry is missing. Add it.",
    ]


def test_other_advice_or_other_words_are_another_kind() -> None:
    faults = noted(("f, a", "wrong", "Do"), ("f, b", "wrong", "Leave"), ("f, c", "broken", "Do"))
    assert [line.split(":")[0] for line in faults.lines()] == ["f, a", "f, b", "f, c"]


def test_rows_are_counted_and_two_faults_of_one_row_are_two() -> None:
    faults = noted(("log:2", "x is 3", ""), ("log:2", "x is 4", ""), ("log:3", "x is 5", ""), ("log:4", "x is 6", ""))
    assert faults.lines() == ["log:2: x is 3 (and 2 more rows of this kind).", "log:2: x is 4."]
    assert noted(("log:2", "x is 3", ""), ("log:9", "x is 4", "")).lines() == [
        "log:2: x is 3 (and 1 more row of this kind)."
    ]


def test_no_more_than_twelve_kinds_are_shown() -> None:
    faults = noted(*((f"f, k{n}", f"fault {chr(97 + n)}", "") for n in range(MOST_SHOWN + 5)))
    assert len(faults.lines()) == MOST_SHOWN + 1 == 13
    assert faults.lines()[-1] == "... and 5 more."
