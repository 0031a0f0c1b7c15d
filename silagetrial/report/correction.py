"""What the correction of DM for volatiles does to a result; it is never told alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from silagetrial.analysis import ResponseAnalysis
from silagetrial.analysis.other_forms import OtherForm
from silagetrial.data import Trial
from silagetrial.data.settings import Form
from silagetrial.display.language import say
from silagetrial.display.phrases import amount, joined
from silagetrial.report.findings import Finding, at_openings, of_bindings

__all__ = [
    "forms_without",
    "is_corrected",
    "of_dm",
    "uncorrected",
    "under_other_forms",
    "without_correction",
]

_BASES: Final = {
    "full": "correction.full",
    "short": "correction.short",
    "none": "correction.none",
}
_OTHERS: Final[dict[Form, str]] = {
    "none": "correction.by_none",
    "full": "correction.by_full",
    "short": "correction.by_short",
}
_TURNED: Final = {
    (True, True): "correction.turns_unsettled",
    (True, False): "correction.turns_not_told",
    (False, True): "correction.turns_told",
    (False, False): "correction.turns_neither",
}
"""By whether the interval reported leaves out none, and whether that of the other form does."""
_WITHOUT: Final[dict[Form, str]] = {
    "none": "correction.no_none",
    "full": "correction.no_full",
    "short": "correction.no_short",
}


def is_corrected(result: ResponseAnalysis) -> bool:
    """Tell whether the values rest on DM corrected for volatiles."""
    rows = result.records.rows
    return "uncorrected" in rows and not rows["uncorrected"].equals(rows["value"])


def under_other_forms(
    trial: Trial, result: ResponseAnalysis, finding: Finding
) -> dict[Form, Finding]:
    """Return a comparison of DM loss under the corrections that were not planned.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.

    Returns
    -------
    dict
        The same comparison by the same model, by form; a form without an answer is left out.
    """
    found: dict[Form, Finding] = {}
    for form, other in result.other_forms.items():
        if other.refusal is None:
            there = replace(result, differences=other.differences)
            same = of_bindings(at_openings(trial, there, joint=finding.joint), finding)
            if same is not None:
                found[form] = same
    return found


def without_correction(result: ResponseAnalysis) -> OtherForm | None:
    """Return what the same model says from DM of the oven; None where it is not known.

    None too where the values rest on DM of the oven anyway.
    """
    other = result.other_forms.get("none")
    return None if other is None or other.refusal is not None else other


def uncorrected(trial: Trial, result: ResponseAnalysis, finding: Finding) -> float | None:
    """Return a comparison without the correction of DM for volatiles.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.

    Returns
    -------
    float or None
        The estimate of the same model from DM of the oven; None where there is none, and where
        the values rest on DM of the oven anyway.
    """
    plain = under_other_forms(trial, result, finding).get("none")
    return None if plain is None else plain.estimate


def forms_without(result: ResponseAnalysis) -> tuple[str, ...]:
    """Return why there is no answer under other forms of the correction, a sentence a form."""
    return tuple(
        say(_WITHOUT[form], found=other.refusal.found)
        for form, other in result.other_forms.items()
        if other.refusal is not None
    )


def of_dm(trial: Trial, result: ResponseAnalysis, finding: Finding) -> list[str]:
    """Say on which DM a comparison of DM loss rests, and what another correction does to it.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.

    Returns
    -------
    list of str
        Sentences; none for a response that is no DM loss. A correction under which the
        difference has the other sign is named, whichever was planned, with what the intervals
        make of the two signs.
    """
    rows = result.records.rows
    if "d1_oven" not in rows:
        return []
    form = trial.settings.dm_correction.form
    known = bool(rows["uncorrected"].notna().any())
    basis = say(_BASES[form]) if known else say("correction.laboratory")
    others = under_other_forms(trial, result, finding)
    turned = {name: o for name, o in others.items() if o.estimate * finding.estimate < 0}
    if "none" not in others or "none" in turned:
        lines = [say("correction.basis", basis=basis)]
    else:
        size = amount(others["none"].estimate, finding.unit)
        lines = [say("correction.basis_uncorrected", basis=basis, size=size)]
    return lines + _turned(finding, turned)


def _told(finding: Finding) -> bool:
    """Whether the interval leaves out none."""
    return not finding.low <= finding.none <= finding.high


def _turned(finding: Finding, turned: Mapping[Form, Finding]) -> list[str]:
    """The forms with the other sign: not settled only where both intervals leave out none."""
    lines = []
    for told in (True, False):
        sizes = [
            say(_OTHERS[form], size=amount(other.estimate, other.unit))
            for form, other in turned.items()
            if _told(other) is told
        ]
        if sizes:
            lines.append(say(_TURNED[_told(finding), told], others=joined(sizes)))
    return lines
