"""What the package says: texts under plain names, read from the file of a language.

A language is one TOML file, ``english.toml`` here. A text has places for values, ``{binding}``;
nothing else in it is read, and nothing in a value ever is: a brace in a name stays a brace.
Another language is a file with the same names and the same places, in any order.
"""

from __future__ import annotations

import gettext
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final, TypeAlias

from silagetrial.errors import UsageError

__all__ = [
    "COLUMNS",
    "NOUNS",
    "Language",
    "english",
    "heading",
    "noun",
    "places",
    "read_language",
    "say",
    "speaking",
]

Texts: TypeAlias = Mapping[str, tuple[str, ...]]

_ENGLISH: Final = Path(__file__).with_name("english.toml")
_PLACE: Final = re.compile(r"\{([a-z][a-z_]*)\}")
NOUNS: Final = "noun"
"""Section of the things that are counted, each with its forms: ``pair = ["pair", "pairs"]``."""

COLUMNS: Final = "column"
"""Section of the headings of columns, each under the column's name in the file of the table."""


@dataclass(frozen=True)
class Language:
    """The texts of one language.

    Parameters
    ----------
    texts : mapping of str to tuple of str
        Section and name, ``growth.grew``, to the text; to the forms of a noun.
    form : callable
        Number to the place of the noun's form, as gettext's plural rules give it.
    """

    texts: Texts
    form: Callable[[int], int]


_spoken: ContextVar[Language | None] = ContextVar("spoken", default=None)


@cache
def english() -> Language:
    """Return English, read once."""
    return _read(_ENGLISH)


def read_language(path: str | Path) -> Language:
    """Read a language that is to stand beside English.

    Parameters
    ----------
    path : str or pathlib.Path
        A TOML file with the names and places of ``english.toml``.

    Returns
    -------
    Language

    Raises
    ------
    UsageError
        When a text is missing or unknown, or has other places than the English one.
    """
    language, own = _read(Path(path)), english()
    for name in sorted({*own.texts, *language.texts}):
        mine, theirs = language.texts.get(name), own.texts.get(name)
        if mine is None or theirs is None:
            raise _wrong(path, f"{'no' if mine is None else 'an unknown'} text {name!r}")
        if not name.startswith(f"{NOUNS}.") and places(mine[0]) != places(theirs[0]):
            raise _wrong(path, f"other places in the text {name!r}")
    return language


def _wrong(path: str | Path, found: str) -> UsageError:
    return UsageError(
        found=f"{found} in {Path(path).name}",
        expected="the names and places of english.toml",
        remedy="take them from english.toml and translate what stands between the places",
    )


def _read(path: Path) -> Language:
    """Read a file: ``plural``, and sections of texts."""
    content: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    plural = content.pop("plural")
    texts = {
        f"{section}.{name}": (text,) if isinstance(text, str) else tuple(text)
        for section, entries in content.items()
        for name, text in entries.items()
    }
    for name, forms in texts.items():
        if any(mark in _PLACE.sub("", text) for text in forms for mark in "{}"):
            raise _wrong(path, f"a brace that is no place in the text {name!r}")
    return Language(texts, gettext.c2py(plural))


def places(text: str) -> frozenset[str]:
    """Return the names of the values a text has places for."""
    return frozenset(_PLACE.findall(text))


@contextmanager
def speaking(language: Language) -> Iterator[None]:
    """Let everything inside be said in a language."""
    token = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(token)


def say(name: str, **values: object) -> str:
    """Return a text with its values.

    Parameters
    ----------
    name : str
        Section and name: ``growth.grew``.
    **values
        A value for each place of the text; never read as text with places itself.

    Raises
    ------
    UsageError
        When there is no such text, or when the values are not those it has places for.
    """
    text = _text(name)[0]
    if places(text) != values.keys():
        raise UsageError(
            found=f"the values {', '.join(sorted(values)) or 'none'} for the text {name!r}",
            expected=f"{', '.join(sorted(places(text))) or 'none'}",
            remedy="give one value for each place of the text",
        )
    return _PLACE.sub(lambda place: str(values[place[1]]), text)


def noun(name: str, number_of: int) -> str:
    """Return a noun in the form that goes with a number: ``pair``, ``pairs``."""
    language = _spoken.get() or english()
    return _text(f"{NOUNS}.{name}")[language.form(number_of)]


def heading(column: str) -> str:
    """Return the heading of a table's column: its text, or its name where it has none.

    Parameters
    ----------
    column : str
        Name in the frame and in the table's file: ``std_error``.
    """
    name, spoken = f"{COLUMNS}.{column}", _spoken.get() or english()
    return spoken.texts[name][0] if name in spoken.texts else column.replace("_", " ")


def _text(name: str) -> tuple[str, ...]:
    found = (_spoken.get() or english()).texts.get(name)
    if found is None:
        raise UsageError(
            found=f"the text {name!r}",
            expected="a name of english.toml",
            remedy="add the text to english.toml and to the languages beside it",
        )
    return found
