"""Time of reading and checking 20,000 samples: ``python tests/benchmarks/bench_read.py``.

Two invented trials: bales cored again and again (3,080 bales, 21,560 weighings, 20,020 samples),
and bales opened once (13,344 bales, 26,688 weighings, 20,016 samples). Processor time of this
process, the smallest of five runs, after one run that imports what is needed.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from builders import make_trial

from silagetrial.data import read_trial

RUNS = 5
TRIALS = {
    "cored again and again": {
        "design": "recored", "pairs": 385, "openings": (30, 60, 90, 120, 180, 240),
    },
    "opened once": {"design": "separate", "pairs": 834, "openings": (60, 240)},
}  # fmt: skip


def seconds(folder: Path) -> tuple[float, int]:
    """Return processor time of the quickest run, and samples read."""
    samples = len(read_trial(folder).samples)
    times = []
    for _ in range(RUNS):
        began = time.process_time()
        read_trial(folder)
        times.append(time.process_time() - began)
    return min(times), samples


def main() -> None:
    with tempfile.TemporaryDirectory() as scratch:
        for name, given in TRIALS.items():
            folder = make_trial(Path(scratch) / name, sites=4, **given)
            took, samples = seconds(folder)
            print(f"{name}: {samples:,} samples read and checked in {took:.2f} s")


if __name__ == "__main__":
    main()
