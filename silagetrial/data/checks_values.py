"""Checks of values: what cannot be, and what would mislead a comparison."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from silagetrial.data.draft import Draft, Row, by_line, is_given
from silagetrial.errors import Problem

__all__ = [
    "acids_for_full_form",
    "butyric_zero",
    "dm_bases_agree",
    "dm_basis_given",
    "dm_for_short_form",
    "film_on_alike",
    "mass_gain",
    "mass_lost",
    "nir_butyric",
    "oven_loss_overstated",
]

GAIN_LIMIT: Final = 0.02
MASS_LOST_LIMIT: Final = 0.15
"""Wrapped bales lose a few per cent of their mass, cores included (common practice)."""

SHORT_FORM_LIMIT: Final = 500.0


def dm_basis_given(draft: Draft) -> Iterator[Problem]:
    """Check that every dry matter says whether volatiles are added."""
    if "dm_basis" in draft.read["samples"].misspelt:
        return
    samples = draft.tables["samples"]
    for line in samples.index[samples["dm"].notna() & samples["dm_basis"].isna()].tolist():
        if not draft.is_rejected("samples", line, "dm_basis"):
            yield draft.problem(
                "samples",
                line,
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
    oven = draft.tables["samples"]
    oven = oven[(oven["kind"] != "day0") & (oven["dm_basis"] == "oven") & oven["dm"].notna()]
    if len(oven) and draft.settings.dm_correction.form == "none":
        yield draft.problem(
            "samples",
            int(oven.index.min()),
            "dm_basis",
            found=f"oven dry matter in {len(oven)} silage samples, not corrected",
            expected="dry matter with the acids and alcohols that the oven drives off",
            remedy='set form = "full" under [dm_correction] where the acids are measured; as it '
            "is, DM loss is overstated",
            severity="warning",
        )


def _with_basis(draft: Draft) -> list[Row]:
    samples = draft.tables["samples"]
    lines = samples.index[samples["dm"].notna() & samples["dm_basis"].notna()]
    return sorted(draft.rows_at("samples", lines.tolist()), key=by_line)


def _oven_silage(draft: Draft) -> list[Row]:
    rows = [row for row in _with_basis(draft) if row["dm_basis"] == "oven"]
    return [row for row in rows if row["kind"] in ("core", "opening")]


def acids_for_full_form(draft: Draft) -> Iterator[Problem]:
    """Check that the full form has the acids it adds back."""
    if draft.settings.dm_correction.form != "full":
        return
    samples = draft.tables["samples"]
    silage = (samples["dm_basis"] == "oven") & samples["kind"].isin(["core", "opening"])
    silage &= samples["dm"].notna()
    for name in ("lactic_acid", "acetic_acid", "butyric_acid"):
        blank = samples[name].isna() & samples[f"{name}_below"].isna()
        without = [
            row
            for row in draft.rows_at("samples", samples.index[silage & blank].tolist())
            if not draft.is_rejected("samples", row["line"], name)
        ]
        without.sort(key=by_line)
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
    for row, before, change in _changes(draft):
        if change > GAIN_LIMIT:
            yield draft.problem(
                "weighings",
                row["line"],
                "gross",
                found=f"bale {row['bale']} heavier by {100 * change:.1f} %: net {row['net']:g} kg, "
                f"{before['net']:g} kg in line {before['line']}",
                expected=f"no gain above {100 * GAIN_LIMIT:g} %",
                remedy="check both readings, what else was on the scale, and water on the bale",
                severity="warning",
            )


def mass_lost(draft: Draft) -> Iterator[Problem]:
    """Check that no bale loses more mass in storage than a wrapped bale can."""
    for row, before, change in _changes(draft):
        if change < -MASS_LOST_LIMIT:
            yield draft.problem(
                "weighings",
                row["line"],
                "gross",
                found=f"bale {row['bale']} lighter by {-100 * change:.1f} %: net {row['net']:g} "
                f"kg, {before['net']:g} kg in line {before['line']}",
                expected=f"no loss of mass above {100 * MASS_LOST_LIMIT:g} %",
                remedy="check both readings, the name of the bale, and whether all of it was on "
                "the scale; forage thrown away before weighing belongs under note",
                severity="warning",
            )


def _changes(draft: Draft) -> Iterator[tuple[Row, Row, float]]:
    """Yield weighings at an opening, the first of the bale, and a change that is not small."""
    names = ("bale", "net", "opening")
    bales, nets, openings = (draft.cells("weighings", name) for name in names)
    first = {
        bale: k
        for k, (bale, net, opening) in enumerate(zip(bales, nets, openings, strict=True))
        if opening is None and bale is not None and net is not None
    }
    for k, (bale, net, opening) in enumerate(zip(bales, nets, openings, strict=True)):
        if opening is None or net is None or bale not in first:
            continue
        before = nets[first[bale]]
        if before > 0 and not -MASS_LOST_LIMIT <= net / before - 1.0 <= GAIN_LIMIT:
            rows = draft.rows("weighings")
            yield rows[k], rows[first[bale]], net / before - 1.0


def butyric_zero(draft: Draft) -> Iterator[Problem]:
    """Check that no butyric acid of silage is typed as 0: it has no logarithm and is left out."""
    samples = draft.tables["samples"]
    zero = (samples["butyric_acid"] == 0) & (samples["kind"] != "day0")
    for row in sorted(draft.rows_at("samples", samples.index[zero].tolist()), key=by_line):
        yield draft.problem(
            "samples",
            row["line"],
            "butyric_acid",
            found=f"butyric acid of 0 in sample {row['sample']}",
            expected="a value above 0, or the laboratory's limit, as <0.3",
            remedy="ask the laboratory for its limit and write <limit; a 0 cannot be analysed on "
            "the logarithm, and the cleanest bale would be left out",
            severity="warning",
        )


def film_on_alike(draft: Draft) -> Iterator[Problem]:
    """Check that a bale whose film was on the scale once only has the mass of its film."""
    weighings = draft.tables["weighings"]
    weighed = weighings[weighings["gross"].notna()].dropna(subset="bale")
    either = weighed.drop_duplicates(["bale", "film_on"])["bale"]
    lines: dict[str, int] = {}
    for line, name in either[either.duplicated(keep=False)].items():
        lines[name] = max(int(str(line)), lines.get(name, 0))
    for name, line in lines.items():
        bale = draft.bales.get(name)
        if bale is not None and not is_given(bale["film_kg"]):
            yield draft.problem(
                "weighings",
                line,
                "flags",
                found=f"bale {name} weighed once with its film and once without, its film_kg "
                "not recorded",
                expected="the film on the bale at both weighings or at none, or its mass",
                remedy="weigh the film taken off and write film_kg in bales, or correct the flag; "
                "without it the bale has no DM loss",
                severity="warning",
            )


def nir_butyric(draft: Draft) -> Iterator[Problem]:
    """Check that butyric acid is measured by chromatography, not by near-infrared."""
    samples = draft.tables["samples"]
    methods = {
        method
        for method in samples["method"].dropna().unique()
        if re.search(r"\bnirs?\b|near.?infrared", method, flags=re.IGNORECASE)
    }
    measured = samples["butyric_acid"].notna() | samples["butyric_acid_below"].notna()
    lines = samples.index[measured & samples["method"].isin(methods)]
    near_infrared = sorted(draft.rows_at("samples", lines.tolist()), key=by_line)
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
