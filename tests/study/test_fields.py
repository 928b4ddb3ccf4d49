"""The tables of fields: they fit their dataclasses; what they say of uncertainty is what the study gets.

Default standard deviations are common practice of such set-ups (no source); the checks are arithmetic by hand.
"""

import dataclasses
import math
import pickle
from pathlib import Path

import pytest

from fluxsense.base.errors import InputError
from fluxsense.study import read_study
from fluxsense.study.fields import Quantity
from fluxsense.study.types import (
    BIAS_LINE,
    CHIP,
    DATA,
    DATA_DIRECTION,
    ISOLATOR,
    ISOLATOR_LINK,
    KEEP_OUT,
    LAYOUT,
    LIMITS,
    LOOP_NUMBERS,
    LOOP_PLACE,
    LOOP_POLYGON,
    NOISE,
    PLAN,
    PUMP_PORT_1,
    SAMPLING,
    SETUP,
    STAGE,
    SWEEP,
    BiasLine,
    Chip,
    Data,
    Isolator,
    KeepOut,
    LayoutRules,
    Limits,
    Loop,
    Name,
    Noise,
    Plan,
    Sampling,
    Setup,
    Stage,
    SweepRange,
)

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "data_demo" / "grain" / "study.toml"


TABLES = {
    Chip: CHIP, Loop: (*LOOP_PLACE, LOOP_POLYGON, *LOOP_NUMBERS), BiasLine: BIAS_LINE, Stage: STAGE, Setup: SETUP,
    Isolator: (Name(), ISOLATOR_LINK, PUMP_PORT_1, *ISOLATOR), SweepRange: SWEEP, Noise: NOISE,
    Data: (*DATA, *DATA_DIRECTION), Plan: PLAN, Sampling: SAMPLING, Limits: LIMITS, KeepOut: KEEP_OUT,
    LayoutRules: LAYOUT,
}  # fmt: skip


@pytest.mark.parametrize("kind", list(TABLES), ids=lambda k: k.__name__)
def test_tables_fit_their_dataclasses(kind):
    held = {f.name for f in dataclasses.fields(kind)}
    keys = [key for f in TABLES[kind] for key in f.keys]
    assert len(keys) == len(set(keys))
    for one in TABLES[kind]:
        if isinstance(one, Quantity):
            assert one.attribute in held, one.key
            assert one.words, one.key
            suffix = {
                "frequency": "_hz",
                "power": "_w",
                "flux": "_phi0",
                "level": "_db",
                "angle": "_rad",
                "area": "_m2",
            }
            end = suffix.get(one.dimension or "")
            assert end is None or one.attribute.endswith(end), one.key


@pytest.fixture
def read(tmp_path):
    """Reads the demo after replacements."""

    def reader(*changes):
        text = DEMO.read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        path = tmp_path / "study.toml"
        path.write_text(text, encoding="utf-8")
        return read_study(path)

    return reader


DEFAULT = ('unstated = "exact"', 'unstated = "default"')


def test_unstated_numbers_have_the_default(read):
    study = read(DEFAULT)
    stage = study.isolators[0].stages[0]  # 5.02 GHz, 40 MHz, 0.4 MHz, 0.1; 7.35 GHz, 60 MHz, 0.6 MHz, no termination
    assert stage.sd == pytest.approx(
        {
            "shunt_ratio": 0.09,
            "arm_inductance_ratio": 0.0,
            "signal_frequency_hz": 1e6,
            "signal_linewidth_hz": 0.8e6,
            "signal_internal_hz": 8e3,
            "signal_participation": 0.003,
            "idler_frequency_hz": 1e6,
            "idler_linewidth_hz": 1.2e6,
            "idler_internal_hz": 12e3,
            "idler_termination_hz": 0.002 * 60e6,
            "idler_participation": 0.003,
            "coupling_hz": 0.02 * stage.coupling_hz,
        },
        rel=1e-12,
        abs=0,
    )
    assert study.isolators[0].setup.sd == pytest.approx(
        {
            "line_reflection": 0.1,  # 20 dB
            "direct_path": 0.01,  # 40 dB
            "pump_1_imbalance_db": 0.5,
            "pump_1_phase_error_rad": math.radians(3),
            "pump_2_imbalance_db": 0.5,
            "pump_2_phase_error_rad": math.radians(3),
            "arm_phase_rad": math.radians(3),
            "arm_loss_db": 0.05,
            "static_flux_phi0": 0.015,
            "analyser_offset_hz": 1e4,
            "if_smoothing": 0.3,
            "discrepancy": 0.01,
            "discrepancy_own": 0.002,
            "mode_change_hz": 1e6,
            "gain_between_states": 0.05,
        },
        rel=1e-12,
        abs=0,
    )
    assert study.isolators[0].sd["link_amplitude"] == pytest.approx(0.02 / math.sqrt(2), rel=1e-12)
    assert study.isolators[0].sd["pump_shift_factor"] == 0.1
    assert study.loops[0].sd == pytest.approx({"flux_focusing": 0.05, "offset_phi0": 0.015}, rel=1e-12, abs=0)
    line = study.bias_lines[0]
    largest = max(abs(x) for _, x in line.mutual_phi0_per_a)
    assert line.unlisted_sd == pytest.approx(0.01 * largest, rel=1e-12)
    least = line.unlisted_sd  # a small one that is listed is known no better than one that is not
    assert line.sd == pytest.approx({n: max(0.02 * abs(x), least) for n, x in line.mutual_phi0_per_a}, rel=1e-12)
    assert sum(sd == least for sd in line.sd.values()) == 2
    assert stage.uncertain == ()  # what is sampled is what is stated


def test_a_study_may_call_all_unstated_numbers_exact(read):
    study = read(("pump_strength_sd = 0.03", 'pump_strength_sd = 0.03\nhybrid_loss_sd = "0.2 dB"'))
    assert {name: sd for name, sd in study.isolators[0].sd.items() if sd} == pytest.approx(
        {"pump_phase_error_rad": math.radians(2), "pump_strength": 0.03, "hybrid_loss_db": 0.2}, rel=1e-12, abs=0
    )
    assert set(study.isolators[1].setup.sd.values()) == {0.0}
    assert set(study.isolators[1].stages[0].sd.values()) == {0.0}
    assert set(study.bias_lines[0].sd.values()) == {0.0}
    assert study.bias_lines[0].unlisted_sd == 0.0
    assert study.loops[0].sd == {"flux_focusing": 0.0, "offset_phi0": 0.015}


def test_exact_is_said_number_by_number(read):
    study = read(
        DEFAULT,
        ("[isolator.stage_1]", '[isolator.setup]\nreturn_loss = "exact"\ndirect_path = "-30 dB"\n[isolator.stage_1]'),
        ("signal_participation = 0.1", 'signal_participation = 0.1\nsignal_participation_sd = "exact"'),
        ('limit = "', 'mutual_sd = "exact"\nlimit = "'),
        ('position_sd = ["0.5 um", "0.5 um", "0.5 um"]', 'position_sd = "exact"'),
    )
    assert study.isolators[0].setup.sd["line_reflection"] == 0.0
    assert study.isolators[0].setup.sd["direct_path"] == pytest.approx(10**-1.5, rel=1e-12)
    assert study.isolators[0].stages[0].sd["signal_participation"] == 0.0
    assert study.isolators[0].stages[0].sd["idler_participation"] > 0
    assert set(study.bias_lines[0].sd.values()) == {0.0}
    assert study.bias_lines[1].sd != study.bias_lines[0].sd
    assert study.source.position_sd_m == (0.0, 0.0, 0.0)


def test_extent_of_a_source(read):
    assert read().source.extent_m == 0.0  # exact
    assert read(DEFAULT).source.extent_m is None  # the default share of its distance
    assert read(DEFAULT, ('kind = "dipole"', 'kind = "dipole"\nextent = "2 um"')).source.extent_m == pytest.approx(2e-6)


def test_stray_arms(read):
    study = read(DEFAULT, ('ring = "shunted"', 'ring = "stray arms"\narm_inductance_ratio = 0.05'))
    stage = study.isolators[0].stages[0]
    assert (stage.ring, stage.arm_inductance_ratio, stage.shunt_ratio) == ("stray arms", 0.05, 3.0)
    assert stage.sd["arm_inductance_ratio"] == pytest.approx(0.01, rel=1e-12)
    with pytest.raises(InputError, match=r"L_J/\(2L\) = 3 and stray arms of 0.4 L_J leaves its symmetric state"):
        read(('ring = "shunted"', 'ring = "stray arms"\narm_inductance_ratio = 0.4'))
    with pytest.raises(InputError, match='It belongs to ring = "stray arms"'):
        read(('ring = "shunted"', 'ring = "shunted"\narm_inductance_ratio = 0.05'))


def test_defaults_follow_the_value_and_statements_stay():
    stage = read_study(ROOT / "fluxsense" / "starter.toml").isolators[0].stages[0]
    wider = dataclasses.replace(stage, coupling_hz=20e6).with_sd(signal_linewidth_hz=1e6)
    assert wider.sd["coupling_hz"] == pytest.approx(0.4e6, rel=1e-12)
    assert wider.sd["signal_linewidth_hz"] == 1e6
    assert stage.sd["signal_linewidth_hz"] == pytest.approx(0.8e6, rel=1e-12)
    assert pickle.loads(pickle.dumps(wider)) == wider
    assert hash(wider) != hash(stage)


def test_the_starter_prints_the_defaults():
    """Each commented standard deviation of the starter is the default that holds without it."""
    text = (ROOT / "fluxsense" / "starter.toml").read_text(encoding="utf-8")
    before = read_study(ROOT / "fluxsense" / "starter.toml")
    first = text.index("[[isolator]]")
    lines = text[: text.index("[isolator.stage_2]")].splitlines()
    start = text[:first].count("\n")
    told = 0
    for n, line in enumerate(lines[start:], start):
        key = line.removeprefix("# ").split(" = ")[0]
        if (
            line.startswith("# ")
            and not key.startswith("arm_inductance")
            and (
                key.endswith("_sd")
                or key
                in (
                    "return_loss",
                    "direct_path",
                    "discrepancy",
                    "discrepancy_own",
                    "gain_between_states",
                    "modes_between_cooldowns",
                )
            )
        ):
            path = Path("starter.toml")
            changed = "\n".join([*lines[:n], line[2:], *text.splitlines()[n + 1 :]])
            import tomllib

            from fluxsense.study.read import study_of_tree

            after = study_of_tree(tomllib.loads(changed), path).isolators[0]
            for part in ("setup", None):
                ours, theirs = (getattr(x, part) if part else x for x in (after, before.isolators[0]))
                assert ours.sd == pytest.approx(theirs.sd, rel=2e-2, abs=0), line
            assert after.stages[0].sd == pytest.approx(before.isolators[0].stages[0].sd, rel=1e-6, abs=0), line
            told += 1
    assert told > 25
