"""The trial's folder as it stands before the first bale: everything there but the data."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import file_name
from silagetrial.display.cautions import cautions, deferral
from silagetrial.display.place import WRITER, Work, check_place, hash_file, place
from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table
from silagetrial.errors import Problem, UsageError
from silagetrial.planning.analysis_plan import analysis_plan, write_analysis_plan
from silagetrial.planning.carried import carry, carry_files
from silagetrial.planning.field_words import how_to_use
from silagetrial.planning.filed_names import HASH_FILE, PLAN_RECORD
from silagetrial.planning.foreseen import foreseen, foreseen_in_words
from silagetrial.planning.laboratory_list import laboratory_csv, laboratory_page
from silagetrial.planning.layout import Layout
from silagetrial.planning.plan_keys import PLAN_FILE
from silagetrial.planning.sheets import baling_page, inspection_page, opening_page
from silagetrial.planning.tags import tag_page
from silagetrial.planning.trial_toml import settings_text
from silagetrial.planning.workbook import WORKBOOK, write_workbook

__all__ = ["MANIFEST", "PlanFolder", "write_plan"]

MANIFEST: Final = "planned_files.json"
README: Final = "README.txt"
PRINTABLE: Final = "printable"
LABORATORY: Final = "laboratory"

_WORK: Final = Work(
    "plan",
    MANIFEST,
    frozenset(
        {
            SETTINGS_FILE, PLAN_FILE, WORKBOOK, file_name("blind_key"), PLAN_RECORD, HASH_FILE,
            README, PRINTABLE, LABORATORY, MANIFEST,
        }
    ),
)  # fmt: skip

_FILES: Final = (
    (SETTINGS_FILE, "what is asked and how it is analysed"),
    (WORKBOOK, "the field workbook: the sheet in the field, and the data"),
    (file_name("blind_key"), "which code is which bale; keep it from the laboratory"),
    (PLAN_RECORD, f"the analysis plan; its SHA-256 stands in {HASH_FILE}"),
    (f"{PRINTABLE}/", "the same sheets on paper, and the tags of the bales"),
    (f"{LABORATORY}/", "what the laboratory gets: codes only"),
    (PLAN_FILE, "the plan all this was made of"),
    (MANIFEST, "SHA-256 of every file as it was written"),
)


@dataclass(frozen=True, repr=False)
class PlanFolder(ShownInParts):
    """A trial's folder, written and ready for data.

    Attributes
    ----------
    path : pathlib.Path
    files : tuple of pathlib.Path
        In the order of their paths.
    sha256 : str
        Of the analysis plan.
    seed : int
        Seed of the layout.
    warnings : tuple of Problem
        What would spoil the comparison.
    foreseen : tuple of str
        What the trial can see, a sentence a response, where its variation is assumed.
    """

    path: Path
    files: tuple[Path, ...]
    sha256: str
    seed: int
    warnings: tuple[Problem, ...]
    foreseen: tuple[str, ...]

    def _parts(self) -> tuple[str]:
        return (self.next_steps,)

    @property
    def next_steps(self) -> str:
        """What is to be done now, one line each; where the plan has an error, what to mend."""
        written = (
            f"Trial folder: {self.path}",
            f"Seed: {self.seed}",
            f"Analysis plan, SHA-256: {self.sha256}",
        )
        errors = [problem for problem in self.warnings if problem.severity == "error"]
        if errors:
            mend = [
                f"  {n}. {problem.column}: {problem.remedy}" for n, problem in enumerate(errors, 1)
            ]
            first = f"Do not bale by this folder yet. Mend first, in {PLAN_FILE}, and plan again:"
            return "\n".join((*written, first, *mend))
        return "\n".join(
            (
                *written,
                "Next:",
                "  1. Keep the hash where it cannot be changed, such as in a letter.",
                f"  2. Print {PRINTABLE}/: tags, and the sheets of baling day, inspection rounds "
                "and opening days.",
                f"  3. Type what is measured into {WORKBOOK}, once; its first sheet says how.",
                f"  4. Send the laboratory {LABORATORY}/ and nothing else.",
                f"  5. At any time: silagetrial check {self.path}",
                f"  6. At the end: silagetrial report {self.path} --out REPORT",
            )
        )


def write_plan(
    layout: Layout,
    out: str | Path,
    *,
    plan_file: str | Path | None = None,
    filed: dt.date | None = None,
    report: str | Path | None = None,
    carry_from: str | Path | None = None,
    force: bool = False,
) -> PlanFolder:
    """Write the folder of a planned trial.

    Parameters
    ----------
    layout : Layout
        From `plan_trial`.
    out : str or pathlib.Path
        The folder to write: new, empty, or an earlier plan into which nothing was typed yet, which
        is replaced.
    plan_file : str or pathlib.Path, optional
        plan.toml, of which the folder keeps a byte copy.
    filed : datetime.date, optional
        The day on which the analysis plan is filed; by default today.
    report : str or pathlib.Path, optional
        A finished report, whose variances say what this trial can see; by default the plan's
        assumptions do.
    carry_from : str or pathlib.Path, optional
        An earlier folder of the same plan and seed; what was typed into its workbook is carried
        over, and files stored there (reports of laboratories, photographs) are copied. It stays as
        it is.
    force : bool
        Replace a folder with anything else in it as well.

    Returns
    -------
    PlanFolder

    Raises
    ------
    UsageError
        When `out` holds anything else, above all data, and that is not forced; when it cannot be
        written, or what is read would be replaced; when a name of the plan cannot stand in a
        workbook, or what is to be carried over has no place.
    NoAnswer
        When the report has no variances of the primary response.
    """
    target = Path(out)
    inputs = tuple(Path(path) for path in (plan_file, report, carry_from) if path is not None)
    check_place(target, _WORK, force=force, inputs=inputs)
    copied = None if plan_file is None else _bytes_of(Path(plan_file))
    seen = foreseen(layout, report=report)
    record = analysis_plan(layout, filed=filed or dt.date.today(), detectable=seen)
    with place(target, _WORK, force=force, inputs=inputs) as work:
        digest = _write_files(layout, work, record, copied)
        if carry_from is not None:
            carry(Path(carry_from) / WORKBOOK, work / WORKBOOK)
            carry_files(Path(carry_from), work, own=_WORK.names)
        _write_manifest(work)
    target = target.resolve()
    return PlanFolder(
        target,
        tuple(sorted(path for path in target.rglob("*") if path.is_file())),
        digest,
        layout.seed,
        layout.warnings,
        tuple(foreseen_in_words(name, found) for name, found in seen.items()),
    )


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UsageError(
            found=f"{path} cannot be read: {error.strerror}",
            expected="the plan the layout was made of",
            remedy="give the path of plan.toml",
        ) from error


def _write_files(
    layout: Layout, work: Path, record: Mapping[str, Any], copied: bytes | None
) -> str:
    """Write everything but the list of files; return the hash of the analysis plan."""
    texts = {
        SETTINGS_FILE: settings_text(layout.plan.settings),
        file_name("blind_key"): Table(layout.key).to_csv(),
        f"{PRINTABLE}/baling_day.html": baling_page(layout),
        f"{PRINTABLE}/inspection_rounds.html": inspection_page(layout),
        f"{PRINTABLE}/opening_days.html": opening_page(layout),
        f"{PRINTABLE}/tags.html": tag_page(layout),
        f"{LABORATORY}/laboratory_list.csv": laboratory_csv(layout),
        f"{LABORATORY}/laboratory_list.html": laboratory_page(layout),
    }
    digest = write_analysis_plan(work, record)
    texts[README] = _readme(layout, digest)
    for name, text in texts.items():
        path = work / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", newline="\n")
    if copied is not None:
        (work / PLAN_FILE).write_bytes(copied)
    write_workbook(layout, work / WORKBOOK)
    return digest


def _write_manifest(work: Path) -> None:
    """List every file with its hash: what was not touched since may be written again."""
    names = sorted(path.relative_to(work).as_posix() for path in work.rglob("*") if path.is_file())
    content = {
        "written_by": WRITER,
        "inputs": [],
        "outputs": [asdict(hash_file(work, name)) for name in names],
    }
    text = json.dumps(content, indent=1) + "\n"
    (work / MANIFEST).write_text(text, encoding="utf-8", newline="\n")


def _readme(layout: Layout, digest: str) -> str:
    settings = layout.plan.settings
    files = "\n".join(f"  {name:<20} {what}" for name, what in _FILES)
    rules = "\n".join(f"- {text}" for text in how_to_use(settings))
    warned = "\n".join(f"- {text}" for text in (*cautions(), deferral()))
    return (
        f"{settings.title}\n{settings.question}\n\n"
        f"Drawn with seed {layout.seed}. Analysis plan, SHA-256: {digest}\n"
        "Keep this hash where it cannot be changed, such as in a letter to somebody else: it\n"
        "shows later that the plan is the one written now.\n\n"
        f"Files\n{files}\n\nHow to use\n{rules}\n\nCautions\n{warned}\n"
    )
