"""Every estimate of an analysis as one JSON file, in the one vocabulary of results."""

from __future__ import annotations

from pathlib import Path

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.report import plan_kept
from silagetrial.report.box import summary
from silagetrial.report.record import write_json

__all__ = ["contents", "write"]


def write(analysis: Analysis, path: str | Path) -> None:
    """Write all results at full precision.

    Parameters
    ----------
    analysis : Analysis
    path : str or Path
        The file to write.
    """
    write_json(Path(path), contents(analysis))


def contents(analysis: Analysis) -> dict[str, object]:
    """Return all results, in a fixed order.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    dict
        ``summary`` (three short paragraphs), ``answered`` (any response has an answer), what was
        compared, and each response's tables; the variances stand with their covariance, so that
        a plan can start from them.
    """
    settings = analysis.trial.settings
    return {
        "title": settings.title,
        "invented": settings.invented,
        "summary": summary(analysis),
        "answered": any(result.answered for result in analysis.responses.values()),
        "level": analysis.level,
        "design": settings.design,
        "bindings": settings.compare,
        "reference": settings.reference,
        "openings": [
            {"name": o.name, "days": o.days, "window": o.window} for o in settings.openings
        ],
        "plan": plan_kept.contents(analysis),
        "responses": {name: _response(result) for name, result in analysis.responses.items()},
    }


def _response(result: ResponseAnalysis) -> dict[str, object]:
    why = result.refusal
    return {
        "label": result.response.label,
        "unit": result.response.unit,
        "level_unit": result.response.level_unit,
        "scale": result.response.scale,
        "effect": result.response.effect,
        "answered": result.answered,
        "refusal": None
        if why is None
        else {"found": why.found, "expected": why.expected, "remedy": why.remedy},
        "model": _model(result),
        "means": result.means,
        "differences": result.differences,
        "average": result.average,
        "growth": result.growth,
        "half_widths": result.half_widths,
        "tests": result.tests,
        "variances": _variances(result),
        "variance_intervals": result.variance_intervals,
        "sd_ratios": result.sd_ratios,
        "blups": result.blups,
        "bootstrap": result.bootstrap,
        "sensitivity": result.sensitivity,
        "claim": result.claim,
        "shares": result.shares,
        "shares_counted": result.shares_counted,
        "curve": _curve(result),
        "exact": result.exact,
        "witness": None
        if result.witness is None
        else {
            "agrees": result.witness.agrees,
            "remark": result.witness.remark,
            "table": result.witness.table,
        },
        "found": result.summary,
        "left_out": result.records.left_out,
        "counts": result.records.counts,
        "refused": result.refused,
        "notes": result.records.notes,
    }


def _curve(result: ResponseAnalysis) -> dict[str, object] | None:
    """Tables of the planned curve, or why it gives no answer."""
    planned = result.curve
    if planned is None:
        return None
    return {
        "refusal": None if planned.refusal is None else planned.refusal.found,
        "notes": planned.notes,
        "means": planned.means,
        "differences": planned.differences,
        "at_openings": planned.at_openings,
        "rates": planned.rates,
        "tests": planned.tests,
        "variances": planned.variances,
        "exact": planned.exact,
        "passing": planned.passing,
    }


def _model(result: ResponseAnalysis) -> dict[str, object] | None:
    choice = result.model
    if choice is None:
        return None
    return {
        "formula": choice.formula,
        "random": choice.random,
        "scope": choice.scope,
        "error_df": choice.error_df,
        "loglik": None if result.fit is None else result.fit.loglik,
        "terms": choice.terms,
    }


def _variances(result: ResponseAnalysis) -> dict[str, object] | None:
    """Estimates on the model's scale and their covariance, rows and columns in the same order."""
    if result.fit is None:
        return None
    return {
        "terms": [parameter.name for parameter in result.fit.parameters],
        "estimates": result.variances,
        "covariance": result.fit.theta_covariance,
    }
