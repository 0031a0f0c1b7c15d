"""One file holds what is said: names, places, nouns, and another language beside it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import silagetrial
from silagetrial.display import Table
from silagetrial.display.language import (
    COLUMNS,
    NOUNS,
    english,
    heading,
    noun,
    places,
    read_language,
    say,
    speaking,
)
from silagetrial.display.phrases import count, joined, span
from silagetrial.errors import UsageError

PACKAGE = Path(silagetrial.__file__).parent
SPAN = 'span = "{low} to {high}"'
ENGLISH = PACKAGE / "display" / "english.toml"


@given(st.text(), st.text())
def test_a_value_is_never_read_as_a_text_with_places(low: str, high: str) -> None:
    assert say("phrase.span", low=low, high=high) == f"{low} to {high}"


def test_a_brace_in_a_name_stays_a_brace() -> None:
    assert joined(["{last}", "{0}", "{{words}}"]) == "{last}, {0} and {{words}}"
    assert say("refusal.remedy", remedy="look at {remedy}") == "What to do: look at {remedy}."


def test_each_text_is_given_its_values_and_no_other() -> None:
    with pytest.raises(UsageError) as caught:
        say("phrase.span", low="1")
    assert "the values low for the text 'phrase.span'" in str(caught.value)
    assert "Expected: high, low" in str(caught.value)
    with pytest.raises(UsageError, match=r"the values a for the text 'scope\.this_farm'"):
        say("scope.this_farm", a="1")
    with pytest.raises(UsageError, match=r"the text 'phrase\.nowhere'"):
        say("phrase.nowhere")


def said_in_code() -> tuple[set[str], list[tuple[str, set[str], bool]]]:
    """Texts of the code, and each call of `say`: the names it may say, values, whether more."""
    constants, calls = set(), []
    for path in PACKAGE.rglob("*.py"):
        source = path.read_text(encoding="utf-8")
        ours = re.search(r"^from silagetrial\.display\.language import .*\bsay\b", source, re.M)
        tree = ast.parse(source)
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                constants.add(node.value)
            if ours and isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say":
                given_names = {word.arg for word in node.keywords if word.arg is not None}
                more = any(word.arg is None for word in node.keywords)
                assert len(node.args) == 1, f"{path}, line {node.lineno}"
                if isinstance(node.args[0], ast.Constant):
                    calls.append((str(node.args[0].value), given_names, more))
    return constants, calls


def test_every_text_is_said_somewhere_and_every_place_is_given() -> None:
    constants, calls = said_in_code()
    names = {name.removeprefix(f"{NOUNS}.").removeprefix(f"{COLUMNS}.") for name in english().texts}
    assert names <= constants
    assert len(calls) > 120
    for name, given_names, more in calls:
        wanted = places(english().texts[name][0])
        assert given_names <= wanted if more else given_names == wanted, name


def test_sentences_end_once_and_lines_are_clean() -> None:
    for name, forms in english().texts.items():
        for text in forms:
            assert text == text.strip(), name
            assert not re.search(r"  |\.\.|[<>]|\n", text), name


def test_a_column_is_headed_by_its_text_and_one_of_the_data_by_its_name(tmp_path: Path) -> None:
    for name, forms in english().texts.items():
        section, _, column = name.partition(".")
        assert section != COLUMNS or forms == (column.replace("_", " "),)
    change = ('binding = "binding"\nchange', 'binding = "wiązanie"\nchange')
    with speaking(read_language(beside(tmp_path, change))):
        table = Table(pd.DataFrame({"binding": ["net"], "9 months": [1]}))
        assert str(table).splitlines()[0] == "wiązanie  9 months"
        assert table.to_csv() == "binding,9 months\nnet,1\n"
        assert heading("no_such") == "no such"


def beside(folder: Path, *changes: tuple[str, str]) -> Path:
    """A language that is English but for some text."""
    text = ENGLISH.read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    path = folder / "other.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_another_language_has_its_own_order_and_plurals(tmp_path: Path) -> None:
    # gettext's rule for Polish: one form for 1, one for 2 to 4, one for more.
    other = read_language(
        beside(
            tmp_path,
            ('plural = "n != 1"', 'plural = "n==1 ? 0 : n<5 ? 1 : 2"'),
            ('pair = ["pair", "pairs"]', 'pair = ["para", "pary", "par"]'),
            ('bale = ["bale", "bales"]', 'bale = ["bela", "bele", "bel"]'),
            (SPAN, 'span = "najwyżej {high}, co najmniej {low}"'),
        )
    )
    with speaking(other):
        assert [count(n, "pair") for n in (1, 3, 36)] == ["1 para", "3 pary", "36 par"]
        assert span(0.4, 0.86) == "najwyżej 0.86, co najmniej 0.40"
    assert [noun("pair", n) for n in (1, 3)] == ["pair", "pairs"]
    assert span(0.4, 0.86) == "0.40 to 0.86"


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ('this_farm = "this farm"\n', "", "no text 'scope.this_farm' in other.toml"),
        ("this_farm =", "that_farm =", "an unknown text 'scope.that_farm'"),
        (SPAN, 'span = "{low} to {upper}"', "other places in the text 'phrase.span'"),
        (SPAN, 'span = "{low} to {high.real}"', "a brace that is no place"),
        (SPAN, 'span = "{low} to {0}"', "a brace that is no place in the text 'phrase.span'"),
    ],
)
def test_a_language_that_does_not_fit_is_refused(
    tmp_path: Path, old: str, new: str, found: str
) -> None:
    with pytest.raises(UsageError) as caught:
        read_language(beside(tmp_path, (old, new)))
    assert found in str(caught.value)
    assert "translate what stands between the places" in str(caught.value)
