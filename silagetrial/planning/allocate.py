"""Which bale is made when, with which binding, for which opening, and where it is stored."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from silagetrial.planning.plan import Plan, SitePlan
from silagetrial.planning.randomise import deal, permuted

__all__ = ["PlannedBale", "PlannedPair", "allocate"]


@dataclass(frozen=True)
class PlannedBale:
    """One bale before it is made."""

    bale: str
    binding: str
    order: int
    run: str | None


@dataclass(frozen=True)
class PlannedPair:
    """One pair (set, with three bindings) before it is made.

    Attributes
    ----------
    pair, lot : str
        Names; a lot is the crop of one field (or site) and cut.
    site : SitePlan
    place : int
        Place among the pairs of the site in the order of baling, from 0.
    field : str or None
    spare : bool
        Made and stored alike, for a pair that is lost.
    opening : str or None
        Opening drawn; None for a spare pair, and where bales are cored again and again.
    levels : tuple of str
        Level of each further factor of the plan.
    store : str or None
    tier : int
    bales : tuple of PlannedBale
        In the order of baling.
    """

    pair: str
    lot: str
    site: SitePlan
    place: int
    field: str | None
    spare: bool
    opening: str | None
    levels: tuple[str, ...]
    store: str | None
    tier: int
    bales: tuple[PlannedBale, ...]


@dataclass(frozen=True)
class _Place:
    """Where in the day's work a pair stands, before anything is drawn."""

    site: SitePlan
    place: int
    field: str | None
    lot: str
    spare: bool
    chunk: int


def allocate(plan: Plan, rng: dict[str, np.random.Generator]) -> tuple[PlannedPair, ...]:
    """Draw openings, further factors, order and store of every pair.

    Parameters
    ----------
    plan : Plan
    rng : dict of str to numpy.random.Generator
        From `streams`.

    Returns
    -------
    tuple of PlannedPair
        In the order of baling, site by site.

    Notes
    -----
    Openings: within a site, as many consecutive pairs as there are openings form a block that
    holds each opening once, in random order; so the pairs made before rain are in balance.
    Further factors: their combinations in blocks among the pairs of a site and opening. Order
    within the pair: drawn for each pair by itself, all orders equally likely, which is what tests
    by permutation take for granted. Stores and tiers: in blocks among the pairs of a site and
    opening. Each draw is uniform for the single pair: every opening, order and place is as likely
    as any other.
    """
    places = _places(plan)
    openings = _openings(plan, places, rng["openings"])
    near = [(p.site.label, p.spare, opening) for p, opening in zip(places, openings, strict=True)]
    cells = list(itertools.product(*(factor.levels for factor in plan.factors)))
    levels = deal(permuted, rng["factors"], cells, strata=near)
    orders = _orders(plan, places, rng["order"])
    stores = _stores(places, near, rng["stores"])
    bales = _bales(plan, places, orders)
    return tuple(
        PlannedPair(
            pair=_numbered("P", n + 1, len(places)), lot=place.lot, site=place.site,
            place=place.place, field=place.field, spare=place.spare, opening=opening,
            levels=level, store=store, tier=tier, bales=made,
        )
        for n, (place, opening, level, (store, tier), made) in enumerate(
            zip(places, openings, levels, stores, bales, strict=True)
        )
    )  # fmt: skip


def _numbered(letter: str, number: int, largest: int) -> str:
    return f"{letter}{number:0{max(2, len(str(largest)))}d}"


def _places(plan: Plan) -> list[_Place]:
    """Set the pairs of each site in their order: fields one after another, spare pairs last.

    A chunk is what is made between two changes back to the first binding: one pair, or, where the
    binding is switched every few bales, the pairs of one run of each binding.
    """
    found: list[_Place] = []
    lots = chunk = 0
    for site in plan.sites:
        fields: Sequence[str | None] = site.fields or (None,)
        shares = [len(part) for part in np.array_split(np.arange(site.pairs), len(fields))]
        groups = [*zip(fields, shares, [False] * len(fields), strict=True)]
        place = 0
        for number, (field, count, spare) in enumerate(
            [*groups, (fields[-1], site.spare_pairs, True)]
        ):
            lots += number < len(fields)
            for k in range(count):
                chunk += k % plan.switch_every == 0
                found.append(_Place(site, place, field, f"L{lots}", spare, chunk))
                place += 1
    return found


def _openings(plan: Plan, places: Sequence[_Place], rng: np.random.Generator) -> list[str | None]:
    if plan.settings.design == "recored":
        return [None] * len(places)
    names = [opening.name for opening in plan.settings.openings]
    opened = [place for place in places if not place.spare]
    dealt = iter(deal(permuted, rng, names, strata=[p.site.label for p in opened]))
    return [None if place.spare else next(dealt) for place in places]


def _orders(
    plan: Plan, places: Sequence[_Place], rng: np.random.Generator
) -> list[tuple[str, ...]]:
    """Order of the bindings in every pair: drawn once a chunk, all orders equally likely.

    Every chunk is drawn for itself, so that tests by permutation, which flip each pair for itself,
    rest on the draw.
    """
    chunks = dict.fromkeys(place.chunk for place in places)
    order = {chunk: tuple(permuted(rng, plan.settings.compare)) for chunk in chunks}
    return [order[place.chunk] for place in places]


def _stores(
    places: Sequence[_Place],
    near: Sequence[tuple[str, bool, str | None]],
    rng: np.random.Generator,
) -> list[tuple[str | None, int]]:
    drawn: dict[int, tuple[str | None, int]] = {}
    for label in dict.fromkeys(place.site.label for place in places):
        mine = [n for n, place in enumerate(places) if place.site.label == label]
        site = places[mine[0]].site
        spots = list(itertools.product(site.stores or (None,), range(1, site.tiers + 1)))
        dealt = deal(permuted, rng, spots, strata=[near[n] for n in mine])
        drawn.update(zip(mine, dealt, strict=True))
    return [drawn[n] for n in range(len(places))]


def _bales(
    plan: Plan, places: Sequence[_Place], orders: Sequence[tuple[str, ...]]
) -> list[tuple[PlannedBale, ...]]:
    """Number the bales as they leave the chamber; the number tells the order, not the binding."""
    total = len(places) * len(plan.settings.compare)
    made: dict[int, list[PlannedBale]] = {n: [] for n in range(len(places))}
    number = 0
    first_of_site = 0
    runs = 0
    site = None
    for _, grouped in itertools.groupby(range(len(places)), key=lambda n: places[n].chunk):
        chunk = list(grouped)
        if places[chunk[0]].site is not site:
            site, first_of_site = places[chunk[0]].site, number
        for binding in orders[chunk[0]]:
            runs += 1
            run = f"R{runs}" if plan.switch_every > 1 else None
            for n in chunk:
                number += 1
                name = _numbered("N", number, total)
                made[n].append(PlannedBale(name, binding, number - first_of_site, run))
    return [tuple(made[n]) for n in range(len(places))]
