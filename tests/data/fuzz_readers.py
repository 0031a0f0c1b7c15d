"""Search for bytes that break the readers, guided by coverage: by hand, with the package atheris.

``python tests/data/fuzz_readers.py FOLDER -max_total_time=600`` keeps in FOLDER what reached new
lines, and begins with it again. The first byte says which file, or part of a workbook, the others
stand in for. It stops at the first error that is not our own.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]
with atheris.instrument_imports(include=["silagetrial"]):
    from any_bytes import HostileTrial


def main() -> None:
    trial = HostileTrial(Path(tempfile.mkdtemp()))
    parts = trial.parts
    names = list(parts)
    seeds = Path(tempfile.mkdtemp())
    for number, name in enumerate(names):
        (seeds / str(number)).write_bytes(bytes([number]) + parts[name])

    def one(content: bytes) -> None:
        if content:
            trial.read(names[content[0] % len(names)], content[1:])

    # All seeds are kept, though all but one reach the same lines: those of a valid trial.
    options = ["-keep_seed=1", "-len_control=0", "-rss_limit_mb=6000", "-timeout=60"]
    atheris.Setup([*sys.argv, *options, str(seeds)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
