"""The house has room: each of ten ordinary changes is one file or one line, and is found by itself."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture
def house(tmp_path):
    """A copy of camlog to change, and a way to run Python in it."""
    for name in ("camlog", "dashboards", "sample_logs"):
        shutil.copytree(ROOT / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__"))

    def run(code: str, **environment: str) -> str:
        known = os.environ | {"PYTHONPATH": str(tmp_path)} | environment
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(code)], cwd=tmp_path, env=known, capture_output=True, text=True, timeout=120
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    return tmp_path, run


def add(path: Path, after: str, line: str) -> None:
    """Put a line after the first that begins with `after`."""
    rows = path.read_text(encoding="utf-8").splitlines()
    at = next(i for i, row in enumerate(rows) if row.strip().startswith(after))
    rows.insert(at + 1, line)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def test_a_signal_is_a_line(house):
    root, run = house
    add(root / "camlog/signals.py", 'Signal("oil_temp"', '        Signal("cam_cover_temp", "degC", -40.0, 215.0, None, "Cam cover"),')
    (root / "a.csv").write_text("time [s],engine_speed [rpm],cam_cover_temp [degF]\n0,800,212\n1,800,212\n")
    out = run("""
        from camlog.trace import read_trace
        from camlog.profile import template_text
        print(read_trace("a.csv").samples("cam_cover_temp")[1][0], "cam_cover_temp [degC]" in template_text())
    """)
    value, listed = out.split()
    assert float(value) == pytest.approx(100.0) and listed == "True"


def test_a_units_spelling_is_a_word(house):
    root, run = house
    add(root / "camlog/units.py", "_SPELLINGS = {", '    "lb-force per inch": "psi",')
    assert run('from camlog.units import conversion; print(conversion("lb-force per inch", "kPa")[0])').startswith("6.89")


def test_a_limit_is_a_line(house):
    root, run = house
    add(root / "camlog/limits.py", '("flutter_rms_deg"', '    ("wobble_deg", 1.5, "deg", "Wobble of the cam"),')
    out = run("""
        from camlog.limits import limits_for
        from camlog.profile import template_text
        print(limits_for({"wobble_deg": 2.0})["wobble_deg"], "#wobble_deg = 1.5" in template_text())
    """)
    assert out.strip() == "2 deg (vehicle profile) True"


def test_a_fifth_cam_is_a_number(house):
    root, run = house
    text = (root / "camlog/cams.py").read_text()
    (root / "camlog/cams.py").write_text(text.replace("BANKS = (1, 2)", "BANKS = (1, 2, 3)"))
    rows = (root / "sample_logs/sticking.csv").read_text()
    (root / "v.csv").write_text(rows.replace("intake_b1", "intake_b3", 2))
    out = run("""
        from camlog.analysis import analyze
        from camlog.trace import read_trace
        print({c: f.verdict.condition for c, f in analyze(read_trace("v.csv")).cams.items()})
    """)
    assert "'intake_b3': 'sticking'" in out and "intake_b1" not in out


def test_a_check_of_the_proof_is_a_function(house):
    root, run = house
    (root / "camlog/verify/gates/own.py").write_text(
        "from camlog.verify.gate import gate, not_shown\n\n\n"
        "@gate(145, 'own')\ndef own(case):\n    return not_shown('never')\n"
    )  # fmt: skip
    with open(root / "camlog/verify/messages.toml", "a") as file:
        file.write('\n[own]\ntitle = "An own check"\nnever = ["It was not shown."]\n')
    out = run("""
        from camlog.analysis import analyze
        from camlog.trace import read_trace
        from camlog.verify import verify
        print([g.title for g in verify(analyze(read_trace("sample_logs/healthy.csv"))).gates])
    """)
    assert "An own check" in out


def test_a_chart_is_a_module(house):
    root, run = house
    (root / "camlog/report/charts/own.py").write_text(
        "from camlog.report.chart import chart_kind\n\n\n"
        "@chart_kind('own', per_cam=False)\ndef own(request):\n    return request.nothing('an own chart')\n"
    )  # fmt: skip
    with open(root / "camlog/report/messages.toml", "a") as file:
        file.write('\n[chart.own]\ntitle = "An own question?"\n')
    (root / "own.toml").write_text('schema = "camlog.dashboard/1"\nname = "own"\n[[chart]]\nkind = "own"\n')
    out = run("""
        from camlog.report.dashboard import read_dashboard
        print([c.kind for c in read_dashboard("own.toml").charts])
    """)
    assert out.strip() == "['own']"


def test_a_transport_is_a_module(house):
    root, run = house
    (root / "camlog/capture/transports/own.py").write_text(
        "from camlog.capture.ports import Transport as Base\n\n\nclass Transport(Base):\n    scheme = 'own'\n\n"
        "    def __init__(self, port, baud=None):\n        self.port = port\n\n"
        "    @classmethod\n    def check(cls, port):\n        pass\n"
    )  # fmt: skip
    out = run("""
        from camlog.capture.ports import transport_for
        print(transport_for("own://x").__module__)
    """)
    assert out.strip() == "camlog.capture.transports.own"


def test_a_language_is_a_file(house):
    root, run = house
    (root / "camlog/report/messages.xx.toml").write_text('[condition]\nhealthy = "Gesund"\n')
    code = """
        from camlog.messages import Messages
        say = Messages("camlog.report")
        print(say("condition.healthy"), say("condition.stuck"))
    """
    assert run(code, CAMLOG_LANGUAGE="xx").split() == ["Gesund", "Stuck"]
    assert run(code).split() == ["Healthy", "Stuck"]


def test_a_family_of_codes_is_a_line(house):
    root, run = house
    add(root / "camlog/codes/families.py", "_TABLE = (", '    ("P0999", OIL, "oil_own", _NOTHING, "An own code."),')
    assert "An own code." in run('from camlog.codes.families import explain; print(explain("P0999"))')


def test_a_trade_word_is_a_line(house):
    root, run = house
    words = (root / "camlog/convert/words.toml").read_text().replace('oil = "huile', 'oil = "smorolje huile')
    (root / "camlog/convert/words.toml").write_text(words)
    (root / "f.csv").write_text("Time (s);Smorolje temp (degC)\n" + "".join(f"{i};{20 + i}\n" for i in range(60)))
    assert "oil_temp" in run('from camlog.convert import read_any; from pathlib import Path; print(read_any(Path("f.csv"))[0].signals)')
