"""Requests and their answers: packed as the standard allows, checked in every way an answer can be wrong.

Sources: SAE J1979 / ISO 15031-5 (from memory) for services, PID echo and scaling; ISO 15765-2 for framing;
python-obd's decoders and the `can-isotp` package as independent readings.
"""

from __future__ import annotations

from dataclasses import replace

import isotp
import obd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from obd.protocols import ISO_9141_2, ISO_15765_4_11bit_500k, ISO_15765_4_29bit_500k

from camlog.capture.lines import LineForm, checksum_holds, is_whole, status_of
from camlog.capture.link import Link, Received, response_id
from camlog.capture.requests import (
    MAX_PIDS,
    Item,
    Request,
    definition_item,
    frames_for,
    misfire_item,
    pack,
    pid_item,
    profile_groups,
    read_answer,
)
from camlog.codes.service06 import encode_monitor_test
from camlog.profile import read_profile
from camlog.signals import BY_PID, SIGNALS
from camlog.simulate.adapter.buses import BUSES, legacy_answer
from camlog.stream import MonitorTest

PROFILE = read_profile("demo")

# SAE J1979 scaling, written out (from memory): value from the data bytes A and B.
FORMULA = {
    0x04: lambda a: a * 100 / 255,
    0x05: lambda a: a - 40,
    0x06: lambda a: a * 100 / 128 - 100,
    0x07: lambda a: a * 100 / 128 - 100,
    0x08: lambda a: a * 100 / 128 - 100,
    0x09: lambda a: a * 100 / 128 - 100,
    0x0B: lambda a: a,
    0x0C: lambda a, b: (256 * a + b) / 4,
    0x0D: lambda a: a,
    0x0E: lambda a: a / 2 - 64,
    0x0F: lambda a: a - 40,
    0x10: lambda a, b: (256 * a + b) / 100,
    0x11: lambda a: a * 100 / 255,
    0x1F: lambda a, b: 256 * a + b,
    0x42: lambda a, b: (256 * a + b) / 1000,
    0x46: lambda a: a - 40,
    0x5C: lambda a: a - 40,
}


# ---------------------------------------------------------------- scaling


def test_every_standard_signal_has_its_formula():
    assert set(FORMULA) == set(BY_PID)


@pytest.mark.parametrize("pid", sorted(FORMULA))
def test_scaling_is_that_of_the_standard(pid):
    """Every byte pattern of a signal (SAE J1979, from memory)."""
    item, count = pid_item(pid), FORMULA[pid].__code__.co_argcount
    assert item.size == count and item.signals == (BY_PID[pid].name,)
    first, second = (FORMULA[pid](*number.to_bytes(count, "big")) for number in (0, 1))
    step = second - first
    patterns = range(256) if count == 1 else range(0, 65536, 13)
    for number in patterns:
        data = number.to_bytes(count, "big")
        # Written with the decimals that the bytes carry, no other count is as near.
        value = item.decode(data)[BY_PID[pid].name]
        assert value == pytest.approx(FORMULA[pid](*data), abs=0.25 * step + 1e-9)
        assert value == round(FORMULA[pid](*data), len(repr(value).partition(".")[2]))


@pytest.mark.parametrize("pid", sorted(FORMULA))
def test_decoding_agrees_with_python_obds_own_reading_of_a_frame(pid):
    data = bytes((0x5A, 0xC3))[: pid_item(pid).size]
    payload = bytes((0x41, pid)) + data
    line = f"7E8{len(payload):02X}{payload.hex().upper():0<14}"
    command = obd.commands[1][pid]
    reading = command(ISO_15765_4_11bit_500k([])([line])).value
    ours = answer(Request(1, (pid_item(pid),)), payload).values[BY_PID[pid].name]
    assert ours == round(float(reading.magnitude), len(repr(ours).partition(".")[2]))


# ---------------------------------------------------------------- packing


def items(*pids):
    return [pid_item(p) for p in pids]


def test_up_to_six_signals_go_into_one_request():
    """SAE J1979: at most six PIDs in a service 01 request on CAN (from memory)."""
    many = items(0x0C, 0x0D, 0x04, 0x05, 0x0B, 0x10, 0x11, 0x0E)
    packed = pack(many, 1, 0x7E0, MAX_PIDS)
    assert [len(r.items) for r in packed] == [6, 2]
    assert packed[0].text == b"010C0D04050B10" and packed[1].text == b"01110E"
    assert all(r.header == 0x7E0 for r in packed)


def test_packing_loses_and_doubles_nothing():
    many = items(*sorted(BY_PID))
    for most in range(1, 7):
        for frames in (None, 1, 2):
            packed = pack(many, 1, None, most, frames)
            assert sorted(i.key for r in packed for i in r.items) == sorted(BY_PID)
            assert all(len(r.items) <= most for r in packed)
            assert frames is None or all(r.answer_frames <= frames for r in packed)


def test_what_lies_in_one_identifier_is_asked_for_once():
    groups = profile_groups(PROFILE)
    assert [d.name for d in groups[0x22, 0x7E0, 0xF0A2]] == ["cam_intake_b1_actual", "cam_intake_b1_commanded"]
    pair = definition_item(0xF0A2, 4, groups[0x22, 0x7E0, 0xF0A2])
    other = definition_item(0xF0A3, 4, groups[0x22, 0x7E0, 0xF0A3])
    request = Request(0x22, (pair, other), 0x7E0)
    assert request.text == b"22F0A2F0A3" and request.answer_bytes == 13
    assert read_answer(request, [message(bytes.fromhex("62F0A3" "1900" "1964" "F0A2" "1B58" "1AF4"))]).values == {
        "cam_exhaust_b1_actual": 0.0, "cam_exhaust_b1_commanded": pytest.approx(-1.0),  # counts up with retard
        "cam_intake_b1_actual": pytest.approx(6.0), "cam_intake_b1_commanded": pytest.approx(5.0),
    }  # fmt: skip


@pytest.mark.parametrize("size", range(1, 200))
def test_frames_of_an_answer_are_those_of_iso_15765_2(size):
    """Against the frames the can-isotp package really sends."""
    sent = []
    layer = isotp.TransportLayerLogic(
        rxfn=lambda timeout=0: flow.pop() if flow else None,
        txfn=sent.append,
        address=isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E8, rxid=0x7E0),
        params={"stmin": 0, "blocksize": 0},
    )
    flow = []
    layer.send(bytes(size))
    for _ in range(3):
        layer.process()
        if len(sent) == 1 and size > 7:
            flow.append(isotp.CanMessage(arbitration_id=0x7E0, data=b"\x30\x00\x00"))
    assert frames_for(size) == len(sent)


# ---------------------------------------------------------------- answers


def framed(payload: bytes, header: str = "7E8") -> list[str]:
    """A payload in CAN frames as printed (ISO 15765-2), padded with zeros."""
    if len(payload) <= 7:
        return [header + (bytes((len(payload),)) + payload).ljust(8, b"\0").hex().upper()]
    lines = [header + (bytes((0x10 | len(payload) >> 8, len(payload) & 0xFF)) + payload[:6]).hex().upper()]
    for number, at in enumerate(range(6, len(payload), 7), start=1):
        lines.append(header + (bytes((0x20 | number & 0xF,)) + payload[at : at + 7]).ljust(8, b"\0").hex().upper())
    return lines


def link_for(number: str = "6") -> Link:
    """A link without a port: only what takes answers apart."""
    parsers = {"6": ISO_15765_4_11bit_500k, "7": ISO_15765_4_29bit_500k, "3": ISO_9141_2}
    link = Link.__new__(Link)
    link.form, link.protocol, link.others = LineForm(number), parsers[number]([]), frozenset()
    return link


def reply(lines, number="6", listen_to="7E8"):
    return link_for(number).parse(Received(lines, 1.0, 1.02, listen_to))


def message(payload: bytes):
    return reply(framed(payload)).messages[0]


def answer(request: Request, payload: bytes):
    return read_answer(request, reply(framed(payload)).messages)


SPEEDS = Request(1, tuple(items(0x0C, 0x0D)), 0x7E0)
LONG = Request(1, tuple(items(0x0C, 0x0D, 0x04, 0x05, 0x10, 0x11)), 0x7E0)
GOOD = bytes.fromhex("410C1AF80D32")
LONG_GOOD = bytes.fromhex("410C1AF80D320455058010012C1180")


def test_a_good_answer():
    assert answer(SPEEDS, GOOD).values == {"engine_speed": 1726.0, "vehicle_speed": 50.0}
    assert answer(SPEEDS, GOOD).problem is None
    assert set(answer(LONG, LONG_GOOD).values) == set(LONG.signals)
    got = reply(framed(GOOD))
    assert got.time_s == pytest.approx(1.01) and got.problem is None and got.in_step


def test_the_order_of_an_answer_is_the_modules_own():
    assert answer(SPEEDS, bytes.fromhex("410D320C1AF8")).values == {"engine_speed": 1726.0, "vehicle_speed": 50.0}


def test_what_a_module_leaves_out_is_missing_and_said():
    got = answer(SPEEDS, bytes.fromhex("410D32"))
    assert got.values == {"vehicle_speed": 50.0} and got.problem == "left_out"


@pytest.mark.parametrize(
    ("payload", "problem"),
    [
        ("420C1AF80D32", "wrong_service"),
        ("620C1AF80D32", "wrong_service"),
        ("7F0112", "negative"),
        ("7F2212", "wrong_service"),
        ("410E1AF80D32", "wrong_echo"),
        ("410C1AF80E32", "wrong_echo"),
        ("410C1AF80C1AF8", "wrong_echo"),  # twice the same
        ("410C1AF80D", "wrong_length"),
        ("410C1A", "wrong_length"),
        ("410C1AF80D3200", "wrong_echo"),
        ("410C", "wrong_length"),
    ],
)
def test_an_answer_that_fails_a_check_gives_no_number(payload, problem):
    got = answer(SPEEDS, bytes.fromhex(payload))
    assert got.values == {} and got.problem == problem


def test_no_answer_at_all():
    assert read_answer(SPEEDS, []).problem == "no_data"


@pytest.mark.parametrize(("pid", "data", "why"), [(0x0C, "FFFF", "16383 rpm"), (0x0C, "BBA0", "12008 rpm")])
def test_a_value_no_sensor_can_report_is_missing(pid, data, why):
    got = answer(Request(1, tuple(items(pid, 0x0D))), bytes.fromhex(f"41{pid:02X}{data}0D32"))
    assert got.values == {"vehicle_speed": 50.0} and got.problem == "out_of_range"
    assert SIGNALS["engine_speed"].high == 12000.0


def test_a_cam_angle_beyond_any_phaser_is_missing():
    pair = definition_item(0xF0A2, 4, profile_groups(PROFILE)[0x22, 0x7E0, 0xF0A2])
    got = answer(Request(0x22, (pair,)), bytes.fromhex("62F0A2FFFF1900"))
    assert got.values == {"cam_intake_b1_commanded": 0.0} and got.problem == "out_of_range"


def test_misfires_of_this_driving_cycle():
    """Service 06, MID A2 is cylinder 1, TID 0C this driving cycle, 0B the average of ten (SAE J1979, from memory)."""
    request = Request(6, (misfire_item(3),))
    assert request.text == b"06A4" and request.answer_bytes == 0
    sets = [MonitorTest("A4", tid, value, 0.0, 65535.0, "count") for tid, value in (("0B", 7.0), ("0C", 41.0))]
    payload = b"\x46" + b"".join(map(encode_monitor_test, sets))
    assert answer(request, payload).values == {"misfire_cyl3": 41.0}
    assert answer(request, b"\x46" + encode_monitor_test(sets[0])) == read_answer(request, [message(payload[:10])])
    assert answer(request, b"\x46" + encode_monitor_test(sets[0])).values == {}
    assert answer(request, payload[:-1]).problem == "wrong_length"
    other = MonitorTest("A3", "0C", 9.0, 0.0, 65535.0, "count")
    assert answer(request, b"\x46" + encode_monitor_test(other)).problem == "wrong_echo"


# ---------------------------------------------------------------- frames


@given(data=st.data())
@settings(max_examples=300, deadline=None)
def test_no_damage_to_a_long_answers_lines_gives_a_number(data):
    """A line cut short, lost, doubled, merged with the next or out of place: all values, or none."""
    lines = framed(LONG_GOOD)
    at = data.draw(st.integers(0, len(lines) - 1))
    kind = data.draw(st.sampled_from(["cut", "lost", "doubled", "merged", "moved", "garbled"]))
    if kind == "cut":
        needed = len(lines[at].rstrip("0"))
        lines[at] = lines[at][: data.draw(st.integers(1, needed - 1))]
    elif kind == "lost":
        del lines[at]
    elif kind == "doubled":
        lines.insert(at, lines[at])
    elif kind == "merged" and at:
        lines[at - 1 : at + 1] = [lines[at - 1] + lines[at]]
    elif kind == "moved":
        lines.append(lines.pop(at))
    elif kind == "garbled":
        place = data.draw(st.integers(0, len(lines[at]) - 1))
        stray = data.draw(st.sampled_from("GZ#~?\ufffd>."))
        lines[at] = lines[at][:place] + stray + lines[at][place + 1 :]
    got = read_answer(LONG, reply(lines).messages)
    whole = answer(LONG, LONG_GOOD).values
    assert got.values in ({}, whole)
    if kind in ("cut", "lost", "garbled"):
        assert got.values == {}


@given(cut=st.lists(st.integers(3, 19), min_size=5, max_size=5))
@settings(max_examples=200, deadline=None)
def test_frames_cut_short_never_move_what_follows(cut):
    """python-obd joins what there is: a frame short in the middle and padding at the end make a whole of wrong parts."""
    block = Item(0xF0A2, 27, ("block",), lambda data: {"block": float(int.from_bytes(data[-2:], "big"))})
    request = Request(0x22, (block,))
    payload = bytes.fromhex("62F0A2") + bytes(range(1, 28))
    lines = [line[:length] for line, length in zip(framed(payload), cut, strict=True)]
    got = read_answer(request, reply(lines).messages)
    assert got.values in ({}, {"block": float(0x1A1B)})


@pytest.mark.parametrize("number", ["1", "2", "3", "4", "5"])
def test_a_damaged_line_of_an_older_bus_fails_its_checksum(number):
    """SAE J1850 CRC, and the sum of ISO 9141-2 and ISO 14230-4 (from memory)."""
    line = legacy_answer(BUSES[number], 0, bytes.fromhex("410C1AF8"), False)
    form = LineForm(number)
    assert form.is_frame(line.hex().upper()) and form.module(line.hex().upper()) == "10"
    for place in range(len(line)):
        for bit in range(8):
            wrong = bytearray(line)
            wrong[place] ^= 1 << bit
            assert not form.is_frame(wrong.hex().upper())
    assert not form.is_frame(line[:-1].hex().upper())


def test_the_crc_of_sae_j1850():
    """A published worked example of the CRC-8 with polynomial 1D: CRC-8/SAE-J1850 of "123456789" is 4B."""
    assert checksum_holds("1", b"123456789\x4b") and not checksum_holds("1", b"123456789\x4c")


@pytest.mark.parametrize(
    ("number", "line", "good"),
    [
        ("6", "7E804410C1AF8000000", True),
        ("6", "7E804410C1AF800000", False),  # half a byte
        ("6", "410C1AF8", False),  # headers off: the adapter lost its settings
        ("6", "7E804410C1AF800000000", False),  # nine data bytes
        ("6", "7E8", False),
        ("6", "6", False),
        ("7", "18DAF11004410C1AF8000000", True),
        ("7", "7E804410C1AF8000000", False),
        ("7", "18DA10F102010C0000000000", False),  # a request, not an answer
        ("3", "486B10410C1AF81E", False),
    ],
)
def test_only_a_frame_in_its_buss_own_form_counts(number, line, good):
    assert LineForm(number).is_frame(line) is good


def test_echo_and_missing_headers_give_no_number():
    """After a reset the adapter echoes and shows no headers; nothing of that may be read."""
    for lines in (["010C0D1", "41 0C 1A F8 0D 32"], ["41 0C 1A F8 0D 32"], ["00A", "0: 41 0C 1A F8 0D", "1: 32"]):
        got = reply(lines)
        assert got.messages == () and not got.in_step


# ---------------------------------------------------------------- modules


def test_another_modules_answer_is_never_the_engines():
    other = framed(bytes.fromhex("410C20000D10"), "7E9")
    got = reply(framed(GOOD) + other)
    assert len(got.messages) == 1 and got.problem == "other_module"
    assert read_answer(SPEEDS, got.messages).values == {"engine_speed": 1726.0, "vehicle_speed": 50.0}
    alone = reply(other)
    assert alone.messages == () and alone.problem == "other_module"


def test_a_module_known_to_be_there_is_no_event():
    link = link_for()
    link.others = frozenset({"7E9"})
    lines = framed(GOOD) + framed(bytes.fromhex("410D10"), "7E9")
    got = link.parse(Received(lines, 0.0, 0.0, "7E8"))
    assert got.problem is None and len(got.messages) == 1


@pytest.mark.parametrize(
    ("header", "is_29bit", "expected"),
    [(0x7E0, False, "7E8"), (0x7E1, False, "7E9"), (0x18DA10F1, True, "18DAF110"), (None, False, None)],
)
def test_response_addresses(header, is_29bit, expected):
    """ISO 15765-4 (from memory): 11-bit answers lie eight above the request; 29-bit ones swap the addresses."""
    assert response_id(header, is_29bit) == expected


# ---------------------------------------------------------------- what an adapter says


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("NO DATA", "no_data"),
        ("CAN ERROR", "can_error"),
        ("BUS ERROR", "bus_error"),
        ("BUS BUSY", "bus_error"),
        ("FB ERROR", "bus_error"),
        ("BUS INIT: ...ERROR", "bus_init_error"),
        ("<DATA ERROR", "data_error"),
        ("7E8 04 41 0C 1A <RX ERROR", "data_error"),
        ("BUFFER FULL", "buffer_full"),
        ("STOPPED", "stopped"),
        ("UNABLE TO CONNECT", "unable_to_connect"),
        ("ERR94", "adapter_reset"),
        ("LV RESET", "low_voltage"),
        ("ABC12 v3.4", "adapter_reset"),  # the shape of a version line, invented
        ("CAMSIM 2.0", "adapter_reset"),
        ("?", "not_understood"),
        ("7E8#&", None),
        ("41 0C 1A F8", None),
    ],
)
def test_status_words(line, kind):
    assert status_of(line) == kind


@pytest.mark.parametrize(
    ("lines", "in_step"),
    [
        (framed(GOOD), True),
        (["NO DATA"], True),
        (["SEARCHING...", *framed(GOOD)], True),
        (["STOPPED"], False),
        (["7E8#44"], False),
        ([*framed(GOOD), "<", "CAMSIM 2.0"], False),
        (["CAMSIM 2.0"], False),
        ([], False),
        (["?"], False),
    ],
)
def test_after_anything_unusual_nothing_is_sent_before_it_is_quiet(lines, in_step):
    assert reply(lines).in_step is in_step


def test_opening_an_older_bus_is_no_trouble():
    lines = ["BUS INIT: ...OK", legacy_answer(BUSES["3"], 0, bytes.fromhex("410C1AF8"), False).hex(" ").upper()]
    got = reply(lines, "3", "10")
    assert got.problem is None and got.in_step and bytes(got.messages[0].data) == bytes.fromhex("410C1AF8")


def test_response_pending_before_the_answer_and_instead_of_it():
    """ISO 14229-1: negative response 78, the answer is still to come (from memory)."""
    pending = framed(bytes.fromhex("7F0178"))
    got = reply(pending + framed(GOOD))
    assert got.pending and got.problem is None and len(got.messages) == 1
    got = reply(pending)
    assert got.pending and got.problem == "pending" and got.messages == ()
    older = legacy_answer(BUSES["3"], 0, bytes.fromhex("7F0178"), False).hex().upper()
    assert reply([older], "3", "10").pending
    assert not reply(framed(bytes.fromhex("7F0112"))).pending


def test_a_restart_explains_everything_else_in_a_reply():
    assert reply(["7E8#", "CAMSIM 2.0"]).problem == "adapter_reset"
    assert reply(["STOPPED", "LV RESET"]).problem == "low_voltage"


def test_a_whole_message_and_parts_of_one():
    assert is_whole(message(LONG_GOOD)) and is_whole(message(GOOD))
    short = framed(LONG_GOOD)
    short[-1] = short[-1][:7]
    assert not any(is_whole(m) for m in reply(short).messages)


# ---------------------------------------------------------------- the digits an encoding carries


@pytest.mark.parametrize("pid", sorted(BY_PID))
def test_of_every_value_written_the_raw_count_can_be_told(pid):
    """SAE J1979 scales each PID linearly: count = (value - first) / step, exact in the value as written."""
    item = pid_item(pid)
    low, high = 0, 256**item.size - 1
    counts = sorted({*range(low, min(high, 600) + 1), *range(low, high + 1, 257), high})
    raw = {n: item.decode(n.to_bytes(item.size, "big")).get(item.signals[0]) for n in counts}
    assert None not in raw.values()
    step = (raw[high] - raw[0]) / high
    assert [round((value - raw[0]) / step) for value in raw.values()] == counts
    # And no longer than the encoding makes it.
    assert max(len(repr(value)) for value in raw.values()) <= 8


@settings(max_examples=150, deadline=None)
@given(
    factor=st.floats(1e-4, 500.0), offset=st.floats(-1000.0, 1000.0), rest=st.floats(-90.0, 90.0),
    bits=st.sampled_from([8, 12, 16]), signed=st.booleans(), data=st.data(),
)  # fmt: skip
def test_of_every_identifiers_value_the_raw_count_can_be_told(factor, offset, rest, bits, signed, data):
    definition = replace(
        PROFILE.definition("cam_intake_b1_actual"), factor=factor, offset=offset, rest_deg=rest, start_byte=0, start_bit=7,
        length_bits=bits, signed=signed,
    )  # fmt: skip
    count = data.draw(st.integers(*definition.raw_range))
    sent = bytearray(definition.end_byte)
    definition.pack(count, sent)
    item = definition_item(0xF0A2, len(sent), [definition])
    assert definition.encode(item.decode(bytes(sent))[definition.name]) == count


def test_engine_load_is_written_as_its_byte_carries_it():
    assert pid_item(0x04).decode(b"\x2b") == {"engine_load": 16.9}
    assert pid_item(0x0C).decode(b"\x0c\xb1") == {"engine_speed": 812.25}
