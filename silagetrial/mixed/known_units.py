"""Units of the data that a prediction names: which they are, and what is predicted of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats, RandomTerm
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import inner_formula, matrix
from silagetrial.mixed.prediction_error import UnitEffect

__all__ = ["effect_values", "effects_of", "known_effects", "known_terms", "predicted"]


def effects_of(term: RandomTerm) -> str:
    """The effects as they were written: ``"1 + days"`` of ``"bale (1 + days)"``."""
    return term.name.removeprefix(f"{term.grouping} (").removesuffix(")")


def effect_values(term: RandomTerm, rows: pd.DataFrame) -> Floats:
    """Values a term's effects are multiplied by, (rows, k)."""
    if term.name == term.grouping:
        return np.ones((len(rows), 1))
    return np.asarray(matrix(inner_formula(effects_of(term)), rows), dtype=float)


def known_terms(fit: Fit, known: Sequence[str]) -> tuple[str, ...]:
    """Check the names of terms whose units are in the data; those around them belong to them."""
    terms = {term.name: term for term in fit.frame.terms}
    unknown = [name for name in known if name not in terms]
    if isinstance(known, str) or unknown:
        raise UsageError(
            found=f"known={known!r}",
            expected="a list of random terms among " + (", ".join(terms) or "none: there are none"),
            remedy="name the terms whose units are in the data",
        )
    for name, other in ((n, o) for n in known for o in terms if o not in known):
        if _inside(terms[name], terms[other]):
            raise UsageError(
                found=f"known {name} without the {other} around it",
                expected=f"{other} known as well: each {name} lies in one {other}",
                remedy=f"add {other!r} to known",
            )
    return tuple(known)


def _inside(term: RandomTerm, other: RandomTerm) -> bool:
    """Whether each level of a term lies in one level of another."""
    both = np.unique(np.column_stack([term.codes, other.codes]), axis=0)
    return len(both) == len(term.levels)


def known_effects(
    fit: Fit, rows: pd.DataFrame, known: Sequence[str]
) -> list[tuple[UnitEffect, ...]]:
    """Units that each row names; without terms of which no variance was detected."""
    found: list[list[UnitEffect]] = [[] for _ in range(len(rows))]
    for place, term in enumerate(fit.frame.terms):
        if term.name not in known:
            continue
        codes, z = _codes(term, rows), effect_values(term, rows)
        if fit.detected[place]:
            for effects, code, values in zip(found, codes, z, strict=True):
                effects.append(UnitEffect(place, code, values))
    return [tuple(effects) for effects in found]


def _codes(term: RandomTerm, rows: pd.DataFrame) -> list[int]:
    """Level of each row, found by the names of the grouping's columns."""
    columns = term.grouping.split(":")
    absent = [column for column in columns if column not in rows]
    if absent:
        raise UsageError(
            found=f"rows without {', '.join(absent)}",
            expected=f"the name of the {term.grouping} of each row",
            remedy="add the column",
        )
    labels = rows[columns].astype(str).agg(":".join, axis=1).tolist()
    strange = sorted(set(labels) - set(term.levels))
    if strange:
        raise UsageError(
            found=f"{term.grouping} {', '.join(strange)}, which the data do not have",
            expected=f"a {term.grouping} of the data",
            remedy="correct the name, or leave the term out of known: a new unit",
        )
    place = {label: code for code, label in enumerate(term.levels)}
    return [place[label] for label in labels]


def predicted(fit: Fit, units: Sequence[Sequence[UnitEffect]]) -> Floats:
    """Sum of the predicted effects of each row's units, (rows,)."""
    sizes = [len(term.levels) * term.z.shape[1] for term in fit.frame.terms]
    starts = np.cumsum([0, *sizes])
    out = np.zeros(len(units))
    for row, effects in enumerate(units):
        for effect in effects:
            first = starts[effect.term] + effect.level * len(effect.z)
            own = fit.detected_effects[first : first + len(effect.z)]
            out[row] += float(own @ effect.z)
    return out
