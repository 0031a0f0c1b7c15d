"""Whatever stands in the files, reading ends in a Trial or in DataProblems, with problems named."""

from __future__ import annotations

from pathlib import Path

import pytest
from any_bytes import HostileTrial, read_in_words
from builders import make_trial, read_cells, write_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

NASTY = (
    "", " ", "-", "0", "-1", "1e9", "-1e9", "1e-300", "<1e-300", "<", "nan", "2025-05-26",
    "1950-01-01", "2199-12-31 23:59:59", "A01", "A01-net", "A01-net A01-net", "net", "film",
    "60 days", "lost",
    "corrected", "oven", "core", "day0", "=1+1", '"', "\n", "\u2028", "<b>", "wet", "line",
)  # fmt: skip
CELL = st.sampled_from(NASTY) | st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=8
)
LITERALS = (
    "1", "-1", "0", "true", '""', '"line"', '"net"', "[]", "[1]", '["line"]', '["site", "site"]',
    '[""]', "{}", "{a = 1}", "[{}]", "[{name = 1}]", "inf", "nan", "2025-01-01", '[1, {name = "x", '
    'days = 1, window = [1, 1]}]', "[[1, 2]]", "1e300",
)  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_trial(tmp_path_factory.mktemp("hostile"), pairs=1, sites=2)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> HostileTrial:
    return HostileTrial(tmp_path_factory.mktemp("bytes"))


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_any_cells(folder: Path, data: st.DataObject) -> None:
    table = data.draw(st.sampled_from(["bales", "samples", "weighings", "scales"]))
    path = folder / f"{table}.csv"
    before = path.read_bytes()
    try:
        rows = read_cells(path)
        for _ in range(data.draw(st.integers(1, 4))):
            row = rows[data.draw(st.integers(0, len(rows) - 1))]
            row[data.draw(st.sampled_from(list(rows[0])))] = data.draw(CELL)
        write_cells(path, rows)
        assert read_in_words(folder) is not None
    finally:
        path.write_bytes(before)


@settings(max_examples=100, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_any_bytes(hostile: HostileTrial, data: st.DataObject) -> None:
    """In the place of a file, or part of a workbook; more of them by hand with fuzz_readers."""
    part = data.draw(st.sampled_from([*hostile.parts]))
    whole = hostile.parts[part]
    at, to = sorted(data.draw(st.tuples(*[st.integers(0, len(whole))] * 2)))
    drawn = data.draw(st.binary(max_size=60) | st.text(max_size=60))
    raw = drawn if isinstance(drawn, bytes) else drawn.encode("utf-8", "surrogatepass")
    hostile.read(part, data.draw(st.sampled_from([raw, whole[:at] + raw + whole[to:]])))


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_any_settings(folder: Path, data: st.DataObject) -> None:
    path = folder / "trial.toml"
    before = path.read_text(encoding="utf-8")
    lines = before.splitlines()
    keys = [k for k, line in enumerate(lines) if "=" in line]
    extra = ("factors", "blocks", "important", "alpha", "families")
    lines += [
        f"{name} = {data.draw(st.sampled_from(LITERALS))}"
        for name in data.draw(st.sets(st.sampled_from(extra), max_size=2))
    ]
    for k in data.draw(st.sets(st.sampled_from(keys), max_size=3)):
        lines[k] = f"{lines[k].split('=')[0]}= {data.draw(st.sampled_from(LITERALS))}"
    try:
        path.write_text("\n".join(lines), encoding="utf-8")
        read_in_words(folder)
    finally:
        path.write_text(before, encoding="utf-8")


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.sampled_from(LITERALS),
    st.sampled_from(
        ["openings", "units", "bindings", "analysis", "design", "held_equal", "dm_correction"]
    ),
)
@pytest.mark.slow
def test_any_literal_for_a_section(folder: Path, literal: str, section: str) -> None:
    path = folder / "trial.toml"
    before = path.read_text(encoding="utf-8")
    try:
        path.write_text(f'title = "t"\n{section} = {literal}\n', encoding="utf-8")
        trial = read_in_words(folder)
        assert trial is not None
        assert trial.errors
    finally:
        path.write_text(before, encoding="utf-8")
