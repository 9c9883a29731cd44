"""The house has room: each of eleven ordinary changes is one file or one line, and is found by itself.

All are made in one copy of camlog, and one process looks for each of them.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


def line(path: str, after: str, text: str):
    """A line after the first that begins with `after`."""

    def change(root: Path) -> None:
        rows = (root / path).read_text(encoding="utf-8").splitlines()
        at = next(i for i, row in enumerate(rows) if row.strip().startswith(after))
        rows.insert(at + 1, text)
        (root / path).write_text("\n".join(rows) + "\n", encoding="utf-8")

    return change


def word(path: str, old: str, new: str):
    """A word more in a line that is there."""

    def change(root: Path) -> None:
        text = (root / path).read_text(encoding="utf-8")
        assert old in text
        (root / path).write_text(text.replace(old, new), encoding="utf-8")

    return change


def file(path: str, text: str, messages: str = "", words: str = ""):
    """A new file, and what it says to people as a table of its package's messages."""

    def change(root: Path) -> None:
        (root / path).write_text(text, encoding="utf-8")
        if messages:
            with open(root / messages, "a", encoding="utf-8") as out:
                out.write(words)

    return change


# What is added, what a person would then have, and Python that finds it.
CHANGES = {
    "signal": (
        line(
            "camlog/signals.py",
            'Signal("oil_temp"',
            '        Signal("cam_cover_temp", "degC", -40.0, 215.0, None, "Cam cover"),',
        ),
        """
from camlog.profile import template_text
from camlog.trace import read_trace
found = [read_trace("a.csv").samples("cam_cover_temp")[1][0], "cam_cover_temp [degC]" in template_text()]
""",
    ),
    "unit": (
        line("camlog/units.py", "_SPELLINGS = {", '    "lb-force per inch": "psi",'),
        """
from camlog.units import conversion
found = conversion("lb-force per inch", "kPa")[0]
""",
    ),
    "limit": (
        line("camlog/limits.toml", "flutter_rms_deg =", 'wobble_deg = [1.5, "deg", "Wobble of the cam"]'),
        """
from camlog.limits import limits_for
from camlog.profile import template_text
found = [str(limits_for({"wobble_deg": 2.0})["wobble_deg"]), "#wobble_deg = 1.5" in template_text()]
""",
    ),
    "cam": (
        word("camlog/cams.py", "BANKS = (1, 2)", "BANKS = (1, 2, 3)"),
        """
from camlog.analysis import analyze
from camlog.trace import read_trace
found = {c: f.verdict.condition for c, f in analyze(read_trace("v.csv")).cams.items()}
""",
    ),
    "condition": (
        word("camlog/analysis/figures/__init__.py", '"offset", "sensor")', '"offset", "sensor", "wobbly")'),
        """
from camlog.analysis import analyze
from camlog.trace import read_trace
verdict = analyze(read_trace("sample_logs/sticking.csv")).cams["intake_b1"].verdict
found = [verdict.condition, verdict.probabilities["wobbly"]]
""",
    ),
    "check of the proof": (
        file(
            "camlog/verify/gates/own.py",
            "from camlog.verify.gate import gate, not_shown\n\n\n"
            "@gate(145, 'own')\ndef own(case):\n    return not_shown('never')\n",
            "camlog/verify/messages.toml",
            '\n[own]\ntitle = "An own check"\nnever = ["It was not shown."]\n',
        ),
        """
from camlog.analysis import analyze
from camlog.trace import read_trace
from camlog.verify import verify
found = [g.title for g in verify(analyze(read_trace("sample_logs/too-short.csv"))).gates]
""",
    ),
    "chart": (
        file(
            "camlog/report/charts/own.py",
            "from camlog.report.chart import chart_kind\n\n\n"
            "@chart_kind('own', per_cam=False)\ndef own(request):\n    return request.nothing('an own chart')\n",
            "camlog/report/messages.toml",
            '\n[chart.own]\ntitle = "An own question?"\n',
        ),
        """
from camlog.report.dashboard import read_dashboard
found = [c.kind for c in read_dashboard("own.toml").charts]
""",
    ),
    "transport": (
        file(
            "camlog/capture/transports/own.py",
            "from camlog.capture.ports import Transport as Base\n\n\nclass Transport(Base):\n    scheme = 'own'\n\n"
            "    def __init__(self, port, baud=None):\n        self.port = port\n\n"
            "    @classmethod\n    def check(cls, port):\n        pass\n",
        ),
        """
from camlog.capture.ports import transport_for
found = transport_for("own://x").__module__
""",
    ),
    "language": (
        file("camlog/report/messages.xx.toml", '[condition]\nhealthy = "Gesund"\n'),
        """
import os
from camlog.messages import Messages
def words():
    say = Messages("camlog.report")
    return [say("condition.healthy"), say("condition.stuck")]
found = [words()]
os.environ["CAMLOG_LANGUAGE"] = "xx"
found.append(words())
del os.environ["CAMLOG_LANGUAGE"]
""",
    ),
    "family of codes": (
        line(
            "camlog/codes/families.toml",
            "[codes]",
            'oil_own = { family = "oil_pressure_temperature", codes = "P0999", sentence = "An own code." }',
        ),
        """
from camlog.codes.families import explain
found = explain("P0999")
""",
    ),
    "trade word": (
        word("camlog/convert/words.toml", 'oil = "huile', 'oil = "smorolje huile'),
        """
from pathlib import Path
from camlog.convert import read_any
found = list(read_any(Path("f.csv"))[0].signals)
""",
    ),
}


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> dict:
    """What is found of each change, by its name."""
    root = tmp_path_factory.mktemp("house")
    for name in ("camlog", "dashboards", "sample_logs"):
        shutil.copytree(ROOT / name, root / name)
    (root / "a.csv").write_text("time [s],engine_speed [rpm],cam_cover_temp [degF]\n0,800,212\n1,800,212\n")
    sticking = (root / "sample_logs/sticking.csv").read_text(encoding="utf-8")
    (root / "v.csv").write_text(sticking.replace("intake_b1", "intake_b3", 2), encoding="utf-8")
    (root / "own.toml").write_text('schema = "camlog.dashboard/1"\nname = "own"\n[[chart]]\nkind = "own"\n')
    (root / "f.csv").write_text("Time (s);Smorolje temp (degC)\n" + "".join(f"{i};{20 + i}\n" for i in range(60)))
    code = "import json\nall_found = {}\n"
    for name, (change, look) in CHANGES.items():
        change(root)
        code += f"{look}\nall_found[{name!r}] = found\n"
    known = os.environ | {"PYTHONPATH": str(root)}
    command = [sys.executable, "-c", code + "print(json.dumps(all_found, default=str))"]
    done = subprocess.run(command, cwd=root, env=known, capture_output=True, text=True, timeout=240, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_signal_is_a_line(found):
    value, listed = found["signal"]
    assert float(value) == pytest.approx(100.0) and listed


def test_a_units_spelling_is_a_word(found):
    assert found["unit"] == pytest.approx(6.894757, abs=0.005)


def test_a_limit_is_a_line(found):
    assert found["limit"] == ["2 deg (vehicle profile)", True]


def test_a_fifth_cam_is_a_number(found):
    assert found["cam"]["intake_b3"] == "sticking" and "intake_b1" not in found["cam"]


def test_a_condition_is_a_word_that_weighs_nothing_until_the_table_is_fitted_again(found):
    assert found["condition"] == ["sticking", 0.0]


def test_a_check_of_the_proof_is_a_function(found):
    assert "An own check" in found["check of the proof"]


def test_a_chart_is_a_module(found):
    assert found["chart"] == ["own"]


def test_a_transport_is_a_module(found):
    assert found["transport"] == "camlog.capture.transports.own"


def test_a_language_is_a_file(found):
    assert found["language"] == [["Healthy", "Stuck"], ["Gesund", "Stuck"]]


def test_a_family_of_codes_is_a_line(found):
    assert "An own code." in found["family of codes"]


def test_a_trade_word_is_a_line(found):
    assert "oil_temp" in found["trade word"]
