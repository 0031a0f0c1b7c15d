"""Blind codes of laboratory samples, and who lies with whom in a batch."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import numpy as np

__all__ = ["ALPHABET", "code_is_sound", "draw_codes"]

ALPHABET: Final = "3479CFGHJKMNPRTWX"
"""Letters and digits that are hard to take for one another in handwriting (no 0 O D Q, 1 I L, 2 Z,
5 S, 6 b, 8 B, U V Y); no vowels, so that no code is a word. Seventeen, a prime: see
`code_is_sound`."""

_LETTERS: Final = tuple(k for k, sign in enumerate(ALPHABET) if not sign.isdigit())
_SPARSE: Final = 5
"""Of the codes possible at most one in so many is used: a guess is seldom another sample."""


def draw_codes(
    rng: np.random.Generator, count: int, *, taken: Collection[str] = ()
) -> tuple[str, ...]:
    """Draw codes without repeats, each as likely as any other for every sample.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
    taken : collection of str
        Codes drawn before.

    Returns
    -------
    tuple of str
        A letter first, so that no spreadsheet reads a number or a date, then letters and digits,
        the last one for checking (`code_is_sound`).
    """
    free = 2
    while len(_LETTERS) * len(ALPHABET) ** (free - 1) < _SPARSE * (count + len(taken)):
        free += 1
    found: list[str] = []
    seen = set(taken)
    while len(found) < count:
        first = _LETTERS[int(rng.integers(len(_LETTERS)))]
        rest = [int(k) for k in rng.integers(len(ALPHABET), size=free - 1)]
        code = _with_check([first, *rest])
        if code not in seen:
            seen.add(code)
            found.append(code)
    return tuple(found)


def code_is_sound(code: str) -> bool:
    """Tell whether a code can have been drawn.

    The signs, numbered from 0 and weighted by their place from 1, sum to a multiple of 17. One
    sign misread, or two different neighbours exchanged, always breaks the sum (ISO/IEC 7064 rests
    on the same principle: weights and a prime modulus).
    """
    if len(code) < 2 or not set(code) <= set(ALPHABET):
        return False
    return _weighted([ALPHABET.index(sign) for sign in code]) == 0


def _weighted(numbers: list[int]) -> int:
    return sum(place * number for place, number in enumerate(numbers, start=1)) % len(ALPHABET)


def _with_check(numbers: list[int]) -> str:
    # The weight of the last place has an inverse, because the modulus is a prime above it.
    place = len(numbers) + 1
    inverse = pow(place, -1, len(ALPHABET))
    last = -_weighted(numbers) * inverse % len(ALPHABET)
    return "".join(ALPHABET[number] for number in [*numbers, last])
