"""Causes by name: silent where everything is as stated, right where one number is not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study
from test_elimination import uncertain

from fluxsense.device.chip import nominal_array
from fluxsense.infer.causes import Cause, cause_findings, causes
from fluxsense.infer.orient import settle
from fluxsense.jobs.simulate import draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.report.sentences import SENTENCES, sentence


def found_in(folder: Path, seed: int, off_sd: float) -> list[Cause]:
    """Causes in a campaign whose first signal frequency is drawn from its prior, or off by so many deviations."""
    study = uncertain(small_study(folder, points=9, wiring="+90 deg"))
    rng = np.random.default_rng(seed)
    truth = draw_truth(study, seed)
    changed = {}
    for p in RatioLikelihood(study, simulate_digest(study, truth)).eliminated[0]:
        array = changed.get(p.array, nominal_array(study, p.array, 1))
        off = off_sd if p.array == "signal_frequency_hz" and p.index == (0, 0) and off_sd else rng.standard_normal()
        p.put({p.array: array}, p.value(np.array([off])))
        changed[p.array] = array
    there = truth.parameters.changed(**changed)
    digest = simulate_digest(study, replace(truth, parameters=there))
    problem = CampaignProblem(Unknowns(study), RatioLikelihood(study, digest, truth.port_signs), integrate=False)
    problem, x = settle(problem, problem.unknowns.whitened(truth.parameters)[0])
    return causes(Linearised.of(problem, x))


@pytest.mark.parametrize("campaigns", [8, pytest.param(24, marks=pytest.mark.slow)])
def test_what_is_as_stated_is_not_named_and_what_is_not_is(tmp_path: Path, campaigns: int) -> None:
    least = []
    for seed in range(campaigns):
        found = found_in(tmp_path, seed, 0.0)
        assert cause_findings(found) == []
        least.append(next(c.times for c in found if c.kind == "signal_frequency_hz"))
    # numbers as stated: the root of a chi-square over its degrees of freedom
    assert 0.4 < np.median(least) < 1.3
    off = found_in(tmp_path, 3, 6.0)
    assert (off[0].kind, off[0].isolator) == ("signal_frequency_hz", "a")
    assert off[0].probability < 1e-4
    said = sentence(cause_findings(off)[0])
    assert said.startswith(
        "Numbers of the chip are further off than stated or assumed: the data put signal frequency a stage 1"
    )
    assert "Characterize the chip" in said


def test_doubt_grows_with_how_far_off_it_is() -> None:
    one = Cause("line_end", "a", "line end at port 1 of a, re 1", 2.0, 1e-9, True)
    levels = [cause_findings([replace(one, times=t)])[0].doubt for t in (2.0, 6.0, 20.0)]
    assert levels == [0, 1, 2]
    assert [cause_findings([replace(one, times=2.5)], bend)[0].doubt for bend in (0.5, 1.0)] == [0, 1]
    assert "other values may fit as well" in sentence(cause_findings([replace(one, times=2.5)], 1.0)[0])
    assert cause_findings([replace(one, probability=0.01)]) == []
    assert cause_findings([replace(one, eliminated=False)]) == []
    assert "A reflection trace" in sentence(cause_findings([one])[0])


def test_words_of_causes_stand_in_their_sentences_only() -> None:
    """A finding's value of such a name is an array of the model: no other sentence may call a text of its own that."""
    for name in ("{cause}", "{measure_next}"):
        assert [code for code, text in SENTENCES.items() if name in text] == ["beyond prior", "beyond prior, bent"]


def test_loops_beyond_those_that_a_source_needs_tell_of_focusing_factors(tmp_path: Path) -> None:
    """Four loops and three components: one combination of factors is seen, and counts once for both isolators."""
    study = small_study(tmp_path, points=9, wiring="+90 deg")
    study = replace(
        study, loops=tuple(replace(loop, stated_sd=(*loop.stated_sd, ("flux_focusing", 0.05))) for loop in study.loops)
    )
    named = {}
    for off in (0.0, 10.0):
        truth = draw_truth(study, 4)
        factors = np.array(truth.parameters["flux_focusing"])
        factors[0] = (1.0 + 0.05 * off * np.array([-1.0, 1.0, -1.0, 1.0])) * np.array(
            [loop.flux_focusing for loop in study.loops]
        )
        digest = simulate_digest(study, replace(truth, parameters=truth.parameters.changed(flux_focusing=factors)))
        problem = CampaignProblem(Unknowns(study), RatioLikelihood(study, digest, truth.port_signs), integrate=False)
        problem, x = settle(problem, problem.unknowns.whitened(truth.parameters)[0])
        named[off] = next((c for c in causes(Linearised.of(problem, x)) if c.kind == "flux_focusing"), None)
    assert named[0.0] is not None
    assert named[10.0] is not None
    assert named[0.0].probability > 0.1
    assert named[10.0].probability < 1e-3
