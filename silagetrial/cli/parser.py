"""A parser of arguments that says what is wrong with them, and what was perhaps meant."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping, Sequence
from typing import NoReturn

import silagetrial
from silagetrial.errors import UsageError

__all__ = ["Parser"]


class Parser(argparse.ArgumentParser):
    """Says what is wrong with the arguments as every other error of the package is said.

    Attributes
    ----------
    words : sequence of str
        The arguments, for the remedy.
    commands : mapping of str to Parser
        The commands, where this is the parser above them.
    """

    words: Sequence[str] = ()
    commands: Mapping[str, Parser] = {}

    def error(self, message: str) -> NoReturn:
        """Print found, expected and remedy, and leave with the exit code for usage."""
        command = next((word for word in self.words if not word.startswith("-")), None)
        if command is not None and command in self.commands:
            self.commands[command].error(message)
        see = f"see `{self.prog} --help`"
        if self.commands and command is not None:
            error = UsageError(
                found=f"{command!r}, which is no command",
                expected=f"{self.prog} and one of {', '.join(self.commands)}",
                remedy=silagetrial.did_you_mean(command, self.commands, otherwise=see),
            )
        else:
            unknown = self._unknown_option()
            error = UsageError(
                found=message if unknown is None else f"{unknown!r}, which is no option",
                expected=self.format_usage().removeprefix("usage: ").strip(),
                remedy=see
                if unknown is None
                else silagetrial.did_you_mean(unknown, self._options(), otherwise=see),
            )
        self.exit(UsageError.exit_code, f"{error}\n")

    def _options(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(re.findall(r"--[a-z][\w-]*", self.format_help())))

    def _unknown_option(self) -> str | None:
        """Return the first option that is none, nor the beginning of one."""
        given = (word.split("=")[0] for word in self.words if re.match(r"--[a-z]", word))
        known = self._options()
        return next((word for word in given if not any(o.startswith(word) for o in known)), None)
