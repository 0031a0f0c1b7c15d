"""Text of a TOML file: what it holds, and on which line."""

from __future__ import annotations

import re
import tomllib
from typing import Final

from silagetrial.data.settings_keys import Raw
from silagetrial.errors import DataProblems, Problem

__all__ = ["HEADING", "KEY", "dotted", "line_of", "load_toml"]

HEADING: Final = re.compile(r"\s*\[{1,2}\s*(?P<name>[\w.-]+)\s*\]")
KEY: Final = re.compile(r"""\s*(?P<quote>["']?)(?P<name>[\w-]+)(?P=quote)\s*=""")


def load_toml(text: str, *, file: str) -> dict[str, Raw]:
    """Return what the text of a TOML file holds.

    Raises
    ------
    DataProblems
        If the text is no TOML at all, with the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DataProblems([_no_toml(error, file)]) from error
    except (RecursionError, ValueError) as error:
        raise DataProblems([_no_settings(file)]) from error


def line_of(text: str, section: str, key: str | None = None, *, number: int = 0) -> int | None:
    """Return the line of trial.toml on which a key, or a section's heading, stands.

    Parameters
    ----------
    text : str
        The whole file.
    section : str
        Name of the section; "" for the top of the file.
    key : str or None
        The key; None for the heading of the section.
    number : int
        Which of the sections of this name, from 0.

    Returns
    -------
    int or None
        Line counted from 1; None where the key is not on a line of its own.
    """
    current, seen = "", 0 if section == "" else -1
    for line, row in enumerate(text.splitlines(), start=1):
        if heading := HEADING.match(row):
            current = heading["name"]
            seen += current == section
            if key is None and current == section and seen == number:
                return line
        elif current == section and seen == number and key is not None:
            name = KEY.match(row)
            if name and name["name"] == key:
                return line
    return None


def dotted(section: str, key: str) -> str:
    """Return the name of a key with its section: ``bindings.compare``."""
    return f"{section}.{key}" if section else key


def _no_settings(file: str) -> Problem:
    return Problem(
        "error",
        file,
        None,
        None,
        "brackets nested thousands deep, or a number of thousands of digits",
        "the settings of a trial",
        "write the file anew, or take it from a copy",
    )


def _no_toml(error: tomllib.TOMLDecodeError, file: str) -> Problem:
    place = re.search(r"at line (\d+)", str(error))
    return Problem(
        "error",
        file,
        int(place[1]) if place else None,
        None,
        f"text that is not TOML: {error}",
        'lines such as title = "..." below headings such as [bindings]',
        "correct this line; texts stand between double quotes, numbers have a decimal point, a "
        "date is 2027-05-20",
    )
