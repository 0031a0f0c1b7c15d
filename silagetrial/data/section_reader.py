"""Sections of a TOML file against the keys they may hold, every problem collected with its line.

trial.toml, plan.toml and laboratories.toml are read by it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from silagetrial.data.misspelt import as_meant
from silagetrial.data.nearest import did_you_mean, nearest, suggestion
from silagetrial.data.settings import Opening
from silagetrial.data.settings_keys import FREE_SECTION, Key, Raw, expected, fits
from silagetrial.data.toml_text import dotted, line_of, load_toml
from silagetrial.errors import Problem

__all__ = ["SectionReader"]


@dataclass
class SectionReader:
    """Reads section by section and collects the problems.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        Its name.
    raw : mapping
        What the text holds.
    sections : mapping
        Section to its keys; "" is the top of the file.
    names : tuple of str
        Sections that the top of the file may hold.
    problems : list of Problem
        What was found wrong so far.
    """

    text: str
    file: str
    raw: Mapping[str, Raw]
    sections: Mapping[str, Mapping[str, Key]]
    names: tuple[str, ...]
    problems: list[Problem] = field(default_factory=list)

    @classmethod
    def begin(
        cls,
        text: str,
        file: str,
        sections: Mapping[str, Mapping[str, Key]],
        *,
        names: tuple[str, ...],
        free: Collection[str],
    ) -> SectionReader:
        """Return the reader of a text; misspelt names are noted, and read as they are meant.

        Parameters
        ----------
        text, file, sections, names
            As the reader keeps them.
        free : collection of str
            Sections whose keys are the user's own.

        Raises
        ------
        DataProblems
            If the text is no TOML at all, with the line.
        """
        raw = load_toml(text, file=file)  # names are looked for in TOML only
        text, slips = as_meant(text, sections, free)
        reader = cls(text, file, load_toml(text, file=file) if slips else raw, sections, names)
        for slip in slips:
            reader._unknown(slip.line, slip.section, slip.name, slip.known)
        return reader

    def section(self, section: str, raw: Raw, *, number: int = 0) -> dict[str, Raw]:
        """Return the keys of a section that are known and hold what they should."""
        if not isinstance(raw, dict):
            self.fault(
                line_of(self.text, "", section),
                section,
                f"{section} = {raw!r}",
                f"a section that begins with [{section}]",
                f"write [{section}] on a line of its own and its keys below it",
            )
            return {}
        keys = self.sections[section]
        known = (*keys, *(self.names if section == "" else ()))
        for key in (key for key in raw if key not in keys):
            line = line_of(self.text, section, key, number=number) or line_of(self.text, key)
            self._unknown(line, section, key, known)
        for key, spec in keys.items():
            if spec.required and key not in raw:
                self.fault(
                    line_of(self.text, section, number=number),
                    dotted(section, key),
                    f"no {key}" + (f" in [{section}]" if section else ""),
                    expected(spec),
                    f"add a line that begins with {key} =",
                )
        return {
            key: raw[key]
            for key in keys
            if key in raw and self._fits(section, key, raw[key], number=number)
        }

    def openings(self, raw: Raw) -> tuple[Opening, ...]:
        """Return the openings that are complete, by days."""
        if not isinstance(raw, list) or not raw:
            self.fault(
                line_of(self.text, "openings") or line_of(self.text, "", "openings"),
                "openings",
                "no openings" if not raw else f"openings = {raw!r}",
                "one section [[openings]] for each planned storage time",
                'add [[openings]] with name = "2 months", days = 60, window = [50, 75]',
            )
            return ()
        read = [self.section("openings", item, number=n) for n, item in enumerate(raw)]
        complete = [item for item in read if {"name", "days", "window"} <= item.keys()]
        openings = [
            Opening(
                item["name"],
                float(item["days"]),
                (float(item["window"][0]), float(item["window"][1])),
            )
            for item in complete
        ]
        return tuple(sorted(openings, key=lambda opening: (opening.days, opening.name)))

    def free(self, raw: Raw) -> dict[str, str | float]:
        """Return the values of the section whose keys are the user's own."""
        values = raw if isinstance(raw, dict) else {FREE_SECTION: raw}
        kept: dict[str, str | float] = {}
        for key, value in values.items():
            if isinstance(raw, dict) and isinstance(value, str | int | float):
                kept[key] = value
            else:
                self.fault(
                    line_of(self.text, FREE_SECTION, key) or line_of(self.text, "", key),
                    dotted(FREE_SECTION, key) if isinstance(raw, dict) else FREE_SECTION,
                    f"{key} = {value!r}",
                    f"a number or a text under [{FREE_SECTION}]",
                    "write one value a line, as in film_layers = 6",
                )
        return kept

    def _unknown(self, line: int | None, section: str, key: str, known: Sequence[str]) -> None:
        """Note a name that is not known where it stands; it may be known elsewhere."""
        close = nearest(key, known)
        where = None if close is not None else self._home(key)
        self.fault(
            line,
            dotted(section, key),
            f"{key!r}, which is not known here",
            f"one of {', '.join(known)}",
            suggestion(close, otherwise="remove it") if where is None else where,
        )

    def _home(self, key: str) -> str | None:
        """Return what to do with a name of another section, or with that of a section itself."""
        for section, keys in self.sections.items():
            meant = nearest(key, keys)
            if meant is not None:
                place = f"under [{section}]" if section else "at the top, above the first heading"
                return f"did you mean {meant!r}, which stands {place}? If not, remove it"
        meant = nearest(key, [name for name in (*self.sections, FREE_SECTION) if name])
        if meant is None:
            return None
        return f"did you mean the section [{meant}], with its keys below it? If not, remove it"

    def _fits(self, section: str, key: str, value: Raw, *, number: int) -> bool:
        spec = self.sections[section][key]
        if fits(spec, value):
            return True
        remedy = f"correct the value of {key}"
        # A text, or names with numbers: the first that is none of the words is looked up.
        words = value if isinstance(value, dict) else [value]
        unknown = [word for word in words if isinstance(word, str) and word not in spec.choices]
        if unknown:
            remedy = did_you_mean(unknown[0], spec.choices, otherwise=remedy)
        self.fault(
            line_of(self.text, section, key, number=number),
            dotted(section, key),
            f"{key} = {value!r}",
            expected(spec),
            remedy,
        )
        return False

    def fault(self, line: int | None, where: str, found: str, wanted: str, remedy: str) -> None:
        """Note an error at a line of the file."""
        self.problems.append(Problem("error", self.file, line, where, found, wanted, remedy))
