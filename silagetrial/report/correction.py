"""What the correction of DM for volatiles does to a result; it is never told alone."""

from __future__ import annotations

import numpy as np

from silagetrial.analysis import ResponseAnalysis
from silagetrial.report.findings import Finding

__all__ = ["correction_effect", "is_corrected", "uncorrected"]


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
