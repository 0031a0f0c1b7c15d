"""What a colleague would notice: hours, days, other units, sums, scales, one case each."""

from __future__ import annotations

from pathlib import Path

from builders import read_cells, write_cells
from problem_case import (
    FILM,
    LATE,
    NET,
    OPENED,
    SAMPLE,
    WRAPPED,
    Edit,
    both,
    cell,
    error,
    every,
    toml,
    warning,
)

SAMPLES, WEIGHINGS, BALES = "samples.csv", "weighings.csv", "bales.csv"


def _in_percent(*samples: str) -> Edit:
    """Give the acids of samples in % of DM."""
    return both(*(_one_in_percent(name) for name in samples))


def _one_in_percent(name: str) -> Edit:
    def edit(folder: Path) -> None:
        rows = read_cells(folder / SAMPLES)
        for row in rows:
            if row["sample"] == name:
                for acid in ("lactic_acid", "acetic_acid", "butyric_acid"):
                    row[acid] = f"{float(row[acid]) / 10:.3g}"
        write_cells(folder / SAMPLES, rows)

    return edit


def _as_moisture(kind: str) -> Edit:
    """Give moisture, g/kg, for the dry matter of all samples of a kind."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / SAMPLES)
        for row in rows:
            if row["kind"] == kind:
                row["dm"] = f"{1000 - float(row['dm']):g}"
        write_cells(folder / SAMPLES, rows)

    return edit


def _two_scales(folder: Path) -> None:
    lines = ("scale,kind,step,check_mass,check_reading", "platform,platform,0.5,500,500")
    (folder / "scales.csv").write_text("\n".join([*lines, "loader,loader,5,500,505", ""]))


NOTICED = (
    warning(
        "hours_recorded",
        cell("bales", NET, "baled_at", "2025-05-26"),
        BALES,
        "baled_at",
        NET,
        "bale A01-net: a day without its hour",
        "add the hours where somebody knows them",
    ),
    warning(
        "hours_recorded",
        both(every("bales", "film_wrapped_at", "2025-05-27"), cell("bales", NET, "note", "")),
        BALES,
        "film_wrapped_at",
        NET,
        "bale A01-net: a day without its hour, and 15 bales more",
        "nobody can see whether they were alike",
    ),
    warning(
        "film_soon",
        cell("bales", NET, "baled_at", "2025-05-25 22:00"),
        BALES,
        "film_wrapped_at",
        NET,
        "bale A01-net wrapped 12.8 hours after baling",
        "this wait is part of the result",
    ),
    warning(
        "hours_alike",
        cell("bales", FILM, "baled_at", "2025-05-26 06:00"),
        BALES,
        "film_wrapped_at",
        FILM,
        "pair A01: 0.8 hours from baling to film wrapping for bale A01-net, 4.9 hours for bale",
        "the bindings are compared together with this wait",
    ),
    error(
        "weighed_with_film_on",
        cell("weighings", WRAPPED, "weighed_at", "2025-05-26 10:20"),
        WEIGHINGS,
        "flags",
        WRAPPED,
        "bale A01-net weighed with its film on, before it was wrapped",
        "or remove film_on",
    ),
    warning(
        "pair_opened_together",
        cell("samples", "A01-film-60", "taken_on", "2025-07-28"),
        SAMPLES,
        "taken_on",
        "A01-film-60",
        "pair A01 at 60 days: bale A01-net on 2025-07-25, bale A01-film on 2025-07-28, 3 days",
        "part of the difference between the bindings",
    ),
    warning(
        "pair_opened_together",
        cell("samples", "A01-film-60", "taken_on", "2025-07-26 09:30"),
        SAMPLES,
        "taken_on",
        "A01-film-60",
        "bale A01-film on 2025-07-26, 1 day apart",
        "check the two dates",
    ),
    warning(
        "opened_once",
        both(
            cell("samples", "A01-film-60", "of", NET),
            cell("samples", "A01-film-60", "taken_on", "2025-07-30"),
        ),
        SAMPLES,
        "taken_on",
        "A01-film-60",
        "bale A01-net sampled on 2025-07-30, opened already on 2025-07-25",
        "a bale that stays in store is cored",
    ),
    warning(
        "weighed_when_sampled",
        cell("weighings", OPENED, "weighed_at", "2025-07-21 08:00"),
        WEIGHINGS,
        "weighed_at",
        OPENED,
        "bale A01-net weighed on 2025-07-21, 4 days from its sample of 2025-07-25",
        "joins the mass of one day with the dry matter of another",
    ),
    warning(
        "weighed_when_sampled",
        cell("samples", SAMPLE, "taken_on", LATE),
        WEIGHINGS,
        "weighed_at",
        OPENED,
        "67 days from its sample of 2025-09-30",
        "check the two dates",
    ),
    error(
        "parts_within_dm",
        both(
            toml('dm = "g/kg"\n', 'dm = "g/kg"\nwsc = "g/kg DM"\ntotal_n = "g/kg DM"\n'),
            cell("samples", SAMPLE, "wsc", "820"),
            cell("samples", SAMPLE, "total_n", "24"),
        ),
        SAMPLES,
        "wsc",
        SAMPLE,
        "lactic_acid, acetic_acid, butyric_acid, wsc, total_n together 1045 g/kg DM, more than",
        "a content of the fresh silage, or in mg/kg or %, is another number on dry matter",
    ),
    error(
        "parts_within_dm",
        both(
            toml('dm = "g/kg"\n', 'dm = "g/kg"\nash = "g/kg fresh"\n'),
            cell("samples", SAMPLE, "ash", "320"),
        ),
        SAMPLES,
        "ash",
        SAMPLE,
        "ash together 1036 g/kg DM, more than the dry matter",
        "check the units in trial.toml",
    ),
    warning(
        "acids_within_dm",
        both(
            cell("samples", SAMPLE, "lactic_acid", "148"),
            cell("samples", SAMPLE, "acetic_acid", "78"),
            cell("samples", SAMPLE, "butyric_acid", "55"),
        ),
        SAMPLES,
        "lactic_acid",
        SAMPLE,
        "acids of 281 g/kg DM together",
        "if the laboratory stands by them, leave them",
    ),
    warning(
        "ten_fold_jump",
        cell("samples", SAMPLE, "butyric_acid", "0.118"),
        SAMPLES,
        "butyric_acid",
        SAMPLE,
        "0.118 g/kg DM for A01-net-60: about ten times less than the others, at 60 days 1.28",
        "typed in % (1 % of DM is 10 g/kg DM)",
    ),
    warning(
        "ten_fold_jump",
        cell("samples", SAMPLE, "butyric_acid", "16.4"),
        SAMPLES,
        "butyric_acid",
        SAMPLE,
        "16.4 g/kg DM for A01-net-60: about ten times more than the others",
        "a slipped decimal point",
    ),
    warning(
        "ten_fold_jump",
        _in_percent(SAMPLE, "A01-film-60", "A02-film-60", "A02-net-60"),
        SAMPLES,
        "lactic_acid",
        SAMPLE,
        "6.04 g/kg DM for A01-net-60, and 3 more like it: about ten times less than the others",
        "if the laboratory stands by it, leave it",
    ),
    warning(
        "ten_fold_jump",
        cell("samples", SAMPLE, "ammonia_n", "0.75"),
        SAMPLES,
        "ammonia_n",
        SAMPLE,
        "0.75 % of total N for A01-net-60: about ten times less",
        "a slipped decimal point",
    ),
    warning(
        "limits_of_one_size",
        both(
            cell("samples", SAMPLE, "butyric_acid", "<0.03"),
            cell("samples", "A01-film-60", "butyric_acid", "<0.3"),
            cell("samples", "A02-film-60", "butyric_acid", "<0.3"),
        ),
        SAMPLES,
        "butyric_acid",
        SAMPLE,
        "limits from <0.03 to <0.3 g/kg DM by North",
        "<0.03 % of DM is <0.3 g/kg DM",
    ),
    warning(
        "dm_not_moisture",
        cell("samples", SAMPLE, "dm", "667"),
        SAMPLES,
        "dm",
        SAMPLE,
        "667 g/kg for A01-net-60: 1000 less this is 333, and the others of Alder Farm are about",
        "see whether moisture was typed for dry matter",
    ),
    warning(
        "dm_not_moisture",
        _as_moisture("day0"),
        SAMPLES,
        "dm",
        "day0",
        "and 3 more like it: 1000 less this is",
        'declared as dm = "% moisture" under [units]',
    ),
    warning(
        "mass_lost",
        cell("weighings", OPENED, "gross", "475"),
        WEIGHINGS,
        "gross",
        OPENED,
        "bale A01-net lighter by ",
        "whether all of it was on the scale",
    ),
    warning(
        "same_scale",
        both(_two_scales, cell("weighings", OPENED, "scale", "loader")),
        WEIGHINGS,
        "scale",
        OPENED,
        "by their checks it shows +1 %, which shifts a DM loss by -0.95 points",
        "two scales that differ by 1 % shift a DM loss of 5 % by 0.95 percentage points",
    ),
)
