"""What follows from a study's read-out chain as one HTML page: the line, its sensitivity, a qubit's read-out, the formulas' sources."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from fluxsense.base.units import format_quantity
from fluxsense.readout.qubit import FORMULAS
from fluxsense.report.page import filled
from fluxsense.report.readout import LINE_WORDS, flux_text, readout_lines
from fluxsense.report.tables import Table

if TYPE_CHECKING:
    from fluxsense.report.documents import CheckedReadout, QubitReadout, ReadoutBody


def readout_page(document: CheckedReadout) -> str:
    """What follows from the read-out chain as one HTML document: the line, its sensitivity, a qubit's read-out, the formulas' sources.

    Parameters
    ----------
    document : mapping
        Of `check`, with a part on the read-out.
    """
    body = document["readout"]
    tables = {"Line": _stage_table(body), "Sensitivity": _loop_table(body)}
    if body["qubit"] is not None:
        tables |= _qubit_tables(body["qubit"])
    return filled(
        "readout.html",
        d=document,
        answer=readout_lines(body, document["source"]["unit"])[1],
        said=document["warnings"],
        tables=tables,
        formulas=FORMULAS,
    )


def _stage_table(body: ReadoutBody) -> Table:
    rows = tuple(
        (
            x["name"],
            x["place"],
            format_quantity(x["power_w"], "power", 4),
            f"{x['gain_db']:.2f} dB",
            format_quantity(x["noise_k"], "temperature", 3),
            "not stated" if x["margin_db"] is None else f"{x['margin_db']:.1f} dB",
        )
        for x in body["stages"]
    )
    caption = "In the direction of the signal. Noise: what a stage adds, referred to the chip. Margin: to the 1 dB compression point."
    return Table(caption, ("stage", "way", "power at its input", "gain", "noise", "margin"), rows)


def _loop_table(body: ReadoutBody) -> Table:
    rows = tuple(
        (
            one["loop"],
            flux_text(one["flux_noise_phi0"]),
            "none" if one["field_noise_t"] is None else f"{format_quantity(one['field_noise_t'], 'field', 3)}/sqrt(Hz)",
            f"{one['centre_mu_b']:.3g} mu_B/sqrt(Hz)",
            f"{one['centre_a_m2']:.3g} A m^2/sqrt(Hz)",
        )
        for iso in body["isolators"]
        for one in iso["loops"]
    )
    caption = (
        "At the best single frequency, the pump on, all else known; moments at the loop's centre along its normal."
    )
    return Table(caption, ("loop", "flux noise", "field noise", "moment noise", "the same"), rows)


def _qubit_tables(body: QubitReadout) -> dict[str, Table]:
    head = ("line", "noise / quanta", "signal to noise", "fidelity", "thermal photons", "dephasing per s")
    keys = ("quanta", "separation", "fidelity", "thermal_photons", "dephasing_per_s")

    def row(words: str, x: Mapping[str, float]) -> tuple[str, ...]:
        return (words, *(f"{x[k]:.5g}" if k == "fidelity" else f"{x[k]:.3g}" for k in keys))

    lines = tuple(row(words, x) for k, words in LINE_WORDS.items() if (x := body["lines"][k]) is not None)
    caption = (
        f"Resonator at {body['resonator_hz'] / 1e9:.6g} GHz, linewidth {body['linewidth_hz'] / 1e6:.3g} MHz, dispersive shift "
        f"{body['pull_hz'] / 1e6:.3g} MHz, {body['photons']:g} photons for {format_quantity(body['integration_s'], 'time', 3)}. Isolator "
        f"{body['isolator']} at setting {body['setting']}: insertion loss {body['insertion_loss_db']:.2f} dB, isolation "
        f"{body['isolation_db']:.1f} dB. Thermal photons: what comes back through the line."
    )
    by_loss = [row(f"insertion loss {x['loss_db']:g} dB", x) for x in body["by_loss"]]
    by_isolation = [row(f"isolation {x['isolation_db']:g} dB", x) for x in body["by_isolation"]]
    beside = "The isolator of the chip with another insertion loss, or another isolation, all else as above."
    return {
        "Qubit read-out": Table(caption, head, lines),
        "Loss and isolation": Table(beside, head, (*by_loss, *by_isolation)),
    }
