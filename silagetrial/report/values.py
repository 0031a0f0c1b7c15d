"""How the values analysed were made: scale, mass balance, DM, limits, bales lost."""

from __future__ import annotations

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.left_out import OUTSIDE
from silagetrial.display.language import say
from silagetrial.display.phrases import count, joined
from silagetrial.report.cited import cite
from silagetrial.report.laid_out import lost_bales
from silagetrial.silage import COEFFICIENTS as DRIVEN_OFF

__all__ = ["limits", "points", "together", "units_of", "with_values"]


def points(analysis: Analysis) -> list[str]:
    """Return how the values of every response with one were made.

    Parameters
    ----------
    analysis : Analysis
    """
    return [
        *_scales(analysis),
        *_balance(analysis),
        *_dry_matter(analysis),
        *limits(analysis),
        *_outside(analysis),
        *together(analysis),
        *_lost(analysis),
    ]


def with_values(analysis: Analysis) -> list[ResponseAnalysis]:
    """Return the responses that have a value."""
    return [r for r in analysis.responses.values() if len(r.records.rows)]


def _scales(analysis: Analysis) -> list[str]:
    """On which scale each response was analysed, those of one scale together."""
    lines = []
    for scale, name in (("log", "methods.value_log"), ("identity", "methods.value_identity")):
        labels = [r.response.label for r in with_values(analysis) if r.response.scale == scale]
        if labels:
            lines.append(say(name, labels=joined(labels)))
    return lines


def _balance(analysis: Analysis) -> list[str]:
    """The mass balance, where a bale has one."""
    loss = analysis.responses.get("dm_loss")
    if loss is None or not len(loss.records.rows):
        return []
    if analysis.trial.settings.design == "recored":
        return [say("methods.balance_cores")]
    return [say("methods.balance")]


def _dry_matter(analysis: Analysis) -> list[str]:
    """The DM at opening that DM loss, or DM itself, rests on."""
    rests = [r for r in with_values(analysis) if r.response.name in ("dm_loss", "dm")]
    if not rests:
        return []
    rows, form = rests[0].records.rows, analysis.trial.settings.dm_correction.form
    if "uncorrected" in rows and not rows["uncorrected"].notna().any():
        return [say("methods.dm_laboratory")]
    source = cite("weissbach1995")
    if form == "full":
        shares = {
            "vfa": f"{DRIVEN_OFF['vfa']:g}",
            "lactic": f"{DRIVEN_OFF['lactic']:g}",
            "propanediol": f"{DRIVEN_OFF['propanediol']:g}",
            "alcohols": f"{DRIVEN_OFF['alcohols']:g}",
        }
        return [
            say("methods.dm_full", cited=source, caution=say("correction.coefficients"), **shares)
        ]
    if form == "short":
        return [say("methods.dm_short", cited=source, caution=say("correction.coefficients"))]
    return [say("methods.dm_none")]


def limits(analysis: Analysis) -> list[str]:
    """Return what became of results below the laboratory's limit, with their share.

    Parameters
    ----------
    analysis : Analysis
    """
    measured = [r for r in with_values(analysis) if r.response.name != "dm_loss"]
    below = [r for r in measured if r.records.rows["below"].any()]
    none = [r.response.in_sentence for r in measured if r not in below]
    counted = [r for r in below if len(r.records.counts)]
    lines = []
    if below:
        shares = joined([_share(r) for r in below], last="semicolon")
        lines.append(say("methods.below", shares=shares))
    if counted:
        openings = joined([_counted(r) for r in counted], last="semicolon")
        lines.append(say("methods.counted", openings=openings))
    if none:
        lines.append(say("methods.none_below", labels=joined(none, last="or")))
    return lines


def _share(result: ResponseAnalysis) -> str:
    below = result.records.rows["below"]
    number, percent = int(below.sum()), f"{100 * below.mean():.0f}"
    said = {"below": number, "results": len(below), "percent": percent}
    return say("methods.share", what=result.response.in_sentence, **said)


def _counted(result: ResponseAnalysis) -> str:
    names = dict.fromkeys(str(name) for name in result.records.counts.frame["opening"])
    return say("methods.counted_at", openings=joined(list(names)), what=result.response.in_sentence)


def _outside(analysis: Analysis) -> list[str]:
    """What became of values outside the windows, where there are some."""
    each = [
        say("methods.outside_of", results=count(number, "result"), what=r.response.in_sentence)
        for r in analysis.responses.values()
        if (number := int((r.records.left_out.frame["what"] == OUTSIDE).sum()))
    ]
    return [say("methods.outside", results=joined(each))] if each else []


def together(analysis: Analysis) -> list[str]:
    """Return what became of composites and groups; nothing where every value is of one bale.

    Parameters
    ----------
    analysis : Analysis
    """
    units, sizes = units_of(analysis), analysis.trial.sample_parts["sample"].value_counts()
    if units:
        return [say("methods.together", units=joined(units))]
    if not len(sizes):
        return []
    each = joined([str(size) for size in sorted(set(sizes))])
    return [say("seen.composites", sizes=each, number=len(sizes))]


def units_of(analysis: Analysis) -> list[str]:
    """Return the responses whose values are of several bales, each with its units."""
    return [
        say("methods.units_of", what=r.response.in_sentence, units=r.records.unit.several)
        for r in with_values(analysis)
        if r.records.unit.size > 1
    ]


def _lost(analysis: Analysis) -> list[str]:
    """What became of lost bales, and of the crop's sample."""
    number = lost_bales(analysis.trial)
    lines = [say("methods.lost", bales=count(number, "bale"))] if number else []
    crop = (analysis.trial.samples["kind"] == "day0").any()
    plan = analysis.trial.settings.analysis
    modelled = any(r.response.at_day0 == "measured" and r.curve for r in with_values(analysis))
    weighed = any(r.response.name == "dm_loss" for r in with_values(analysis))
    if crop and weighed and not plan.covariates and not modelled:
        lines.append(say("methods.day0_unused"))
    return lines
