"""What ``silagetrial`` says by itself: what to do next, by what the user has."""

from __future__ import annotations

from typing import Final

__all__ = ["WELCOME"]

WELCOME: Final = """\
silagetrial compares ways of binding round bales of silage (net, film, twine): from the trial's
folder of tables to a report whose every number can be checked.

Show me the demonstration. It writes an invented trial of three farms, and says how to make its
report:
    silagetrial start demo --demo

I plan a trial. It writes a plan with invented figures, to be replaced by your own, and says how to
see what such a trial could find:
    silagetrial start my_plan --plan

I have data. It writes an empty trial with every column explained, into which they go:
    silagetrial start my_trial

I have a folder of a trial. It lists what is missing or wrong, with file, line and what to do:
    silagetrial check my_trial

All commands: silagetrial --help
"""
"""Shown where there are no arguments."""
