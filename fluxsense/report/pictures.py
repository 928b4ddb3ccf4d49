"""Figures as they stand in a page: inlined, with words for those who cannot see them and a caption."""

from __future__ import annotations

import base64

from markupsafe import Markup
from matplotlib.figure import Figure

from fluxsense.data.own_columns import MEASURES
from fluxsense.report import figures
from fluxsense.report.views import KnownSource, Picture, Shown, chosen_groups

MOST_VECTOR_PANELS = 8
"""More panels of traces than this go into the page as pixels: thousands of symbols make a heavy vector figure."""


def picture(figure: Figure, alt: str, caption: str, *, pixels: bool = False) -> Picture:
    """A figure as a data URI: PNG if `pixels` is set, else SVG."""
    if pixels:
        uri = Markup("data:image/png;base64," + base64.b64encode(figures.image_bytes(figure, "png")).decode("ascii"))
    else:
        uri = svg_uri(figures.image_bytes(figure))
    return Picture(uri, round(96 * float(figure.get_size_inches()[0])), alt, caption)


def svg_uri(data: bytes) -> Markup:
    """An SVG as a data URI for an attribute between double quotes: as text, a quarter shorter than in base64.

    Whatever could end the attribute, the address or the text is written by its code.
    """
    text = data.decode().encode("ascii", "xmlcharrefreplace").decode()
    text = text.replace("'", "&apos;").replace(
        '"', "'"
    )  # between the attributes of the picture either quote is as good
    for sign in "%#<>&":
        text = text.replace(sign, f"%{ord(sign):02X}")
    text = text.replace(
        "http:", "http%3A"
    )  # names of namespaces, never fetched: whoever looks for addresses finds none
    return Markup("data:image/svg+xml," + text)


def answer_figures(shown: Shown, known: KnownSource | None) -> dict[str, Figure]:
    """Every figure of an answer by its name."""
    found = {
        "map": figures.sphere_map(shown, known),
        "geometry": figures.geometry(shown, known),
        "corner": figures.corner_plot(shown, known),
    }
    if not shown.groups:
        return found
    return (
        found
        | {
            "traces": figures.draw_traces(chosen_groups(shown.groups, figures.MOST_TRACES)),
            "quantiles": figures.residual_quantiles(shown.groups),
            "directionality": figures.draw_directionality(chosen_groups(shown.groups, figures.MOST_ROWS)),
        }
        | ({"own_columns": figures.sweeps_against_columns(shown.own)} if shown.own else {})
    )


def answer_pictures(shown: Shown, known: KnownSource | None) -> dict[str, Picture]:
    """The figures of an answer with words and captions, by their names; many panels of traces as pixels."""
    words = _captions(shown, known)
    drawn = answer_figures(shown, known)
    heavy = len(chosen_groups(shown.groups, figures.MOST_TRACES)) > MOST_VECTOR_PANELS
    pixels = {"own_columns"} | ({"traces"} if heavy else set())
    return {name: picture(figure, *words[name], pixels=name in pixels) for name, figure in drawn.items()}


def _captions(shown: Shown, known: KnownSource | None) -> dict[str, tuple[str, str]]:
    """Words for those who cannot see it, and caption, of each figure."""
    marked = " The star marks the truth." if known is not None else ""

    def part(most: int) -> str:
        chosen = len(chosen_groups(shown.groups, most))
        if chosen == len(shown.groups):
            return ""
        return f" Shown are {chosen} of {len(shown.groups)} groups: the worst misfits, and others spread evenly."

    return {
        "map": (
            "Map of the sphere with the 50, 90 and 95% credible regions of the direction",
            "Where the source points. Equal-area discs: equal areas on the page are equal solid angles. Azimuth (az) runs "
            "from +x towards +y, elevation (el) from the chip plane towards +z. "
            + (
                "Numbered rings are the candidate directions, the most probable first."
                if shown.regions[0].candidates is not None
                else "Solid, dashed and dotted edges enclose 50, 90 and 95% of the probability; dots are draws."
            )
            + marked,
        ),
        "geometry": (
            "Loops and source from above and from the side, with an arrow along the mean direction",
            "The loops and the direction found. Thin lines are draws, the solid arrow is the mean direction"
            + (", the dashed arrow the truth." if known is not None else ".")
            + " Arrows show direction only, not size.",
        ),
        "corner": (
            "Marginal posterior of the source vector and the nuisances that go most with it",
            "The source vector and the nuisances that vary most with it. Shaded: 50% (solid edge) and 90% (dashed edge) "
            "of the probability of each pair. Dashed verticals: 5, 50 and 95%."
            + (" Star and dash-dotted lines: the truth." if known is not None else ""),
        ),
        "traces": (
            "Measured and predicted magnitude of S21 and S12 for each group, with residuals",
            "Magnitude of each path with the pump on, divided by the pump-off trace that all states share. Below each panel: residuals along the "
            "measured phasor in standard deviations, after the most probable gain and flux-noise errors are taken out; "
            f"the shaded strip is ± 2.{part(figures.MOST_TRACES)}",
        ),
        "quantiles": (
            "Quantiles of the residuals against a normal distribution",
            "Do the residuals scatter as the model expects? All groups, both quadratures. Points on the line: yes. A "
            "slope above one: more scatter than expected. Points on the frame lie beyond it.",
        ),
        "own_columns": (
            "Change of gain and phase of each sweep, and what is left of it, against columns of the log",
            "Sweeps against the log's own columns: change of gain and phase of either path against the mean of the repeats, and what is "
            f"left in units of white noise. {_own_words(shown)}",
        ),
        "directionality": (
            "Directionality of each group, measured and predicted",
            "Which way each setting transmits. Taken at the frequency where the predicted directionality is largest. "
            f"Circle: measured, with one standard deviation of white noise. Diamond: predicted.{part(figures.MOST_ROWS)}",
        ),
    }


def _own_words(shown: Shown) -> str:
    """Which of the laboratory's own columns the sweeps go with."""
    said = [f"{MEASURES[n]} with {one.name}" for one in shown.own for n in one.sure]
    found = f"Surely together go: {'; '.join(said)} (filled dots)." if said else "None goes surely together."
    more = len(shown.own) - figures.MOST_OWN_COLUMNS
    return f"{found} {more} more columns are not shown." if more > 0 else found
