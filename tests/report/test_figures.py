"""Figures: one column wide and fit for print, their data beside them, their message in words."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations
from xml.etree import ElementTree

import matplotlib as mpl
import matplotlib.colors
import numpy as np
import pandas as pd
import pytest
from conftest import MAKERS, Analysed
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.text import Text
from matplotlib.transforms import Bbox
from PIL import Image

from silagetrial.analysis import Analysis
from silagetrial.display import style
from silagetrial.display.axes import log_axis, mark_without
from silagetrial.display.block import Picture, Prose
from silagetrial.display.style import canvas, finish, looks
from silagetrial.report import (
    figures,
    figures_comparison,
    figures_means,
    results,
)

Sketches = Callable[[], list["Sketch"]]

SVG = "{http://www.w3.org/2000/svg}"


def drawn(analysis: Analysis) -> list[Picture]:
    trial = analysis.trial
    made: list[Picture | Prose] = [*figures.answer(analysis), figures.days(analysis)]
    for result in analysis.responses.values():
        made += [
            figures.raw(trial, result),
            figures.comparison(trial, result),
            figures.means(trial, result),
            *figures.residuals(trial, result),
            *figures.curve(trial, result),
        ]
    return [item for item in made if isinstance(item, Picture)]


@dataclass(frozen=True)
class Sketch:
    """A figure as it was saved, with the places of its letters in dots."""

    figure: Figure
    letters: dict[Text, Bbox]
    page: Bbox


@pytest.fixture
def sketches(monkeypatch: pytest.MonkeyPatch) -> Sketches:
    """Figures drawn since, as they were saved at 300 dots an inch."""
    seen: list[Sketch] = []
    saved = style._png

    def noted(figure: Figure, words: dict[str, str]) -> bytes:
        content = saved(figure, words)
        places = {text: text.get_window_extent() for text in _written(figure)}
        seen.append(Sketch(figure, places, figure.bbox.frozen()))
        return content

    monkeypatch.setattr(style, "_png", noted)
    return lambda: seen


def _written(figure: Figure) -> list[Text]:
    """Every text that is drawn; matplotlib keeps tick labels beyond the range that are not."""
    every = {t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()}
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            kept = {tick.label1 for tick in axis._update_ticks()} | {axis.label}
            every -= set(axis.findobj(Text)) - kept
    return sorted(every, key=lambda text: text.get_text())


def data_of(picture: Picture) -> pd.DataFrame:
    """What the picture's CSV says; numbers are read by Python, which loses no digit."""
    frame = pd.read_csv(io.BytesIO(picture.files()["csv"]), dtype=str)
    for name in frame:
        filled = frame[name].dropna()
        if filled.str.fullmatch(r"-?[\d.]+(e-?\d+)?").all():
            frame[name] = [float(text) for text in frame[name]]
    return frame


def picture_of(item: object) -> Picture:
    assert isinstance(item, Picture)
    return item


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in MAKERS if name != "no samples"])
def test_every_figure_is_fit_for_print_and_speaks_in_numbers(
    analysed: Analysed, sketches: Sketches, name: str
) -> None:
    made = drawn(analysed(name))
    assert len(made) >= 5
    assert len({picture.name for picture in made}) == len(made)
    for picture, sketch in zip(made, sketches(), strict=True):
        _check_files(picture)
        _check_letters(sketch, picture.name)
        assert len(re.findall(r"\d", picture.alt)) >= 4
        assert "nan" not in picture.alt.lower().split()
        assert picture.caption.endswith(".")


def _check_files(picture: Picture) -> None:
    """85 mm wide at 300 dots an inch; SVG whose letters are outlines and that loads nothing."""
    image = Image.open(io.BytesIO(picture.png))
    assert image.width == int(85 / 25.4 * 300)
    assert 300 < image.height < 1200
    assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)
    assert image.info["Description"] == picture.alt
    root = ElementTree.fromstring(picture.svg)
    assert float(root.attrib["width"].removesuffix("pt")) == pytest.approx(85 / 25.4 * 72, abs=1e-3)
    assert root.findall(f".//{SVG}text") == []
    assert root.findall(f".//{SVG}image") == []
    links = [value for tag in root.iter() for key, value in tag.attrib.items() if "href" in key]
    assert all(link.startswith("#") for link in links)
    data = data_of(picture)
    assert len(data)
    assert len(data.columns) == len(picture.data.columns)


def _check_letters(sketch: Sketch, name: str) -> None:
    """Letters of 7 points or more, none cut off at the edge, none over another."""
    page = sketch.page
    for text, box in sketch.letters.items():
        what = f"{name}: {text.get_text()!r}"
        assert text.get_fontsize() >= 7, what
        assert min(box.x0, box.y0) >= -1, f"{what} is cut"
        assert box.x1 <= page.x1 + 1, f"{what} is cut"
        assert box.y1 <= page.y1 + 1, f"{what} is cut"
    for (one, first), (two, second) in combinations(sketch.letters.items(), 2):
        over = first.x0 < second.x1 and second.x0 < first.x1
        over = over and first.y0 < second.y1 and second.y0 < first.y1
        assert not over, f"{name}: {one.get_text()!r} lies over {two.get_text()!r}"


def test_the_same_analysis_gives_the_same_bytes(analysed: Analysed) -> None:
    analysis = analysed("recored")
    for make in (figures.answer, lambda it: figures.residuals(it.trial, it["dm_loss"])):
        first, second = make(analysis), make(analysis)
        assert first == second
        assert [p.files() for p in first] == [p.files() for p in second]


def test_a_user_style_does_not_change_the_report(
    analysed: Analysed, monkeypatch: pytest.MonkeyPatch
) -> None:
    analysis = analysed("separate")
    usual = figures.means(analysis.trial, analysis["dm_loss"])
    monkeypatch.setitem(mpl.rcParams, "axes.facecolor", "black")
    monkeypatch.setitem(mpl.rcParams, "font.size", 30)
    monkeypatch.setitem(mpl.rcParams, "svg.fonttype", "none")
    assert figures.means(analysis.trial, analysis["dm_loss"]) == usual


def heights(sketch: Sketch) -> list[float]:
    """Heights of all marks drawn in the one panel of a figure."""
    lines = [
        line for line in sketch.figure.axes[0].lines if line.get_marker() not in ("", "None", None)
    ]
    return sorted(float(y) for line in lines for y in np.asarray(line.get_ydata(), dtype=float))


@pytest.mark.parametrize("name", ["separate", "recored"])
def test_page_one_draws_every_bale_and_every_mean_and_says_so_in_its_data(
    analysed: Analysed, sketches: Sketches, name: str
) -> None:
    analysis = analysed(name)
    made = results.contents(analysis)["responses"]
    assert isinstance(made, dict)
    for picture, response in zip(
        figures.answer(analysis), ("butyric_acid", "dm_loss"), strict=True
    ):
        assert picture.name == f"{response}_answer"
        data, result = data_of(picture), analysis[response]
        value = f"{result.response.label} ({result.response.level_unit})"
        bales, means = (
            data[data["drawn as"] == "bale"],
            data[data["drawn as"].str.match("adjusted")],
        )
        assert heights(sketches()[-1 if response == "dm_loss" else -2]) == sorted(
            [*bales[value], *means[value]]
        )
        rows = result.records.rows
        assert sorted(bales[value]) == sorted(rows["value_used"])
        assert sorted(bales["bale"]) == sorted(rows["bale"])
        held = made[response]["means"].frame.set_index(["binding", "opening"])
        for row in means.to_dict("records"):
            same = held.loc[(row["binding"], row["opening"])]
            assert row[value] == same["estimate"]
            assert row[f"95 % low of {value}"] == same["conf_low"]
            assert row[f"95 % high of {value}"] == same["conf_high"]
        matters = data[data["drawn as"] == "smallest difference that matters"]
        edge = analysis.trial.settings.analysis.important[response]
        base = held.loc[(analysis.trial.settings.reference, matters["opening"].iloc[0]), "estimate"]
        ratio = result.response.effect == "ratio"
        wanted = [base * edge, base / edge] if ratio else [base + edge, base - edge]
        assert list(matters[value]) == wanted
        limit = (
            "your limit, a ratio to net of 0.67 or 1.50"
            if ratio
            else "your limit, 1 percentage point more or less than net"
        )
        said = f"Short broken lines: {limit} at {matters['opening'].iloc[0]}."
        assert said in picture.caption


def test_the_limit_of_the_plan_is_a_named_line(analysed: Analysed, sketches: Sketches) -> None:
    analysis = analysed("recored")
    settings = analysis.trial.settings
    plan = replace(settings.analysis, limits={"butyric_acid": 3.0})
    trial = replace(analysis.trial, settings=replace(settings, analysis=plan))
    picture, _ = figures.answer(replace(analysis, trial=trial))
    (line,) = data_of(picture).query("`drawn as` == 'limit that matters'")["Butyric acid (g/kg DM)"]
    assert line == 3.0
    texts = [text.get_text() for text in sketches()[0].letters]
    assert "limit 3 g/kg DM" in texts
    assert "limit named in the plan" in picture.caption
    levels = [float(y) for y in picture_lines(sketches()[0])]
    assert 3.0 in levels


def picture_lines(sketch: Sketch) -> list[float]:
    """Heights of lines that run across the panel."""
    lines = [np.asarray(line.get_ydata(), dtype=float) for line in sketch.figure.axes[0].lines]
    return [float(y[0]) for y in lines if len(y) == 2 and y[0] == y[1]]


def test_page_one_shows_the_data_where_there_is_no_answer(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    made = figures.answer(analysis)
    assert len(made) == 2
    for picture in made:
        assert set(data_of(picture)["drawn as"]) == {"bale"}
        assert "adjusted" not in picture.caption
    assert figures.answer(analysed("no samples")) == ()


def test_comparisons_are_drawn_from_their_data(analysed: Analysed, sketches: Sketches) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    picture = picture_of(figures.comparison(analysis.trial, result))
    data = data_of(picture)
    here = data[data["drawn as"] == "comparison"]
    value = "Butyric acid, ratio"
    frame = result.differences.frame
    for column, of in (
        (value, "estimate"), (f"95 % low of {value}", "conf_low"),
        (f"95 % high of {value}", "conf_high"), (f"simultaneous 95 % low of {value}", "sim_low"),
        (f"simultaneous 95 % high of {value}", "sim_high"),
    ):  # fmt: skip
        assert list(here[column]) == list(frame[of])
    assert heights(sketches()[0]) == sorted(here[value])
    assert list(here["planned days in storage"]) == [30, 90, 180, 270]
    edges = data[data["drawn as"] == "edge of what is too small to matter"][value]
    assert list(edges) == [1 / 1.5, 1.5]


def test_the_alt_text_tells_the_comparison(analysed: Analysed) -> None:
    analysis = analysed("separate")
    picture = picture_of(figures.comparison(analysis.trial, analysis["butyric_acid"]))
    row = analysis["butyric_acid"].differences.frame.set_index("opening").loc["9 months"]
    assert (
        f"9 months film / net {row['estimate']:.2f} ({row['sim_low']:.2f} to {row['sim_high']:.2f})"
        in picture.alt
    )
    assert "broken line" in picture.caption
    other = analysed("one opening")
    single = picture_of(figures.comparison(other.trial, other["butyric_acid"]))
    assert "broken line" not in single.caption
    assert "simultaneous" not in single.caption


def test_the_raw_figure_counts_pairs(analysed: Analysed) -> None:
    analysis = analysed("separate")
    rows = analysis["butyric_acid"].records.rows
    last = rows[rows["opening"] == "9 months"]
    pairs = last.pivot(index="pair", columns="binding", values="value").dropna()
    lower = int((pairs["film"] < pairs["net"]).sum())
    picture = picture_of(figures.raw(analysis.trial, analysis["butyric_acid"]))
    assert f"film below net in {lower} of {len(pairs)} pairs" in picture.alt


def test_raw_values_means_and_residuals_are_those_of_their_data(
    analysed: Analysed, sketches: Sketches
) -> None:
    analysis = analysed("recored")
    trial, result = analysis.trial, analysis["butyric_acid"]
    made = [figures.raw(trial, result), figures.means(trial, result)]
    made += figures.residuals(trial, result)
    columns = ["Butyric acid (g/kg DM)"] * 2 + ["standardised residual"] * 2
    for item, sketch, column in zip(made, sketches(), columns, strict=True):
        assert heights(sketch) == sorted(data_of(picture_of(item))[column])
    days = data_of(picture_of(figures.days(analysis)))
    assert (days["actual minus planned days"] == days["days in storage"] - days[
        "planned days in storage"]).all()  # fmt: skip


def test_without_an_answer_nothing_is_drawn_but_the_data(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    assert figures.comparison(analysis.trial, analysis["dm_loss"]) == Prose(())
    assert figures.means(analysis.trial, analysis["dm_loss"]) == Prose(())
    assert figures.residuals(analysis.trial, analysis["dm_loss"]) == ()
    assert isinstance(figures.raw(analysis.trial, analysis["dm_loss"]), Picture)


def test_without_a_value_nothing_is_drawn_at_all(analysed: Analysed) -> None:
    assert drawn(analysed("no samples")) == []


def test_an_opening_left_to_counts_is_named_where_its_tick_is(
    analysed: Analysed, monkeypatch: pytest.MonkeyPatch
) -> None:
    written: list[dict[float, str]] = []

    def noted(axes: Axes, reasons: dict[float, str]) -> None:
        written.append(reasons)
        mark_without(axes, reasons)

    for module in (figures_comparison, figures_means):
        monkeypatch.setattr(module, "mark_without", noted)
    analysis = analysed("recored")
    picture = picture_of(figures.comparison(analysis.trial, analysis["butyric_acid"]))
    assert "6 weeks reported as counts" in picture.alt
    figures.comparison(analysis.trial, analysis["dm_loss"])
    figures.means(analysis.trial, analysis["butyric_acid"])
    assert written == [{45.0: "reported as counts"}, {}, {45.0: "reported as counts"}]


def test_names_stand_at_the_ends_of_their_lines_where_they_fit(
    analysed: Analysed, sketches: Sketches
) -> None:
    for name in ("three bindings", "hostile"):
        analysis = analysed(name)
        figures.means(analysis.trial, analysis["butyric_acid"])
    short, long = sketches()
    assert {text.get_text() for text in short.figure.axes[0].texts} == {"net", "film", "twine"}
    assert short.figure.legends == []
    assert len(long.figure.legends) == 1, "a name of 17 letters goes into a key"


def test_colours_are_those_of_okabe_and_ito() -> None:
    # The set that ships with matplotlib under the authors' names.
    known = {matplotlib.colors.to_hex(colour) for colour in mpl.color_sequences["okabe_ito"]}
    five = looks(["a", "b", "c", "d", "e"])
    assert {look.colour.lower() for look in five.values()} <= known
    assert len({look.marker for look in five.values()}) == 5
    assert len({str(look.line) for look in five.values()}) == 5


@pytest.mark.parametrize(("low", "high"), [(0.4, 1.5), (0.02, 30.0), (0.9, 1.2)])
def test_a_logarithmic_axis_has_plain_numbers(low: float, high: float) -> None:
    with canvas(height=2.0) as (figure, grid):
        axes = grid[0, 0]
        axes.plot([0, 1], [low, high])
        log_axis(axes)
        figure.canvas.draw()
        inside = [
            label.get_text()
            for label in axes.get_yticklabels()
            if low <= float(label.get_text()) <= high
        ]
    assert inside
    assert not any("e" in text or "$" in text for text in inside)


def test_a_name_in_another_script_is_drawn_without_a_warning() -> None:
    with canvas(height=2.0) as (figure, grid):
        grid[0, 0].set_title("\u30ed\u30fc\u30eb $x^{2$ {{7*7}}")
        assert finish(figure, data=pd.DataFrame(), alt="a", caption="c").png.startswith(b"\x89PNG")


def test_a_mean_whose_interval_has_no_end_is_drawn_and_said_so(analysed: Analysed) -> None:
    # Two runs a binding: 0.1 degrees of freedom, and an interval from 0 to infinity.
    analysis = analysed("in runs")
    means = figures.means(analysis.trial, analysis["butyric_acid"])
    for picture in (figures.answer(analysis)[0], means):
        assert isinstance(picture, Picture)
        assert "2.04 (0 or more, without end)" in picture.alt
