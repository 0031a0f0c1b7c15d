"""How far the tests can be trusted in a design of this kind, as measured on simulated trials.

The figures are those of ``tests/benchmarks/calibration.csv`` (a test holds them together): how
many of 100 trials without a difference were said to show one, where 5 should be.
"""

from __future__ import annotations

from typing import Final

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.sensitivity import planned_structure
from silagetrial.data import Trial
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
    start = "Of 100 simulated trials without a difference the model said to see one"
    if settings.design == "separate":
        return (
            f"{start} at the last opening in {m['separate, spread, model']}, where the spread "
            "trebled from the first opening to it, the paired t in "
            f"{m['separate, spread, paired t']} (12 pairs, 3 openings; 5 is right). Where such "
            "spread is to be expected, go by the paired t.",
        )
    return (
        f"{start} at the last opening in {m['re-cored, spread, model']}, where the spread trebled "
        f"from the first opening to it, and one that grows with storage in "
        f"{m['re-cored, time, model']}, where a bale's results stayed alike for months; the paired "
        f"t in {m['re-cored, spread, paired t']} and {m['re-cored, time, paired t']} (6 pairs "
        "cored at 4 openings; 5 is right). Where either is to be expected, go by the paired t.",
    )


def by_rows(trial: Trial, result: ResponseAnalysis) -> tuple[str, ...]:
    """Where results missing, unequal farms or values below the limit make the tests cautious."""
    if result.model is None or not result.answered:
        return ()
    rows = result.records.rows
    openings = result.model.levels["opening"]
    rows = rows[rows["opening"].isin(openings)]
    lines = []
    whole = rows["bale"].nunique() * len(openings)
    gone = 1.0 - len(rows.drop_duplicates(["bale", "opening"])) / whole
    few = 0 < result.model.error_df < FEW
    if trial.settings.design == "recored" and len(openings) > 1 and few and gone >= MISSING:
        lines.append(
            f"{result.response.label}: with {count(result.model.error_df, 'degree', 'degrees')} "
            f"of freedom and {100 * gone:.0f} % of the results missing, the interval of the "
            "average over openings is wider than it need be: of 100 simulated trials of 4 pairs, "
            f"a quarter of the results missing, it missed the truth in {MEASURED['missing, model']}"
            ", not in 5. That no difference was shown says little there."
        )
    pairs = rows.groupby("site")["pair"].nunique()
    if result.model.unit == "site" and pairs.nunique() > 1:
        lines.append(
            f"{result.response.label}: the farms have {pairs.min()} to {pairs.max()} pairs. The "
            "model's test is cautious where farms differ in that and there are few of them: of 100 "
            "simulated trials without a difference on 6 farms with 2 to 7 pairs it showed one in "
            f"{UNEQUAL_FARMS}, not in 5, and it saw fewer true differences than the t of the farm "
            "means, which stands beside it."
        )
    share = rows.groupby(["opening", "binding"])["below"].mean()
    if len(share) and share.max() > MANY_BELOW:
        lines.append(
            f"{result.response.label}: up to {100 * share.max():.0f} % of the results at an "
            "opening are below the limit. The tests are cautious there: with half of all values "
            "below the limit, the openings that stayed in the model showed a difference that was "
            f"not there in {MEASURED['half below, model']} of 100 simulated trials, not in 5."
        )
    return tuple(lines)
