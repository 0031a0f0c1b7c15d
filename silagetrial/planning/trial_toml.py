"""trial.toml written from settings, one key a line, so that people can read and correct it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import fields
from typing import Final

from silagetrial.data.settings import Settings
from silagetrial.data.settings_keys import FREE_SECTION

__all__ = ["settings_text"]

_HEAD: Final = """\
# What the trial asks and how it is analysed, decided before the bales were made.
# Written from plan.toml. Every key is listed by: silagetrial columns trial.toml
# A change after planning is allowed; the report names it as a deviation from the analysis plan.
"""

_Value = object


def settings_text(settings: Settings) -> str:
    """Return trial.toml.

    Parameters
    ----------
    settings : Settings

    Returns
    -------
    str
        Text from which `data.read_settings.parse_settings` makes equal settings.

    References
    ----------
    TOML, version 1.0.0 (2021), https://toml.io/en/v1.0.0
    """
    parts = [_HEAD + "".join(_lines(_top(settings)))]
    for name, values in _sections(settings):
        lines = "".join(_lines(values))
        if lines:
            parts.append(f"{name}\n{lines}")
    return "\n".join(parts)


def _top(settings: Settings) -> dict[str, _Value]:
    texts = {"title": settings.title, "question": settings.question}
    return {**{k: v for k, v in texts.items() if v}, "invented": settings.invented or None}


def _sections(settings: Settings) -> Iterator[tuple[str, Mapping[str, _Value]]]:
    """Yield each section with its heading, in the order in which people read them."""
    yield "[bindings]", {"compare": settings.compare, "reference": settings.reference or None}
    yield "[design]", {"bales": settings.design}
    yield f"[{FREE_SECTION}]", settings.held_equal
    for opening in settings.openings:
        yield (
            "[[openings]]",
            {"name": opening.name, "days": opening.days, "window": opening.window},
        )
    yield "[files]", {"decimal": settings.files.decimal, "separator": settings.files.separator}
    yield "[units]", settings.units
    yield "[measures]", settings.measures
    correction, spread = settings.dm_correction, settings.measurement_sd
    yield "[dm_correction]", {"form": correction.form, "crop": correction.crop}
    yield "[measurement_sd]", {"mass": spread.mass, "dm": spread.dm}
    plan = settings.analysis
    yield "[analysis]", {part.name: getattr(plan, part.name) for part in fields(plan)}


def _lines(values: Mapping[str, _Value]) -> Iterator[str]:
    """Yield the keys that hold something; a key that is absent keeps its default."""
    for key, value in values.items():
        if value is not None and not (isinstance(value, Mapping) and not value):
            yield f"{_name(key)} = {_written(value)}\n"


def _written(value: _Value) -> str:
    """Return a value in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_name(str(k))} = {_written(v)}" for k, v in value.items())
        return f"{{ {inner} }}"
    if isinstance(value, tuple | list):
        return f"[{', '.join(_written(item) for item in value)}]"
    return _text(str(value))


def _name(key: str) -> str:
    """Return a key bare where TOML allows it."""
    bare = key.isascii() and key.replace("_", "").replace("-", "").isalnum()
    return key if bare else _text(key)


def _text(text: str) -> str:
    """Return a basic string: that of JSON, but for the one control character JSON lets stand."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
