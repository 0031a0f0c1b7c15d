"""What was done otherwise than planned: the analysis plan set beside the finished trial."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

import pandas as pd

from silagetrial.analysis.results import Analysis
from silagetrial.data.draft import is_given
from silagetrial.data.trial import Trial
from silagetrial.display.table import Table
from silagetrial.planning.analysis_plan import (
    SHOWN_DIGITS,
    FiledPlan,
    filed_plan,
    settings_record,
)
from silagetrial.planning.deviations_made import TO_COME, Deviation, conduct, openings_to_come
from silagetrial.planning.filed_names import HASH_FILE, PLAN_RECORD

__all__ = ["FORESEEN", "as_planned", "deviations"]

FORESEEN: Final = "rule of the plan"
"""Kind of what the plan itself provides for: no deviation."""

_NOT_COMPARED: Final = ("title", "invented", "units", "measurement_sd")
"""Settings that change nothing in what is asked or how it is answered."""


def deviations(trial: Trial, analysis: Analysis) -> Table:
    """Return each point in which a trial or its analysis differs from the plan filed beforehand.

    Parameters
    ----------
    trial : Trial
    analysis : Analysis
        Of this trial.

    Returns
    -------
    Table
        ``what planned done kind``; no row where all is as planned, or where no plan is there
        (`analysis_plan.filed_plan` tells the two apart). Rows of the kind `FORESEEN` say where a
        rule of the plan itself was applied, those of the kind `TO_COME` what is due: neither is a
        deviation.
    """
    filed = filed_plan(trial.source)
    rows: list[Deviation] = []
    if filed is not None:
        rows = [*_file(filed)]
        if filed.content is not None:
            rows += [
                *_settings(filed.content, trial),
                *_models(filed.content, analysis, trial),
                *_counted(analysis),
                *conduct(filed.content["layout"], trial, rule=FORESEEN),
            ]
    frame = pd.DataFrame(
        [vars(row) for row in rows], columns=["what", "planned", "done", "kind"], dtype="str"
    )
    return Table(frame, title="The plan and what was done")


def as_planned(table: Table) -> bool:
    """Tell whether nothing in a table of `deviations` is a deviation."""
    return bool(table.frame["kind"].isin([FORESEEN, TO_COME]).all())


def _file(filed: FiledPlan) -> Iterator[Deviation]:
    """Yield what is wrong with the file of the plan."""
    if filed.content is None:
        yield Deviation(
            PLAN_RECORD, "an analysis plan", "a file that holds none or cannot be read", "file"
        )
    elif filed.noted is None:
        yield Deviation(
            "hash of the analysis plan",
            f"noted in {HASH_FILE}",
            "no such file: whether the plan was changed after filing cannot be told",
            "file",
        )
    elif not filed.intact:
        yield Deviation(
            "the analysis plan itself",
            f"SHA-256 {filed.noted[:SHOWN_DIGITS]}",
            f"SHA-256 {filed.sha256[:SHOWN_DIGITS]}: the file was changed after it was filed",
            "file",
        )


def _settings(plan: Mapping[str, Any], trial: Trial) -> Iterator[Deviation]:
    """Yield every setting of trial.toml that was changed after planning."""
    planned, done = _flat(plan["settings"]), _flat(settings_record(trial.settings))
    for name in dict.fromkeys((*planned, *done)):
        if name.split(".")[0] in _NOT_COMPARED or planned.get(name) == done.get(name):
            continue
        yield Deviation(
            name.replace("_", " ").replace(".", ", "),
            _shown(planned.get(name)),
            _shown(done.get(name)),
            "setting changed",
        )


def _flat(record: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return the leaves of a record by dotted names; openings by their own names."""
    found: dict[str, Any] = {}
    for key, value in record.items():
        name = f"{prefix}{key}"
        if key == "openings" and not prefix:
            for opening in value:
                low, high = opening["window"]
                days = f"{opening['days']:g} days, window {low:g} to {high:g}"
                found[f"opening {opening['name']}"] = days
        elif isinstance(value, Mapping):
            found.update(_flat(value, f"{name}."))
        else:
            found[name] = value
    return found


def _shown(value: object) -> str:
    if value is None or value in ("", []):
        return "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_shown(item) for item in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _models(plan: Mapping[str, Any], analysis: Analysis, trial: Trial) -> Iterator[Deviation]:
    """Yield where a response was analysed by another model than planned, or not at all.

    Before all openings are done the model of those done is a smaller one: that is no deviation.
    """
    kind = TO_COME if openings_to_come(trial) else "model"
    for name, model in plan["responses"].items():
        label = model["label"]
        result = analysis.responses.get(name)
        if result is None:
            yield Deviation(label, "analysed", "not analysed", "model")
            continue
        choice = result.model
        if choice is None:
            yield Deviation(label, "analysed", "no values to choose a model for", kind)
            continue
        for what, planned, done in (
            ("fixed part", model["formula"], choice.formula),
            ("random terms", model["random"], list(choice.random)),
            ("scale", model["scale"], result.response.scale),
            ("the answer is about", model["scope"], choice.scope),
        ):
            if planned != done:
                yield Deviation(f"{label}, {what}", _shown(planned), _shown(done), kind)


def _counted(analysis: Analysis) -> Iterator[Deviation]:
    """Yield the openings that the rule on values below the limit took out of the model."""
    for result in analysis.responses.values():
        frame = result.records.counts.frame
        names: Sequence[object] = frame["opening"].tolist() if len(frame) else ()
        for opening in dict.fromkeys(str(name) for name in names if is_given(name)):
            yield Deviation(
                f"{result.response.label} at {opening}",
                "by the model, unless more than half of a binding's results are below the limit",
                "reported as counts: more than half are below the limit",
                FORESEEN,
            )
