"""What the command `power` answers: the size of a trial in a few lines, or why none."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from silagetrial.display.phrases import block_word
from silagetrial.display.shown import ShownInParts
from silagetrial.errors import NoAnswer
from silagetrial.planning.budget import Budget, budget
from silagetrial.planning.dominance import dominance
from silagetrial.planning.facts import Facts, gather, past_trial
from silagetrial.planning.finished import Finished
from silagetrial.planning.limits_words import limits_it
from silagetrial.planning.money_words import best_plans, cost_words
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_test import never_observed
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.spoilt_words import spoilt_words
from silagetrial.planning.worth_words import answer, reservations

__all__ = ["SizeAnswer", "size_of_trial"]


@dataclass(frozen=True, repr=False)
class SizeAnswer(ShownInParts):
    """Power, pairs needed and what could be seen, in lines.

    Parameters
    ----------
    facts : Facts
    lines : tuple of str
    budget : Budget or None
        Where better plans were looked for.
    """

    facts: Facts
    lines: tuple[str, ...]
    budget: Budget | None = None

    def _parts(self) -> tuple[str]:
        return ("\n".join(self.lines),)


def size_of_trial(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    pairs: int | None = None,
    report: str | Path | None = None,
    search: bool = False,
    observed: bool = False,
) -> SizeAnswer:
    """Say how large a trial has to be and what it can see.

    Parameters
    ----------
    plan : Plan or path of plan.toml
    response : str, optional
        The primary one, when left out.
    pairs : int, optional
        Pairs of each farm; the plan's, when left out.
    report : path, optional
        A finished report, whose variances are used.
    search : bool
        Look for the cheapest plan with the power wanted and the best one for the money.
    observed : bool
        Power at the effect that a finished trial found was asked for: it is refused, with why, the
        interval of that trial and what the next one takes.

    Raises
    ------
    NoAnswer
        Power at the observed effect, no prices where better plans are looked for, or as in
        `power`.
    UsageError, DataProblems
        As in `power`.
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    past = past_trial(plan, report, response=response)
    facts = gather(plan, response=response, pairs=pairs, spread=past)
    if observed:
        raise _offer(facts, past)
    lines = (*answer(facts), *spoilt_words(plan, pairs=pairs), *reservations(facts))
    if not search:
        return SizeAnswer(facts, lines)
    name = facts.asked.question.response.name
    found = budget(plan, response=name, spread=past)
    parts = dominance(plan, response=name, spread=past)
    limits = limits_it(parts, block=block_word(plan.settings.compare))
    more = ("", cost_words(plan), *best_plans(found), "", str(found), "", limits, "", str(parts))
    return SizeAnswer(facts, (*lines, *more), found)


def _offer(facts: Facts, past: Finished | None) -> NoAnswer:
    """Refuse power at the observed effect; offer the interval and the next plan."""
    why = never_observed()
    interval = (
        f"what {past.source} leaves possible, {past.interval}"
        if past is not None and past.interval
        else "with --from REPORT the interval of the finished trial stands here"
    )
    return NoAnswer(
        found=why.found,
        expected=why.expected,
        remedy=f"{why.remedy}\nThe interval: {interval}\nThe next trial: {' '.join(answer(facts))}",
    )
