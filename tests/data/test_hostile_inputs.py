"""Files meant to do harm: words at the end, nothing read outside the folder, nothing run."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from builders import make_trial, read_cells, write_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from workbooks import to_workbook

from silagetrial.data import Trial, inside, read_trial
from silagetrial.errors import DataProblems, Problem

SECRET = "the-secret-outside"
NAMES = (
    "=cmd|'/C_calc'!A0", "=HYPERLINK(\"http://x\")", "@SUM(1)", "+1+1", "<script>alert(1)</script>",
    "<img_src=x_onerror=alert(1)>", "**bold**", "[a](javascript:alert(1))", "`rm_-rf`", "$(id)",
    "{{7*7}}", "%s%n", "../../etc", "A\u202eB", "\u200f\u200e", "a\u2066b\u2069", "\ufeffx",
)  # fmt: skip
Edit = Callable[[Path], object]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "secret.csv").write_text(f"bale,site,binding\n{SECRET},x,net\n", encoding="utf-8")
    return make_trial(tmp_path / "trial", pairs=1, sites=2)


def told(folder: Path) -> tuple[Problem, ...]:
    """Return the problems of a trial, whether it can be read or not."""
    try:
        found = read_trial(folder).problem_list
    except DataProblems as refused:
        found = refused.problems
    assert SECRET not in str(found)
    return tuple(found)


def above(text: str, file: str = "trial.toml") -> Edit:
    """Put text at the top of a file."""

    def edit(folder: Path) -> None:
        path = folder / file
        rest = path.read_text(encoding="utf-8") if path.exists() else ""
        path.write_text(f"{text}\n{rest}", encoding="utf-8")

    return edit


def below(text: str) -> Edit:
    """Put text at the end of trial.toml."""
    return lambda folder: (folder / "trial.toml").write_text(
        (folder / "trial.toml").read_text(encoding="utf-8") + f"\n{text}\n", encoding="utf-8"
    )


def linked(name: str) -> Edit:
    """Put a link to a file outside in the place of a file."""

    def edit(folder: Path) -> None:
        (folder / name).unlink(missing_ok=True)
        (folder / name).symlink_to(folder.parent / "secret.csv")

    return edit


def encoded(name: str) -> Edit:
    """Write bales.csv, with a name in it that is no ASCII, in another encoding."""
    return lambda folder: (folder / "bales.csv").write_bytes(
        (folder / "bales.csv").read_text().replace("Alder", "Älder").encode(name)
    )


NOT_TOML = "brackets nested thousands deep, or a number of thousands of digits"
LINK = "a link that leads out of the trial's folder"
NO_FILE = "which is no file in the trial's folder"


@pytest.mark.parametrize(
    ("edit", "file", "found"),
    [
        (above("x = " + "[" * 20_000), "trial.toml", NOT_TOML),
        (above("x = " + "{a=" * 3000 + "1" + "}" * 3000), "trial.toml", NOT_TOML),
        (above("x = " + "9" * 6000), "trial.toml", NOT_TOML),
        (above("x = " + "[" * 20_000, "laboratories.toml"), "laboratories.toml", NOT_TOML),
        (above('title = "twice"'), "trial.toml", "text that is not TOML: Cannot overwrite"),
        (below('[units]\ndm = "%"'), "trial.toml", "text that is not TOML: Cannot declare"),
        (below('[flat]\nfile = "../secret.csv"'), "trial.toml", f"'../secret.csv', {NO_FILE}"),
        (below('[flat]\nfile = "/etc/passwd"'), "trial.toml", f"'/etc/passwd', {NO_FILE}"),
        (below('[flat]\nfile = "a\\u0000b"'), "trial.toml", NO_FILE),
        (below(f'[flat]\nfile = "{"a" * 5000}"'), "trial.toml", NO_FILE),
        (linked("bales.csv"), "bales.csv", LINK),
        (linked("trial.toml"), "trial.toml", LINK),
        (linked("laboratories.toml"), "laboratories.toml", LINK),
        (linked("field.xlsx"), "field.xlsx", LINK),
        (encoded("utf-16"), "bales.csv", "that is no UTF-8"),
        (encoded("utf-32-le"), "bales.csv", "a byte (0xc4) that is no UTF-8"),
        (encoded("latin-1"), "bales.csv", "a byte (0xc4) that is no UTF-8"),
        (encoded("cp037"), "bales.csv", "that is no UTF-8"),
    ],
)  # fmt: skip
def test_the_words_a_hostile_file_gets(folder: Path, edit: Edit, file: str, found: str) -> None:
    edit(folder)
    assert any(item.file == file and found in item.found for item in told(folder))


def test_a_file_of_gigabytes_is_not_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(inside, "LARGEST_TABLE", 100)
    assert {item.file for item in told(folder)} >= {"bales.csv", "samples.csv"}
    assert told(folder)[0].found.startswith("a file of ")
    assert "part it into several trials" in told(folder)[0].remedy


def test_a_thousand_columns(folder: Path) -> None:
    path = folder / "bales.csv"
    more = {f"c{k}": str(k) for k in range(1000)}
    write_cells(path, [{**row, **more} for row in read_cells(path)])
    trial = read_trial(folder)
    assert len(trial.problem_list) == 1000
    assert trial.errors == ()


@pytest.mark.slow
def test_two_hundred_thousand_rows(folder: Path) -> None:
    path = folder / "samples.csv"
    rows = read_cells(path)
    last = rows[-1]
    write_cells(path, [*rows, *({**last, "sample": f"s{k}"} for k in range(200_000))])
    trial = read_trial(folder)
    assert len(trial.samples) == len(rows) + 200_000


@pytest.mark.parametrize("name", NAMES)
def test_names_are_names(folder: Path, name: str) -> None:
    for table, column in (("bales", "bale"), ("samples", "of"), ("weighings", "bales")):
        path = folder / f"{table}.csv"
        rows = read_cells(path)
        old = "A01-net"
        write_cells(
            path, [{**row, column: name if row[column] == old else row[column]} for row in rows]
        )
    bales = read_cells(folder / "bales.csv")
    write_cells(folder / "bales.csv", [{**row, "site": name, "binding": name} for row in bales])
    problems = read_trial(folder).problems
    page = problems.to_html()
    assert "<script>" not in page
    assert "<img" not in page
    for text in (page, str(problems)):
        assert not {*"\u202e\u200f\u200e\u2066\u2069"} & {*text}


@pytest.mark.parametrize("share", [0.01, 0.2, 0.5, 0.9, 0.99])
def test_a_truncated_workbook(folder: Path, share: float) -> None:
    to_workbook(folder)
    path = folder / "field.xlsx"
    content = path.read_bytes()
    path.write_bytes(content[: int(share * len(content))])
    assert any(item.file == "field.xlsx" and item.severity == "error" for item in told(folder))


def test_a_zip_that_unpacks_to_gigabytes(folder: Path) -> None:
    with (
        zipfile.ZipFile(folder / "field.xlsx", "w", zipfile.ZIP_DEFLATED) as packed,
        packed.open("xl/worksheets/sheet1.xml", "w") as part,
    ):
        for _ in range(210):
            part.write(b" " * 1_000_000)
    assert any("a workbook that unpacks to 210 MB" in item.found for item in told(folder))


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.sampled_from(["field.xlsx", "field.xls", "field.ods"]),
    st.binary(max_size=200),
    st.sampled_from([b"", b"PK\x03\x04", b"PK\x05\x06" + b"\0" * 18, b"\xd0\xcf\x11\xe0\xa1\xb1"]),
)
@pytest.mark.slow
def test_any_bytes_for_a_workbook(
    tmp_path_factory: pytest.TempPathFactory, name: str, content: bytes, magic: bytes
) -> None:
    folder = make_trial(tmp_path_factory.mktemp("bytes"), pairs=1, sites=1)
    (folder / name).write_bytes(magic + content)
    trial = read_trial(folder)
    assert isinstance(trial, Trial)
    assert any(item.file == name for item in trial.problem_list)
