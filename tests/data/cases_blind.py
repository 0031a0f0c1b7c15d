"""Problems with what is noted blind, with the key to it, and with workbooks."""

from __future__ import annotations

from pathlib import Path

from builders import Cells, read_cells, write_cells
from openpyxl import Workbook
from problem_case import NET, OPENED, SAMPLE, WRAPPED, Edit, both, cell, error, warning

__all__ = ["BLIND", "DUE", "SHEETS"]


def blind(*changes: tuple[str, str, str], keep: bool = False, extra: Cells | None = None) -> Edit:
    """Move of, kind and batch of all samples to blind_key.csv, then change cells of it."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / "samples.csv")
        key = [
            {
                "sample": row["sample"],
                "of": row["of"],
                "kind": row["kind"],
                "opening": f"{row['sample'].rsplit('-', 1)[1]} days"
                if row["kind"] != "day0"
                else "",
                "batch": row["batch"],
                "role": "sample",
                "of_sample": "",
            }
            for row in rows
        ]
        for row in key:
            row |= {column: value for name, column, value in changes if name == row["sample"]}
        write_cells(folder / "blind_key.csv", [*key, *(extra or [])])
        if not keep:
            blank = {"of": "", "kind": "", "batch": ""}
            write_cells(folder / "samples.csv", [{**row, **blank} for row in rows])

    return edit


BLIND = (
    error(
        "binding_as_seen",
        cell("samples", SAMPLE, "binding_seen", "film"),
        "samples.csv",
        "binding_seen",
        SAMPLE,
        "film seen on bale A01-net, recorded with net: swapped with its partner in the pair?",
        "look at the tags",
    ),
    error(
        "binding_as_seen",
        cell("samples", SAMPLE, "binding_seen", "nett"),
        "samples.csv",
        "binding_seen",
        SAMPLE,
        "'nett'",
        "did you mean 'net'?",
    ),
    warning(
        "key_samples_known",
        blind(extra=[{"sample": "K99", "of": NET, "kind": "opening", "role": "sample"}]),
        "blind_key.csv",
        "sample",
        "K99",
        "'K99', which is not in samples.csv",
        "nothing to do if it was never sent",
    ),
    warning(
        "key_opening_kept",
        blind((SAMPLE, "opening", "240 days")),
        "samples.csv",
        "taken_on",
        SAMPLE,
        "sample A01-net-60 of bale A01-net taken at 60 days, planned for 240 days in line",
        "check the date and the name",
    ),
    error(
        "openings_known",
        blind((SAMPLE, "opening", "60 dys")),
        "blind_key.csv",
        "opening",
        SAMPLE,
        "'60 dys'",
        "did you mean '60 days'?",
    ),
    error(
        "openings_known",
        cell("weighings", OPENED, "planned_opening", "2 months"),
        "weighings.csv",
        "planned_opening",
        OPENED,
        "'2 months'",
        "correct the cell",
    ),
    error(
        "unblinded",
        blind((SAMPLE, "of", "A01-film"), keep=True),
        "samples.csv",
        "of",
        SAMPLE,
        "sample A01-net-60: of 'A01-net' here, 'A01-film' in line",
        "if two samples were exchanged",
    ),
    error(
        "unblinded",
        blind((SAMPLE, "role", "duplicate")),
        "blind_key.csv",
        "of_sample",
        SAMPLE,
        "duplicate A01-net-60 of A01-net; of role sample, from the same bale, kind and opening, "
        "there is none",
        "write its name under of_sample",
    ),
    error(
        "unblinded",
        blind((SAMPLE, "role", "duplicate"), (SAMPLE, "of_sample", "A01-film-60")),
        "blind_key.csv",
        "of_sample",
        SAMPLE,
        "duplicate A01-net-60 of A01-net, of_sample 'A01-film-60'",
        "write its name under of_sample",
    ),
    error(
        "with_due",
        both(blind(), cell("blind_key", SAMPLE, "sample", "K1")),
        "samples.csv",
        "of",
        SAMPLE,
        "a blank cell, and blind_key.csv does not say it of A01-net-60",
        "or correct the sample's name or blind_key.csv",
    ),
    error(
        "duplicate_names",
        both(blind(), cell("blind_key", SAMPLE, "sample", "A01-film-60")),
        "blind_key.csv",
        "sample",
        "A01-film-60",
        "sample 'A01-film-60' again, first in line",
        "rename one of the two",
    ),
)

DUE = (
    error(
        "with_due",
        both(cell("bales", NET, "film_wrapped_at", ""), cell("bales", NET, "baled_at", "")),
        "bales.csv",
        "film_wrapped_at",
        NET,
        "a blank cell, though bale A01-net was made: there is sample A01-net-60",
        "fill in the cell",
    ),
    error(
        "with_due",
        cell("weighings", WRAPPED, "weighed_at", ""),
        "weighings.csv",
        "weighed_at",
        WRAPPED,
        "a blank cell",
        "fill in the cell",
    ),
    error(
        "with_due",
        cell("samples", SAMPLE, "taken_on", ""),
        "samples.csv",
        "taken_on",
        SAMPLE,
        "a blank cell",
        "fill in the cell",
    ),
    error(
        "with_due",
        cell("samples", SAMPLE, "of", ""),
        "samples.csv",
        "of",
        SAMPLE,
        "a blank cell",
        "or add blind_key.csv where samples are blind",
    ),
    error(
        "with_due",
        lambda folder: write_cells(
            folder / "events.csv", [{"bale": NET, "at": "", "what": "lost"}]
        ),
        "events.csv",
        "at",
        NET,
        "a blank cell",
        "fill in the cell",
    ),
)


def sheet(table: str, rows: list[list[object]], *, file: str = "field.xlsx") -> Edit:
    """Write a workbook with one sheet."""

    def edit(folder: Path) -> None:
        book = Workbook()
        page = book.active
        assert page is not None
        page.title = table
        for row in rows:
            page.append(row)
        book.save(folder / file)

    return edit


EVENTS: list[list[object]] = [["bale", "at", "what", "note"], [NET, "2025-06-01", "moved", ""]]

SHEETS = (
    error(
        "find_workbook",
        lambda folder: (folder / "x.XLSX").write_bytes(b"PK"),
        "x.XLSX",
        None,
        None,
        "a file that cannot be read as a workbook",
        "save it again as .xlsx, or move it out of the folder",
    ),
    warning(
        "find_workbook",
        sheet("Tabelle1", EVENTS),
        "field.xlsx",
        None,
        None,
        "a workbook without a sheet that is known: Tabelle1",
        "rename the sheets; or, for one table with headings of your own, name it under [flat]",
    ),
    error(
        "find_workbook",
        both(sheet("events", EVENTS), sheet("events", EVENTS, file="old.xlsx")),
        "old.xlsx",
        None,
        None,
        "a second workbook with tables of the trial, beside field.xlsx",
        "move the one that is out of date out of the folder",
    ),
    error(
        "read_trial",
        sheet("scales", [["scale"], ["platform"]]),
        "scales.csv",
        None,
        None,
        "the table scales here and as a sheet of field.xlsx",
        "then move scales.csv out of the folder",
    ),
    error(
        "find_workbook",
        sheet("events", []),
        "field.xlsx, sheet events",
        None,
        None,
        "a sheet without a heading",
        "write the heading, or remove the sheet",
    ),
    error(
        "find_workbook",
        sheet("events", [["bale", "at", "what", "note"], [NET, "2025-06-01", "moved", "=1/0"]]),
        "field.xlsx, sheet events",
        "note",
        None,
        "a formula without a value",
        "save the workbook from the spreadsheet",
    ),
    error(
        "events_known",
        sheet("events", [["bale", "at", "what"], ["Z9", "2025-06-01", "moved"]]),
        "field.xlsx, sheet events",
        "bale",
        None,
        "'Z9', which is not in bales.csv",
        "correct the name, or add the bale",
    ),
    error(
        "find_workbook",
        lambda folder: _far_cell(folder / "field.xlsx"),
        "field.xlsx",
        None,
        None,
        "a cell below row 99999 or right of column ZZ",
        "Ctrl+End goes to it",
    ),
)


def _far_cell(path: Path) -> None:
    book = Workbook()
    page = book.active
    assert page is not None
    page.title = "events"
    page["A1"], page["XFD1048576"] = "bale", "x"
    book.save(path)
