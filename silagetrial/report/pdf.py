"""The page as a tagged PDF, made offline; needs the extra ``silagetrial[pdf]``."""

from __future__ import annotations

from hashlib import sha256
from importlib import import_module
from typing import Any, Final

from silagetrial.errors import UsageError

__all__ = ["check_pdf", "html_pdf"]

_VARIANT: Final = "pdf/ua-1"
"""ISO 14289-1: tagged for readers that speak, with language, title and alternative texts."""


def check_pdf() -> None:
    """Refuse before any work where no PDF can be made.

    Raises
    ------
    UsageError
        When the package for it, or a library of the system, is missing.
    """
    _weasyprint()


def html_pdf(html: str) -> bytes:
    """Return a page as PDF, by its print style.

    Parameters
    ----------
    html : str
        A page that asks nothing of the outside.

    Returns
    -------
    bytes
        The same for the same page on the same machine: it holds no time, and its identifier is
        the hash of the page.

    Raises
    ------
    UsageError
        As `check_pdf`.
    """
    weasyprint = _weasyprint()
    # What is neither in the page nor a `data:` address is not asked for.
    offline = weasyprint.urls.URLFetcher(allowed_protocols=("data",))
    identifier = sha256(html.encode("utf-8")).digest()[:16]
    page = weasyprint.HTML(string=html, url_fetcher=offline)
    return bytes(page.write_pdf(pdf_variant=_VARIANT, pdf_identifier=identifier))


def _weasyprint() -> Any:
    """The module, loaded only here: `report` without a PDF does not need it."""
    try:
        return import_module("weasyprint")
    except ModuleNotFoundError as error:
        raise UsageError(
            found=f"no PDF can be made: the package {error.name} is not installed",
            expected="the extra silagetrial[pdf]",
            remedy="install it with `pip install 'silagetrial[pdf]'`, or leave out --pdf and print "
            "report.html from a browser",
        ) from error
    except OSError as error:
        raise UsageError(
            found=f"no PDF can be made: a library of the system is missing ({error})",
            expected="the libraries Pango and HarfBuzz",
            remedy="install them (Debian, Ubuntu: apt install libpango-1.0-0 libpangoft2-1.0-0 "
            "libharfbuzz-subset0; macOS: brew install pango), or leave out --pdf and print "
            "report.html from a browser",
        ) from error
