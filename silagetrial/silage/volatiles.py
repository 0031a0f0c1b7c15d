"""Dry matter corrected for what the oven drives off.

The oven loses acids and alcohols of silage; the crop before ensiling has none. Dry matter at
opening therefore has to be corrected before it is compared with dry matter at baling, or DM loss is
overstated by as much as the loss itself.

Units: dry matter g per kg fresh, volatiles g per kg fresh unless said. Arguments are
numbers or arrays and broadcast against each other; a missing value (NaN) gives a missing result.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.silage.checked import Floats, as_floats, checked_dm

__all__ = [
    "COEFFICIENTS",
    "CorrectedDm",
    "Crop",
    "Form",
    "corrected_dm",
    "rebase",
    "volatile_load",
]

Form: TypeAlias = Literal["none", "full", "short"]
Crop: TypeAlias = Literal["grass", "legume", "mixed"]

# From memory: F. Weissbach and S. Kuhla (1995), Übersichten zur Tierernährung 23, 189-214.
COEFFICIENTS: Final[Mapping[str, float]] = {
    "vfa": 0.95,
    "lactic": 0.08,
    "propanediol": 0.77,
    "alcohols": 1.00,
}
"""Share of each volatile that the oven drives off, by the full form (from memory)."""

# From memory, same source: DM% = 2.08 + 0.975 DM%, here in g/kg.
_SHORT_LEVEL: Final = 20.8
_SHORT_SLOPE: Final = 0.975
SHORT_FORM_LIMIT: Final = 500.0
"""Dry matter, g/kg fresh, above which the short form is refused."""

_BASIS: Final = "coefficients from memory (Weissbach & Kuhla 1995)"
_VOLATILES: Final = "VFA C2 to C6, lactic acid, 1,2-propanediol, other alcohols"


@dataclass(frozen=True, eq=False)
class CorrectedDm:
    """Dry matter with the basis it stands on.

    Parameters
    ----------
    dm : numpy.ndarray
        Dry matter after correction, g/kg fresh.
    uncorrected : numpy.ndarray
        Dry matter as given, g/kg fresh; shown beside the corrected one, always.
    form : {"none", "full", "short"}
        Form used.
    basis : str
        What was done, in words, with the standing of its coefficients.
    """

    dm: Floats
    uncorrected: Floats
    form: Form
    basis: str

    @property
    def added(self) -> Floats:
        """What the correction added, g/kg fresh."""
        return self.dm - self.uncorrected


def volatile_load(per_kg_dm: ArrayLike, *, dm: ArrayLike) -> Floats:
    """Return a volatile in g per kg fresh, from g per kg DM.

    Parameters
    ----------
    per_kg_dm : array_like
        Content, g/kg DM.
    dm : array_like
        The dry matter the content is expressed on, g/kg fresh.

    Notes
    -----
    x_fresh = x_DM * DM / 1000. Contents per kg DM put into an equation for fresh matter would
    over-correct about three-fold.
    """
    return as_floats(as_floats(per_kg_dm) * as_floats(dm) / 1000.0)


def rebase(per_kg_dm: ArrayLike, *, dm_old: ArrayLike, dm_new: ArrayLike) -> Floats:
    """Return a content per kg DM on another dry matter of the same sample.

    Parameters
    ----------
    per_kg_dm : array_like
        Content, g/kg of the old dry matter.
    dm_old, dm_new : array_like
        Dry matter before and after correction, g/kg fresh.

    Notes
    -----
    x(new) = x(old) * DM_old / DM_new: the content per kg fresh stays.
    """
    return as_floats(as_floats(per_kg_dm) * as_floats(dm_old) / as_floats(dm_new))


def corrected_dm(
    dm: ArrayLike,
    *,
    form: Form,
    vfa: ArrayLike | None = None,
    lactic: ArrayLike | None = None,
    propanediol: ArrayLike | None = None,
    alcohols: ArrayLike | None = None,
    crop: Crop = "grass",
) -> CorrectedDm:
    """Return oven dry matter of silage corrected for volatiles.

    Parameters
    ----------
    dm : array_like
        Oven dry matter, g/kg fresh.
    form : {"none", "full", "short"}
        ``full`` adds the volatiles measured; ``short`` knows none of them and is for grass up to
        500 g DM/kg; ``none`` returns the dry matter as it is.
    vfa, lactic, propanediol, alcohols : array_like, optional
        Volatile fatty acids (acetic to caproic), lactic acid, 1,2-propanediol, and other alcohols,
        g/kg fresh, for the full form: `vfa` and `lactic` have to be given, the others count as 0
        where they are not.
    crop : {"grass", "legume", "mixed"}
        The crop ensiled.

    Returns
    -------
    CorrectedDm
        Corrected and uncorrected values with the basis in words.

    Raises
    ------
    UsageError
        For an unknown form, a dry matter outside 0 to 1000 g/kg, volatiles below zero, above the
        dry matter, or missing from the full form, and for volatiles given to another form.
    NoAnswer
        Where the short form does not hold: another crop than grass, or above 500 g DM/kg.

    Notes
    -----
    Full: DMc = DMo + 0.95 VFA + 0.08 LA + 0.77 PD + 1.00 AL (g/kg fresh).
    Short: DMc = 20.8 + 0.975 DMo (g/kg fresh).
    Both from memory: F. Weissbach and S. Kuhla (1995), Übersichten zur Tierernährung 23, 189-214.
    """
    oven = checked_dm(dm)
    given = {
        name: as_floats(values)
        for name, values in (
            ("vfa", vfa),
            ("lactic", lactic),
            ("propanediol", propanediol),
            ("alcohols", alcohols),
        )
        if values is not None
    }
    if form == "full":
        return _full_form(oven, given)
    if given:
        raise UsageError(
            found=f"{', '.join(given)} given to the form {form!r}",
            expected="volatiles for the form 'full' only",
            remedy="use form='full', or leave the volatiles out",
        )
    if form == "short":
        return _short_form(oven, crop)
    if form == "none":
        return CorrectedDm(oven.copy(), oven, "none", "dry matter as given, not corrected")
    raise UsageError(
        found=f"the form {form!r}",
        expected="'none', 'full' or 'short'",
        remedy="use one of these words",
    )


def _full_form(oven: Floats, given: Mapping[str, Floats]) -> CorrectedDm:
    missing = [name for name in ("vfa", "lactic") if name not in given]
    if missing:
        raise UsageError(
            found=f"the full form without {' and '.join(missing)}",
            expected="volatile fatty acids and lactic acid, g/kg fresh",
            remedy="give them, or use the form 'none'",
        )
    for name, values in given.items():
        if np.any(values < 0):
            raise UsageError(
                found=f"{name} of {np.nanmin(values):g} g/kg fresh",
                expected="contents from 0",
                remedy="correct the values",
            )
    total = sum(given.values(), start=np.zeros(()))
    if np.any(total > oven):
        worst = float(np.nanmax(total - oven))
        raise UsageError(
            found=f"more volatiles than dry matter (by {worst:g} g/kg fresh)",
            expected="volatiles in g per kg fresh, below the dry matter",
            remedy="put contents per kg DM through volatile_load first",
        )
    added = sum((COEFFICIENTS[name] * values for name, values in given.items()), np.zeros(()))
    basis = f"dry matter by the full form ({_VOLATILES}), {_BASIS}"
    return CorrectedDm(as_floats(oven + added), oven, "full", basis)


def _short_form(oven: Floats, crop: Crop) -> CorrectedDm:
    if crop != "grass":
        raise NoAnswer(
            found=f"the short form for the crop {crop!r}",
            expected="grass, for which its two numbers were found",
            remedy="measure the acids and use form='full', or use form='none'",
        )
    if np.any(oven > SHORT_FORM_LIMIT):
        raise NoAnswer(
            found=f"the short form for a dry matter of {np.nanmax(oven):g} g/kg",
            expected=f"dry matter up to {SHORT_FORM_LIMIT:g} g/kg",
            remedy="measure the acids and use form='full', or use form='none'",
        )
    basis = f"dry matter by the short form (no acids known, grass), {_BASIS}"
    return CorrectedDm(as_floats(_SHORT_LEVEL + _SHORT_SLOPE * oven), oven, "short", basis)
