"""What the correction of DM for volatiles does to a result; it is never told alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.analysis.dm_opening import dm_at_opening
from silagetrial.data import Trial
from silagetrial.data.settings import Form
from silagetrial.display.language import say
from silagetrial.display.phrases import amount, joined
from silagetrial.report.findings import Finding

__all__ = ["correction_effect", "is_corrected", "of_dm", "uncorrected", "under_other_forms"]

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


def is_corrected(result: ResponseAnalysis) -> bool:
    """Tell whether the values rest on DM corrected for volatiles."""
    rows = result.records.rows
    return "uncorrected" in rows and not rows["uncorrected"].equals(rows["value"])


def correction_effect(result: ResponseAnalysis) -> dict[tuple[str, str], float]:
    """Return what the correction of DM for volatiles adds to the mean, by opening and binding.

    Empty where the values rest on DM without a correction; NaN where no value without it is
    known.
    """
    if not is_corrected(result):
        return {}
    rows = result.records.rows
    effect = (rows["value"] - rows["uncorrected"]).groupby([rows["opening"], rows["binding"]])
    return {(str(opening), str(name)): float(v.mean()) for (opening, name), v in effect}


def uncorrected(result: ResponseAnalysis, finding: Finding) -> float | None:
    """Return a comparison without the correction of DM for volatiles.

    Parameters
    ----------
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.

    Returns
    -------
    float or None
        The estimate less the mean effect of the correction on the two bindings; None where
        no value without the correction is known.
    """
    effect = correction_effect(result)
    if not effect or finding.opening is None:
        return None
    first, second = (effect[finding.opening, name] for name in (finding.first, finding.second))
    moved = finding.estimate - (first - second)
    return moved if np.isfinite(moved) else None


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
        difference has the other sign is named, whichever was planned.
    """
    rows = result.records.rows
    if "d1_oven" not in rows:
        return []
    form = trial.settings.dm_correction.form
    known = bool(rows["uncorrected"].notna().any())
    basis = say(_BASES[form]) if known else say("correction.laboratory")
    plain = uncorrected(result, finding)
    turned = {
        other: moved
        for other, moved in under_other_forms(trial, result, finding).items()
        if moved * finding.estimate < 0
    }
    if plain is None or "none" in turned:
        lines = [say("correction.basis", basis=basis)]
    else:
        size = amount(plain, finding.unit)
        lines = [say("correction.basis_uncorrected", basis=basis, size=size)]
    if turned:
        others = [say(_OTHERS[f], size=amount(moved, finding.unit)) for f, moved in turned.items()]
        lines.append(say("correction.turns", others=joined(others)))
    return lines


def under_other_forms(
    trial: Trial, result: ResponseAnalysis, finding: Finding
) -> dict[Form, float]:
    """Return a comparison of DM loss under the corrections that were not planned.

    The estimate is moved by what the other form does to the mean loss of each binding; a form
    that is refused for one of the bales compared is left out.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
        Of DM loss.
    finding : Finding
        The comparison at one opening.
    """
    rows = result.records.rows
    here = rows[rows["opening"] == finding.opening]
    needed = {name for names in here["sample"] for name in names.split()}
    used = trial.samples[trial.samples["sample"].isin(needed)]
    samples = {str(sample["sample"]): sample for _, sample in used.iterrows()}
    moved: dict[Form, float] = {}
    for form in _OTHERS:
        if form == trial.settings.dm_correction.form:
            continue
        rule = replace(trial.settings.dm_correction, form=form)
        other = replace(trial, settings=replace(trial.settings, dm_correction=rule))
        known = pd.Series([_mean_dm(other, samples, names) for names in here["sample"]], here.index)
        # Loss is 1 - (M1 D1 + cored) / (M0 D0): another D1 moves it by M1 / (M0 D0) a unit.
        change = 100.0 * here["m1"] * (here["d1"] - known) / (here["m0"] * here["d0"])
        first, second = (
            change[here["binding"] == name].mean(skipna=False)
            for name in (finding.first, finding.second)
        )
        if np.isfinite(first - second):
            moved[form] = finding.estimate + float(first - second)
    return moved


def _mean_dm(trial: Trial, samples: Mapping[str, pd.Series[Any]], names: str) -> float:
    """DM at opening of one value, the mean of its samples; NaN where the form is refused."""
    dm = [dm_at_opening(trial, samples[name]) for name in names.split()]
    return float(np.mean([np.nan if isinstance(d, str) else d for d in dm]))
