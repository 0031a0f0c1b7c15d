"""Reading: what is written comes back, in any order; units, times and places as declared."""

from __future__ import annotations

import csv
import random
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from builders import make_trial, read_cells, write_cells
from hypothesis import given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from silagetrial.data import TABLES, Column, Trial, read_trial, tricks
from silagetrial.data.units import inside_unit
from silagetrial.errors import DataProblems

Rows = list[dict[str, object]]

TEXT = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=12
).filter(lambda text: text == text.strip())
# A row named "MIN" is told as one of a calculation and left out: the catalogue has it.
NAME = st.text(st.characters(categories=["L", "N", "Pd"]), min_size=1, max_size=6).filter(
    lambda name: not tricks._SUMMARY.fullmatch(name)
)
NUMBER = st.floats(min_value=0, max_value=1e9)
WHEN = st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)).map(
    lambda when: when.replace(microsecond=0)
)


class Below(float):
    """A result below a limit; its value is the limit."""


def values(column: Column) -> st.SearchStrategy[object]:
    """Return what a cell of this column may hold; None is a blank cell."""
    positive = st.floats(min_value=1e-9, max_value=1e9)
    by_kind: dict[str, st.SearchStrategy[object]] = {
        "id": NAME,
        "ids": st.lists(
            st.sampled_from(column.choices) if column.choices else NAME, min_size=1, max_size=3
        ).map(tuple),
        "text": TEXT,
        "choice": st.sampled_from(column.choices or ("",)),
        "number": NUMBER,
        "count": st.integers(min_value=0, max_value=10**6),
        "datetime": WHEN,
        "measured": NUMBER | positive.map(Below),
    }
    if column.name == "supersedes":
        return st.none()  # a replaced result leaves the trial: tested by itself
    filled = column.required or column.once_done  # rows not done yet: tested by themselves
    return by_kind[column.kind] if filled else st.none() | by_kind[column.kind]


@st.composite
def table_rows(draw: st.DrawFn, table: str) -> Rows:
    """Return rows with names of their own in the first column."""
    columns = TABLES[table]
    names = draw(st.lists(NAME, unique=True, min_size=1, max_size=4))
    return [
        {columns[0].name: name, **{c.name: draw(values(c)) for c in columns[1:]}} for name in names
    ]


def as_text(value: object) -> str:
    """Return a cell as someone would write it."""
    if value is None:
        return ""
    if isinstance(value, Below):
        return f"<{float(value)!r}"
    if isinstance(value, tuple):
        return " ".join(value)
    return repr(value) if isinstance(value, float) else str(value)


def write_rows(path: Path, rows: Sequence[Mapping[str, object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(rows[0])
        writer.writerows([as_text(value) for value in row.values()] for row in rows)


def same(read: object, written: object) -> bool:
    if written is None or isinstance(written, Below):
        return read == () or bool(pd.isna(read))
    return bool(read == written)


@settings(max_examples=40, deadline=None)
@given(st.data())
@pytest.mark.slow
def test_what_is_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = make_trial(tmp_path_factory.mktemp("trial"))
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    units = [
        f'{c.name} = "{inside_unit(c.name)}"' for c in TABLES["samples"] if c.unit == "[units]"
    ]
    head, tail = text.split("[units]")[0], text.split("[dm_correction]")[1]
    (folder / "trial.toml").write_text(
        "\n".join([head, "[units]", *units, "[dm_correction]" + tail]), encoding="utf-8"
    )
    # The key fills samples in: tested by itself.
    written = {table: data.draw(table_rows(table)) for table in TABLES if table != "blind_key"}
    for table, rows in written.items():
        write_rows(folder / f"{table}.csv", rows)
    trial = read_trial(folder)
    for table, rows in written.items():
        frame: pd.DataFrame = getattr(trial, table)
        key = TABLES[table][0].name
        assert len(frame) == len(rows)
        by_name = {row[key]: row for row in frame.to_dict("records")}
        for row in rows:
            read = by_name[row[key]]
            assert all(same(read[name], value) for name, value in row.items())
            below = {name: value for name, value in row.items() if isinstance(value, Below)}
            assert all(read[f"{name}_below"] == float(value) for name, value in below.items())


def content(trial: Trial) -> dict[str, pd.DataFrame]:
    return {table: getattr(trial, table).reset_index(drop=True) for table in TABLES}


@settings(max_examples=25, deadline=None)
@given(st.randoms(use_true_random=False))
@pytest.mark.slow
def test_order_of_rows_and_columns_changes_nothing(
    tmp_path_factory: pytest.TempPathFactory, shuffle: random.Random
) -> None:
    folder = make_trial(tmp_path_factory.mktemp("trial"), pairs=2)
    events = [
        {"bale": "A01-net", "at": f"2025-06-0{day}", "what": what, "cause": "", "note": ""}
        for day, what in ((3, "holed"), (3, "taped"), (1, "moved"))
    ]
    write_cells(folder / "events.csv", events)
    key = {"of": "A01-net", "kind": "opening", "role": "sample"}
    write_cells(folder / "blind_key.csv", [{"sample": f"A01-net-{k}", **key} for k in (60, 61)])
    before = read_trial(folder)
    for table in sorted(TABLES.keys() - {"sample_parts", "mould", "temperatures", "aerobic"}):
        rows = read_cells(folder / f"{table}.csv")
        names = list(rows[0])
        shuffle.shuffle(rows)
        shuffle.shuffle(names)
        write_cells(folder / f"{table}.csv", [{name: row[name] for name in names} for row in rows])
    after = read_trial(folder)
    for table, frame in content(before).items():
        assert_frame_equal(content(after)[table], frame)
    assert str(after) == str(before)


def test_line_numbers_are_those_of_the_file(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    (folder / "events.csv").write_text(
        'bale,at,what,note\n\nA01-net,2025-06-01,moved,"two\nlines"\n,,,\nA01-film,2025-06-02,'
        "moved,\n",
        encoding="utf-8",
    )
    events = read_trial(folder).events
    assert events["bale"].to_dict() == {6: "A01-film", 3: "A01-net"}
    assert events.index.name == "line"
    assert events.loc[3, "note"] == "two\nlines"


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("g/kg DM", lambda dm: 1.0), ("% DM", lambda dm: 10.0), ("g/kg fresh", lambda dm: 1000 / dm)],
)
def test_results_and_limits_stand_in_g_per_kg_dm(tmp_path: Path, unit: str, factor: object) -> None:
    folder = make_trial(tmp_path, limit=2.0)
    raw = {row["sample"]: row for row in read_cells(folder / "samples.csv")}
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(
        text.replace('butyric_acid = "g/kg DM"', f'butyric_acid = "{unit}"'), encoding="utf-8"
    )
    samples = read_trial(folder).samples
    limits = 0
    for row in samples.to_dict("records"):
        cell, dm = raw[row["sample"]]["butyric_acid"], float(raw[row["sample"]]["dm"])
        scale = factor(dm)
        if cell.startswith("<"):
            limits += 1
            assert row["butyric_acid_below"] == pytest.approx(float(cell[1:]) * scale)
            assert np.isnan(row["butyric_acid"])
        elif cell:
            assert row["butyric_acid"] == pytest.approx(float(cell) * scale)
            assert np.isnan(row["butyric_acid_below"])
    assert 0 < limits < len(samples)


def test_dry_matter_in_per_cent(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "samples.csv")
    in_g = read_trial(folder).samples["dm"]
    write_cells(
        folder / "samples.csv", [{**row, "dm": f"{float(row['dm']) / 10:.1f}"} for row in rows]
    )
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(text.replace('dm = "g/kg"', 'dm = "%"'), encoding="utf-8")
    assert read_trial(folder).samples["dm"].to_numpy() == pytest.approx(in_g.to_numpy())
    assert read_trial(folder).settings.units["dm"] == "%"


def test_a_result_in_an_unknown_unit_is_missing(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(
        text.replace('butyric_acid = "g/kg DM"\n', ""), encoding="utf-8"
    )
    trial = read_trial(folder)
    assert trial.samples["butyric_acid"].isna().all()
    assert [item.column for item in trial.errors] == ["units.butyric_acid"]


def test_superseded_results_leave(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "samples.csv")
    new = {**rows[-1], "sample": "again", "pH": "4.99"}
    write_cells(
        folder / "samples.csv",
        [*({**row, "supersedes": ""} for row in rows), {**new, "supersedes": rows[-1]["sample"]}],
    )
    trial = read_trial(folder)
    assert len(trial.samples) == len(rows)
    assert rows[-1]["sample"] not in set(trial.samples["sample"])
    assert trial.errors == ()
    assert len(trial.warnings) == 1


def test_separate_bales_belong_to_their_opening(tmp_path: Path) -> None:
    trial = read_trial(make_trial(tmp_path, openings=(60, 120, 240)))
    bales = trial.bales.set_index("bale")
    silage = trial.samples[trial.samples["kind"] == "opening"]
    assert silage["opening"].tolist() == bales.loc[silage["of"], "planned_opening"].tolist()
    # Samples are dated by the day, film wrapping by the minute: whole days count.
    assert set(silage["days"]) == {60.0, 120.0, 240.0}
    assert trial.samples.loc[trial.samples["kind"] == "day0", "opening"].isna().all()
    first = trial.weighings[trial.weighings["opening"].isna()]
    assert first["bale"].tolist() == sorted(bales.index)
    # Weighed one hour after wrapping, both with their time: a fraction of a day.
    assert first["days"].to_numpy() == pytest.approx(1 / 24)


def test_recored_bales_belong_to_the_nearest_opening(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, design="recored", pairs=1, sites=1, openings=(60, 120, 240))
    rows = read_cells(folder / "samples.csv")
    late = next(row for row in rows if row["sample"] == "A01-net-60")
    late["taken_on"] = "2025-08-12"  # 78 days: nine beyond the window of 60, 33 before that of 120
    write_cells(folder / "samples.csv", [{**row, "fresh_kg": "0.6"} for row in rows])
    trial = read_trial(folder)
    row = trial.samples.set_index("sample").loc["A01-net-60"]
    assert (row["days"], row["opening"]) == (78.0, "60 days")
    late_ones = [item.found for item in trial.problem_list if " late: " in item.found]
    assert late_ones == ["bale A01-net late: 78 days in storage, opening '60 days'"]
    assert trial.weighings.groupby("bale")["opening"].count().tolist() == [3, 3]


def test_a_bale_never_weighed_at_wrapping_has_no_first_weighing(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "weighings.csv")
    write_cells(folder / "weighings.csv", [row for row in rows if row["weighing"] != "A01-net-w0"])
    weighings = read_trial(folder).weighings
    assert weighings.loc[weighings["bale"] == "A01-net", "opening"].tolist() == ["60 days"]


def test_net_mass_and_flags(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "weighings.csv")
    rows[0].update(gross="702.5", tare="", flags="wet soil")
    write_cells(folder / "weighings.csv", rows)
    weighings = read_trial(folder).weighings.set_index("weighing")
    changed = weighings.loc[rows[0]["weighing"]]
    assert changed["net"] == 702.5
    assert [bool(changed[flag]) for flag in ("wet", "soil", "film_on")] == [True, True, False]
    other = weighings.loc[rows[1]["weighing"]]
    assert other["net"] == float(rows[1]["gross"]) - 75
    assert bool(other["film_on"])


def test_columns_are_always_there_and_typed(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    trial = read_trial(folder)
    for table, columns in TABLES.items():
        frame = getattr(trial, table)
        for column in columns:
            expected = {
                "number": "float64",
                "count": "float64",
                "measured": "float64",
                "datetime": "datetime64[us]",
                "ids": "object",
            }.get(column.kind, "str")
            assert str(frame[column.name].dtype) == expected
    assert len(trial.events) == 0


def test_declared_factor_may_be_a_column_of_the_users_own(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "bales.csv")
    write_cells(folder / "bales.csv", [{**row, "lime": "yes"} for row in rows])
    text = (folder / "trial.toml").read_text(encoding="utf-8")
    (folder / "trial.toml").write_text(text + 'factors = ["lime"]\n', encoding="utf-8")
    trial = read_trial(folder)
    assert trial.problem_list == ()
    assert set(trial.bales["lime"]) == {"yes"}


def test_bom_and_windows_line_ends_are_read(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    expected = content(read_trial(folder))
    for path in (*folder.glob("*.csv"), folder / "trial.toml"):
        text = path.read_text(encoding="utf-8").replace("\n", "\r\n")
        path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    trial = read_trial(folder)
    assert trial.problem_list == ()
    for table, frame in content(trial).items():
        assert_frame_equal(frame, expected[table])


@pytest.mark.parametrize(
    ("name", "found", "remedy"),
    [
        ("nowhere", "nothing at", "give the path of the trial's folder"),
        (
            "trail",
            "nothing at",
            "did you mean 'trial'? If not, give the path of the trial's folder",
        ),
        ("trial/trial.toml", "a file at", "give the folder it lies in: {folder}"),
    ],
)
def test_no_folder(tmp_path: Path, name: str, found: str, remedy: str) -> None:
    folder = make_trial(tmp_path / "trial")
    with pytest.raises(DataProblems) as caught:
        read_trial(tmp_path / name)
    (problem,) = caught.value.problems
    assert problem.found.startswith(found)
    assert problem.expected == "a folder with trial.toml and bales.csv"
    assert problem.remedy == remedy.format(folder=folder)


@pytest.mark.parametrize(
    ("files", "found", "remedy"),
    [
        (
            ("report.html", "manifest.json"),
            "a finished report",
            "`silagetrial reproduce {}` checks",
        ),
        (
            ("plan.toml",),
            "a plan",
            "`silagetrial plan {} --out my_trial` writes the trial's folder",
        ),
        (("worth.html",), "the page of a plan's power", "open `{}/worth.html` to read it"),
        (("a/trial.toml",), "a folder above a trial", "give the trial's own folder: `{}/a`"),
        (
            tuple(f"{name}/trial.toml" for name in "abcd"),
            "a folder above a trial",
            "`{0}/a`, `{0}/b`, `{0}/c` and 1 more",
        ),
    ],
)
def test_a_folder_of_another_kind(
    tmp_path: Path, files: tuple[str, ...], found: str, remedy: str
) -> None:
    for name in files:
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("", encoding="utf-8")
    with pytest.raises(DataProblems) as caught:
        read_trial(tmp_path)
    (problem,) = caught.value.problems
    assert problem.found == f"{found} at {tmp_path}"
    assert problem.expected == "a folder with trial.toml and bales.csv"
    assert remedy.format(tmp_path) in problem.remedy


def test_empty_folder(tmp_path: Path) -> None:
    with pytest.raises(DataProblems, match=r"2 problems in the files of the trial") as caught:
        read_trial(tmp_path)
    assert [problem.file for problem in caught.value.problems] == ["trial.toml", "bales.csv"]
    assert caught.value.problems[0].remedy == (
        "add it: `silagetrial start NEW` writes one to fill in, into a new folder"
    )


def test_text_that_is_no_toml(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    path = folder / "trial.toml"
    path.write_text(path.read_text(encoding="utf-8") + "primary = butyric\n", encoding="utf-8")
    with pytest.raises(DataProblems, match="text that is not TOML") as caught:
        read_trial(folder)
    (problem,) = caught.value.problems
    assert problem.line == len(path.read_text(encoding="utf-8").splitlines())
    assert problem.remedy == (
        "correct this line; texts stand between double quotes, numbers have a decimal point, a "
        "date is 2027-05-20"
    )


def test_settings_in_another_encoding(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    (folder / "trial.toml").write_bytes('title = "Wiese S\xfcd"\n'.encode("latin-1"))
    found = r"trial.toml, line 1: found a byte \(0xfc\) that is no UTF-8; in Windows-1252 it is 'ü'"
    with pytest.raises(DataProblems, match=found) as caught:
        read_trial(folder)
    (problem,) = caught.value.problems
    assert problem.remedy == "save the file again from a text editor with the encoding UTF-8"
