"""After an early stop what was typed is in the new workbook, and nothing is lost on the way."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import openpyxl
import pytest
from invented_plans import make_plan
from invented_season import fill, rows_of, typed

from silagetrial import plan_trial, read_trial, write_plan
from silagetrial.display.place import Work
from silagetrial.errors import UsageError
from silagetrial.planning.plan import Plan, SitePlan
from silagetrial.planning.worth_folder import write_folder

pytestmark = pytest.mark.slow

DAY = dt.date(2027, 5, 20)
PAGES = Work("page", "worth_files.json", frozenset({"worth.html", "pictures", "worth_files.json"}))


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(6, openings=2, site=SitePlan("", 0, stores=("row 1",), baling=DAY))


@pytest.fixture
def earlier(plan: Plan, tmp_path: Path) -> Path:
    """A folder after a baling day that ended with four pairs of six."""
    layout = plan_trial(plan)
    out = write_plan(layout, tmp_path / "earlier", filed=DAY).path
    fill(out, layout)
    made = {f"N{n:02d}" for n in range(1, 9)}
    book = out / "field.xlsx"
    blank = dict.fromkeys(
        ("baled_at", "film_wrapped_at", "roll", "breaks", "binding_kg", "film_kg")
    )
    typed(book, "bales", lambda row: {} if row["bale"] in made else blank)

    def weighed(row: dict[str, object]) -> dict[str, object]:
        kept = row["bales"] in made and row["planned_opening"] is None
        return {} if kept else {"weighed_at": None, "gross": None, "tare": None}

    typed(book, "weighings", weighed)
    nothing = ("taken_on", "binding_seen", "dm", "dm_basis", "pH", "butyric_acid")
    typed(book, "samples", lambda _: dict.fromkeys(nothing))
    typed(book, "events", lambda _: {"at": None})
    return out


def test_data_of_the_pairs_made_are_carried_over(plan: Plan, earlier: Path, tmp_path: Path) -> None:
    typed(earlier / "field.xlsx", "bales", lambda r: {"note": "wet"} if r["bale"] == "N03" else {})
    before = (earlier / "field.xlsx").read_bytes()
    layout = plan_trial(plan, stopped_early={"Farm 1": 4})
    new = write_plan(layout, tmp_path / "new", filed=DAY, carry_from=earlier).path
    assert (earlier / "field.xlsx").read_bytes() == before
    was, now = read_trial(earlier), read_trial(new)
    assert now.errors == ()
    assert list(now.bales["bale"]) == [f"N{n:02d}" for n in range(1, 9)]
    for name in ("baled_at", "film_wrapped_at", "roll", "binding", "note"):
        assert now.bales[name].tolist() == was.bales[name].tolist()
    assert now.bales.set_index("bale").loc["N03", "note"] == "wet"
    columns = ["gross", "repeat", "weighed_at", "bale"]
    was_weighed, now_weighed = (
        trial.weighings[columns].astype(object).fillna(0) for trial in (was, now)
    )
    assert now_weighed.sort_values(columns).to_numpy().tolist() == (
        was_weighed.sort_values(columns).to_numpy().tolist()
    )
    assert now.weighings["weighing"].is_unique
    assert set(now.blind_key["sample"]) == set(layout.key["sample"])
    assert now.scales["check_reading"].tolist() == was.scales["check_reading"].tolist()
    batches = {row["sample"]: row["batch"] for row in rows_of_samples(new)}
    assert batches == dict(zip(layout.samples["sample"], layout.samples["batch"], strict=True))


def test_files_stored_with_the_trial_come_along_byte_for_byte(
    plan: Plan, earlier: Path, tmp_path: Path
) -> None:
    stored = {
        "laboratories.toml": b'[[laboratory]]\nname = "North"\r\n',
        "laboratory_reports/Q-1.csv": b"Probe;BS\r\nB\xe4;1\n",
        "laboratory_reports/scans/Q-2.pdf": b"%PDF-1.4 invented\n%%EOF\n",
        "photographs/day 1/N03.jpg": bytes(range(256)),
        "printable/baling_day_filled_in.pdf": b"%PDF-1.4\n",
        "notes.txt": b"the dog sat on N05\n",
    }
    passing = (".DS_Store", "~$field.xlsx", ".ipynb_checkpoints/x.ipynb")
    for name, content in {**stored, **dict.fromkeys(passing, b"x")}.items():
        (earlier / name).parent.mkdir(parents=True, exist_ok=True)
        (earlier / name).write_bytes(content)
    (earlier / "README.txt").write_bytes(b"as it was")
    before = {path: path.read_bytes() for path in earlier.rglob("*") if path.is_file()}
    layout = plan_trial(plan, stopped_early={"Farm 1": 4})
    new = write_plan(layout, tmp_path / "new", filed=DAY, carry_from=earlier)
    assert {path: path.read_bytes() for path in earlier.rglob("*") if path.is_file()} == before
    for name, content in stored.items():
        assert (new.path / name).read_bytes() == content
        assert new.path / name in new.files
    assert not any((new.path / name).exists() for name in passing)
    assert (new.path / "README.txt").read_bytes() != b"as it was"
    alone = write_plan(layout, tmp_path / "alone", filed=DAY)
    names = {path.relative_to(alone.path).as_posix() for path in alone.files}
    assert {p.relative_to(new.path).as_posix() for p in new.files} == names | set(stored)
    with pytest.raises(UsageError, match=r"it holds laboratories\.toml"):
        write_plan(layout, new.path, filed=DAY)


def test_a_link_out_of_the_earlier_folder_is_refused(
    plan: Plan, earlier: Path, tmp_path: Path
) -> None:
    (tmp_path / "secret.txt").write_text("not of the trial", encoding="utf-8")
    (earlier / "photo.jpg").symlink_to(tmp_path / "secret.txt")
    layout = plan_trial(plan, stopped_early={"Farm 1": 4})
    with pytest.raises(UsageError) as caught:
        write_plan(layout, tmp_path / "new", filed=DAY, carry_from=earlier)
    assert caught.value.found == f"{earlier / 'photo.jpg'}, a link that leads out of the folder"
    assert caught.value.expected == "files that lie in the earlier folder"
    assert caught.value.remedy.startswith("copy the file into the folder")
    assert not (tmp_path / "new").exists()


def rows_of_samples(folder: Path) -> list[dict[str, object]]:
    return rows_of(openpyxl.load_workbook(folder / "field.xlsx")["samples"])


def test_rows_that_nobody_planned_come_along(plan: Plan, earlier: Path, tmp_path: Path) -> None:
    book = openpyxl.load_workbook(earlier / "field.xlsx")
    sheet = book["events"]
    free = next(r for r in range(2, 999) if sheet.cell(r, 1).value is None)
    row = ("N02", dt.datetime(2027, 5, 20, 15, 0), "dropped", "=rope broke")
    for j, value in enumerate(row, start=1):
        sheet.cell(free, j).value = value
        sheet.cell(free, j).data_type = "d" if j == 2 else "s"
    book.save(earlier / "field.xlsx")
    layout = plan_trial(plan, stopped_early={"Farm 1": 4})
    new = write_plan(layout, tmp_path / "new", filed=DAY, carry_from=earlier).path
    events = read_trial(new).events
    assert events[["bale", "what", "cause"]].to_numpy().tolist() == [
        ["N02", "dropped", "=rope broke"]
    ]


def test_a_bale_made_that_the_layout_has_not_is_refused(
    plan: Plan, earlier: Path, tmp_path: Path
) -> None:
    layout = plan_trial(plan, stopped_early={"Farm 1": 3})
    with pytest.raises(UsageError) as caught:
        write_plan(layout, tmp_path / "new", filed=DAY, carry_from=earlier)
    assert caught.value.found == (
        "bale N07 of the earlier workbook has data and is not in the new layout"
    )
    assert caught.value.expected == "a layout with every bale that was made"
    assert caught.value.remedy.startswith("count the pairs made again")
    assert not (tmp_path / "new").exists()


def test_what_this_program_wrote_into_the_earlier_folder_stays_there(
    plan: Plan, earlier: Path, tmp_path: Path
) -> None:
    """A report in the folder of its trial, say; one in which somebody wrote is kept."""
    for name in ("page", "remarks"):
        write_folder(earlier / name, PAGES, {"worth.html": "<html></html>"}, {})
    (earlier / "remarks" / "worth.html").write_text("mine", encoding="utf-8")
    was = read_trial(earlier)
    assert not any("page" in name for name in was.files)
    layout = plan_trial(plan, stopped_early={"Farm 1": 4})
    new = write_plan(layout, tmp_path / "new", filed=DAY, carry_from=earlier).path
    assert not (new / "page").exists()
    assert (new / "remarks" / "worth.html").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("content", [None, b"no workbook"])
def test_an_earlier_workbook_that_cannot_be_read_is_named(
    plan: Plan, tmp_path: Path, content: bytes | None
) -> None:
    (tmp_path / "old").mkdir()
    if content is not None:
        (tmp_path / "old" / "field.xlsx").write_bytes(content)
    with pytest.raises(UsageError) as caught:
        write_plan(plan_trial(plan), tmp_path / "new", filed=DAY, carry_from=tmp_path / "old")
    assert caught.value.found.startswith(f"{tmp_path / 'old' / 'field.xlsx'} cannot be read: ")
    assert caught.value.expected == "the field workbook of an earlier plan"
    assert caught.value.remedy.startswith("give the folder")
    assert not (tmp_path / "new").exists()
