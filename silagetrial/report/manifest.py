"""What a report was made of: input files, packages, seed, command and time."""

from __future__ import annotations

import json
import platform
from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from silagetrial.display.place import WRITER, hash_file
from silagetrial.errors import UsageError
from silagetrial.report.contents import MANIFEST

__all__ = ["dependency_versions", "write_manifest"]


def dependency_versions(package: str = WRITER) -> dict[str, str | None]:
    """Return the version of a package and of everything it needs, to the last dependency.

    Parameters
    ----------
    package : str
        Name of an installed distribution.

    Returns
    -------
    dict of str to (str or None)
        Canonical name to version, in order of the name; None for a dependency that is asked for
        on this platform but not installed.

    Raises
    ------
    UsageError
        When the package itself is not installed, so that its dependencies are unknown.
    """
    found: dict[str, str | None] = {}
    seen: set[tuple[str, str]] = set()
    waiting = [Requirement(package)]
    while waiting:
        need = waiting.pop()
        name = canonicalize_name(need.name)
        for extra in ("", *sorted(need.extras)):
            if (name, extra) in seen:
                continue
            seen.add((name, extra))
            version, needs = _installed(name, extra=extra)
            found[name] = version
            waiting.extend(needs)
    if found[canonicalize_name(package)] is None:
        raise UsageError(
            found=f"{package} is not installed in this Python, only its files are at hand",
            expected="an installed package, whose dependencies and versions can be recorded",
            remedy="install it first: python -m pip install .",
        )
    return dict(sorted(found.items()))


def _installed(name: str, *, extra: str) -> tuple[str | None, list[Requirement]]:
    """Version of one distribution and what it needs here for one of its extras."""
    try:
        installed = distribution(name)
    except PackageNotFoundError:
        return None, []
    needs = [Requirement(text) for text in installed.requires or ()]
    return installed.version, [
        need for need in needs if need.marker is None or need.marker.evaluate({"extra": extra})
    ]


def write_manifest(
    folder: Path, *, inputs: Iterable[str], outputs: Iterable[str], seed: int, command: str
) -> Path:
    """Write ``manifest.json``, the only file of a report that holds the time.

    Parameters
    ----------
    folder : Path
        The report folder, with all other files in place.
    inputs, outputs : iterable of str
        Paths inside the folder, with ``/``.
    seed : int
        Seed of everything random in the analysis.
    command : str
        The command that writes this report.

    Returns
    -------
    Path
        The file written.
    """
    content = {
        "written_by": WRITER,
        "command": command,
        "time": datetime.now(UTC).isoformat(timespec="seconds"),
        "seed": seed,
        "python": platform.python_version(),
        "implementation": platform.python_implementation(),
        "platform": f"{platform.system()} {platform.machine()}",
        "packages": dependency_versions(),
        "inputs": [asdict(hash_file(folder, name)) for name in sorted(inputs)],
        "outputs": [asdict(hash_file(folder, name)) for name in sorted(outputs)],
    }
    path = folder / MANIFEST
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8", newline="\n")
    return path
