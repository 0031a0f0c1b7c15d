"""Tables of the model itself: units' predicted effects, ratios of spreads, the bootstrap."""

from __future__ import annotations

from dataclasses import replace

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.report.figures_data import effect_word
from silagetrial.report.tables_results import NOTHING, Shown, limit_labels, named

__all__ = ["blups", "bootstrap", "sd_ratios"]


def blups(result: ResponseAnalysis) -> Folded | Prose:
    """Show the predicted effects of sites, pairs and bales, folded."""
    if not len(result.blups):
        return NOTHING
    table, frame = result.blups, result.blups.frame
    unseen = frame["remark"] == "none detected"
    gone = [str(name) for name in dict.fromkeys(frame.loc[unseen, "term"])]
    said = say("table.blups_none", terms=joined([f"{name}s" for name in gone]))
    if unseen.all():
        return Folded(table.title, Prose((said,)))
    log = result.response.scale == "log"
    shown = Table(
        frame.loc[~unseen].drop(columns=["effect", "remark"]).reset_index(drop=True),
        title=table.title,
        labels={
            "term": say("table.unit"),
            "level": say("table.name"),
            "estimate": say("table.effect"),
        },
        formats={"reliability": ".2f"},
        name=f"{result.response.name}_blups",
        notes=(
            say("table.blups_log") if log else say("table.in_unit", unit=result.response.unit),
            say("table.blups_note"),
            *((said,) if gone else ()),
        ),
    )
    return Folded(table.title, shown)


def sd_ratios(result: ResponseAnalysis) -> Shown:
    """Show how the residual spread of groups differs, where the plan gives each its own."""
    if not len(result.sd_ratios):
        return NOTHING
    columns = ["term", "estimate", "conf_low", "conf_high", "p_value"]
    labels = {
        "term": say("table.spread_of"),
        "estimate": say("table.sd_ratio"),
        "conf_low": say("limit.plain_low"),
        "conf_high": say("limit.plain_high"),
        "p_value": "p",
    }
    name = f"{result.response.name}_sd_ratios"
    return replace(result.sd_ratios, labels=labels, shown=tuple(columns), name=name)


def bootstrap(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the primary contrast's Kenward-Roger interval with the bootstrap's below it."""
    if not len(result.bootstrap):
        return NOTHING
    frame = named(trial, result, result.bootstrap.frame)
    compared = {"title": result.bootstrap.title, "comparison": frame["comparison"].iloc[0]}
    title = say("table.title_of", **compared)
    if "opening" in frame:
        title = say("table.title_of_at", **compared, opening=frame["opening"].iloc[0])
    columns = ["method", "estimate", "conf_low", "conf_high", "p_value"]
    columns += ["conf_low_mc_error", "conf_high_mc_error", "p_value_mc_error", "draws", "failed"]
    said = "remark" in frame and frame["remark"].fillna("").any()
    labels = {
        **limit_labels(trial),
        "estimate": effect_word(result),
        "conf_low_mc_error": say("limit.error_low"),
        "conf_high_mc_error": say("limit.error_high"),
        "p_value_mc_error": "± p",
        "draws": say("table.draws"),
        "failed": say("table.failed"),
    }
    errors = dict.fromkeys([c for c in columns if c.endswith("mc_error")], "#.2g")
    notes = (say("table.bootstrap_note"), *result.bootstrap.notes)
    return Table(
        frame.astype({"draws": "Int64", "failed": "Int64"}),
        title=title,
        labels=labels,
        formats=errors,
        shown=(*columns, "remark") if said else tuple(columns),
        notes=notes,
        name=f"{result.response.name}_bootstrap",
    )
