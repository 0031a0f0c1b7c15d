"""Linear mixed models for any data frame: REML, Kenward-Roger, adjusted means, contrasts."""

from silagetrial.mixed.estimates import (
    adjusted_means,
    coefficients,
    contrasts,
    f_test,
    holm,
    term_tests,
)
from silagetrial.mixed.fit import Fit, fit_mixed
from silagetrial.mixed.functions import Functions, adjusted_mean_functions, estimable

__all__ = [
    "Fit",
    "Functions",
    "adjusted_mean_functions",
    "adjusted_means",
    "coefficients",
    "contrasts",
    "estimable",
    "f_test",
    "fit_mixed",
    "holm",
    "term_tests",
]
