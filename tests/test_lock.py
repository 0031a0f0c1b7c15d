"""The locked environment is one that pyproject.toml allows, whole, and with its hashes."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from silagetrial.report.environment import dependency_versions

ROOT = Path(__file__).parents[1]
PYTHON = {"python_version": "3.11", "python_full_version": "3.11.0"}
"""The Python the lock is for, on whatever machine."""
PLATFORMS = (
    {"sys_platform": "linux", "platform_system": "Linux", "os_name": "posix"},
    {"sys_platform": "darwin", "platform_system": "Darwin", "os_name": "posix"},
    {"sys_platform": "win32", "platform_system": "Windows", "os_name": "nt"},
)


@dataclass(frozen=True)
class Locked:
    """A line of the lock: the requirement, and its files' hashes."""

    requirement: Requirement
    hashes: tuple[str, ...]

    @property
    def version(self) -> str:
        return next(iter(self.requirement.specifier)).version


def read_lock() -> tuple[Locked, ...]:
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    lines = re.sub(r"^ *#.*\n", "", text, flags=re.M).replace("\\\n", " ").splitlines()
    entries = (line.split("--hash=") for line in lines)
    return tuple(
        Locked(Requirement(first.strip()), tuple(map(str.strip, rest))) for first, *rest in entries
    )


def versions_on(platform: dict[str, str]) -> dict[str, str]:
    """Version of each distribution that the lock installs on a platform."""
    here = [
        locked
        for locked in read_lock()
        if locked.requirement.marker is None
        or locked.requirement.marker.evaluate({**PYTHON, **platform})
    ]
    found = {canonicalize_name(locked.requirement.name): locked.version for locked in here}
    assert len(found) == len(here), "two versions of one distribution"
    return found


def unsatisfied(wanted: Iterable[str], versions: dict[str, str]) -> list[str]:
    """Requirements that the locked versions do not meet."""
    needs = map(Requirement, wanted)
    return [
        str(need)
        for need in needs
        if (version := versions.get(canonicalize_name(need.name))) is None
        or not need.specifier.contains(version)
    ]


def wanted() -> list[str]:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return [*project["dependencies"], *project["optional-dependencies"]["lab"]]


def test_every_line_has_one_exact_version_and_the_hashes_of_its_files() -> None:
    locked = read_lock()
    assert len(locked) > 50
    for each in locked:
        assert [part.operator for part in each.requirement.specifier] == ["=="], each
        assert each.hashes, each
        assert all(re.fullmatch(r"sha256:[0-9a-f]{64}", text) for text in each.hashes), each


@pytest.mark.parametrize("platform", PLATFORMS, ids=lambda names: names["sys_platform"])
def test_the_lock_meets_what_the_project_asks_for(platform: dict[str, str]) -> None:
    versions = versions_on(platform)
    again = "run the command of DEVELOPERS.md that writes requirements.lock"
    assert unsatisfied(wanted(), versions) == [], again


def test_a_lock_that_is_out_of_date_is_seen() -> None:
    versions = versions_on(PLATFORMS[0])
    later = [*wanted(), "numpy>=99", "a-new-dependency>=1"]
    assert unsatisfied(later, versions) == ["numpy>=99", "a-new-dependency>=1"]


def test_everything_that_a_manifest_records_is_locked() -> None:
    recorded = set(dependency_versions()) - {"silagetrial"}
    assert len(recorded) > 40
    assert recorded <= set(versions_on(PLATFORMS[0]))
