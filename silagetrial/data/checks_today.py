"""Check of dates against the day on which it is made.

It stands apart from `checks.CHECKS`: a report of the same files is the same on any day.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator

import pandas as pd

from silagetrial.data.draft import Draft
from silagetrial.data.schema import TABLES
from silagetrial.errors import Problem

__all__ = ["none_later"]


def none_later(draft: Draft, *, today: dt.date) -> Iterator[Problem]:
    """Check that nothing that was done has a date later than a day."""
    tomorrow = pd.Timestamp(today) + pd.Timedelta(days=1)
    for table, columns in TABLES.items():
        frame = draft.tables[table]
        for name in (column.name for column in columns if column.kind == "datetime"):
            late = frame[frame[name] >= tomorrow]
            for line, when in zip(late.index.tolist(), late[name].dt.date, strict=True):
                yield draft.problem(
                    table,
                    line,
                    name,
                    found=f"{when}, which is later than {today}",
                    expected=f"a date up to {today}, the day of this check",
                    remedy="correct the date; a row that is planned and not done yet has none",
                    severity="warning",
                )
