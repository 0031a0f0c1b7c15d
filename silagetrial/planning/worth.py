"""One page before the first bale is made: whether the trial is worth doing, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from pathlib import Path
from typing import Final, TypeAlias

from silagetrial.display.block import Picture, Prose
from silagetrial.display.cautions import cautions, deferral
from silagetrial.display.page import STYLE, page
from silagetrial.display.phrases import block_word
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.planning.assumptions import published_magnitudes
from silagetrial.planning.budget import Budget, budget
from silagetrial.planning.cases import Source
from silagetrial.planning.charts import budget_chart, charts_of
from silagetrial.planning.costs import cost_of, cost_table, prices
from silagetrial.planning.dominance import dominance, sensitivity
from silagetrial.planning.facts import Facts, found_before, gather, past_trial
from silagetrial.planning.finished import Finished
from silagetrial.planning.limits_words import if_wrong, limits_it
from silagetrial.planning.money_words import best_plans, cost_words, unanswered, worth_of
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_test import Effect
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.spoilt_words import spoilt_words
from silagetrial.planning.value import TrialValue, value_of_trial
from silagetrial.planning.worth_words import answer, assumed, reservations

__all__ = ["PAGE_STYLE", "TITLE", "Section", "Worth", "worth"]

TITLE: Final = "Is this trial worth doing?"

Shown: TypeAlias = Prose | Table | Picture

PAGE_STYLE: Final = (
    STYLE
    + """\
.st-question { font-size: 1.1rem; color: var(--quiet); }
.st-answer { border-left: 4px solid var(--key); padding: 0.1rem 0 0.1rem 1.1rem; margin: 1rem 0;
  font-size: 1.08rem; }
.st-refusal { border-left: 4px solid var(--alarm); padding: 0.1rem 0 0.1rem 1.1rem;
  margin: 1rem 0; }
.st-pictures { display: flex; flex-wrap: wrap; gap: 0 1.5rem; }
.st-pictures .st-figure { flex: 0 1 85mm; }
.st-pictures figcaption { font-size: 0.8rem; }
@media print {
  h1 { font-size: 15pt; margin-bottom: 0.2rem; }
  h2 { font-size: 11pt; margin: 0.5rem 0 0.2rem; }
  body { font-size: 9pt; line-height: 1.3; }
  p, li { max-width: none; margin: 0.25rem 0; }
  .st-answer { margin: 0.4rem 0; }
  .st-pictures { gap: 0 6mm; }
  .st-figure { margin: 0.4rem 0; }
  .st-pictures figcaption { font-size: 7.5pt; }
  .st-cautions { font-size: 7.5pt; }
  .st-block { break-inside: avoid; }
}
"""
)


@dataclass(frozen=True)
class Section:
    """A part of the page: its heading and what stands below it."""

    heading: str
    parts: tuple[Shown, ...]
    kind: str = ""


@dataclass(frozen=True, repr=False)
class Worth:
    """The page.

    Parameters
    ----------
    sections : tuple of Section
        The first has no heading: the question and the answer.
    charts : mapping of str to Picture
        Pictures by name, ``power``, ``detectable`` and, with prices, ``frontier``.
    facts : Facts or None
        None where the plan has no answer.
    budget : Budget or None
        None without prices.
    value : TrialValue or None
        None where it was refused.
    """

    sections: tuple[Section, ...]
    charts: Mapping[str, Picture] = field(default_factory=dict)
    facts: Facts | None = None
    budget: Budget | None = None
    value: TrialValue | None = None

    def __str__(self) -> str:
        """Return the page as plain text; pictures as their captions and messages."""
        blocks = [TITLE]
        for section in self.sections:
            blocks += [section.heading] if section.heading else []
            blocks += [_text(part) for part in section.parts]
        return "\n\n".join(block for block in blocks if block) + "\n"

    def __repr__(self) -> str:
        """Return the text."""
        return str(self)

    def to_html(self) -> str:
        """Return the self-contained page."""
        return page(TITLE, "\n".join(_html(section) for section in self.sections), style=PAGE_STYLE)

    def _repr_html_(self) -> str:
        return "\n".join(_html(section) for section in self.sections)


def _text(part: Shown) -> str:
    return str(part)


def _html(section: Section) -> str:
    heading = f"<h2>{escape(section.heading)}</h2>\n" if section.heading else ""
    charts = [part for part in section.parts if isinstance(part, Picture)]
    others = [part._repr_html_() for part in section.parts if not isinstance(part, Picture)]
    drawn = "\n".join(chart._repr_html_() for chart in charts)
    pictures = [f'<div class="st-pictures">\n{drawn}\n</div>'] if charts else []
    kind = f' class="{section.kind}"' if section.kind else ""
    return f"<section{kind}>\n{heading}" + "\n".join([*others, *pictures]) + "\n</section>"


def worth(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    pairs: int | None = None,
    effect: Effect = None,
    spread: Source = None,
    report: str | Path | None = None,
    search: bool = True,
) -> Worth:
    """Write the page of a plan.

    Parameters
    ----------
    plan : Plan or path of plan.toml
    response, pairs, effect, spread
        As in `power`.
    report : path, optional
        A finished report, whose variances are used in place of `spread`.
    search : bool
        Look for better plans, where prices are given: some seconds.

    Returns
    -------
    Worth
        Where the plan has no answer (no test of the binding, most values below the limit) the
        page says so, and what would give one.

    Raises
    ------
    DataProblems
        If plan.toml has errors.
    UsageError
        If figures are assumed that cannot be, or none of the variation.
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    if report is not None:
        spread = past_trial(plan, report, response=response)
    try:
        facts = gather(plan, response=response, pairs=pairs, effect=effect, spread=spread)
    except NoAnswer as why:
        refused = Prose((unanswered(why),), kind="refusal")
        return Worth((Section("", (*_question(plan), refused)), *_costs(plan), _cautions()))
    name = facts.asked.question.response.name
    charts = charts_of(facts, effect=effect, spread=spread)
    found = None
    if search and facts.power is not None and _priced(plan):
        found = budget(plan, response=name, effect=effect, spread=spread)
        charts["frontier"] = budget_chart(found)
    past = spread if isinstance(spread, Finished) else None
    lines, tables, value = _short(facts, found, past=past, effect=effect, spread=spread)
    spoilt = spoilt_words(plan, pairs=pairs)
    rest = [charts["frontier"]] if "frontier" in charts else []
    pictures = tuple(charts[key] for key in ("power", "detectable") if key in charts)
    sections = (
        Section("", (*_question(plan), Prose(answer(facts), kind="answer"))),
        Section("In short", (Prose((*spoilt, *lines), kind="list"), *pictures)),
        _cautions(),
        Section("In detail", (_rests_on(facts), *tables, *rest), kind="st-detail"),
        Section(published_magnitudes().title, (published_magnitudes(),), kind="st-detail"),
    )
    return Worth(sections, charts, facts, found, value)


def _question(plan: Plan) -> tuple[Prose, ...]:
    settings = plan.settings
    lines = [text for text in (settings.title, settings.question) if text]
    if settings.invented:
        lines.append("The plan and all its figures are invented, for demonstration.")
    return (Prose(tuple(lines), kind="question"),) if lines else ()


def _cautions() -> Section:
    parts = (Prose(cautions(), kind="list"), Prose((deferral(),)))
    return Section("Before you begin", parts, kind="st-cautions")


def _priced(plan: Plan) -> bool:
    try:
        prices(plan)
    except NoAnswer:
        return False
    return True


def _costs(plan: Plan) -> tuple[Section, ...]:
    if not _priced(plan):
        return ()
    return (Section("What it costs", (Prose((cost_words(plan),)), cost_table(plan))),)


def _short(
    facts: Facts,
    found: Budget | None,
    *,
    past: Finished | None,
    effect: Effect,
    spread: Source,
) -> tuple[list[str], list[Table], TrialValue | None]:
    """Say in a line each what limits the trial, what it costs and what it is worth."""
    plan, name = facts.plan, facts.asked.question.response.name
    lines: list[str] = []
    tables: list[Table] = []
    if facts.power is not None:
        parts = dominance(plan, response=name, effect=effect, spread=spread)
        wrong = sensitivity(plan, response=name, effect=effect, spread=spread)
        lines += [limits_it(parts, block=block_word(plan.settings.compare)), if_wrong(facts, wrong)]
        tables += [parts, wrong]
    cost, value = None, None
    try:
        lines.append(cost_words(plan))
        tables.append(cost_table(plan))
        cost = cost_of(plan)
    except NoAnswer as why:
        lines.append(unanswered(why))
    if found is not None:
        lines += best_plans(found)
        tables.append(found.table)
    try:
        value = _value(facts, cost, past)
        lines.append(worth_of(value, prices(plan).currency))
    except NoAnswer as why:
        lines.append(unanswered(why))
    return lines, tables, value


def _value(facts: Facts, cost: float | None, past: Finished | None) -> TrialValue:
    """Price the answer by what is believed now: the plan's effect, or what a trial has found."""
    decision, of = facts.plan.next_trial, facts.asked.question.response
    if decision is not None and of.name != facts.plan.settings.analysis.primary:
        raise NoAnswer(
            found=f"no value of the next trial for {of.in_sentence}",
            expected="the primary response, which the gains under [next_trial] are about",
            remedy="ask about the primary response, or make this one primary",
        )
    effect = None if facts.power is None else facts.asked.question.difference
    sd = None if decision is None else decision.effect_sd
    if sd is None and past is not None:
        effect, sd = found_before(facts, past) or (effect, None)
    return value_of_trial(
        decision, effect=effect, effect_sd=sd, std_error=facts.seen.std_error, cost=cost
    )


def _rests_on(facts: Facts) -> Prose:
    """What the figures rest on."""
    return Prose(
        tuple(line for line in (assumed(facts), *reservations(facts)) if line), kind="list"
    )
