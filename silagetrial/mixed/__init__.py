"""Linear mixed models for any data frame: REML, Kenward-Roger, adjusted means, contrasts."""

from silagetrial.mixed.blups import blups
from silagetrial.mixed.bootstrap import Bootstrap, bootstrap
from silagetrial.mixed.equivalence import equivalence, non_inferiority
from silagetrial.mixed.estimates import (
    adjusted_means,
    coefficients,
    contrasts,
    f_test,
    holm,
    term_tests,
)
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.fitting import fit_mixed
from silagetrial.mixed.functions import Functions, adjusted_mean_functions, estimable
from silagetrial.mixed.hypothesis import hypothesis
from silagetrial.mixed.prediction import predict
from silagetrial.mixed.profile import profile_intervals
from silagetrial.mixed.simulate import draw
from silagetrial.mixed.spread import sd_ratios
from silagetrial.mixed.vartest import variance_test

__all__ = [
    "Bootstrap",
    "Fit",
    "Functions",
    "adjusted_mean_functions",
    "adjusted_means",
    "blups",
    "bootstrap",
    "coefficients",
    "contrasts",
    "draw",
    "equivalence",
    "estimable",
    "f_test",
    "fit_mixed",
    "holm",
    "hypothesis",
    "non_inferiority",
    "predict",
    "profile_intervals",
    "sd_ratios",
    "term_tests",
    "variance_test",
]
