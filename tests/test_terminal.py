"""What a terminal of an old encoding shows in place of signs it lacks."""

import io
import sys

import pytest

from silagetrial.terminal import show, width


def test_signs_that_a_terminal_lacks_have_plain_twins(monkeypatch: pytest.MonkeyPatch) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
    show("\N{MINUS SIGN}1\N{NARROW NO-BREAK SPACE}234 \N{EN DASH} \N{GREEK SMALL LETTER ALPHA}")
    assert raw.getvalue() == b"-1 234 - ?\n"


def test_width_is_that_of_the_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "57")
    assert width() == 57
