"""What is said between connecting and starting: each check against a stream whose truth is known. Invented data, for mechanics."""

import math
import re

import pytest

from camlog.serve.board import Board
from camlog.serve.preflight import MOVED_DEG, checks
from camlog.stream import Batch, CodeSnapshot, TroubleCode

COMMANDED, ACTUAL = "cam_intake_b1_commanded", "cam_intake_b1_actual"


def read(snapshot=None, command=lambda t: 0.0, actual=lambda t: 0.0, hz=20.0, seconds=6.0, **values):
    """The checks by their titles, after a stream of that."""
    board = Board()
    if snapshot is not None:
        board.accept(snapshot)
    for n in range(round(seconds * hz)):
        t = n / hz
        board.accept(Batch(t, {COMMANDED: command(t), ACTUAL: actual(t), "engine_speed": 800.0, **values}))
    return {title: (state, finding) for state, title, finding in checks(board, slow=False)}


def test_codes_lamp_and_freeze_frame_are_told_as_they_were_read():
    frame = {"code": "P0011", "engine_speed": 750.0}
    found = read(
        CodeSnapshot(0.0, mil=True, stored=(TroubleCode("P0011", "7E8"),), pending=(), permanent=(), freeze_frame=frame)
    )
    assert found["Warning lamp"][0] == "bad" and found["Trouble codes"] == ("bad", "P0011")
    assert (
        found["Freeze frame"][0] == "good"
        and "P0011" in found["Freeze frame"][1]
        and "750 rpm" in found["Freeze frame"][1]
    )


def test_what_was_not_read_is_not_called_good():
    found = read(CodeSnapshot(0.0, mil=None, stored=None, pending=None, permanent=None))
    assert [found[t] for t in ("Warning lamp", "Trouble codes")] == [("unknown", "not read")] * 2
    assert read(CodeSnapshot(0.0, mil=False, stored=(), pending=(), permanent=()))["Trouble codes"] == (
        "good",
        "none held",
    )
    assert "Trouble codes" not in read(None)


@pytest.mark.parametrize("hz", [4.0, 20.0])
def test_the_rate_told_is_that_at_which_the_pair_came(hz):
    state, finding = read(hz=hz)["Cam angles, true rate"]
    assert state == "good" and float(re.search(r"([\d.]+)/s", finding)[1]) == pytest.approx(hz, rel=0.15), finding


def test_each_live_value_and_each_cam_is_named():
    found = read(coolant_temp=82.0)
    assert found["Live values"] == ("good", "Engine 800 rpm, Coolant 82 °C")
    assert found["Cam angles, true rate"][1].startswith("Intake cam, bank 1 ")
    assert "Intake cam, bank 1: moves with its command" in found


def test_without_cam_angles_it_says_that_the_phaser_cannot_be_judged():
    assert read(**{COMMANDED: math.nan, ACTUAL: math.nan})["Cam angles, true rate"][0] == "bad"


@pytest.mark.parametrize(
    ("command", "follows", "state"),
    [
        (0.0, 1.0, "unknown"),
        (20.0, 1.0, "good"),
        (20.0, 0.0, "bad"),
        (20.0, 0.3, "unknown"),
        (MOVED_DEG - 1.0, 0.0, "unknown"),
    ],
)
def test_whether_the_cam_goes_with_its_command(command, follows, state):
    def swing(t):
        return command * (t >= 3.0)

    found = read(command=swing, actual=lambda t: follows * swing(t))
    (told,) = [f for title, f in found.items() if "moves with its command" in title]
    assert told[0] == state
    if state in ("good", "bad"):
        assert f"{command:.0f}°" in told[1] and f"{follows * command:.0f}°" in told[1]
