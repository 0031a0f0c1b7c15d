"""What spreadsheets do to tables, one case each."""

from __future__ import annotations

from pathlib import Path

from builders import read_cells, write_cells
from problem_case import NET, OPENED, SAMPLE, Edit, cell, error, warning

__all__ = ["TRICKS"]


def rows_put(table: str, at: int, *rows: str) -> Edit:
    """Put lines into a file before its line `at`, counted from 0."""

    def edit(folder: Path) -> None:
        path = folder / f"{table}.csv"
        lines = path.read_text(encoding="utf-8").splitlines()
        at_end = at if at >= 0 else len(lines)
        path.write_text("\n".join([*lines[:at_end], *rows, *lines[at_end:], ""]), encoding="utf-8")

    return edit


def units_below(folder: Path) -> None:
    """Put a row of units under the heading of weighings."""
    rows = read_cells(folder / "weighings.csv")
    units = {name: {"gross": "kg", "tare": "(kg)"}.get(name, "") for name in rows[0]}
    write_cells(folder / "weighings.csv", [units, *rows])


def renamed_bale(name: str) -> Edit:
    """Give a bale another name in bales only."""
    return cell("bales", NET, "bale", name)


TRICKS = (
    *(
        error(
            "without_tricks",
            renamed_bale(name),
            "bales.csv",
            "bale",
            name,
            f"{name!r}, a day: spreadsheets make one of names such as 3-4",
            "set the format of the column to text",
        )
        for name in ("2026-04-03", "03-Apr", "Apr-03", "3-Okt", "2026-04-03 00:00")
    ),
    *(
        error(
            "without_tricks",
            renamed_bale(name),
            "bales.csv",
            "bale",
            name,
            f"{name!r}, a number with an exponent",
            "set the format of the column to text",
        )
        for name in ("1E+05", "1.00E+05")
    ),
    error(
        "without_tricks",
        lambda folder: [
            renamed_bale("100000")(folder),
            cell("bales", "A01-film", "bale", "1E4")(folder),
        ],
        "bales.csv",
        "bale",
        "100000",
        "'100000', a round number beside names such as 1E4",
        "set the format of the column to text",
    ),
    warning(
        "without_tricks",
        lambda folder: [
            renamed_bale("7")(folder),
            cell("bales", "A01-film", "bale", "007")(folder),
        ],
        "bales.csv",
        "bale",
        None,
        "leading zeros lost, or two bales?",
        "nothing to do if these are two bales",
    ),
    error(
        "without_tricks",
        units_below,
        "weighings.csv",
        None,
        "kg",
        "a row of units (kg, (kg)) under the heading",
        "remove the row",
    ),
    error(
        "without_tricks",
        rows_put("weighings", -1, "Mean,,,,612.5,75,"),
        "weighings.csv",
        None,
        "Mean",
        "a row of results of a calculation, 'Mean'",
        "remove the row",
    ),
    error(
        "without_tricks",
        rows_put("weighings", -1, "Mittelwert,,,,612.5,75,"),
        "weighings.csv",
        None,
        "Mittelwert",
        "a row of results of a calculation, 'Mittelwert'",
        "belongs into another sheet",
    ),
    error(
        "without_tricks",
        rows_put("weighings", -1, "bale,at,what,,,,", "A01-net,2025-06-01,moved,,,,"),
        "weighings.csv",
        None,
        "bale,at",
        "a second heading (at, bale, what)",
        "move this heading and the rows below it",
    ),
    warning(
        "without_tricks",
        rows_put("weighings", -1, "bale,at,what,,,,", "A01-net,2025-06-01,moved,,,,"),
        "weighings.csv",
        None,
        "A01-net,2025-06-01,moved",
        "a row below the second heading",
        "it is not read",
    ),
    error(
        "without_tricks",
        rows_put(
            "weighings", 9, "weighing,bales,weighed_at,scale,gross,tare,flags"
        ),
        "weighings.csv",
        None,
        "weighing,bales",
        "a second heading",
        "the rows below it are read under the first heading",
    ),
    error(
        "without_tricks",
        rows_put("weighings", 0, "Weighings of the trial", ""),
        "weighings.csv",
        None,
        "weighing,bales",
        "the heading in line 3, below other text",
        "remove the lines above it",
    ),
    error(
        "without_tricks",
        cell("weighings", OPENED, "scale", "#REF!"),
        "weighings.csv",
        "scale",
        OPENED,
        "#REF!, an error of the spreadsheet",
        "mend the formula",
    ),
    error(
        "without_tricks",
        cell("samples", SAMPLE, "laboratory", "Err:502"),
        "samples.csv",
        "laboratory",
        SAMPLE,
        "Err:502, an error of the spreadsheet",
        "or type the value",
    ),
)  # fmt: skip
