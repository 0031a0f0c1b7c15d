"""What intervals and p are adjusted for, and what is adjusted for nothing."""

from __future__ import annotations

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.display.language import say
from silagetrial.display.phrases import level_name
from silagetrial.report.cited import cite
from silagetrial.report.findings import Finding, planned

__all__ = ["families", "in_a_paper"]


def families(analysis: Analysis, results: list[ResponseAnalysis]) -> list[str]:
    """Return over what intervals are simultaneous, and what stands by its own, as one point.

    Parameters
    ----------
    analysis : Analysis
    results : list of ResponseAnalysis
        Those with an answer.
    """
    tabled = [r for r in results if len(r.differences)]
    if not tabled:
        return []
    level = level_name(analysis.level)
    said = {"level": level, "cited": cite("hothorn2008")}
    own = _named_first(analysis, tabled)
    if _over_openings(tabled):
        lines = [say("methods.family", **said)]
        if _several_bindings(tabled):
            lines.append(say("methods.bindings_unadjusted"))
    elif _several_bindings(tabled):
        lines = [say("methods.family_bindings", **said)]
    else:
        lines, own = [say("methods.alone", level=level)], None
    if own is not None:
        names = {"first": own.first, "second": own.second, "opening": own.opening}
        lines.append(say("methods.own_interval", **names))
    lines += _average_and_growth(tabled)
    if len(tabled) > 1:
        lines.append(say("methods.between_responses"))
    return [" ".join(lines)]


def in_a_paper(analysis: Analysis, results: list[ResponseAnalysis]) -> list[str]:
    """Return the same in the few words of a paper.

    Parameters
    ----------
    analysis : Analysis
    results : list of ResponseAnalysis
        Those with an answer.
    """
    tabled = [r for r in results if len(r.differences)]
    said = {"level": level_name(analysis.level), "cited": cite("hothorn2008")}
    if _over_openings(tabled):
        several = _several_bindings(tabled)
        lines = [say("paper.simultaneous_each" if several else "paper.simultaneous", **said)]
    elif _several_bindings(tabled):
        lines = [say("paper.over_bindings", **said)]
    else:
        return [say("paper.alone", level=said["level"])]
    if _named_first(analysis, tabled) is not None:
        lines.append(say("paper.first_alone"))
    return lines


def _over_openings(results: list[ResponseAnalysis]) -> bool:
    """Whether a comparison was made at several openings, which are its family then."""
    return any(r.differences.frame["term"].value_counts().max() > 1 for r in results)


def _several_bindings(results: list[ResponseAnalysis]) -> bool:
    return any(r.differences.frame["term"].nunique() > 1 for r in results)


def _named_first(analysis: Analysis, results: list[ResponseAnalysis]) -> Finding | None:
    """The comparison that the settings name, where it was made; its own interval holds."""
    if len(analysis.trial.settings.analysis.contrast) != 2:
        return None
    found = [planned(analysis.trial, result) for result in results]
    return next((finding for finding in found if finding is not None), None)


def _average_and_growth(results: list[ResponseAnalysis]) -> list[str]:
    """What the average over openings and growth with storage are adjusted for."""
    grown = [r for r in results if len(r.growth)]
    if not grown:
        return []
    joint = any("sim_low" in r.growth.frame for r in grown)
    return [say("methods.over_openings_joint" if joint else "methods.over_openings_alone")]
