"""How many isolators: the study with fewer or more of them in the same measuring time, and a layout search for each number.

More isolators sense at more places, but each gets a smaller share of the sweeps; which counts more depends on what is
unknown.  Every number is judged with the same time: repeats are scaled by the ratio of the numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from fluxsense.base.errors import InputError
from fluxsense.design.layout import (
    CRITERIA,
    Judge,
    Search,
    all_criteria,
    judged,
    search_layout,
    search_points,
    with_layout,
)
from fluxsense.study import BiasLine, Study

Progress = Callable[[str, float, str], None]

MOST = 24
APART_M = 1e-3
"""How far a copy of a fixed loop is set from its original, so that neither feels the other's place."""


def with_isolators(study: Study, count: int) -> Study:
    """The study with another number of isolators in the same measuring time.

    Fewer: the first ones are kept, with their loops.  More: copies of the first ones are added in turn, with loops, bias
    lines and priors like theirs; a copy's loops lie where the original's do until a layout search has placed them (copies
    of fixed loops are set apart).  Repeats are scaled by the ratio of the numbers, and are at least one.

    Parameters
    ----------
    study : Study
    count : int
        From 1 to 24.

    Raises
    ------
    InputError
        If the number is out of range.
    """
    if not 1 <= count <= MOST:
        raise InputError(f"{count} isolators cannot be laid out", remedy=f"Give a number from 1 to {MOST}")
    present = len(study.isolators)
    if count == present:
        return study
    chosen = study.isolators[:count]
    kept = {s.loop for iso in chosen for s in iso.stages}
    loops = [x for x in study.loops if x.name in kept]
    lines = [
        BiasLine(b.name, b.limit_a, tuple((n, m) for n, m in b.mutual_phi0_per_a if n in kept))
        for b in study.bias_lines
    ]
    used = [n for n, b in enumerate(lines) if b.mutual_phi0_per_a]
    bias = [tuple(s.bias_a[n] for n in used) for s in study.settings]
    lines = [lines[n] for n in used]
    isolators, fixed = list(chosen), list(study.layout.fixed)
    members = [tuple(n for n in s.isolators if any(n == iso.name for iso in chosen)) for s in study.settings]
    for k in range(present, count):
        original, turn = study.isolators[k % present], k // present
        renamed = {s.loop: f"{s.loop}_{turn + 1}"[:48] for s in original.stages}
        for name, new in renamed.items():
            loop = next(x for x in study.loops if x.name == name)
            outline = loop.outline_m
            if name in study.layout.fixed:
                fixed.append(new)
                outline = tuple((x, y + turn * APART_M, z) for x, y, z in outline)
            loops.append(replace(loop, name=new, outline_m=outline))
        own = [
            n
            for n, b in enumerate(study.bias_lines)
            if b.mutual_phi0_per_a and max(b.mutual_phi0_per_a, key=lambda pair: abs(pair[1]))[0] in renamed
        ]
        for n in own:
            line = study.bias_lines[n]
            mutual = tuple((renamed[name], m) for name, m in line.mutual_phi0_per_a if name in renamed)
            lines.append(BiasLine(f"{line.name}_{turn + 1}"[:48], line.limit_a, mutual))
            bias = [(*b, s.bias_a[n]) for b, s in zip(bias, study.settings, strict=True)]
        name = f"{original.name}_{turn + 1}"[:48]
        first, second = (replace(s, loop=renamed[s.loop]) for s in original.stages)
        isolators.append(replace(original, name=name, stages=(first, second)))
        members = [
            (*m, name) if original.name in s.isolators else m for m, s in zip(members, study.settings, strict=True)
        ]
    settings = tuple(
        replace(s, bias_a=b, isolators=m) for s, b, m in zip(study.settings, bias, members, strict=True) if m
    )
    scale = present / count
    plan = replace(
        study.plan,
        repeats=max(1, round(study.plan.repeats * scale)),
        off_repeats=max(1, round(study.plan.off_repeats * scale)),
    )
    rules = replace(study.layout, fixed=tuple(n for n in fixed if any(n == x.name for x in loops)))
    return replace(
        study,
        loops=tuple(loops),
        bias_lines=tuple(lines),
        isolators=tuple(isolators),
        settings=settings,
        plan=plan,
        layout=rules,
    )


@dataclass(frozen=True)
class CountResult:
    """The best layout found for one number of isolators.

    Attributes
    ----------
    count : int
    study : Study
        With that layout.
    value : float
        The criterion at points of the prior that the search did not see, in the criterion's own unit.
    valid : bool
        Whether the prediction is valid, with what the comparison takes as known.
    """

    count: int
    study: Study
    value: float
    valid: bool


def compare_counts(
    study: Study,
    counts: Sequence[int],
    search: Search | None = None,
    *,
    criterion: str = "error",
    known: Sequence[str] = (),
    progress: Progress | None = None,
) -> list[CountResult]:
    """A layout search for each of several numbers of isolators, in the same measuring time.

    Parameters
    ----------
    study : Study
    counts : sequence of int
    search : Search, optional
        Of each; four starts of 600 steps by default.
    criterion, known
        See `fluxsense.design.layout.Judge`.
    progress : callable, optional

    Returns
    -------
    list of CountResult
        In the order of `counts`.

    Raises
    ------
    InputError
        If a number is out of range, or its loops do not fit under the rules.
    """
    if criterion not in CRITERIA:
        raise InputError(f'the criterion "{criterion}" is unknown', remedy=f"Use one of {', '.join(CRITERIA)}")
    search = search or Search(starts=4, steps=600)
    out = []
    for n, count in enumerate(counts):
        if progress is not None:
            progress("comparing numbers of isolators", n / len(counts), f"{count} isolators")
        changed = with_isolators(study, count)
        judge = Judge(changed, search_points(changed, search.points, search.seed), criterion, known)
        found = search_layout(judge, search)
        best = with_layout(changed, found.layout)
        prediction = judged(best, seed=search.seed)
        out.append(CountResult(count, best, all_criteria(prediction, known)[criterion], prediction.valid(known)))
    return out
