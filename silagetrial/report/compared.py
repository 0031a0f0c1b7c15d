"""Results kept and results made again, compared value by value.

Where nothing that numbers depend on differs, they must be equal to the last digit. Elsewhere sums
are taken in another order, and a number may differ by `RELATIVE` of its size, or by what is less
than rounding or chance where its own size says nothing (`_floor`). Measured on the demonstration
trials by an old processor's kernel and by the oldest versions of numpy, scipy, pandas and
statsmodels that the package allows: at most 2e-8 (``tests/benchmarks/other_packages.py``).
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import Enum
from typing import Any, Final

from silagetrial.report.kept_files import quoted

__all__ = ["ABSENT", "RELATIVE", "Difference", "count_values", "differences"]

RELATIVE: Final = 1e-5
ROUNDING: Final = 1e-10
"""Of the largest number of a column: one that small beside it is what rounding left of zero."""


class Absent(Enum):
    """The value of what is not there, which no JSON can hold."""

    ABSENT = "(absent)"


ABSENT: Final = Absent.ABSENT
_OF_THE_ERROR: Final = frozenset({"estimate", "conf_low", "conf_high", "sim_low", "sim_high"})
_DIGITS: Final = "digits"
_NUMBER: Final = re.compile(r"\d+\.\d+|\d+(?= ?%)")
"""Numbers in texts that are rounded: decimals and percentages; counts, dates and names are not."""
_LONGEST: Final = 60


@dataclass(frozen=True)
class Difference:
    """A value that came out otherwise.

    Parameters
    ----------
    path : str
        Where it stands: ``responses.butyric_acid.differences[3].conf_low``.
    kept, again : object
        As the report has it, and as it is now; `ABSENT` where there is none.
    relative : float or None
        Of two numbers, the size of their difference as a share of the larger one.
    """

    path: str
    kept: object
    again: object
    relative: float | None = None

    def __str__(self) -> str:
        """Path, both values, and how far apart they are."""
        apart = "" if self.relative is None else f", relative difference {self.relative:.2g}"
        return f"{self.path}: kept {_short(self.kept)}, now {_short(self.again)}{apart}"


def _short(value: object) -> str:
    if isinstance(value, Absent):
        return value.value
    text = json.dumps(value, ensure_ascii=False)
    return quoted(text if len(text) <= _LONGEST else f"{text[:_LONGEST]}...")


def count_values(content: object) -> int:
    """Return how many numbers, texts and other single values a JSON content holds."""
    if isinstance(content, Mapping):
        return sum(map(count_values, content.values()))
    return sum(map(count_values, content)) if isinstance(content, list) else 1


def differences(kept: object, again: object, *, exact: bool) -> tuple[Difference, ...]:
    """Return every value that differs between two contents of ``results.json``.

    Parameters
    ----------
    kept, again : object
        As ``json`` reads them: the report's, and those of the run again.
    exact : bool
        True where nothing differs that numbers depend on: equal to the last digit. Else numbers
        may differ as the module says, and a number within a text by one in its last place.

    Returns
    -------
    tuple of Difference
        In the order of the file.
    """
    return tuple(_walk(kept, again, "", _Place(exact)))


@dataclass(frozen=True)
class _Place:
    """What is known of a value besides itself.

    Parameters
    ----------
    exact : bool
    key : str
        Name of the value.
    std_error : float
        Of the same row, 0 where it has none.
    largest : float
        Size of the largest number of the same column, or of the same list.
    """

    exact: bool
    key: str = ""
    std_error: float = 0.0
    largest: float = 0.0


def _walk(kept: Any, again: Any, path: str, place: _Place) -> Iterator[Difference]:
    if isinstance(kept, dict) and isinstance(again, dict):
        yield from _in_mapping(kept, again, path, place, {})
    elif isinstance(kept, list) and isinstance(again, list):
        yield from _in_list(kept, again, path, place)
    elif not _same(kept, again, place):
        yield Difference(path, kept, again, _relative(kept, again))


def _in_mapping(
    kept: Mapping[str, Any],
    again: Mapping[str, Any],
    path: str,
    place: _Place,
    columns: Mapping[str, float],
) -> Iterator[Difference]:
    """Compare two mappings; `columns` has the largest number of each key over all rows."""
    error = abs(_number(again.get("std_error"), 0.0))
    for key in (*kept, *(key for key in again if key not in kept)):
        here = f"{path}.{key}" if path else key
        here = here if key.isidentifier() else f"{path}[{json.dumps(key)}]"
        there = _Place(place.exact, key, error, columns.get(key, 0.0))
        yield from _either(kept.get(key, ABSENT), again.get(key, ABSENT), here, there)


def _in_list(
    kept: Sequence[Any], again: Sequence[Any], path: str, place: _Place
) -> Iterator[Difference]:
    """Compare two lists: rows of a table, rows of a matrix, or numbers."""
    columns: dict[str, float] = {}
    for row in again:
        for key, value in row.items() if isinstance(row, dict) else ():
            columns[key] = max(columns.get(key, 0.0), _size(value))
    largest = max(place.largest, _size(again))
    inside = _Place(place.exact, place.key, 0.0, largest)
    for k in range(max(len(kept), len(again))):
        old = kept[k] if k < len(kept) else ABSENT
        new = again[k] if k < len(again) else ABSENT
        if isinstance(old, dict) and isinstance(new, dict):
            yield from _in_mapping(old, new, f"{path}[{k}]", inside, columns)
        else:
            yield from _either(old, new, f"{path}[{k}]", inside)


def _either(kept: Any, again: Any, path: str, place: _Place) -> Iterator[Difference]:
    if kept is ABSENT or again is ABSENT:
        yield Difference(path, kept, again)
    else:
        yield from _walk(kept, again, path, place)


def _size(value: Any) -> float:
    """Size of the largest number of a number, or of lists of numbers."""
    if isinstance(value, list):
        return max(map(_size, value), default=0.0)
    return abs(_number(value, 0.0))


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _number(value: Any, otherwise: float) -> float:
    """A finite number as a float; what is none, or too large for one, as something else."""
    try:
        number = float(value) if _is_number(value) else otherwise
    except OverflowError:
        return otherwise
    return number if math.isfinite(number) else otherwise


def _relative(kept: object, again: object) -> float | None:
    old, new = _number(kept, math.nan), _number(again, math.nan)
    if math.isnan(old) or math.isnan(new):
        return None
    return abs(old - new) / max(abs(old), abs(new)) if old != new else 0.0


def _same(kept: Any, again: Any, place: _Place) -> bool:
    # The text of a number has all its digits; 28 is not 28.0, 0.0 not -0.0, and NaN is itself.
    if type(kept) is type(again) and repr(kept) == repr(again):
        return True
    if place.exact:
        return False
    if isinstance(kept, str) and isinstance(again, str):
        return _same_text(kept, again)
    whole = isinstance(kept, int) and isinstance(again, int)
    if whole or not _is_number(kept) or not _is_number(again):
        return False
    old, new = _number(kept, math.nan), _number(again, math.nan)
    return abs(old - new) <= RELATIVE * max(abs(old), abs(new)) + _floor(old, new, place)


def _floor(old: float, new: float, place: _Place) -> float:
    """What two numbers may differ by whatever their size.

    - An estimate and the ends of its interval: a share `RELATIVE` of its standard error. A
      difference that is nearly zero has no size of its own; the standard error is the scale on
      which it is read, and chance moves it 100,000 times as far.
    - A test statistic, an estimate in units of its error: `RELATIVE` likewise.
    - The digits in which a witness agrees, where both are beyond those of `RELATIVE`: they count
      rounding.
    - All others: `ROUNDING` of the largest of their column.
    """
    if place.key in _OF_THE_ERROR and place.std_error > 0:
        return RELATIVE * place.std_error
    if place.key == "statistic":
        return RELATIVE
    if place.key == _DIGITS and min(old, new) >= -math.log10(RELATIVE):
        return math.inf
    return ROUNDING * place.largest


def _same_text(kept: str, again: str) -> bool:
    """Tell whether two texts say the same, with numbers that may be rounded the other way."""
    if _NUMBER.split(kept) != _NUMBER.split(again):
        return False
    pairs = zip(_NUMBER.findall(kept), _NUMBER.findall(again), strict=True)
    return all(_same_rounded(Decimal(old), Decimal(new)) for old, new in pairs)


def _same_rounded(kept: Decimal, again: Decimal) -> bool:
    """Tell whether two printed numbers differ by at most one in the last place."""
    old, new = kept.as_tuple().exponent, again.as_tuple().exponent
    if not isinstance(old, int) or old != new:
        return False
    return abs(kept - again) <= Decimal(1).scaleb(old)
