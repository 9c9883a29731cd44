"""An actual angle that repeats its command digit for digit is no reading: said by analyze, convert and vehicle check.

Common practice, no source: a real cam lags, rounds and breathes.
"""

import numpy as np
import pytest

from camlog import analyze
from camlog.convert import convert
from camlog.errors import InputError
from camlog.profile import read_profile
from camlog.trace import Trace
from tests.verdict_drives import drive, sound, trace_of


@pytest.mark.parametrize("hz", [2.0, 10.0, 30.0])
def test_a_reading_that_repeats_its_command_is_refused_however_often_it_is_read(hz):
    rng = np.random.default_rng(5)
    d = drive(rng)
    trace = trace_of(d, rng, {"intake_b1": (d.command(), sound(d.command()))}, hz=hz)
    columns = dict(trace.columns)
    columns["cam_intake_b1_actual"] = columns["cam_intake_b1_commanded"]
    verdict = analyze(Trace(trace.time_s, columns)).cams["intake_b1"].verdict
    assert verdict.condition == "insufficient_data"
    assert "repeats the command" in verdict.reasons[0]
    assert {a.answer for a in verdict.questions.values()} == {"cannot_tell"}


@pytest.mark.parametrize("step, hz", [(1.0, 2.0), (1.0, 20.0), (0.5, 10.0)])
def test_a_quick_cam_read_coarsely_is_not_taken_for_a_repeated_command(step, hz):
    rng = np.random.default_rng(6)
    d = drive(rng, 300)
    trace = trace_of(d, rng, {"intake_b1": (d.command(), sound(d.command(), 0.05))}, hz=hz, step=step, noise=0.0)
    verdict = analyze(trace).cams["intake_b1"].verdict
    assert not any("repeats the command" in r for r in verdict.reasons)


def test_convert_says_that_one_column_was_exported_twice(tmp_path):
    rng = np.random.default_rng(7)
    angle = np.round(np.cumsum(rng.normal(0.0, 1.0, 400)) % 30.0, 1)
    rows = "".join(f"{i / 10:.1f},{800 + i},{a},{a}\n" for i, a in enumerate(angle))
    file = tmp_path / "twice.csv"
    heading = "Time (s),Engine speed (rpm),Intake cam bank 1 desired angle (deg crank),Intake cam bank 1 actual angle (deg crank)\n"
    file.write_text(heading + rows, encoding="utf-8")
    made = convert(file, out=tmp_path / "out.csv", positive="advance", angles="crank")
    assert any("repeat each other value for value" in note for note in made.notes)


def test_a_profile_that_reads_both_angles_from_the_same_bits_is_refused(tmp_path):
    text = """schema = "camlog.vehicle/1"
[vehicle]
name = "Invented"
[[cam]]
id = "intake_b1"
""" + "".join(
        f"""[[signal]]
name = "cam_intake_b1_{part}"
service = 0x22
identifier = 0xF0A2
length_bits = 16
factor = 0.01
unit = "deg"
angle = "crank"
positive = "advance"
"""
        for part in ("commanded", "actual")
    )
    file = tmp_path / "car.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="overlaps"):
        read_profile(file)
