"""From a table of attenuators and amplifiers to hours: `start`, `check`, `plan`, and measured noise against the chain.

References: noise and time worked out here from powers and temperatures; a campaign whose white noise is that of a chain
simulated sample by sample (`reference.sampled_chain`).
"""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
import skrf
from document_types import misfits
from readout_campaigns import chain_digest
from small_study import element, small_study

from fluxsense.base.errors import InputError
from fluxsense.base.units import dbm_to_watt
from fluxsense.cli import main
from fluxsense.data.chains import chain_of, settled
from fluxsense.device.chip import known_flux_phi0
from fluxsense.jobs.check import check
from fluxsense.jobs.orient import orient
from fluxsense.jobs.readout import measured_findings, probe_proposal, readout_part, sensor_bands
from fluxsense.jobs.simulate import draw_truth, simulate
from fluxsense.jobs.start import EXAMPLES, example_text, start
from fluxsense.readout.chain import with_power_at_chip
from fluxsense.report.documents import CheckedReadout, PlanDocument
from fluxsense.report.sentences import sentences
from fluxsense.study import read_study
from fluxsense.study.readout import Element
from fluxsense.study.write import study_text

BOLTZMANN, PLANCK = 1.380649e-23, 6.62607015e-34
HZ = 4.99e9


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("readout") / "first"
    start(where)
    return where


@pytest.fixture(scope="module")
def study(folder):
    return settled(read_study(folder / "study.toml"))


def by_hand() -> tuple[float, float]:
    """System noise temperature of the starter's chain and its noise per point, from its table, by Friis's formula."""
    quantum = PLANCK * HZ / BOLTZMANN

    def cold(t):
        return quantum * (0.5 + 1 / math.expm1(quantum / t))

    incoming = cold(300.0)
    for loss_db, t in ((20, 4.0), (20, 0.9), (10, 4.0), (30, 0.02)):
        eta = 10 ** (-loss_db / 10)
        incoming = eta * incoming + (1 - eta) * cold(t)
    eta = 10**-0.08
    system = incoming + (1 / eta - 1) * cold(0.02) + (2.0 + 100.0 / 10**3.8 + 3000.0 / 10**6.8) / eta
    return system, math.sqrt(BOLTZMANN * system * 1e3 / (2 * 1e-14 * 10))


def test_check_says_what_follows_from_the_table(folder):
    result = check(folder / "study.toml")
    said = result.document["readout"]
    system, white = by_hand()
    assert said["system_k"] == pytest.approx(system, rel=1e-9)
    assert said["white"] == pytest.approx(white, rel=5e-3)  # over the sweep, the vacuum's part goes with frequency
    assert said["power_at_chip_w"] == pytest.approx(dbm_to_watt(-110), rel=1e-9)
    assert said["seconds_per_sweep"] == pytest.approx(41 * 2 * 10e-3 + 2.0, rel=1e-12)
    assert said["limiting"] == "hemt"
    text = str(result)
    assert "limited by hemt" in text
    assert re.search(r"loop east_near: [\d.]+ uPhi0/sqrt\(Hz\)", text)
    assert re.search(r"if the source could be brought near: .* times more sensitive", text)
    assert "Nothing to object to." in text


def test_the_example_sources_are_studies_of_their_own():
    for name in EXAMPLES:
        text = example_text(name)
        assert bool(re.search(r'^kind = "uniform_field"', text, re.MULTILINE)) == (name == "field_1nT")
    sizes = [re.search(r'^size = "([^"]+)"', example_text(n), re.MULTILINE)[1] for n in EXAMPLES]
    # pi/6 d^3 times 4.8e5 A/m: 3.1e-14, 2.5e-16, 2.0e-18 A m^2
    for text, diameter in zip(sizes[:3], (0.5e-6, 0.1e-6, 20e-9), strict=True):
        assert float(text.split()[0]) * 1e-15 == pytest.approx(math.pi / 6 * diameter**3 * 4.8e5, rel=0.06)
    assert sizes[3] == "1 nT"
    assert 'side = "1 um"' in example_text("grain_20nm")
    with pytest.raises(InputError, match="Choose from grain_500nm"):
        example_text("grain")


@pytest.mark.parametrize("unstated", ["exact", pytest.param("default", marks=pytest.mark.slow)])
def test_newcomer_goes_from_the_table_to_hours(tmp_path, capsys, unstated):
    """With what the study leaves unstated taken as exact, which plans in a tenth of the time, and as `start` writes it."""
    target = tmp_path / "grain"
    assert main(["start", str(target), "--source", "grain_100nm"]) == 0
    path = target / "study.toml"
    text = path.read_text().replace('\ncoupling = "', '\ncritical_current = "2 uA"\ncoupling = "')
    assert text.count('unstated = "default"') == 1
    path.write_text(text.replace('unstated = "default"', f'unstated = "{unstated}"'))
    capsys.readouterr()
    assert main(["check", str(path), "--json"]) == 0
    assert misfits(json.loads(capsys.readouterr().out), CheckedReadout) == []
    assert main(["plan", str(target / "study.toml"), "--error", "5", "--json"]) in (0, 1)
    document = json.loads(capsys.readouterr().out)
    assert misfits(document, PlanDocument) == []
    time = document["time"]
    assert time["reachable"]
    # the sweeps asked for, each as long as the table says
    assert time["seconds"] == pytest.approx(time["sweeps"] * 2.82, rel=1e-9)
    assert time["seconds"] < 600
    # the probe power proposed stands in the study proposed, and with it what follows from the chain
    probe, proposed = document["probe"], (target / "plan" / "study.toml").read_text()
    assert probe["held_by"] == "self-Kerr"
    assert probe["source_w"] / probe["proposed_w"] == pytest.approx(1e8, rel=1e-9)
    again = read_study(target / "plan" / "study.toml")
    assert again.readout.source_power_w == pytest.approx(probe["source_w"], rel=1e-9)
    assert "white" not in proposed
    assert "time_per_sweep" not in proposed
    least = min(x["self_kerr"]["equal_power_w"] for x in document["readout"]["isolators"])
    assert probe["proposed_w"] == pytest.approx(least, rel=1e-6)
    page = (target / "plan" / "plan.html").read_text()
    assert "What pump power buys" in page
    assert page.index('id="readout"') < page.index("What pump power buys") < page.index('id="cautions"')
    assert len(document["readout"]["against_pump_power"]["east"]) == 7
    assert document["readout"]["isolators"][0]["loops"][0]["flux_noise_phi0"] < 2e-5


def test_field_that_one_plane_cannot_resolve_is_said_to_be_out_of_reach(tmp_path):
    from fluxsense.design.schedule import time_to_error
    from fluxsense.design.sensitivity import direction_points, planned_experiment

    path = tmp_path / "study.toml"
    path.write_text(example_text("field_1nT"))
    field = settled(read_study(path))
    experiment = planned_experiment(field, most_points=9)
    assert not time_to_error(experiment, direction_points(experiment.unknowns, 3, 0), 5.0).reachable
    assert any("rank one" in x for x in check(field).document["warnings"])
    assert any("potassium vapour" in x for x in check(field).document["warnings"])


def test_stated_noise_is_compared_with_the_chain(study):
    noisy = replace(study, noise=replace(study.noise, white=0.01))
    said = sentences(readout_part(noisy).findings)
    assert any(re.match(r"The study states white noise of 0.01, 23.\d times the 0.00042", x) for x in said)
    assert not any("states white noise" in x for x in sentences(readout_part(study).findings))
    close = replace(study, noise=replace(study.noise, white=study.noise.white * 1.4))
    assert not any("states white noise" in x for x in sentences(readout_part(close).findings))


def test_margins_are_warned_of(study):
    up = tuple(replace(x, compression_w=dbm_to_watt(-105)) if x.name == "hemt" else x for x in study.readout.up)
    loud = replace(study, readout=replace(study.readout, up=up))
    said = " ".join(sentences(readout_part(loud).findings))
    assert "hemt works 5.8 dB below its 1 dB compression point" in said
    # self-Kerr: 0.8 kHz a photon, 0.24 MHz for 1% of S21: at -90 dBm, far beyond where it equals the noise
    stages = [replace(i, stages=tuple(replace(s, critical_current_a=1e-6) for s in i.stages)) for i in study.isolators]
    chain = with_power_at_chip(chain_of(study), HZ, dbm_to_watt(-90))
    strong = replace(study, isolators=tuple(stages), readout=chain.readout)
    said = " ".join(sentences(readout_part(strong).findings))
    assert 'Isolator "east": at -90.0 dBm the probe is +' in said


def test_probe_power_is_where_bias_equals_noise(study):
    """At the power proposed the bias, worked out anew there, is the noise, worked out anew; 80 dB of losses before the chip."""
    stages = [replace(i, stages=tuple(replace(s, critical_current_a=2e-6) for s in i.stages)) for i in study.isolators]
    device = replace(study, isolators=tuple(stages))
    found = probe_proposal(device)
    there = readout_part(found.study).body["isolators"]
    margins = [x["self_kerr"]["margin_db"] for x in there]
    assert min(margins) == pytest.approx(0.0, abs=1e-4)
    worst = there[margins.index(min(margins))]["self_kerr"]
    assert worst["bias"] == pytest.approx(worst["noise"], rel=1e-4)
    assert found.body["source_w"] == pytest.approx(1e8 * found.body["proposed_w"], rel=1e-9)
    # noise goes with the root of the power, that of a study's own as well
    ratio = math.sqrt(found.body["now_w"] / found.body["proposed_w"])
    assert found.study.noise.white == pytest.approx(study.noise.white * ratio, rel=1e-6)
    stated = probe_proposal(replace(device, noise=replace(device.noise, white=0.01))).study
    assert stated.noise.white == pytest.approx(0.01 * ratio, rel=1e-6)
    assert "at -110.0 dBm the probe is +" in " ".join(sentences(found.findings))
    # what the study or a stage allows, if that is less
    held = probe_proposal(replace(device, limits=replace(device.limits, source_power_w=dbm_to_watt(-50))))
    assert (held.body["held_by"], held.body["source_w"]) == ("limit", pytest.approx(dbm_to_watt(-50), rel=1e-9))
    up = tuple(replace(x, compression_w=dbm_to_watt(-120)) if x.name == "hemt" else x for x in study.readout.up)
    held = probe_proposal(replace(device, readout=replace(study.readout, up=up)))
    assert (held.body["held_by"], held.body["name"]) == ("compression", "hemt")
    assert held.body["proposed_w"] == pytest.approx(dbm_to_watt(-120 - 10 + 0.8), rel=1e-6)  # 0.8 dB lost before it
    unknown = probe_proposal(study)
    assert unknown.study is study
    assert "state critical_current of each stage" in sentences(unknown.findings)[0]


def test_a_newcomer_reads_the_trades_units(folder, study):
    said = check(folder / "study.toml").document["readout"]
    east = said["isolators"][0]["loops"][0]
    # flux noise over the loop's area of (12 um)^2; mu_B = 9.2740100657e-24 A m^2
    assert east["field_noise_t"] == pytest.approx(east["flux_noise_phi0"] * 2.067833848e-15 / 144e-12, rel=1e-9)
    assert east["centre_a_m2"] == pytest.approx(east["centre_mu_b"] * 9.2740100657e-24, rel=1e-9)
    assert east["energy_hbar"] is None
    # S Phi0^2/(2 L), in hbar
    wound = replace(study, loops=tuple(replace(x, inductance_phi0_per_a=40e-12 / 2.067833848e-15) for x in study.loops))
    found = readout_part(wound).body["isolators"][0]["loops"][0]
    energy = (found["flux_noise_phi0"] * 2.067833848e-15) ** 2 / (2 * 40e-12) / 1.054571817e-34
    assert found["energy_hbar"] == pytest.approx(energy, rel=1e-8)
    text = str(check(folder / "study.toml"))
    for source in ("arXiv:1308.0694", "arXiv:1301.3184", "arXiv:1803.07636", "Drung et al.", "arXiv:0910.2206"):
        assert source in text
    assert re.search(r"[\d.]+ pT/sqrt\(Hz\)", text)


def test_elements_given_as_files_are_cascaded(tmp_path):
    """Files written and read back by scikit-rf: its cascade at the middle of the sweep, reflections between the parts included."""
    rng = np.random.default_rng(6)
    hz = np.linspace(4.9e9, 5.08e9, 19)  # 4.99 GHz among them
    for name in ("filter", "coupler", "switch"):
        s = rng.normal(size=(19, 2, 2)) + 1j * rng.normal(size=(19, 2, 2))
        s *= 0.7 / np.linalg.norm(s, ord=2, axis=(1, 2))[:, None, None]
        skrf.Network(f=hz, s=s, z0=50, f_unit="Hz").write_touchstone(str(tmp_path / name))
    up = "".join(element("up", x, x, file=f"{x}.s2p", temperature="20 mK") for x in ("filter", "coupler"))
    down = element("down", "switch", "switch", file="switch.s2p", temperature="20 mK")
    text = example_text("grain_500nm").replace("[[readout.up]] ", f"{down}{up}[[readout.up]] ", 1)
    (tmp_path / "study.toml").write_text(text)
    said = check(tmp_path / "study.toml").document["readout"]
    gains = {x["name"]: 10 ** (x["gain_db"] / 10) for x in said["stages"]}
    read = {x: skrf.Network(str(tmp_path / f"{x}.s2p")) for x in ("filter", "coupler", "switch")}
    whole = read["filter"] ** read["coupler"]
    assert gains["filter"] * gains["coupler"] == pytest.approx(abs(whole.s[9, 1, 0]) ** 2, rel=1e-12)
    assert gains["switch"] == pytest.approx(abs(read["switch"].s[9, 1, 0]) ** 2, rel=1e-12)
    assert said["power_at_chip_w"] == pytest.approx(1e-14 * gains["switch"], rel=1e-9)


WRONG = {
    '\nloss = "30 dB"\n': ('\ngain = "30 dB"\n', "A passive part cannot have gain: state its loss"),
    '\nloss = "0.8 dB"\n': ('\nloss = "-0.8 dB"\n', 'readout.up[isolators].loss: "-0.8 dB" is out of range'),
    '\nloss = "10 dB"\n': ('\nloss = "10 dBm"\n', '"10 dBm" is a power, but a level is wanted'),
    '\ntemperature = "0.9 K"\n': ('\ntemperature = "-0.9 K"\n', '"-0.9 K" is out of range. It must be at least 0 K'),
    'noise_temperature = "2 K"': ('noise_temperature = "-2 K"', '"-2 K" is out of range'),
    'source_power = "-30 dBm"': ('source_power = "-30 dB"', '"-30 dB" is a level, but a power is wanted'),
    'compression = "-46 dBm"': ('compression = "-46 K"', '"-46 K" is a temperature, but a power is wanted'),
    'if_bandwidth = "1 kHz"': ('if_bandwidth = "1 ms"', '"1 ms" is a time, but a frequency is wanted'),
    "averages = 10": ("averages = 0", "0 is out of range"),
    'noise_temperature = "100 K"\n': ("", "a room-temperature amplifier adds noise, but none is stated"),
    '[[readout.up]]\nname = "hemt"': (None, "there is no amplifier between the chip and the receiver"),
}


@pytest.mark.parametrize("old", WRONG)
def test_a_chain_that_cannot_be_gets_a_sentence(tmp_path, capsys, old):
    new, words = WRONG[old]
    text = example_text("grain_500nm")
    assert text.count(old) == 1
    rest = text[text.index("[noise]  ") :]
    text = text[: text.index(old)] + rest if new is None else text.replace(old, new)
    (tmp_path / "study.toml").write_text(text)
    for command in ("check", "plan", "orient"):
        assert main([command, str(tmp_path / "study.toml")]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith(f"fluxsense {command}: study.toml, readout.")
        assert words in err
    assert [x.name for x in tmp_path.iterdir()] == ["study.toml"]


def test_sensors_that_share_a_line_are_set_apart(study):
    shared = replace(study, readout=replace(study.readout, shared=("east", "north"), guard_hz=10e6))
    said = sentences(readout_part(shared).findings)
    assert any(
        re.match(r'Isolators "east" and "north" share a line and their bands overlap by [\d.]+ MHz', x) for x in said
    )
    apart = next(x for x in said if x.startswith("Centres"))
    east, north = (float(x) for x in re.findall(r"\d\.\d{4}", apart))
    bands = [float(x) for x in re.search(r"bands of (\d+), (\d+) MHz", apart).groups()]
    # two linewidths of 42 MHz and what the modes tune: centres half of both bands and the guard apart
    assert all(84 <= x < 100 for x in bands)
    assert 1e3 * (north - east) == pytest.approx(sum(bands) / 2 + 10, abs=1.2)
    assert not any("share a line" in x for x in sentences(readout_part(study).findings))


def test_a_known_source_moves_no_band(study):
    """Bands are told with the source out, whichever state the study names first."""
    shared = replace(study, readout=replace(study.readout, shared=("east", "north")))
    coil = replace(next(s for s in study.states if s.kind == "calibration"), current_a=0.1)
    beside = replace(shared, states=(coil, *(s for s in shared.states if s.kind != "calibration")))
    assert np.max(np.abs(known_flux_phi0(beside)[0])) > 0.2
    assert sensor_bands(beside) == sensor_bands(shared)


def test_bands_without_a_guard_are_named(study):
    far = {"signal_frequency_hz": 5.12e9, "idler_frequency_hz": 7.45e9}
    isolators = (
        study.isolators[0],
        replace(study.isolators[1], stages=tuple(replace(s, **far) for s in study.isolators[1].stages)),
    )
    moved = replace(study, isolators=isolators, readout=replace(study.readout, shared=("east", "north")))
    said = " ".join(sentences(readout_part(moved).findings))
    assert re.search(r"have \d+(\.\d)? MHz between their bands, less than the guard band of 42 MHz", said)
    close = replace(moved, readout=replace(moved.readout, guard_hz=1e6))
    assert "share a line" not in " ".join(sentences(readout_part(close).findings))


# ---------------------------------------------------------------- a qubit beside the sensor

QUBIT = """
[readout.qubit]
resonator = "4.999 GHz"
linewidth = "4 MHz"
dispersive_shift = "1.3 MHz"
photons = 4
integration_time = "400 ns"
isolator = "east"
setting = "same"
"""


def with_qubit(folder, table=QUBIT):
    path = folder / "study.toml"
    path.write_text(example_text("grain_500nm").replace("[noise] ", f"{table}\n[noise] ", 1))
    return path


def test_a_qubits_read_out_through_the_same_line(tmp_path, capsys):
    # at the frequency at which `check` tells of the isolator
    device = check(with_qubit(tmp_path)).document["isolators"][0]["settings"][0]
    f = device["frequency_hz"]
    path = with_qubit(tmp_path, QUBIT.replace("4.999 GHz", f"{f:.6f} Hz"))
    assert main(["check", str(path), "--page", str(tmp_path / "page.html"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["readout"]["qubit"]
    assert found["insertion_loss_db"] == pytest.approx(device["insertion_loss_db"], abs=1e-6)
    assert found["isolation_db"] - found["insertion_loss_db"] == pytest.approx(device["isolation_db"], abs=1e-4)
    quantum = PLANCK * f / BOLTZMANN

    def photons(t):
        return 1 / math.expm1(quantum / t)

    # dephasing photons: a HEMT's input at 4 K, seen through the isolation and 20 mK
    for key, isolation in (("ferrite", 36.0), ("device", found["isolation_db"]), ("none", 0.0)):
        leak = 10 ** (-isolation / 10)
        by_hand = leak * photons(4.0) + (1 - leak) * photons(0.02)
        assert found["lines"][key]["thermal_photons"] == pytest.approx(by_hand, rel=1e-6)
    # quanta by Friis: 20 mK are nearly vacuum
    eta = 10 ** (-found["insertion_loss_db"] / 10)
    cold = quantum * (0.5 + photons(0.02))
    system = 0.5 * quantum + (1 / eta - 1) * cold + (2.0 + 100.0 / 10**3.8 + 3000.0 / 10**6.8) / eta
    assert found["lines"]["device"]["quanta"] == pytest.approx(system / quantum, rel=1e-6)
    fidelity = [x["fidelity"] for x in found["by_loss"]]
    assert fidelity == sorted(fidelity, reverse=True)
    dephasing = [x["dephasing_per_s"] for x in found["by_isolation"]]
    assert dephasing == sorted(dephasing, reverse=True)
    page = (tmp_path / "page.html").read_text(encoding="utf-8")
    for words in (
        "Clerk and Utami",
        "Blais et al.",
        "Friis",
        "Caves",
        "with the isolator of the chip in their place",
        "hemt",
    ):
        assert words in page
    assert "http" not in page.replace("http-equiv", "")
    # what the study holds survives writing
    (tmp_path / "again.toml").write_text(study_text(read_study(path)))
    assert read_study(tmp_path / "again.toml").readout.qubit == read_study(path).readout.qubit


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"400 ns"', '"4 ns"', "shorter than the resonator's own time"),
        ("photons = 4", "photons = 0", "readout.qubit.photons"),
        ('isolator = "east"', 'isolator = "west"', "readout.qubit.isolator"),
        ('setting = "same"', 'setting = "other"', "readout.qubit.setting"),
        ('"4 MHz"', '"4 mm"', "readout.qubit.linewidth"),
    ],
)
def test_a_qubit_that_cannot_be_read_out_gets_a_sentence(tmp_path, capsys, old, new, words):
    path = with_qubit(tmp_path, QUBIT.replace(old, new))
    assert main(["check", str(path), "--page", str(tmp_path / "page.html")]) == 2
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert words in err
    assert not (tmp_path / "page.html").exists()


def test_a_page_needs_a_read_out(tmp_path, capsys):
    study = small_study(tmp_path)
    assert main(["check", str(study.path), "--page", str(tmp_path / "page.html")]) == 2
    assert "there is no read-out to write a page of. Add a section [readout]" in capsys.readouterr().err


# ---------------------------------------------------------------- a campaign with that chain


def test_repeats_of_a_campaign_with_the_chain_show_its_noise(study):
    assert measured_findings(study, chain_digest(study, draw_truth(study, 3), 3)) == []


def test_an_amplifier_that_is_off_is_named(study):
    paramp = Element("paramp", "parametric_amplifier", gain_db=20, temperature_k=0.02, added_quanta=0.5)
    up = (study.readout.up[0], paramp, *study.readout.up[1:])
    with_paramp = replace(study, readout=replace(study.readout, up=up))
    taken = chain_digest(study, draw_truth(study, 3), 3)  # without it
    found = measured_findings(with_paramp, taken)
    said = " ".join(sentences(found))
    assert "Repeats scatter by" in said
    assert "It would fit paramp being off or without its pump" in said
    assert re.search(r"power at the chip that is -\d+\.\d dB", said)


SMALL_CHAIN = (
    '\n[readout]\nsource_power = "-50 dBm"\nif_bandwidth = "1 kHz"\n'
    + element("down", "attenuators", "attenuator", loss="60 dB", temperature="20 mK")
    + element(
        "up", "hemt", "hemt", gain="38 dB", temperature="4 K", noise_temperature="2 K", compression="-105 dBm"
    )
)  # fmt: skip


def test_check_and_orient_name_noise_that_is_not_the_chains(tmp_path):
    # sqrt(k (2 K + vacuum) 1 kHz/(2 P)): 1.2e-3 at -110 dBm (less along the tone, which the HEMT compresses); the sweeps are made with 0.01
    study = small_study(tmp_path, repeats=4, points=21, extra=SMALL_CHAIN)
    simulate(study, seed=2)
    words = (
        r"Repeats scatter by 0\.0\d+ per quadrature relative to unit transmission, [89]\.\d+ times the 0\.001\d+ that the",
        r"power at the chip that is -1[89]\.\d dB",
        r"hemt works 5\.0 dB from its 1 dB compression point",
        r"a noise bandwidth [6-9]\d\.\d times",
    )
    checked = " ".join(check(study.path).document["warnings"])
    answered = " ".join(orient(study.path, seed=1).document["findings"])
    for each in words:
        assert re.search(each, checked), checked
        assert re.search(each, answered), answered
