"""The speed of a serial line: raised where the adapter proves itself, kept low where it does not, lowered at a doubt.

A line whose ends have a speed each, before the simulated adapter; whoever speaks at the wrong one is heard as nonsense.
Invented data, for mechanics only.
"""

from __future__ import annotations

import re

import pytest

from camlog.capture import ports
from camlog.capture.connect import open_link
from camlog.capture.transports import tcp
from camlog.simulate.adapter import SimulatedAdapter
from tests.adapter_car import StandingCar
from tests.capture_help import PROFILE, TIMING, recorded

OWN, REVERTS_S = 38400, 0.075
BANNER = b"ELM327 v1.5\r"


class Line(tcp.Transport):
    """The wire: `adapter` is the speed at the other end, `pending` one that it waits to have confirmed."""

    scheme, speeds = "line", (38400, 500_000)
    kind = "good"
    adapter, spoils = OWN, False
    last: Line | None = None

    def __init__(self, port, baud=None):
        super().__init__(port, baud)
        self.host, self.pending, self.extra, Line.last = baud or self.speeds[0], 0, bytearray(), self

    def set_baud(self, baud):
        self.host = baud
        while super().waiting:
            super().read()
        self.extra.clear()
        if self.pending == baud and self.kind != "mute":
            self.extra += BANNER

    @property
    def waiting(self):
        return bool(self.extra) or super().waiting

    def read(self):
        came = bytes(self.extra) or super().read()
        self.extra.clear()
        spoilt = Line.adapter != self.host and not self.pending or (Line.spoils and Line.adapter != OWN)
        return came.replace(b"4", b"\xfc").replace(b">", b">" if Line.spoils else b"\x86") if spoilt else came

    def write(self, data):
        if self.pending:
            confirmed = self.host == self.pending and data == b"\r" and self.kind != "mute"
            Line.adapter, self.pending = (self.pending if confirmed else Line.adapter), 0
            Line.spoils = confirmed and self.kind == "noisy"
            if confirmed:
                self.extra += b"OK\r\r>"
                return
        if Line.adapter != self.host:
            data = b"\x7f\x7f\r"
        asked = re.fullmatch(rb"ATBRD([0-9A-F]{2})\r", data)
        if asked and self.kind != "unknown":
            self.pending = {8: 500_000, 17: 230_400, 35: 115_200}[int(asked[1], 16)]
            self.extra += b"OK\r"
            if self.kind == "stays":
                self.pending = 0
            return
        if data == b"ATZ\r":
            Line.adapter, Line.spoils = OWN, False
        super().write(data)


@pytest.fixture
def line(monkeypatch):
    monkeypatch.setattr(Line, "adapter", OWN)
    monkeypatch.setattr(Line, "spoils", False)
    table = {**ports.transports(), "line": Line}
    monkeypatch.setattr(ports, "transports", lambda: table)
    through_tcp = SimulatedAdapter.start_tcp
    monkeypatch.setattr(SimulatedAdapter, "start_tcp", lambda self: through_tcp(self).replace("socket:", "line:"))


@pytest.mark.parametrize(
    ("kind", "speed"),
    [("good", 500_000), ("unknown", None), ("stays", None), ("mute", None), ("noisy", None)],
)
def test_a_speed_is_kept_only_where_it_proves_itself(line, monkeypatch, kind, speed):
    monkeypatch.setattr(Line, "kind", kind)
    with SimulatedAdapter(StandingCar(), PROFILE, timing=TIMING) as adapter:
        link = open_link(adapter.start_tcp())
        assert link.raised == speed and Line.adapter == Line.last.host == (speed or OWN)
        assert all(link.ask(b"010C").messages for _ in range(5))
        link.close()
    assert Line.adapter == OWN  # it is left as it was found


def test_a_speed_that_was_named_is_kept(line):
    with SimulatedAdapter(StandingCar(), PROFILE, timing=TIMING) as adapter:
        link = open_link(adapter.start_tcp(), baud=OWN)
        assert link.raised is None and Line.adapter == OWN
        link.close()


def test_an_adapter_that_somebody_left_at_a_raised_speed_is_found(line, monkeypatch):
    monkeypatch.setattr(Line, "adapter", 500_000)
    with SimulatedAdapter(StandingCar(), PROFILE, timing=TIMING) as adapter:
        link = open_link(adapter.start_tcp())
        assert link.ask(b"010C").messages
        link.close()


def test_at_the_first_doubt_the_line_goes_back_and_the_recording_goes_on(line, tmp_path):
    def doubt(adapter, source):
        assert source.link.raised == 500_000
        Line.spoils = True

    drive = recorded(tmp_path / "line", during=doubt, tcp=True, seconds=2.5)
    drive.check_values()
    assert "back to the adapter's own speed" in " ".join(drive.texts())
    assert drive.source.link.raised is None and Line.adapter == OWN
    assert drive.kinds().count("gap") == drive.kinds().count("reconnect") == 1
