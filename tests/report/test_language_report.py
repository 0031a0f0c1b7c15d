"""No sentence of the report's words is written elsewhere than in the language's file.

A made-up language keeps of each text its places alone, between marks. Whatever else than data is
left between the marks, or stands outside them, was written in the code.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from bs4 import BeautifulSoup
from conftest import Analysed
from matplotlib.figure import Figure
from matplotlib.text import Text
from said import CLOSE, OPEN, made_up, nothing_but, only_of

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.display import Table, page, style
from silagetrial.display.block import Picture, Prose
from silagetrial.display.language import speaking
from silagetrial.planning.analysis_plan import SHOWN_DIGITS, filed_plan
from silagetrial.planning.deviations import deviations
from silagetrial.report import (
    box,
    cautions,
    figures,
    methods,
    paper,
    plan_kept,
    tables,
    trust,
    words,
)
from silagetrial.report.cited import REFERENCES
from silagetrial.report.findings import openings_without
from silagetrial.report.template import source_of

pytestmark = pytest.mark.slow


def lines_of(analysis: Analysis) -> Iterator[str]:
    """Every line of the words of a report, title and question apart: these are the trial's."""
    trial = analysis.trial
    yield from (*box.answer(analysis).lines, *box.seen(analysis).lines)
    yield from (*cautions.short().lines, *cautions.cautions().lines, *cautions.deferral().lines)
    yield from (*methods.methods(analysis).lines, *paper.paragraph(analysis).lines)
    yield from methods.rerun().lines
    for part in methods.in_symbols(analysis):
        if part.kind != "formula":
            yield from (line.partition(": ")[2] or line for line in part.lines)
    for result in analysis.responses.values():
        yield from words.comparison(trial, result).lines
        yield from words.storage(trial, result).lines
        yield from words.unseen(trial, result).lines
        yield from plan_kept.foreseen(trial, result).lines
        yield from methods.model(result).lines
        yield from methods.witnesses(trial, result).lines
        yield from trust.by_rows(trial, result)
        yield from openings_without(trial, result, given=set()).values()


def data_of(analysis: Analysis) -> set[str]:
    """What comes from the trial or from the rooms below: names, units, reasons."""
    settings = analysis.trial.settings
    found = {*settings.compare, *settings.opening_names, "lot", "run"}
    found |= {str(value) for value in settings.held_equal.values()}
    found |= {str(key).replace("_", " ") for key in settings.held_equal}
    found |= {str(crop) for crop in analysis.trial.bales["crop"].dropna()}
    found |= {str(site) for site in analysis.trial.bales["site"].dropna()}
    for column in ("laboratory", "batch"):
        found |= {str(name) for name in analysis.trial.samples[column].dropna()}
    for column in ("lot", "run", "field", "cut"):
        found |= {str(name) for name in analysis.trial.bales[column].dropna()}
    filed = filed_plan(analysis.trial.source)
    if filed is not None:
        found.add(filed.sha256[:SHOWN_DIGITS])
    found |= {work.author_year for work in REFERENCES.values()}
    found |= {work.in_sentence for work in REFERENCES.values()}
    made = deviations(analysis.trial, analysis).frame[["what", "planned", "done"]]
    found |= {str(cell) for cell in made.to_numpy().ravel()}
    for result in analysis.responses.values():
        found |= {str(name) for name in result.records.rows["bale"]}
        found |= {str(cell) for cell in result.variances.frame.get("term", [])}
        found |= {str(cell) for cell in result.variances.frame.get("remark", [])}
        found |= of_response(analysis, result)
    return found - {""}


def of_response(analysis: Analysis, result: ResponseAnalysis) -> set[str]:
    response, why = result.response, result.refusal
    found = {response.label, response.in_sentence, response.unit, response.level_unit, "DM/kg"}
    found |= {"percentage point", *result.records.reasons}
    if why is not None:
        found |= {why.found, why.expected, why.remedy}
    if result.model is not None:
        found |= {str(term) for term in result.model.terms.frame["term"]}
        found |= {result.model.scope, result.model.unit, "pair"}
        found |= {response.name, f"log({response.name})", *result.model.formula.split(" + ")}
        found |= {result.model.formula.replace("y ~", f"log({response.name}) ~")}
        found |= {result.model.formula.replace("y ~", f"{response.name} ~")}
    if result.witness is not None:
        found.add(result.witness.remark)
    if len(result.exact.frame):
        found |= {str(each) for each in result.exact.frame["contrast"]}
    seen = plan_kept.planned_to_see(analysis.trial, response.name)
    return found if seen is None else {*found, seen["contrast"]}


@pytest.mark.parametrize(
    "name",
    [
        "separate", "recored", "three bindings", "one pair", "no day-0", "no samples",
        "no common opening", "two pairs", "opposite signs", "sign turns", "film bales lost",
        "in runs", "composites", "all composites", "alike", "not alike", "margin unfiled",
        "not worse",
        "may be worse", "unpaired",
    ],
)  # fmt: skip
def test_every_sentence_comes_from_the_file(analysed: Analysed, name: str) -> None:
    analysis = analysed(name)
    with speaking(made_up()):
        lines = list(lines_of(analysis))
    assert lines
    data = data_of(analysis)
    for line in lines:
        only_of(line, data)


def test_without_a_plan_filed_it_is_said_in_the_language(analysed: Analysed) -> None:
    analysis = analysed("separate")
    with speaking(made_up()):
        assert plan_kept.sentence(analysis).lines == (OPEN + CLOSE,)


def test_the_page_and_its_headings_are_said_in_the_language() -> None:
    with speaking(made_up()):
        shell = BeautifulSoup(page("", "", contents=[("a", "")]), "html.parser")
        headings = re.findall(r"^# #+ (.*)$", source_of(), re.MULTILINE)
    assert shell.html is not None
    assert shell.nav is not None
    said = [shell.html["lang"], shell.nav["aria-label"], shell.select_one(".st-skip").get_text()]
    assert len(headings) > 10
    assert {*said, *headings} == {OPEN + CLOSE}


@pytest.fixture
def letters(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Texts inside the figures drawn since."""
    seen: list[str] = []

    def noted(figure: Figure, _: dict[str, str]) -> bytes:
        seen.extend(text.get_text() for text in figure.findobj(Text))
        return b""

    monkeypatch.setattr(style, "_png", noted)
    monkeypatch.setattr(style, "_svg", noted)
    return seen


def of_figures(analysis: Analysis) -> list[Picture]:
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


def of_tables(analysis: Analysis) -> list[Table]:
    trial = analysis.trial
    made = [
        tables.answer(analysis), tables.bales(trial), tables.held_equal(trial),
        tables.storage(analysis),
    ]  # fmt: skip
    for result in analysis.responses.values():
        made += [
            tables.means(trial, result), tables.correction(trial, result),
            tables.growth(trial, result), tables.variances(result),
        ]  # fmt: skip
    return [item for item in made if isinstance(item, Table)]


FIGURES_OF = ["separate", "recored", "three bindings", "in runs"]


@pytest.mark.parametrize("name", FIGURES_OF)
def test_figures_hold_no_word_but_data(analysed: Analysed, letters: list[str], name: str) -> None:
    analysis = analysed(name)
    with speaking(made_up()):
        made = of_figures(analysis)
    assert made
    data = data_of(analysis)
    for picture in made:
        only_of(picture.alt, data)
        only_of(picture.caption, data)
    for text in letters:
        nothing_but(text, data)


@pytest.mark.parametrize("name", [*FIGURES_OF, "no common opening", "alike"])
def test_tables_hold_no_word_but_data(analysed: Analysed, name: str) -> None:
    analysis = analysed(name)
    with speaking(made_up()):
        shown = [BeautifulSoup(made.to_html(), "html.parser") for made in of_tables(analysis)]
    data = data_of(analysis)
    assert shown
    for table in shown:
        for each in table.find_all(["caption", "th", "td", "p"]):
            nothing_but(each.get_text(), data)
