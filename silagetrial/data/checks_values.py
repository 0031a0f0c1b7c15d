"""Checks of values: what cannot be, and what would mislead a comparison."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.errors import Problem

__all__ = [
    "acids_for_full_form",
    "dm_bases_agree",
    "dm_basis_given",
    "dm_for_short_form",
    "mass_gain",
    "nir_butyric",
    "oven_loss_overstated",
]

GAIN_LIMIT: Final = 0.02
SHORT_FORM_LIMIT: Final = 500.0


def dm_basis_given(draft: Draft) -> Iterator[Problem]:
    """Check that every dry matter says whether volatiles are added."""
    if "dm_basis" in draft.read["samples"].misspelt:
        return
    for row in draft.rows("samples"):
        rejected = draft.is_rejected("samples", row["line"], "dm_basis")
        if is_given(row["dm"]) and not (is_given(row["dm_basis"]) or rejected):
            yield draft.problem(
                "samples",
                row["line"],
                "dm_basis",
                found="a dry matter without its basis",
                expected="oven or corrected",
                remedy="write oven where the value is as dried, corrected where the laboratory has "
                "added the volatiles; ask the laboratory",
            )


def dm_bases_agree(draft: Draft) -> Iterator[Problem]:
    """Check that dry matter at baling and in silage stand on one basis, or are put on one."""
    if draft.settings.dm_correction.form != "none":
        return
    first: Row | None = None
    for row in _with_basis(draft):
        first = first or row
        if row["dm_basis"] != first["dm_basis"]:
            yield draft.problem(
                "samples",
                row["line"],
                "dm_basis",
                found=f"dry matter {row['dm_basis']} in this line ({row['kind']}), "
                f"{first['dm_basis']} in line {first['line']} ({first['kind']})",
                expected="one basis for crop at baling and for silage",
                remedy='set form = "full" or "short" under [dm_correction], which corrects oven '
                "values, or ask the laboratory for one basis",
            )


def oven_loss_overstated(draft: Draft) -> Iterator[Problem]:
    """Check that oven dry matter of silage is corrected for volatiles."""
    silage = [row for row in _with_basis(draft) if row["kind"] != "day0"]
    oven = [row for row in silage if row["dm_basis"] == "oven"]
    if oven and draft.settings.dm_correction.form == "none":
        yield draft.problem(
            "samples",
            oven[0]["line"],
            "dm_basis",
            found=f"oven dry matter in {len(oven)} silage samples, not corrected",
            expected="dry matter with the acids and alcohols that the oven drives off",
            remedy='set form = "full" under [dm_correction] where the acids are measured; as it '
            "is, DM loss is overstated",
            severity="warning",
        )


def _with_basis(draft: Draft) -> list[Row]:
    rows = sorted(draft.rows("samples"), key=lambda row: int(row["line"]))
    return [row for row in rows if is_given(row["dm"]) and is_given(row["dm_basis"])]


def _oven_silage(draft: Draft) -> list[Row]:
    rows = [row for row in _with_basis(draft) if row["dm_basis"] == "oven"]
    return [row for row in rows if row["kind"] in ("core", "opening")]


def acids_for_full_form(draft: Draft) -> Iterator[Problem]:
    """Check that the full form has the acids it adds back."""
    if draft.settings.dm_correction.form != "full":
        return
    for name in ("lactic_acid", "acetic_acid", "butyric_acid"):
        without = [
            row
            for row in _oven_silage(draft)
            if not (
                is_given(row[name])
                or is_given(row[f"{name}_below"])
                or draft.is_rejected("samples", row["line"], name)
            )
        ]
        # Said once where it begins: results without a unit, or under another heading.
        said = name in draft.unconverted or name in draft.read["samples"].misspelt
        if without and not said:
            yield draft.problem(
                "samples",
                without[0]["line"],
                name,
                found=f"no {name} beside the oven dry matter of {without[0]['sample']}"
                + (f" and of {len(without) - 1} more" if len(without) > 1 else ""),
                expected='lactic, acetic and butyric acid for form = "full"',
                remedy='add the results, or set form = "none" under [dm_correction]',
            )


def dm_for_short_form(draft: Draft) -> Iterator[Problem]:
    """Check that the short form is used up to 500 g/kg dry matter."""
    if draft.settings.dm_correction.form != "short":
        return
    for row in _oven_silage(draft):
        if row["dm"] > SHORT_FORM_LIMIT:
            yield draft.problem(
                "samples",
                row["line"],
                "dm",
                found=f"{row['dm']:g} g/kg with the short form of the correction",
                expected=f"dry matter up to {SHORT_FORM_LIMIT:g} g/kg",
                remedy='use form = "full" with the acids measured, or form = "none"',
            )


def mass_gain(draft: Draft) -> Iterator[Problem]:
    """Check that no bale gains mass in storage."""
    first = {
        row["bale"]: row
        for row in draft.rows("weighings")
        if is_given(row["bale"]) and is_given(row["net"]) and not is_given(row["opening"])
    }
    for row in draft.rows("weighings"):
        before = first.get(row["bale"])
        if before is None or not (is_given(row["opening"]) and is_given(row["net"])):
            continue
        gain = row["net"] / before["net"] - 1.0 if before["net"] > 0 else 0.0
        if gain > GAIN_LIMIT:
            yield draft.problem(
                "weighings",
                row["line"],
                "gross",
                found=f"bale {row['bale']} heavier by {100 * gain:.1f} %: net {row['net']:g} kg, "
                f"{before['net']:g} kg in line {before['line']}",
                expected=f"no gain above {100 * GAIN_LIMIT:g} %",
                remedy="check both readings, what else was on the scale, and water on the bale",
                severity="warning",
            )


def nir_butyric(draft: Draft) -> Iterator[Problem]:
    """Check that butyric acid is measured by chromatography, not by near-infrared."""
    rows = sorted(draft.rows("samples"), key=lambda row: int(row["line"]))
    near_infrared = [
        row
        for row in rows
        if (is_given(row["butyric_acid"]) or is_given(row["butyric_acid_below"]))
        and re.search(r"\bnirs?\b|near.?infrared", str(row["method"]), flags=re.IGNORECASE)
    ]
    if near_infrared:
        yield draft.problem(
            "samples",
            near_infrared[0]["line"],
            "method",
            found=f"butyric acid by near-infrared in {len(near_infrared)} samples",
            expected="butyric acid by chromatography",
            remedy="near-infrared is poor for these acids: read the differences with care, and "
            "have kept samples analysed again",
            severity="warning",
        )
