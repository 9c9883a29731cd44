"""Which files are screened: every recording below folders, of patterns, or at addresses that fsspec reads."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from camlog.errors import extra
from camlog.library import say

SUFFIXES = (".csv", ".txt", ".tsv", ".log", ".csv.gz", ".zip")
# What camlog writes beside recordings, and what is no table.
SKIPPED = (".report.html", ".findings.json", ".drive.json", ".verification.html", ".truth.json")


def files_of(paths: Sequence[str]) -> list[str]:
    """Every recording below folders, of patterns, or named; sorted, each once. Raises InputError where there is none."""
    found: set[str] = set()
    for name in paths:
        if is_remote(name):
            found |= set(_remote(name))
            continue
        path = Path(name)
        if path.is_dir():
            found |= {str(p) for p in path.rglob("*") if p.is_file() and _is_recording(p.name)}
        else:
            found |= {p for p in glob.glob(name, recursive=True) if os.path.isfile(p)}
    if not found:
        raise say.error("no_recordings", ", ".join(paths)[:200])
    return sorted(found)


def _is_recording(name: str) -> bool:
    return name.lower().endswith(SUFFIXES) and not name.lower().endswith(SKIPPED)


def is_remote(name: str) -> bool:
    """True for the address of a file that fsspec reads."""
    return "://" in name


def filesystem(name: str) -> Any:
    """The fsspec file system of an address, and the path in it. Raises InputError where there is none."""
    fsspec = extra("fsspec", "cluster")
    try:
        return fsspec.core.url_to_fs(name)
    except (ImportError, ValueError, OSError) as error:
        raise say.error("unreached", name, why=error) from error


def _remote(name: str) -> Iterator[str]:
    system, path = filesystem(name)
    names = system.glob(path) if any(c in path for c in "*?[") else system.find(path) if system.isdir(path) else [path]
    yield from (system.unstrip_protocol(n) for n in names if _is_recording(n))
