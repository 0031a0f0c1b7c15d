"""Sections of laboratories.toml: where a fault stands, and lists of sections."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from silagetrial.data.section_reader import SectionReader
from silagetrial.data.settings_keys import Raw
from silagetrial.data.toml_text import line_of

__all__ = ["Sections"]


@dataclass
class Sections:
    """Reads the sections of laboratories.toml.

    Parameters
    ----------
    keys : SectionReader
        Reads one section; collects the problems.
    refused : set of str
        Names of laboratories that are there and could not be read.
    """

    keys: SectionReader
    refused: set[str] = field(default_factory=set)

    def fault(
        self, section: str, key: str, number: int, found: str, expected: str, remedy: str
    ) -> None:
        """Note an error at a key of a section."""
        text = self.keys.text
        line = line_of(text, section, key, number=number) or line_of(text, section, number=number)
        self.keys.fault(line, f"{section}.{key}", found, expected, remedy)

    def sections(self, name: str, raw: Mapping[str, Raw]) -> Sequence[Raw]:
        """Return the sections of a name, empty where they are no list of sections."""
        given = raw.get(name, [])
        if isinstance(given, list) and all(isinstance(item, dict) for item in given):
            return given
        self.keys.fault(
            line_of(self.keys.text, name),
            name,
            f"one section [{name}]",
            f"sections [[{name}]], one for each",
            f"write [[{name}]] with two brackets",
        )
        return []
