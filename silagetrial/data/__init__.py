"""One trial: its tables, how they are read, and every problem with them."""

from silagetrial.data.entry import write_entry_sheets
from silagetrial.data.listing import describe_columns, list_problems
from silagetrial.data.package import datapackage
from silagetrial.data.read import read_trial
from silagetrial.data.schema import TABLES, Column
from silagetrial.data.settings import (
    AnalysisPlan,
    DmCorrection,
    MeasurementSd,
    Opening,
    Settings,
)
from silagetrial.data.trial import Trial
from silagetrial.errors import Problem

__all__ = [
    "TABLES",
    "AnalysisPlan",
    "Column",
    "DmCorrection",
    "MeasurementSd",
    "Opening",
    "Problem",
    "Settings",
    "Trial",
    "datapackage",
    "describe_columns",
    "list_problems",
    "read_trial",
    "write_entry_sheets",
]
