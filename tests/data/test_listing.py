"""Problems as paragraphs; the columns and settings as text."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import make_trial

from silagetrial.data import TABLES, Problem, describe_columns, list_problems, read_trial
from silagetrial.data.laboratory.keys import LABORATORY_SECTIONS
from silagetrial.data.settings_keys import SECTIONS
from silagetrial.data.units import UNITS
from silagetrial.errors import UsageError

DM = Problem("error", "samples.csv", 4, "dm", "'34,5'", "a number", "write 34.5")
UNIT = Problem("error", "trial.toml", 9, "units.dm", "dm = 'g'", "'g/kg' or '%'", "correct it")
FILE = Problem("warning", "x.csv", None, None, "a table that is not known", "others", "rename it")


def test_one_paragraph_a_problem_by_file() -> None:
    late = Problem("warning", "samples.csv", 7, None, "late", "in time", "check the date")
    assert list_problems([DM, UNIT, late, FILE]) == (
        "samples.csv\n\n"
        "  error, line 4, column dm\n"
        "    found: '34,5'\n"
        "    expected: a number\n"
        "    what to do: write 34.5\n\n"
        "  warning, line 7\n"
        "    found: late\n"
        "    expected: in time\n"
        "    what to do: check the date\n\n"
        "trial.toml\n\n"
        "  error, line 9, key units.dm\n"
        "    found: dm = 'g'\n"
        "    expected: 'g/kg' or '%'\n"
        "    what to do: correct it\n\n"
        "x.csv\n\n"
        "  warning\n"
        "    found: a table that is not known\n"
        "    expected: others\n"
        "    what to do: rename it"
    )


def test_problems_that_differ_in_the_line_alone_share_a_paragraph() -> None:
    lines = [Problem("error", "bales.csv", line, "lot", "x", "y", "z") for line in (2, 3, 9)]
    shown = list_problems(lines)
    assert "  error, lines 2, 3 and 9, column lot\n" in shown
    assert shown.count("found:") == 1


@pytest.mark.parametrize("width", [20, 40, 80, 120])
def test_nothing_is_wider_than_the_terminal(width: int, tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    (folder / "scales.csv").unlink()
    (folder / "samples.csv").unlink()
    shown = list_problems(read_trial(folder).problem_list, width=width)
    described = describe_columns(width=width)
    longest = max(map(len, (shown + "\n" + described).splitlines()))
    assert longest <= max(width, 40)
    assert longest > min(max(width, 40), 80) - 12


def test_control_characters_of_the_files_reach_no_terminal() -> None:
    nasty = Problem("error", "a\x1b.csv", 1, "b\x07", "\x1b[31mred\r", "c\x9b", "d")
    shown = list_problems([nasty])
    assert all(character.isprintable() or character == "\n" for character in shown)
    assert r"\x1b[31mred\r" in shown


def test_every_column_is_listed_with_its_words() -> None:
    shown = " ".join(describe_columns(width=10_000).split())
    for table, columns in TABLES.items():
        assert f"{table}.csv (" in shown
        for column in columns:
            need = "required" if column.required else "optional"
            need = "required, blank until done" if column.once_done else need
            assert f"{column.name}: {need}; " in shown
            assert column.description in shown
            assert ", ".join(column.choices) in shown
    assert "gross: required, blank until done; number; unit kg reading of the scale" in shown
    assert "flags: optional; names without spaces, separated by spaces: wet, soil, film_on" in shown
    assert (
        "dm: optional; number; unit as declared under [units] of trial.toml: g/kg or % or % "
        "moisture" in shown
    )


def test_every_key_of_the_settings_is_listed_with_its_words() -> None:
    shown = describe_columns("trial.toml", width=10_000)
    assert shown.startswith("trial.toml (required)\n")
    assert "bales.csv (" not in shown
    sections = shown.split("\n  [")
    assert len(sections) == len(SECTIONS) + 1
    for (section, keys), text in zip(SECTIONS.items(), sections, strict=False):
        assert section in text
        for name, key in keys.items():
            assert f"\n    {name} = " in text
            assert all(repr(choice) in text for choice in key.choices)
            assert key.description in text
            assert key.description or name in UNITS
    assert "    compare = " in shown
    assert "any names = numbers or texts" in sections[-1]


def test_every_key_of_the_laboratories_is_listed_with_its_words() -> None:
    shown = describe_columns("laboratories.toml", width=10_000)
    assert shown.startswith("laboratories.toml (may be left out)\n")
    for section, keys in LABORATORY_SECTIONS.items():
        assert not section or f"  [[{section}]], once for each" in shown
        for name, key in keys.items():
            assert f"\n    {name} = " in shown
            assert key.description
            assert key.description in shown
    assert "[laboratory.marks]" in shown
    assert "butyric_acids: g/kg DM, % DM, mg/kg DM, g/kg fresh" in shown
    assert "pH: none" in shown


@pytest.mark.parametrize("name", ["scales", "scales.csv"])
def test_one_table_alone(name: str) -> None:
    shown = describe_columns(name)
    assert shown.startswith("scales.csv (may be left out)\n\n  scale: required; name without")
    assert "weighings.csv" not in shown


@pytest.mark.parametrize("name", ["trial", "laboratories"])
def test_a_settings_file_without_its_ending(name: str) -> None:
    assert describe_columns(name) == describe_columns(f"{name}.toml")


def test_a_table_that_is_not_known() -> None:
    with pytest.raises(UsageError) as caught:
        describe_columns("bale")
    assert caught.value.found == "the table 'bale'"
    assert caught.value.expected == (
        "one of bales, samples, sample_parts, weighings, events, scales, blind_key, mould, "
        "temperatures, aerobic, trial.toml, laboratories.toml"
    )
    assert caught.value.remedy == (
        "did you mean 'bales'? If not, name one of these, or none to see all"
    )
