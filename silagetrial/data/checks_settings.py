"""Checks of trial.toml against itself and against the columns of bales.csv."""

from __future__ import annotations

from collections.abc import Iterator

from silagetrial.data.draft import Draft, is_given
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.schema import TABLES
from silagetrial.errors import Problem

__all__ = [
    "analysis_names",
    "analysis_numbers",
    "bindings",
    "factor_columns",
    "measurement_sds",
    "openings",
    "short_form_crop",
]

FEWEST_DRAWS, MOST_DRAWS = 400, 100_000
"""Data sets of a bootstrap: ten lie beyond each end of a 95 % interval at the fewest."""

# "line" is where rows keep their line of the file.
_NO_FACTOR = ("bale", "pair", "binding", "planned_opening", "note", "line")


def bindings(draft: Draft) -> Iterator[Problem]:
    """Check that at least two different bindings, the reference among them."""
    compare, reference = draft.settings.compare, draft.settings.reference
    if compare and (len(compare) < 2 or len(set(compare)) < len(compare)):
        yield draft.setting_problem(
            "bindings",
            "compare",
            found=f"compare = {list(compare)}",
            expected="two or more different bindings",
            remedy="name each binding of the trial once",
        )
    if compare and reference and reference not in compare:
        yield draft.setting_problem(
            "bindings",
            "reference",
            found=f"reference = {reference!r}",
            expected=f"one of {', '.join(compare)}",
            remedy=did_you_mean(reference, compare, otherwise="name one of the bindings compared"),
        )


def openings(draft: Draft) -> Iterator[Problem]:
    """Check that openings have different names, days inside their window, and windows apart."""
    planned = draft.settings.openings
    for n, opening in enumerate(planned):
        low, high = opening.window
        if not 0 < low <= opening.days <= high:
            yield draft.setting_problem(
                "openings",
                "window",
                found=f"opening {opening.name!r} at {opening.days:g} days, window "
                f"[{low:g}, {high:g}]",
                expected="days inside the window, the window after day 0",
                remedy="correct days or window",
                number=draft.section_of(opening),
            )
        if opening.name in [other.name for other in planned[:n]]:
            yield draft.setting_problem(
                "openings",
                "name",
                found=f"the opening {opening.name!r} twice",
                expected="each opening once",
                remedy="rename one of the two",
                number=draft.section_of(opening),
            )
        elif n and low <= planned[n - 1].window[1]:
            yield draft.setting_problem(
                "openings",
                "window",
                found=f"the windows of {planned[n - 1].name!r} and {opening.name!r} overlap",
                expected="windows apart from each other, so that a day belongs to one opening",
                remedy="narrow one of the two windows",
                number=draft.section_of(opening),
            )


def analysis_names(draft: Draft) -> Iterator[Problem]:
    """Check that the opening and the bindings of the primary contrast are those of the trial."""
    plan, settings = draft.settings.analysis, draft.settings
    names = [opening.name for opening in settings.openings]
    if plan.opening is not None and plan.opening not in {*names, *draft.refused_openings}:
        yield draft.setting_problem(
            "analysis",
            "opening",
            found=f"opening = {plan.opening!r}",
            expected=f"one of {', '.join(names) or 'the openings'}",
            remedy=did_you_mean(plan.opening, names, otherwise="name a planned opening"),
        )
    wrong = len(plan.contrast) != 2 or len(set(plan.contrast)) != 2
    unknown = [name for name in plan.contrast if name not in settings.compare]
    if plan.contrast and (wrong or unknown):
        order = "name the binding of interest first, the one it is compared with second"
        yield draft.setting_problem(
            "analysis",
            "contrast",
            found=f"contrast = {list(plan.contrast)}",
            expected=f"two different bindings among {', '.join(settings.compare)}",
            remedy=did_you_mean(unknown[0], settings.compare, otherwise=order)
            if unknown
            else order,
        )


def analysis_numbers(draft: Draft) -> Iterator[Problem]:
    """Check that the size of the tests, the bootstrap and the limits of importance can be."""
    plan = draft.settings.analysis
    if not 0 < plan.alpha < 0.5:
        yield draft.setting_problem(
            "analysis",
            "alpha",
            found=f"alpha = {plan.alpha:g}",
            expected="a probability above 0 and below 0.5",
            remedy="write 0.05 for tests at 5 %",
        )
    if plan.bootstrap and not FEWEST_DRAWS <= plan.bootstrap <= MOST_DRAWS:
        yield draft.setting_problem(
            "analysis",
            "bootstrap",
            found=f"bootstrap = {plan.bootstrap}",
            expected=f"0 for none, or {FEWEST_DRAWS} to {MOST_DRAWS} data sets: fewer do not tell "
            "the ends of an interval",
            remedy="write 2000, or leave the line out",
        )
    for name, value in plan.important.items():
        ratio = name != "dm_loss"
        if value <= 0 or (ratio and value == 1):
            yield draft.setting_problem(
                "analysis",
                "important",
                found=f"important.{name} = {value:g}",
                expected="a ratio above 0 other than 1" if ratio else "percentage points above 0",
                remedy="write the smallest difference that would change what you do",
            )


def measurement_sds(draft: Draft) -> Iterator[Problem]:
    """Check that standard deviations of measuring are above zero."""
    given = draft.settings.measurement_sd
    for key, value, unit in (("mass", given.mass, "kg"), ("dm", given.dm, "g/kg")):
        if value is not None and value <= 0:
            yield draft.setting_problem(
                "measurement_sd",
                key,
                found=f"{key} = {value:g}",
                expected=f"a standard deviation above 0, in {unit}",
                remedy="take it from repeated measurements, or leave the line out",
            )


def short_form_crop(draft: Draft) -> Iterator[Problem]:
    """Check that the short form of the dry-matter correction is for grass."""
    chosen = draft.settings.dm_correction
    if chosen.form == "short" and chosen.crop != "grass":
        yield draft.setting_problem(
            "dm_correction",
            "form",
            found=f"form = 'short' for the crop {chosen.crop!r}",
            expected="the short form for grass only",
            remedy="use form = 'full' with the acids measured, or form = 'none'",
        )


def factor_columns(draft: Draft) -> Iterator[Problem]:
    """Check that further factors and blocks are columns of bales.csv, filled for every bale."""
    plan, given, there = draft.settings.analysis, draft.given["bales"], draft.called("bales")
    possible = [column.name for column in TABLES["bales"] if column.name not in _NO_FACTOR]
    if "bales" in draft.unreadable:
        return
    for key, names in (("factors", plan.factors), ("blocks", plan.blocks)):
        for name in names:
            if name in draft.read["bales"].misspelt:
                continue  # said of the heading
            if name not in given or name in _NO_FACTOR:
                yield draft.setting_problem(
                    "analysis",
                    key,
                    found=f"{key} names {name!r}"
                    + ("" if name in given else f", which is no column of {there}"),
                    expected=f"a column of {there} that says how bales differ by plan",
                    remedy=did_you_mean(name, possible, otherwise="add the column, or remove it"),
                )
                continue
            for row in draft.rows("bales"):
                if not (is_given(row[name]) or draft.is_rejected("bales", row["line"], name)):
                    yield draft.problem(
                        "bales",
                        row["line"],
                        name,
                        found="a blank cell",
                        expected=f"a value: {name} is one of the {key} in trial.toml",
                        remedy="fill in the cell",
                    )
