"""What a plan can answer, in plain sentences with numbers."""

from __future__ import annotations

from typing import Final

from silagetrial.display.phrases import (
    amount,
    block_word,
    count,
    joined,
    level_name,
    number,
    quantity,
    ratio_words,
)
from silagetrial.planning.facts import Facts
from silagetrial.planning.plan import Assumption
from silagetrial.planning.plan_keys import SPREADS

__all__ = [
    "answer",
    "assumed",
    "effect_words",
    "either_way",
    "farms_words",
    "of_hundred",
    "pairs_words",
    "precision_words",
    "reservations",
    "seen_words",
]

_HARDLY: Final = 2.0
"""Multiple of the size of a test below which its power is hardly more than that size."""


def of_hundred(chance: float) -> str:
    """Return a probability as people count: ``about 35 in 100``."""
    whole = round(100 * chance)
    if whole < 1:
        return "fewer than 1 in 100"
    return "more than 99 in 100" if whole > 99 else f"about {whole} in 100"


def effect_words(facts: Facts, value: float) -> str:
    """Return a true ratio or difference of the planned contrast in words.

    Parameters
    ----------
    facts : Facts
    value : float
        A ratio, or a difference in the response's unit.
    """
    of, (first, second) = facts.asked.question.response, facts.asked.bindings
    none = value == (1.0 if of.effect == "ratio" else 0.0)
    where = _where(facts)
    if facts.plan.aim == "growth":
        if none:
            return f"the difference in {of.in_sentence} between {first} and {second} stays the same"
        change = (
            f"by a factor of {quantity(value)}" if of.effect == "ratio" else _signed(facts, value)
        )
        what = f"the {of.effect} of {of.in_sentence}, {first} against {second},"
        return f"{what} changes {change} {where}"
    if none:
        return f"{of.in_sentence} is the same with {first} and {second} {where}"
    if of.effect == "ratio":
        size = f"{ratio_words(value)} (ratio {quantity(value)})"
    else:
        size = f"{amount(abs(value), of.unit)} {'lower' if value < 0 else 'higher'}"
    return f"{of.in_sentence} is {size} with {first} than with {second} {where}"


def either_way(facts: Facts, value: float) -> str:
    """Return a true ratio or difference of the planned contrast in words, its direction open."""
    of, (first, second) = facts.asked.question.response, facts.asked.bindings
    if of.effect == "ratio":
        size = f"by a factor of {quantity(max(value, 1 / value))}"
    else:
        size = f"by {amount(abs(value), of.unit)}"
    where = _where(facts)
    if facts.plan.aim == "growth":
        what = f"the {of.effect} of {of.in_sentence}, {first} against {second},"
        return f"{what} changes {size} {where}, up or down"
    return f"{of.in_sentence} differs {size} between {first} and {second} {where}, either way"


def _signed(facts: Facts, value: float) -> str:
    return f"by {_sized(facts, value)}"


def _sized(facts: Facts, value: float) -> str:
    """A ratio or a difference; only the latter has the response's unit."""
    of = facts.asked.question.response
    return amount(value, "" if of.effect == "ratio" else of.unit)


def _where(facts: Facts) -> str:
    openings = [opening.name for opening in facts.plan.settings.openings]
    if facts.plan.aim == "opening":
        return f"at {facts.asked.question.functions.labels['opening'].iloc[0]}"
    if facts.plan.aim == "average":
        return f"on average over {joined(openings)}" if len(openings) > 1 else f"at {openings[0]}"
    return f"from {openings[0]} to {openings[-1]}"


def answer(facts: Facts) -> tuple[str, ...]:
    """Return the answer: is the trial large enough, how large it has to be, what it could see."""
    lines = [_verdict(facts), farms_words(facts)]
    if facts.needed is not None:
        lines.append(pairs_words(facts))
    seen = seen_words(facts) if facts.asked.question.kind == "difference" else ""
    lines.append(f"{seen} {precision_words(facts)}".strip())
    return tuple(line for line in lines if line)


def _verdict(facts: Facts) -> str:
    found, of = facts.power, facts.asked.question.response
    if found is None:
        return (
            f"Whether this trial is worth doing cannot be said yet: no {of.effect} of "
            f"{of.in_sentence} is named that would change what you do. Add it to plan.toml, as "
            f"{of.effect} under [assumptions.{of.name}]."
        )
    if found.power >= facts.target:
        verdict = "As planned, this trial can answer its question, if the assumptions hold."
    elif found.power >= 0.5:
        verdict = "As planned, this trial is too small to rely on."
    else:
        verdict = "As planned, this trial would probably not show what it looks for."
    if facts.important:
        true = either_way(facts, found.effect)
        told = (
            f"No {of.effect} is assumed, so the difference is the one called important: if {true}, "
            f"{of_hundred(found.power)} such trials would"
        )
    else:
        true = effect_words(facts, found.effect)
        told = f"If {true}, {of_hundred(found.power)} such trials would"
    alpha = facts.asked.question.alpha
    hardly = ""
    if found.kind == "difference" and found.power < _HARDLY * alpha:
        hardly = (
            f" That is hardly more than the {100 * alpha:g} in 100 that show a difference where "
            "there is none."
        )
    return f"{verdict} {told} {_shown(facts)}.{hardly}"


def farms_words(facts: Facts) -> str:
    """Say that a report's answer is made for farms that do not differ in the difference."""
    if not facts.farms_alike:
        return ""
    return (
        "The difference between the bindings is taken to be the same on every farm: "
        f"{facts.farms_alike}. Where farms differ in it, the power is lower than said here, and "
        "more farms help, not more bales on each."
    )


def _shown(facts: Facts) -> str:
    """What a trial shows: a difference, or that there is none that matters."""
    question, (first, second) = facts.asked.question, facts.asked.bindings
    if question.kind == "difference":
        return "show a difference"
    margin = _sized(facts, question.shown(question.margin))
    if question.kind == "equivalence":
        return f"show that the two are equivalent (margin {margin})"
    return f"show that {first} is no worse than {second} (margin {margin})"


def pairs_words(facts: Facts) -> str:
    """Say how many pairs the power wanted takes, and how many are planned."""
    needed, plan = facts.needed, facts.plan
    if needed is None:
        return ""
    block, sites = block_word(plan.settings.compare), len(plan.sites)
    power, planned = level_name(facts.target), f"planned are {facts.opened}"
    if needed.pairs is None or needed.total is None:
        where = "on each farm " if sites > 1 else ""
        return (
            f"Even {count(needed.most, block)} {where}would not give {power} power; {planned} in "
            "all."
        )
    size = f"it takes {count(needed.pairs, block)}"
    if sites > 1:
        size += f" on each of {sites} farms, {needed.total} in all"
    said = f"For {power} power {size}; {planned}."
    if needed.assured is not None:
        each = " on each farm" if sites > 1 else ""
        said += (
            f" The variation comes from a finished trial and is itself uncertain: "
            f"{count(needed.assured, block)}{each} have {power} power with 80 % confidence."
        )
    if facts.power is not None and facts.power.expected is not None:
        said += f" Averaged over that uncertainty the plan's power is {facts.power.expected:.2f}."
    return said


def seen_words(facts: Facts) -> str:
    """Say what difference the pairs planned would show."""
    block = block_word(facts.plan.settings.compare)
    words = either_way if facts.important else effect_words
    return (
        f"With the {block}s planned it shows, with {level_name(facts.target)} power, that "
        f"{words(facts, facts.seen_effect)}, or a larger difference."
    )


def precision_words(facts: Facts) -> str:
    """Say how wide the interval will be, and how many pairs the width wanted takes."""
    level = level_name(1 - facts.asked.question.alpha)
    said = ""
    if facts.power is not None:
        said = f"The {level} interval will reach {_wide(facts, facts.power.half_width)}."
    if facts.precise is not None and facts.plan.half_width is not None:
        block = block_word(facts.plan.settings.compare)
        wide = _wide(facts, facts.plan.half_width)
        if facts.precise.pairs is None:
            most = count(facts.precise.most, block)
            said += f" Even {most} on each farm do not make it reach {wide}."
        else:
            each = " on each farm" if len(facts.plan.sites) > 1 else ""
            said += (
                f" For one that reaches {wide}, it takes {count(facts.precise.pairs, block)}{each}."
            )
    return said.strip()


def _wide(facts: Facts, half: float) -> str:
    of = facts.asked.question.response
    if of.effect == "ratio":
        return f"from the estimate divided by {quantity(half)} to {quantity(half)} times it"
    return f"{amount(half, of.unit)} to both sides of the estimate"


def assumed(facts: Facts) -> str:
    """Say what is assumed of the response, in the terms in which it was given."""
    of, plan = facts.asked.question.response, facts.plan
    given = plan.assumptions.get(of.name, Assumption())
    parts = []
    for name, words in SPREADS.items():
        value = getattr(given.spread, name)
        if value > 0:
            size = f"{100 * value:.3g} %" if of.effect == "ratio" else amount(value, of.unit)
            parts.append(f"{size} {words}")
    word = "Coefficients of variation" if of.effect == "ratio" else "Standard deviations"
    said = f"{word} assumed of {of.in_sentence}: {joined(parts)}." if parts else ""
    if facts.source:
        said = f"How much {of.in_sentence} varies is taken from {facts.source}."
    if given.level is not None:
        said += (
            f" The median with {plan.settings.reference or facts.asked.bindings[1]} is taken as "
            f"{number(given.level)} {of.level_unit}."
        )
    if given.source and facts.power is None:
        said += f" Source: {given.source}."
    return said.strip()


def reservations(facts: Facts) -> tuple[str, ...]:
    """Say how exact the figures are, and what else entered them: losses, values below the limit."""
    return () if facts.power is None else (facts.power.wording, *facts.power.notes)
