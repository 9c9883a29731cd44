"""The wheel, built and installed into a clean environment elsewhere, carries all it needs; its demonstration runs there as
on Windows (`like_windows`), with a console of few letters and a coarse clock.
"""

import ast
import os
import re
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def run(*command, cwd, **environment):
    clean = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"} | environment
    done = subprocess.run(
        [str(c) for c in command], cwd=cwd, env=clean, capture_output=True, text=True, errors="replace", timeout=400
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--outdir", folder, ROOT, cwd=folder)
    (built,) = folder.glob("camlog-*.whl")
    return built


# What is imported under another name than it is installed by.
INSTALLED_AS = {
    "serial": "pyserial",
    "prompt_toolkit": "prompt-toolkit",
    "dateutil": "python-dateutil",
    "charset_normalizer": "charset-normalizer",
    "isotp": "can-isotp",
    "annotated_types": "annotated-types",
    "markupsafe": "jinja2",  # comes with it
    "typing_extensions": "pydantic",  # comes with it
    "werkzeug": "flask",  # comes with it
}
# Faster simulated drives, and recordings that are no text, where they are there.
OPTIONAL = {"bleak", "numba", "openpyxl", "pyarrow", "asammdf"}


def imported(folder):
    """Top-level names of other packages that the Python files below a folder import."""
    found = set()
    for file in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                found.add(node.module.split(".")[0])
    return found - set(sys.stdlib_module_names) - {"camlog", "tests"}


def declared(*groups):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [line for group in groups for line in group(project)]
    return {re.match(r"[\w.-]+", line)[0].lower() for line in lines}


def test_whatever_is_imported_is_declared():
    core = declared(lambda p: p["dependencies"])
    more = declared(lambda p: p["dependencies"], lambda p: sum(p["optional-dependencies"].values(), []))
    for folder, known in ((ROOT / "camlog", core), (ROOT / "tests", more)):
        for name in imported(folder) - OPTIONAL:
            assert INSTALLED_AS.get(name, name).lower() in known, (
                f"{folder.name} imports {name}, pyproject.toml does not"
            )


def test_the_wheel_ships_dashboards_samples_and_profiles(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for folder in ("dashboards", "sample_logs"):
        for file in (ROOT / folder).iterdir():
            assert f"camlog/{folder}/{file.name}" in names
    assert "camlog/profile/demo.toml" in names and "camlog/profile/template.toml" in names
    assert not any(n.startswith("tests/") for n in names)


def test_the_wheel_runs_the_demo_in_a_clean_environment(wheel, tmp_path):
    venv.create(tmp_path / "env")
    python = tmp_path / "env" / "bin" / "python"
    # Only what the demonstration imports is compiled, when it imports it.
    install = ("install", "--no-compile", "--quiet")
    run(sys.executable, "-m", "pip", "--python", python, *install, wheel, cwd=tmp_path)
    where = run(python, "-c", "import camlog; print(camlog.__file__)", cwd=tmp_path).strip()
    assert Path(where).is_relative_to(tmp_path / "env")
    # In the console's letters: what it lacks would be an error here.
    like_windows = {
        "PYTHONPATH": str(ROOT / "tests" / "like_windows"), "PYTHONIOENCODING": "cp437", "PYTHONWARNDEFAULTENCODING": "1",
        "PYTHONWARNINGS": "ignore", "CAMLOG_TEST_FOLDER": str(tmp_path), "CAMLOG_TEST_COARSE": "yes",
    }  # fmt: skip
    said = run(tmp_path / "env" / "bin" / "camlog", "demo", "--out", "shown", cwd=tmp_path, **like_windows)
    assert "invented" in said and "Recorded" in said and "\\u" not in said
    assert (tmp_path / "shown" / "demo.csv").stat().st_size > 10_000
    for made in ("demo.drive.json", "repair/after.verification.html"):
        assert (tmp_path / "shown" / made).exists()
