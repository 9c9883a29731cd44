"""Faults on the link, one by one: what a client sees, that it is logged, that nothing wrong looks right.

What an adapter prints and does in each fault: de facto behaviour of such adapters, from memory.
"""

from __future__ import annotations

import random
import time

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog.errors import InputError
from camlog.profile import read_profile
from camlog.simulate.adapter import (
    FAULT_KINDS,
    PRESETS,
    AdapterTraits,
    Fault,
    SimulatedAdapter,
    TimingModel,
    parse_fault,
)
from camlog.simulate.adapter.buses import BUSES, frames_of
from camlog.simulate.adapter.faults import LINES, MESSAGES, Line, wrong_echo
from tests.adapter_car import INSTANT, Client, FrameReader, StandingCar
from tests.adapter_model import random_faults

DEMO = read_profile("demo")
QUICK = INSTANT
LONG_S = 1000.0
GOOD = ["7E8 04 41 0C 0C B2 00 00 00"]


class HandClock:
    """Time that passes only when a test says so: what happens does not depend on how busy the computer is."""

    def __init__(self):
        self.s = 0.0

    def __call__(self):
        return self.s


def start(*faults, traits=AdapterTraits(), timing=QUICK, clock=time.monotonic):
    return SimulatedAdapter(StandingCar(), DEMO, traits=traits, timing=timing, faults=faults, seed=3, clock=clock)


def terminal(address, *lines):
    return Client(address).setup("ATH1", *lines)


def until(condition, limit_s=3.0):
    begun = time.monotonic()
    while not condition():
        assert time.monotonic() - begun < limit_s, "did not happen"
        time.sleep(0.005)


@pytest.mark.parametrize("kind", sorted(MESSAGES))
def test_a_message_in_place_of_an_answer(kind):
    with start(Fault(kind, 0.0, LONG_S)) as adapter, terminal(adapter.start_pty(), "ATSP6") as client:
        assert client.ask("010C") == [MESSAGES[kind]]
        assert client.ask("ATI") == ["CAMSIM 2.0"]
        assert [(m.kind, m.detail) for m in adapter.fault_log] == [(kind, "010C")]


def test_unable_to_connect_after_a_search_and_the_search_begins_again():
    clock = HandClock()
    fault = Fault("unable_to_connect", 0.3, 0.2)
    with start(fault, clock=clock) as adapter, terminal(adapter.start_pty(), "ATSP0") as client:
        assert client.ask("010C") == ["SEARCHING...", *GOOD]
        clock.s = 0.3
        assert client.ask("010C") == ["SEARCHING...", "UNABLE TO CONNECT"]
        clock.s = 0.5
        assert client.ask("010C") == ["SEARCHING...", *GOOD]


def test_buffer_full_after_part_of_a_long_answer():
    clock = HandClock()
    with (
        start(Fault("buffer_full", 0.2, LONG_S), clock=clock) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        client.ask("0902")
        clock.s = 0.2
        lines = client.ask("0902")
        assert [line[:6] for line in lines[:-1]] == ["7E8 10", "7E8 21"] and lines[-1] == "BUFFER FULL"


@pytest.mark.parametrize("request_text", ["010C", "010C0D05", "0902", "22F0A2F0A3"])
@pytest.mark.parametrize("kind", sorted(LINES))
def test_no_damaged_answer_passes_for_a_good_one(kind, request_text):
    clock = HandClock()
    with (
        start(Fault(kind, 0.3, LONG_S), clock=clock) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        good = whole_messages(client.ask(request_text))
        assert len(good) == 1
        clock.s = 0.3
        for _ in range(25):
            assert whole_messages(client.ask(request_text)) == []
        assert len(adapter.fault_log) == 25 and {m.kind for m in adapter.fault_log} == {kind}


def whole_messages(lines: list[str]) -> list[bytes]:
    """What a careful reader makes of lines with headers on: only whole frames and whole messages."""
    reader, found = FrameReader(), []
    for line in lines:
        squeezed = line.replace(" ", "")
        try:
            frame = bytes.fromhex(squeezed[3:])
        except ValueError:
            continue
        if squeezed[:3] != "7E8" or not 1 < len(frame) <= 8:
            continue
        message = reader.feed(frame)
        found += [message] if message else []
    return found


@settings(max_examples=300, deadline=None)
@given(
    payload=st.binary(min_size=2, max_size=60),
    kind=st.sampled_from(sorted(LINES)),
    seed=st.integers(0, 10_000),
    padding=st.sampled_from([None, 0x00, 0x55]),
)
def test_damage_of_any_message_can_be_told(payload, kind, seed, padding):
    lines = [
        Line(f"7E8 {frame.hex(' ').upper()} ", 4 + 3 * ends - 1)
        for frame, _, ends in frames_of(BUSES["6"], 0, payload, False, padding)
    ]
    damaged = LINES[kind](lines, lines[-1].text, random.Random(seed))
    assert payload not in whole_messages([line.text for line in damaged])
    assert whole_messages([line.text for line in damaged]) == []


def test_garbage_never_leaves_a_hexadecimal_line_even_with_odd_bytes_dropped():
    # python-obd drops bytes that are not UTF-8 and then looks whether the line is hexadecimal
    draw = random.Random(1)
    for _ in range(500):
        (line,) = LINES["garbage"]([Line("7E8 04 41 0C 0C B2 00 00 00 ", 20)], "", draw)
        dropped = line.text.encode("latin-1").decode("utf-8", "ignore").replace(" ", "")
        assert not all(c in "0123456789ABCDEF" for c in dropped)


def test_another_pid_than_asked_for():
    with start(Fault("wrong_echo", 0.0, LONG_S)) as adapter, terminal(adapter.start_pty(), "ATSP6") as client:
        for text, echo in (("010C", 2), ("010C0D", 2), ("22F0A2", 3), ("06A2", 2), ("0902", 2)):
            (answer,) = whole_messages(client.ask(text))
            assert answer[0] == int(text[:2], 16) + 0x40
            assert f"{answer[echo - 1]:02X}" not in [text[i : i + 2] for i in range(2, len(text), 2)]
        assert len(adapter.fault_log) == 5
    assert wrong_echo(b"\x43\x01\x00\x11", b"\x03") is None


def test_a_refusal_and_a_pending_answer():
    with (
        start(Fault("negative_response", 0.0, LONG_S)) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        assert client.ask("010C1") == ["7E8 03 7F 01 22 00 00 00 00"]
        assert client.ask("22F0A2") == ["7E8 03 7F 22 22 00 00 00 00"]
    with (
        start(Fault("response_pending", 0.0, LONG_S)) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        pending = "7E8 03 7F 01 78 00 00 00 00"
        assert client.ask("010C") == [pending, *GOOD]
        assert client.ask("010C1") == [pending, *GOOD]
        assert client.seconds > 0.025
    fault, slow = (
        Fault("response_pending", 0.0, LONG_S),
        TimingModel(baud=None, ecu_latency_s=0.0, wait_s=0.01),
    )
    with (
        start(fault, traits=PRESETS["clone"], timing=slow) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        assert client.ask("010C") == [pending]  # the clone did not wait for the answer


def test_another_module_answers_too():
    with (
        start(Fault("second_module", 0.0, LONG_S)) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        assert [t[:3] for t in client.ask("010D")] == ["7E8", "7E9"]
        assert client.ask("010C") == GOOD  # that PID the other one does not have
        assert [m.detail for m in adapter.fault_log] == ["010D"]


def back(address) -> Client:
    """A client as soon as the port is there again."""
    begun = time.monotonic()
    while True:
        try:
            return Client(address)
        except (serial.SerialException, OSError):
            assert time.monotonic() - begun < 5.0
            time.sleep(0.01)


@pytest.mark.parametrize("tcp", [False, True])
def test_unplugged_and_back_under_the_same_name(tcp, tmp_path):
    clock = HandClock()
    with start(Fault("unplugged", 0.3, 0.4), clock=clock) as adapter:
        address = adapter.start_tcp() if tcp else adapter.start_pty(tmp_path / "adapter")
        client = terminal(address, "ATSP6")
        assert client.ask("010C") == GOOD
        clock.s = 0.4
        with pytest.raises((serial.SerialException, OSError)):
            while True:
                client.ask("010C")
        client.close()
        with pytest.raises((serial.SerialException, OSError)):
            serial.serial_for_url(address, timeout=0.1)
        clock.s = 0.75
        with back(address) as again:
            assert again.ask("ATI") == ["ATI", "CAMSIM 2.0"]  # settings are lost: it echoes
            again.setup("ATH1", "ATSP6")
            assert again.ask("010C") == GOOD
        assert [m.kind for m in adapter.fault_log] == ["unplugged"]


def test_an_adapter_that_restarts_loses_its_settings():
    clock = HandClock()
    with (
        start(Fault("reset", 0.3, 0.1), clock=clock) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        assert client.ask("010C") == GOOD
        clock.s = 0.3
        assert client.port.read_until(b">") == b"\r\rCAMSIM 2.0\r\r>"
        assert client.ask("010C") == ["010C", "41 0C 0C B2"]
        assert [m.kind for m in adapter.fault_log] == ["reset"]


def test_cranking():
    clock = HandClock()
    with (
        start(Fault("low_voltage", 0.3, 0.4), clock=clock) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        assert client.ask("010C") == GOOD
        clock.s = 0.3
        assert client.port.read_until(b">").endswith(b"LV RESET\r\r>")
        client.setup("ATH1", "ATSP6")
        assert client.ask("ATRV") == ["5.4V"]
        assert client.ask("010C") == ["CAN ERROR"]
        clock.s = 0.75
        assert client.ask("010C") == GOOD and client.ask("ATRV") == ["14.1V"]
        assert adapter.fault_log[0].kind == "low_voltage"


def test_a_port_that_takes_everything_and_says_nothing():
    clock = HandClock()
    with (
        start(Fault("hung", 0.2, 0.4), clock=clock) as adapter,
        terminal(adapter.start_pty(), "ATSP6") as client,
    ):
        assert client.ask("010C") == GOOD
        clock.s = 0.2
        client.port.timeout = 0.1
        assert client.raw("010C") == "" and client.raw("ATI") == ""
        clock.s = 0.75
        client.port.timeout = 3.0
        assert client.ask("010C") == GOOD  # what was sent meanwhile is gone
        assert [m.kind for m in adapter.fault_log] == ["hung"]


def test_a_fault_in_the_middle_of_an_answer_cuts_it():
    slow = TimingModel(baud=1200, wait_s=0.0)  # the answer takes about 0.7 s to print
    with start(Fault("reset", 1.2, 0.1), timing=slow) as adapter, Client(adapter.start_pty()) as client:
        client.setup("ATSP6", "ATH1")
        until(lambda: adapter.elapsed_s > 0.9)
        assert client.raw("0902").endswith("CAMSIM 2.0\r\r>")


def test_every_fault_in_random_order_is_met_and_a_client_survives():
    faults = random_faults(11, 4.5, first_s=0.2)
    assert {f.kind for f in faults} == set(FAULT_KINDS) and len(faults) == len(FAULT_KINDS)
    ends = max(f.end_s for f in faults)
    good = strange = 0
    met = set()
    for _ in range(4):  # a busy computer asks nothing while a short one lasts: then all of it again
        with start(*faults) as adapter:
            address, client = adapter.start_pty(), None
            while adapter.elapsed_s < ends:
                try:
                    client = client or terminal(address, "ATSP6", "ATS1")
                    client.port.timeout = 0.1
                    for text in ("010C", "010D", "22F0A2"):
                        lines = client.ask(text)
                        good += lines == GOOD
                        strange += lines != GOOD
                except (serial.SerialException, OSError, AssertionError, IndexError):
                    if client:
                        client.close()
                    client = None
                    time.sleep(0.01)
            time.sleep(0.1)
            with Client(address) as last:
                last.port.reset_input_buffer()  # what an earlier client did not wait for
                last.ask("ATE0")
                assert terminal_works(last)
            met |= {m.kind for m in adapter.fault_log}
        if met == set(FAULT_KINDS):
            break
    assert good > 20 and strange > 20 and met == set(FAULT_KINDS)


def terminal_works(client: Client) -> bool:
    client.setup("ATH1", "ATSP6")
    return client.ask("010C") == GOOD


def test_faults_are_written_as_kind_start_and_duration():
    assert parse_fault("unplugged@10+2.5") == Fault("unplugged", 10.0, 2.5)
    assert parse_fault("no-data@0+1").kind == "no_data"
    for wrong in ("unplugged", "unplugged@1", "flood@1+1", "hung@1+0", "hung@-1+1", "hung@1+x", ""):
        with pytest.raises(InputError):
            parse_fault(wrong)
