"""The section [readout] of a study: read, refused with a sentence, written again; what follows from it where the study is silent."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import skrf
from small_study import element, study_text

from fluxsense.base.errors import InputError
from fluxsense.data.chains import chain_of, settled
from fluxsense.readout.chain import report
from fluxsense.study import read_study
from fluxsense.study.write import study_text as written

HEAD = """
[readout]
source_power = "-40 dBm"
if_bandwidth = "1 kHz"
averages = 2
pause = "0.5 s"
"""
SECTION = (
    HEAD
    + element("down", "att_4K", "attenuator", loss="20 dB", temperature="4 K")
    + element("down", "att_mxc", "attenuator", loss="50 dB", temperature="20 mK")
    + element("up", "iso", "isolator", loss="0.4 dB", isolation="18 dB", temperature="20 mK")
    + element("up", "paramp", "parametric_amplifier", gain="20 dB", temperature="20 mK", added_quanta=0.5, compression="-95 dBm")
    + element("up", "hemt", "hemt", gain="38 dB", temperature="4 K", noise_temperature="2 K")
)  # fmt: skip


def silent(text: str) -> str:
    """A study that leaves white noise and duration of a sweep to the chain."""
    lines = [x for x in text.splitlines() if not x.startswith(("white", "time_per_sweep"))]
    return "\n".join(lines) + "\n"


def study_with(folder: Path, section: str = SECTION):
    path = folder / "study.toml"
    path.write_text(silent(study_text()) + section)
    return read_study(path)


def test_section_is_read(tmp_path):
    readout = study_with(tmp_path).readout
    assert readout.source_power_w == pytest.approx(1e-7)
    assert [x.gain_db for x in readout.down] == [-20.0, -50.0]
    iso, paramp, hemt = readout.up
    assert (iso.gain_db, iso.backward_db, iso.temperature_k) == (-0.4, -18.0, 0.02)
    assert (paramp.gain_db, paramp.added_quanta) == (20.0, 0.5)
    assert paramp.compression_w == pytest.approx(10**-12.5)
    assert hemt.added_k == 2.0
    assert hemt.compression_w == math.inf
    assert readout.seconds_per_point == pytest.approx(2e-3)


ZERO = element("up", "measured", "filter", file="filter.s2p", temperature="300 K") + element(
    "up", "analyser", "receiver", gain="0 dB", temperature="300 K", noise_temperature="3000 K"
)


def test_section_is_written_and_read_again(tmp_path):
    study = study_with(tmp_path, SECTION + ZERO)
    again = tmp_path / "again.toml"
    again.write_text(written(study))
    other = read_study(again)
    assert other.readout == study.readout
    assert math.isnan(other.noise.white)
    assert math.isnan(other.plan.seconds_per_sweep)


def test_chain_fills_what_the_study_leaves_out(tmp_path):
    study = study_with(tmp_path)
    assert math.isnan(study.noise.white)
    whole = settled(study)
    middle = 0.5 * (study.sweep.start_hz + study.sweep.stop_hz)
    # -110 dBm at the chip, 1 kHz, two averages: sigma^2 = k T B/(2 P N) with the chain's T
    kelvin = report(chain_of(study), middle).system_k
    assert whole.noise.white == pytest.approx(math.sqrt(1.380649e-23 * kelvin * 1e3 / (2 * 1e-14 * 2)), rel=1e-2)
    assert whole.plan.seconds_per_sweep == pytest.approx(study.sweep.points * 2 * 2e-3 + 0.5, rel=1e-12)
    stated = replace(study, noise=replace(study.noise, white=0.02), plan=replace(study.plan, seconds_per_sweep=3.0))
    assert settled(stated) == stated


def test_a_measured_part(tmp_path):
    f = np.linspace(4e9, 6e9, 21)
    s = np.zeros((21, 2, 2), dtype=complex)
    s[:, 1, 0] = s[:, 0, 1] = 10 ** (-2 / 20)
    skrf.Network(f=f, s=s, z0=50, f_unit="Hz").write_touchstone("cable", dir=tmp_path)
    section = SECTION + element("up", "cable", "cable", file="cable.s2p", temperature="300 K")
    # put the measured cable before the isolator: its 2 dB at 20 mK cost as in the stated case
    measured = section.replace(
        'name = "iso"\nkind = "isolator"\nloss = "0.4 dB"', 'name = "iso"\nkind = "isolator"\nfile = "cable.s2p"'
    )
    stated = section.replace('loss = "0.4 dB"', 'loss = "2 dB"')
    kelvin = [report(chain_of(study_with(tmp_path, x)), 5e9).system_k for x in (measured, stated)]
    assert kelvin[0] == pytest.approx(kelvin[1], rel=1e-5)
    outside = section.replace('file = "cable.s2p"', 'file = "../cable.s2p"')
    with pytest.raises(InputError, match="lies outside the study's folder"):
        chain_of(study_with(tmp_path, outside))
    missing = section.replace('file = "cable.s2p"', 'file = "none.s2p"')
    with pytest.raises(InputError, match=r"none.s2p"):
        chain_of(study_with(tmp_path, missing))
    s75 = skrf.Network(f=f, s=s, z0=75, f_unit="Hz")
    s75.write_touchstone("other", dir=tmp_path, r_ref=75)
    mixed = measured.replace(
        'name = "cable"\nkind = "cable"\nfile = "cable.s2p"', 'name = "cable"\nkind = "cable"\nfile = "other.s2p"'
    )
    with pytest.raises(InputError, match="different reference resistances"):
        chain_of(study_with(tmp_path, mixed))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('loss = "50 dB"', 'gain = "50 dB"', r"readout.down\[att_mxc\].gain: .*A passive part cannot have gain"),
        ('loss = "50 dB"', "", r"readout.down\[att_mxc\].loss: this entry is missing"),
        ('loss = "50 dB"', 'loss = "-50 dB"', r"readout.down\[att_mxc\].loss: .*out of range"),
        ('gain = "38 dB"', "", r"readout.up\[hemt\].gain: this entry is missing"),
        ('gain = "38 dB"', 'loss = "38 dB"', r"readout.up\[hemt\].loss: .*An amplifier has a gain"),
        ('noise_temperature = "2 K"', "", r"readout.up\[hemt\].noise_temperature: a HEMT amplifier adds noise"),
        ('noise_temperature = "2 K"', 'noise_temperature = "-2 K"', r"readout.up\[hemt\].noise_temperature: .*out of range"),
        ('noise_temperature = "2 K"', 'noise_temperature = "2 dB"', r"is a level, but a temperature is wanted"),
        ('temperature = "4 K"', 'temperature = "-4 K"', r"readout.down\[att_4K\].temperature: .*out of range"),
        ('temperature = "4 K"', "temperature = 4", r"has no unit, but a temperature is wanted"),
        ('source_power = "-40 dBm"', 'source_power = "-40 dB"', r"readout.source_power: .*is a level, but a power is wanted"),
        ('source_power = "-40 dBm"', "source_power = -40", r"readout.source_power: -40 has no unit, but a power is wanted"),
        ('compression = "-95 dBm"', 'compression = "20 dB"', r"is a level, but a power is wanted"),
        ('kind = "hemt"', 'kind = "maser"', r'readout.up\[hemt\].kind: "maser" is not known here'),
        ('pause = "0.5 s"', 'dwell = "0.1 ms"', r"readout.dwell: the filter has not settled"),
        ('loss = "0.4 dB"', 'loss = "0.4 dB"\nfile = "x.s2p"', r"readout.up\[iso\].loss: the file says this already"),
        ('loss = "0.4 dB"', 'loss = "0.4 dB"\nnoise_temperature = "1 K"', r"What a passive part adds follows"),
    ],
)  # fmt: skip
def test_wrong_entries_get_a_sentence(tmp_path, old, new, words):
    assert old in SECTION
    with pytest.raises(InputError, match=words):
        study_with(tmp_path, SECTION.replace(old, new, 1))


def test_a_chain_without_amplifier_gets_a_sentence(tmp_path):
    start = SECTION.index('[[readout.up]]\nname = "paramp"')
    with pytest.raises(InputError, match=r"readout.up: there is no amplifier between the chip and the receiver"):
        study_with(tmp_path, SECTION[:start])
    with pytest.raises(InputError, match=r"readout.up: (this entry is missing|there is nothing)"):
        study_with(tmp_path, SECTION[: SECTION.index("[[readout.up]]")])


def test_without_the_section_nothing_changes(tmp_path):
    path = tmp_path / "study.toml"
    path.write_text(silent(study_text()))
    study = read_study(path)
    assert study.readout is None
    assert study.noise.white == 0.01
    assert settled(study) == study
    assert chain_of(study) is None
