"""Figures: drawn for every design, the same each time, their message in words."""

from __future__ import annotations

import re
import struct

import matplotlib as mpl
import matplotlib.colors
import pytest
from conftest import MAKERS, Analysed
from matplotlib.axes import Axes

from silagetrial.analysis import Analysis
from silagetrial.display.block import Picture, Prose
from silagetrial.display.style import WIDTH, canvas, finish, log_axis, looks, mark_without
from silagetrial.report import figures


def drawn(analysis: Analysis) -> list[Picture]:
    trial = analysis.trial
    made: list[Picture | Prose] = [figures.comparisons(analysis)]
    for result in analysis.responses.values():
        made += [
            figures.raw(trial, result),
            figures.means(trial, result),
            figures.residuals(trial, result),
        ]
    made.append(figures.days(analysis))
    return [item for item in made if isinstance(item, Picture)]


@pytest.mark.parametrize("name", [name for name in MAKERS if name != "no samples"])
@pytest.mark.slow
def test_every_figure_is_fit_for_print_and_speaks_in_numbers(analysed: Analysed, name: str) -> None:
    made = drawn(analysed(name))
    assert len(made) >= 3
    for picture in made:
        assert picture.png.startswith(b"\x89PNG\r\n\x1a\n")
        width, height = struct.unpack(">II", picture.png[16:24])
        assert width == round(WIDTH * 200)
        assert 300 < height < 2000
        assert len(re.findall(r"\d", picture.alt)) >= 4
        assert "nan" not in picture.alt.lower().split()
        assert picture.caption.endswith(".")


@pytest.mark.slow
def test_the_same_analysis_gives_the_same_bytes(analysed: Analysed) -> None:
    first, second = drawn(analysed("recored")), drawn(analysed("recored"))
    assert [picture.png for picture in first] == [picture.png for picture in second]


def test_a_user_style_does_not_change_the_report(
    analysed: Analysed, monkeypatch: pytest.MonkeyPatch
) -> None:
    analysis = analysed("separate")
    usual = figures.means(analysis.trial, analysis["dm_loss"])
    monkeypatch.setitem(mpl.rcParams, "axes.facecolor", "black")
    monkeypatch.setitem(mpl.rcParams, "font.size", 30)
    assert figures.means(analysis.trial, analysis["dm_loss"]) == usual


def test_the_alt_text_tells_the_comparison(analysed: Analysed) -> None:
    analysis = analysed("separate")
    picture = figures.comparisons(analysis)
    assert isinstance(picture, Picture)
    row = analysis["butyric_acid"].differences.frame.set_index("opening").loc["9 months"]
    assert (
        f"9 months film / net {row['estimate']:.2f} ({row['sim_low']:.2f} to {row['sim_high']:.2f})"
        in picture.alt
    )
    assert "broken line" in picture.caption
    single = figures.comparisons(analysed("one opening"))
    assert isinstance(single, Picture)
    assert "broken line" not in single.caption
    assert "simultaneous" not in single.caption


def test_the_raw_figure_counts_pairs(analysed: Analysed) -> None:
    analysis = analysed("separate")
    rows = analysis["butyric_acid"].records.rows
    last = rows[rows["opening"] == "9 months"]
    pairs = last.pivot(index="pair", columns="binding", values="value").dropna()
    lower = int((pairs["film"] < pairs["net"]).sum())
    picture = figures.raw(analysis.trial, analysis["butyric_acid"])
    assert isinstance(picture, Picture)
    assert f"film below net in {lower} of {len(pairs)} pairs" in picture.alt


def test_without_an_answer_nothing_is_drawn_but_the_data(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    assert figures.comparisons(analysis) == Prose(())
    assert figures.means(analysis.trial, analysis["dm_loss"]) == Prose(())
    assert figures.residuals(analysis.trial, analysis["dm_loss"]) == Prose(())
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

    monkeypatch.setattr(figures, "mark_without", noted)
    analysis = analysed("recored")
    both = figures.comparisons(analysis)
    assert isinstance(both, Picture)
    assert "6 weeks reported as counts" in both.alt
    figures.means(analysis.trial, analysis["butyric_acid"])
    assert written == [{45.0: "reported as counts"}, {}, {45.0: "reported as counts"}]
    written.clear()
    figures.comparisons(analysed("separate"))
    assert written == [{}, {}]


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
        assert finish(figure, alt="a", caption="c").png.startswith(b"\x89PNG")
