"""What a plan costs, what better plans cost, and what its answer is worth, in sentences."""

from __future__ import annotations

from silagetrial.display.phrases import block_word, count, joined, level_name
from silagetrial.errors import NoAnswer
from silagetrial.planning.budget import Budget, Option
from silagetrial.planning.costs import bill_of, cost_of, prices
from silagetrial.planning.plan import Plan
from silagetrial.planning.value import TrialValue

__all__ = ["best_plans", "cost_words", "money", "unanswered", "worth_of"]


def money(value: float, currency: str) -> str:
    """Return a sum in whole units of its currency: ``9 035 EUR``."""
    size = f"{abs(value):,.0f}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    sign = "\N{MINUS SIGN}" if round(value) < 0 else ""
    return f"{sign}{size} {currency}".strip()


def cost_words(plan: Plan) -> str:
    """Say what a plan costs, which part is largest, and whether there is money for it.

    Raises
    ------
    NoAnswer
        If no price is given.
    """
    costs, bill, total = prices(plan), bill_of(plan), cost_of(plan)
    parts = {
        "farms": bill.farms * costs.site,
        f"{block_word(plan.settings.compare)}s": bill.pairs * costs.pair,
        "opening days": bill.opening_days * costs.opening,
        "samples": bill.cores * costs.core,
        "analyses": bill.analyses * costs.analysis,
    }
    largest = max(parts, key=lambda name: parts[name])
    said = (
        f"The plan costs {money(total, costs.currency)}; the largest part of it, "
        f"{100 * parts[largest] / total:.0f} %, is for {largest}."
    )
    if costs.money is None:
        return said
    there = money(costs.money, costs.currency)
    if total > costs.money:
        over = money(total - costs.money, costs.currency)
        return f"{said} That is {over} more than the {there} there are."
    return f"{said} The {there} there are pay for it."


def best_plans(found: Budget) -> tuple[str, ...]:
    """Say what the cheapest plan with the power wanted is, and the best one for the money.

    Parameters
    ----------
    found : Budget
    """
    power, looked = level_name(found.target), f"{len(found.options)} plans looked at"
    cheapest, strongest = found.cheapest, found.strongest
    best = found.frontier.iloc[-1]
    if cheapest is None:
        first = (
            f"None of {looked} reaches {power} power; the strongest has {_percent(best['power'])} "
            f"and costs {money(best['cost'], found.currency)}."
        )
    else:
        first = f"The cheapest of {looked} with {power} power: {_described(found, cheapest)}."
    lines = [first, *_all_openings(found, cheapest)]
    if found.money is not None:
        there = money(found.money, found.currency)
        if strongest is None:
            least = money(float(found.options["cost"].iloc[0]), found.currency)
            lines.append(f"{there} pay for none of them: the cheapest costs {least}.")
        elif strongest == cheapest:
            lines.append(f"The first named is also the one with most power for {there}.")
        else:
            lines.append(f"Most power for {there}: {_described(found, strongest)}.")
    return tuple(lines)


def _all_openings(found: Budget, cheapest: Option | None) -> tuple[str, ...]:
    """Say what keeping all openings costs, where the cheapest plan gives some up."""
    planned = found.planned.choice.openings
    if cheapest is None or cheapest.choice.openings == planned:
        return ()
    missing = [name for name in planned if name not in cheapest.choice.openings]
    gives_up = f"It gives up {joined(missing)}, about which it then says nothing."
    other = found.cheapest_with_all
    if other is None:
        return (f"{gives_up} None that keeps all openings has that power.",)
    return (f"{gives_up} The cheapest that keeps all openings: {_described(found, other)}.",)


def _described(found: Budget, option: Option) -> str:
    choice, block = option.choice, block_word(found.plan.settings.compare)
    each = f" on each of {choice.sites} farms" if choice.sites > 1 else ""
    parts = [
        f"{count(choice.pairs, block)}{each}",
        f"opened at {joined(choice.openings)}",
        f"{count(choice.samples, 'sample')} of each bale",
        f"{count(choice.analyses, 'analysis')} of each sample",
    ]
    return (
        f"{', '.join(parts)}; {money(option.cost, found.currency)}, power {_percent(option.power)}"
    )


def _percent(power: float) -> str:
    """Never 100 %: no trial is certain."""
    return "over 99 %" if power > 0.995 else f"{100 * power:.0f} %"


def worth_of(value: TrialValue, currency: str) -> str:
    """Say what the answer is worth for the decision, and whether that pays for the trial."""
    bales = money(value.bales, "").strip()
    gain = f"{value.mean:+.2f}".replace("-", "\N{MINUS SIGN}")
    net = money(abs(value.net), currency)
    pays = (
        f"that is {net} more than it costs" if value.net >= 0 else f"it costs {net} more than that"
    )
    return (
        f"For a decision about {bales} bales, with what is believed now ({gain} {currency} a bale "
        f"for the new binding, give or take {value.sd:.2f}), knowing the difference exactly would "
        f"be worth {money(value.perfect, currency)}. What this trial would tell is worth "
        f"{money(value.sample, currency)}: {pays}."
    )


def unanswered(why: NoAnswer) -> str:
    """Say what has no answer, and what would give one."""
    return f"{why.found[0].upper()}{why.found[1:]}. What to do: {why.remedy}."
