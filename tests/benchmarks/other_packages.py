"""How far the numbers of a report move under other versions of the packages beneath it.

``python tests/benchmarks/other_packages.py PYTHON [NAME=VALUE ...]``: PYTHON is another interpreter
with this package's dependencies in other versions, or this one with other variables of the
environment, such as OPENBLAS_CORETYPE=Prescott. Prints, for each demonstration trial, the largest
relative difference of a number in ``results.json`` (a witness's digits in common left out: they
count rounding), and what `compared` would name.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from silagetrial.report.compared import differences

ROOT = Path(__file__).parents[2]
ANALYSE = """
import sys
from silagetrial import analyse, read_trial
from silagetrial.report import results
results.write(analyse(read_trial(sys.argv[1])), sys.argv[2])
"""


def results_by(python: str, demo: Path, out: Path, variables: Mapping[str, str]) -> Any:
    """Results of a demonstration trial by an interpreter."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **variables}
    command = [python, "-c", ANALYSE, str(demo), str(out)]
    subprocess.run(command, check=True, env=environment)
    return json.loads(out.read_text(encoding="utf-8"))


def moved(kept: Any, again: Any) -> Iterator[tuple[float, str]]:
    """How far each number moved, and its path."""
    for item in differences(kept, again, exact=True):
        if item.relative is not None and not item.path.endswith(".digits"):
            yield item.relative, item.path


def main(python: str, *settings: str) -> None:
    """Print the largest difference of each demonstration trial."""
    with tempfile.TemporaryDirectory() as scratch:
        for demo in sorted(path.parent for path in ROOT.glob("data_demo/*/trial.toml")):
            kept = results_by(sys.executable, demo, Path(scratch) / "kept.json", {})
            variables = dict(setting.split("=", 1) for setting in settings)
            again = results_by(python, demo, Path(scratch) / "again.json", variables)
            share, path = max(moved(kept, again), default=(0.0, "nothing"))
            named = differences(kept, again, exact=False)
            print(f"{demo.name}: {share:.1e} ({path}); {len(named)} beyond the limit")
            for item in named:
                print(f"  {item}")


if __name__ == "__main__":
    main(*sys.argv[1:])
