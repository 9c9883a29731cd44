"""Paths of the folders that a shop may open: beside the package in a checkout, inside it once installed."""

from __future__ import annotations

from pathlib import Path

import camlog
from camlog.messages import say


def shipped_folder(name: str) -> Path:
    """The shipped folder `dashboards` or `sample_logs`. Raises InputError where it is missing."""
    package = Path(camlog.__file__).parent
    for place in (package / name, package.parent / name):
        if place.is_dir():
            return place
    raise say.error("folder_missing", package / name, name=name)


def dashboards_folder() -> Path:
    return shipped_folder("dashboards")


def sample_logs_folder() -> Path:
    return shipped_folder("sample_logs")
