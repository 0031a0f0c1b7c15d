"""Names in a TOML file that are slips of known ones, and the file as it was meant.

Reading goes on by the text as it was meant: a misspelt heading is one problem, and not one more for
each key that is missed because of it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from silagetrial.data.nearest import nearest
from silagetrial.data.settings_keys import Key, Raw
from silagetrial.data.toml_text import HEADING, KEY, dotted

__all__ = ["Misspelt", "as_meant"]

MOST: Final = 50
"""Different slips that are looked for; a file with more of them is no file of this kind."""


@dataclass(frozen=True)
class Misspelt:
    """A name that is not known, and the one that is meant.

    Parameters
    ----------
    line, start : int
        Line of the file, from 1, and where in the line the name begins, from 0.
    section : str
        Section in which it stands; "" for the top of the file and for headings.
    name, meant : str
        As it stands there, and the known name.
    known : tuple of str
        All names that may stand there.
    """

    line: int
    start: int
    section: str
    name: str
    meant: str
    known: tuple[str, ...]


def as_meant(
    text: str, sections: Mapping[str, Mapping[str, Key]], free: Collection[str]
) -> tuple[str, tuple[Misspelt, ...]]:
    """Return the text of a TOML file with misspelt headings and keys as they are meant.

    Lines keep their numbers and every value stays. A name stays as it is where no known one is
    near, and where the near one is there already.

    Parameters
    ----------
    text : str
        The whole file, which is TOML.
    sections : mapping of str to mapping of str to Key
        Section to its keys, with a dot for those within others; "" is the top of the file.
    free : collection of str
        Sections whose keys are the user's own.

    Returns
    -------
    str, tuple of Misspelt
        Of each slip the first place.
    """
    kept: list[Misspelt] = []
    tried: set[tuple[str, str]] = set()
    while len(tried) < MOST:
        slips = [s for s in _slips(text, sections, free) if (s.section, s.name) not in tried]
        if not slips:
            break
        first = slips[0]
        tried.add((first.section, first.name))
        # All places at once: tables of one name belong together.
        new = _renamed(
            text, [s for s in slips if (s.section, s.name) == (first.section, first.name)]
        )
        if _values(new) == _values(text):
            kept.append(first)
            text = new
    return text, tuple(kept)


def _slips(
    text: str, sections: Mapping[str, Mapping[str, Key]], free: Collection[str]
) -> Iterator[Misspelt]:
    """Yield every name that is not known where it stands and is near one that is."""
    section = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if heading := HEADING.match(line):
            above, start, section = "", heading.start("name"), heading["name"]
            names = section.split(".")
        elif key := KEY.match(line):
            above, start, names = section, key.start("name"), [key["name"]]
        else:
            continue
        for name in names:
            known = _known(above, sections, free)
            meant = None if name in known else nearest(name, known)
            if meant is not None:
                yield Misspelt(number, start, above, name, meant, known)
                break  # what stands behind is looked at when this is put right
            above, start = dotted(above, name), start + len(name) + 1


def _known(
    section: str, sections: Mapping[str, Mapping[str, Key]], free: Collection[str]
) -> tuple[str, ...]:
    """Return the names that may stand in a section; none where its keys are the user's own."""
    above, _, key = section.rpartition(".")
    if section not in sections and key in sections.get(above, {}):
        return sections[above][key].choices
    begin = dotted(section, "") if section else ""
    below = (path.removeprefix(begin) for path in (*sections, *free) if path.startswith(begin))
    names = (*sections.get(section, {}), *(path.split(".")[0] for path in below if path))
    return tuple(dict.fromkeys(names))


def _renamed(text: str, slips: Collection[Misspelt]) -> str:
    """Return the text with these names as they are meant."""
    lines = text.splitlines(keepends=True)
    for slip in slips:
        line = lines[slip.line - 1]
        end = slip.start + len(slip.name)
        lines[slip.line - 1] = line[: slip.start] + slip.meant + line[end:]
    return "".join(lines)


def _values(text: str) -> list[str] | None:
    """Return every value of a TOML file without its name, in order of writing; None for no TOML.

    They tell a name that was renamed from a text that only looks like one.
    """
    try:
        return sorted(_leaves(tomllib.loads(text)))
    except tomllib.TOMLDecodeError:
        return None


def _leaves(value: Raw) -> Iterator[str]:
    if isinstance(value, dict | list):
        for item in value.values() if isinstance(value, dict) else value:
            yield from _leaves(item)
    else:
        yield repr(value)
