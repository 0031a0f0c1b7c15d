"""What a report was made of, recorded so that it can be made again."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from silagetrial.display.place import hash_file
from silagetrial.errors import UsageError
from silagetrial.report import manifest
from silagetrial.report.manifest import dependency_versions, write_manifest


def _install(folder: Path, name: str, version: str, *needs: str) -> None:
    """Lay out an installed distribution (PyPA specification "Recording installed projects")."""
    info = folder / f"{name}-{version}.dist-info"
    info.mkdir(parents=True)
    lines = ["Metadata-Version: 2.1", f"Name: {name}", f"Version: {version}"]
    lines += [f"Requires-Dist: {need}" for need in needs]
    (info / "METADATA").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture
def packages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "packages"
    _install(
        folder,
        "bale_tool",
        "1.2",
        "First.Need>=1",
        "second-need[fast]; python_version >= '3'",
        "never-here; sys_platform == 'no such system'",
        "only-for-tests; extra == 'test'",
        "gone-need",
    )
    _install(folder, "first_need", "3.4", "bale-tool")
    _install(folder, "second_need", "5.6", "speed; extra == 'fast'", "slow; extra == 'other'")
    _install(folder, "speed", "7.8")
    monkeypatch.syspath_prepend(folder)
    return folder


def test_versions_of_the_whole_closure(packages: Path) -> None:
    assert dependency_versions("bale-tool") == {
        "bale-tool": "1.2",
        "first-need": "3.4",
        "gone-need": None,
        "second-need": "5.6",
        "speed": "7.8",
    }


def test_files_that_were_never_installed_have_no_versions() -> None:
    with pytest.raises(UsageError) as caught:
        dependency_versions("no-such-bale-tool")
    assert caught.value.found.startswith("no-such-bale-tool is not installed in this Python")
    assert caught.value.remedy == "install it first: python -m pip install ."


def test_hash_of_the_published_example(tmp_path: Path) -> None:
    # NIST, FIPS 180-2, appendix B.1: the message "abc".
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "abc.csv").write_bytes(b"abc")
    found = hash_file(tmp_path, "data/abc.csv")
    assert found.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (found.file, found.bytes) == ("data/abc.csv", 3)


def test_the_manifest_says_what_went_in_and_when(
    tmp_path: Path, packages: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(manifest, "dependency_versions", lambda: dependency_versions("speed"))
    for name in ("b.csv", "a.csv", "out.html"):
        (tmp_path / name).write_text(name, encoding="utf-8")
    before = datetime.now(UTC).replace(microsecond=0)
    path = write_manifest(
        tmp_path, inputs=["b.csv", "a.csv"], outputs=["out.html"], seed=7, command="do it"
    )
    content = json.loads(path.read_text(encoding="utf-8"))
    assert [entry["file"] for entry in content["inputs"]] == ["a.csv", "b.csv"]
    assert [entry["file"] for entry in content["outputs"]] == ["out.html"]
    assert content["packages"] == {"speed": "7.8"}
    assert (content["seed"], content["command"]) == (7, "do it")
    assert content["python"].startswith("3.")
    assert before <= datetime.fromisoformat(content["time"]) <= datetime.now(UTC)
