"""Reads a clean QR code of version 1 (21 x 21) after ISO/IEC 18004, without error correction."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

__all__ = ["read_svg"]

SIZE = 21
LETTERS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:"
"""Alphanumeric mode, table 5 of the standard."""

MASKS: list[Callable[[int, int], bool]] = [
    lambda i, j: (i + j) % 2 == 0,
    lambda i, _: i % 2 == 0,
    lambda _, j: j % 3 == 0,
    lambda i, j: (i + j) % 3 == 0,
    lambda i, j: (i // 2 + j // 3) % 2 == 0,
    lambda i, j: i * j % 2 + i * j % 3 == 0,
    lambda i, j: (i * j % 2 + i * j % 3) % 2 == 0,
    lambda i, j: ((i + j) % 2 + i * j % 3) % 2 == 0,
]
"""Data mask patterns, table 10: i row, j column."""


def read_svg(svg: str, *, border: int = 4) -> tuple[str, str]:
    """Return the text of a drawn code and its level of error correction (L, M, Q or H)."""
    dark = _dark(svg, border)
    # Format information beside the finder at the top left: level (2 bits), mask (3 bits), masked.
    places = [(8, 0), (8, 1), (8, 2), (8, 3), (8, 4)]
    bits = "".join("1" if place in dark else "0" for place in places)
    info = int(bits, 2) ^ 0b10101
    mask = MASKS[info & 0b111]
    stream = "".join(str(int(((i, j) in dark) ^ mask(i, j))) for i, j in _way())
    assert stream[:4] == "0010", "not alphanumeric"
    count, rest, text = int(stream[4:13], 2), stream[13:], ""
    while len(text) < count:
        if count - len(text) > 1:
            pair, rest = int(rest[:11], 2), rest[11:]
            text += LETTERS[pair // 45] + LETTERS[pair % 45]
        else:
            text += LETTERS[int(rest[:6], 2)]
    return text, {1: "L", 0: "M", 3: "Q", 2: "H"}[info >> 3]


def _dark(svg: str, border: int) -> set[tuple[int, int]]:
    """Dark modules from a path of horizontal strokes."""
    path = re.findall(r' d="([^"]+)"', svg)[-1]
    x, y, dark = 0.0, 0.0, set()
    for command, text in re.findall(r"([Mmh])([^Mmh]*)", path):
        numbers = [float(n) for n in re.findall(r"-?[\d.]+", text)]
        if command == "h":
            dark |= {(int(y) - border, int(x) - border + k) for k in range(int(numbers[0]))}
            x += numbers[0]
        else:
            x, y = (numbers[0], numbers[1]) if command == "M" else (x + numbers[0], y + numbers[1])
    return dark


def _way() -> Iterator[tuple[int, int]]:
    """Places of the data bits: two columns at a time from the right, up and down in turn."""
    upwards = True
    for right in (20, 18, 16, 14, 12, 10, 8, 5, 3, 1):  # column 6 is the timing pattern
        rows = range(SIZE - 1, -1, -1) if upwards else range(SIZE)
        for i in rows:
            for j in (right, right - 1):
                corner = (i < 9 and j < 9) or (i < 9 and j > 12) or (i > 12 and j < 9)
                if not corner and i != 6 and j != 6:
                    yield i, j
        upwards = not upwards
