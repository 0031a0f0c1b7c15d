"""Make the invented workbook of five farms: ``python data_demo/make_five_farms.py``.

The trial is drawn as those of `make_demo`, and then spoilt as workbooks are: what is wrong with it
stands in `spoil`, one function a fault. Needs numpy and openpyxl; the file is the same byte for
byte each time. No farm, place or figure here is a real one.
"""

import csv
import io
import re
import zipfile
from datetime import datetime
from pathlib import Path

from invented_bales import Accidents, Plan, Site, Truth
from make_demo import HERE, trial_files
from openpyxl import Workbook

Rows = list[dict[str, str]]

WORKBOOK = "five_farms.xlsx"
SHEETS = ("bales", "samples", "weighings", "scales")
NUMBERED = "07"  # code of the farm whose bales have a number for a name
ALONE = "TI"  # code of the farm that made no pairs
DECIMAL = ("dm", "pH", "total_n", "wsc", "ash", "lactic_acid", "acetic_acid", "propionic_acid",
           "butyric_acid", "ethanol", "propanediol", "ammonia_n")  # fmt: skip

FIVE_FARMS = Plan(
    folder="five_farms",
    title="Net or film in the chamber, five farms",
    question="Is film binding worth its price on farms like these?",
    note="film binding adds its own plastic on the curved side",
    seed=6032,
    recored=False,
    bindings=("net", "film"),
    openings=("3 months", "8 months"),
    days=(90, 240),
    window=10,
    sites=(
        Site("Ravelow", "RA", "Heron Tongue", datetime(2024, 6, 3, 12), 350, 0.3, 0.5, 1.0),
        Site("Osmoth", "OM", "Bell Close", datetime(2024, 6, 5, 13), 375, -0.3, -0.5, 0.999),
        Site("Pellinford", NUMBERED, "Old Reach", datetime(2024, 6, 6, 12), 365, 0.1, 0.2, 1.001),
        Site("Quarrick", "QU", "Sallow Bank", datetime(2024, 6, 10, 13), 390, -0.1, -0.2, 1.0),
        Site("Tirrendale", ALONE, "Far Nettle", datetime(2024, 6, 11, 12), 360, 0.0, 0.0, 1.0),
    ),
    pairs=6,
    truth=Truth(
        butyric=3.4,
        slope=1.15,
        log_ratio=-0.55,
        ratio_slope=-0.20,
        loss=5.4,
        loss_difference=-1.6,
        sd_log=(0.35, 0.28, 0.20),
        sd_loss=(0.5, 0.9),
        sd_dm=(14.0, 4.0),
    ),
    accidents=Accidents(late={}, lost={}, missing={}),
)


def trial_tables() -> dict[str, Rows]:
    """Return the tables of the trial as it was, before anybody typed it."""
    files = trial_files(FIVE_FARMS)
    tables = {name: list(csv.DictReader(io.StringIO(files[f"{name}.csv"]))) for name in SHEETS}
    binding = {row["bale"]: row["binding"] for row in tables["bales"]}
    for row in tables["samples"]:
        row["binding_seen"] = binding.get(row["of"], "")
    made_alone(tables)
    numbered(tables)
    return tables


def made_alone(tables: dict[str, Rows]) -> None:
    """One farm made bales of both bindings, but no pairs; one crop sample for all of them."""
    for row in tables["bales"]:
        if row["pair"].startswith(ALONE):
            row["pair"] = ""
    crop = [r for r in tables["samples"] if r["kind"] == "day0" and r["of"].startswith(ALONE)]
    crop[0] |= {"sample": f"C-{ALONE}", "of": f"{ALONE}-cut1", "zone": "windrow"}
    for row in crop[1:]:
        tables["samples"].remove(row)


def numbered(tables: dict[str, Rows]) -> None:
    """The bales of one farm have numbers on their tags, which start with a zero."""
    for rows, column in (("bales", "bale"), ("samples", "of"), ("weighings", "bales")):
        for row in tables[rows]:
            if row[column].startswith(NUMBERED):
                row[column] = row[column].replace("-", "")


def decimal_commas(tables: dict[str, Rows]) -> None:
    """The laboratory writes decimal commas, also in `<0,3`."""
    for row in tables["samples"]:
        for name in DECIMAL:
            row[name] = row[name].replace(".", ",")


def day_and_month(tables: dict[str, Rows]) -> None:
    """Two pairs of one farm were wrapped on 5 June; the day and the month changed places."""
    for row in tables["weighings"]:
        if row["bales"].startswith(("OM01", "OM02")):
            row["weighed_at"] = row["weighed_at"].replace("2024-06-05", "2024-05-06")


def lost_zeros(tables: dict[str, Rows]) -> None:
    """The spreadsheet took the numbers on the tags of one farm for numbers."""
    for row in tables["samples"]:
        if row["of"].startswith(NUMBERED) and row["kind"] == "opening":
            row["of"] = row["of"].lstrip("0")


def swapped_partner(tables: dict[str, Rows]) -> None:
    """The bindings of one pair were written down the wrong way round; it was seen at opening."""
    first, second = (row for row in tables["bales"] if row["pair"] == "RA03")
    first["binding"], second["binding"] = second["binding"], first["binding"]


def row_twice(tables: dict[str, Rows]) -> None:
    """A line was pasted twice."""
    rows = tables["samples"]
    at = rows.index(silage(tables, "QU")[4])
    rows.insert(at + 1, dict(rows[at]))


def units_under_heading(tables: dict[str, Rows]) -> None:
    """Somebody wrote the units under the headings."""
    units = {"sample": "", "dm": "g/kg", **dict.fromkeys(DECIMAL[2:-1], "g/kg DM")}
    tables["samples"].insert(0, dict.fromkeys(tables["samples"][0], "") | units)


def mean_at_bottom(tables: dict[str, Rows]) -> None:
    """Somebody averaged the columns at the bottom."""
    rows = tables["samples"]
    mean = dict.fromkeys(rows[0], "") | {"sample": "Mean"}
    for name in ("dm", "pH"):
        values = [float(row[name].replace(",", ".")) for row in rows[1:]]
        mean[name] = f"{sum(values) / len(values):.2f}".replace(".", ",")
    rows.append(mean)


def spoil(tables: dict[str, Rows]) -> None:
    """Do to the tables what happens to workbooks."""
    for fault in (decimal_commas, day_and_month, lost_zeros, swapped_partner,
                  row_twice, units_under_heading, mean_at_bottom):  # fmt: skip
        fault(tables)


def silage(tables: dict[str, Rows], farm: str) -> Rows:
    """Silage samples of a farm."""
    rows = tables["samples"]
    return [row for row in rows if row["kind"] == "opening" and row["of"].startswith(farm)]


def workbook_bytes(tables: dict[str, Rows]) -> bytes:
    """Return the workbook; its parts bear no time, so that it is the same each time."""
    book, raw, out = Workbook(), io.BytesIO(), io.BytesIO()
    book.remove(book["Sheet"])
    for name in SHEETS:
        sheet = book.create_sheet(name)
        columns = list(dict.fromkeys(column for row in tables[name] for column in row))
        sheet.append(columns)
        for row in tables[name]:
            sheet.append([cell(row.get(column, ""), column) for column in columns])
    book.save(raw)
    with zipfile.ZipFile(raw) as made, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as kept:
        for part in made.namelist():
            content = re.sub(rb">[0-9T:-]+Z</dcterms", b">2024-01-01T00:00:00Z</dcterms",
                             made.read(part))  # fmt: skip
            kept.writestr(zipfile.ZipInfo(part), content)
    return out.getvalue()


def cell(text: str, column: str) -> str | float | datetime | None:
    """Return what a spreadsheet makes of a text: a number, a time, or the text."""
    if column in ("bale", "pair", "bales", "sample") or not text:
        return text or None
    if column.endswith(("_at", "_on")):
        return datetime.fromisoformat(text)
    return float(text) if re.fullmatch(r"-?[1-9]\d*(\.\d+)?|0\.\d+", text) else text


def five_farms_files() -> dict[str, bytes]:
    """Return the files of the folder by name."""
    settings = trial_files(FIVE_FARMS)["trial.toml"].replace("make_demo.py", Path(__file__).name)
    tables = trial_tables()
    spoil(tables)
    return {"trial.toml": settings.encode(), WORKBOOK: workbook_bytes(tables)}


def main() -> None:
    """Write the folder."""
    folder = HERE / FIVE_FARMS.folder
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in five_farms_files().items():
        (folder / name).write_bytes(content)


if __name__ == "__main__":
    main()
