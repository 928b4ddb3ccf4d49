"""Several isolators on one line: what they pick up of each other, stated, uncertain or not said, in the study and in the answer.

Reference: the same campaign (same truth, same draws of noise) without cross-talk, and what its sweeps are by the sum written
out in `device/test_chip_setup.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy.stats import chi2
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import angle_between_rad
from fluxsense.data.digest import Digest
from fluxsense.device.chip import MIXING
from fluxsense.infer.modes import ascend
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.jobs.start import example_text
from fluxsense.model.likelihood import RatioLikelihood
from fluxsense.model.linearised import Linearised
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, read_study
from fluxsense.study.readout import CrossTalk, Readout
from fluxsense.study.write import study_text

PAIRS = (CrossTalk("a", "b", 0.003, 0.3), CrossTalk("b", "a", 0.003, -1.2))


def on_one_line(study: Study, pairs: tuple[CrossTalk, ...] = (), exact: bool = False) -> Study:
    """Both isolators on one line; pairs that are not given are not stated, and none if `exact`."""
    readout = Readout(1e-3, 1e3, shared=("a", "b"), cross_talk=pairs, cross_talk_exact=exact)
    return replace(study, readout=readout)


@dataclass(frozen=True)
class Answer:
    """Most probable direction, its standard deviation (rad), misfit with its degrees of freedom, and the likelihood."""

    direction: np.ndarray
    sd_rad: float
    misfit: float
    degrees: int
    likelihood: RatioLikelihood


def answer(study: Study, digest: Digest, truth: Truth) -> Answer:
    unknowns = Unknowns(study)
    likelihood = RatioLikelihood(study, digest, truth.port_signs)
    for _ in range(2):  # the second time about what the first found
        problem = CampaignProblem(unknowns, likelihood, integrate=False)
        mode = ascend(problem, unknowns.whitened(truth.parameters)[0])
        assert mode is not None
        likelihood = likelihood.rebuilt(reference=likelihood.moved_to(unknowns.parameters(mode.x[None])))
    w = mode.x[:3]
    covariance = Linearised.of(problem, mode.x).covariance[:3, :3]
    across = np.eye(3) - np.outer(w, w) / (w @ w)
    sd = float(np.sqrt(np.trace(across @ covariance @ across) / (w @ w)))
    residuals = [
        f.ratio - r for f, r in zip(likelihood.families, likelihood.predict(likelihood.reference), strict=True)
    ]
    misfit = float(likelihood.quadratic([r if r.ndim == 4 else r[None] for r in residuals])[0])
    return Answer(w, sd, misfit, likelihood.values - unknowns.size, likelihood)


@pytest.fixture(scope="module")
def campaigns(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Truth, Digest, Digest]:
    """A precise campaign, without cross-talk and with 0.3% each way."""
    study = small_study(tmp_path_factory.mktemp("line"), points=25, repeats=6)
    study = replace(study, noise=replace(study.noise, white=4e-4, residual_gain=0.0))
    mixed = on_one_line(study, PAIRS, exact=True)
    truth = draw_truth(mixed, 4)
    alone = {n: truth.parameters[n] for n in truth.parameters if n != MIXING}
    quiet = replace(truth, parameters=type(truth.parameters)(alone))
    return study, truth, simulate_digest(study, quiet), simulate_digest(mixed, truth)


def learning(before: Answer, after: Answer) -> float:
    """Twice how far the direction may move by numbers that are learned beside it: variances of nested models differ by that."""
    return 2 * float(np.sqrt(max(after.sd_rad**2 - before.sd_rad**2, 0.0)))


@pytest.mark.parametrize("sd", [0.0, 3e-4, 3e-3])
def test_cross_talk_that_is_stated_moves_nothing(campaigns: tuple[Study, Truth, Digest, Digest], sd: float) -> None:
    study, truth, without, with_it = campaigns
    before = answer(study, without, truth)
    stated = tuple(replace(c, stated_sd=(("amplitude", sd),)) for c in PAIRS)
    after = answer(on_one_line(study, stated), with_it, truth)
    moved = angle_between_rad(after.direction, before.direction)
    assert moved < 0.1 * before.sd_rad + (learning(before, after) if sd else 0.0)
    assert after.sd_rad == pytest.approx(before.sd_rad, rel=0.06 if sd else 0.01)
    assert chi2.sf(after.misfit, after.degrees) > 1e-4


def test_cross_talk_that_nobody_stated_is_learned_or_seen(campaigns: tuple[Study, Truth, Digest, Digest]) -> None:
    study, truth, without, with_it = campaigns
    before = answer(study, without, truth)
    # the line is known to be shared: 0.3% within the default, found out from the sweeps
    learned = answer(on_one_line(study), with_it, truth)
    assert angle_between_rad(learned.direction, before.direction) < 0.1 * before.sd_rad + learning(before, learned)
    assert chi2.sf(learned.misfit, learned.degrees) > 1e-4
    own = learned.likelihood.eliminated[0]
    assert [p.name for p in own] == ["cross-talk of b into a, re", "cross-talk of b into a, im"]
    found = learned.likelihood.reference[MIXING][0, 0, 1] @ [1, 1j]
    error = np.sqrt(np.trace(learned.likelihood.eliminated_covariance(0))) * own[0].sd
    assert abs(found - 0.003 * np.exp(-0.3j)) < 4 * error < 0.002
    # nobody says anything, and everything else is said to be exact: the sweeps do not look like the model
    unsaid = answer(study, with_it, truth)
    assert chi2.sf(unsaid.misfit, unsaid.degrees) < 1e-6


def study_with(tmp_path, lines: str, shared: str = 'shared_line = ["east", "north"]') -> Study:
    text = example_text("grain_500nm").replace("[[readout.down]]", f"{shared}\n{lines}\n[[readout.down]]", 1)
    (tmp_path / "study.toml").write_text(text)
    return read_study(tmp_path / "study.toml")


PAIR = '[[readout.cross_talk]]\ninto = "east"\nfrom = "north"\namplitude = 0.003\nphase = "20 deg"\n'


def test_cross_talk_in_a_study(tmp_path):
    study = study_with(tmp_path, PAIR + "amplitude_sd = 0.0005\n")
    first, second = study.readout.cross_talks
    assert (first.into, first.source, first.amplitude) == ("east", "north", 0.003)
    assert first.phase_rad == pytest.approx(np.radians(20))
    assert first.sd["amplitude"] == 0.0005
    assert (second.into, second.amplitude, second.sd["amplitude"]) == ("north", 0.0, 0.003)
    (tmp_path / "again.toml").write_text(study_text(study))
    assert read_study(tmp_path / "again.toml").readout == study.readout
    assert study_with(tmp_path, PAIR).readout.cross_talks[0].sd["amplitude"] == pytest.approx(3e-4)
    assert study_with(tmp_path, "", "shared_line = true").readout.shared == ("east", "north")
    assert study_with(tmp_path, "", "shared_line = false").readout.cross_talks == ()
    assert study_with(tmp_path, PAIR + 'amplitude_sd = "exact"\n').readout.cross_talks[0].sd["amplitude"] == 0.0


@pytest.mark.parametrize(
    ("lines", "shared", "words"),
    [
        (
            PAIR,
            "",
            'the isolator "east" is not on the shared line (likewise readout.cross_talk[number 1].from ("north")). Add it',
        ),
        (PAIR.replace('"north"', '"south"'), "shared_line = true", "readout.cross_talk[number 1].from"),
        (PAIR.replace('"north"', '"east"'), "shared_line = true", "an isolator has no cross-talk with itself"),
        (PAIR + PAIR, "shared_line = true", "a pair of isolators is stated twice"),
        (PAIR.replace("0.003", "3.0"), "shared_line = true", "amplitude"),
        ("", 'shared_line = ["east", "west"]', "west"),
        ("", "shared_line = 3", "shared_line"),
    ],
)
def test_cross_talk_that_cannot_be(tmp_path, lines, shared, words):
    with pytest.raises(InputError) as caught:
        study_with(tmp_path, lines, shared)
    assert words in str(caught.value)
    assert str(caught.value).startswith("study.toml, readout")
