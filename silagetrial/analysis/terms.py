"""The fixed part of the model that a design supports, term by term."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from silagetrial.analysis.strata import holds_several, splits_blocks, unpaired
from silagetrial.analysis.units import kind_of
from silagetrial.data.settings import Settings
from silagetrial.display.language import noun, say
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.frame import model_frame

__all__ = [
    "FEWEST_RANDOM_SITES",
    "SPLITTING",
    "Term",
    "fixed_terms",
    "formula_of",
    "levels_of",
    "lots_are_fixed",
    "without_binding",
]

FEWEST_RANDOM_SITES = 5
"""Below this number of sites a trial speaks of these sites, not of sites at large."""

SPLITTING = ("field", "year", "cut", "crop", "additive", "baler", "laboratory", "batch")
"""Circumstances that get a fixed term where they differ between bales that are compared."""


@dataclass(frozen=True)
class Term:
    """A term considered: fixed or random, kept or left out, and why."""

    term: str
    part: Literal["fixed", "random"]
    kept: bool
    reason: str


def levels_of(rows: pd.DataFrame, settings: Settings) -> dict[str, tuple[str, ...]]:
    """Order bindings with the reference first, openings by days; other factors as they sort.

    A further factor such as the number of film layers is a factor, not a straight line.
    """
    present = set(rows["binding"])
    order = [settings.reference, *(b for b in settings.compare if b != settings.reference)]
    openings = sorted(settings.openings, key=lambda opening: opening.days)
    seen = set(rows["opening"])
    further = {
        name: tuple(str(level) for level in sorted(rows[name].dropna().unique()))
        for name in settings.analysis.factors
    }
    return {
        **further,
        "binding": tuple(b for b in order if b in present),
        "opening": tuple(o.name for o in openings if o.name in seen),
    }


def fixed_terms(
    rows: pd.DataFrame, settings: Settings, levels: dict[str, tuple[str, ...]]
) -> list[Term]:
    """Consider every term of the fixed part.

    Parameters
    ----------
    rows : pandas.DataFrame
        From `completed`.
    settings : Settings
    levels : dict
        From `levels_of`.
    """
    several = len(levels["opening"]) > 1
    compares = len(levels["binding"]) > 1
    terms = [
        Term("binding", "fixed", compares,
              say("terms.question" if compares else "terms.one_binding")),
        Term("opening", "fixed", several,
              say("terms.openings", number=len(levels["opening"])) if several
              else say("terms.one_opening")),
    ]  # fmt: skip
    if several and compares:
        terms.append(Term("binding:opening", "fixed", True, say("terms.interaction")))
    terms += _place_terms(rows, compares=compares)
    for name in settings.analysis.factors:
        terms += _factor_terms(rows, name, compares=compares, why=say("terms.factor"))
    terms += _splitting_terms(rows, terms, levels)
    for name in settings.analysis.covariates:
        terms += _covariate_terms(rows, name, terms, levels, compares=compares)
    return terms


def _place_terms(rows: pd.DataFrame, *, compares: bool) -> list[Term]:
    """Sites, or lots of unpaired bales, of which there are too few to stand for others."""
    few_sites = 1 < rows["site"].nunique() < FEWEST_RANDOM_SITES
    if lots_are_fixed(rows):
        few = say("terms.few_lots", number=rows["lot"].nunique(), fewest=FEWEST_RANDOM_SITES)
        why = say("terms.lots_within", few=few)
        terms = [Term("site", "fixed", False, say("terms.lots_for_site"))] if few_sites else []
        return [*terms, *_factor_terms(rows, "lot", compares=compares, why=why)]
    if not few_sites:
        return []
    why = say("terms.few_sites", number=rows["site"].nunique(), fewest=FEWEST_RANDOM_SITES)
    return _factor_terms(rows, "site", compares=compares, why=why)


def lots_are_fixed(rows: pd.DataFrame) -> bool:
    """Whether unpaired bales of both bindings lie in a few lots.

    A random lot would bring in the difference between lots where the bindings are unevenly
    spread over them, and with few lots its variance says too little to weigh that.
    """
    if rows["lot"].isna().any() or not 1 < rows["lot"].nunique() < FEWEST_RANDOM_SITES:
        return False
    finer = len(rows[["site", "lot"]].drop_duplicates()) > rows["site"].nunique()
    return finer and holds_several(rows, "lot") and bool(unpaired(rows).any())


def _splitting_terms(
    rows: pd.DataFrame, terms: Sequence[Term], levels: dict[str, tuple[str, ...]]
) -> list[Term]:
    """Circumstances that differ between bales set side by side, and so enter the difference."""
    found: list[Term] = []
    taken = {t.term for t in terms}
    for name in SPLITTING:
        if name in taken or name not in rows or rows[name].nunique() < 2:
            continue
        if rows[name].isna().any():
            found.append(Term(name, "fixed", False, say("terms.not_recorded")))
            continue
        if name == "batch" and not _few_mixed_batches(rows):
            continue
        x = without_binding(rows, [*terms, *found], levels)
        if splits_blocks(rows, x, name):
            units = noun(kind_of(rows).word, 2)
            why = say("terms.splitting", units=units, column=name)
            found.append(Term(name, "fixed", True, why))
    return found


def _few_mixed_batches(rows: pd.DataFrame) -> bool:
    """Whether batches are too few to be a random sample, and hold several bindings."""
    return rows["batch"].nunique() < FEWEST_RANDOM_SITES and holds_several(rows, "batch")


def without_binding(
    rows: pd.DataFrame, terms: Sequence[Term], levels: dict[str, tuple[str, ...]]
) -> Floats:
    """Return the fixed part's matrix without the binding and its interactions."""
    kept = [t.term for t in terms if t.kept and "binding" not in t.term.split(":")]
    return model_frame(rows, formula_of(kept), levels=levels).x


def formula_of(terms: Sequence[str]) -> str:
    """Write the fixed part as a formula for the response ``y``."""
    return "y ~ " + " + ".join(terms or ["1"])


def _factor_terms(rows: pd.DataFrame, name: str, *, compares: bool, why: str) -> list[Term]:
    """A factor beside the binding, and its interaction with the binding."""
    if not name.isidentifier():
        reason = say("terms.no_name", column=repr(name))
        return [Term(name, "fixed", False, reason)]
    if rows[name].isna().any():
        return [Term(name, "fixed", False, say("terms.not_recorded"))]
    if rows[name].nunique() < 2:
        return [Term(name, "fixed", False, say("terms.one_level", column=name))]
    terms = [Term(name, "fixed", True, why)]
    cells = rows.groupby([name, "binding"])["bale"].nunique().unstack(fill_value=0)
    if not compares:
        return terms
    if (cells.to_numpy() == 0).any():
        reason = say("terms.empty_cell", column=name)
    elif (cells.to_numpy() < 2).any():
        reason = say("terms.one_unit", unit=noun(kind_of(rows).word, 1), column=name)
    else:
        reason = say("terms.by_factor", column=name)
        return [*terms, Term(f"binding:{name}", "fixed", True, reason)]
    return [*terms, Term(f"binding:{name}", "fixed", False, reason)]


def _covariate_terms(
    rows: pd.DataFrame,
    name: str,
    terms: Sequence[Term],
    levels: dict[str, tuple[str, ...]],
    *,
    compares: bool,
) -> list[Term]:
    """A value of the crop before the binding acted, centred, and its interaction."""
    if name not in rows or rows[name].isna().any():
        return [Term(name, "fixed", False, say("terms.not_at_day0"))]
    kept = [t.term for t in terms if t.kept]
    with_it = model_frame(rows, formula_of([*kept, name]), levels=levels)
    if with_it.x.shape[1] == model_frame(rows, formula_of(kept), levels=levels).x.shape[1]:
        return [Term(name, "fixed", False, say("terms.told_already"))]
    found = [Term(name, "fixed", True, say("terms.covariate"))]
    if compares:
        found.append(Term(f"binding:{name}", "fixed", True, say("terms.by_covariate")))
    return found
