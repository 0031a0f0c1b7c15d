"""Answers to the exercises: the right one, and wrong ones with the words they must meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["ANSWERS", "SAID", "Exercise"]


@dataclass(frozen=True)
class Exercise:
    """An exercise: the name it fills, the right answer, and wrong ones with words of the reply."""

    name: str
    right: str
    wrong: tuple[tuple[str, str], ...]


ANSWERS: Final[dict[str, dict[str, Exercise]]] = {
    "plan_a_trial.ipynb": {
        "pairs": Exercise(
            "pairs_for_80",
            "16",
            (
                ("15", "below what was asked"),
                ("8", "its first line"),
                ("'16'", "a number is asked"),
            ),
        ),
        "noise": Exercise("trials_for_0_005", "10_000", (("2000", "square root of 5"),)),
        "runs": Exercise(
            "replicates_of_each_binding",
            "2",
            (("8", "share windrow, hour and driver"), ("3", "count the runs")),
        ),
        "cost": Exercise("what_to_write", "'ask for more'", (("'make 7 pairs'", "power of 0.40"),)),
    },
    "five_farms.ipynb": {
        "date": Exercise("weighed_on", "'2024-06-05'", (("'2024-05-06'", "a month before"),)),
        "swap": Exercise("binding_of_ra03_1", "'net'", (("'film'", "the eyes of the opener"),)),
        "units": Exercise("units_of_the_answer", "5", (("60", "share its crop, baler and store"),)),
        "even": Exercise("break_even", "2.3", (("0.023", "a hundredth of it"), ("5", "of 220 kg"))),
        "decision": Exercise(
            "decision",
            "'cannot tell'",
            (("'it pays'", "on which side"), ("'buy'", "one of the three")),
        ),
    },
    "as_published.ipynb": {
        "t": Exercise("t_of_ph", "1.03", (("1.46", "error of two means"),)),
        "df": Exercise("df_of_manure", "6", (("33", "each bale for a replicate"),)),
        "sed": Exercise("sed_on_one_date", "0.1354", (("0.1066", "averaged over the dates"),)),
        "naive": Exercise("naive_error_of_dates", "'too large'", (("'too small'", "last line"),)),
    },
}
"""By notebook and exercise, as the cells ``exercise-...`` and ``check-...`` are called."""

SAID: Final[dict[str, dict[str, tuple[str, ...]]]] = {
    "plan_a_trial.ipynb": {
        "power-three": ("4 pairs: power 0.20\n", "8 pairs: power 0.47", "16 pairs: power 0.82"),
        "needed": ("0.7611", "0.7937", "0.8224"),
        "detectable": ("4 pairs: a ratio of 0.24", "0.47 or", "0.61 or"),
        "simulate-few": ("0.0248",),
        "simulate-many": ("0.464", "0.0050"),
        "runs": ("4 runs of one binding", "1 degree of freedom for the error"),
        "budget": ("3092", "5324", "2813", "0.404"),
    },
    "five_farms.ipynb": {
        "first-look": ("26 errors", "a row of units", "'Mean'", "the same entries"),
        "mend-rows": ("22 errors",),
        "mend-zeros": ("10 errors, 0 warnings", "weighed 2024-05-06 14:49"),
        "mend-dates": ("2 errors",),
        "mend-swap": ("0 errors, 0 warnings",),
        "butyric": ("0.539", "0.367", "0.792"),
        "butyric-exact": ("0.060",),
        "loss": ("-1.19", "-3.23", "0.85"),
        "picture": ("saved: 0.47 EUR a bale, 95 % interval -0.34 to 1.28",),
        "write-report": ("46 % lower", "p = 0.060"),
    },
    "as_published.ipynb": {
        "implied": ("10 df: SED 0.37", "30 df: SED 0.40"),
        "needed-t": ("moisture needs |t| above 3.69", "below 0.065"),
        # Error mean squares and F of Snedecor and Cochran's analysis of variance.
        "anova": ("0.13623", "0.02797", "23.39"),
        "seds-by-hand": ("0.10655", "0.05575", "0.09655", "0.13544"),
        "seds-by-model": ("0.10655", "0.05575", "0.09655", "0.13544", "24.08"),
        "sem-and-sed": ("SEM 0.124; sqrt(2) SEM 0.175; SED 0.107",),
        "naive-fit": ("60", "5.80"),
    },
}
"""By notebook and cell, what its output must hold for the sentences beside it to be true."""
