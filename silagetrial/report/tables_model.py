"""Tables of the model itself: units' predicted effects, ratios of spreads, the bootstrap."""

from __future__ import annotations

from dataclasses import replace

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.display.phrases import joined, level_name
from silagetrial.report.tables_results import NOTHING, Shown, named

__all__ = ["blups", "bootstrap", "sd_ratios"]


def blups(result: ResponseAnalysis) -> Folded | Prose:
    """Show the predicted effects of sites, pairs and bales, folded."""
    if not len(result.blups):
        return NOTHING
    table, frame = result.blups, result.blups.frame
    unseen = frame["remark"] == "none detected"
    gone = [str(name) for name in dict.fromkeys(frame.loc[unseen, "term"])]
    said = f"None detected of {joined([f'{name}s' for name in gone])}: their effects count as 0."
    if unseen.all():
        return Folded(table.title, Prose((said,)))
    scale = "the logarithm: 0.10 is about 10 % above the others" if (
        result.response.scale == "log"
    ) else result.response.unit  # fmt: skip
    shown = Table(
        frame.loc[~unseen].drop(columns=["effect", "remark"]).reset_index(drop=True),
        title=table.title,
        labels={"term": "unit", "level": "name", "estimate": "effect"},
        formats={"reliability": ".2f"},
        name=f"{result.response.name}_blups",
        notes=(
            f"In {scale}.",
            "Best linear unbiased predictions (BLUPs): what a unit's results differ from the fixed "
            "part by, shrunk towards 0. Reliability is the share of the units' variance that its "
            "own results tell: at 0.60, about 40 % of the deviation seen is taken for chance.",
            *((said,) if gone else ()),
        ),
    )
    return Folded(table.title, shown)


def sd_ratios(result: ResponseAnalysis) -> Shown:
    """Show how the residual spread of groups differs, where the plan gives each its own."""
    if not len(result.sd_ratios):
        return NOTHING
    columns = ["term", "estimate", "conf_low", "conf_high", "p_value"]
    labels = {"term": "spread of", "estimate": "ratio of SDs", "conf_low": "low",
              "conf_high": "high", "p_value": "p"}  # fmt: skip
    name = f"{result.response.name}_sd_ratios"
    return replace(result.sd_ratios, labels=labels, shown=tuple(columns), name=name)


def bootstrap(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the primary contrast's Kenward-Roger interval with the bootstrap's below it."""
    if not len(result.bootstrap):
        return NOTHING
    frame = named(trial, result, result.bootstrap.frame)
    where = frame["comparison"].iloc[0]
    if "opening" in frame:
        where += f" at {frame['opening'].iloc[0]}"
    columns = ["method", "estimate", "conf_low", "conf_high", "p_value"]
    columns += ["conf_low_mc_error", "conf_high_mc_error", "p_value_mc_error", "draws", "failed"]
    said = "remark" in frame and frame["remark"].fillna("").any()
    level = level_name(1 - trial.settings.analysis.alpha)
    labels = {
        "estimate": result.response.effect,
        "conf_low": f"{level} low",
        "conf_high": f"{level} high",
        "p_value": "p",
        "conf_low_mc_error": "± low",
        "conf_high_mc_error": "± high",
        "p_value_mc_error": "± p",
        "draws": "data sets fitted",
        "failed": "not fitted",
    }
    errors = dict.fromkeys([c for c in columns if c.endswith("mc_error")], "#.2g")
    notes = ("±: standard error from simulation alone (Monte Carlo).", *result.bootstrap.notes)
    return Table(
        frame.astype({"draws": "Int64", "failed": "Int64"}),
        title=f"{result.bootstrap.title} ({where})",
        labels=labels,
        formats=errors,
        shown=(*columns, "remark") if said else tuple(columns),
        notes=notes,
        name=f"{result.response.name}_bootstrap",
    )
