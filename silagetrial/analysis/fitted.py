"""The model that a design supports, fitted."""

from __future__ import annotations

import pandas as pd

from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.sensitivity import planned_structure
from silagetrial.data.settings import Settings
from silagetrial.display.language import say
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import Fit, fit_mixed
from silagetrial.mixed.checks import NoMaximum

__all__ = ["fitted"]


def fitted(
    rows: pd.DataFrame, choice: ModelChoice, settings: Settings, *, zero: bool = False
) -> Fit:
    """Fit a model chosen to the ``y`` of its rows, with the structure that trial.toml plans.

    Parameters
    ----------
    rows : pandas.DataFrame
        Records modelled.
    choice : ModelChoice
    settings : Settings
    zero : bool
        Hold variances at zero or above.

    Raises
    ------
    NoAnswer
        These values allow no such fit.
    """
    try:
        return fit_mixed(
            rows,
            choice.formula,
            random=choice.random,
            levels=choice.levels,
            bound="zero" if zero else "free",
            **planned_structure(settings),
        )
    except UsageError as error:
        # What the plan asks of the residual is more than these values can tell.
        raise NoAnswer(found=error.found, expected=error.expected, remedy=error.remedy) from error
    except NoMaximum as error:
        # The engine speaks of likelihoods; whoever reads a first page wants to know what to do.
        raise NoAnswer(
            found=say("refused.no_fit"),
            expected=say("refused.no_fit_expected"),
            remedy=say("refused.no_fit_remedy"),
        ) from error
