"""The README's Python examples give what they say."""

import doctest
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def test_examples(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    found = doctest.testfile(
        str(ROOT / "README.md"), module_relative=False, optionflags=doctest.NORMALIZE_WHITESPACE
    )
    assert found.attempted >= 10
    assert found.failed == 0


def test_pictures_are_there() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for part in text.split("](")[1:]:
        target = part.split(")")[0]
        assert (ROOT / target).exists(), target
