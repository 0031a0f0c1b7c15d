"""What was inferred and how: models, degrees of freedom, intervals, checks, plan."""

from __future__ import annotations

from typing import Final

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.sensitivity import main_contrast
from silagetrial.data.settings import COVARIATES
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import amount, block_word, joined, level_name
from silagetrial.planning.deviations import FORESEEN, deviations
from silagetrial.planning.deviations_made import TO_COME
from silagetrial.report import plan_kept
from silagetrial.report.cited import REFERENCES, cite
from silagetrial.report.multiplicity import families
from silagetrial.report.symbols import groups

__all__ = ["answered", "first_df", "has_paired_t", "plan", "points"]

_LISTED: Final = 12
"""How many deviations are listed before the table is pointed to."""


def answered(analysis: Analysis) -> list[ResponseAnalysis]:
    """Return the responses with an answer."""
    return [result for result in analysis.responses.values() if result.answered]


def has_paired_t(result: ResponseAnalysis) -> bool:
    """Tell whether a paired t stands beside a contrast of a response."""
    frame = result.exact.frame
    return "p_value" in frame and bool(frame["p_value"].notna().any())


def points(analysis: Analysis) -> list[str]:
    """Return the models and what was inferred from them, one point each.

    Parameters
    ----------
    analysis : Analysis
    """
    results = answered(analysis)
    refused = [r for r in analysis.responses.values() if not r.answered and r.refusal is not None]
    lines = [
        say("methods.no_model", label=r.response.label, found=r.refusal.found)
        for r in refused
        if r.refusal is not None
    ]
    if not results:
        return lines
    return [
        *_models(analysis),
        *lines,
        *_variances(results),
        _degrees(analysis),
        *_structure(analysis),
        *_units(results),
        *_means(analysis),
        *families(analysis, results),
        *_growth(results),
        *_planned(analysis),
        *_beside(analysis),
    ]


def _models(analysis: Analysis) -> list[str]:
    """The model of each response in words, those of one model together."""
    lines = []
    for terms, results in groups(analysis).items():
        said = {
            "labels": joined([r.response.label for r in results]),
            "fixed": joined(list(terms.fixed), last="comma"),
            "cited": cite("patterson1971"),
        }
        lines.append(
            say("methods.reml", **said, random=joined(list(terms.random), last="comma"))
            if terms.random
            else say("methods.least_squares", **said)
        )
    return [f"{' '.join(lines)} {say('methods.by_design')}"]


def _variances(results: list[ResponseAnalysis]) -> list[str]:
    """How variances of random terms were estimated, and which were held."""
    random = [r for r in results if r.model is not None and r.model.random]
    if not random:
        return []
    lines = [say("methods.free", cited=cite("nelder1954"))]
    held = []
    for result in random:
        if result.fit is None:
            continue
        pairs = zip(result.fit.parameters, result.fit.fits.held[0], strict=True)
        names = [parameter.name for parameter, is_held in pairs if is_held]
        if names:
            label = result.response.in_sentence
            held.append(say("methods.held_one", terms=joined(names), label=label))
    if held:
        lines.append(say("methods.held", terms=joined(held, last="semicolon")))
    return [" ".join(lines)]


def first_df(analysis: Analysis) -> dict[str, str]:
    """Return the degrees of freedom of the comparison named first, by the label of the response.

    Parameters
    ----------
    analysis : Analysis
    """
    found = {}
    for result in answered(analysis):
        frame = result.differences.frame
        if result.comparison is None or not len(frame):
            continue
        wanted = main_contrast(result.comparison, analysis.trial.settings).labels.iloc[0]
        here = (frame["term"] == wanted["term"]) & (frame["opening"] == wanted["opening"])
        found[result.response.in_sentence] = f"{frame.loc[here, 'df'].iloc[0]:.1f}"
    return found


def _degrees(analysis: Analysis) -> str:
    df = [say("methods.df_of", df=df, what=what) for what, df in first_df(analysis).items()]
    trial, source = analysis.trial, REFERENCES["kenward1997"].in_sentence
    named = len(trial.settings.analysis.contrast) == 2
    lines = [
        say("methods.kenward_df" if named else "methods.kenward_df_unnamed", cited=source,
            df=joined(df))
    ]  # fmt: skip
    if trial.settings.analysis.serial:
        lines.append(say("methods.kenward_serial"))
    return " ".join(lines)


def _structure(analysis: Analysis) -> list[str]:
    """The covariance of residuals, where another than one variance was planned."""
    settings = analysis.trial.settings.analysis
    lines = []
    if settings.residual_by is not None:
        what = joined(settings.residual_by.split(":"))
        lines.append(say("methods.residual_by", what=what))
    if settings.serial:
        measured = settings.measurement_error
        lines.append(say("methods.serial_measured") if measured else say("methods.serial"))
    return lines


def _units(results: list[ResponseAnalysis]) -> list[str]:
    """What counts as one replicate, and what the answer is about; alike responses once."""
    found: dict[tuple[str, str], list[str]] = {}
    for result in results:
        if result.model is not None:
            key = (_unit(result), result.model.scope)
            found.setdefault(key, []).append(result.response.in_sentence)
    lines = []
    for (unit, scope), labels in found.items():
        one = say("methods.unit_of", unit=unit, label=joined(labels))
        lines.append(say("methods.unit_scope", units=one, scope=scope))
    return [" ".join(lines)]


def _unit(result: ResponseAnalysis) -> str:
    """The unit of replication: bales in pairs count by the pair, or by the set."""
    if result.model is None or result.model.unit != "bale":
        return "" if result.model is None else result.model.unit
    rows, each = result.records.modelled, result.records.unit.each
    word = noun(block_word(list(dict.fromkeys(rows["binding"]))), 1)
    paired = rows["pair"].notna()
    if paired.all():
        return word
    return say("methods.unit_or_alone", block=word, unit=each) if paired.any() else each


def _means(analysis: Analysis) -> list[str]:
    """How adjusted means weigh, where there are some."""
    results = [r for r in answered(analysis) if len(r.means)]
    lines = [say("methods.means", cited=cite("searle1980"))] if results else []
    names = [COVARIATES[name] for name in analysis.trial.settings.analysis.covariates]
    used = any(set(terms.fixed) & set(COVARIATES) for terms in groups(analysis))
    return [*lines, *([say("methods.covariates", names=joined(names))] if used else [])]


def _growth(results: list[ResponseAnalysis]) -> list[str]:
    """Over which openings growth was told, response by response where they differ."""
    found: dict[tuple[str, ...], list[str]] = {}
    for result in results:
        if len(result.growth) and result.comparison is not None:
            labels = found.setdefault(result.comparison.openings, [])
            labels.append(result.response.in_sentence)
    if not found:
        return []
    each = [
        joined(list(openings))
        if len(found) == 1
        else say("methods.growth_of", openings=joined(list(openings)), labels=joined(labels))
        for openings, labels in found.items()
    ]
    return [say("methods.growth", openings=joined(each, last="semicolon"))]


def _planned(analysis: Analysis) -> list[str]:
    """What the settings ask for beside the comparison, where it was run."""
    settings, results = analysis.trial.settings.analysis, answered(analysis)
    lines = []
    claimed = [r for r in results if len(r.claim)]
    if claimed:
        margins = [
            say("methods.margin", margin=_margin(r, settings.margins[r.response.name]),
                what=r.response.in_sentence)
            for r in claimed
        ]  # fmt: skip
        said = {"margins": joined(margins)}
        lines.append(
            say("methods.equivalence", **said, alpha=f"{settings.alpha:g}",
                cited=cite("schuirmann1987"))
            if settings.claim == "equivalence"
            else say("methods.non_inferiority", **said, alpha=f"{settings.alpha / 2:g}")
        )  # fmt: skip
    curved = [r.response.in_sentence for r in analysis.responses.values()
              if r.curve is not None and r.curve.refusal is None]  # fmt: skip
    if curved:
        lines.append(say("methods.curve", shape=settings.curve, labels=joined(curved)))
    limited = [
        say("methods.margin", margin=amount(settings.limits[r.response.name],
            r.response.level_unit), what=r.response.in_sentence)
        for r in results
        if len(r.shares)
    ]  # fmt: skip
    if limited:
        lines.append(say("methods.shares", limits=joined(limited)))
    if any(len(r.bootstrap) for r in results):
        said = {"cited": cite("efron1993"), "draws": str(settings.bootstrap)}
        lines.append(say("methods.bootstrap", **said))
    return lines


def _margin(result: ResponseAnalysis, margin: float) -> str:
    unit = "" if result.response.effect == "ratio" else result.response.unit
    return amount(margin, unit)


def _beside(analysis: Analysis) -> list[str]:
    """What was fitted beside the models reported, and what checks them."""
    results, lines = answered(analysis), []
    if any(len(r.variance_intervals) for r in results):
        lines.append(say("methods.profile", level=level_name(analysis.level)))
    if any(len(r.sensitivity) > 1 for r in results):
        lines.append(say("methods.sensitivity"))
    paired = any(has_paired_t(r) for r in results)
    other = any(r.witness is not None for r in results)
    source = cite("seabold2010")
    farms = any(r.model is not None and r.model.unit == "site" for r in results)
    by = say("methods.paired_by_site" if farms else "methods.paired_by_pair")
    if paired and other:
        lines.append(say("methods.witnesses", paired=by, cited=source))
    elif paired:
        lines.append(say("methods.witness_paired", paired=by))
    elif other:
        lines.append(say("methods.witness_statsmodels", cited=source))
    return lines


def plan(analysis: Analysis) -> list[str]:
    """Return whether the analysis plan was kept, and each deviation from it.

    Parameters
    ----------
    analysis : Analysis
    """
    frame = deviations(analysis.trial, analysis).frame
    off = frame[~frame["kind"].isin([FORESEEN, TO_COME])].to_dict("records")
    lines = [
        say("methods.deviation", what=row["what"], planned=row["planned"], done=row["done"])
        for row in off[:_LISTED]
    ]
    if len(off) > _LISTED:
        lines.append(say("methods.deviations_more", number=len(off) - _LISTED))
    return [" ".join([*plan_kept.sentence(analysis).lines, *lines])]
