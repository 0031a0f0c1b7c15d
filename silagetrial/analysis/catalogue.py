"""The responses that can be analysed, by their names in trial.toml."""

from __future__ import annotations

from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS, Response
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.settings import DIFFERENCE_RESPONSES, RESPONSES, Settings
from silagetrial.data.units import inside_unit
from silagetrial.errors import UsageError

__all__ = ["response_of", "responses_of"]

_LABELS = {
    "dm": "DM", "pH": "pH", "wsc": "WSC", "ammonia_n": "Ammonia-N", "total_n": "Total N",
    "propanediol": "1,2-Propanediol", "iso_butyric_acid": "Iso-butyric acid",
}  # fmt: skip
_IN_THE_CROP = ("dm", "pH", "wsc", "total_n", "ash")
"""Responses that the crop has before the binding acts, and that laboratories measure in it."""


def response_of(name: str) -> Response:
    """Return a response by its name in trial.toml.

    Acids and other contents are modelled as logarithms, so that bindings are compared by ratios;
    pH and DM as they are.

    Raises
    ------
    UsageError
        No such response.
    """
    if name not in RESPONSES:
        raise UsageError(
            found=f"the response {name!r}",
            expected=f"a response among {', '.join(RESPONSES)}",
            remedy=did_you_mean(name, RESPONSES, otherwise="correct the name"),
        )
    standard = {response.name: response for response in (BUTYRIC_ACID, DM_LOSS)}
    if name in standard:
        return standard[name]
    identity = name in DIFFERENCE_RESPONSES
    unit = "pH units" if name == "pH" else inside_unit(name)
    return Response(
        name,
        _LABELS.get(name, name.replace("_", " ").capitalize()),
        unit,
        "identity" if identity else "log",
        "difference" if identity else "ratio",
        unit,
        "measured" if name in _IN_THE_CROP else "unknown",
    )


def responses_of(settings: Settings) -> tuple[Response, ...]:
    """Return the responses of an analysis: butyric acid, DM loss, and further ones planned."""
    plan = settings.analysis
    names = dict.fromkeys([BUTYRIC_ACID.name, DM_LOSS.name, plan.primary, *plan.responses])
    return tuple(response_of(name) for name in names)
