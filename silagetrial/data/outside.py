"""What becomes of a value measured outside the window of its opening."""

from __future__ import annotations

from silagetrial.data.settings import Settings

__all__ = ["outside_use"]


def outside_use(settings: Settings) -> str:
    """Return what a value outside the window of its opening is used for.

    A curve over storage takes its days as they are; a comparison at the opening does not take it.
    """
    if settings.analysis.curve is None:
        return "used for a curve over storage only, and none is planned"
    return "used for the curve over storage only"
