"""What a trial could and could not see: its units, what was held equal, sizes, lost bales."""

from __future__ import annotations

from typing import Final

import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import amount, block_word, count, joined, quantity
from silagetrial.report.lost import lost_bales
from silagetrial.report.plan_kept import planned_to_see
from silagetrial.report.words import name_of, smallest_told

__all__ = ["points"]

_UNITS: Final = {"bale": "seen.unit_bale", "run": "seen.unit_run"}


def points(analysis: Analysis) -> list[str]:
    """Return what the trial could and could not see, one point each.

    Parameters
    ----------
    analysis : Analysis
    """
    trial, results = analysis.trial, list(analysis.responses.values())
    answered = [result for result in results if result.answered]
    measured = [result for result in results if len(result.records.rows)]
    counted = next(iter([*answered, *measured]), None)
    lines: list[str] = []
    if counted is not None:
        others = [_another(result, counted) for result in answered or measured]
        lines = [" ".join([_units(trial, counted), *(said for said in others if said)])]
    lines += [_held(trial), *_sizes(trial, answered), " ".join(lost_bales(analysis))]
    return lines


def _units(trial: Trial, result: ResponseAnalysis) -> str:
    """Bales (or composites) and pairs as the model counts them; no bale counts twice."""
    rows = _compared(result)
    named = rows.drop_duplicates("bale")["binding"].value_counts()
    said = {
        "bales": result.records.unit.counted(rows["bale"].nunique()),
        "each": joined(
            [
                say("seen.by_binding", binding=name, number=int(named.get(name, 0)))
                for name in trial.settings.compare
            ],
            last="comma",
        ),
    }
    if not result.answered:
        return " ".join([say("seen.measured", **said), *_whole(trial, result)])
    paired = rows["pair"].nunique()
    word = block_word(list(dict.fromkeys(rows["binding"])))
    if trial.settings.design == "separate":
        made = (
            say("seen.separate", **said, pairs=count(paired, word))
            if paired
            else say("seen.separate_unpaired", **said)
        )
    else:
        said["openings"] = count(result.records.rows["opening"].nunique(), "opening")
        made = (
            say("seen.recored", **said, pairs=count(paired, word))
            if paired
            else say("seen.recored_unpaired", **said)
        )
    return " ".join(
        [made, *_what_counts(result, paired=bool(paired), word=word), *_whole(trial, result)]
    )


def _what_counts(result: ResponseAnalysis, *, paired: bool, word: str) -> list[str]:
    """The unit the model replicates, beside the number of results, which is not it."""
    if result.model is None:
        return []
    rows, unit = result.records.modelled, result.model.unit
    results = count(len(rows), "result")
    openings = rows["opening"].nunique()
    if openings < result.records.rows["opening"].nunique():
        results = say("seen.results_at", results=results, openings=count(openings, "opening"))
    if unit == "site":
        farms = count(rows["site"].nunique(), "farm")
        return [say("seen.unit_site", farms=farms, results=results)]
    if unit == "bale" and paired:
        name = "seen.unit_pair" if word == "pair" else "seen.unit_set"
        return [say(name, results=results)]
    if unit in _UNITS:
        return [say(_UNITS[unit], results=results, unit=result.records.unit.each)]
    return [say("seen.unit_other", unit=unit, results=results)]


def _compared(result: ResponseAnalysis) -> pd.DataFrame:
    """Results the comparison rests on; without an answer, all there are."""
    return result.records.modelled if result.answered else result.records.rows


def _another(result: ResponseAnalysis, counted: ResponseAnalysis) -> str:
    """What a response rests on, where that is not what the first one does; else empty."""
    rows, first = _compared(result), _compared(counted)
    said = {
        "what": name_of(result),
        "bales": result.records.unit.counted(rows["bale"].nunique()),
    }
    if result.records.unit != counted.records.unit:
        word = block_word(list(dict.fromkeys(rows["binding"])))
        return say("seen.other_units", **said, pairs=count(rows["pair"].nunique(), word))
    if not result.answered or _results(rows) == _results(first):
        return ""
    return say(
        "seen.other_results",
        **said,
        results=count(len(rows), "result"),
        openings=count(rows["opening"].nunique(), "opening"),
    )


def _results(rows: pd.DataFrame) -> tuple[int, ...]:
    return len(rows), rows["bale"].nunique(), rows["opening"].nunique()


def _whole(trial: Trial, result: ResponseAnalysis) -> list[str]:
    """Composites of several bales, where the values analysed are of single ones."""
    sizes = trial.sample_parts["sample"].value_counts()
    if not len(sizes) or result.records.unit.size > 1:
        return []
    each = joined([str(size) for size in sorted(set(sizes))])
    return [say("seen.composites", sizes=each, number=len(sizes))]


def _held(trial: Trial) -> str:
    """What was held equal, in the words of the settings."""
    held = trial.settings.held_equal
    if not held:
        return say("seen.held_nothing")
    items = [
        str(value) if key == "note" else
        say("seen.held_item", what=key.replace("_", " "), value=f"{value:g}"
            if isinstance(value, float | int) else value)
        for key, value in held.items()
    ]  # fmt: skip
    return say("seen.held", held=joined(items, last="semicolon"))


def _sizes(trial: Trial, answered: list[ResponseAnalysis]) -> list[str]:
    """What was planned to be seen, and what could be, in sizes a reader can picture."""
    planned = [said for result in answered if (said := _planned(trial, result))]
    lines = [say("seen.planned", sizes=joined(planned, last="semicolon"))] if planned else []
    told = {result.response.name: smallest_told(result) for result in answered}
    seen = [
        say("seen.reach_item", size=told[r.response.name], what=name_of(r))
        for r in answered
        if told[r.response.name]
    ]
    if seen:
        lines.append(say("seen.reach", sizes=joined(seen, last="or")))
    blind = [name_of(result) for result in answered if not told[result.response.name]]
    if blind:
        lines.append(say("seen.blind", what=joined(blind)))
    return lines


def _planned(trial: Trial, result: ResponseAnalysis) -> str:
    seen = planned_to_see(trial, result.response.name)
    if seen is None:
        return ""
    said = {"what": name_of(result), "power": f"{100 * seen['power']:.0f}"}
    if seen["scale"] == "ratio":
        below, above = quantity(seen["other_side"]), quantity(seen["effect"])
        return say("seen.planned_ratio", **said, below=below, above=above)
    size = amount(seen["effect"], result.response.unit)
    return say("seen.planned_difference", **said, size=size)
