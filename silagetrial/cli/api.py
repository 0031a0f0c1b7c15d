"""The command that says where the page of public names is."""

from __future__ import annotations

import argparse
import webbrowser
from pathlib import Path
from typing import Final

import silagetrial
from silagetrial.errors import SilageTrialError
from silagetrial.terminal import show

__all__ = ["PAGE", "describe_api"]

PAGE: Final = Path(silagetrial.__file__).with_name("api.html")
"""The page, which ships with the package; ``tests/api/make_api.py`` writes it."""


def describe_api(parser: argparse.ArgumentParser) -> None:
    """Describe the command that says where the page of public names is."""
    parser.description = (
        "Say where the page of the package's public names is: every function with its parameters, "
        "what it returns and the errors it raises. It came with the package and needs no internet."
    )
    parser.add_argument("--open", action="store_true", help="show it in the browser as well")
    parser.set_defaults(run=_api)


def _api(arguments: argparse.Namespace) -> int:
    show(str(PAGE))
    if arguments.open and not webbrowser.open(PAGE.as_uri()):
        raise SilageTrialError(
            found="no browser that could be started from here",
            expected="a browser on this computer",
            remedy=f"open the file in one: {PAGE}",
        )
    return 0
