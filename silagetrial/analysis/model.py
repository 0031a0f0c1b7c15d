"""From a design to the model it supports, and why, term by term.

The structure comes from the design and the plan, never from the responses, so the same
function serves a trial's data and a layout's empty grid.  Every candidate is a row of a table:
kept or left out, with its reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from silagetrial.analysis.strata import (
    BindingUnit,
    binding_unit,
    completed,
    confounded_openings,
    confounded_with,
    counted,
    splits_blocks,
    stratum_df,
)
from silagetrial.analysis.terms import (
    FEWEST_RANDOM_SITES,
    SPLITTING,
    Term,
    fixed_terms,
    formula_of,
    levels_of,
    lots_are_fixed,
    without_binding,
)
from silagetrial.analysis.units import kind_of
from silagetrial.data.settings import Settings
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import block_word, joined
from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed.checks import inseparable
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import make_design
from silagetrial.mixed.frame import model_frame
from silagetrial.mixed.grouping import random_intercept

__all__ = ["ModelChoice", "choose_model"]


@dataclass(frozen=True, repr=False)
class ModelChoice(ShownInParts):
    """The model a design supports.

    Attributes
    ----------
    terms : Table
        ``term part kept reason``: every term considered.
    formula : str
        Fixed part, response ``y``.
    random : tuple of str
        Groupings with a random intercept.
    levels : dict of str to tuple of str
        Order of the levels of factors.
    scope : str
        What the answer is about: these sites, or sites like these.
    unit : str
        What counts as one replicate of the comparison: ``bale`` (within pairs, where there are
        pairs), ``run``, ``lot`` or a block of one binding, ``site`` for an answer about sites
        like these.
    error_df : int
        Degrees of freedom among these units.
    confounded : dict of str to str
        Openings whose difference is refused, and the column that tells the binding there.
    refusal : NoAnswer or None
        Why there is no test of the binding.
    """

    terms: Table
    formula: str
    random: tuple[str, ...]
    levels: dict[str, tuple[str, ...]]
    scope: str
    unit: str
    error_df: int
    confounded: dict[str, str]
    refusal: NoAnswer | None

    def _parts(self) -> tuple[Table]:
        return (self.terms,)


def choose_model(rows: pd.DataFrame, settings: Settings) -> ModelChoice:
    """Choose the terms of the model from the design.

    Parameters
    ----------
    rows : pandas.DataFrame
        One row an observation: ``bale pair lot site run binding opening laboratory batch`` and
        the further factors and blocks of the plan; missing where not recorded.
    settings : Settings
        Bindings and their reference, openings, further factors and blocks.

    Returns
    -------
    ModelChoice
    """
    recored = settings.design == "recored"
    levels = levels_of(rows, settings)
    rows = completed(rows).assign(y=0.0)
    fixed = fixed_terms(rows, settings, levels)
    formula = formula_of([t.term for t in fixed if t.kept])
    x = without_binding(rows, fixed, levels)
    candidates = _candidates(rows, settings, x, recored=recored)
    full = model_frame(rows, formula, levels=levels).x
    random = _random_terms(rows, full, candidates, recored=recored)
    kept = tuple(t.term for t in random if t.kept)
    terms = (*fixed, *random)
    frame = pd.DataFrame([vars(t) for t in terms])
    inside = {t.term for t in terms if t.kept}
    outside = [c for c in (*SPLITTING, *settings.analysis.blocks) if c not in inside]
    refusal, error_df = _binding_refusal(rows, settings, full, levels)
    return ModelChoice(
        Table(frame, title=say("terms.title")),
        formula,
        kept,
        levels,
        _scope(rows),
        _unit(rows, settings),
        error_df,
        confounded_openings(rows, outside),
        refusal,
    )


def _random_terms(
    rows: pd.DataFrame, x: Floats, candidates: Sequence[tuple[str, str]], *, recored: bool
) -> list[Term]:
    """Try every grouping of the design in turn; keep what the design can tell apart."""
    terms: list[Term] = []
    for grouping, why in candidates:
        columns = grouping.split(":")
        kept = [t.term for t in terms if t.kept]
        if any(rows[c].isna().all() for c in columns):
            continue
        if any(rows[c].isna().any() for c in columns):
            reason = say("terms.not_every_row", grouping=grouping)
            terms.append(Term(grouping, "random", False, reason))
            continue
        refused = _refused(rows, x, kept, grouping)
        terms.append(Term(grouping, "random", refused is None, refused or why))
    if not recored:
        several = rows.duplicated("bale").any()
        why = "terms.own_results" if several else "terms.own_residual"
        terms.append(Term("bale", "random", False, say(why, unit=kind_of(rows).each)))
    return terms


def _candidates(
    rows: pd.DataFrame, settings: Settings, x: Floats, *, recored: bool
) -> list[tuple[str, str]]:
    """Groupings that could carry variation, from the largest to the smallest, with why."""
    count = {c: rows[c].nunique() for c in ("site", "lot", "run", "pair", "bale", "batch")}
    found: list[tuple[str, str]] = []
    kind = kind_of(rows)
    if count["site"] >= FEWEST_RANDOM_SITES:
        found += [
            ("site", say("terms.sites", number=count["site"])),
            ("site:binding", say("terms.site_binding")),
        ]
        if rows["opening"].nunique() > 1:
            found.append(("site:binding:opening", say("terms.site_change")))
    found += [(name, say("terms.block")) for name in settings.analysis.blocks]
    if count["lot"] > 1 and not lots_are_fixed(rows):
        found.append(("lot", say("terms.lots", number=count["lot"])))
    if count["run"] > 1:
        found.append(("run", say("terms.runs", runs=counted(rows, "run", partial(noun, "run")))))
    if count["pair"]:
        word = block_word(sorted(set(rows["binding"])))
        share = "terms.pair_swath" if kind.size == 1 else "terms.pair_swaths"
        blocks, block = counted(rows, "pair", partial(noun, word)), noun(word, 1)
        found.append(("pair", say(share, blocks=blocks, units=kind.several, block=block)))
    if recored:
        found.append(("bale", say("terms.cored", unit=kind.each)))
    if rows.duplicated(["bale", "opening"]).any():
        found.append(("bale:opening", say("terms.several_results", unit=noun(kind.word, 1))))
    if count["batch"] > 1 and splits_blocks(rows, x, "batch"):
        why = say("terms.batches", number=count["batch"], units=noun(kind.word, 2))
        found.append(("batch", why))
    return list({grouping: (grouping, why) for grouping, why in found}.values())


def _refused(rows: pd.DataFrame, x: Floats, kept: Sequence[str], grouping: str) -> str | None:
    """Why a grouping cannot join the terms kept so far; None when it can."""
    if len(x) <= x.shape[1]:
        return say("terms.no_df")
    terms = [random_intercept(rows, name) for name in (*kept, grouping)]
    mixed_up = inseparable(make_design(x, terms))
    if mixed_up is None:
        return None
    others = [name for name in mixed_up.names if name != grouping]
    if grouping not in mixed_up.names:
        return say("terms.mixes_up", names=joined(mixed_up.names))
    if not others:
        return say("terms.inseparable", why=mixed_up.why)
    return say("terms.inseparable_from", names=joined(others), why=mixed_up.why)


def _scope(rows: pd.DataFrame) -> str:
    sites = rows["site"].nunique()
    if sites >= FEWEST_RANDOM_SITES:
        return f"farms like these {sites}"
    return "this farm" if sites == 1 else f"these {sites} farms"


def _unit(rows: pd.DataFrame, settings: Settings) -> str:
    if rows["site"].nunique() >= FEWEST_RANDOM_SITES:
        return "site"
    return binding_unit(rows, also=settings.analysis.blocks).column


def _binding_refusal(
    rows: pd.DataFrame, settings: Settings, x: Floats, levels: dict[str, tuple[str, ...]]
) -> tuple[NoAnswer | None, int]:
    """Refuse the test of the binding when nothing in the design can carry its error."""
    if len(levels["binding"]) < 2:
        return _one_binding(levels["binding"]), 0
    plan = settings.analysis
    confounded = confounded_with(rows, x, factors=plan.factors, blocks=plan.blocks)
    if confounded is not None:
        return confounded, 0
    unit = binding_unit(rows, also=plan.blocks)
    df = stratum_df(x, rows, unit)
    if df == 0:
        return _no_error(rows, unit), 0
    if rows["site"].nunique() >= FEWEST_RANDOM_SITES:
        df = min(df, _site_df(rows))
    return (_one_full_site(rows) if df == 0 else None), df


def _no_error(rows: pd.DataFrame, unit: BindingUnit) -> NoAnswer:
    one_of = unit.replicate
    there, word = counted(rows, one_of.column, one_of.named), one_of.named(1)
    alone, paired = rows[one_of.column].nunique() == 1, one_of.word == "pair"
    found = "refused.no_error_one" if alone else "refused.no_error"
    expected = "refused.no_error_expected_pair" if paired else "refused.no_error_expected"
    return NoAnswer(
        found=say(found, replicates=there, units=unit.named(2)),
        expected=say(expected, unit=word),
        remedy=say("refused.no_error_remedy", unit=word),
    )


def _site_df(rows: pd.DataFrame) -> int:
    """Degrees of freedom of site by binding: what a claim about sites at large rests on."""
    cells = rows.groupby(["site", "binding"]).size().unstack(fill_value=0).to_numpy() > 0
    full = cells.all(axis=1).sum()
    return int(np.maximum(full - 1, 0) * (cells.shape[1] - 1))


def _one_full_site(rows: pd.DataFrame) -> NoAnswer:
    return NoAnswer(
        found=say("refused.few_sites", sites=rows["site"].nunique()),
        expected=say("refused.few_sites_expected"),
        remedy=say("refused.few_sites_remedy"),
    )


def _one_binding(present: Sequence[str]) -> NoAnswer:
    found = say("refused.no_binding")
    if present:
        found = say("refused.one_binding", binding=present[0])
    return NoAnswer(
        found=found,
        expected=say("refused.one_binding_expected"),
        remedy=say("refused.one_binding_remedy"),
    )
