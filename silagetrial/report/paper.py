"""A paragraph on the methods, ready for a paper, and the files beside the report."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.left_out import kind_said
from silagetrial.display.block import Prose, show_text
from silagetrial.display.language import say
from silagetrial.display.phrases import block_word, count, joined
from silagetrial.planning.analysis_plan import filed_plan
from silagetrial.planning.deviations import as_planned, deviations
from silagetrial.report.cited import REFERENCES, cite
from silagetrial.report.findings import planned
from silagetrial.report.inference import answered, first_df, has_paired_t
from silagetrial.report.laid_out import done_so_far, lost_bales
from silagetrial.report.looks import Log
from silagetrial.report.multiplicity import in_a_paper
from silagetrial.report.software import versions
from silagetrial.report.symbols import groups
from silagetrial.report.values import units_of, with_values

__all__ = ["paragraph", "write"]

_TERMS: Final = {
    "binding": "paper.binding",
    "opening": "paper.opening",
    "binding:opening": "paper.binding_opening",
    "site": "paper.site",
    "binding:site": "paper.binding_site",
    "site:binding": "paper.binding_site",
    "site:binding:opening": "paper.binding_site_opening",
}


def paragraph(analysis: Analysis, log: Log | None = None) -> Prose:
    """Return the methods in one paragraph as a paper prints them, numbers filled in.

    Parameters
    ----------
    analysis : Analysis
    log : Log, optional
        Looks before the end.
    """
    sentences = [
        *_design(analysis),
        *_analysed(analysis),
        *_responses(analysis),
        *_models(analysis),
        *_inference(analysis),
        *_checks(analysis),
        _software(),
        *_planned(analysis),
        *_looks(log or Log()),
    ]
    return Prose((" ".join(sentences),), kind="paper")


def write(text: Prose, path: str | Path) -> None:
    """Write the paragraph as a text file.

    Parameters
    ----------
    text : Prose
    path : str or Path
        The file to write.
    """
    lines = "\n".join(show_text(line) for line in text.lines)
    Path(path).write_text(lines + "\n", encoding="utf-8", newline="\n")


def _design(analysis: Analysis) -> list[str]:
    """What was compared, in how many bales, pairs and farms, and when it was opened."""
    trial = analysis.trial
    settings, bales = trial.settings, trial.bales
    pairs = int(bales["pair"].nunique())
    said = {
        "bindings": joined(list(settings.compare)),
        "bales": count(len(bales), "bale"),
        "farms": count(int(bales["site"].nunique()), "farm"),
        "opened": _opened(analysis),
    }
    if pairs:
        first = say("paper.design", **said, pairs=count(pairs, block_word(settings.compare)))
    else:
        named = bales["binding"].value_counts()
        each = [
            say("seen.by_binding", binding=name, number=int(named.get(name, 0)))
            for name in settings.compare
        ]
        first = say("paper.design_unpaired", **said, each=joined(each, last="comma"))
    lost, units = lost_bales(trial), units_of(analysis)
    together = [say("paper.together", units=joined(units))] if units else []
    return [first, *together, *([say("paper.lost", number=lost)] if lost else [])]


def _opened(analysis: Analysis) -> str:
    settings = analysis.trial.settings
    days = joined([f"{opening.days:g}" for opening in settings.openings])
    recored = settings.design == "recored"
    so_far = done_so_far(analysis.trial)
    if so_far and recored:
        return say("paper.cored_so_far", days=days, done=so_far)
    if so_far:
        return say("paper.opened_so_far", days=days, done=so_far)
    return say("paper.cored", days=days) if recored else say("paper.opened", days=days)


def _analysed(analysis: Analysis) -> list[str]:
    """How many results there were of each response, and what is missing or was left out."""
    results = with_values(analysis)
    if not results:
        return []
    by_number: dict[int, list[str]] = {}
    for r in results:
        by_number.setdefault(len(r.records.rows), []).append(r.response.in_sentence)
    numbers = joined([_number(count(n, "result"), labels) for n, labels in by_number.items()])
    lists = pd.concat([r.records.left_out.frame for r in results])
    # A bale that is missing from several responses is one bale.
    kinds = lists.drop_duplicates(["bale", "opening", "what"])["what"].value_counts().sort_index()
    if kinds.empty:
        return [say("paper.analysed", numbers=numbers)]
    left = joined(
        [say("paper.of_kind", what=kind_said(str(what)), number=n) for what, n in kinds.items()]
    )
    return [say("paper.analysed_left", numbers=numbers, left=left)]


def _number(results: str, labels: Sequence[str]) -> str:
    if len(labels) == 1:
        return say("paper.results_of", results=results, what=labels[0])
    return say("paper.results_of_each", results=results, what=joined(labels))


def _responses(analysis: Analysis) -> list[str]:
    """What was analysed, on which scale, and what became of results below the limit."""
    results = with_values(analysis)
    logs = [r for r in results if r.response.scale == "log"]
    lines = []
    if logs:
        lines.append(say("paper.log", labels=joined([r.response.in_sentence for r in logs])))
        lines.append(_limits(logs))
    if any(r.response.name == "dm_loss" for r in results):
        lines.append(_loss(analysis))
    return lines


def _limits(results: Sequence[ResponseAnalysis]) -> str:
    """What became of results below the limit."""
    below = [r for r in results if r.records.rows["below"].any()]
    if not below:
        return say("paper.none_below", what=joined([r.response.in_sentence for r in results]))
    shares = joined([_share(r, alone=len(results) == 1) for r in below], last="semicolon")
    counted = [str(name) for r in below for name in r.records.counts.frame.get("opening", ())]
    names = dict.fromkeys(counted)
    if len(results) == 1 and set(results[0].records.rows["opening"]) <= set(names):
        return say("paper.counted_all", shares=shares)
    if names:
        return say("paper.counted", shares=shares, openings=joined(list(names)))
    return say("paper.below", shares=shares)


def _share(result: ResponseAnalysis, *, alone: bool) -> str:
    below = result.records.rows["below"]
    said = {"below": int(below.sum()), "results": len(below)}
    if alone:
        return say("paper.share_alone", **said)
    return say("paper.share", **said, what=result.response.in_sentence)


def _loss(analysis: Analysis) -> str:
    rows = analysis["dm_loss"].records.rows
    form = analysis.trial.settings.dm_correction.form
    if not rows["uncorrected"].notna().any():
        return say("paper.loss_laboratory")
    if form == "none":
        return say("paper.loss")
    name = "paper.loss_full" if form == "full" else "paper.loss_short"
    return say(name, cited=cite("weissbach1995"))


def _models(analysis: Analysis) -> list[str]:
    """The models, those of one structure together, or why there is none."""
    found = groups(analysis)
    refused = [result for result in analysis.responses.values() if not result.answered]
    lines = [
        say("paper.model", labels=_labels(results), fixed=_listed(terms.fixed),
            random=_listed(terms.random))
        if terms.random
        else say("paper.model_fixed", labels=_labels(results), fixed=_listed(terms.fixed))
        for terms, results in found.items()
    ]  # fmt: skip
    if any(terms.random for terms in found):
        lines.append(say("paper.reml", cited=cite("patterson1971", "nelder1954")))
    if any("site" in terms.fixed for terms in found):
        lines.append(say("paper.these_farms"))
    if refused and found:
        lines.append(say("paper.no_model", labels=_labels(refused)))
    elif refused:
        lines.append(say("paper.none_modelled", why=_why(refused)))
    return lines


def _why(refused: Sequence[ResponseAnalysis]) -> str:
    """Why nothing was modelled, a reason that holds for several responses once."""
    reasons: dict[str, list[str]] = {}
    for result in refused:
        if result.refusal is not None:
            reasons.setdefault(result.refusal.found, []).append(result.response.in_sentence)
    said = [say("paper.why", found=why, labels=joined(of)) for why, of in reasons.items()]
    return joined(said, last="semicolon")


def _labels(results: Sequence[ResponseAnalysis]) -> str:
    return joined([result.response.in_sentence for result in results])


def _listed(terms: Sequence[str]) -> str:
    return joined([say(_TERMS[t]) if t in _TERMS else joined(t.split(":")) for t in terms])


def _inference(analysis: Analysis) -> list[str]:
    """Degrees of freedom, intervals, growth."""
    results = answered(analysis)
    if not results:
        return []
    df = joined([say("methods.df_of", df=df, what=w) for w, df in first_df(analysis).items()])
    found = next((f for r in results if (f := planned(analysis.trial, r)) is not None), None)
    source = REFERENCES["kenward1997"].in_sentence
    lines = [
        say("paper.kenward", cited=source, df=df)
        if found is None
        else say("paper.kenward_first", cited=source, df=df, first=found.first,
                 second=found.second, opening=found.opening)
    ]  # fmt: skip
    if analysis.trial.settings.analysis.serial:
        lines.append(say("paper.first_order"))
    lines += in_a_paper(analysis, results)
    if any(len(r.growth) for r in results):
        lines.append(say("paper.growth"))
    return lines


def _checks(analysis: Analysis) -> list[str]:
    """Claims and checks that were run."""
    results, settings = answered(analysis), analysis.trial.settings.analysis
    lines = []
    if any(len(r.claim) for r in results):
        alike = settings.claim == "equivalence"
        two_sided = say("paper.equivalence", cited=cite("schuirmann1987"))
        lines.append(two_sided if alike else say("paper.non_inferiority"))
    paired = any(has_paired_t(r) for r in results)
    said = {"statsmodels": versions()["statsmodels"], "cited": cite("seabold2010")}
    if any(r.witness is not None for r in results):
        lines.append(say("paper.paired_and_fits", **said) if paired else say("paper.fits", **said))
    elif paired:
        lines.append(say("paper.paired"))
    return lines


def _software() -> str:
    found = versions()
    return say(
        "paper.software",
        version=found["silagetrial"],
        package=cite("silagetrial"),
        cited=cite("harris2020", "virtanen2020"),
        **{name: found[name] for name in ("python", "numpy", "scipy")},
    )


def _planned(analysis: Analysis) -> list[str]:
    """Whether there was a plan beforehand, and whether it was kept."""
    filed = filed_plan(analysis.trial.source)
    if filed is None or filed.content is None:
        return [say("paper.no_plan")]
    kept = as_planned(deviations(analysis.trial, analysis))
    date = filed.date
    return [say("paper.plan_kept", date=date) if kept else say("paper.plan_not_kept", date=date)]


def _looks(log: Log) -> list[str]:
    """Whether this is a look before the end, or how many there were."""
    lines = []
    if log.interim and log.look is not None:
        lines.append(say("paper.interim", done=len(log.look.openings), of=log.look.of))
    if log.before:
        lines.append(say("paper.looks", looks=count(len(log.before), "look")))
    return lines
