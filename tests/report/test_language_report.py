"""No sentence of the report's words is written elsewhere than in the language's file.

A made-up language keeps of each text its places alone, between marks. Whatever else than data is
left between the marks, or stands outside them, was written in the code.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from conftest import Analysed
from said import CLOSE, OPEN, made_up, only_of

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.display.language import speaking
from silagetrial.report import box, cautions, plan_kept, trust, words
from silagetrial.report.findings import openings_without


def lines_of(analysis: Analysis) -> Iterator[str]:
    """Every line of the words of a report, title and question apart: these are the trial's."""
    trial = analysis.trial
    yield from (*box.answer(analysis).lines, *box.seen(analysis).lines)
    yield from (*cautions.short().lines, *cautions.cautions().lines, *cautions.deferral().lines)
    yield from trust.by_design(analysis)
    for result in analysis.responses.values():
        yield from words.comparison(trial, result).lines
        yield from words.storage(trial, result).lines
        yield from words.unseen(trial, result).lines
        yield from plan_kept.foreseen(trial, result).lines
        yield from trust.by_rows(trial, result)
        yield from openings_without(trial, result, given=set()).values()


def data_of(analysis: Analysis) -> set[str]:
    """What comes from the trial or from the rooms below: names, units, reasons."""
    settings = analysis.trial.settings
    found = {*settings.compare, *settings.opening_names, "lot", "run"}
    found |= {str(value) for value in settings.held_equal.values()}
    found |= {str(key).replace("_", " ") for key in settings.held_equal}
    found |= {str(crop) for crop in analysis.trial.bales["crop"].dropna()}
    for result in analysis.responses.values():
        found |= of_response(analysis, result)
    return found - {""}


def of_response(analysis: Analysis, result: ResponseAnalysis) -> set[str]:
    response, why = result.response, result.refusal
    found = {response.label, response.in_sentence, response.unit, response.level_unit, "DM/kg"}
    found |= {"percentage point", *result.records.reasons}
    if why is not None:
        found |= {why.found, why.expected, why.remedy}
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
