"""The study's [limits] and [layout]: values, defaults and golden messages."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_study import small_study

from fluxsense.errors import InputError
from fluxsense.study import KeepOut, LayoutRules, Limits


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
