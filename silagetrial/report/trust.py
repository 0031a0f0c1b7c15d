"""How far the tests can be trusted in a design of this kind, as measured on simulated trials.

The figures are those of ``tests/benchmarks/calibration.csv`` (a test holds them together): how
many of 100 trials without a difference were said to show one, where 5 should be.
"""

from __future__ import annotations

from typing import Final

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.sensitivity import planned_structure
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import count

__all__ = ["MEASURED", "by_design", "by_rows"]

MEASURED: Final = {
    "re-cored, spread, model": 18,
    "re-cored, spread, paired t": 5,
    "re-cored, time, model": 12,
    "re-cored, time, paired t": 5,
    "separate, spread, model": 17,
    "separate, spread, paired t": 5,
    "missing, model": 1,
    "half below, model": 2,
}
"""Of 100 trials without a difference, those said to show one."""
UNEQUAL_FARMS: Final = 1
"""The same on 6 farms with 2 to 7 pairs, no farm differing in its answer
(``tests/planning/test_simulated_farms.py``)."""
FEW: Final = 7
"""Degrees of freedom of the binding's error from which on missing results cost nothing to speak
of: 8 pairs."""
MISSING: Final = 0.1
"""Share of results missing from which on the average's interval is noticeably too wide."""
MANY_BELOW: Final = 0.3
"""Share below the limit in the opening with most of them, among those modelled, that is told."""


def by_design(analysis: Analysis) -> tuple[str, ...]:
    """What simulated trials of the same kind of design say about model and paired t."""
    settings = analysis.trial.settings
    if len(settings.openings) < 2 or planned_structure(settings):
        return ()
    m = MEASURED
    if settings.design == "separate":
        model, paired = m["separate, spread, model"], m["separate, spread, paired t"]
        return (say("trust.separate", model=model, paired=paired),)
    return (
        say(
            "trust.recored",
            model=m["re-cored, spread, model"],
            model_time=m["re-cored, time, model"],
            paired=m["re-cored, spread, paired t"],
            paired_time=m["re-cored, time, paired t"],
        ),
    )


def by_rows(trial: Trial, result: ResponseAnalysis) -> tuple[str, ...]:
    """Where results missing, unequal farms or values below the limit make the tests cautious."""
    if result.model is None or not result.answered:
        return ()
    rows, label = result.records.rows, result.response.label
    openings = result.model.levels["opening"]
    rows = rows[rows["opening"].isin(openings)]
    lines = []
    whole = rows["bale"].nunique() * len(openings)
    gone = 1.0 - len(rows.drop_duplicates(["bale", "opening"])) / whole
    df = result.model.error_df
    few = 0 < df < FEW
    if trial.settings.design == "recored" and len(openings) > 1 and few and gone >= MISSING:
        said = {"df": count(df, "degree of freedom"), "percent": f"{100 * gone:.0f}"}
        lines.append(say("trust.missing", label=label, **said, missed=MEASURED["missing, model"]))
    pairs = rows.groupby("site")["pair"].nunique()
    if result.model.unit == "site" and pairs.nunique() > 1:
        said = {"fewest": str(pairs.min()), "most": str(pairs.max())}
        lines.append(say("trust.unequal_farms", label=label, **said, shown=UNEQUAL_FARMS))
    share = rows.groupby(["opening", "binding"])["below"].mean()
    if len(share) and share.max() > MANY_BELOW:
        percent, shown = f"{100 * share.max():.0f}", MEASURED["half below, model"]
        lines.append(say("trust.many_below", label=label, percent=percent, shown=shown))
    return tuple(lines)
