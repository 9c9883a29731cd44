"""Does every run-time dependency come as a wheel for every system and Python? It asks the package index, and downloads.

    python -m tests.bench.wheels

For each system and version of Python: the wheels that pip resolves, and what it says where there is one missing.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
SYSTEMS = {
    "Windows": ["win_amd64"],
    "macOS, Apple's processor": ["macosx_14_0_arm64", "macosx_11_0_arm64"],
    "macOS, Intel's processor": ["macosx_14_0_x86_64", "macosx_10_13_x86_64"],
    "Linux": ["manylinux_2_28_x86_64", "manylinux_2_17_x86_64", "manylinux2014_x86_64"],
}
PYTHONS = ("3.11", "3.12", "3.13")


def resolved(tags: list[str], python: str) -> str:
    """How many wheels, or why not, in a line. obd's own dependencies come with it, so all is resolved together."""
    dependencies = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--only-binary=:all:", "--dest", folder]
        for tag in tags:
            command += ["--platform", tag]
        command += ["--python-version", python, "--implementation", "cp", *dependencies]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            return "MISSING: " + next((x for x in done.stderr.splitlines() if "ERROR" in x), "pip does not say why")
        return f"{len(list(Path(folder).glob('*.whl')))} wheels"


def main() -> None:
    missing = 0
    for system, tags in SYSTEMS.items():
        for python in PYTHONS:
            found = resolved(tags, python)
            missing += found.startswith("MISSING")
            print(f"{system}, Python {python}: {found}", flush=True)
    print(f"{missing} of {len(SYSTEMS) * len(PYTHONS)} without all wheels")


if __name__ == "__main__":
    main()
