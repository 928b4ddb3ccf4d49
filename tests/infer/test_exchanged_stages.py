"""The place with stages exchanged and reflections reversed.

References: the closed form of an isolator with the pump off, S21 = i (R_1 + R_2)/2, S11 = (R_1 - R_2)/2 = -S22, and what line ends
make of it, S21/((1 - e1 S11)(1 - e2 S22) - e1 e2 S12 S21) (both derived in `fluxsense/THEORY.md`, 4): exactly the same with both
changed.  Beyond that, the truth of a campaign, and sums of independent likelihoods.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_study import small_study

from fluxsense import load_screened
from fluxsense.base.sphere import vector_from_angles
from fluxsense.base.streams import stream
from fluxsense.device.chip import ChipModel, nominal_array
from fluxsense.infer.orient import prepare
from fluxsense.infer.reference import EXCHANGE_GAIN, marginal, with_drawn_starts, with_exchanged_stages
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.model.likelihood import RatioLikelihood, probe_of
from fluxsense.model.problem import CampaignProblem
from fluxsense.model.unknowns import Unknowns
from fluxsense.study import Study, read_study


def with_line_ends(study: Study) -> Study:
    """Line ends of 20 dB, signal frequencies known to 2 MHz."""
    stated = (("signal_frequency_hz", 2e6),)
    return replace(
        study,
        isolators=tuple(
            replace(
                i,
                setup=i.setup.with_sd(line_reflection=0.1),
                stages=(replace(i.stages[0], stated_sd=stated), replace(i.stages[1], stated_sd=stated)),
            )
            for i in study.isolators
        ),
    )


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> tuple[Study, Truth, CampaignProblem]:
    """Linearised about the truth: stages 1.5 MHz off to either side, reflections of 15 to 20 dB."""
    study = with_line_ends(small_study(tmp_path_factory.mktemp("exchanged"), wiring="+90 deg", points=31))
    truth = draw_truth(study, 3)
    signal, ends = nominal_array(study, "signal_frequency_hz", 1), nominal_array(study, "line_end", 1)
    signal[0, 0] += [1.5e6, -1.5e6]
    ends[0, 0, :, 0] = [[0.15, 0.05], [-0.1, 0.08]]
    parameters = truth.parameters.changed(signal_frequency_hz=signal, line_end=ends)
    truth = replace(truth, parameters=parameters)
    likelihood = RatioLikelihood(study, simulate_digest(study, truth), truth.port_signs, reference=parameters)
    return study, truth, CampaignProblem(Unknowns(study), likelihood, integrate=False)


def test_pump_off_sweeps_are_the_same_with_stages_exchanged_and_reflections_reversed(
    campaign: tuple[Study, Truth, CampaignProblem],
) -> None:
    study, truth, problem = campaign
    off = next(k for k in problem.likelihood.digest if not k.pump_on)
    grid = [np.linspace(study.sweep.start_hz, study.sweep.stop_hz, 15)] * len(study.isolators)
    model = ChipModel(study, [probe_of(study, off, truth.cooldowns)], grid, truth.port_signs)
    rng = np.random.default_rng(1)
    fields = ("signal_frequency_hz", "signal_linewidth_hz", "signal_internal_hz", "signal_participation", "shunt_ratio")
    arrays = {name: nominal_array(study, name, 1) for name in fields}
    arrays["signal_frequency_hz"] += 2e6 * rng.normal(size=arrays["signal_frequency_hz"].shape)
    ends = nominal_array(study, "line_end", 1)
    ends += 0.1 * rng.normal(size=ends.shape)
    flux = rng.uniform(0.2, 0.4, (1, 1, 2))
    one = model.scattering(truth.parameters.changed(**arrays, line_end=ends), 0, flux=flux)
    exchanged = {name: array[..., ::-1] for name, array in arrays.items()}
    other = model.scattering(truth.parameters.changed(**exchanged, line_end=-ends), 0, flux=flux[..., ::-1])
    np.testing.assert_allclose(other, one, rtol=1e-9)


def test_it_is_left_for_the_truth_and_never_the_truth_for_it(campaign: tuple[Study, Truth, CampaignProblem]) -> None:
    _, truth, problem = campaign
    x = problem.unknowns.whitened(truth.parameters)[0]
    assert with_exchanged_stages(problem, x) is problem
    likelihood = problem.likelihood
    wrong = {i: np.array(v) for i, v in likelihood.values_at_reference.items()}
    places = {p.name: n for n, p in enumerate(likelihood.eliminated[0])}
    for n, p in enumerate(likelihood.eliminated[0]):
        if p.array == "line_end":
            wrong[0][n] *= -1
    one, two = (
        next(n for name, n in places.items() if "signal frequency" in name and f"stage {k}" in name) for k in (1, 2)
    )
    wrong[0][[one, two]] = wrong[0][[two, one]]
    reference = likelihood.moved_to(problem.parameters(x[None]), wrong)
    there = CampaignProblem(problem.unknowns, likelihood.rebuilt(reference=reference))
    back = with_exchanged_stages(there, x)
    assert marginal(back, x) > marginal(there, x) + EXCHANGE_GAIN
    assert np.max(np.abs(back.likelihood.values_at_reference[0] - likelihood.values_at_reference[0])) < 1.0
    np.testing.assert_array_equal(back.likelihood.values_at_reference[1], there.likelihood.values_at_reference[1])


def test_line_ends_drawn_anew_leave_a_wrong_place(campaign: tuple[Study, Truth, CampaignProblem]) -> None:
    """From line ends six deviations off to where the truth is, and never from the truth to a worse place."""
    _, truth, problem = campaign
    x = problem.unknowns.whitened(truth.parameters)[0]
    likelihood = problem.likelihood
    wrong = {i: np.array(v) for i, v in likelihood.values_at_reference.items()}
    ends = [n for n, p in enumerate(likelihood.eliminated[0]) if p.array == "line_end"]
    wrong[0][ends] = 6.0 * np.where(np.arange(len(ends)) % 2, 1.0, -1.0)
    there = CampaignProblem(
        problem.unknowns, likelihood.rebuilt(reference=likelihood.moved_to(problem.parameters(x[None]), wrong))
    )
    for start, least in ((there, EXCHANGE_GAIN), (problem, 0.0)):
        found = with_drawn_starts(start, x, np.random.default_rng(1))
        assert found is start or marginal(found, x) > marginal(start, x) + least
    found = with_drawn_starts(there, x, np.random.default_rng(1))
    assert marginal(found, x) > marginal(problem, x) - 1.0
    np.testing.assert_array_equal(found.likelihood.values_at_reference[1], there.likelihood.values_at_reference[1])


def test_isolators_stand_for_themselves(campaign: tuple[Study, Truth, CampaignProblem]) -> None:
    """With nothing of the source unknown their log-likelihoods and volumes add up to those of all."""
    _, truth, problem = campaign
    each = [problem.likelihood.of_isolator(i) for i in problem.likelihood.eliminated]
    assert len(each) > 1
    total = sum(float(one.log_likelihood(truth.parameters)[0]) for one in each)
    assert total == pytest.approx(float(problem.likelihood.log_likelihood(truth.parameters)[0]), rel=1e-12)
    assert sum(one.log_volume for one in each) == pytest.approx(problem.likelihood.log_volume, rel=1e-12)


@pytest.mark.slow
def test_the_cold_demo_is_left_for_its_other_place() -> None:
    """The place with stages exchanged is better there by 50 units of log posterior, most of it in the last of six moves; the one on
    whose side the climb begins needs fifteen times the flux noise."""
    study = read_study(Path(__file__).resolve().parents[2] / "data_demo/cold/study.toml")
    digest, _ = load_screened(study)
    problem, modes, _ = prepare(study, digest, rng=stream(1, "search"))
    source = problem.unknowns.source(modes[0].x[None])[0]
    truth = vector_from_angles(np.radians(131.576129), np.radians(34.046120))  # data_demo/cold/truth.toml
    assert np.degrees(np.arccos(source @ truth / np.linalg.norm(source))) < 2.0
    assert problem.likelihood.sizes.flux_noise_phi0 < 1e-3
