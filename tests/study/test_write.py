"""The study's [limits] and [layout]: values, defaults and golden messages."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import pytest
from small_study import small_study

from fluxsense.base.errors import InputError
from fluxsense.study import Data, KeepOut, LayoutRules, Limits, State, read_study
from fluxsense.study.write import study_text


def test_units_and_shapes_of_the_user_survive_a_proposal(tmp_path: Path) -> None:
    """Half of 1.5 pH is 0.75 pH, 2.5 times 0.2 mA are 500 uA, a square moved is a square: arithmetic by hand."""
    path = Path(small_study(tmp_path).path)
    text = re.sub(r"mutual = \{ (\w+) = .*\}", r'mutual = { \1 = "1.5 pH" }', path.read_text(encoding="utf-8"))
    text = text.replace('center = ["0 um", "0 um"]', 'center = ["0.01 mm", "4 um"]')
    text = text.replace('side = "20.0 um"', 'side = "20000 nm"')
    text = re.sub(r"^bias = \{ .* \}$", 'bias = { a1 = "200 uA", b1 = "0.4 mA" }', text, flags=re.MULTILINE)
    path.write_text(text, encoding="utf-8")
    study = read_study(path)
    line, loop, setting = study.bias_lines[0], study.loops[0], study.settings[0]
    halved = replace(line, mutual_phi0_per_a=tuple((name, 0.5 * m) for name, m in line.mutual_phi0_per_a))
    moved = replace(loop, outline_m=tuple((0.5 * x - 3e-6, 0.5 * y, z) for x, y, z in loop.outline_m))
    new = replace(setting, name="new", bias_a=tuple(2.5 * x for x in setting.bias_a))
    out = study_text(
        replace(
            study,
            loops=(moved, *study.loops[1:]),
            bias_lines=(halved, *study.bias_lines[1:]),
            settings=(new, *study.settings[1:]),
        )
    )
    assert 'mutual = { a1 = "0.75 pH" }' in out
    assert 'mutual = { a2 = "1.5 pH" }' in out
    assert 'name = "new"\nbias = { a1 = "500 uA", b1 = "1 mA" }' in out
    assert 'shape = "square"\ncenter = ["0.002 mm", "2 um"]\nside = "10000 nm"' in out
    assert out.count('shape = "square"') == len(study.loops)


def test_defaults(tmp_path: Path) -> None:
    study = small_study(tmp_path)
    assert study.limits == Limits()
    assert study.layout == LayoutRules()


def test_values(tmp_path: Path) -> None:
    study = small_study(
        tmp_path,
        extra="""
[limits]
pump_power = "-50 dBm"
pump_frequency = ["2.2 GHz", "2.4 GHz"]
isolation = "15 dB"

[layout]
outlines = ["square", "figure_eight"]
size = ["5 um", "30 um"]
chip_size = ["90 um", "80 um"]
edge = "3 um"
spacing = "1 um"
grid = "50 nm"
loop_area = "2000 um^2"
source_height = ["8 um", "20 um"]
change_chip = true
fixed = ["a1"]

[[layout.keep_out]]
chip = "chip_x"
from = ["-1 um", "-2 um"]
to = ["1 um", "2 um"]
""",
    )
    assert study.limits == Limits(pytest.approx(1e-8), (2.2e9, 2.4e9), 15.0)
    rules = study.layout
    assert rules.size_m == pytest.approx((5e-6, 30e-6))
    assert rules.loop_area_m2 == pytest.approx(2e-9)
    assert rules.keep_out == (KeepOut("chip_x", (-1e-6, -2e-6), (1e-6, 2e-6)),)
    assert rules.fixed == ("a1",)
    assert rules.change_chip


GOLDEN = {
    '[layout]\nsize = ["30 um", "5 um"]': (
        "study.toml, layout.size: the first value is not below the second. Write the smaller value first."
    ),
    '[layout]\noutlines = ["triangle"]': (
        'study.toml, layout.outlines: "triangle" is not known here. Known: square, circle, figure_eight, free.'
    ),
    '[layout]\nfixed = ["a9"]': ('study.toml, layout.fixed: "a9" is not defined in this study. Known: a1, a2, b1, b2.'),
    '[layout]\nchip_size = ["5 um", "5 um"]': (
        "study.toml, layout.edge: no loop fits between the edges of the chip. Use a larger chip, smaller loops or a smaller edge."
    ),
    '[layout]\ngrid = "3 um"': (
        "study.toml, layout.grid: the design grid is coarser than a quarter of the smallest loop. Use a finer grid."
    ),
    '[[layout.keep_out]]\nchip = "chip_x"\nfrom = ["1 um", "0 um"]\nto = ["0 um", "1 um"]': (
        "study.toml, layout.keep_out[number 1].to: the second corner is not above and to the right of the first. "
        "Give lower left, then upper right."
    ),
    '[limits]\npump_frequency = ["3 GHz", "2 GHz"]': (
        "study.toml, limits.pump_frequency: the first value is not below the second. Write the smaller value first."
    ),
    '[limits]\npump_powr = "-50 dBm"': (
        'study.toml, limits.pump_powr: this key is not known. Did you mean "pump_power"?'
    ),
}


@pytest.mark.parametrize("text", list(GOLDEN))
def test_golden_messages(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputError) as caught:
        small_study(tmp_path, extra=text)
    assert str(caught.value) == GOLDEN[text]


# ---------------------------------------------------------------- a study as text


def _sorted(part: object) -> tuple[tuple[str, float], ...]:
    """Stated standard deviations in the order of their names."""
    return tuple(sorted(getattr(part, "stated_sd", ())))


def _near(a: object, b: object) -> bool:
    """Equal values, floats to eleven digits; nan, for what the study leaves to its chain, equals itself."""
    if isinstance(a, float) and isinstance(b, float):
        return a == pytest.approx(b, rel=1e-11, abs=1e-25, nan_ok=True)
    if isinstance(a, tuple) and isinstance(b, tuple):
        return len(a) == len(b) and all(_near(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, State) and isinstance(b, State):
        a, b = (replace(s, rotation=tuple(tuple(round(v, 14) + 0.0 for v in r) for r in s.rotation)) for s in (a, b))
    if is_dataclass(a) and type(a) is type(b):
        return all(
            _near(getattr(a, f.name), getattr(b, f.name))
            for f in fields(a)
            if f.compare and f.name not in ("path", "logs", "stated_sd")
        ) and _near(_sorted(a), _sorted(b))
    return a == b


@pytest.mark.parametrize("name", ["grain", "corner", "starter"])
def test_study_text_reads_back(tmp_path: Path, name: str) -> None:
    root = Path(__file__).parents[2]
    study = read_study(root / "fluxsense/starter.toml" if name == "starter" else root / f"data_demo/{name}/study.toml")
    turned = State(
        "turned", "turned", ((0.0, -1.0, 0.0), (1.0, 0.0, 0.0), (0.0, 0.0, 1.0)), unstated_exact=study.unstated_exact
    )
    about_x = State(
        "half", "turned", ((1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, -1.0)), unstated_exact=study.unstated_exact
    )
    about_x = about_x.with_sd(turn_rad=0.01)
    known = State("known", "calibration", field_t=(0.0, 1e-6, 0.0), unstated_exact=study.unstated_exact)
    rules = LayoutRules(loop_area_m2=1e-9, source_height_m=(5e-6, 9e-6), fixed=(study.loops[0].name,), change_chip=True)
    stage = replace(
        study.isolators[0].stages[0],
        shunt_ratio=0.0,
        ring="bare",
        branch=-1,
        stated_sd=(("signal_participation", 0.01),),
    )
    other = study.isolators[0].stages[1].with_sd(shunt_ratio=0.02, signal_linewidth_hz=0.0)
    wired = replace(study.isolators[0].setup, arm_phase_rad=0.1, line_delay_max_s=4e-9)
    wired = wired.with_sd(
        line_reflection=0.2, direct_path=0.0, static_flux_phi0=0.01, if_smoothing=0.5, arm_phase_rad=0.0
    )
    first = replace(study.isolators[0], stages=(stage, other), setup=wired, pump_shift_factor=0.9)
    first = first.with_sd(link_amplitude=0.01, link_phase_rad=0.03, hybrid_loss_db=0.0)
    isolators = (first, *study.isolators[1:])
    line = replace(study.bias_lines[0], stated_sd=((study.loops[0].name, 0.5), (study.loops[1].name, 0.0)))
    still = replace(study.bias_lines[1], unstated_exact=True)
    slow = 0.0 if name == "corner" else 3e-5  # which data of directions refuse
    noise = replace(study.noise, flux_phi0=2e-4, flux_slow_phi0=slow, scale_sd=0.2)
    study = replace(
        study, states=(*study.states, turned, about_x, known), layout=rules, isolators=isolators, note='two\nlines, "quoted"',
        limits=Limits(1e-9, (2e9, 3e9), 12.0), noise=noise, bias_lines=(line, still, *study.bias_lines[2:]),
        data=Data("direction", 0.02, 1.4) if name == "corner" else Data("magnitude" if name == "starter" else "complex"),
    )  # fmt: skip
    (tmp_path / "study.toml").write_text(study_text(study), encoding="utf-8")
    again = read_study(tmp_path / "study.toml")
    for f in fields(study):
        if f.name not in ("path", "logs", "sha256", "tree"):
            assert _near(getattr(study, f.name), getattr(again, f.name)), f.name


def test_the_users_own_words_survive_where_nothing_changed(tmp_path: Path) -> None:
    """Units and shapes of the file stay beside a changed offset; its comments are lost, which the first line says."""
    root = Path(__file__).parents[2]
    text = (root / "data_demo/grain/study.toml").read_text(encoding="utf-8")
    text = text.replace('signal_frequency = "5.020 GHz"', 'signal_frequency = "5020 MHz"', 1)
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    study = read_study(tmp_path / "study.toml")
    loops = (replace(study.loops[0], offset_phi0=0.003), *study.loops[1:])
    out = study_text(replace(study, loops=loops))
    assert out.startswith("# Written by fluxsense; comments of the study that this comes from are not kept.\n")
    assert 'signal_frequency = "5020 MHz"' in out
    assert 'shape = "square"' in out
    assert 'offset = "3 mPhi0"' in out
