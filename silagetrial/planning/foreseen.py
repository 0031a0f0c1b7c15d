"""What a planned trial can see, response by response, for the analysis plan."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from silagetrial.analysis.catalogue import response_of, responses_of
from silagetrial.display.language import say
from silagetrial.display.phrases import quantity
from silagetrial.errors import NoAnswer
from silagetrial.planning.finished import Finished, finished
from silagetrial.planning.layout import Layout
from silagetrial.planning.power import detectable_difference

__all__ = ["foreseen", "foreseen_in_words"]


def foreseen(layout: Layout, *, report: str | Path | None = None) -> dict[str, dict[str, Any]]:
    """Return the smallest difference each response can show, where its variation is assumed.

    Parameters
    ----------
    layout : Layout
        Its pairs count as they are laid out, those of sites stopped early too.
    report : str or pathlib.Path, optional
        A finished report, whose variances stand in place of those assumed.

    Returns
    -------
    dict
        By response: the fields of `results.Detectable` and ``source``. Responses about whose
        variation nothing is known, or of which the plan can show nothing, are left out.

    Raises
    ------
    UsageError
        When `report` is no report.
    NoAnswer
        When the report has no variances of the primary response.
    """
    plan = layout.plan
    pairs = tuple(int(n) for n in layout.summary.frame["pairs"])
    names = [response.name for response in responses_of(plan.settings)]
    found = {}
    for name in names:
        past = (
            None if report is None else _past(report, name, primary=plan.settings.analysis.primary)
        )
        if past is None and name not in plan.assumptions:
            continue
        try:
            seen = detectable_difference(plan, response=name, pairs=pairs, spread=past)
        except NoAnswer:
            continue
        source = plan.assumptions[name].source if past is None else past.source
        numbers = {k: _short(v) for k, v in asdict(seen).items() if isinstance(v, float)}
        found[name] = {**asdict(seen), **numbers, "pairs": list(seen.pairs), "source": source}
    return found


def _short(value: float) -> float:
    """Return six digits: the last bits may differ between machines, and the plan is hashed."""
    return float(f"{value:.6g}")


def _past(report: str | Path, name: str, *, primary: str) -> Finished | None:
    """Variances of a report; only the primary response must have them."""
    try:
        return finished(report, name)
    except NoAnswer:
        if name == primary:
            raise
        return None


def foreseen_in_words(name: str, record: dict[str, Any]) -> str:
    """Return in one sentence what one response can show."""
    response = response_of(name)
    if record["scale"] == "ratio":
        below, above = quantity(record["other_side"]), quantity(record["effect"])
        size = say("foreseen.ratio", below=below, above=above)
    else:
        size = say("foreseen.difference", size=f"{quantity(record['effect'])} {response.unit}")
    said = {"label": response.label, "size": size, "contrast": record["contrast"]}
    power = f"{record['power']:g}"
    if not record["source"]:
        return say("foreseen.shown", **said, power=power)
    return say("foreseen.shown_by", **said, power=power, source=record["source"])
