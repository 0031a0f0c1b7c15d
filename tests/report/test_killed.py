"""A process killed while it replaces a report leaves the earlier or the later one, whole."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from builders import make_trial

from silagetrial.display.place import hash_file
from silagetrial.errors import NoAnswer
from silagetrial.report.contents import MANIFEST
from silagetrial.report.place import check_place

MOMENTS = 50
AGAIN_AND_AGAIN = """
import json, sys
from dataclasses import asdict
from pathlib import Path
from silagetrial.display.place import hash_file
from silagetrial.report.place import report_place

print("ready", flush=True)
for version in range(1_000_000):
    with report_place(Path(sys.argv[1])) as work:
        (work / "data").mkdir()
        names = ["report.html", "report.ipynb", "results.json", "data/bales.csv"]
        for name in names:
            (work / name).write_text(str(version) * 1000, encoding="utf-8")
        listed = [asdict(hash_file(work, name)) for name in names]
        manifest = {"written_by": "silagetrial", "inputs": [], "outputs": listed}
        (work / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
"""


def is_whole(out: Path) -> bool:
    """Tell whether every file that the manifest lists is there as it was written."""
    content = json.loads((out / MANIFEST).read_text(encoding="utf-8"))
    entries = [*content["inputs"], *content["outputs"]]
    check_place(out)
    return all(hash_file(out, item["file"]).sha256 == item["sha256"] for item in entries)


@pytest.mark.slow
def test_killed_at_any_moment_of_the_replacement(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    out = tmp_path / "report"
    for _ in range(MOMENTS):
        command = [sys.executable, "-c", AGAIN_AND_AGAIN, str(out)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            process.stdout.readline()
            while not out.exists():
                time.sleep(0.001)
            time.sleep(float(rng.uniform(0.0, 0.1)))
            process.send_signal(signal.SIGKILL)
        assert process.returncode == -signal.SIGKILL
        assert is_whole(out)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 3])  # half of the moments each, so that two workers share them
def test_a_report_killed_at_random_moments_leaves_a_whole_one(tmp_path: Path, seed: int) -> None:
    folder = make_trial(tmp_path / "trial", pairs=1, sites=1)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    out = tmp_path / "report"
    command = [sys.executable, "-m", "silagetrial.cli", "report", str(folder), "--out", str(out)]
    began = time.monotonic()
    done = subprocess.run(command, check=False, capture_output=True)
    assert done.returncode == NoAnswer.exit_code  # one pair: a short report
    whole = time.monotonic() - began
    assert is_whole(out)
    earlier = (out / MANIFEST).read_bytes()
    left = 0
    for moment in np.random.default_rng(seed).uniform(0.0, 0.9 * whole, MOMENTS // 2):
        with subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as process:
            time.sleep(float(moment))
            process.send_signal(signal.SIGKILL)
        assert is_whole(out)
        now = (out / MANIFEST).read_bytes()
        # A run quicker than the first may have replaced it, and be killed afterwards or not.
        left += now == earlier
        assert process.returncode == -signal.SIGKILL or now != earlier
        earlier = now
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
    assert left > MOMENTS / 8
