"""Spoilers that set unlike bales side by side: what differs between bindings beside them."""

from __future__ import annotations

import re
from collections.abc import Iterator

from silagetrial.display.phrases import block_word, count
from silagetrial.errors import Problem
from silagetrial.planning.spoiler_case import Case, spoiler

__all__ = [
    "baler",
    "confounded",
    "controls",
    "film_layers",
    "order",
    "recored",
    "refused",
    "runs",
    "unlike_pairs",
]

_ALIKE = (
    "site", "field", "cut", "crop", "additive", "baler", "film_layers", "store", "tier",
    "laboratory", "batch",
)  # fmt: skip
"""Circumstances that must be the same for all bales of a pair."""


def _told_by(case: Case) -> tuple[str, ...]:
    """Columns each level of which has one binding only."""
    rows = case.rows
    names = dict.fromkeys([*_ALIKE, "opening", *(f.column for f in case.plan.factors)])
    return tuple(
        name
        for name in names
        if name in rows
        and rows[name].nunique() > 1
        and rows.groupby(name)["binding"].nunique().max() == 1
    )


def confounded(case: Case) -> Iterator[Problem]:
    """A circumstance that tells the binding."""
    block = block_word(case.plan.settings.compare)
    for name in _told_by(case):
        yield spoiler(
            "layout", f"each {name} has bales of one binding only: binding and {name} are "
            "confounded", f"every binding in each {name}",
            f"give each {name} whole {block}s; no statistics can part the two afterwards",
            severity="error",
        )  # fmt: skip


def refused(case: Case) -> Iterator[Problem]:
    """No test of the binding at all."""
    refusal = case.model.refusal
    if refusal is not None and not _told_by(case):
        said = (refusal.found, refusal.expected, refusal.remedy)
        block = block_word(case.plan.settings.compare)
        found, wanted, remedy = (re.sub(r"\bpair(?=s?\b)", block, text) for text in said)
        yield spoiler("layout.pairs", found, wanted, remedy, severity="error")


NEVER_BY_CHANCE = 8
"""Pairs in all of which one of two bindings is drawn first less than once in a hundred times."""


def order(case: Case) -> Iterator[Problem]:
    """One binding first in every pair: what changes along the swath enters the difference.

    In runs the order is drawn once for all pairs of a set of runs: chance often puts one binding
    first in all of a few sets, and `runs` says what that does.
    """
    in_runs = case.plan.switch_every > 1
    made = case.rows.drop_duplicates("bale").sort_values(["site", "order"])
    first_bales = made.drop_duplicates("pair")
    first = (first_bales.drop_duplicates("run") if in_runs else first_bales)["binding"]
    block = "set of runs" if in_runs else block_word(case.plan.settings.compare)
    blocks = "sets of runs" if in_runs else f"{block}s"
    if first.nunique() == 1 and len(first) >= (NEVER_BY_CHANCE if in_runs else 2):
        yield spoiler(
            "layout", f"{first.iloc[0]} is made first in each of {len(first)} {blocks}: binding "
            "and order are confounded", "each binding first equally often",
            f"where that came by chance, draw with another seed before the first bale is made, and "
            f"say so; else draw the order within each {block}",
            severity="error" if len(first) >= NEVER_BY_CHANCE else "warning",
        )  # fmt: skip


def unlike_pairs(case: Case) -> Iterator[Problem]:
    """Bales of one pair under unlike conditions."""
    block = block_word(case.plan.settings.compare)
    for name in (name for name in _ALIKE if name in case.rows and name not in _told_by(case)):
        levels = case.rows.groupby(["pair", "opening"])[name].nunique().reset_index()
        unlike = levels.loc[levels[name] > 1, "pair"].unique()
        if len(unlike):
            more = f" and {len(unlike) - 1} more" if len(unlike) > 1 else ""
            yield spoiler(
                "layout", f"{name} differs between the bales of {block} {unlike[0]}{more}",
                f"the same for all bales of a {block}",
                f"give all bales of a {block} the same {name}",
            )  # fmt: skip


def runs(case: Case) -> Iterator[Problem]:
    """Bindings made in runs."""
    every = case.plan.switch_every
    if every > 1:
        runs, df = count(case.rows["run"].nunique(), "run"), case.model.error_df
        left = ""
        if case.model.refusal is None and case.model.unit == "run":
            left = f", which leave {count(df, 'degree of freedom')} for the error of the binding"
        yield spoiler(
            "layout.switch_every", f"the binding is switched every {every} bales: {runs} of "
            f"one binding{left}, and all that changes between runs looks like the binding",
            "the binding switched at every bale",
            "the run, not the bale, is what counts as one replicate: plan more runs, or switch at "
            "every bale",
        )  # fmt: skip


def film_layers(case: Case) -> Iterator[Problem]:
    """Layers of stretch film not declared."""
    declared = {*case.plan.settings.held_equal, *(f.column for f in case.plan.factors)}
    if "film_layers" not in declared:
        yield spoiler(
            "held_equal.film_layers", "no film_layers: nothing says that all bindings get the "
            "same number of layers of stretch film", "film_layers under [held_equal], or as a "
            "factor under [[factors]]", "add film_layers = 6 (or what is used) under [held_equal]",
            severity="error",
        )  # fmt: skip


def baler(case: Case) -> Iterator[Problem]:
    """The machine not declared."""
    declared = {*case.plan.settings.held_equal, *(f.column for f in case.plan.factors)}
    if "baler" not in declared:
        yield spoiler(
            "held_equal.baler", "no baler: nothing says that one machine, set alike, makes all "
            f"bales of a {block_word(case.plan.settings.compare)}", "baler under [held_equal]",
            'add baler = "..." under [held_equal]; a second machine for the second binding '
            "cannot be told from the binding",
        )  # fmt: skip


def recored(case: Case) -> Iterator[Problem]:
    """Bales cored again and again."""
    if case.plan.settings.design == "recored" and len(case.plan.settings.openings) > 1:
        yield spoiler(
            "design.bales", "bales that are cored again and again: each core is an air leak, so "
            "an effect of coring cannot be told from storage time",
            "separate bales for each opening",
            'set bales = "separate", or seal each hole at once and speak of cored bales only',
        )  # fmt: skip


def controls(case: Case) -> Iterator[Problem]:
    """Batches of the laboratory without controls."""
    laboratory, openings = case.plan.laboratory, case.plan.settings.openings
    if not laboratory.reference and len(openings) > 1:
        yield spoiler(
            "laboratory.reference", "each opening in batches of its own and no reference sample: "
            "a drift of the laboratory cannot be told from storage time",
            "the same frozen reference sample in each batch",
            "set reference = true; the difference between bindings at one opening is safe, its "
            "change with storage is not",
        )  # fmt: skip
    if laboratory.duplicates < 1:
        yield spoiler(
            "laboratory.duplicates", "no blind duplicates: the spread of the laboratory will not "
            "be known", "one or more in each batch", "set duplicates = 1",
        )  # fmt: skip
