"""Every estimate of an analysis as one JSON file, in the one vocabulary of results."""

from __future__ import annotations

from pathlib import Path

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.opened import hours_at_air, mould_seen, temperatures_read
from silagetrial.analysis.other_forms import OtherForm
from silagetrial.report import plan_kept
from silagetrial.report.box import summary
from silagetrial.report.looks import Log, notice
from silagetrial.report.record import write_json

__all__ = ["contents", "write"]


def write(analysis: Analysis, path: str | Path, *, log: Log | None = None) -> None:
    """Write all results at full precision.

    Parameters
    ----------
    analysis : Analysis
    path : str or Path
        The file to write.
    log : Log, optional
        Looks before the end.
    """
    write_json(Path(path), contents(analysis, log=log))


def contents(analysis: Analysis, *, log: Log | None = None) -> dict[str, object]:
    """Return all results, in a fixed order.

    Parameters
    ----------
    analysis : Analysis
    log : Log, optional
        Looks before the end.

    Returns
    -------
    dict
        ``summary`` (short paragraphs; that of a report before the end says so first),
        ``interim``, ``look`` and ``looks`` (before the end), ``answered`` (any response has an
        answer), what was compared, and each response's tables; the variances stand with their
        covariance, so that a plan can start from them.
    """
    settings, log = analysis.trial.settings, log or Log()
    return {
        "title": settings.title,
        "invented": settings.invented,
        "summary": (*notice(analysis.trial, log).lines, *summary(analysis)),
        **log.contents(),
        "answered": any(result.answered for result in analysis.responses.values()),
        "level": analysis.level,
        "design": settings.design,
        "bindings": settings.compare,
        "reference": settings.reference,
        "openings": [
            {"name": o.name, "days": o.days, "window": o.window} for o in settings.openings
        ],
        "plan": plan_kept.contents(analysis),
        "opened": {
            "mould": mould_seen(analysis.trial),
            "aerobic": hours_at_air(analysis.trial),
            "temperatures": temperatures_read(analysis.trial),
        },
        "responses": {name: _response(result) for name, result in analysis.responses.items()},
    }


_TABLES = (
    "means", "differences", "average", "growth", "half_widths", "tests", "variance_intervals",
    "sd_ratios", "blups", "bootstrap", "sensitivity", "claim", "shares", "shares_counted", "exact",
    "refused",
)  # fmt: skip
"""Tables of a response's analysis that stand under their own names."""


def _response(result: ResponseAnalysis) -> dict[str, object]:
    response, records, why = result.response, result.records, result.refusal
    return {
        **{name: getattr(response, name) for name in ("label", "unit", "level_unit", "scale",
                                                      "effect")},
        "answered": result.answered,
        "values_of": {"what": records.unit.word, "bales": records.unit.size},
        "refusal": None
        if why is None
        else {"found": why.found, "expected": why.expected, "remedy": why.remedy},
        "model": _model(result),
        **{name: getattr(result, name) for name in _TABLES},
        "variances": _variances(result),
        "curve": _curve(result),
        "other_forms": {form: _other_form(other) for form, other in result.other_forms.items()},
        "witness": _witness(result),
        "found": result.summary,
        "left_out": records.left_out,
        "counts": records.counts,
        "notes": records.notes,
    }  # fmt: skip


def _other_form(other: OtherForm) -> dict[str, object]:
    """DM loss by a correction that was not planned, or why there is no answer by it."""
    why = other.refusal
    return {
        "refusal": None if why is None else why.found,
        "means": other.means,
        "differences": other.differences,
    }


def _witness(result: ResponseAnalysis) -> dict[str, object] | None:
    witness = result.witness
    if witness is None:
        return None
    return {"agrees": witness.agrees, "remark": witness.remark, "table": witness.table}


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
