"""No sentence of what an analysis says is written elsewhere than in the language's file.

The trials are analysed in the made-up language that keeps of each text its places alone; what is
left then comes from the trial, is a code that is filtered by, or was said by the engine.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from report_variants import copy_demo, settings
from said import CLOSE, OPEN, made_up, nothing_but, only_of

from silagetrial.analysis import Analysis, ResponseAnalysis, analyse
from silagetrial.data import read_trial
from silagetrial.data.outside import outside_use
from silagetrial.display import Table
from silagetrial.display.language import speaking
from silagetrial.errors import NoAnswer

pytestmark = pytest.mark.slow

PLAN = """[analysis]
margins = {butyric_acid = 2.0, dm_loss = 2.0}
curve = "log"
limits = {butyric_acid = 3.0}
responses = ["pH"]
"""

THE_FIXED_PART = "the fixed part takes up all that the term could explain"

SAID_BY_THE_ENGINE = (
    r"Simultaneous [\d.]+ % intervals and adjusted p: [^⟦⟧]*critical value [\d.]+\.",
    r"Two one-sided tests of [^⟦⟧]*intervals\.",
    r"One-sided tests of [^⟦⟧]*intervals\.",
    r"That (all|both) [^⟦⟧]*\(Holm\)\.",
    r"Shrunk towards 0; [^⟦⟧]* tell\.",
    r"[\d.]+ residual degrees of freedom for residual: [a-z]+",
    r"Coverage is approximate [^⟦⟧]* intervals\.",
    r"The MLE may be on the boundary of the parameter space\.",
    r"MixedLM optimization failed, trying a different optimizer may help\.",
    r"Retrying MixedLM optimization with [a-z]+",
    r"Maximum Likelihood optimization failed to converge\. Check mle_retvals",
    THE_FIXED_PART,
)
"""Sentences of `silagetrial.mixed` and of statsmodels, which come in as values."""

WORDS = ("found", "expected", "remedy", "reason", "structure", "hypothesis")
"""Columns of tables that hold what is said; `remark` holds what the engine says as well."""


def planned(folder: Path) -> Path:
    """The re-cored trial with a curve, limits, margins and a response with a baseline planned."""
    place = copy_demo("cored_bales", folder)
    settings(place, ("[analysis]\n", PLAN))
    return place


def parts(result: ResponseAnalysis) -> Iterator[object]:
    """Everything of a response that is a table or says why there is none."""
    records, curve = result.records, result.curve
    yield from (records.left_out, records.counts)
    yield from (value for value in vars(result).values() if isinstance(value, Table | NoAnswer))
    if result.model is not None:
        yield result.model.terms
    if curve is not None:
        yield from (value for value in vars(curve).values() if isinstance(value, Table | NoAnswer))
    for form in result.other_forms.values():
        yield from (form.means, form.differences)
        yield from () if form.refusal is None else (form.refusal,)


def sentences(result: ResponseAnalysis) -> Iterator[str]:
    """What an analysis of a response says: titles, notes, refusals and words in its tables."""
    yield from result.records.notes
    yield from result.records.reasons
    if result.witness is not None:
        yield result.witness.remark
    if result.curve is not None:
        yield from result.curve.notes
    for part in parts(result):
        if isinstance(part, NoAnswer):
            yield from (part.found, part.expected, part.remedy)
        elif isinstance(part, Table):
            yield from (part.title, *part.notes)
            for column in WORDS:
                yield from map(str, part.frame.get(column, []))


def data_of(analysis: Analysis) -> set[str]:
    """Names and units of a trial, and of its tables and columns."""
    trial = analysis.trial
    given = trial.settings
    found = {*given.compare, *given.opening_names, "g/kg", "DM", "percentage points", "pH units"}
    found |= {str(value) for value in trial.bales[["bale", "pair", "site"]].to_numpy().ravel()}
    found |= {str(value) for value in trial.samples["sample"]}
    found |= {*given.analysis.factors, *given.analysis.blocks, *trial.samples.columns}
    found |= {str(name) for name in trial.bales.columns}
    found |= {name.replace("_", " ") for name in found} | {outside_use(given), "<limit"}
    found |= {str(text) for text in trial.events[["cause", "note"]].to_numpy().ravel()}
    for result in analysis.responses.values():
        response = result.response
        found |= {response.label, response.unit, response.level_unit}
        if result.model is not None:
            terms = result.model.terms.frame["term"]
            found |= {part for term in terms for part in (term, *term.split(":"))}
            found.add(result.model.unit)
    return found - {""}


@pytest.fixture(scope="module")
def in_made_up(
    folder_of: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Analysis]:
    """Analysis of a variant, made while the made-up language is spoken."""

    def analysis(name: str) -> Analysis:
        own = name == "planned curve"
        folder = planned(tmp_path_factory.mktemp("planned")) if own else folder_of(name)
        trial = read_trial(folder)
        with speaking(made_up()):
            return analyse(trial)

    return analysis


@pytest.mark.parametrize(
    "name",
    [
        "separate", "recored", "three bindings", "planned curve", "one pair", "no day-0",
        "no samples", "no common opening", "all below", "in runs", "all composites", "unpaired",
    ],
)  # fmt: skip
def test_an_analysis_says_nothing_but_texts_of_the_file(
    in_made_up: Callable[[str], Analysis], name: str
) -> None:
    analysis = in_made_up(name)
    data = data_of(analysis)
    engine = re.compile("|".join(SAID_BY_THE_ENGINE))
    said = 0
    with speaking(made_up()):
        for result in analysis.responses.values():
            for text in filter(None, sentences(result)):
                rest = engine.sub("", text)
                nothing_but(rest, data)
                said += text.startswith(OPEN)
    assert said > 10


def test_titles_and_reasons_stand_between_the_marks(in_made_up: Callable[[str], Analysis]) -> None:
    analysis = in_made_up("separate")
    butyric = analysis["butyric_acid"]
    assert butyric.model is not None
    titled = [butyric.differences, butyric.exact, butyric.model.terms, butyric.sensitivity]
    for text in (*(table.title for table in titled), *butyric.model.terms.frame["reason"]):
        only_of(text, data_of(analysis) | {THE_FIXED_PART})
        assert text.startswith(OPEN)
        assert text.endswith(CLOSE)
