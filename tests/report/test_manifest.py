"""What a report was made of, recorded so that it can be made again."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_info

from silagetrial.display.place import hash_file
from silagetrial.errors import UsageError
from silagetrial.report import environment
from silagetrial.report.environment import Environment, changes, dependency_versions
from silagetrial.report.manifest import read_manifest, write_manifest


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


@pytest.fixture
def written(tmp_path: Path, packages: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a manifest; the packages are those of `packages`."""
    monkeypatch.setattr(environment, "dependency_versions", lambda: dependency_versions("speed"))
    folder = tmp_path / "report"
    for name in ("data/b.csv", "data/sub/a.csv", "out.html", "figures/one.png"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(name, encoding="utf-8")
    write_manifest(folder, seed=7, command="do it", date=date(2026, 5, 31))
    return folder


def test_the_manifest_says_what_went_in_and_when(written: Path) -> None:
    content = json.loads((written / "manifest.json").read_text(encoding="utf-8"))
    assert [entry["file"] for entry in content["inputs"]] == ["data/b.csv", "data/sub/a.csv"]
    assert [entry["file"] for entry in content["outputs"]] == ["figures/one.png", "out.html"]
    assert content["packages"] == {"speed": "7.8"}
    assert (content["seed"], content["command"]) == (7, "do it")
    assert content["python"].startswith("3.")
    age = datetime.now(UTC) - datetime.fromisoformat(content["time"])
    assert timedelta() <= age < timedelta(minutes=1)


def test_the_libraries_beneath_the_numbers_are_named(written: Path) -> None:
    content = json.loads((written / "manifest.json").read_text(encoding="utf-8"))
    # threadpoolctl names what is loaded, numpy what it was built with.
    for library in threadpool_info():
        if library["user_api"] == "blas":
            assert any(library["version"] in line for line in content["linear_algebra"])
    built = np.show_config(mode="dicts")
    assert built["Build Dependencies"]["blas"]["name"] in " ".join(content["linear_algebra"])
    assert set(built["SIMD Extensions"]["found"]) <= set(content["instructions"])
    assert len(content["program"]) == 64


def test_a_manifest_is_read_as_it_was_written(written: Path) -> None:
    found = read_manifest(written)
    assert (found.seed, found.command, found.date) == (7, "do it", date(2026, 5, 31))
    assert found.environment == environment.this_environment()
    assert changes(found.environment, environment.this_environment()) == ()
    assert found.inputs[1] == hash_file(written, "data/sub/a.csv")
    assert found.version == "an unknown version"
    content = json.loads((written / "manifest.json").read_text(encoding="utf-8"))
    (written / "manifest.json").write_text(json.dumps({**content, "date": None}), encoding="utf-8")
    assert read_manifest(written).date is None


def test_what_differs_between_environments_is_named() -> None:
    old = Environment(
        "3.11.7", "CPython", "Linux x86_64", "glibc 2.36", ("SSE", "AVX2"), ("a 1", "b 2"), "f0",
        {"numpy": "2.1.0", "scipy": "1.13.0", "gone": "1", "never": None},
    )  # fmt: skip
    new = replace(
        old,
        python="3.12.1",
        instructions=("SSE",),
        linear_algebra=("a 1", "b 3"),
        packages={"numpy": "2.1.1", "scipy": "1.13.0", "never": "5"},
    )
    assert {(c.what, c.recorded, c.here) for c in changes(old, new)} == {
        ("Python", "3.11.7", "3.12.1"),
        ("instruction sets", "AVX2", "no more"),
        ("linear algebra", "b 2", "b 3"),
        ("numpy", "2.1.0", "2.1.1"),
        ("gone", "1", "not needed"),
        ("never", "not installed", "5"),
    }


WRONG = {
    "another's": ({"written_by": "another program"}, "a file that silagetrial did not write"),
    "no seed": ({"seed": None}, "NoneType under 'seed'"),
    "seed a truth": ({"seed": True}, "bool under 'seed'"),
    "seed a text": ({"seed": "7"}, "str under 'seed'"),
    "no list": ({"inputs": {"file": "data/b.csv"}}, "dict under 'inputs'"),
    "packages a list": ({"packages": []}, "list under 'packages'"),
    "versions numbers": ({"packages": {"numpy": 2}}, "no versions under 'packages'"),
    "instructions mixed": ({"instructions": ["AVX2", 5]}, "no list of texts under 'instructions'"),
    "no day": ({"date": "31 May"}, "no date under 'date'"),
    "a day as number": ({"date": 20260531}, "int under 'date'"),
    "no entries": ({"outputs": ["report.html"]}, "an entry without file, hash and size"),
    "no hash": ({"outputs": [{"file": "out.html", "bytes": 8}]}, "an entry without file"),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_a_manifest_of_wrong_types_is_refused(written: Path, case: str) -> None:
    change, found = WRONG[case]
    content = json.loads((written / "manifest.json").read_text(encoding="utf-8"))
    (written / "manifest.json").write_text(json.dumps({**content, **change}), encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        read_manifest(written)
    assert caught.value.found.startswith(found)
    assert caught.value.expected.startswith("a manifest as silagetrial writes it")
    assert "a report of an earlier version is read by that version" in caught.value.remedy


@pytest.mark.parametrize("key", ["date", "libc", "program", "linear_algebra", "outputs", "seed"])
def test_a_manifest_of_another_version_says_by_which(written: Path, key: str) -> None:
    content = json.loads((written / "manifest.json").read_text(encoding="utf-8"))
    content["packages"]["silagetrial"] = "0.0.7"
    del content[key]
    (written / "manifest.json").write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        read_manifest(written)
    assert caught.value.found.startswith(f"no entry {key!r}, written by silagetrial 0.0.7")


@pytest.mark.parametrize(
    "name",
    ["../b.csv", "data/../../b.csv", "data/./b.csv", "/etc/hostname", "", "data//b.csv", "out.html",
     "data\\b.csv", "C:b.csv", "data/b\0.csv", "data/"],
)  # fmt: skip
def test_a_name_that_leads_out_of_the_folder_is_refused(written: Path, name: str) -> None:
    content = json.loads((written / "manifest.json").read_text(encoding="utf-8"))
    content["inputs"][0]["file"] = name
    (written / "manifest.json").write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        read_manifest(written)
    assert caught.value.found.startswith(f"the name {name!r} under 'inputs'")
