"""Text on a terminal: how wide it is, and what it can show."""

from __future__ import annotations

import os
import shutil
import sys
from typing import Final

__all__ = ["show", "width"]

_PLAIN: Final = str.maketrans(
    {"\N{MINUS SIGN}": "-", "\N{EN DASH}": "-", "\N{NARROW NO-BREAK SPACE}": " "}
)


def width() -> int:
    """Return how many letters a line of the terminal holds."""
    return shutil.get_terminal_size().columns


def show(text: str) -> None:
    """Print on standard output; a reader who has had enough, such as ``head``, is no error."""
    try:
        print(_printable(text), flush=True)
    except BrokenPipeError:
        # What is left in the buffer must go somewhere when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _printable(text: str) -> str:
    """Return the text in what standard output can show; a minus sign stays a minus sign."""
    encoding = sys.stdout.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        plain = text.translate(_PLAIN)
        return plain.encode(encoding, errors="replace").decode(encoding)
    return text
