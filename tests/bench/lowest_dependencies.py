"""The lowest versions that pyproject.toml allows, in a fresh environment, and the tests with them.

    python -m tests.bench.lowest_dependencies [--folder FOLDER] [TEST ...]

Every lower bound of the dependencies and of the test extra becomes an exact version; what these need in turn is as
new as they allow. `TEST ...` are handed to pytest; without them all tests run. The environment is made in `--folder`
(and kept there), else in a temporary one. The exit status is that of the tests.
"""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def lowest() -> list[str]:
    """`name==version` for each lower bound. Raises ValueError for a dependency without one."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    made = []
    for line in (*project["dependencies"], *project["optional-dependencies"]["test"]):
        found = re.match(r"(?P<name>[\w.-]+)>=(?P<version>[\w.]+)", line)
        if found is None:
            raise ValueError(f"pyproject.toml: {line!r} has no lower bound")
        made.append(f"{found['name']}=={found['version']}")
    return made


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path)
    given, tests = parser.parse_known_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = given.folder or Path(temporary)
        venv.create(folder / "env", with_pip=True)
        python = folder / "env" / "bin" / "python"
        constraints = folder / "lowest.txt"
        constraints.write_text("\n".join(lowest()) + "\n", encoding="utf-8")
        install = [
            python,
            "-m",
            "pip",
            "install",
            "--quiet",
            "--constraint",
            constraints,
            "--editable",
            f"{ROOT}[test]",
        ]
        subprocess.run(install, check=True)
        return subprocess.run([python, "-m", "pytest", "-q", *tests], cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main())
