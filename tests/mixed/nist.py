"""NIST StRD one-way analysis of variance: data and certified values as scipy ships them.

https://www.itl.nist.gov/div898/strd/anova/anova.html ; the files are in the scipy wheel, folder
scipy/stats/tests/data/nist_anova.  A balanced one-way layout of a groups of n fixes the REML
estimates by its mean squares: variance between (MSB - MSW) / n, within MSW, standard error of the
mean sqrt(MSB / N), a - 1 degrees of freedom (Searle, Casella & McCulloch 1992, Variance
Components).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

FOLDER = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"
NAMES = ("AtmWtAg", "SiRstv", *(f"SmLs0{i}" for i in range(1, 10)))


@dataclass(frozen=True)
class OneWay:
    """A data set with its mean squares between and within groups."""

    frame: pd.DataFrame
    ms_between: float
    ms_within: float

    @property
    def groups(self) -> int:
        return int(self.frame["group"].nunique())

    @property
    def each(self) -> int:
        return len(self.frame) // self.groups

    @property
    def var_between(self) -> float:
        return (self.ms_between - self.ms_within) / self.each

    @property
    def se_mean(self) -> float:
        return float(np.sqrt(self.ms_between / len(self.frame)))

    @property
    def loglik(self) -> float:
        """REML log-likelihood at the optimum, intercept coded as a column of ones.

        V has eigenvalue MSB once per group and MSW otherwise; X'V^-1X = N / MSB; y'Py = N - 1.
        """
        n, a = len(self.frame), self.groups
        logs = (a - 1) * np.log(self.ms_between) + (n - a) * np.log(self.ms_within) + np.log(n)
        return float(-0.5 * ((n - 1) * (np.log(2 * np.pi) + 1) + logs))


def read(name: str) -> OneWay:
    """Read one file of the wheel: rows and certified mean squares."""
    lines = (FOLDER / f"{name}.dat").read_text(encoding="utf-8").splitlines()
    certified = {}
    for line in lines[40:47]:
        found = re.match(r"(Between|Within) \w+\s+\d+\s+\S+\s+(\S+)", line)
        if found:
            certified[found[1]] = float(found[2])
    data = [line.split() for line in lines[60:] if line.strip()]
    frame = pd.DataFrame({"group": [d[0] for d in data], "y": [float(d[1]) for d in data]})
    return OneWay(frame, certified["Between"], certified["Within"])
