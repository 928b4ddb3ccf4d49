"""A study's read-out chain in words: lines that `check` and `plan` print."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

from fluxsense.base.constants import BOHR_MAGNETON_A_M2
from fluxsense.base.units import dimension_of, format_quantity
from fluxsense.readout.published import FAR_BETTER

if TYPE_CHECKING:
    from fluxsense.report.documents import IsolatorNoise, QubitReadout, ReadoutBody

_HELD: Final = {
    "self-Kerr": "there the self-Kerr shift in isolator {name} changes a sweep by as much as the averaged sweeps' noise; with 3 dB "
    "less it is a third of it",
    "compression": "beyond it {name} comes near its 1 dB compression point",
    "limit": "[limits] allows the source no more",
}


def probe_lines(body: Mapping[str, Any]) -> list[str]:
    """The probe power that is proposed, and why no more.

    Parameters
    ----------
    body : mapping
        The document's part on the probe.
    """
    if body["proposed_w"] is None:
        return []
    at, source, now = (format_quantity(body[k], "power", 4) for k in ("proposed_w", "source_w", "now_w"))
    why = _HELD[body["held_by"]].format(name=body["name"])
    return ["", f"Probe power: {at} at the chip ({source} at the source) instead of {now}: {why}"]


def readout_lines(body: ReadoutBody, unit: str) -> list[str]:
    """The chain, its noise, the sensitivity and the margins.

    Parameters
    ----------
    body : mapping
        The document's part on the read-out.
    unit : str
        SI unit of the source.
    """
    stages = sorted((s for s in body["stages"] if s["place"] == "up"), key=lambda s: -s["noise_k"])
    share = ", ".join(f"{s['name']} {format_quantity(s['noise_k'], 'temperature', 3)}" for s in stages[:3])
    lines = [
        "",
        f"Read-out at {body['frequency_hz'] / 1e9:.4g} GHz: {format_quantity(body['power_at_chip_w'], 'power', 4)} at the chip; "
        f"system noise {format_quantity(body['system_k'], 'temperature', 3)}, vacuum included: {body['quanta']:.3g} quanta, "
        f"{body['excess_quanta']:.3g} beyond the least",
        f"  limited by {body['limiting']} (at the chip: {share})",
        f"  noise {body['white']:.3g} per quadrature and point relative to unit transmission, "
        f"{format_quantity(body['seconds_per_sweep'], 'time', 3)} a sweep of both directions",
    ]
    least = body["least_margin"]
    if least is not None:
        lines.append(
            f"  nearest to saturation: {least['stage']}, {least['db']:.3g} dB below its 1 dB compression point"
        )
    for iso in body["isolators"]:
        lines += _isolator_lines(iso)
    lines += _source_lines(body, unit)
    if body["qubit"] is not None:
        lines += qubit_lines(body["qubit"])
    for name, points in body.get("against_pump_power", {}).items():
        lines.append(f"  isolator {name} against pump power (isolation, best flux noise):")
        lines += [
            f"    {format_quantity(p['power_w'], 'power', 4)}: {p['isolation_db']:.1f} dB, {flux_text(p['flux_noise_phi0'])}"
            for p in points
        ]
    return lines


LINE_WORDS: Final = {
    "ferrite": "with its ferrite isolators",
    "device": "with the isolator of the chip in their place",
    "none": "with no isolator",
}


def qubit_lines(body: QubitReadout) -> list[str]:
    """A qubit's read-out through the chain.

    Parameters
    ----------
    body : mapping
        The document's part on the qubit.
    """
    lines = [
        "",
        f"Qubit read-out at {body['resonator_hz'] / 1e9:.4g} GHz: {body['photons']:g} photons for "
        f"{format_quantity(body['integration_s'], 'time', 3)}; isolator {body['isolator']} at setting {body['setting']}: insertion "
        f"loss {body['insertion_loss_db']:.2f} dB, isolation {body['isolation_db']:.1f} dB",
    ]
    for key, words in LINE_WORDS.items():
        x = body["lines"][key]
        if x is not None:
            lines.append(
                f"  {words}: signal to noise {x['separation']:.3g}, fidelity {x['fidelity']:.5g}; {x['thermal_photons']:.2g} thermal "
                f"photons, dephasing {x['dephasing_per_s']:.3g} per s"
            )
    loss = ", ".join(f"{x['loss_db']:g} dB {x['fidelity']:.4g}" for x in body["by_loss"])
    back = ", ".join(f"{x['isolation_db']:g} dB {x['dephasing_per_s']:.2g} per s" for x in body["by_isolation"])
    return [*lines, f"  fidelity by its insertion loss: {loss}", f"  dephasing by its isolation: {back}"]


def flux_text(phi0: float | None) -> str:
    """A flux noise (Phi0/sqrt(Hz)) for people."""
    if phi0 is None:
        return "no flux seen"
    return f"{1e6 * phi0:.3g} uPhi0/sqrt(Hz)"


def _isolator_lines(iso: IsolatorNoise) -> list[str]:
    lines = []
    for one in iso["loops"]:
        more = ""
        if one["energy_hbar"] is not None:
            more += f", energy resolution {one['energy_hbar']:.3g} hbar"
        if one["flicker_corner_hz"] is not None:
            more += f", flicker corner {format_quantity(one['flicker_corner_hz'], 'frequency', 2)}"
        field = one["field_noise_t"]
        lines.append(
            f"  loop {one['loop']}: {flux_text(one['flux_noise_phi0'])} at {one['frequency_hz'] / 1e9:.4f} GHz, "
            f"{flux_text(one['flux_noise_sweep_phi0'])} over the sweep; "
            + ("" if field is None else f"{format_quantity(field, 'field', 3)}/sqrt(Hz); ")
            + f"{one['centre_mu_b']:.3g} mu_B/sqrt(Hz) ({one['centre_a_m2']:.3g} A m^2) at its centre{more}"
        )
    kerr = iso["self_kerr"]
    if kerr is not None and kerr["equal_power_w"] is not None:
        lines.append(
            f"  isolator {iso['isolator']}: self-Kerr bias equals the averaged sweeps' noise at "
            f"{format_quantity(kerr['equal_power_w'], 'power', 4)} at the chip, {kerr['margin_db']:+.2g} dB from the power in use"
        )
    return lines


def _source_lines(body: ReadoutBody, unit: str) -> list[str]:
    noise = body["source_noise_per_root_hz"]
    dimension = dimension_of(unit)

    def each(x: float | None) -> str:
        if x is None:
            return "blind"
        text = format_quantity(x, dimension, 3)
        return text if dimension == "field" else f"{text} ({x / BOHR_MAGNETON_A_M2:.3g} mu_B)"

    lines = [f"  source along x, y, z, per sqrt(Hz): {', '.join(each(x) for x in noise)}"]
    lines.append("  beside published sensors (times as much noise here; with a moment: at the same distance):")
    for c in body["beside"]:
        own = flux_text(c["flux_noise_phi0"]) if c["flux_noise_phi0"] is not None else ""
        own = own or f"{format_quantity(c['field_noise_t'], 'field', 3)}/sqrt(Hz)"
        factors = [
            f"{words} {c[key]:.2g}"
            for words, key in (("flux", "flux_factor"), ("moment", "moment_factor"), ("field", "field_factor"))
            if c[key] is not None
        ]
        lines.append(
            f"    {c['sensor']}, {own}: {', '.join(factors) or 'not comparable'}; {c['remark']} [{c['source']}; {c['read']}]"
        )
    near = max(body["beside"], key=lambda c: c["approach_factor"] or 0.0)
    if (near["approach_factor"] or 0.0) >= FAR_BETTER:
        lines.append(
            f"  if the source could be brought near: {near['sensor']} ({near['remark']}), about "
            f"{near['approach_factor']:.2g} times more sensitive"
        )
    return lines
