"""What a report folder holds: the names of its files, and their hashes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = [
    "DATA",
    "HTML",
    "MANIFEST",
    "NOTEBOOK",
    "RESULTS",
    "WRITER",
    "FileHash",
    "hash_file",
]

DATA: Final = "data"
HTML: Final = "report.html"
MANIFEST: Final = "manifest.json"
NOTEBOOK: Final = "report.ipynb"
RESULTS: Final = "results.json"
WRITER: Final = "silagetrial"


@dataclass(frozen=True)
class FileHash:
    """Name (relative to the report folder, with ``/``), SHA-256 and size in bytes of a file."""

    file: str
    sha256: str
    bytes: int


def hash_file(folder: Path, name: str) -> FileHash:
    """Return the hash of one file of a folder.

    Parameters
    ----------
    folder : Path
        The report folder.
    name : str
        The file's path inside it, with ``/``.
    """
    content = (folder / name).read_bytes()
    return FileHash(name, hashlib.sha256(content).hexdigest(), len(content))
