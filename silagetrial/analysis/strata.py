"""What a design lets be said about the binding: its units, their degrees of freedom, confounding.

Nothing here looks at a response: the same answers hold for a trial's rows and for a layout
whose data are not there yet.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from silagetrial.analysis.units import kind_of
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import joined
from silagetrial.errors import NoAnswer
from silagetrial.mixed.covariance import Bools, Floats

__all__ = [
    "BindingUnit",
    "binding_unit",
    "completed",
    "confounded_openings",
    "confounded_with",
    "counted",
    "holds_several",
    "indicators",
    "splits_blocks",
    "stratum_df",
    "unpaired",
]

CONFOUNDERS = ("site", "field", "year", "cut", "crop", "additive", "baler", "laboratory", "opening")
"""Columns which must not tell the binding."""


@dataclass(frozen=True)
class BindingUnit:
    """The unit a binding was given to: what counts as one replicate.

    Attributes
    ----------
    column : str
        Column that names the units.
    word : str
        The noun for one of them; ``block`` for those of a column of the plan.
    blocks : tuple of str
        Columns of blocks that hold several bindings.
    """

    column: str
    word: str
    blocks: tuple[str, ...]

    @property
    def replicate(self) -> BindingUnit:
        """What one more of would help: a pair where bales lie in pairs, else the unit itself."""
        if self.column == "bale" and "pair" in self.blocks:
            return BindingUnit("pair", "pair", ())
        return self

    def named(self, number: int) -> str:
        """Return the word that goes with a number of them: ``pairs``, ``tier blocks``."""
        words = noun(self.word, number)
        return say("terms.block_of", column=self.column, blocks=words) if (
            self.word == "block"
        ) else words  # fmt: skip


def completed(rows: pd.DataFrame) -> pd.DataFrame:
    """Give every row the blocks it lies in.

    A bale without a pair, or without a run, is one of its own where there are pairs or runs at
    all; a field's name holds within its site.
    """
    filled = {
        column: rows[column].fillna(rows["bale"])
        for column in ("pair", "run")
        if rows[column].notna().any()
    }
    place = rows["site"].astype(str) + ", field " + rows["field"].astype(str)
    return rows.assign(field=place.where(rows["field"].notna()), **filled)


def unpaired(rows: pd.DataFrame) -> Bools:
    """Tell which rows of `completed` are of bales made without a partner."""
    alone: Bools = (rows["pair"].isna() | (rows["pair"] == rows["bale"])).to_numpy(dtype=bool)
    return alone


def counted(rows: pd.DataFrame, column: str, named: Callable[[int], str]) -> str:
    """Count blocks in words: ``24 pairs``, ``24 pairs and 12 bales alone``.

    Parameters
    ----------
    rows : pandas.DataFrame
        From `completed`, where a bale without a pair or a run is one of its own.
    column : str
    named : callable
        Number to the word that goes with it: what a block is called.
    """
    alone = rows[column].eq(rows["bale"]) & (column != "bale")
    blocks, bales = rows.loc[~alone, column].nunique(), rows.loc[alone, "bale"].nunique()
    parts = [say("phrase.count", number=blocks, noun=named(blocks))] if blocks else []
    if bales:
        parts.append(say("terms.alone", units=kind_of(rows).counted(bales)))
    return joined(parts)


def confounded_with(
    rows: pd.DataFrame, x: Floats, *, factors: Sequence[str] = (), blocks: Sequence[str] = ()
) -> NoAnswer | None:
    """Find a column that tells the binding, so that the two effects cannot be parted.

    Parameters
    ----------
    rows : pandas.DataFrame
        From `completed`: one row an observation, with ``binding`` and the columns looked at.
    x : (n, p) array
        The fixed part of the model.
    factors, blocks : sequence of str
        Further columns named in trial.toml.  Blocks and laboratory batches of one binding each
        are only refused where too few of them leave no error among them; else they are units.

    Returns
    -------
    NoAnswer or None
        The refusal, with what would be enough.
    """
    for column in dict.fromkeys([*CONFOUNDERS, *factors, "batch", *blocks]):
        if column not in rows or rows[column].nunique() < 2:
            continue
        if rows.groupby(column)["binding"].nunique().max() > 1:
            continue
        strict = column in CONFOUNDERS or column in factors
        if not strict and stratum_df(x, rows, binding_unit(rows, also=[column])) > 0:
            continue
        return NoAnswer(
            found=say("refused.confounded", column=column),
            expected=say("refused.confounded_expected", column=column),
            remedy=say("refused.confounded_remedy", column=column),
        )
    return None


def binding_unit(rows: pd.DataFrame, *, also: Sequence[str] = ()) -> BindingUnit:
    """Tell what the binding was given to: a bale, or a run, lot or block of one binding.

    Of several such groupings the one with the fewest levels is the unit.
    """
    groupings = list(dict.fromkeys(["run", "lot", *also]))
    mixing = [c for c in dict.fromkeys([*groupings, "pair"]) if holds_several(rows, c)]
    alone = [column for column in groupings if _alone(rows, column)]
    if not alone:
        return BindingUnit("bale", kind_of(rows).word, tuple(mixing))
    column = min(alone, key=lambda c: rows[c].nunique())
    word = column if column in ("run", "lot", "batch") else "block"
    return BindingUnit(column, word, tuple(mixing))


def holds_several(rows: pd.DataFrame, column: str) -> bool:
    """Whether some level of a column holds more than one binding."""
    return bool(rows.groupby(column)["binding"].nunique().gt(1).any())


def _alone(rows: pd.DataFrame, column: str) -> bool:
    """Whether a column groups several bales a level, and each level has one binding."""
    if rows[column].isna().any() or rows[column].nunique() < 2:
        return False
    levels = rows.groupby(column)
    return bool(
        levels["binding"].nunique().max() == 1 and rows[column].nunique() < rows["bale"].nunique()
    )


def confounded_openings(rows: pd.DataFrame, columns: Sequence[str]) -> dict[str, str]:
    """Openings at which each binding has a level of some column to itself, and that column.

    Parameters
    ----------
    rows : pandas.DataFrame
    columns : sequence of str
        Columns without a term in the model, which would part the two effects.
    """
    found: dict[str, str] = {}
    for opening, here in rows.groupby("opening", sort=False):
        bindings = here["binding"].nunique()
        for column in columns:
            if column not in here or here[column].isna().any() or bindings == len(here):
                continue
            levels = here.groupby(column)["binding"].nunique()
            if len(levels) == bindings > 1 and levels.max() == 1:
                found.setdefault(str(opening), column)
    return found


def splits_blocks(rows: pd.DataFrame, x: Floats, column: str) -> bool:
    """Whether a column differs between bales that the comparison of bindings sets side by side.

    Then its effect enters the difference.  It cancels where it is the same for all bales of a
    pair (else of a lot) at one opening, or is in the fixed part already.

    Parameters
    ----------
    x : (n, p) array
        The fixed part without the binding: what is told by binding and others together enters
        the difference as well.
    """
    block = next((c for c in ("pair", "lot") if rows[c].notna().all()), None)
    parts = [x]
    if block is not None:
        parts.append(indicators(rows[block].astype(str) + " at " + rows["opening"].astype(str)))
    return _rank([*parts, indicators(rows[column])]) > _rank(parts)


def indicators(values: pd.Series[str]) -> Floats:
    """Return one column of zeros and ones for each level."""
    codes, levels = pd.factorize(values, use_na_sentinel=False)
    return np.asarray(codes[:, None] == np.arange(len(levels)), dtype=float)


def stratum_df(x: Floats, rows: pd.DataFrame, unit: BindingUnit) -> int:
    """Degrees of freedom for error among the units of the binding, within blocks.

    ``rank [units, blocks, X] - rank [blocks, X]``: none of them is lost or won by measuring
    the same units more often.
    """
    blocks = [indicators(rows[c].fillna(rows["bale"])) for c in unit.blocks]
    known = _rank([*blocks, x])
    return _rank([indicators(rows[unit.column]), *blocks, x]) - known


def _rank(parts: Sequence[Floats]) -> int:
    return int(np.linalg.matrix_rank(np.column_stack(parts)))
