"""Trouble codes, service 06 results and readiness: from bytes to what they mean on the bench."""

import itertools
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from obd import decoders
from obd.codes import DTC as OBD_TEXTS
from obd.UnitsAndScaling import UAS_IDS

from camlog.cams import cam_words
from camlog.codes import families, readiness, service06, trouble
from camlog.codes.families import CORRELATION, is_maker_specific
from camlog.codes.service06 import SCALINGS
from camlog.drive import READINESS_MONITORS
from camlog.errors import InputError
from camlog.stream import MonitorTest

# ---------------------------------------------------------------- codes as bytes and as text


@pytest.mark.parametrize(
    ("pair", "text"),
    [
        ("0011", "P0011"),
        ("000A", "P000A"),
        ("0300", "P0300"),
        ("2088", "P2088"),
        ("4123", "C0123"),
        ("9234", "B1234"),
        ("C100", "U0100"),
        ("3FFF", "P3FFF"),
        ("FFFF", "U3FFF"),
        ("0001", "P0001"),
    ],
)
def test_two_bytes_are_a_code_by_the_bit_layout_of_the_standard(pair, text):
    # SAE J2012 / ISO 15031-6 (from memory).
    assert trouble.decode_code(bytes.fromhex(pair)) == text
    assert trouble.encode_code(text) == bytes.fromhex(pair)


def test_every_pair_of_bytes_reads_as_an_independent_decoder_reads_it():
    # Outside check: python-obd's decoders as an independent reading; all 65,536 pairs.
    for number in range(1, 0x10000):
        pair = number.to_bytes(2, "big")
        text = trouble.decode_code(pair)
        assert text == decoders.parse_dtc(pair)[0].upper()  # that one writes P000a
        assert trouble.encode_code(text) == pair


def test_padding_is_no_code_and_half_a_code_is_an_error():
    # Zero bytes fill an answer and are no code: SAE J1979 / ISO 15031-5 (from memory).
    assert trouble.decode_codes(bytes.fromhex("00110000030100000000")) == ("P0011", "P0301")
    assert trouble.decode_codes(b"") == ()
    assert trouble.encode_codes(["P0011", "P0301"]) == bytes.fromhex("00110301")
    with pytest.raises(ValueError, match="whole trouble codes"):
        trouble.decode_codes(b"\x00\x11\x03")
    with pytest.raises(ValueError, match="two bytes"):
        trouble.decode_code(b"\x00")


def test_a_code_typed_by_a_person_is_read_and_a_slip_is_named():
    assert trouble.parse_code(" p0011\n") == "P0011"
    for slip in ("P001", "P00111", "X0011", "P4011", "P001G", "0011", "", "P0000", "PO011"):
        with pytest.raises(InputError, match="as in P0011"):
            trouble.parse_code(slip)
        with pytest.raises(InputError):
            families.explain(slip)


# ---------------------------------------------------------------- families

FAMILIES_OF_THE_STANDARD = [
    # SAE J2012 / ISO 15031-6 (from memory)
    (range(0x0010, 0x0016), "cam_performance"),
    (range(0x0020, 0x0026), "cam_performance"),
    (range(0x000A, 0x000E), "slow_response"),
    (range(0x0016, 0x001A), "cam_crank_correlation"),
    (range(0x0300, 0x030A), "misfire"),
    (range(0x0310, 0x0313), "misfire"),
    (range(0x0335, 0x033A), "sensor_circuit"),
    (range(0x0340, 0x034A), "sensor_circuit"),
    (range(0x0365, 0x036A), "sensor_circuit"),
    (range(0x0390, 0x0395), "sensor_circuit"),
    (range(0x0520, 0x0525), "oil_pressure_temperature"),
    (range(0x0195, 0x019A), "oil_pressure_temperature"),
    (range(0x0171, 0x0173), "fuel_trim"),
    (range(0x0174, 0x0176), "fuel_trim"),
]


@pytest.mark.parametrize(("numbers", "family"), FAMILIES_OF_THE_STANDARD)
def test_codes_belong_to_the_family_of_their_fault_and_have_a_sentence_of_their_own(numbers, family):
    for number in numbers:
        code = f"P{number:04X}"
        assert families.family_of(code) == family
        assert "does not weigh" not in families.explain(code)


@pytest.mark.parametrize(
    ("code", "cam"),
    [
        ("P0011", "intake_b1"),
        ("P0014", "exhaust_b1"),
        ("P0021", "intake_b2"),
        ("P0024", "exhaust_b2"),
        ("P0010", "intake_b1"),
        ("P0013", "exhaust_b1"),
        ("P0022", "intake_b2"),
        ("P0025", "exhaust_b2"),
        ("P000A", "intake_b1"),
        ("P000B", "exhaust_b1"),
        ("P000C", "intake_b2"),
        ("P000D", "exhaust_b2"),
        ("P0016", "intake_b1"),
        ("P0017", "exhaust_b1"),
        ("P0018", "intake_b2"),
        ("P0019", "exhaust_b2"),
        ("P0341", "intake_b1"),
        ("P0346", "intake_b2"),
        ("P0366", "exhaust_b1"),
        ("P0391", "exhaust_b2"),
        ("P2090", "exhaust_b1"),
        ("P2093", "intake_b2"),
    ],
)
def test_a_code_names_its_cam(code, cam):
    # Bank and letter by SAE J2012 (from memory); "A" intake and "B" exhaust: common practice, no source.
    assert families.facts(code).cams == (cam,)
    assert families.facts(code).banks == (int(cam[-1]),)
    assert cam_words(cam) in families.explain(code)


def test_cam_letters_agree_with_an_independent_list_of_codes():
    # Outside check: python-obd's table of code texts as an independent reading.
    seen = 0
    for code, known in families.KNOWN.items():
        text = OBD_TEXTS.get(code, "")
        if "Camshaft" in text and ("'A'" in text or "'B'" in text):
            assert known.cams[0].startswith("intake" if "'A'" in text else "exhaust"), (code, text)
            seen += 1
    assert seen >= 40


WORDS_OF_KINDS = {
    "over_advanced": "Over-Advanced",
    "over_retarded": "Over-Retarded",
    "slow": "Slow",
    "correlation": "Correlation",
    "engine_position": "Engine Position",
    "lean": "Lean",
    "rich": "Rich",
    "misfire_cylinder": "Misfire",
    "injector_circuit": "Injector",
    "coil_circuit": "Coil",
    "oil_pressure_low": "Pressure Too Low",
    "valve_circuit_low": "Circuit Low",
    "valve_circuit_high": "Circuit High",
    "lean_at_idle": "Lean at Idle",
    "rich_off_idle": "Rich Off Idle",
    "lean_at_load": "Lean at Higher Load",
    "misfire_at_start": "Startup",
    "oil_temp_sensor_circuit": "Oil Temperature",
    "cam_sensor_intermittent": "Intermittent",
}


def test_faults_agree_with_an_independent_list_of_codes():
    # Outside check: python-obd's table of code texts as an independent reading.
    checked = set()
    for code, known in families.KNOWN.items():
        word = WORDS_OF_KINDS.get(known.kind)
        if word and code in OBD_TEXTS:
            assert word in OBD_TEXTS[code], code
            checked.add(known.kind)
    # The table there leaves out the slow-response codes.
    assert checked == set(WORDS_OF_KINDS) - {"slow"}


def test_a_misfire_code_names_its_cylinder_also_beyond_nine():
    # P0301 to P0312 end in the cylinder's number in decimal digits: SAE J2012 / ISO 15031-6 (from memory).
    assert families.facts("P0304").cylinders == (4,)
    assert families.facts("P0310").cylinders == (10,)
    assert families.facts("P0312").cylinders == (12,)
    assert families.facts("P0300").cylinders == ()
    assert families.explain("P0312") == "Cylinder 12 misfires."


def test_a_code_for_the_whole_bank_points_to_both_its_cams():
    bank_1 = families.facts("P0008")
    assert (bank_1.family, bank_1.cams) == (CORRELATION, ("intake_b1", "exhaust_b1"))


def test_a_code_outside_the_families_is_not_weighed_and_says_where_to_look():
    for code in ("P0420", "P1FFF", "U0100", "C1234", "B0001"):
        assert families.family_of(code) == "other"
        assert families.facts(code).cams == ()
        assert "service information" in families.explain(code)
    assert families.explain("P1FFF").startswith("A maker-specific engine")
    assert families.explain("U0100").startswith("A generic data network")


def test_who_owns_a_code():
    # SAE J2012 (from memory): P1 and P30-P33 belong to the maker, P0, P2 and P34 up to the standard.
    assert [c for c in ("P0011", "P1FFE", "P2088", "P3000", "P33FF", "P3400", "U0100", "U1FFF", "B3000")
            if is_maker_specific(c)] == ["P1FFE", "P3000", "P33FF", "U1FFF"]  # fmt: skip


def test_every_known_code_has_one_finished_sentence():
    for code in families.KNOWN:
        sentence = families.explain(code)
        assert sentence.endswith(".") and sentence.count(". ") == 0 and len(sentence) < 160
        assert not set("{}") & set(sentence) and "  " not in sentence and "bank ." not in sentence
    sentences = {}
    for code, known in families.KNOWN.items():
        if known.kind != "coil_circuit":
            assert sentences.setdefault(families.explain(code), code) == code


# ---------------------------------------------------------------- service 06


def test_misfires_of_a_cylinder_this_driving_cycle():
    # SAE J1979 / ISO 15031-5 (from memory): MID A2 is cylinder 1, TID 0C this cycle, 0B ten cycles.
    data = bytes.fromhex("A2 0B 24 0003 0000 FFFF A2 0C 24 0011 0000 FFFF")
    average, current = service06.decode_monitor_tests(data)
    assert current == MonitorTest("A2", "0C", 17.0, 0.0, 65535.0, "count")
    assert average.value == 3.0
    assert service06.misfire_mid(1) == 0xA2 and service06.misfire_mid(12) == 0xAD
    assert service06.misfire_cylinder(0xA5) == 4
    assert service06.misfire_cylinder(0xA1) is None and service06.misfire_cylinder(0xAE) is None
    with pytest.raises(ValueError, match="cylinders 1 to 12"):
        service06.misfire_mid(13)


def test_a_vvt_test_in_degrees_keeps_its_sign():
    (result,) = service06.decode_monitor_tests(bytes.fromhex("35 80 9C FF38 FE0C 01F4"))
    assert result == MonitorTest("35", "80", pytest.approx(-2.0), pytest.approx(-5.0), pytest.approx(5.0), "deg")


_UNITS_THERE = {
    "%": "percent",
    "deg": "degree",
    "rpm": "revolutions_per_minute",
    "km/h": "kilometer_per_hour",
    "mOhm": "milliohm",
    "kOhm": "kiloohm",
    "Ohm": "ohm",
    "degC": "degree_Celsius",
    "mm2": "millimeter ** 2",
    "us": "microsecond",
    "uA": "microampere",
    "l": "liter",
    "ppm": "parts_per_million",
    "g/s": "grams_per_second",
    "count": "count",
}


@pytest.mark.parametrize("identifier", sorted(SCALINGS))
def test_scaling_agrees_with_an_independent_table(identifier):
    # Outside check: python-obd's unit-and-scaling table as an independent reading of SAE J1979.
    for raw in (0x0000, 0x0001, 0x1234, 0x7FFF, 0x8000, 0xFFFF):
        data = bytes((0x35, 0x80, identifier)) + raw.to_bytes(2, "big") * 3
        (ours,) = service06.decode_monitor_tests(data)
        if identifier == 0x2E:
            assert bool(ours.value) == UAS_IDS[identifier](data[3:5])
            continue
        theirs = decoders.parse_monitor_test(data, None)
        for mine, other in ((ours.value, theirs.value), (ours.min, theirs.min), (ours.max, theirs.max)):
            assert mine == pytest.approx(other.magnitude, rel=1e-9, abs=1e-12)
        if ours.unit:  # a bare number is a count there
            registry = type(theirs.value)(1, "")._REGISTRY
            expected = registry.Unit(_UNITS_THERE.get(ours.unit, ours.unit))
            assert theirs.value.units == expected


def test_every_scaling_of_the_independent_table_is_known():
    assert set(SCALINGS) == set(UAS_IDS)


def test_an_unknown_scaling_gives_bare_counts_signed_from_80_up():
    unsigned, signed = service06.decode_monitor_tests(
        bytes.fromhex("41 81 7F FFFE 0000 FFFF" + "41 82 F0 FFFE 8000 7FFF")
    )
    assert unsigned == MonitorTest("41", "81", 65534.0, 0.0, 65535.0, "")
    assert signed == MonitorTest("41", "82", -2.0, -32768.0, 32767.0, "")


def test_a_cut_result_is_an_error_never_a_number():
    whole = bytes.fromhex("A2 0C 24 0011 0000 FFFF")
    for end in range(len(whole)):
        with pytest.raises(ValueError, match="whole sets"):
            service06.decode_monitor_tests(whole[:end])
        with pytest.raises(ValueError, match="whole sets"):
            service06.decode_monitor_tests(whole + whole[: end + 1][:8])


@given(st.sampled_from(sorted(SCALINGS)), st.lists(st.integers(0, 0xFFFF), min_size=3, max_size=3))
def test_results_survive_encode_and_decode_to_the_bit(identifier, raws):
    data = bytes((0x35, 0x80, identifier)) + b"".join(raw.to_bytes(2, "big") for raw in raws)
    (test,) = service06.decode_monitor_tests(data)
    assert service06.encode_monitor_test(test, identifier) == data


def test_the_encoder_finds_a_scaling_that_holds_the_numbers():
    test = MonitorTest("36", "81", -12.5, None, 50.0, "deg")
    (back,) = service06.decode_monitor_tests(service06.encode_monitor_test(test))
    assert (back.mid, back.tid, back.value, back.max, back.unit) == ("36", "81", -12.5, 50.0, "deg")
    assert back.min == pytest.approx(-327.68)
    misfires = service06.encode_monitor_test(MonitorTest("A3", "0C", 40000.0, 0.0, 65535.0, "count"))
    assert misfires == bytes.fromhex("A3 0C 24 9C40 0000 FFFF")
    with pytest.raises(ValueError, match="no scaling"):
        service06.encode_monitor_test(MonitorTest("36", "81", 1e6, None, None, "deg"))
    with pytest.raises(ValueError, match="the test in 'deg'"):
        service06.encode_monitor_test(test, 0x24)


# ---------------------------------------------------------------- readiness

_NAMES_THERE = {
    "misfire": "MISFIRE_MONITORING",
    "fuel_system": "FUEL_SYSTEM_MONITORING",
    "components": "COMPONENT_MONITORING",
    "catalyst": "CATALYST_MONITORING",
    "heated_catalyst": "HEATED_CATALYST_MONITORING",
    "evaporative_system": "EVAPORATIVE_SYSTEM_MONITORING",
    "secondary_air": "SECONDARY_AIR_SYSTEM_MONITORING",
    "oxygen_sensor": "OXYGEN_SENSOR_MONITORING",
    "oxygen_sensor_heater": "OXYGEN_SENSOR_HEATER_MONITORING",
    "egr_vvt_system": "EGR_VVT_SYSTEM_MONITORING",
    "nmhc_catalyst": "NMHC_CATALYST_MONITORING",
    "nox_aftertreatment": "NOX_SCR_AFTERTREATMENT_MONITORING",
    "boost_pressure": "BOOST_PRESSURE_MONITORING",
    "exhaust_gas_sensor": "EXHAUST_GAS_SENSOR_MONITORING",
    "particulate_filter": "PM_FILTER_MONITORING",
}


@given(st.binary(min_size=4, max_size=4))
def test_lamp_count_and_monitors_agree_with_an_independent_decoder(data):
    # Outside check: python-obd's decoder as an independent reading of SAE J1979 (it leaves out
    # the air-conditioning monitor).
    status = readiness.decode_status(data)
    there = decoders.status([SimpleNamespace(data=b"\x41\x01" + data)])
    assert status.mil == there.MIL
    assert status.code_count == there.DTC_count
    assert status.compression_ignition == (there.ignition_type == "compression")
    assert set(status.readiness) == set(READINESS_MONITORS)
    for name, state in itertools.chain(status.readiness.items(), status.diesel.items()):
        other = getattr(there, _NAMES_THERE[name]) if name in _NAMES_THERE else None
        if other is not None and other.name:
            expected = "unsupported" if not other.available else "complete" if other.complete else "incomplete"
            assert state == expected, name


def test_a_car_just_cleared_shows_its_vvt_monitor_incomplete():
    # Bytes A to D of PID 01, supported and incomplete bits: SAE J1979 (from memory). The values are invented.
    status = readiness.decode_status(bytes.fromhex("00 07 E1 81"))
    assert status.mil is False and status.code_count == 0
    assert status.readiness["egr_vvt_system"] == "incomplete"
    assert status.readiness["catalyst"] == "incomplete"
    assert status.readiness["oxygen_sensor"] == "complete"
    assert status.readiness["misfire"] == "complete"
    assert status.readiness["secondary_air"] == "unsupported"


def test_the_air_conditioning_monitor_is_bit_4():
    # SAE J1979 (from memory)
    assert readiness.decode_status(bytes.fromhex("00 00 10 10")).readiness["ac_refrigerant"] == "incomplete"


def test_a_diesel_has_its_own_monitors_apart():
    # Bit 3 of byte B: compression ignition; bits of bytes C and D then name other monitors: SAE J1979 (from memory).
    status = readiness.decode_status(bytes.fromhex("81 0F EB 00"))
    assert status.compression_ignition and status.mil and status.code_count == 1
    assert status.diesel["particulate_filter"] == "complete"
    assert status.readiness["egr_vvt_system"] == "complete"
    assert status.readiness["catalyst"] == "unsupported"


@given(st.booleans(), st.integers(0, 127),
       st.fixed_dictionaries({n: st.sampled_from(["complete", "incomplete", "unsupported"])
                              for n in READINESS_MONITORS}))  # fmt: skip
def test_readiness_survives_encode_and_decode(mil, count, states):
    status = readiness.decode_status(readiness.encode_status(mil, count, states))
    assert (status.mil, status.code_count, dict(status.readiness)) == (mil, count, states)


def test_wrong_lengths_and_names_are_errors():
    for data in (b"", b"\x00" * 3, b"\x00" * 5):
        with pytest.raises(ValueError, match="4 data bytes"):
            readiness.decode_status(data)
    with pytest.raises(ValueError, match="no such readiness"):
        readiness.encode_status(False, 0, {"vvt": "complete"})
    with pytest.raises(ValueError, match="no such readiness"):
        readiness.encode_status(False, 0, {"misfire": "ready"})
    with pytest.raises(ValueError, match="0 to 127"):
        readiness.encode_status(True, 128, {})
