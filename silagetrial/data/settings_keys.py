"""The keys of trial.toml: the one place that says what the file may hold."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

from silagetrial.data.settings import RESPONSES
from silagetrial.data.units import UNITS

__all__ = [
    "FREE_SECTION",
    "NEEDED_SECTIONS",
    "SECTIONS",
    "SECTION_NAMES",
    "Key",
    "Raw",
    "expected",
    "fits",
]

KeyKind = Literal["text", "texts", "truth", "number", "whole", "range", "numbers"]
Raw: TypeAlias = Any  # what tomllib gives: `_FITS` decides before it is used


@dataclass(frozen=True)
class Key:
    """One key of trial.toml: what it holds, whether it must be there, which words it takes."""

    kind: KeyKind
    required: bool = False
    choices: tuple[str, ...] = ()


SECTIONS: Final[Mapping[str, Mapping[str, Key]]] = {
    "": {
        "title": Key("text", required=True),
        "question": Key("text"),
        "invented": Key("truth"),
    },
    "bindings": {
        "compare": Key("texts", required=True),
        "reference": Key("text", required=True),
    },
    "design": {"bales": Key("text", required=True, choices=("separate", "recored"))},
    "openings": {
        "name": Key("text", required=True),
        "days": Key("number", required=True),
        "window": Key("range", required=True),
    },
    "units": {name: Key("text", choices=choices) for name, choices in UNITS.items()},
    "dm_correction": {
        "form": Key("text", choices=("none", "full", "short")),
        "crop": Key("text", choices=("grass", "legume", "mixed")),
    },
    "measurement_sd": {"mass": Key("number"), "dm": Key("number")},
    "analysis": {
        "primary": Key("text", choices=RESPONSES),
        "opening": Key("text"),
        "contrast": Key("texts"),
        "factors": Key("texts"),
        "blocks": Key("texts"),
        "important": Key("numbers", choices=RESPONSES),
        "families": Key("text", choices=("reference", "all pairs")),
        "alpha": Key("number"),
        "seed": Key("whole"),
    },
}
"""Section to its keys; "" is the top of the file, openings a list of sections."""

FREE_SECTION: Final = "held_equal"
SECTION_NAMES: Final = (*(name for name in SECTIONS if name), FREE_SECTION)
NEEDED_SECTIONS: Final = ("bindings", "design", "openings")


def _is_number(value: Raw) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_texts(value: Raw) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


_FITS: Final[Mapping[KeyKind, Callable[[Raw], bool]]] = {
    "text": lambda value: isinstance(value, str) and bool(value.strip()),
    "texts": _is_texts,
    "truth": lambda value: isinstance(value, bool),
    "number": _is_number,
    "whole": lambda value: isinstance(value, int) and not isinstance(value, bool) and value >= 0,
    "range": lambda value: (
        isinstance(value, list) and len(value) == 2 and all(_is_number(item) for item in value)
    ),
    "numbers": lambda value: (
        isinstance(value, dict) and all(_is_number(item) for item in value.values())
    ),
}

_IN_WORDS: Final[Mapping[KeyKind, str]] = {
    "text": 'a text, as in "..."',
    "texts": 'a list of texts, as in ["...", "..."]',
    "truth": "true or false",
    "number": "a number",
    "whole": "a whole number from 0",
    "range": "two numbers, as in [50, 75]",
    "numbers": "names with numbers, as in {dm_loss = 1.0}",
}


def fits(spec: Key, value: Raw) -> bool:
    """Tell whether a value is what the key holds, its words among those allowed."""
    return _FITS[spec.kind](value) and _allowed(spec, value)


def _allowed(spec: Key, value: Raw) -> bool:
    if not spec.choices:
        return True
    return all(item in spec.choices for item in (value if isinstance(value, dict) else [value]))


def expected(spec: Key) -> str:
    """Return in words what the key holds."""
    if not spec.choices:
        return _IN_WORDS[spec.kind]
    words = " or ".join(repr(choice) for choice in spec.choices)
    return f"{_IN_WORDS[spec.kind]}, with names among {words}" if spec.kind == "numbers" else words
