"""The field workbook: everything planned is in it, it is read as it is, and nothing runs in it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from invented_plans import make_plan
from invented_season import rows_of

from silagetrial.data.draft import is_given
from silagetrial.data.schema import TABLES
from silagetrial.data.workbook import find_workbook
from silagetrial.display.cautions import cautions, deferral
from silagetrial.errors import UsageError
from silagetrial.planning.field_columns import SHEETS
from silagetrial.planning.layout import Layout, plan_trial
from silagetrial.planning.plan import Laboratory, Plan, SitePlan
from silagetrial.planning.workbook import WORKBOOK, write_workbook

SITE = SitePlan("", 0, spare_pairs=1, fields=("Long Acre",), stores=("row 1", "row 2"))


def plan(**further: Any) -> Plan:
    made = make_plan(3, 3, site=replace(SITE, baling=make_plan(1).sites[0].baling), **further)
    units = {"dm": "g/kg", "butyric_acid": "g/kg DM"}
    return replace(made, settings=replace(made.settings, units=units))


@pytest.fixture(scope="module")
def layout() -> Layout:
    return plan_trial(plan())


@pytest.fixture(scope="module")
def book(layout: Layout, tmp_path_factory: pytest.TempPathFactory) -> Any:
    path = tmp_path_factory.mktemp("book") / WORKBOOK
    write_workbook(layout, path)
    return openpyxl.load_workbook(path)


def test_the_sheets_are_the_tables_and_what_people_need(book: Any) -> None:
    assert book.sheetnames == ["how to use", *SHEETS, "opening days", "columns", "lists"]
    assert book["lists"].sheet_state == "hidden"


@pytest.mark.parametrize("table", SHEETS)
def test_what_is_planned_is_in_its_cell(book: Any, layout: Layout, table: str) -> None:
    typed, planned = rows_of(book[table]), getattr(layout, table)
    assert len(typed) == len(planned) > 0
    shown = [cell.value for cell in book[table][1]]
    assert set(shown) <= {column.name for column in TABLES[table]} | {"film_layers"}
    for row, (_, expected) in zip(typed, planned.iterrows(), strict=True):
        for name, value in expected.items():
            if is_given(value):
                assert str(row[name]) == str(value), name
            else:
                assert row.get(name) is None, name


def test_the_reader_finds_the_same_cells(layout: Layout, tmp_path: Path) -> None:
    write_workbook(layout, tmp_path / WORKBOOK)
    found, problems = find_workbook(tmp_path)
    assert problems == ()
    assert found is not None
    assert set(found.sheets) == set(SHEETS)


@pytest.mark.parametrize("table", SHEETS)
def test_each_column_says_what_it_means_in_which_unit(book: Any, table: str) -> None:
    known = {column.name: column for column in TABLES[table]}
    for cell in book[table][1]:
        column = known[cell.value]
        assert column.description[1:] in cell.comment.text
        if column.unit and column.unit != "[units]":
            assert f"Unit: {column.unit}." in cell.comment.text
    told = {row["column"]: row for row in rows_of(book["columns"]) if row["sheet"] == table}
    assert set(told) == {cell.value for cell in book[table][1]}


def lists_of(book: Any, table: str) -> dict[str, list[str]]:
    """Words of every list, by column, as a spreadsheet program finds them."""
    found = {}
    for rule in book[table].data_validations.dataValidation:
        if rule.type == "list":
            where = rule.formula1.removeprefix("lists!").replace("$", "")
            column = book[table].cell(1, min(area.min_col for area in rule.sqref.ranges)).value
            found[column] = [row[0].value for row in book["lists"][where]]
    return found


def test_lists_hold_the_words_of_the_schema(book: Any, layout: Layout) -> None:
    choices = {c.name: list(c.choices) for table in TABLES.values() for c in table}
    events, samples = lists_of(book, "events"), lists_of(book, "samples")
    assert events["what"] == choices["what"]
    assert events["bale"] == list(layout.bales["bale"])
    assert samples["dm_basis"] == choices["dm_basis"]
    assert samples["binding_seen"] == ["net", "film"]
    flags = lists_of(book, "weighings")["flags"]
    assert {frozenset(word.split()) for word in flags} == {
        frozenset(words)
        for words in (["wet"], ["soil"], ["film_on"], ["wet", "soil"], ["wet", "film_on"],
                      ["soil", "film_on"])
    }  # fmt: skip
    assert lists_of(book, "bales")["planned_opening"] == [
        "2 months", "4 months", "6 months", "spare",
    ]  # fmt: skip
    assert lists_of(book, "weighings")["scale"] == ["S1", "S2"]


@pytest.mark.parametrize("table", [*SHEETS, "opening days", "columns"])
def test_sheets_are_set_up_for_screen_and_print(book: Any, table: str) -> None:
    sheet = book[table]
    assert sheet.freeze_panes.endswith("2")
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.page_setup.paperSize == 9  # A4
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert sheet.page_setup.fitToHeight == 0
    assert sheet.print_title_rows == "$1:$1"
    assert "cautions" in sheet.oddFooter.left.text


def test_cells_to_fill_differ_from_planned_ones_in_grey_as_well(book: Any) -> None:
    def grey(cell: Any) -> float:
        red, green, blue = (int(cell.fill.fgColor.rgb[k : k + 2], 16) for k in (2, 4, 6))
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue  # luma, ITU-R BT.709

    names = [cell.value for cell in book["weighings"][1]]
    first = {name: book["weighings"].cell(2, j) for j, name in enumerate(names, start=1)}
    assert grey(first["gross"]) - grey(first["bales"]) > 20
    for name in ("planned_opening", "repeat", "scale"):
        assert grey(first[name]) == grey(first["bales"])
    for name in ("gross", "tare", "weighed_at", "note"):
        assert grey(first[name]) == grey(first["gross"])
    spare = book["events"].cell(book["events"].max_row, 1)
    assert spare.value is None
    assert grey(spare) == grey(first["gross"])


def test_the_first_sheet_carries_every_caution(book: Any) -> None:
    text = [row[1].value for row in book["how to use"].iter_rows()]
    assert {*cautions(), deferral()} <= set(text)


def test_no_sheet_of_an_opening_day_shows_a_binding(book: Any) -> None:
    for name in ("opening days", "samples", "weighings"):
        cells = [cell for row in book[name].iter_rows(values_only=True) for cell in row if cell]
        assert not {"net", "film"} & {str(cell) for cell in cells}


def test_a_code_stands_beside_its_bale_on_the_opening_day_only(book: Any, layout: Layout) -> None:
    codes = {row["bale"]: row["codes"] for row in rows_of(book["opening days"])}
    opened = layout.key[layout.key["kind"] == "opening"].dropna(subset="of")
    opened = opened[opened["batch"].notna()]
    assert {name: set(text.split()) for name, text in codes.items()} == {
        str(of): set(rows["sample"]) for of, rows in opened.groupby("of")
    }
    bales = set(layout.bales["bale"])
    for row in rows_of(book["samples"]):
        assert not bales & {str(value) for value in row.values()}


def test_names_are_never_formulas(tmp_path: Path) -> None:
    made = plan()
    first = replace(made.sites[0], name="=HYPERLINK(1)", stores=("+1", "@x"), fields=("-2",))
    write_workbook(plan_trial(replace(made, sites=(first, made.sites[1]))), tmp_path / WORKBOOK)
    book = openpyxl.load_workbook(tmp_path / WORKBOOK)
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}
    assert "f" not in kinds
    assert book["bales"]["A2"].value == "=HYPERLINK(1)"


def test_a_control_character_is_named(tmp_path: Path) -> None:
    made = replace(plan(), laboratory=Laboratory(name="North\x07"))
    with pytest.raises(UsageError) as caught:
        write_workbook(plan_trial(made), tmp_path / WORKBOOK)
    assert caught.value.found == "the text 'North\\x07', with a control character"
    assert caught.value.expected == "names and texts of characters that can be shown"
    assert caught.value.remedy == "correct it in plan.toml"


def test_columns_of_acids_follow_what_is_ordered(tmp_path: Path) -> None:
    made = plan()
    settings = replace(made.settings, units={"dm": "%", "wsc": "% DM"})
    write_workbook(plan_trial(replace(made, settings=settings)), tmp_path / WORKBOOK)
    sheet = openpyxl.load_workbook(tmp_path / WORKBOOK)["samples"]
    told = {cell.value: cell.comment.text for cell in sheet[1]}
    assert {"dm", "pH", "butyric_acid", "wsc"} <= set(told)
    assert "lactic_acid" not in told
    assert "Unit: %." in told["dm"]
    assert "Unit: % DM." in told["wsc"]
