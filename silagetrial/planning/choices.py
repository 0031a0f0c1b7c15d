"""The plans among which a budget chooses: pairs, openings, samples, analyses and farms."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from silagetrial.errors import NoAnswer
from silagetrial.planning.plan import Assumption, Plan, SitePlan
from silagetrial.planning.plan_checks import room_in_batch

__all__ = ["Choice", "all_choices", "choice_of", "opening_sets", "plan_with"]


@dataclass(frozen=True, order=True)
class Choice:
    """What a budget may change in a plan.

    Parameters
    ----------
    sites : int
    pairs : int
        Of each site.
    openings : tuple of str
        Names, in the order of days.
    samples : int
        Of each bale at each opening.
    analyses : int
        Of each sample.
    """

    sites: int
    pairs: int
    openings: tuple[str, ...]
    samples: int
    analyses: int


def choice_of(plan: Plan) -> Choice:
    """Return the plan itself as a choice; pairs are those of its smallest site."""
    laboratory = plan.laboratory
    return Choice(
        sites=len(plan.sites),
        pairs=min(site.pairs for site in plan.sites),
        openings=tuple(opening.name for opening in plan.settings.openings),
        samples=laboratory.samples,
        analyses=laboratory.analyses,
    )


def plan_with(plan: Plan, choice: Choice) -> Plan:
    """Return the plan changed as chosen.

    Parameters
    ----------
    plan : Plan
    choice : Choice
        Sites beyond those of the plan are like its last one.
    """
    settings = plan.settings
    openings = tuple(o for o in settings.openings if o.name in choice.openings)
    kept = [k for k, o in enumerate(settings.openings) if o.name in choice.openings]
    return replace(
        plan,
        settings=replace(settings, openings=openings),
        sites=tuple(_sites(plan.sites, choice)),
        laboratory=replace(plan.laboratory, samples=choice.samples, analyses=choice.analyses),
        assumptions={
            name: _kept(assumed, kept, of=len(settings.openings))
            for name, assumed in plan.assumptions.items()
        },
    )


def _sites(sites: Sequence[SitePlan], choice: Choice) -> Iterator[SitePlan]:
    for number in range(choice.sites):
        site = sites[min(number, len(sites) - 1)]
        name = site.name if number < len(sites) else f"further farm {number + 1 - len(sites)}"
        yield replace(site, name=name, pairs=choice.pairs)


def _kept(assumed: Assumption, kept: Sequence[int], *, of: int) -> Assumption:
    """Keep the effects of the openings that stay."""
    if len(assumed.effect) != of or of == 1:
        return assumed
    return replace(assumed, effect=tuple(assumed.effect[k] for k in kept))


def opening_sets(plan: Plan) -> tuple[tuple[str, ...], ...]:
    """Return the openings a plan could do with and still answer its question.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of tuple of str
        For one opening: that one with none, one, ... all of the others, the last ones first; which
        of them makes no difference to its comparison. For growth with storage: the first and the
        last with every set of those between. For the average over openings: all, because the
        average of fewer is another question.

    Raises
    ------
    NoAnswer
        The plan has no opening.
    """
    names = [opening.name for opening in plan.settings.openings]
    if not names:
        raise NoAnswer(
            found="no openings in the plan",
            expected="one or more storage times at which pairs are opened",
            remedy="add [[openings]] to plan.toml",
        )
    fixed = {
        "opening": {plan.settings.analysis.opening or names[-1]},
        "growth": {names[0], names[-1]},
        "average": set(names),
    }[plan.aim]
    free = [name for name in names if name not in fixed]
    counts = range(len(free) + 1)
    if plan.aim == "opening":
        chosen = [fixed.union(free[len(free) - count :]) for count in counts]
    else:
        chosen = [fixed.union(s) for count in counts for s in itertools.combinations(free, count)]
    return tuple(tuple(name for name in names if name in one) for one in chosen)


def all_choices(
    plan: Plan,
    *,
    most_pairs: int,
    samples: Sequence[int],
    analyses: Sequence[int],
    sites: Sequence[int],
) -> tuple[Choice, ...]:
    """Return every choice whose layout can be made.

    Parameters
    ----------
    plan : Plan
    most_pairs : int
        Largest number of pairs on each site.
    samples, analyses, sites : sequence of int
        What is tried of each.

    Returns
    -------
    tuple of Choice
        Where each opening takes bales of its own, pairs come in whole rounds of openings: which
        opening got a rest would be drawn. Every pair's results fit into one laboratory batch.
    """
    room = room_in_batch(plan) // len(plan.settings.compare)
    fields = max(1, *(len(site.fields) for site in plan.sites))
    found = []
    for openings in opening_sets(plan):
        step = len(openings) if plan.settings.design == "separate" else 1
        least = max(2, step, fields)
        for pairs in range(-(-least // step) * step, most_pairs + 1, step):
            found += [
                Choice(farms, pairs, openings, cores, times)
                for farms, cores, times in itertools.product(sites, samples, analyses)
                if cores * times <= room
            ]
    return tuple(found)
