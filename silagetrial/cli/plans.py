"""The commands that plan a trial: plan and power."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import silagetrial
from silagetrial.cli.arguments import add_force, day, progress
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.terminal import show, width

__all__ = ["INTERRUPTED", "describe_plan", "describe_power"]

INTERRUPTED = 130
"""Exit code of a simulation stopped by Ctrl-C: 128 and the number of the signal, as shells do."""


def _site_pairs(text: str) -> tuple[str, int]:
    site, _, pairs = text.rpartition("=")
    if not site.strip() or not pairs.strip().isdigit():
        message = f"{text!r} is not of the form SITE=PAIRS, such as 'Mill Farm=7'"
        raise argparse.ArgumentTypeError(message)
    return site.strip(), int(pairs)


def describe_plan(parser: argparse.ArgumentParser) -> None:
    """Describe the command that lays a trial out."""
    parser.description = (
        "Lay a trial out from plan.toml, draw everything at random with a seed, and write the "
        "trial's folder: the field workbook, the sheets and tags to print, the laboratory's list "
        "and the analysis plan with its hash."
    )
    parser.add_argument("plan", metavar="PLAN", help="plan.toml, or the folder that holds it")
    parser.add_argument(
        "--out",
        metavar="DIR",
        required=True,
        help="the folder to write: new, empty, or an earlier plan into which nothing was typed, "
        "which is replaced",
    )
    add_force(parser)
    parser.add_argument(
        "--seed", metavar="N", type=int, help="seed of the draws (default: that of the plan)"
    )
    _describe_early_stop(parser)
    parser.add_argument(
        "--from",
        dest="report",
        metavar="REPORT",
        help="a finished report, whose variances say what this trial can see (default: the "
        "assumptions of the plan)",
    )
    parser.add_argument(
        "--date",
        metavar="YYYY-MM-DD",
        type=day,
        help="the day on which the analysis plan is filed (default: today)",
    )
    parser.set_defaults(run=_plan)


def _describe_early_stop(parser: argparse.ArgumentParser) -> None:
    """Describe how a trial is planned again that could not be made to its end."""
    parser.add_argument(
        "--stopped-early",
        metavar="SITE=PAIRS",
        type=_site_pairs,
        nargs="+",
        action="extend",
        default=[],
        help="pairs made on a site before baling had to stop; the rest is planned again, what was "
        "drawn for the pairs made stays",
    )
    parser.add_argument(
        "--carry-from",
        metavar="EARLIER",
        help="an earlier folder of this plan, whose workbook has data: they are carried over, and "
        "files stored there are copied",
    )


def describe_power(parser: argparse.ArgumentParser) -> None:
    """Describe the command that says how many pairs a trial needs."""
    parser.description = (
        "Say how many pairs a planned trial needs, what it can see, and how exact these figures "
        "are; with --out, write the page that tells whether the trial is worth doing."
    )
    parser.add_argument("plan", metavar="PLAN", help="plan.toml, or the folder that holds it")
    parser.add_argument("--response", metavar="NAME", help="the response (default: the primary)")
    parser.add_argument(
        "--pairs", metavar="N", type=int, help="pairs on each farm (default: those of the plan)"
    )
    parser.add_argument(
        "--budget",
        action="store_true",
        help="look for the cheapest plan with the power wanted and the best one for the money",
    )
    parser.add_argument(
        "--from",
        dest="report",
        metavar="REPORT",
        help="a finished report, whose variances are used (default: the assumptions of the plan)",
    )
    parser.add_argument(
        "--observed",
        action="store_true",
        help="power at the effect that a finished trial found: refused, with why and what instead",
    )
    parser.add_argument(
        "--out",
        metavar="DIR",
        help="the folder to write the page and its pictures into; with --simulate, power against "
        "pairs and what lowers it",
    )
    add_force(parser, "the folder of --out")
    _describe_simulation(parser.add_argument_group("simulation, in place of the formula"))
    parser.set_defaults(run=_power)


def _describe_simulation(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--simulate",
        metavar="TRIALS",
        type=int,
        help="draw so many trials from the plan, for each combination of its section [grid], and "
        "analyse each as the report does; Ctrl-C shows what is done till then",
    )
    group.add_argument(
        "--precision",
        metavar="P",
        type=float,
        help="stop when the power of the planned contrast has this Monte Carlo standard error",
    )
    group.add_argument("--seed", metavar="N", type=int, help="seed (default: that of the plan)")
    group.add_argument(
        "--workers",
        metavar="K",
        type=int,
        help="processes (default: all cores where the work is long); any number gives the same "
        "digits",
    )
    group.add_argument(
        "--cluster", metavar="ADDRESS", help="the scheduler of a dask cluster, to work there"
    )
    group.add_argument(
        "--checkpoint", metavar="FILE", help="keep finished chunks here, and go on from them"
    )
    group.add_argument("--csv", metavar="FILE", help="write the whole table at full precision")
    group.add_argument("--quiet", action="store_true", help="no progress on standard error")


def _plan(arguments: argparse.Namespace) -> int:
    layout = silagetrial.plan_trial(
        arguments.plan, seed=arguments.seed, stopped_early=dict(arguments.stopped_early)
    )
    written = silagetrial.write_plan(
        layout,
        arguments.out,
        plan_file=_plan_file(arguments.plan),
        filed=arguments.date,
        report=arguments.report,
        carry_from=arguments.carry_from,
        force=arguments.force,
    )
    listed = silagetrial.list_problems(layout.warnings, width=width())
    spoils = f"What would spoil the comparison\n{listed}" if listed else (
        "Nothing was found that would spoil the comparison."
    )  # fmt: skip
    shown = (layout.summary, layout.calendar, spoils, "\n".join(written.foreseen))
    show("\n\n".join([*(str(part) for part in shown if str(part)), written.next_steps]))
    errors = any(problem.severity == "error" for problem in layout.warnings)
    return NoAnswer.exit_code if errors else 0


def _plan_file(plan: str) -> Path:
    path = Path(plan)
    return path / "plan.toml" if path.is_dir() else path


def _place(arguments: argparse.Namespace) -> dict[str, Any]:
    """Return whether a folder is replaced, and what was read, which never is."""
    report = () if arguments.report is None else (Path(arguments.report),)
    return {"force": arguments.force, "inputs": (_plan_file(arguments.plan), *report)}


_OF_SIMULATION = ("precision", "seed", "workers", "cluster", "checkpoint", "csv")
_OF_FORMULA = ("budget", "observed")


def _power(arguments: argparse.Namespace) -> int:
    simulated = arguments.simulate is not None
    for name in _OF_FORMULA if simulated else _OF_SIMULATION:
        if getattr(arguments, name) not in (None, False):
            raise UsageError(
                found=f"--{name} {'with' if simulated else 'without'} --simulate",
                expected="options of the formula, or --simulate and options of simulation",
                remedy=f"leave out --{name}, or {'leave out' if simulated else 'add'} --simulate",
            )
    return _simulate(arguments) if simulated else _size(arguments)


def _simulate(arguments: argparse.Namespace) -> int:
    loud = sys.stderr.isatty() and not arguments.quiet
    names = ("response", "pairs", "report", *_OF_SIMULATION[:-1])
    if arguments.csv is not None and not Path(arguments.csv).absolute().parent.is_dir():
        raise UsageError(
            found=f"no folder for {arguments.csv!r}",
            expected="a file in a folder that is there",
            remedy="make the folder, or name another one",
        )
    asked = {
        "trials": arguments.simulate,
        "progress": _seldom(progress) if loud else None,
        **{name: getattr(arguments, name) for name in names},
    }
    lines = []
    if arguments.out is None:
        found = silagetrial.simulate_power(arguments.plan, **asked)
        lines.append(str(found))
    else:
        silagetrial.check_simulated_place(arguments.out, **_place(arguments))
        drawn = silagetrial.simulated_page(arguments.plan, **asked)
        written = silagetrial.write_simulated(drawn, arguments.out, **_place(arguments))
        lines += [str(drawn), *(f"Page: {path}" for path in written if path.suffix == ".html")]
        found = drawn.simulation
    if arguments.csv is not None:
        Path(arguments.csv).write_text(found.table.to_csv(), encoding="utf-8")
    show("\n".join(lines))
    if not found.interrupted:
        return 0
    kept = f"--checkpoint {arguments.checkpoint}" if arguments.checkpoint else "--checkpoint FILE"
    goes = "goes on from there" if arguments.checkpoint else "would have kept it"
    progress(f"interrupted: the table holds what was done. The same command with {kept} {goes}.")
    return INTERRUPTED


def _seldom(tell: Callable[[str], None]) -> Callable[[object], None]:
    """Tell at most every other second."""
    told = 0.0

    def tell_seldom(what: object) -> None:
        """Tell at most every two seconds."""
        nonlocal told
        if time.monotonic() - told >= 2.0:
            told = time.monotonic()
            tell(str(what))

    return tell_seldom


def _size(arguments: argparse.Namespace) -> int:
    asked = {name: getattr(arguments, name) for name in ("response", "pairs", "report")}
    if arguments.out is not None:
        silagetrial.check_worth_place(arguments.out, **_place(arguments))
    found = silagetrial.size_of_trial(
        arguments.plan, search=arguments.budget, observed=arguments.observed, **asked
    )
    lines = [str(found)]
    if arguments.out is not None:
        page = silagetrial.worth(arguments.plan, **asked)
        written = silagetrial.write_worth(page, arguments.out, **_place(arguments))
        lines += [f"Page: {path}" for path in written if path.suffix == ".html"]
    show("\n".join(lines))
    return 0
