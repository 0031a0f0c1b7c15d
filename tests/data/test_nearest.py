"""Names suggested in place of others."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data.nearest import did_you_mean, name_key, nearest, nearest_name

BALES = ("OS06-1", "OS06-2", "OS16-1", "TH02-net")


@pytest.mark.parametrize(
    ("name", "used", "near"),
    [
        ("os06-1", {"OS06-1"}, "OS06-1"),
        ("OS6-1", {"OS06-1"}, "OS06-1"),
        ("OS06_1", {"OS06-1"}, "OS06-1"),
        ("OS061", set(), "OS06-1"),
        ("TH02-nett", set(), "TH02-net"),
        ("TH02-nte", set(), "TH02-net"),
        ("TH02-ent", set(), "TH02-net"),
        ("TH02-nat", set(), "TH02-net"),
        ("H02-net", set(), "TH02-net"),
        ("TH20-net", set(), "TH02-net"),
        ("TH02-nett", {"TH02-net"}, None),
        ("OS06-3", set(), None),
        ("OS06-3", {"OS06-1"}, "OS06-2"),
        ("OS06-3", {"OS06-1", "OS06-2"}, None),
        ("ZZ99-9", set(), None),
        ("", set(), None),
    ],
)
def test_slips_of_the_pen(name: str, used: set[str], near: str | None) -> None:
    assert nearest_name(name, BALES, used=used) == near


def test_two_bales_written_alike_are_not_told_apart() -> None:
    assert nearest_name("A1", ("A-1", "A_1"), used=()) is None


@given(st.text(max_size=6), st.sets(st.text(max_size=6), max_size=4))
def test_a_suggestion_is_a_known_name(name: str, known: set[str]) -> None:
    near = nearest_name(name, known, used=())
    assert near is None or near in known
    assert nearest_name(name, known, used=known) is None or name_key(name) in map(name_key, known)


def test_words_of_the_files_own_language_by_likeness() -> None:
    assert nearest("Butyric_Acid", ["butyric_acid", "acetic_acid"]) == "butyric_acid"
    assert nearest("2 months", ["3 months"]) is None
    assert did_you_mean("nett", ["net"], otherwise="x") == "did you mean 'net'? If not, x"
    assert did_you_mean("straw", ["net"], otherwise="x") == "x"
