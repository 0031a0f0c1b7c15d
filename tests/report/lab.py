"""A JupyterLab server of its own, and a notebook in it as its reader sees it."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.error import URLError
from urllib.request import urlopen

import pytest
from browser import MISSING

if TYPE_CHECKING:
    from playwright.sync_api import Page

HOST = "127.0.0.1"
_TOKEN = "token-of-the-tests"
_START_SECONDS = 120
_RUN_SECONDS = 120
_NOTEBOOK = ".jp-NotebookPanel .jp-Notebook"
_PROMPTS = (
    f"[...document.querySelectorAll('{_NOTEBOOK} .jp-CodeCell .jp-InputPrompt')]"
    ".map(prompt => prompt.innerText.trim())"
)
# The server asks no registry and no news; every cell is on the page, also out of sight.
_OPTIONS = (
    "--no-browser",
    "--allow-root",
    f"--ServerApp.ip={HOST}",
    "--ServerApp.port_retries=0",
    f"--IdentityProvider.token={_TOKEN}",
    "--LabApp.expose_app_in_browser=True",
    "--LabApp.extension_manager=readonly",
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
)
_RUN_ALL = """milliseconds => {
    const { commands, shell } = window.jupyterapp;
    const run = async () => {
        await shell.currentWidget.sessionContext.ready;
        await commands.execute('notebook:clear-all-cell-outputs');
        await commands.execute('notebook:run-all-cells');
    };
    const late = new Error('JupyterLab has not run all cells in time');
    const limit = new Promise((_, refuse) => setTimeout(refuse, milliseconds, late));
    return Promise.race([run(), limit]);
}"""
_SETTINGS = {
    "notebook-extension/tracker": {"windowingMode": "none"},
    "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
}


@contextmanager
def jupyter_lab(root: Path, place: Path) -> Iterator[str]:
    """Serve a folder by JupyterLab, whose own files lie in `place`; yields the server's address."""
    if importlib.util.find_spec("jupyterlab") is None:
        pytest.fail(MISSING.format(what="JupyterLab", remedy="pip install -e '.[lab]'"))
    port = _free_port()
    log = place / "lab.txt"
    # What it says goes into a file: a pipe that nobody empties stops the server once it is full.
    with log.open("wb") as said:
        server = subprocess.Popen(
            [
                *(sys.executable, "-m", "jupyterlab", *_OPTIONS),
                *(f"--ServerApp.port={port}", f"--ServerApp.root_dir={root}"),
            ],
            cwd=root,
            env=_surroundings(place),
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    address = f"http://{HOST}:{port}"
    try:
        _wait_for(server, address, log)
        yield address
    finally:
        _end(server)


def page_of(address: str, notebook: str) -> str:
    """The address at which the notebook opens, in a workspace of its own."""
    workspace = Path(notebook).stem
    return f"{address}/lab/workspaces/{workspace}/tree/{notebook}?reset&token={_TOKEN}"


def shown(page: Page, *, code: int) -> None:
    """Wait until the notebook's cells of code are there, which come one after the other."""
    page.wait_for_function(f"{_PROMPTS}.length === {code}")


def run_all(page: Page) -> None:
    """Clear the stored outputs and run every cell, as the menus do, until the last has ended.

    A kernel is idle for a moment between cells, so that its sign cannot be waited for; the
    command's own promise can. It has no end where JupyterLab asks for something, hence the limit.
    """
    page.evaluate(_RUN_ALL, _RUN_SECONDS * 1000)
    page.locator(".jp-Notebook-ExecutionIndicator[data-status=idle]").first.wait_for()


def prompts(page: Page) -> list[str]:
    """What stands before each cell of code: `[3]:` when it was run third."""
    found: list[str] = page.evaluate(_PROMPTS)
    return found


def outputs(page: Page) -> list[str]:
    """The text below each cell of code, as it is read."""
    below = page.locator(f"{_NOTEBOOK} .jp-CodeCell .jp-Cell-outputWrapper").all_inner_texts()
    return [" ".join(text.split()) for text in below]


def error_outputs(page: Page) -> list[str]:
    """Tracebacks and whatever was written to standard error."""
    kinds = [f"[data-mime-type='application/vnd.jupyter.{kind}']" for kind in ("error", "stderr")]
    return page.locator(", ".join(f"{_NOTEBOOK} {kind}" for kind in kinds)).all_inner_texts()


def pictures(page: Page) -> list[bool]:
    """For each picture in the outputs, whether it shows."""
    found: list[bool] = page.evaluate(
        f"[...document.querySelectorAll('{_NOTEBOOK} .jp-OutputArea img')]"
        ".map(image => image.complete && image.naturalWidth > 0)"
    )
    return found


def _surroundings(place: Path) -> dict[str, str]:
    """Environment in which nothing of the user's own JupyterLab is read or written."""
    folders = {
        name: str(place / name.lower())
        for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")
    }
    settings = place / "settings"
    for name, values in _SETTINGS.items():
        path = settings / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(values), encoding="utf-8")
    return {
        **os.environ,
        **folders,
        "JUPYTERLAB_SETTINGS_DIR": str(settings),
        "JUPYTERLAB_WORKSPACES_DIR": str(place / "workspaces"),
    }


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _wait_for(server: subprocess.Popen[bytes], address: str, log: Path) -> None:
    end = time.monotonic() + _START_SECONDS
    while time.monotonic() < end and server.poll() is None:
        with suppress(URLError, OSError), urlopen(f"{address}/api", timeout=5):
            return
        time.sleep(0.2)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text(errors='replace')[-2000:]}")


def _end(server: subprocess.Popen[bytes]) -> None:
    """End the server and its kernels; asked first, so that the kernels go with it."""
    server.send_signal(signal.SIGTERM)
    try:
        server.wait(timeout=10)
    except subprocess.TimeoutExpired:
        with suppress(ProcessLookupError):
            os.killpg(server.pid, signal.SIGKILL)
        server.wait()
