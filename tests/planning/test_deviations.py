"""A plan that was kept is said to be kept; whatever was done otherwise is named."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from invented_season import Row, fill, typed

from silagetrial import Analysis, analyse, deviations, read_trial
from silagetrial.data.schema import SPARE
from silagetrial.display import Table
from silagetrial.errors import UsageError
from silagetrial.planning.analysis_plan import canonical, filed_plan
from silagetrial.planning.deviations import FORESEEN, as_planned
from silagetrial.planning.deviations_made import TO_COME, conduct, openings_done
from silagetrial.planning.folder import write_plan
from silagetrial.planning.layout import Layout, plan_trial

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"


@pytest.fixture(scope="module")
def layout() -> Layout:
    return plan_trial(DEMO)


@pytest.fixture(scope="module")
def season(layout: Layout, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A planned folder with a whole season in it."""
    out = tmp_path_factory.mktemp("season") / "trial"
    write_plan(layout, out, plan_file=DEMO, filed=dt.date(2027, 4, 1))
    fill(out, layout)
    return out


@pytest.fixture
def folder(season: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copytree(season, tmp_path / "trial"))


@pytest.fixture(scope="module")
def analysed(season: Path) -> Analysis:
    return analyse(read_trial(season))


def table_of(folder: Path, analysis: Analysis | None = None) -> Table:
    trial = read_trial(folder)
    assert trial.errors == ()
    return deviations(trial, analysis or analyse(trial))


def made_of(folder: Path) -> dict[str, tuple[str, str, str]]:
    """What was done otherwise in the field: planned, done and kind by what."""
    trial = read_trial(folder)
    assert trial.errors == ()
    plan = filed_plan(folder)
    assert plan is not None
    assert plan.content is not None
    found = conduct(plan.content["layout"], trial, rule=FORESEEN)
    return {row.what: (row.planned, row.done, row.kind) for row in found}


def one(bale: str, **cells: object) -> Callable[[Row], Row]:
    """Type into the rows of one bale."""
    return lambda row: cells if bale in (row.get("bale"), row.get("bales")) else {}


def test_a_season_as_planned_has_no_row(season: Path, analysed: Analysis) -> None:
    table = table_of(season, analysed)
    assert not len(table)
    assert list(table.frame.columns) == ["what", "planned", "done", "kind"]
    assert as_planned(table)


def test_a_folder_without_a_plan_has_no_row(folder: Path, analysed: Analysis) -> None:
    (folder / "analysis_plan.json").unlink()
    assert filed_plan(folder) is None
    assert filed_plan(None) is None
    assert not len(table_of(folder, analysed))


def test_every_setting_changed_is_named_and_the_model_that_follows(folder: Path) -> None:
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    for old, new in (
        ('opening = "8 months"', 'opening = "5 months"'),
        ("alpha = 0.05", "alpha = 0.1"),
        ("window = [230, 255]", "window = [225, 255]"),
        ("blocks = []", 'blocks = ["field"]'),
        ("film_layers = 6", "film_layers = 8"),
        ("dm_loss = 1 }", "dm_loss = 2 }"),
        ('families = "reference"', 'families = "all pairs"'),
        ("responses = []", 'responses = ["pH"]'),
        ('title = "Net', 'title = "Film'),
    ):
        assert old in text
        text = text.replace(old, new)
    (folder / "trial.toml").write_text(text, encoding="utf-8")
    frame = table_of(folder).frame
    changed = frame[frame["kind"] == "setting changed"].set_index("what")
    assert {what: (row["planned"], row["done"]) for what, row in changed.iterrows()} == {
        "analysis, opening": ("8 months", "5 months"),
        "analysis, alpha": ("0.05", "0.1"),
        "opening 8 months": ("240 days, window 230 to 255", "240 days, window 225 to 255"),
        "analysis, blocks": ("none", "field"),
        "held equal, film layers": ("6", "8"),
        "analysis, important, dm loss": ("1", "2"),
        "analysis, families": ("reference", "all pairs"),
        "analysis, responses": ("none", "pH"),
    }
    model = frame[frame["kind"] == "model"].set_index("what")
    assert model.loc["Butyric acid, random terms", "planned"] == "lot, pair"
    assert "field" in model.loc["Butyric acid, random terms", "done"]


def test_a_file_changed_since_is_told_by_its_hash(folder: Path, analysed: Analysis) -> None:
    path = folder / "analysis_plan.json"
    record = json.loads(path.read_bytes())
    assert canonical(record) == path.read_bytes()
    before = filed_plan(folder)
    record["settings"]["analysis"]["alpha"] = 0.1
    path.write_bytes(canonical(record))
    after = filed_plan(folder)
    assert before is not None
    assert after is not None
    assert before.intact
    assert not after.intact
    rows = table_of(folder, analysed).frame.set_index("what")
    assert rows.loc["the analysis plan itself", "planned"] == f"SHA-256 {before.sha256[:12]}"
    assert rows.loc["the analysis plan itself", "done"] == (
        f"SHA-256 {after.sha256[:12]}: the file was changed after it was filed"
    )
    assert rows.loc["analysis, alpha", "done"] == "0.05"


def test_a_plan_whose_hash_is_gone_cannot_be_trusted(folder: Path, analysed: Analysis) -> None:
    (folder / "analysis_plan.sha256").unlink()
    table = table_of(folder, analysed)
    assert not as_planned(table)
    assert table.frame.loc[0, "done"].startswith("no such file: whether the plan was changed")


@pytest.mark.parametrize("content", [b"no json", b"[]", b"\xff"])
def test_a_plan_that_cannot_be_read_is_named(
    folder: Path, content: bytes, analysed: Analysis
) -> None:
    (folder / "analysis_plan.json").write_bytes(content)
    table = table_of(folder, analysed)
    assert not as_planned(table)
    assert table.frame.loc[0, "done"] == "a file that holds none or cannot be read"
    assert len(table) == 1


def test_a_plan_of_another_version_is_refused(folder: Path) -> None:
    (folder / "analysis_plan.json").write_text('{"settings": {}, "format": "later"}')
    with pytest.raises(UsageError) as caught:
        filed_plan(folder)
    assert caught.value.found == "analysis_plan.json of the format 'later'"
    assert caught.value.expected == "'silagetrial analysis plan, version 1'"
    assert "written_by" in caught.value.remedy


RESULTS = (
    "taken_on", "binding_seen", "dm", "dm_basis", "pH", "lactic_acid", "acetic_acid",
    "butyric_acid", "wsc", "ammonia_n",
)  # fmt: skip


def undo(folder: Path, layout: Layout, names: set[str], *, opening_only: bool = False) -> None:
    """Blank what was done with these bales and pairs, or only what was done at their opening."""
    of = layout.key.set_index("sample")["of"]
    book = folder / "field.xlsx"
    blank = dict.fromkeys(RESULTS)
    typed(book, "samples", lambda row: blank if of[row["sample"]] in names else {})
    late = dict.fromkeys(("weighed_at", "gross"))
    typed(
        book,
        "weighings",
        lambda row: (
            late
            if row["bales"] in names and not (opening_only and row["planned_opening"] is None)
            else {}
        ),
    )
    gone = lambda row: row["bale"] in names and row["what"] == "inspected"  # noqa: E731
    typed(book, "events", lambda row: {"at": None} if gone(row) else {})
    if not opening_only:
        made = dict.fromkeys(("baled_at", "film_wrapped_at"))
        typed(book, "bales", lambda row: made if row["bale"] in names else {})


def test_swapped_bindings_are_told_by_bale(folder: Path, layout: Layout) -> None:
    binding = layout.bales.set_index("bale")["binding"]
    other = {"net": "film", "film": "net"}
    for bale in ("N01", "N02"):
        typed(folder / "field.xlsx", "bales", one(bale, binding=other[binding[bale]]))
    book = openpyxl.load_workbook(folder / "field.xlsx")
    seen = [cell.value for cell in book["samples"][1]].index("binding_seen") + 1
    of = layout.key.set_index("sample")["of"]
    for row in range(2, book["samples"].max_row + 1):
        bale = of.get(book["samples"].cell(row, 1).value)
        if bale in ("N01", "N02"):
            book["samples"].cell(row, seen).value = other[binding[bale]]
    book.save(folder / "field.xlsx")
    planned, done, kind = made_of(folder)["binding of 2 bales"]
    assert (planned, kind) == ("as drawn", "done otherwise")
    assert done == ", ".join(
        f"{bale}: {other[binding[bale]]} instead of {binding[bale]}" for bale in ("N01", "N02")
    )


def test_another_level_of_a_further_factor_is_told_by_bale(tmp_path: Path) -> None:
    """Film layers drawn a pair; one pair was wrapped otherwise."""
    text = DEMO.read_text(encoding="utf-8").replace("film_layers = 6\n", "")
    plan = tmp_path / "plan.toml"
    plan.write_text(
        f'{text}\n[[factors]]\ncolumn = "film_layers"\nlevels = ["4", "6"]\n', encoding="utf-8"
    )
    layout, out = plan_trial(plan), tmp_path / "trial"
    write_plan(layout, out, plan_file=plan, filed=dt.date(2027, 4, 1))
    fill(out, layout)
    assert made_of(out) == {}
    drawn = int(layout.bales.set_index("bale").loc["N01", "film_layers"])
    for bale in ("N01", "N02"):
        typed(out / "field.xlsx", "bales", one(bale, film_layers=10 - drawn))
    assert made_of(out) == {
        "film layers of 2 bales": (
            "as drawn",
            f"N01: {10 - drawn} instead of {drawn}, N02: {10 - drawn} instead of {drawn}",
            "done otherwise",
        )
    }


def test_bales_made_in_another_order_are_told(folder: Path) -> None:
    trial = read_trial(folder).bales.set_index("bale")
    early = trial.loc["N01", "baled_at"].to_pydatetime() - dt.timedelta(minutes=1)
    typed(folder / "field.xlsx", "bales", one("N04", baled_at=early))
    assert made_of(folder)["order of baling, Farrowby 2027-05-20"] == (
        "as drawn", "N04 before N01", "done otherwise",
    )  # fmt: skip


def test_a_lost_bale_and_the_spare_pair_in_its_place_are_told(folder: Path, layout: Layout) -> None:
    book = openpyxl.load_workbook(folder / "field.xlsx")
    names = [cell.value for cell in book["events"][1]]
    new = {"bale": "N05", "at": dt.datetime(2027, 8, 1), "what": "lost", "cause": "film torn"}
    free = next(r for r in range(2, 999) if book["events"].cell(r, 1).value is None)
    for name, value in new.items():
        book["events"].cell(free, names.index(name) + 1).value = value
    book.save(folder / "field.xlsx")
    undo(folder, layout, {"N05"}, opening_only=True)
    spare = list(layout.bales.loc[layout.bales["planned_opening"] == "spare", "bale"])[:2]
    for bale in spare:
        typed(folder / "field.xlsx", "bales", one(bale, planned_opening="8 months"))
    found = made_of(folder)
    assert found["bales lost"] == ("none", "1: N05 (film torn)", "done otherwise")
    planned, done, kind = found["spare bales opened"]
    assert planned == "in place of a pair with a lost bale"
    assert done == ", ".join(f"{bale} at 8 months" for bale in spare)
    assert kind == FORESEEN


def test_a_pair_opened_at_another_opening_is_told(folder: Path) -> None:
    for bale in ("N01", "N02"):
        typed(folder / "field.xlsx", "bales", one(bale, planned_opening="8 months"))
    assert made_of(folder)["opening of 2 bales"] == (
        "as drawn",
        "N01: 8 months instead of 5 months, N02: 8 months instead of 5 months",
        "done otherwise",
    )


def test_openings_outside_their_window_are_told_with_the_days(folder: Path, layout: Layout) -> None:
    of = layout.key.set_index("sample")["of"]
    wrapped = read_trial(folder).bales.set_index("bale")["film_wrapped_at"]

    def late(row: Row) -> Row:
        if of.get(row["sample"]) not in ("N07", "N08") or row["taken_on"] is None:
            return {}
        return {"taken_on": wrapped[of[row["sample"]]].to_pydatetime() + dt.timedelta(days=80)}

    typed(folder / "field.xlsx", "samples", late)
    assert made_of(folder)["days in storage at 2 months"] == (
        "50 to 75",
        "80 for 2 bales: N07, N08; used for a curve over storage only, and none is planned",
        "done otherwise",
    )  # fmt: skip


def test_pairs_never_made_and_samples_still_to_come_are_counted(
    folder: Path, layout: Layout
) -> None:
    gone = set(layout.bales.loc[layout.bales["pair"] == "P12", "bale"]) | {"P12"}
    undo(folder, layout, gone)
    found = made_of(folder)
    assert found["pairs on Farrowby, spare ones counted"] == (
        "13", "12 (not made: P12)", "done otherwise",
    )  # fmt: skip
    name = layout.bales.set_index("pair").loc["P12", "planned_opening"].iloc[0]
    assert found["crop at baling"] == ("sampled", "1 sample due", TO_COME)
    assert found[f"opening {name}"] == ("done", "not all done yet, 2 samples due", TO_COME)
    assert len(openings_done(read_trial(folder))) == 2


def test_openings_still_to_come_are_due_and_no_deviation(folder: Path, layout: Layout) -> None:
    later = ("5 months", "8 months")
    bales = layout.bales.loc[layout.bales["planned_opening"].isin(later), "bale"]
    undo(folder, layout, set(bales), opening_only=True)
    trial = read_trial(folder)
    table = deviations(trial, analyse(trial))
    assert as_planned(table)
    # One opening is left: the model has no opening in it, which is no choice of anybody.
    assert set(table.frame["kind"]) == {TO_COME}
    rows = table.frame.set_index("what")
    codes = layout.key[(layout.key["opening"] == "8 months") & (layout.key["role"] != "spare")]
    spare = set(layout.bales.loc[layout.bales["planned_opening"] == SPARE, "bale"])
    due = sum(of not in spare for of in codes["of"])
    assert rows.loc["opening 8 months", "done"].startswith("not opened yet, ")
    counted = int(rows.loc["opening 8 months", "done"].split()[3])
    assert 14 <= counted <= due
    assert "Butyric acid, fixed part" in rows.index
    assert len(openings_done(trial)) == 1


def test_the_rule_on_limits_is_no_deviation(folder: Path, layout: Layout) -> None:
    key = layout.key.set_index("sample")

    def below(row: Row) -> Row:
        mine = key.loc[row["sample"], "opening"] == "2 months" and row["butyric_acid"] is not None
        return {"butyric_acid": "<0.3"} if mine else {}

    typed(folder / "field.xlsx", "samples", below)
    table = table_of(folder)
    rules = table.frame[table.frame["kind"] == FORESEEN].set_index("what")
    assert rules.loc["Butyric acid at 2 months", "done"].startswith("reported as counts")
    assert "DM loss at 2 months" not in rules.index
