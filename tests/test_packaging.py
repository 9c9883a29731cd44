"""The wheel, built and installed into a clean environment elsewhere, carries all it needs."""

import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def run(*command, cwd):
    done = subprocess.run([str(c) for c in command], cwd=cwd, capture_output=True, text=True, timeout=400)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--outdir", folder, ROOT, cwd=folder)
    (built,) = folder.glob("camlog-*.whl")
    return built


def test_the_wheel_ships_dashboards_samples_and_profiles(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for folder in ("dashboards", "sample_logs"):
        for file in (ROOT / folder).iterdir():
            assert f"camlog/{folder}/{file.name}" in names
    assert "camlog/profile/demo.toml" in names and "camlog/profile/template.toml" in names
    assert not any(n.startswith("tests/") for n in names)


def test_the_wheel_runs_the_demo_in_a_clean_environment(wheel, tmp_path):
    venv.create(tmp_path / "env", with_pip=True)
    python = tmp_path / "env" / "bin" / "python"
    run(python, "-m", "pip", "install", "--quiet", wheel, cwd=tmp_path)
    where = run(python, "-c", "import camlog; print(camlog.__file__)", cwd=tmp_path).strip()
    assert Path(where).is_relative_to(tmp_path / "env")
    said = run(tmp_path / "env" / "bin" / "camlog", "demo", "--out", tmp_path / "shown", cwd=tmp_path)
    assert "invented" in said
    assert (tmp_path / "shown" / "demo.csv").stat().st_size > 10_000
    assert (tmp_path / "shown" / "demo.drive.json").exists()
