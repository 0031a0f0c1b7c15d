"""What the numbers of a report depend on beside its data: Python, packages, the processor."""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any, Final

import numpy as np
import scipy.linalg  # noqa: F401 - its linear algebra library must be loaded to be named
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from threadpoolctl import threadpool_info

from silagetrial.display.place import WRITER
from silagetrial.errors import UsageError

__all__ = ["Change", "Environment", "changes", "dependency_versions", "this_environment"]

_OWN: Final = Path(__file__).parents[1]


@dataclass(frozen=True)
class Environment:
    """What two runs must share to give the same numbers to the last digit.

    Parameters
    ----------
    python, implementation : str
        Version and kind of Python.
    platform : str
        System and processor family: ``Linux x86_64``.
    libc : str
        The system's library of mathematical functions; empty where it does not say.
    instructions : tuple of str
        Instruction sets of the processor that numpy uses.
    linear_algebra : tuple of str
        The libraries beneath numpy and scipy, with the kernel chosen for this processor and the
        number of threads: sums are taken in another order by another kernel.
    program : str
        SHA-256 of this package's own files.
    packages : mapping of str to (str or None)
        Version of this package and of each it needs; None where one is not installed.
    """

    python: str
    implementation: str
    platform: str
    libc: str
    instructions: tuple[str, ...]
    linear_algebra: tuple[str, ...]
    program: str
    packages: Mapping[str, str | None]


@dataclass(frozen=True)
class Change:
    """One thing that differs between two environments, as it was and as it is here."""

    what: str
    recorded: str
    here: str


def this_environment() -> Environment:
    """Return the environment this process runs in.

    Raises
    ------
    UsageError
        When this package is not installed, so that its dependencies are unknown.
    """
    return Environment(
        python=platform.python_version(),
        implementation=platform.python_implementation(),
        platform=f"{platform.system()} {platform.machine()}",
        libc=" ".join(platform.libc_ver()).strip(),
        instructions=_instructions(),
        linear_algebra=tuple(sorted(_linear_algebra())),
        program=_program(),
        packages=dependency_versions(),
    )


def _instructions() -> tuple[str, ...]:
    """The instruction sets numpy was built for and found here."""
    config: Mapping[str, Any] = np.show_config(mode="dicts")
    found = config.get("SIMD Extensions", {})
    return (*found.get("baseline", ()), *found.get("found", ()))


def _linear_algebra() -> Iterator[str]:
    """Libraries of linear algebra: what numpy was built with, and what is loaded."""
    config: Mapping[str, Any] = np.show_config(mode="dicts")
    built = config.get("Build Dependencies", {}).get("blas", {})
    yield f"numpy built with {built.get('name', 'no BLAS')} {built.get('version', '')}".strip()
    for library in threadpool_info():
        if library["user_api"] == "blas":
            kernel = library.get("architecture", "one kernel")
            yield (
                f"{library['internal_api']} {library['version']}, {kernel}, "
                f"{library['num_threads']} threads"
            )


def _program() -> str:
    """One hash over the package's own files and their names, less the demonstrations'."""
    total = hashlib.sha256()
    names = {path.relative_to(_OWN).as_posix() for path in _OWN.rglob("*.py")}
    for name in sorted(name for name in names if not name.startswith("data_demo/")):
        total.update(name.encode())
        total.update(hashlib.sha256((_OWN / name).read_bytes()).digest())
    return total.hexdigest()


def changes(recorded: Environment, here: Environment) -> tuple[Change, ...]:
    """Return what differs between two environments; nothing where they are the same.

    Parameters
    ----------
    recorded, here : Environment
    """
    named = {
        "Python": (recorded.python, here.python),
        "kind of Python": (recorded.implementation, here.implementation),
        "platform": (recorded.platform, here.platform),
        "library of the system": (recorded.libc, here.libc),
        "instruction sets": _apart(recorded.instructions, here.instructions),
        "linear algebra": _apart(recorded.linear_algebra, here.linear_algebra),
        "files of the program": (recorded.program[:12], here.program[:12]),
    }
    for name in sorted({*recorded.packages, *here.packages}):
        named[name] = (_version(recorded.packages, name), _version(here.packages, name))
    return tuple(Change(what, old, new) for what, (old, new) in named.items() if old != new)


def _apart(recorded: tuple[str, ...], here: tuple[str, ...]) -> tuple[str, str]:
    """What only one of two lists has, in words."""
    old = "; ".join(part for part in recorded if part not in here)
    new = "; ".join(part for part in here if part not in recorded)
    return old or "no more", new or "no more"


def _version(packages: Mapping[str, str | None], name: str) -> str:
    if name not in packages:
        return "not needed"
    return packages[name] or "not installed"


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
