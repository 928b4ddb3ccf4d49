"""Named streams of random numbers: independent, reproducible, and no two purposes in the package share one.

numpy's `SeedSequence` is the outside reference for what a key does; the rest is counting.
"""

from __future__ import annotations

import ast
from collections import Counter

import numpy as np
import pytest
from package_source import nodes, trees

from fluxsense.base.streams import sequence, stream

MAKERS = {"default_rng", "SeedSequence", "PCG64", "seed"}
"""What would make random numbers without a name."""


def calls() -> list[tuple[str, str, list[ast.expr]]]:
    """Every call in the package: file, last part of the called name, arguments."""
    found = []
    for file in trees():
        for node in nodes(file):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "attr", getattr(node.func, "id", ""))
                found.append((file, name, node.args))
    return found


def names() -> list[str]:
    """The name given in every call of `stream` or `sequence`; anything but a plain text fails."""
    out = []
    for file, called, arguments in calls():
        if called in ("stream", "sequence") and file != "base/streams.py":
            assert isinstance(arguments[1], ast.Constant), f"{file}: a stream's name is written out where it is used"
            out.append(arguments[1].value)
    return out


def test_every_random_number_of_the_package_has_a_name() -> None:
    assert [(file, name) for file, name, _ in calls() if name in MAKERS and file != "base/streams.py"] == []


def test_no_name_is_used_for_two_purposes() -> None:
    count = Counter(names())
    assert len(count) > 20
    assert [name for name, times in count.items() if times > 1] == []


def test_no_two_names_share_a_stream() -> None:
    every = names()
    keys = {sequence(0, name).spawn_key for name in every}
    assert len(keys) == len(every)
    first = np.array([stream(3, name).random(4) for name in every])
    assert len(np.unique(first)) == first.size


@pytest.mark.parametrize("seed", [0, 7, 2**70])
def test_a_stream_is_numpys_with_that_key(seed: int) -> None:
    one = stream(seed, "noise", 2)
    assert one.random() == stream(seed, "noise", 2).random()
    again = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=sequence(seed, "noise", 2).spawn_key))
    assert stream(seed, "noise", 2).random(3).tolist() == again.random(3).tolist()
    others = [
        stream(seed + 1, "noise", 2),
        stream(seed, "noise"),
        stream(seed, "noise", 1),
        stream(seed, "noise", 2, 0),
    ]
    others += [*stream(seed, "noise").spawn(3), *np.random.default_rng(seed).spawn(3), np.random.default_rng(seed)]
    values = [stream(seed, "noise", 2).random(), *(x.random() for x in others)]
    assert len(set(values)) == len(values)


def test_numbers_do_not_run_into_names() -> None:
    assert sequence(0, "a", 12).spawn_key != sequence(0, "a", 1, 2).spawn_key
    assert sequence(0, "a1").spawn_key != sequence(0, "a", 1).spawn_key
