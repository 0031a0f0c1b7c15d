"""What is said beside a power: exact or approximate, and what entered it."""

from __future__ import annotations

import numpy as np

from silagetrial.display.phrases import block_word, count
from silagetrial.planning.assumptions import COMPONENTS
from silagetrial.planning.limits import BelowLimit
from silagetrial.planning.losses import DRAWS
from silagetrial.planning.many import Asked, Known
from silagetrial.planning.plan import Plan
from silagetrial.planning.power_results import PairsNeeded, PowerResult

__all__ = ["notes_of", "wording_of", "wording_of_pairs"]

FEW_DF = 6.0
"""Error degrees of freedom below which an approximate power asks for a simulation."""


def wording_of(result: PowerResult, plan: Plan) -> str:
    """Say a power in a sentence."""
    size = f"{result.effect:.3g}"
    if result.kind == "difference":
        what = f"to show a {result.scale} of {size}"
    else:
        what = f"to show {result.kind} at a true {result.scale} of {size}"
    return (
        f"Power {result.power:.3f} {what} ({result.contrast}) with {_size(result, plan)}, "
        f"{result.df:.3g} error degrees of freedom; {_exactness(result)}."
    )


def wording_of_pairs(found: PairsNeeded, plan: Plan, *, half_width: str | None) -> str:
    """Say in a sentence how many pairs it takes, or that the most looked at are not enough.

    Parameters
    ----------
    found, plan
    half_width : str, optional
        The half-width asked for, where the power is not: ``a factor of 1.5``.
    """
    block, sites = block_word(plan.settings.compare), len(plan.sites)
    each = "" if sites == 1 else f" on each of {sites} farms"
    if half_width is None:
        aim = f"for a power of {found.target:.3g} ({found.contrast})"
    else:
        aim = f"for an interval that reaches {half_width} to both sides ({found.contrast})"
    if found.pairs is None:
        return f"Not even {count(found.most, block)}{each} are enough {aim}."
    whole = "" if sites == 1 else f", {found.total} in all,"
    verb = "is" if found.pairs == 1 else "are"
    said = f"{count(found.pairs, block)}{each}{whole} {verb} the fewest {aim}."
    if found.assured is not None:
        said += (
            f" With 80 % confidence in the variation found before: "
            f"{count(found.assured, block)}{each}."
        )
    return said


def _size(result: PowerResult, plan: Plan) -> str:
    text = count(sum(result.pairs), block_word(plan.settings.compare))
    sites = len({site.name for site in plan.sites})
    return text if sites == 1 else f"{text} on {sites} farms"


def _exactness(result: PowerResult) -> str:
    if result.exact:
        return "exact: balanced, one error stratum"
    few = "; fewer than 6 error degrees of freedom, confirm by simulation"
    return "approximate (Kenward-Roger degrees of freedom)" + (few if result.df < FEW_DF else "")


def notes_of(
    ready: Asked, known: Known, *, report: str | None = None, important: bool = False
) -> tuple[str, ...]:
    """Say what entered a power beside the layout.

    Parameters
    ----------
    ready, known
    report : str, optional
        Where the variances are from.
    important : bool
        The effect is the difference called important: none is assumed.
    """
    plan, notes = ready.plan, []
    assumed = plan.assumptions.get(ready.question.response.name)
    if important and ready.question.kind == "difference":
        notes.append(_important(ready))
    if report is not None:
        notes.append(f"Variation: {report}; what it does not tell is the plan's.")
    if assumed is not None and assumed.source:
        notes.append(f"Assumptions: {assumed.source}.")
    settings = plan.settings
    openings = len(settings.openings)
    if (
        settings.design == "separate"
        and ready.layout is None
        and any(pairs % openings for pairs in ready.pairs)
    ):
        notes.append(
            f"Pairs of a site that do not divide by {openings} openings: the rest is counted from "
            "the first opening on at the first site, from the second on at the next."
        )
    if plan.lost > 0:
        notes.append(_losses(plan, known))
    if ready.limit is not None:
        notes += _below(ready, ready.limit)
    elif assumed is not None and assumed.limit is not None and assumed.level is None:
        notes.append("The limit does not enter: no level is assumed.")
    scope = ready.structure.choice.scope
    if not scope.startswith("farms like") and scope != "this farm":
        notes.append(f"The answer is about {scope}; how farms differ does not enter.")
    notes += _not_assumed(ready)
    notes += _not_in_the_formula(plan)
    return tuple(notes)


def _not_in_the_formula(plan: Plan) -> list[str]:
    """Say what the analysis knows, or the truth may be, and the formula leaves out."""
    notes = []
    analysis = plan.settings.analysis
    if analysis.residual_by or analysis.serial:
        notes.append("Variances by group and serial correlation do not enter.")
    elif len(plan.settings.openings) > 1:
        notes.append(
            "The spread is taken to be the same at every opening. Where it grows with storage the "
            "model raises false alarms at the last one (18 in 100 instead of 5 where it trebles): "
            "simulate it with departures = {by_opening = 3}, go by the paired t, or plan "
            'residual_by = "opening".'
        )
    if analysis.covariates:
        notes.append("Crop values at day 0, for which the analysis adjusts, do not enter.")
    return notes


def _losses(plan: Plan, known: Known) -> str:
    missing = int((~np.isfinite(known.std_error)).sum())
    none = f"; {missing} of them give no answer and count as power 0" if missing else ""
    spare = any(site.spare_pairs for site in plan.sites)
    stand_in = f", spare {block_word(plan.settings.compare)}s stepping in" if spare else ""
    return (
        f"Expected losses of {100 * plan.lost:.3g} % of the bales: mean over {DRAWS} drawn layouts "
        f"with their holes{stand_in}{none}."
    )


def _important(ready: Asked) -> str:
    """Say that the difference is the one called important, and what that leaves open."""
    question = ready.question
    of = question.response
    said = (
        f"No {of.effect} is assumed under [assumptions.{of.name}]: the figure is the one under "
        f"[analysis] important, {question.shown(question.difference or 0.0):.3g}, as large a "
        "difference either way."
    )
    if ready.limit is None or not _below(ready, ready.limit):
        return said
    return f"{said} Values below the limit are reckoned with the difference upwards."


def _below(ready: Asked, limit: BelowLimit) -> list[str]:
    """Say how many values lie below the limit; nothing where hardly any does."""
    first, second = ready.bindings
    shares = [round(100 * share) for share in (limit.first, limit.second)]
    if not any(shares):
        return []
    said = (
        f"Below the laboratory's limit: {shares[0]} % of the values of {first}, {shares[1]} % of "
        f"{second}, in whose place half the limit counts"
    )
    true = ready.question.difference or 0.0
    off = 0 if true == 0 or ready.plan.aim == "growth" else round(100 * limit.difference / true)
    if off in (0, 100):
        return [f"{said}."]
    way = f"{100 - off} % smaller" if off < 100 else f"{off - 100} % larger"
    return [f"{said}: on the log scale the difference looks {way} than it is."]


def _not_assumed(ready: Asked) -> list[str]:
    """What the layout brings in that the formula is not told, or cannot know."""
    short = "cv" if ready.question.response.effect == "ratio" else "sd"
    zero = dict(zip(COMPONENTS, (ready.variances == 0).tolist(), strict=True))
    found = []
    if zero["site:binding"] and "site:binding" in ready.structure.choice.random:
        found.append(
            "No variation of the difference from farm to farm is assumed "
            f"({short}_effect_between_sites); where farms differ in it, the power for "
            "farms like these is lower."
        )
    if "site:binding" in ready.structure.choice.random and len(set(ready.pairs)) > 1:
        found.append(
            "Farms with unlike numbers of pairs: the model's test keeps to the safe side there "
            "and shows less than this power says; plan as many pairs on each farm, or simulate."
        )
    if zero["run"] and "run" in ready.structure.choice.random:
        found.append(
            f"No variation between runs is assumed ({short}_run); where runs differ, the power "
            "is lower."
        )
    return found
