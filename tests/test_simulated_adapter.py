"""The simulated adapter: what a client meets, from command set to control module, judged by python-obd.

What an adapter prints (status words, echo, prompt, bus initialisation, search): de facto behaviour of such adapters,
from memory.
"""

from __future__ import annotations

import time

import obd
import pytest
from obd.protocols.protocol import Message

from camlog.profile import read_profile
from camlog.signals import BY_PID, SIGNALS
from camlog.simulate.adapter import PRESETS, AdapterTraits, SimulatedAdapter, TimingModel
from camlog.simulate.adapter.buses import BUSES, checksum
from camlog.simulate.adapter.modules import modules_for
from camlog.simulate.adapter.values import PIDS
from camlog.stream import CodeSnapshot, TroubleCode
from tests.adapter_car import INSTANT, SNAPSHOT, VALUES, VIN, Client, StandingCar, hurry

DEMO = read_profile("demo")
QUICK = INSTANT


def engine(car=None, profile=DEMO):
    return modules_for(car or StandingCar(), profile)[0]


def ask(text: str, car=None, *, to_all=True, is_can=True) -> list[str]:
    """The engine module's answer messages to a request in hexadecimal."""
    answers = engine(car).answer(bytes.fromhex(text), to_all=to_all, is_can=is_can)
    return [a.hex(" ").upper() for a in answers]


def decoded(command, answer: bytes):
    """What python-obd reads out of an answer message."""
    message = Message([])
    message.data = bytearray(answer)
    return command.decode([message])


@pytest.fixture
def adapter():
    made = []

    def start(car=None, profile=DEMO, timing=QUICK, **rest):
        made.append(SimulatedAdapter(car or StandingCar(), profile, timing=timing, **rest))
        return made[-1]

    yield start
    for one in made:
        one.stop()


@pytest.fixture
def client(adapter):
    opened = []

    def connect(*args, tcp=False, **rest):
        one = adapter(*args, **rest)
        opened.append(Client(one.start_tcp() if tcp else one.start_pty()))
        return opened[-1]

    yield connect
    for one in opened:
        one.close()


# ---------------------------------------------------------------- the control module


@pytest.mark.parametrize("pid", sorted(PIDS))
def test_every_standard_signal_reads_back_in_python_obd(pid):
    # python-obd's decoders as an independent reading; SAE J1979 / ISO 15031-5 (from memory)
    signal, (name, scaling) = BY_PID[pid], PIDS[pid]
    assert signal.name == name
    command = obd.commands[1][pid]
    ends = scaling.count_range
    span = [scaling.offset + scaling.step * count for count in ends]
    for value in (
        span[0],
        span[1],
        *(span[0] + (span[1] - span[0]) * share for share in (0.1, 0.37, 0.5, 0.83)),
    ):
        answer = bytes((0x41, pid)) + scaling.encode(value)
        assert len(answer) == command.bytes
        assert decoded(command, answer).magnitude == pytest.approx(value, abs=0.5001 * scaling.step)
    # whatever a working sensor reports can be sent
    assert span[0] - scaling.step < signal.low and signal.high < span[1] + scaling.step


def test_all_signals_with_a_pid_can_be_sent():
    assert {s.pid for s in SIGNALS.values() if s.pid is not None} == set(PIDS)


def test_six_pids_in_one_request_come_back_in_one_answer():
    # SAE J1979 / ISO 15031-5 (from memory): up to six PIDs in one service 01 request on CAN
    assert ask("01 0C 0D 05 5C 0B 11") == ["41 0C 0C B2 0D 39 05 80 5C 85 0B 24 11 2D"]
    assert ask("01 0C 0D 05 5C 0B 11 04") == []
    assert ask("01 0C 0D", is_can=False) == []


def test_an_unsupported_pid_is_left_out_and_alone_it_gets_silence_or_a_refusal():
    assert ask("01 0C 0A") == ["41 0C 0C B2"]
    assert ask("01 0A") == []
    assert ask("01 0A", to_all=False) == ["7F 01 12"]
    assert ask("05 01 02", to_all=False) == ["7F 05 11"]


def test_a_value_the_car_cannot_give_is_left_out_never_zero():
    car = StandingCar({**VALUES, "oil_temp": None, "engine_speed": float("nan")})
    assert ask("01 0C 0D 5C", car) == ["41 0D 39"]
    assert ask("01 0C", car) == []


def test_supported_pids_are_those_of_the_car():
    # python-obd's decoders as an independent reading
    found = set()
    for base in (0x00, 0x20, 0x40):
        answer = engine().answer(bytes((0x01, base)), to_all=True)[0]
        found |= {base + n + 1 for n, bit in enumerate(decoded(obd.commands[1][base], answer)) if bit}
    expected = {SIGNALS[n].pid for n in VALUES if SIGNALS[n].pid is not None}
    assert found == expected | {0x01, 0x02, 0x1C, 0x20, 0x21, 0x30, 0x31, 0x40, 0x4D, 0x4E}
    assert ask("01 60") == []


def test_lamp_number_of_codes_and_readiness():
    # python-obd's decoders as an independent reading
    status = decoded(obd.commands.STATUS, engine().answer(b"\x01\x01", to_all=True)[0])
    assert status.MIL is True and status.DTC_count == 2 and status.ignition_type == "spark"
    assert status.MISFIRE_MONITORING.available and status.MISFIRE_MONITORING.complete
    assert status.CATALYST_MONITORING.available and not status.CATALYST_MONITORING.complete
    assert status.EGR_VVT_SYSTEM_MONITORING.available and status.EGR_VVT_SYSTEM_MONITORING.complete
    assert not status.HEATED_CATALYST_MONITORING.available


def test_a_module_that_does_not_know_its_codes_keeps_silent():
    car = StandingCar(snapshot=CodeSnapshot(0.0))
    for request in ("01 01", "03", "07", "0A"):
        assert ask(request, car) == []


@pytest.mark.parametrize(("pid", "value"), [(0x21, 21), (0x30, 12), (0x31, 340), (0x4D, 35), (0x4E, 600)])
def test_counters_since_the_codes_were_cleared(pid, value):
    # python-obd's decoders as an independent reading
    answer = engine().answer(bytes((0x01, pid)), to_all=True)[0]
    assert decoded(obd.commands[1][pid], answer).magnitude == value


def test_codes_stored_pending_and_permanent():
    # python-obd's decoders as an independent reading; SAE J2012 bit layout (from memory)
    def codes(service):
        return [c for c, _ in decoded(obd.commands.GET_DTC, engine().answer(bytes((service,)), to_all=True)[0])]

    assert (codes(0x03), codes(0x07), codes(0x0A)) == (["P0011", "P0301"], ["P0014"], ["P0011"])
    assert ask("03", StandingCar(snapshot=CodeSnapshot(0.0, False, (), (), ()))) == ["43 00"]


def test_codes_on_an_older_bus_come_three_to_a_message():
    many = tuple(TroubleCode(c) for c in ("P0011", "P0014", "P0016", "P0300"))
    car = StandingCar(snapshot=CodeSnapshot(0.0, True, many, (), ()))
    assert ask("03", car, is_can=False) == ["43 00 11 00 14 00 16", "43 03 00 00 00 00 00"]
    assert ask("07", car, is_can=False) == ["47 00 00 00 00 00 00"]
    assert ask("0A", car, is_can=False) == []


def test_freeze_frame():
    # SAE J1979 / ISO 15031-5 (from memory): PID and frame number in request and answer
    assert ask("02 02 00") == ["42 02 00 00 11"]
    assert ask("02 0C 00") == ["42 0C 00 0B B8"]
    assert ask("02 0C 00 05 00 0D 00") == ["42 0C 00 0B B8 05 00 82 0D 00 00"]
    assert ask("02 00 00") == ["42 00 00 48 18 00 00"]
    assert ask("02 0C 01") == [] and ask("02 0C") == [] and ask("02 10 00") == []
    assert ask("02 02 00", StandingCar(snapshot=CodeSnapshot(0.0, False, (), (), ()))) == ["42 02 00 00 00"]


def test_clearing_codes_needs_the_right_conditions():
    car = StandingCar(may_clear=False)
    assert ask("04", car) == ["7F 04 22"] and ask("03", car) != ["43 00"]
    car.may_clear = True
    assert ask("04", car) == ["44"] and ask("03", car) == ["43 00"]


def test_monitor_results_with_value_and_limits():
    # python-obd's decoders as an independent reading; MIDs 35-38, A2-AD, TIDs 0B, 0C (from memory)
    vvt = decoded(obd.commands.MONITOR_VVT_B1, engine().answer(b"\x06\x35", to_all=True)[0])
    error, delay = vvt.tests
    assert [t.tid for t in vvt.tests] == [0x80, 0x81]
    assert error.value.to("degree").magnitude == pytest.approx(12.0)
    assert error.max.to("degree").magnitude == pytest.approx(5.0) and not error.passed
    assert delay.value.to("second").magnitude == pytest.approx(0.35)
    assert delay.max.to("second").magnitude == pytest.approx(0.8) and delay.passed
    misfire = decoded(obd.commands.MONITOR_MISFIRE_CYLINDER_1, engine().answer(b"\x06\xa2", to_all=True)[0])
    assert [(t.tid, t.value.magnitude) for t in misfire.tests] == [(0x0B, 2), (0x0C, 3)]
    third = decoded(obd.commands.MONITOR_MISFIRE_CYLINDER_3, engine().answer(b"\x06\xa4", to_all=True)[0])
    assert [(t.tid, t.value.magnitude) for t in third.tests] == [(0x0C, 41)]


def test_supported_monitors_lead_from_map_to_map():
    found = set()
    for base in (0x00, 0x20, 0x40, 0x60, 0x80, 0xA0):
        answer = engine().answer(bytes((0x06, base)), to_all=True)[0]
        bits = decoded(obd.commands.MIDS_A, answer)
        found |= {base + n + 1 for n, bit in enumerate(bits) if bit}
    assert found == {0x20, 0x35, 0x40, 0x60, 0x80, 0xA0, 0xA2, 0xA3, 0xA4, 0xA5}
    assert ask("06 36", to_all=False) == ["7F 06 12"] and ask("06 35", is_can=False) == []


def test_what_vehicle_this_is():
    assert bytes.fromhex(ask("09 02")[0]) == b"\x49\x02\x01" + VIN.encode()
    # bits 02, 04, 06 and 0A
    assert ask("09 00") == ["49 00 54 40 00 00"]
    assert bytes.fromhex(ask("09 0A")[0])[:6] == b"\x49\x0a\x01ECM"
    five = engine().answer(b"\x09\x02", to_all=True, is_can=False)
    assert [m[2] for m in five] == [1, 2, 3, 4, 5] and b"".join(m[3:] for m in five) == b"\0\0\0" + VIN.encode()


def test_cam_angles_by_the_profiles_identifiers():
    answer = bytes.fromhex(ask("22 F0 A2 F0 A3 F0 B0")[0])
    assert answer[:3] == b"\x62\xf0\xa2" and answer[7:9] == b"\xf0\xa3" and answer[13:15] == b"\xf0\xb0"
    data = {"F0A2": answer[3:7], "F0A3": answer[9:13], "F0B0": answer[15:17]}
    for definition in DEMO.signals:
        if definition.identifier != 0xF0A4:
            got = definition.decode(data[f"{definition.identifier:04X}"])
            assert got == pytest.approx(VALUES[definition.name], abs=0.51 * definition.step), definition.name


def test_unknown_identifiers_are_refused_and_missing_values_are_no_numbers():
    assert ask("22 12 34", to_all=False) == ["7F 22 31"] and ask("22 12 34") == []
    assert ask("22 12 34 F0 B0") == [ask("22 F0 B0")[0]]
    assert ask("22 F0", to_all=False) == ["7F 22 12"]
    lost = StandingCar({**VALUES, "cam_intake_b1_actual": None, "oil_pressure": None, "cam_intake_b1_duty": None})
    assert ask("22 F0 B0", lost) == ["7F 22 22"]
    # Commanded still comes; the actual angle is a count outside what the signal can be.
    data = bytes.fromhex(ask("22 F0 A2", lost)[0])[3:]
    assert DEMO.definition("cam_intake_b1_commanded").decode(data) == pytest.approx(12.5, abs=0.01)
    gone = DEMO.definition("cam_intake_b1_actual").decode(data)
    assert not SIGNALS["cam_intake_b1_actual"].low <= gone <= SIGNALS["cam_intake_b1_actual"].high


def test_local_identifiers_and_pids_of_a_profile(tmp_path):
    text = 'schema = "camlog.vehicle/1"\n' + "".join(
        f'[[signal]]\nname = "{n}"\nservice = {s}\nidentifier = {i}\nlength_bits = 16\n'
        f"factor = {f}\noffset = {o}\n"
        f'unit = "{u}"\n{h}\n'
        for n, s, i, f, o, u, h in (
            ("oil_pressure", "0x21", "0x3C", 0.1, 0, "kPa", ""),
            ("cam_intake_b1_commanded", "0x01", "0xB1", 0.01, -64, "deg", ""),
            ("cam_intake_b1_actual", "0x22", "0x1234", 0.01, -64, "deg", "request_header = 0x7E1"),
        )
    )
    path = tmp_path / "own.toml"
    path.write_text(text)
    modules = modules_for(StandingCar(), read_profile(str(path)))
    assert modules[0].answer(b"\x21\x3c", to_all=False)[0].hex() == "613c0c34"
    assert modules[0].answer(b"\x01\xb1", to_all=True)[0].hex() == "41b1" + f"{7650:04x}"
    # The actual angle lives in another module: the engine's refuses, that one answers.
    assert modules[0].answer(b"\x22\x12\x34", to_all=False)[0].hex() == "7f2231"
    assert modules[1].answer(b"\x22\x12\x34", to_all=False)[0].hex() == "621234" + f"{7525:04x}"


# ---------------------------------------------------------------- python-obd on every bus


def connected(address, monkeypatch, **rest):
    hurry(monkeypatch)
    connection = obd.OBD(address, baudrate=115200, **rest)
    assert connection.status() == obd.OBDStatus.CAR_CONNECTED
    return connection


@pytest.mark.parametrize("number", "123456789")
def test_python_obd_connects_on_every_bus(adapter, monkeypatch, number):
    # python-obd as an independent client
    one = adapter(traits=AdapterTraits(protocol=number))
    connection = connected(one.start_pty(), monkeypatch)
    assert connection.protocol_id() == number and connection.protocol_name() == BUSES[number].name
    for _ in range(3):
        assert connection.query(obd.commands.RPM).value.magnitude == 812.5
        assert connection.query(obd.commands.COOLANT_TEMP).value.magnitude == 88
    # forced: python-obd reads the message count of an older bus's list of information types as its first byte
    vin = connection.query(obd.commands.VIN, force=True)
    assert bytes(vin.value).decode() == VIN
    assert [c for c, _ in connection.query(obd.commands.GET_DTC).value] == ["P0011", "P0301"]
    pending = connection.query(obd.commands.GET_CURRENT_DTC)
    if BUSES[number].is_can:
        assert [c for c, _ in pending.value] == ["P0014"]
    else:  # python-obd takes a count byte off that service 07 of an older bus does not have
        assert bytes(pending.messages[0].data) == bytes.fromhex("47001400000000")
    assert connection.query(obd.commands.STATUS).value.MIL is True
    if BUSES[number].is_can:
        tests = connection.query(obd.commands.MONITOR_MISFIRE_CYLINDER_3).value
        assert tests.MISFIRE_COUNT.value.magnitude == 41
    own = obd.OBDCommand("FREEZE", "", b"020C00", 5, lambda m: m[0].data, obd.ECU.ALL, False)
    assert bytes(connection.query(own, force=True).value) == bytes.fromhex("420C000BB8")
    connection.close()


def test_python_obd_over_the_network(adapter, monkeypatch):
    connection = connected(adapter().start_tcp(), monkeypatch)
    assert connection.query(obd.commands.RPM).value.magnitude == 812.5
    assert bytes(connection.query(obd.commands.VIN).value).decode() == VIN
    assert connection.query(obd.commands.ELM_VERSION).value == "CAMSIM 2.0"
    assert connection.query(obd.commands.ELM_VOLTAGE).value.magnitude == pytest.approx(14.1)
    connection.close()


@pytest.mark.parametrize("number", "67")
def test_python_obd_asks_a_profiles_identifier_of_one_module(adapter, monkeypatch, number):
    connection = connected(adapter(traits=AdapterTraits(protocol=number)).start_pty(), monkeypatch)
    header = b"7E0" if number == "6" else b"18DA10F1"
    pair = obd.OBDCommand("CAM", "", b"22F0A2", 7, lambda m: bytes(m[0].data), obd.ECU.ALL, True, header)
    data = connection.query(pair, force=True).value[3:]
    assert DEMO.definition("cam_intake_b1_actual").decode(data) == pytest.approx(11.25, abs=0.01)
    connection.close()


def test_python_obd_lives_with_a_clone_when_told_not_to_hurry(adapter, monkeypatch):
    connection = connected(adapter(traits=PRESETS["clone"]).start_pty(), monkeypatch, fast=False)
    assert connection.query(obd.commands.RPM).value.magnitude == 812.5
    connection.close()


def test_two_modules_answer_and_are_told_apart(adapter, monkeypatch):
    one = adapter(traits=AdapterTraits(second_module=True))
    connection = connected(one.start_pty(), monkeypatch)
    assert connection.query(obd.commands.SPEED).value.magnitude == 57
    own = obd.OBDCommand("BOTH", "", b"010D", 0, lambda m: {x.tx_id: x.data[2] for x in m}, obd.ECU.ALL, False)
    assert connection.query(own, force=True).value == {0: 57, 1: 48}
    connection.close()


# ---------------------------------------------------------------- the command set


def test_a_fresh_adapter_echoes_and_names_itself(client):
    terminal = client()
    assert terminal.raw("ATI") == "ATI\rCAMSIM 2.0\r\r>"
    assert terminal.raw("ATE0") == "ATE0\rOK\r\r>"
    assert terminal.raw("AT L1") == "OK\r\n\r\n>"
    assert terminal.raw("at i") == "CAMSIM 2.0\r\n\r\n>"
    assert terminal.raw("ATZ").endswith("CAMSIM 2.0\r\r>")
    assert terminal.ask("ATE0") == ["ATE0", "OK"]


def test_headers_spaces_and_the_form_of_long_answers(client):
    terminal = client().setup()
    assert terminal.ask("0100")[0] == "SEARCHING..."
    assert terminal.raw("010C") == "41 0C 0C B2 \r\r>"
    assert terminal.ask("0902") == [
        "014",
        "0: 49 02 01 5A 5A 5A",
        "1: 47 53 4D 35 54 45 53",
        "2: 54 33 44 30 41 42 5A",
    ]
    assert terminal.ask("ATH1") == ["OK"]
    assert terminal.ask("010C") == ["7E8 04 41 0C 0C B2 00 00 00"]
    assert terminal.ask("0902")[0] == "7E8 10 14 49 02 01 5A 5A 5A"
    assert terminal.ask("ATS0") == ["OK"]
    assert terminal.ask("010C") == ["7E804410C0CB2000000"]


@pytest.mark.parametrize(
    ("number", "line"),
    [
        ("1", "41 6B 10 41 0D 39 "),
        ("2", "48 6B 10 41 0D 39 "),
        ("3", "48 6B 10 41 0D 39 "),
        ("4", "83 F1 10 41 0D 39 "),
        ("5", "83 F1 10 41 0D 39 "),
        ("7", "18 DA F1 10 03 41 0D 39 00 00 00 00"),
    ],
)
def test_headers_on_other_buses(client, number, line):
    # ISO 9141-2, ISO 14230-4, SAE J1850, ISO 15765-4 (from memory)
    terminal = client(traits=AdapterTraits(protocol=number)).setup(f"ATSP{number}", "ATH1")
    text = terminal.ask("010D")[-1]
    assert text.startswith(line)
    if number in "12345":
        whole = bytes.fromhex(text)
        assert whole[-1] == checksum(BUSES[number], whole[:-1])


def test_checksums_of_the_older_buses():
    # SAE J1850: CRC-8, polynomial 1D, check value 4B for "123456789" (CRC catalogues; from memory)
    assert checksum(BUSES["2"], b"123456789") == 0x4B
    assert checksum(BUSES["3"], bytes.fromhex("68 6A F1 01 0C")) == 0xD0


def test_the_bus_is_opened_once_with_what_that_prints(client):
    terminal = client(traits=AdapterTraits(protocol="3")).setup("ATSP3")
    assert terminal.ask("010D") == ["BUS INIT: ...OK", "41 0D 39"]
    assert terminal.ask("010D") == ["41 0D 39"]
    assert terminal.ask("ATPC") == ["OK"] and terminal.ask("010D")[0] == "BUS INIT: ...OK"


@pytest.mark.parametrize(
    ("there", "chosen", "said"),
    [
        ("6", "3", "BUS INIT: ...ERROR"),
        ("6", "8", "CAN ERROR"),
        ("3", "6", "CAN ERROR"),
        ("6", "2", "NO DATA"),
    ],
)
def test_the_wrong_protocol_says_so(client, there, chosen, said):
    terminal = client(traits=AdapterTraits(protocol=there)).setup(f"ATSP{chosen}")
    assert terminal.ask("0100") == [said]
    assert terminal.ask("ATSP0") == ["OK"] and terminal.ask("010D") == ["SEARCHING...", "41 0D 39"]
    assert terminal.ask("ATDPN") == ["A" + there] and terminal.ask("ATDP") == ["AUTO, " + BUSES[there].name]


def test_ignition_off_is_silence(client):
    car = StandingCar()
    car.ignition_on = False
    terminal = client(car).setup()
    assert terminal.ask("0100") == ["SEARCHING...", "UNABLE TO CONNECT"]
    assert terminal.ask("ATIGN") == ["OFF"] and terminal.ask("ATRV") == ["14.1V"]
    car.ignition_on = True
    assert terminal.ask("010D") == ["SEARCHING...", "41 0D 39"] and terminal.ask("ATIGN") == ["ON"]
    car.ignition_on = False
    assert terminal.ask("010D") == ["NO DATA"]


def test_a_bare_return_repeats_and_a_clone_does_not(client):
    terminal = client().setup("ATSP6")
    assert terminal.ask("010D") == terminal.ask("") == terminal.ask("") == ["41 0D 39"]
    clone = client(traits=PRESETS["clone"]).setup("ATSP6")
    assert clone.ask("010D") == ["41 0D 39"] and clone.ask("") == []


def test_the_response_count_stops_the_wait_for_more(client):
    terminal = client(traits=AdapterTraits(second_module=True)).setup("ATSP6", "ATH1")
    assert [t[:3] for t in terminal.ask("010D")] == ["7E8", "7E9"]
    assert [t[:3] for t in terminal.ask("010D1")] == ["7E8"]
    assert [t[:3] for t in terminal.ask("010D2")] == ["7E8", "7E9"]
    # it counts frames: the first two of three
    assert len(terminal.ask("09022")) == 2 and len(terminal.ask("09023")) == 3
    assert client(traits=PRESETS["clone"]).setup("ATSP6").ask("010D1") == ["?"]


def test_a_clone_cannot_ask_for_several_pids(client):
    assert client(traits=PRESETS["clone"]).setup("ATSP6").ask("010C0D") == ["NO DATA"]
    assert client(traits=PRESETS["non-can"]).setup("ATSP3").ask("010C0D")[-1] == "NO DATA"
    assert client(traits=PRESETS["clone"]).setup().ask("ATST20") == ["?"]


@pytest.mark.parametrize(
    "text", ["XYZ", "ATQQ", "01G", "0", "0102030405060708", "ATSH7", "ATSP", "AT", "ATSPZ", "ATST"]
)
def test_what_it_does_not_know_is_a_question_mark(client, text):
    assert client().setup("ATSP6").ask(text) == ["?"]


def test_one_module_is_addressed_by_header(client):
    terminal = client(traits=AdapterTraits(second_module=True)).setup("ATSP6", "ATH1", "ATSH7E1")
    assert terminal.ask("010D") == ["7E9 03 41 0D 30 00 00 00 00"]
    assert terminal.ask("0111") == ["7E9 03 7F 01 12 00 00 00 00"]
    assert terminal.ask("AT SH 7E0 ") == ["OK"] and terminal.ask("22F0B0")[0].startswith("7E8 05 62 F0 B0")
    assert terminal.ask("ATSH7B0") == ["OK"] and terminal.ask("010D") == ["NO DATA"]
    assert terminal.ask("ATD") == ["OK"] and terminal.ask("ATI")[0] == "ATI"


def test_29_bit_addresses(client):
    terminal = client(traits=AdapterTraits(protocol="7", second_module=True)).setup("ATSP7", "ATH1")
    assert [t[:11] for t in terminal.ask("010D")] == ["18 DA F1 10", "18 DA F1 18"]
    assert terminal.ask("ATCP18") == ["OK"] and terminal.ask("ATSHDA10F1") == ["OK"]
    assert terminal.ask("010D") == ["18 DA F1 10 03 41 0D 39 00 00 00 00"]
    # a profile's 11-bit header means the same module here
    assert terminal.ask("22F0B0")[0].startswith("18 DA F1 10 05 62 F0 B0")


def test_low_power_and_waking_as_python_obd_does(adapter, monkeypatch):
    connection = connected(adapter().start_pty(), monkeypatch)
    assert connection.low_power() == ["OK"]
    connection.normal_power()
    assert connection.query(obd.commands.RPM).value.magnitude == 812.5
    connection.close()


def test_any_character_stops_the_wait(client):
    terminal = client(timing=TimingModel(wait_s=1.0)).setup("ATSP6", "ATAT1", "ATSTFF")
    terminal.port.write(b"010D\r")
    assert terminal.port.read_until(b"39 \r") == b"41 0D 39 \r"
    terminal.port.write(b" ")
    assert terminal.port.read_until(b">") == b"STOPPED\r\r>"
    terminal.port.write(b"ATMA\r")
    time.sleep(0.05)
    terminal.port.write(b"x")
    assert terminal.port.read_until(b">") == b"STOPPED\r\r>"
    assert terminal.ask("ATI")[-1] == "CAMSIM 2.0"


def test_more_than_the_buffer_holds(client):
    many = tuple(TroubleCode(f"P{n:04d}") for n in range(1000, 1200))
    car = StandingCar(snapshot=CodeSnapshot(0.0, True, many, (), ()))
    terminal = client(car, timing=TimingModel(baud=9600, wait_s=0.0)).setup("ATSP6", "ATH1")
    lines = terminal.ask("03")
    assert lines[-1] == "BUFFER FULL" and 10 < len(lines) < 60


def test_the_adapter_restarts_when_cranking_pulls_the_supply_down(client):
    car = StandingCar()
    terminal = client(car).setup("ATSP6")
    car.battery_voltage = 5.5
    assert terminal.port.read_until(b">").endswith(b"LV RESET\r\r>")
    assert terminal.ask("ATRV") == ["ATRV", "5.5V"]  # echo is on again: settings are lost
    assert terminal.ask("010D")[1:] == ["CAN ERROR"] or "UNABLE TO CONNECT" in terminal.ask("010D")
    car.battery_voltage = 12.2
    assert terminal.ask("010D")[-1] == "41 0D 39"


def test_the_car_lives_on_vehicle_time(adapter):
    car = StandingCar(moving={"run_time": lambda t: t})
    one = adapter(car, time_scale=1000.0)
    with Client(one.start_pty()) as terminal:
        terminal.setup("ATSP6")

        def run_time():
            return int("".join(terminal.ask("011F")[-1].split()[2:]), 16)

        before, before_s = run_time(), one.elapsed_s
        while one.elapsed_s < before_s + 0.2:
            pass
        assert run_time() - before == pytest.approx(1000 * (one.elapsed_s - before_s), abs=30)


def test_two_ports_share_one_car(adapter):
    one = adapter()
    with Client(one.start_pty()) as cable, Client(one.start_tcp()) as network:
        for terminal in (cable, network):
            terminal.setup("ATSP6")
        assert cable.ask("04") == ["44"] and network.ask("03") == ["43 00"]


def test_the_snapshot_used_here_has_what_the_tests_need():
    assert SNAPSHOT.freeze_frame["code"] == SNAPSHOT.stored[0].code
