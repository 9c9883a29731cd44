"""The simulated adapter takes the time its timing model says: no more, no less. How long real adapters take: common practice, no source.

Times are compared with what a client really waits. On a busy computer a reply may come late by as long as the
computer was busy elsewhere, so each time is the least of as many as it takes; none may ever come early.
"""

from __future__ import annotations

import time

import pytest

from camlog.profile import read_profile
from camlog.simulate.adapter import AdapterTraits, SimulatedAdapter, TimingModel
from camlog.simulate.adapter.buses import BUSES
from tests.adapter_car import Client, StandingCar
from tests.adapter_model import request_time_s

DEMO = read_profile("demo")
EARLY_S = 0.0004  # the serial line and the clock of the two ends
LATE_S = 0.004
PATIENCE_S = 30.0
LINE = "7E8 04 41 0C 0C B2 00 00 00 "


def takes(client: Client, text: str, wanted_s: float, times: int = 6) -> bool:
    """Whether no try takes less than wanted, and the quickest no longer; the first is left out."""
    client.ask(text)
    found, end_s = [], time.monotonic() + PATIENCE_S
    while len(found) < times or (min(found) > wanted_s + LATE_S and time.monotonic() < end_s):
        client.ask(text)
        found.append(client.seconds)
    return wanted_s - EARLY_S <= min(found) <= wanted_s + LATE_S


def serving(timing=TimingModel(), **traits):
    return SimulatedAdapter(StandingCar(), DEMO, traits=AdapterTraits(**traits), timing=timing)


@pytest.mark.parametrize("tcp", [False, True])
@pytest.mark.parametrize(
    ("text", "counted"),
    [
        ("010C1", True), ("010C", False), ("010C0D05", False), ("010C0D05115C2", True), ("09023", True),
        ("22F0A2F0A32", True),
    ],
)  # fmt: skip
def test_a_request_takes_what_the_model_says(text, counted, tcp):
    with serving() as adapter, Client(adapter.start_tcp() if tcp else adapter.start_pty()) as client:
        client.setup("ATH1", "ATSP6")
        lines = [line + " " for line in client.ask(text)]
        wanted = request_time_s(f"{text}\r".encode(), lines, counted=counted)
        assert takes(client, text, wanted)


def test_the_model_adds_up_by_hand():
    # 115200 baud: 11 520 characters a second; 122 bits a CAN frame at 500 kbit/s
    frame, character = 122 / 500_000, 1 / 11_520
    one = request_time_s(b"010C1\r", [LINE])
    assert one == pytest.approx((6 + 29 + 2) * character + 2 * frame + 0.008)
    assert request_time_s(b"010C\r", [LINE]) == pytest.approx(one - character)
    waiting = request_time_s(b"010C\r", [LINE], counted=False)
    # while it waits for more, the line is printed
    assert waiting == pytest.approx((5 + 2) * character + 2 * frame + 0.008 + 0.040)
    three = request_time_s(b"09023\r", ["7E8 10 14 49 02 01 39 43 4C "] * 3)
    # flow control, then frames faster than the serial line prints them
    assert three == pytest.approx((6 + 3 * 29 + 2) * character + 2 * frame + 0.008)


def test_the_wait_is_what_the_client_sets():
    adaptive_s = request_time_s(b"010C\r", [LINE], counted=False)
    with serving() as adapter, Client(adapter.start_pty()) as client:
        client.setup("ATH1", "ATSP6")
        assert takes(client, "010C", adaptive_s)
        client.setup("ATAT2")
        assert takes(client, "010C", adaptive_s - 0.020)
        client.setup("ATST05", "ATAT1")
        assert takes(client, "010C", adaptive_s - 0.040 + 5 * 0.004096)
        client.setup("ATAT0", "ATST32")
        assert takes(client, "010C", adaptive_s - 0.040 + 50 * 0.004096, 2)
        assert takes(client, "012F", 0.206, 2) and client.ask("012F") == ["NO DATA"]
        client.setup("ATST01")
        assert client.ask("010C") == ["NO DATA"]  # the module needs 8 ms, the adapter listened for 4


def test_a_slower_serial_line_and_a_slower_module():
    for timing in (TimingModel(baud=9600), TimingModel(ecu_latency_s=0.03)):
        with serving(timing) as adapter, Client(adapter.start_pty()) as client:
            client.setup("ATH1", "ATSP6")
            wanted = request_time_s(b"010C1\r", [LINE], timing=timing)
            assert takes(client, "010C1", wanted, 3)


@pytest.mark.parametrize("number", ["2", "5"])
def test_an_older_bus_has_its_own_pace(number):
    # ISO 9141-2 and ISO 14230-2: at least 55 ms from an answer to the next request, P4 of 5 ms (from memory)
    bus = BUSES[number]
    with serving(protocol=number) as adapter, Client(adapter.start_pty()) as client:
        client.port.timeout = 6.0
        client.setup("ATH1", f"ATSP{number}")
        line = client.ask("010D")[-1] + " "
        wanted = request_time_s(b"010D1\r", [line], bus=bus)
        # The pause due after an answer also runs while the client thinks, so whole rounds are timed; before the
        # first of them it may have run already.
        rounds, end_s = [], time.monotonic() + PATIENCE_S
        while len(rounds) < 15 or (min(rounds) > wanted + LATE_S and time.monotonic() < end_s):
            begun = time.perf_counter()
            client.ask("010D1")
            rounds.append(time.perf_counter() - begun)
        assert sum(rounds) >= len(rounds) * wanted - bus.idle_s - EARLY_S and min(rounds) <= wanted + LATE_S
        assert not bus.needs_init or 1 / wanted < 10


def test_the_vehicle_is_asked_when_the_request_reaches_it():
    car = StandingCar(moving={"run_time": lambda t: t * 1000.0})
    with SimulatedAdapter(car, DEMO) as adapter, Client(adapter.start_pty()) as client:
        client.setup("ATSP6")
        client.ask("011F1")
        for _ in range(5):
            begun = adapter.elapsed_s
            lines = client.ask("011F1")
            ended = adapter.elapsed_s
            sampled = int("".join(lines[0].split()[2:]), 16) / 1000.0
            assert begun < sampled % 65.536 < ended
