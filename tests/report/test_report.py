"""The report: what it says is what the result holds, nothing hostile gets through, nothing is fetched."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from html.parser import HTMLParser
from io import BytesIO
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import matplotlib
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from reference.fisher import vmf_sample

from fluxsense.base.errors import InputError
from fluxsense.base.sphere import (
    angle_between_rad,
    clusters,
    credible_regions,
    lambert_xy,
    random_directions,
    vector_from_angles,
)
from fluxsense.data.own_columns import OwnColumn
from fluxsense.jobs.orient import Orientation, either_sign, orient
from fluxsense.jobs.page import corner_columns, group_views, loop_views, shown, write_report
from fluxsense.jobs.simulate import Truth, draw_truth, simulate_digest
from fluxsense.report import figures, page, pictures, views
from fluxsense.report.documents import Nuisance
from fluxsense.report.lines import answer_lines, answer_sentence
from fluxsense.study import read_study

TITLE = '<script>alert(1)</script> {{ 7 * 7 }}{% raise %} & $\\frac{ "><img src=x onerror=alert(2)>'
FINDING = "The state </li><b onclick=alert(3)>$x_{</b> was <!-- not seen"


def study_text() -> str:
    """Two isolators under a dipole at a known place; few points, few unknowns."""
    parts = [
        "format = 1",
        f"title = '''{TITLE}'''",
        "note = '''</p><style>body{display:none}</style>'''",
        "[uncertainty]",
        'unstated = "exact"',
        "[source]",
        'kind = "dipole"',
        'position = ["1 um", "-0.5 um", "10 um"]',
        'size_prior = "scale"',
        'size = "30 fA m^2"',
        "[[chip]]",
        'name = "plate"',
    ]
    places = {"a1": (9, 4), "a2": (16, 16), "b1": (-4, 10), "b2": (-17, 12)}
    for name, (x, y) in places.items():
        parts += [
            "[[loop]]",
            f'name = "{name}"',
            'shape = "square"',
            f'center = ["{x} um", "{y} um"]',
            'side = "10 um"',
        ]
        parts += ['offset_sd = "10 mPhi0"']
    for name in places:
        parts += ["[[bias_line]]", f'name = "{name}"', 'limit = "2 mA"', f'mutual = {{ {name} = "600 Phi0/A" }}']
    for name, loops in (("a", ("a1", "a2")), ("b", ("b1", "b2"))):
        parts += ["[[isolator]]", f'name = "{name}"', 'link = "hybrid"', 'reference_flux = "0.5 Phi0"']
        parts += ['reference_power = "-60 dBm"', 'pump_port_1_phase = "+90 deg"', "pump_strength_sd = 0.02"]
        for k, loop in enumerate(loops, 1):
            parts += [
                f"[isolator.stage_{k}]",
                f'loop = "{loop}"',
                'ring = "shunted"',
                "shunt_ratio = 3.0",
                'signal_frequency = "5.02 GHz"',
                'signal_linewidth = "40 MHz"',
                "signal_participation = 0.1",
                'idler_frequency = "7.35 GHz"',
                'idler_linewidth = "60 MHz"',
                "idler_participation = 0.1",
                'coupling = "10 MHz"',
            ]
    parts += ['[[state]]\nname = "out"\nkind = "out"', '[[state]]\nname = "in"\nkind = "in"']
    for name, sign in (("same", ""), ("opposed", "-")):
        bias = f'a1 = "0.85 mA", b1 = "0.85 mA", a2 = "{sign}0.85 mA", b2 = "{sign}0.85 mA"'
        parts += [f'[[setting]]\nname = "{name}"\nbias = {{ {bias} }}', "pump_port = 1"]
        parts += ['pump_power = "-60 dBm"', 'pump_frequency = "matched"']
    parts += [
        '[sweep]\nstart = "4.96 GHz"\nstop = "5.05 GHz"\npoints = 15',
        "[noise]\nwhite = 0.01\nresidual_gain = 0.001",
    ]
    parts += ['[plan]\nrepeats = 4\noff_repeats = 4\nstates = ["out", "in"]\ncooldowns = ["first"]']
    parts += ["[sampling]\nensembles = 2\nwanted_ess = 200"]
    return "\n".join(parts) + "\n"


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> tuple[Orientation, Truth]:
    file = tmp_path_factory.mktemp("report") / "a<i>&.toml"
    file.write_text(study_text(), encoding="utf-8")
    study = read_study(file)
    truth = draw_truth(study, 5, source=30e-15 * vector_from_angles(np.radians(50.0), np.radians(25.0)))
    orientation = orient(study, simulate_digest(study, truth), seed=2, wanted_ess=200)
    orientation.document["findings"].append(FINDING)  # words of any origin
    return orientation, truth


@pytest.fixture(scope="module")
def html(result: tuple[Orientation, Truth]) -> str:
    return page.report_page(result[0].document, shown(result[0]), views.known_source(result[1]))


def test_columns_of_the_laboratorys_own_have_their_figure(result: tuple[Orientation, Truth], html: str) -> None:
    assert "own columns" not in html
    chance = np.array([1e-9, 1.0, 1.0, 1.0, 1.0])
    one = OwnColumn("heat <mk>", np.arange(9.0), np.ones((5, 9)), np.array([0.9, 0, 0, 0, 0]), chance)
    values = shown(result[0])
    few = replace(
        values, own=(one,) * 6, groups=values.groups[:2], columns=values.columns[:2]
    )  # the rest is drawn in `html`
    text = page.report_page(result[0].document, few)
    assert "gain of S21 (%) with heat &lt;mk&gt;" in text
    assert "2 more columns are not shown" in text


class Reader(HTMLParser):
    """Collects tags with their attributes, and all text outside style."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.text = ""
        self._style = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        self._style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._style = False

    def handle_data(self, data: str) -> None:
        if not self._style:
            self.text += " " + data

    @property
    def words(self) -> str:
        return " ".join(self.text.split())


# ------------------------------------------------------------------------------------------------------------ the page
def test_the_answer_comes_first_and_with_its_trust(result: tuple[Orientation, Truth], html: str) -> None:
    words = Reader(html.split("<main>")[1]).words
    answer = answer_sentence(result[0].document)
    assert words.index(answer) < words.index("What was found") < words.index("Credible regions")
    assert words.startswith(page.TRUST_WORDS[result[0].document["verdict"]["trust"]])
    for reason in [*result[0].document["verdict"]["reasons"], *result[0].document["findings"]]:
        assert " ".join(reason.split()) in words


def test_hostile_names_are_text_only(html: str) -> None:
    reader = Reader(html)
    names = {tag for tag, _ in reader.tags}
    assert "script" not in names
    assert FINDING in reader.words
    assert TITLE.split(" & ")[0] in reader.words  # braces too: a value is never a template
    assert "a<i>&.toml" in reader.words
    assert sum(tag == "style" for tag, _ in reader.tags) == 1
    assert not [a for _, attrs in reader.tags for a in attrs if a.startswith("on")]


def test_nothing_is_fetched(html: str) -> None:
    reader = Reader(html)
    policy = [a["content"] for tag, a in reader.tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]
    sources = [a["src"] for tag, a in reader.tags if "src" in a]
    assert len(sources) == 6
    assert all(re.fullmatch(r"data:image/(png;base64,[A-Za-z0-9+/=]+|svg\+xml,[^\"<>&#]+)", s) for s in sources)
    assert not [a for _, a in reader.tags if "href" in a]
    style = html[html.index("<style>") : html.index("</style>")]
    assert "url(" not in style
    assert "@import" not in style
    # the policy stands before anything that it governs
    assert html.index("Content-Security-Policy") < html.index("<style>") < html.index("<img")


def test_pictures_are_whole_and_refer_to_nothing_outside(html: str) -> None:
    found = re.findall(r'src="data:image/svg\+xml,([^"]+)"', html)
    assert len(found) == 6
    for uri in found:
        svg = unquote(uri)
        root = ElementTree.fromstring(svg)
        assert root.tag.endswith("svg")
        links = [v for e in root.iter() for k, v in e.attrib.items() if k.endswith("href")]
        assert all(x.startswith("#") for x in links)
        assert not [e for e in root.iter() if e.tag.endswith(("script", "foreignObject"))]


def test_numbers_are_those_of_the_result(result: tuple[Orientation, Truth], html: str) -> None:
    d, words = result[0].document, Reader(html).words
    for r in d["region"]:
        assert f"{100 * r['level']:.0f}% {page._short(r['solid_angle_sr'])} ±" in words
        assert f"{page._short(r['cone_deg'])}°" in words
    for m in d["modes"]:
        assert f"{page._signed(m['azimuth_deg'], 2)}°" in words
    assert d["provenance"]["digest_hash"] in words
    assert d["provenance"]["study_hash"] in words
    for q in d["sampling"]["quantities"]:
        assert q["name"] in words
    for n in d["nuisances"]:
        assert n["name"] in words
    assert "local rules and with trained staff" in words


@pytest.mark.parametrize(
    ("at", "spread", "share", "both"),
    [(2.7, 0.3, 0.5, True), (2.7, 0.3, 0.1, True), (2.7, 0.3, 0.001, False), (0.5, 1.0, 0.5, False)],
    ids=["both alike", "one less likely", "one only", "one peak about zero"],
)
def test_a_number_whose_signs_both_fit_is_told_as_two(at: float, spread: float, share: float, both: bool) -> None:
    rng = np.random.default_rng(5)
    sign = np.where(rng.random(3000) < share, -1.0, 1.0)
    values = np.radians(2.0) * sign * (at + spread * rng.normal(size=3000))
    entry: Nuisance = {
        "name": "pump phase error west", "unit": "rad", "prior_mean": 0.0, "prior_sd": float(np.radians(2.0)),
        "mean": float(values.mean()), "sd": float(values.std()), "either_sign": either_sign(values),
    }  # fmt: skip
    assert (entry["either_sign"] is not None) is both
    row = page._nuisance_row(entry)
    if both:
        assert re.fullmatch(r"\+ or − \(5\.[345]\d* ± 0\.[56]\d*\)", row["posterior"])
        assert row["unit"] == "°"
        assert row["pull"] == "±2.7"
    else:
        assert "or" not in row["posterior"]
        assert "±" not in row["pull"]


def test_same_result_same_picture(result: tuple[Orientation, Truth], html: str) -> None:
    known = views.known_source(result[1])
    for figure in (figures.geometry(shown(result[0]), known), figures.traces(shown(result[0]))):
        assert pictures.svg_uri(figures.image_bytes(figure)) in html


def test_an_svg_in_an_address_is_the_same_document() -> None:
    given = '<svg a="&lt;&#176;%20\'&apos;é">50% # "text" &amp; \u2212</svg>'
    uri = pictures.svg_uri(given.encode())
    assert uri.isascii()
    assert not set(uri) & set('"<>&#')
    back = ElementTree.fromstring(unquote(uri.partition(",")[2]))
    first = ElementTree.fromstring(given)
    assert back.attrib == first.attrib
    assert back.text == first.text.replace('"', "'")


def test_a_short_svg_is_the_same_picture() -> None:
    # every place of the paths, by what matplotlib wrote
    figure = Figure(figsize=(3, 2))
    axes = figure.add_subplot()
    axes.plot(np.linspace(0, 1, 50), np.random.default_rng(0).standard_normal(50), marker="o")
    axes.set_title("−1.5 °")
    out = BytesIO()
    with matplotlib.rc_context(figures.STYLE):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    trees = [ElementTree.fromstring(x) for x in (out.getvalue(), figures._short_svg(out.getvalue()))]
    paths = [[e for e in t.iter() if e.tag.endswith(("}path", "}use"))] for t in trees]
    assert len(paths[0]) == len(paths[1]) > 60
    for long, short in zip(*paths, strict=True):
        for key in ("d", "x", "y"):
            numbers = [[float(n) for n in re.findall(r"-?\d+\.?\d*", e.get(key, ""))] for e in (long, short)]
            assert numbers[0] == pytest.approx(numbers[1], abs=0.01)
            letters = [re.sub(r"[^A-Za-z]", "", e.get(key, "")) for e in (long, short)]
            assert letters[0] == letters[1]
    assert len(ElementTree.tostring(trees[1])) < 0.8 * len(out.getvalue())


def test_truth_is_marked_and_measured_against(result: tuple[Orientation, Truth], html: str) -> None:
    assert "The truth stated for these traces" in html
    assert page._truth_words(shown(result[0]), views.KnownSource(np.zeros(3))).endswith("no source.")
    away = float(np.degrees(angle_between_rad(result[1].parameters["source"][0], result[0].posterior.direction)))
    assert f"{away:.2g} degrees from the mean direction" in html


def test_written_beside_and_renamed(
    result: tuple[Orientation, Truth], html: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page, "report_page", lambda *_: html + "\udce9")  # an undecodable file name
    target = tmp_path / "report.html"
    write_report(target, *result)
    assert target.read_text(encoding="utf-8") == html + "\\udce9"
    assert [x.name for x in tmp_path.iterdir()] == ["report.html"]
    monkeypatch.setattr("fluxsense.jobs.page._pictures", lambda *_: {})
    with pytest.raises(InputError, match="cannot be written"):
        write_report(tmp_path / "none" / "report.html", *result)


# ---------------------------------------------------------------------------------------------------------------- views
def by_group(orientation: Orientation, values: list[Any]) -> dict[tuple[str, str, str], Any]:
    """Arrays per family with groups first, by isolator, setting (told by the far loop's bias) and state."""
    keys = [k for f in orientation.likelihood.families for k in f.keys]
    names = ["opposed" if min(k.bias_a) < 0 else "same" for k in keys]
    found = zip(keys, names, np.concatenate(values), strict=True)
    return {(k.isolator, n, k.state): v for k, n, v in found if k.pump_on}


def test_groups_agree_with_likelihood_and_truth(result: tuple[Orientation, Truth]) -> None:
    orientation, truth = result
    groups = group_views(orientation)
    assert [(g.isolator, g.setting, g.state) for g in groups] == [
        (i, s, q) for i in ("a", "b") for s in ("same", "opposed") for q in ("out", "in")
    ]
    # at the true parameters the ratio is known: measured within noise, which `sd` must describe (chi-square, 5 sigma)
    exact = by_group(orientation, [r[0] for r in orientation.likelihood.predict(truth.parameters)])
    chi = 0.0
    for g in groups:
        s = exact[g.isolator, g.setting, g.state]
        assert g.frequency_hz.shape == (15,)
        y = g.ratio[:, g.at]
        assert g.directionality_db == pytest.approx(20 * np.log10(abs(y[0] / y[1])))
        gain = np.abs(s) * np.sqrt(2) * 0.001  # residual gain of pump-on and pump-off, per quadrature
        chi += float(np.sum(np.abs(g.ratio - s) ** 2 / (g.sd**2 + gain**2)))
    count = 2 * sum(g.ratio.size for g in groups)
    assert abs(chi - count) < 5 * np.sqrt(2 * count) * 1.5  # 1.5: pump-off noise is shared between settings
    assert all(0.6 < g.misfit < 1.5 for g in groups)


def test_predicted_band_holds_the_best_prediction(result: tuple[Orientation, Truth]) -> None:
    for g in group_views(result[0]):
        best = views.decibels(g.best)
        inside = np.mean((best > g.low_db - 0.3) & (best < g.high_db + 0.3))
        assert inside > 0.8
        assert g.predicted_low_db <= g.predicted_db <= g.predicted_high_db


def test_loops_hold_bias_plus_source(result: tuple[Orientation, Truth]) -> None:
    orientation, truth = result
    loops = loop_views(orientation)
    exact = by_group(orientation, [x[0] for x in orientation.likelihood.loop_fluxes(truth.parameters)])
    assert len(loops) == 8
    for view in loops:
        flux = exact[view.isolator, view.setting, view.state]
        assert np.all(np.abs(view.mean_phi0 - flux) < 5 * view.sd_phi0 + 1e-4)
        # sign of the coupling = sign of sin f, f = (pi/2) F for a shunted ring below two flux quanta
        assert np.array_equal(view.positive > 0.5, flux > 0)
        assert (view.same > 0.5) == (view.setting == "same")


@pytest.mark.parametrize(
    ("value", "words"), [(0.4, "neither way"), (-0.99, "neither way"), (3.0, "1 → 2"), (-12.0, "2 → 1")]
)
def test_direction_of_transmission(value: float, words: str) -> None:
    assert views.passes(value) == words  # S21 is what leaves port 2 for what enters port 1 (Pozar, sec. 4.3)


@pytest.mark.parametrize(
    ("unit", "size", "expected"),
    [
        ("A m^2", 2e-14, (1e15, "fA m²")),
        ("T", 3e-6, (1e6, "µT")),
        ("T", 0.0, (1.0, "T")),
        ("A m^2", 2e-18, (1e15, "fA m²")),
        ("Phi0", 1.0, (1e3, "mΦ0")),
    ],
)
def test_reading_units(unit: str, size: float, expected: tuple[float, str]) -> None:
    factor, text = views.reading_scale(unit, size)
    assert (pytest.approx(factor), text) == expected


def test_one_unit_for_a_size_on_the_page_and_in_the_lines(result: tuple[Orientation, Truth]) -> None:
    document = result[0].document
    for mean, sd in ((3.4e-15, 2e-17), (2e-18, 1e-20), (3.4e-15, 2.8e-31)):
        sized = document | {"size": {"mean": mean, "sd": sd, "unit": "A m^2"}}
        line = next(x for x in answer_lines(sized) if x.startswith("  size: ")).removeprefix("  size: ")
        assert "fA m^2" in line
        assert page._size_words(sized) == line.replace("^2", "²").replace("+-", "±")
    assert line == "3.4 fA m^2 (fixed by the study)"


def test_truth_in_every_form() -> None:
    v, p = np.array([1e-15, 0, 2e-15]), np.array([0.0, 1e-6, 2e-6])
    for form in (v, (v, None), (v, p), {"source": v}, {"source": v, "position_m": p}, views.KnownSource(v, p)):
        known = views.known_source(form)
        assert known is not None
        assert np.array_equal(known.source, v)
        assert known.position_m is None or np.array_equal(known.position_m, p)
    assert views.known_source(None) is None
    for bad in ([1, 2], "north", [1, 2, np.nan], {"field": v}):
        with pytest.raises(InputError, match="not a finite vector of three components"):
            views.known_source(bad)


def test_choice_of_groups_keeps_the_worst_and_the_order(result: tuple[Orientation, Truth]) -> None:
    groups = group_views(result[0])
    assert views.chosen_groups(groups, 8) == groups
    bad = replace(groups[5], residual=groups[5].residual * 10)
    many = [replace(g, cooldown=str(n)) for n in range(5) for g in groups] + [bad]
    chosen = views.chosen_groups(many, 6)
    assert bad in chosen
    assert len(chosen) == 6
    places = [next(n for n, g in enumerate(many) if g is c) for c in chosen]
    assert places == sorted(places)


# -------------------------------------------------------------------------------------------------------------- figures
def clouds() -> dict[str, Any]:
    rng = np.random.default_rng(3)
    u = vector_from_angles(np.radians(40.0), np.radians(20.0))
    ring = random_directions(rng, 20000)
    return {
        "tiny": vmf_sample(rng, u, 4e7, 400),
        "two opposite": np.concatenate([vmf_sample(rng, u, 150.0, 400), vmf_sample(rng, -u, 150.0, 300)]),
        "pole": vmf_sample(rng, np.array([0.0, 0.02, 1.0]), 400.0, 500),
        "ring": ring[np.abs(ring @ u - 0.3) < 0.03],
        "everywhere": random_directions(rng, 600),
    }


@pytest.mark.parametrize("name", list(clouds()))
def test_map_of_every_shape(name: str) -> None:
    samples = clouds()[name]
    groups = clusters(samples)
    centre = np.asarray(groups.modes[0].mean)
    regions = credible_regions(samples, (0.5, 0.9, 0.95), axis=centre)
    figure = figures.styled(figures.draw_sphere_map)(regions, groups.modes, samples, centre, samples[0])
    close_ups = {"tiny": 1, "two opposite": 2, "pole": 1}
    assert len(figure.axes) == 2 + close_ups.get(name, 0)
    texts = [t.get_text() for t in figure.legends[0].get_texts()]
    assert [t.split(" region")[0] for t in texts[:3]] == ["95%", "90%", "50%"]
    assert "truth, as stated" in texts
    assert len(figures.image_bytes(figure)) < 900_000


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 1.99), st.floats(-np.pi, np.pi), st.floats(-np.pi, np.pi), st.floats(-np.pi / 2, np.pi / 2))
def test_map_and_back(radius: float, turn: float, azimuth: float, elevation: float) -> None:
    centre = vector_from_angles(azimuth, elevation)
    x, y = np.array([radius * np.cos(turn)]), np.array([radius * np.sin(turn)])
    back = lambert_xy(figures._from_map(x, y, centre), centre)
    assert back[0] == pytest.approx([x[0], y[0]], abs=1e-7)


def test_equal_areas_on_the_map() -> None:
    # a cap of half-angle a covers 4 pi sin^2(a/2) sr and pi r^2 with r = 2 sin(a/2) on Lambert's map (Snyder, from memory)
    centre = vector_from_angles(0.3, -0.7)
    grid = np.linspace(-1, 1, 401)
    x, y = np.meshgrid(grid, grid)
    inside = angle_between_rad(figures._from_map(x, y, centre), centre) < 0.8
    area = inside.mean() * (2 + grid[1] - grid[0]) ** 2
    assert area == pytest.approx(4 * np.pi * np.sin(0.4) ** 2, rel=0.01)


def test_style_is_the_same_whatever_the_caller_set_and_is_given_back(result: tuple[Orientation, Truth]) -> None:
    groups = group_views(result[0])
    expected = figures.image_bytes(figures.draw_directionality(groups))
    with matplotlib.rc_context({"font.size": 33, "lines.linewidth": 9, "svg.fonttype": "none"}):
        assert figures.image_bytes(figures.draw_directionality(groups)) == expected
        assert matplotlib.rcParams["font.size"] == 33


def test_figures_leave_no_trace_in_pyplot(html: str) -> None:
    from matplotlib import pyplot

    assert html
    assert pyplot.get_fignums() == []


def test_the_named_direction_is_drawn(result: tuple[Orientation, Truth]) -> None:
    groups = group_views(result[0])
    texts = [t.get_text() for t in figures.draw_directionality(groups).axes[0].texts]
    for g in groups:
        assert any(t.startswith(views.passes(g.directionality_db)) for t in texts)
    assert sum(t.startswith(("1 → 2", "2 → 1", "neither")) for t in texts) == len(groups)


def test_corner_of_relevant_columns(result: tuple[Orientation, Truth]) -> None:
    orientation, truth = result
    known = views.known_source(truth)
    columns = views.marked(corner_columns(orientation), known)
    assert [c.name for c in columns[:3]] == ["source x", "source y", "source z"]
    assert len(columns) == 7
    assert columns[0].unit == "fA m²"
    assert columns[2].truth == pytest.approx(truth.parameters["source"][0, 2] * 1e15)
    names, _, values = orientation.table(3000)
    correlation = np.abs(np.corrcoef(values.T))[:3, 3:].max(axis=0)
    assert columns[3].name == names[3 + int(np.argmax(correlation))]


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=80))
@example("$x_{$ and $\\frac$")
@example("line\nline\u202e\u4e2d\udce9\x00")
def test_any_text_is_drawn_literally(text: str) -> None:
    drawn = figures.plain(text)
    assert "\n" not in drawn
    assert len(drawn.replace("\\$", "$")) <= 48
    label = Figure(figsize=(1, 1)).text(0, 0, drawn)
    assert label._preprocess_math(drawn) == (drawn.replace("\\$", "$"), False)
    assert all(ord(c) in figures._drawable() for c in drawn)


def test_what_stands_between_backticks_is_code_and_stays_text() -> None:
    assert page._coded("ask `fluxsense plan` <b>&") == "ask <code>fluxsense plan</code> &lt;b&gt;&amp;"
    assert page._coded("one ` alone, `<script>`") == "one <code> alone, </code>&lt;script&gt;`"
    assert page._coded("`<script>`") == "<code>&lt;script&gt;</code>"
