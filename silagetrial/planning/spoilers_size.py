"""Spoilers of size: too few pairs, openings or farms, and what else narrows the answer."""

from __future__ import annotations

import math
from collections.abc import Iterator

from silagetrial.analysis.terms import FEWEST_RANDOM_SITES
from silagetrial.display.phrases import block_word, count, joined
from silagetrial.errors import Problem
from silagetrial.planning.spoiler_case import Case, spoiler

__all__ = [
    "attainable",
    "contrast",
    "dates",
    "factors",
    "few_df",
    "few_sites",
    "losses",
    "stacks",
    "thin_openings",
]

_ENOUGH_DF = 6
"""Below this, power by formula is too low to trust and the exact interval is refused."""

_HIGHEST_STACK = 3
"""Layers of bales at most: extension service of Penn State University."""


def few_df(case: Case) -> Iterator[Problem]:
    """Few degrees of freedom for error."""
    df, unit = case.model.error_df, case.model.unit
    block = block_word(case.plan.settings.compare)
    more = (
        block if unit in ("bale", "pair") else unit if unit == "site" else f"{unit} of each binding"
    )
    if case.model.refusal is None and df < _ENOUGH_DF:
        yield spoiler(
            "layout.pairs", f"{df} degree{'' if df == 1 else 's'} of freedom for the error of the "
            "binding", f"{_ENOUGH_DF} or more (common practice)",
            f"one more {more} gives one more; so few make limits wide, and power by formula is "
            "approximate: confirm it by simulation",
        )  # fmt: skip


def attainable(case: Case) -> Iterator[Problem]:
    """The smallest p of the exact test: 2/2^n with n pairs, all differences of one sign."""
    settings, rows = case.plan.settings, case.rows
    if case.model.refusal is not None or len(settings.compare) < 2 or case.plan.switch_every > 1:
        return
    where = ""
    if settings.design == "separate" and case.plan.aim == "opening":
        name = settings.analysis.opening or settings.openings[-1].name
        rows, where = rows[rows["opening"] == name], f" at {name}"
    pairs = rows["pair"].nunique()
    least, block = min(1.0, 2.0 / 2.0**pairs), block_word(settings.compare)
    if least > settings.analysis.alpha:
        yield spoiler(
            "layout.pairs", f"{pairs} {block}{'' if pairs == 1 else 's'}{where}: the exact test by "
            f"randomisation cannot give a p below {least:.2g}",
            f"{block}s enough for p below alpha, {settings.analysis.alpha:g}",
            f"plan more {block}s or fewer openings; the model's own test rests on its assumptions "
            "alone here",
        )  # fmt: skip


def thin_openings(case: Case) -> Iterator[Problem]:
    """Openings with too few pairs, on some site or at all."""
    settings, rows = case.plan.settings, case.rows
    block = block_word(settings.compare)
    for opening in settings.openings:
        pairs = rows.loc[rows["opening"] == opening.name, "pair"].nunique()
        if pairs < 2:
            yield spoiler(
                "layout.pairs", f"{pairs or 'no'} {block}{'' if pairs == 1 else 's'} at the "
                f"opening {opening.name!r}", "at least 2, better 4 or more",
                f"plan more {block}s, or leave this opening out: nothing there shows how {block}s "
                "vary",
            )  # fmt: skip
    if settings.design == "separate":
        counts = rows.groupby("site")["opening"].nunique()
        short = [str(site) for site in counts[counts < len(settings.openings)].index]
        if short:
            yield spoiler(
                "sites.pairs", f"no {block} of {joined(short)} at some opening: site and opening "
                "are partly confounded", f"at least {len(settings.openings)} {block}s on each site",
                f"plan one {block} for each opening there, or leave the site out",
            )  # fmt: skip


def few_sites(case: Case) -> Iterator[Problem]:
    """Too few farms to speak of farms at large."""
    sites = case.rows["site"].nunique()
    if sites < FEWEST_RANDOM_SITES:
        yield spoiler(
            "sites", f"{sites} farm{'' if sites == 1 else 's'}",
            f"{FEWEST_RANDOM_SITES} or more for an answer about farms like these",
            f"the answer will be about {case.model.scope} only; say so, or add farms",
        )  # fmt: skip


def factors(case: Case) -> Iterator[Problem]:
    """Further factors that the pairs cannot carry."""
    terms, block = case.model.terms.frame, block_word(case.plan.settings.compare)
    for factor in case.plan.factors:
        mine = terms[terms["term"].isin([factor.column, f"binding:{factor.column}"])]
        for _, term in mine[~mine["kept"].astype(bool)].iterrows():
            yield spoiler(
                "factors", f"{term['term']} cannot be estimated: {term['reason']}",
                f"{block}s of every {factor.column} at each site and opening",
                f"plan more {block}s or fewer levels",
            )  # fmt: skip


def dates(case: Case) -> Iterator[Problem]:
    """Openings without dates."""
    without = [site.label for site in case.plan.sites if site.baling is None]
    if without:
        yield spoiler(
            "sites.baling", f"no day of baling for {', '.join(without)}: its openings have no "
            "dates", "a planned day of baling, from which the dates of openings are counted",
            "add baling = 2027-05-20 (the day planned) and draw again with the same seed once the "
            "day is known",
        )  # fmt: skip


def losses(case: Case) -> Iterator[Problem]:
    """Fewer spare pairs than losses expected: a loss of either bale takes the pair."""
    block = block_word(case.plan.settings.compare)
    whole = (1.0 - case.plan.lost) ** len(case.plan.settings.compare)
    alike: dict[tuple[int, int], list[str]] = {}
    for site in case.plan.sites:
        alike.setdefault((site.pairs, site.spare_pairs), []).append(site.label)
    for (pairs, spare), sites in alike.items():
        needed = math.ceil(pairs / whole - pairs)
        if needed > spare:
            kept = count(spare, "spare pair" if block == "pair" else "spare set")
            each = " on each of them" if len(sites) > 1 else ""
            yield spoiler(
                "layout.spare_pairs", f"{kept} on {joined(sites)}, where "
                f"{(pairs + spare) * (1 - whole):.1f} {block}s are expected to lose a bale",
                f"spare {block}s for the losses expected",
                f"plan spare_pairs = {needed}{each}, or count on fewer {block}s",
            )  # fmt: skip


def stacks(case: Case) -> Iterator[Problem]:
    """Bales stacked too high."""
    high: dict[int, list[str]] = {}
    for site in case.plan.sites:
        high.setdefault(site.tiers, []).append(site.label)
    for tiers, sites in high.items():
        if tiers > _HIGHEST_STACK:
            yield spoiler(
                "sites.tiers", f"bales stacked {tiers} high on {joined(sites)}",
                f"at most {_HIGHEST_STACK}, 2 when soft or below 350 g DM/kg, 1 below 250 g DM/kg",
                "use more places; heavy bales at the bottom are pressed as well, which changes "
                "their film",
            )  # fmt: skip


def contrast(case: Case) -> Iterator[Problem]:
    """Several bindings and no primary contrast."""
    settings = case.plan.settings
    if len(settings.compare) > 2 and not settings.analysis.contrast:
        yield spoiler(
            "analysis.contrast", f"{len(settings.compare)} bindings and no primary contrast",
            "the two bindings of the one primary comparison",
            'add contrast = ["...", "..."] under [analysis], the binding of interest first',
        )  # fmt: skip
