"""Run a notebook in the Python that is running, and stop at the first error."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Callable
from copy import deepcopy
from pathlib import Path
from typing import Final

from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from nbformat import NotebookNode

from silagetrial.errors import SilageTrialError

__all__ = ["execute"]

_CELL_SECONDS: Final = 3600
_COLOURS: Final = re.compile(r"\x1b\[[0-9;]*m")


class _ThisPython(KernelSpecManager):
    """Knows one kernel, the interpreter that is running, whatever else is registered."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:  # noqa: ARG002 - as in the base
        """Return the running interpreter under any name."""
        return KernelSpec(
            argv=[sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
            display_name="Python 3",
            language="python",
        )


def _manager(scratch: Path) -> AsyncKernelManager:
    """Manager of a kernel that talks through sockets in a folder, where there are such."""
    return AsyncKernelManager(
        kernel_spec_manager=_ThisPython(),
        transport="ipc" if os.name == "posix" else "tcp",
        connection_file=str(scratch / "kernel.json"),
    )


def execute(
    notebook: NotebookNode, folder: Path, *, started: Callable[[str], None] | None = None
) -> NotebookNode:
    """Run all cells of a notebook from top to bottom.

    Parameters
    ----------
    notebook : NotebookNode
        The notebook; it is left as it is.
    folder : Path
        The working folder of the kernel.
    started : callable, optional
        Called with the id of each cell when its turn comes.

    Returns
    -------
    NotebookNode
        A copy with the outputs; it holds no times.

    Raises
    ------
    SilageTrialError
        When a cell raises; the message names the cell and the error in one line, and the file
        that holds the traceback.
    """
    copy = deepcopy(notebook)
    current = ""

    def on_cell_start(cell: NotebookNode, **_: object) -> None:
        """Remember the cell that runs."""
        nonlocal current
        current = str(cell.id)
        if started is not None:
            started(current)

    with tempfile.TemporaryDirectory() as scratch:
        client = NotebookClient(
            copy,
            km=_manager(Path(scratch)),
            resources={"metadata": {"path": str(folder)}},
            record_timing=False,
            coalesce_streams=True,  # a text printed in two pieces is one output, always
            shutdown_kernel="immediate",  # what the cells wrote is written; nothing to wait for
            timeout=_CELL_SECONDS,
            on_cell_start=on_cell_start,
        )
        try:
            # A profile of its own: start-up files of the user would make it another report.
            client.execute(env={**os.environ, "IPYTHONDIR": scratch}, cleanup_kc=True)
        except CellExecutionError as error:
            raise _stopped(current, error) from error
    return copy


def _stopped(cell: str, error: CellExecutionError) -> SilageTrialError:
    what = " ".join(_COLOURS.sub("", f"{error.ename}: {error.evalue}").split())
    return SilageTrialError(
        found=f"the notebook stopped in its cell {cell!r}: {what}",
        expected="a notebook that runs from top to bottom",
        remedy="run `silagetrial check` on the trial; if it finds nothing, this is a fault of "
        f"the package: please report it with the file {_logged(error)}",
    )


def _logged(error: CellExecutionError) -> Path:
    """Write the traceback where it outlives the report that failed."""
    number, name = tempfile.mkstemp(prefix="silagetrial-", suffix=".log")
    with os.fdopen(number, "w", encoding="utf-8") as file:
        file.write(_COLOURS.sub("", error.traceback))
    return Path(name)
