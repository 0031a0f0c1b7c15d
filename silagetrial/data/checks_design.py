"""Checks of the design: bindings, pairs and openings, and pairs treated alike."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

from silagetrial.data.draft import Draft, Row, by_line, is_given
from silagetrial.data.schema import SPARE
from silagetrial.data.settings import Settings
from silagetrial.errors import Problem, Severity

__all__ = [
    "opening_planned",
    "opening_used",
    "pair_bindings",
    "pair_complete",
    "pair_made_alike",
    "pair_of_one_place",
    "pair_one_batch",
    "same_scale",
]

POINTS_PER_PERCENT: Final = 0.95
"""Percentage points of DM loss L for 1 % of the second mass: dL = -(1 - L) dM/M, at L = 5 %."""


def pair_bindings(draft: Draft) -> Iterator[Problem]:
    """Check that a pair has one bale of each binding."""
    bales = draft.tables["bales"].dropna(subset=["pair", "binding"])
    for name in bales.loc[bales.duplicated(["pair", "binding"]), "pair"].unique():
        first: dict[str, Row] = {}
        for bale in draft.pairs.get(name, ()):
            binding = bale["binding"]
            if binding in first:
                yield draft.problem(
                    "bales",
                    bale["line"],
                    "binding",
                    found=f"pair {name} has a second bale of {binding}: {bale['bale']} beside "
                    f"{first[binding]['bale']}",
                    expected="one bale of each binding in a pair",
                    remedy="correct the binding or the pair; partners swapped on paper are the "
                    "commonest slip",
                )
            if is_given(binding):
                first.setdefault(binding, bale)


def pair_complete(draft: Draft) -> Iterator[Problem]:
    """Check that every pair has its partners, lost ones included."""
    compare = draft.settings.compare
    pairs = draft.cells("bales", "pair")
    held = {*zip(pairs, draft.cells("bales", "binding"), strict=True)}
    lacking = [k for k, name in enumerate(pairs) if any((name, b) not in held for b in compare)]
    members: dict[str, list[Row]] = {}
    for bale in sorted((draft.rows("bales")[k] for k in lacking), key=by_line):
        if is_given(bale["pair"]):
            members.setdefault(bale["pair"], []).append(bale)
    for name, bales in members.items():
        there = {bale["binding"] for bale in bales}
        missing = [binding for binding in compare if binding not in there]
        # A partner that is there with a fault in its line is not to be added.
        unread = any(not is_given(binding) or binding not in compare for binding in there)
        if not missing or unread or draft.is_unsure("bales", name):
            continue
        alone = len(there) < 2
        yield draft.problem(
            "bales",
            bales[0]["line"],
            "pair",
            found=f"pair {name} without a bale of {', '.join(missing)}",
            expected=f"one bale each of {', '.join(compare)}",
            remedy="add the partner, also one that was lost (with an event lost), or leave pair "
            "blank for a bale made alone",
            severity="error" if alone else "warning",
        )


def pair_of_one_place(draft: Draft) -> Iterator[Problem]:
    """Check that the bales of a pair come from one place and crop, for one opening."""
    columns = ["site", "field", "lot", "cut", "crop"]
    if draft.settings.design == "separate":
        columns.append("planned_opening")
    yield from _differing(
        draft,
        columns,
        expected="the same for both: bales made one after another from one swath, opened together",
        remedy="correct the cell, or the pair",
        severity="error",
    )


def pair_made_alike(draft: Draft) -> Iterator[Problem]:
    """Check that the bales of a pair differ in the binding alone."""
    plan = draft.settings.analysis
    declared = {*plan.factors, *plan.blocks}
    yield from _differing(
        draft,
        [
            name
            for name in ("film_layers", "film_thickness", "baler", "additive")
            if name not in declared
        ],
        expected="the same for all bales of a pair, unless declared as a factor in trial.toml",
        remedy="check the cell; if it is right, the bindings are compared together with this",
        severity="warning",
    )


def _differing(
    draft: Draft, columns: Sequence[str], *, expected: str, remedy: str, severity: Severity
) -> Iterator[Problem]:
    varied = [name for name in columns if draft.tables["bales"][name].nunique() > 1]
    for column in varied:
        cells = zip(draft.cells("bales", "pair"), draft.cells("bales", column), strict=True)
        values = Counter(name for name, value in {*cells} if None not in (name, value))
        for name in [name for name, number in values.items() if number > 1]:
            filled = [bale for bale in draft.pairs.get(name, ()) if is_given(bale[column])]
            other = next((b for b in filled if b[column] != filled[0][column]), None)
            if other is not None:
                yield draft.problem(
                    "bales",
                    other["line"],
                    column,
                    found=f"pair {name}: {column} {_show(filled[0][column])} for bale "
                    f"{filled[0]['bale']}, {_show(other[column])} for bale {other['bale']}",
                    expected=expected,
                    remedy=remedy,
                    severity=severity,
                )


def _how_to_plan(settings: Settings) -> str:
    if settings.flat is not None:
        name = settings.openings[0].name if settings.openings else "its name"
        return (
            'name its heading under [flat.columns], as "bales.planned_opening"; where all bales '
            f'have one, write "bales.planned_opening" = "{name}" under [flat.same]'
        )
    return (
        "add the column; only where the same bales are cored at each opening, set "
        'bales = "recored" under [design]'
    )


def opening_planned(draft: Draft) -> Iterator[Problem]:
    """Check that separate bales have a planned opening each, re-cored bales none."""
    separate = draft.settings.design == "separate"
    if not draft.design_is_said or "planned_opening" in draft.read["bales"].misspelt:
        return
    if separate and draft.rows("bales") and "planned_opening" not in draft.given["bales"]:
        yield draft.problem(
            "bales",
            1,
            "planned_opening",
            found="no column planned_opening",
            expected="the opening drawn for each bale",
            remedy=_how_to_plan(draft.settings),
        )
        return
    for bale in draft.rows("bales"):
        if is_given(bale["planned_opening"]) == separate or bale["planned_opening"] == SPARE:
            continue
        yield draft.problem(
            "bales",
            bale["line"],
            "planned_opening",
            found="a blank cell" if separate else repr(bale["planned_opening"]),
            expected="the opening drawn for this bale"
            if separate
            else "a blank cell: the same bale is cored at each opening",
            remedy='fill in the cell, or set bales = "recored" under [design]'
            if separate
            else "the cell is not used; empty it",
            severity="error" if separate else "warning",
        )


def opening_used(draft: Draft) -> Iterator[Problem]:
    """Check that, where a bale is opened once, some bale is planned for each opening."""
    planned = {bale["planned_opening"] for bale in draft.rows("bales")} - {SPARE}
    names = {opening.name for opening in draft.settings.openings}
    # A name that is not known may stand for any opening.
    if draft.settings.design != "separate" or not planned & names or not planned <= names:
        return
    for opening in draft.settings.openings:
        there = draft.called("bales")
        if opening.name not in planned and not draft.is_unsure("bales", opening.name):
            yield draft.setting_problem(
                "openings",
                "name",
                found=f"no bale is planned for the opening {opening.name!r}",
                expected="bales drawn for every opening",
                remedy=f"write it under planned_opening in {there} for the bales drawn for it, or "
                "remove the opening; as it is, nothing is said about it",
                number=draft.section_of(opening),
                severity="warning",
            )


def pair_one_batch(draft: Draft) -> Iterator[Problem]:
    """Check that the samples of a pair at one opening went to one laboratory in one batch."""
    pair_of = {bale["bale"]: bale["pair"] for bale in draft.bales.values()}
    first: dict[tuple[str, str], int] = {}
    names = ("of", "opening", "laboratory", "batch")
    of, openings, laboratories, batches = (draft.cells("samples", name) for name in names)
    for k, (name, opening) in enumerate(zip(of, openings, strict=True)):
        pair = pair_of.get(name)
        if opening is None or not is_given(pair):
            continue
        j = first.setdefault((str(pair), opening), k)
        if laboratories[k] == laboratories[j] and batches[k] == batches[j]:
            continue
        row, partner = draft.rows("samples")[k], draft.rows("samples")[j]
        for column in ("laboratory", "batch"):
            both = is_given(row[column]) and is_given(partner[column])
            if both and row[column] != partner[column]:
                yield draft.problem(
                    "samples",
                    row["line"],
                    column,
                    found=f"pair {pair} at {row['opening']}: {column} {partner[column]} for "
                    f"{partner['sample']}, {row[column]} for {row['sample']}",
                    expected=f"one {column} for both bales of a pair",
                    remedy="check the cell; if it is right, "
                    + (
                        "the pair gives no contrast, since a shift between the laboratories would "
                        "be in it, and its values at this opening are left out"
                        if column == "laboratory"
                        else "a shift between the two enters the difference between the bindings"
                    ),
                    severity="warning",
                )


def same_scale(draft: Draft) -> Iterator[Problem]:
    """Check that a bale is weighed on one scale from first to last."""
    first: dict[str, Row] = {}
    gains = _gains(draft)
    scale_of: dict[str, str] = {}
    bales, scales = draft.cells("weighings", "bale"), draft.cells("weighings", "scale")
    on_several = {
        bale
        for bale, scale in zip(bales, scales, strict=True)
        if bale is not None and scale is not None and scale_of.setdefault(bale, scale) != scale
    }
    rows = [draft.rows("weighings")[k] for k, bale in enumerate(bales) if bale in on_several]
    for row in sorted(rows, key=_by_time):
        if not is_given(row["scale"]):
            continue
        before = first.setdefault(row["bale"], row)
        if row["scale"] != before["scale"]:
            yield draft.problem(
                "weighings",
                row["line"],
                "scale",
                found=f"bale {row['bale']} on scale {row['scale']}, first on {before['scale']}"
                + _apart(gains.get(row["scale"]), gains.get(before["scale"])),
                expected="the same scale at the first and the last weighing",
                remedy="check the cell; if it is right, two scales that differ by 1 % shift a DM "
                f"loss of 5 % by {POINTS_PER_PERCENT:g} percentage points",
                severity="warning",
            )


def _gains(draft: Draft) -> dict[str, float]:
    """Return what each scale shows for 1 kg, by its checks against known masses."""
    shown: dict[str, list[float]] = {}
    for row in draft.rows("scales"):
        mass, reading = row["check_mass"], row["check_reading"]
        if is_given(row["scale"]) and is_given(mass) and is_given(reading) and mass > 0:
            shown.setdefault(row["scale"], []).append(reading / mass)
    return {name: sum(ratios) / len(ratios) for name, ratios in shown.items()}


def _apart(second: float | None, first: float | None) -> str:
    """Say how far two scales are apart by their checks, and what that does to a DM loss."""
    if second is None or not first:
        return ""
    percent = 100.0 * (second / first - 1.0)
    return (
        f"; by their checks it shows {percent:+.2g} %, which shifts a DM loss by "
        f"{-POINTS_PER_PERCENT * percent:+.2g} points"
    )


def _by_time(row: Row) -> tuple[datetime, int]:
    when = row["weighed_at"]
    return (when if is_given(when) else datetime.max, row["line"])


def _show(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
