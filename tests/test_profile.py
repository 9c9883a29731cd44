"""Vehicle profiles: where a vehicle keeps its cam angles, and the mistakes one can make in writing one."""

import hashlib
import re
import tomllib

import cantools
import pytest
from cantools.database.conversion import BaseConversion
from hypothesis import given, settings
from hypothesis import strategies as st

from camlog import signals
from camlog.cli import main
from camlog.errors import InputError
from camlog.limits import LIMITS
from camlog.profile import DEMO, TEMPLATE, SignalDefinition, read_profile, template_text, write_template
from camlog.profile.model import Cam, Engine, Layout, Oil, ProfileFile, SignalKeys, Vehicle
from camlog.toml_file import keys_of
from camlog.toml_lines import key_lines

DEMO_TEXT = DEMO.read_text(encoding="utf-8")


def profile_of(tmp_path, text):
    path = tmp_path / "car.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_profile(path)


def mistake_in(tmp_path, text):
    with pytest.raises(InputError) as caught:
        profile_of(tmp_path, text)
    assert caught.value.file == str(tmp_path / "car.toml")
    assert "\n" not in str(caught.value)
    return caught.value


def signal_text(**changes):
    """A profile with one oil pressure signal whose keys are changed; None leaves a key out."""
    keys = {"name": '"oil_pressure"', "identifier": "0xF0B0", "length_bits": "16"} | changes
    return 'schema = "camlog.vehicle/1"\n[[signal]]\n' + "".join(f"{k} = {v}\n" for k, v in keys.items() if v)


# ---------------------------------------------------------------- the demo profile


def test_the_demo_profile_is_an_invented_four_cylinder_with_two_phasers():
    profile = read_profile("demo")
    assert "Invented" in profile.name
    assert profile.engine.cylinders == 4
    assert profile.engine.banks == ((1, 2, 3, 4),)
    assert [cam.id for cam in profile.cams] == ["intake_b1", "exhaust_b1"]
    assert profile.cam("exhaust_b1").range_deg == (-40.0, 0.0)
    assert profile.cam("intake_b2") is None
    assert profile.oil_grade == "5W-30"
    assert {d.service for d in profile.signals} == {0x22}
    assert profile.definition("oil_pressure").unit == "kPa"
    assert profile.definition("oil_temp") is None
    assert profile.sha256 == hashlib.sha256(DEMO.read_bytes()).hexdigest()


def test_in_the_demo_profile_both_angles_of_a_cam_come_in_one_can_frame():
    profile = read_profile("demo")
    for cam in profile.cams:
        pair = [profile.definition(name(cam.id)) for name in (signals.commanded, signals.actual)]
        assert len({(d.service, d.identifier, d.request_header) for d in pair}) == 1
        # ISO 15765-2: a single frame carries 7 bytes; 3 of them are the service and the identifier.
        assert max(d.end_byte for d in pair) <= 4


def test_an_exhaust_cam_that_the_module_counts_in_retard_reads_negative_when_it_retards():
    actual = read_profile("demo").definition("cam_exhaust_b1_actual")
    at_rest, retarded_30 = (
        bytes.fromhex("1900"),
        bytes.fromhex("24B8"),
    )  # 64.00 - 64 = 0; 94.00 - 64 = 30 retard
    assert actual.decode(at_rest) == pytest.approx(0.0)
    assert actual.decode(retarded_30) == pytest.approx(-30.0)


# ---------------------------------------------------------------- scaling


def cam_angle(**keys):
    usual = {
        "name": "cam_intake_b1_actual",
        "service": 0x22,
        "identifier": 1,
        "length_bits": 8,
        "unit": "deg",
    }
    return SignalDefinition(**(usual | keys))


def test_camshaft_degrees_count_double():
    # A four-stroke engine's camshaft turns once in two turns of the crankshaft (from memory).
    assert cam_angle(angle="cam").decode(b"\x14") == 40.0
    assert cam_angle(angle="cam").step == 2.0


def test_the_angle_at_rest_is_taken_off_in_crankshaft_degrees_advance_positive():
    # Module: 100 cam degrees retard at rest, 80 now: 20 cam degrees, so 40 crank degrees of advance.
    late = cam_angle(angle="cam", positive="retard", rest_deg=-200.0)
    assert late.decode(b"\x64") == 0.0
    assert late.decode(b"\x50") == 40.0


def test_angle_and_rest_do_not_touch_the_valve_duty(tmp_path):
    text = DEMO_TEXT.replace("rest_deg = 0.0", "rest_deg = 12.5", 1)
    profile = profile_of(tmp_path, text)
    assert profile.definition("cam_intake_b1_duty").decode(b"\x50") == 40.0
    assert profile.definition("cam_intake_b1_actual").decode(b"\x19\x00") == pytest.approx(-12.5)
    assert profile.definition("cam_intake_b1_commanded").decode(b"\x00\x00\x19\x00") == pytest.approx(-12.5)
    assert profile.definition("cam_exhaust_b1_actual").decode(b"\x19\x00") == pytest.approx(0.0)


def test_a_profile_in_other_units_reads_in_camlogs_own(tmp_path):
    psi = profile_of(tmp_path, signal_text(unit='"psi"', factor="0.5", length_bits="8")).signals[0]
    assert psi.decode(b"\x64") == pytest.approx(50 * 6.894757, rel=1e-6)  # 1 psi = 6.894757 kPa: NIST SP 811
    fahrenheit = signal_text(name='"oil_temp"', unit='"degF"', length_bits="8")
    assert profile_of(tmp_path, fahrenheit).signals[0].decode(b"\xd4") == pytest.approx(100.0)


def test_too_few_bytes_are_a_missing_value():
    definition = cam_angle(start_byte=2, length_bits=16)
    assert definition.end_byte == 4
    assert definition.decode(b"\x00\x00\x01") is None
    assert definition.raw(b"") is None
    assert definition.decode(b"\x00\x00\x01\x00") == 256.0


def test_what_the_field_cannot_hold_is_clipped_and_a_missing_value_has_no_count():
    definition = cam_angle(factor=0.5, offset=-64.0)
    assert definition.encode(1e9) == 255
    assert definition.encode(-1e9) == 0
    assert definition.encode(float("inf")) == 255
    with pytest.raises(ValueError, match="missing"):
        definition.encode(float("nan"))
    with pytest.raises(ValueError, match="does not fit"):
        definition.pack(256, bytearray(1))
    with pytest.raises(ValueError, match="needs 1 data bytes"):
        definition.pack(1, bytearray(0))


@st.composite
def fields_in_eight_bytes(draw):
    """A field as cantools counts its bits, and as a profile does."""
    little = draw(st.booleans())
    length = draw(st.integers(1, 32))
    if little:
        # cantools counts from the least significant bit; so where the most significant one lies follows.
        lowest = draw(st.integers(0, 64 - length))
        start_there, start_byte, start_bit = lowest, lowest // 8, (lowest + length - 1) % 8
    else:
        first = draw(st.integers(0, 64 - length))  # counted from the top bit of byte 0
        start_byte, start_bit = first // 8, 7 - first % 8
        start_there = start_byte * 8 + start_bit
    factor = draw(st.sampled_from([0.01, 0.5, 1.0, -0.25, 3.0]))
    offset = draw(st.sampled_from([0.0, -64.0, 12.5]))
    signed = draw(st.booleans())
    ours = SignalDefinition(
        name="oil_pressure", identifier=1, start_byte=start_byte, start_bit=start_bit, length_bits=length,
        byte_order="little" if little else "big", signed=signed, factor=factor, offset=offset, unit="kPa",
    )  # fmt: skip
    theirs = cantools.database.can.Signal(
        "s", start_there, length, "little_endian" if little else "big_endian", signed,
        conversion=BaseConversion.factory(scale=factor, offset=offset),
    )  # fmt: skip
    message = cantools.database.can.Message(1, "m", 8, [theirs], strict=True)
    return ours, message


@settings(max_examples=200, deadline=None)
@given(fields_in_eight_bytes(), st.binary(min_size=8, max_size=8))
def test_bits_and_scaling_read_as_an_independent_decoder_reads_them(field, data):
    # Outside check: the cantools package, an independent implementation of bit fields in messages.
    ours, message = field
    assert ours.decode(data) == pytest.approx(message.decode(data)["s"], rel=1e-9, abs=1e-9)
    assert ours.raw(data) == message.decode(data, scaling=False)["s"]
    assert ours.decode(data[: ours.end_byte]) == ours.decode(data)
    assert ours.decode(data[: ours.end_byte - 1]) is None


@settings(max_examples=200, deadline=None)
@given(fields_in_eight_bytes(), st.binary(min_size=8, max_size=8), st.data())
def test_what_is_encoded_decodes_to_the_same_within_half_a_step_and_moves_no_other_bit(field, before, draw):
    ours, message = field
    low, high = ours.value_range
    value = draw.draw(st.floats(low, high))
    data = bytearray(before)
    ours.pack(ours.encode(value), data)
    assert ours.decode(bytes(data)) == pytest.approx(value, abs=0.5 * ours.step * (1 + 1e-6) + 1e-9)
    changed = {(n, bit) for n in range(8) for bit in range(8) if (data[n] ^ before[n]) >> bit & 1}
    assert changed <= ours.bits
    assert len(ours.bits) == ours.length_bits
    # The same count through the independent encoder (cantools) gives the same bits of the field.
    alone = bytearray(8)
    ours.pack(ours.raw(bytes(data)), alone)
    assert bytes(alone) == message.encode({"s": ours.raw(bytes(data))}, scaling=False)


@given(st.sampled_from(["crank", "cam"]), st.sampled_from(["advance", "retard"]), st.floats(-90, 90),
       st.integers(0, 0xFFFF))  # fmt: skip
def test_every_raw_count_of_a_cam_angle_survives_decode_and_encode(angle, positive, rest, count):
    definition = cam_angle(length_bits=16, factor=0.01, angle=angle, positive=positive, rest_deg=rest)
    data = bytearray(2)
    definition.pack(count, data)
    assert definition.encode(definition.decode(bytes(data))) == count


# ---------------------------------------------------------------- mistakes, each with line, key and remedy

MISTAKES = [
    # what the technician wrote in the demo profile: old text, new text, key, words of the message
    ("factor = 0.01", "facter = 0.01", "signal.facter", "Did you mean factor?"),
    ("cylinders = 4", "colour = 4", "engine.colour", "Known here: cylinders, banks"),
    ("[oil]", "[oill]", "oill", "Did you mean oil?"),
    ("cylinders = 4", 'cylinders = "four"', "engine.cylinders", 'found "four"'),
    ("cylinders = 4", "cylinders = true", "engine.cylinders", "whole number from 1 to 12"),
    ("cylinders = 4", "cylinders = 4.0", "engine.cylinders", "whole number"),
    ("cylinders = 4", "cylinders = 5", "engine.banks", "cylinder 5 is in no bank"),
    ("banks = [[1, 2, 3, 4]]", "banks = [[1, 2, 3, 3]]", "engine.banks", "cylinder 3 is listed twice"),
    ("banks = [[1, 2, 3, 4]]", "banks = [1, 2, 3, 4]", "engine.banks", "one list a bank"),
    ("banks = [[1, 2, 3, 4]]", "banks = [[1, 2, 3, 4, 5]]", "engine.banks", "cylinder 5 does not exist"),
    ("displacement_l = 2.0", "displacement_l = 2000.0", "engine.displacement_l", "litres"),
    ("crank_sprocket_teeth = 21", "crank_sprocket_teeth = 0", "engine.crank_sprocket_teeth", "from 8 to 120"),
    ('grade = "5W-30"', 'grade = "5W-31"', "oil.grade", "Known: 0W-8"),
    ('id = "intake_b1"', 'id = "inlet"', "cam.id", 'one of "intake_b1"'),
    ('id = "exhaust_b1"', 'id = "intake_b1"', "cam.id", "described twice"),
    ("range_deg = [0.0, 50.0]", "range_deg = [50.0, 0.0]", "cam.range_deg", "lowest angle first"),
    ("range_deg = [0.0, 50.0]", "range_deg = [10.0, 50.0]", "cam.range_deg", "leaves out 0"),
    ("range_deg = [0.0, 50.0]", "range_deg = 50.0", "cam.range_deg", "two numbers"),
    ("rest_deg = 0.0", "rest_deg = nan", "cam.rest_deg", "crankshaft degrees"),
    ('name = "oil_pressure"', 'name = "oil_presure"', "signal.name", "Did you mean oil_pressure?"),
    ('name = "oil_pressure"', 'name = "cam_intake_b1_duty"', "signal.name", "defined twice"),
    ('name = "oil_pressure"', 'name = "misfire_cyl5"', "signal.name", "the engine has 4 cylinders"),
    (
        "service = 0x22\nidentifier = 0xF0B0",
        "service = 0x09\nidentifier = 0xF0B0",
        "signal.service",
        "0x22, 0x21",
    ),
    (
        "service = 0x22\nidentifier = 0xF0B0",
        "service = 0x21\nidentifier = 0xF0B0",
        "signal.identifier",
        "too large",
    ),
    ("identifier = 0xF0B0", "identifier = 0x1F0B0", "signal.identifier", "from 0x0 to 0xFFFF"),
    (
        "request_header = 0x7E0\nstart_byte = 0\nstart_bit",
        "request_header = 0xFFFFFFFF\nstart_byte = 0\nstart_bit",
        "signal.request_header",
        "0x1FFFFFFF",
    ),
    ("start_bit = 7", "start_bit = 8", "signal.start_bit", "from 0 to 7"),
    ("length_bits = 16", "length_bits = 33", "signal.length_bits", "from 1 to 32"),
    ("start_byte = 2", "start_byte = 1", "signal.start_byte", "overlaps cam_intake_b1_actual in data byte 1"),
    ("start_byte = 2", "start_byte = 251", "signal.start_byte", "beyond any response"),
    ('byte_order = "big"', 'byte_order = "motorola"', "signal.byte_order", '"big" or "little"'),
    ("signed = false", 'signed = "no"', "signal.signed", "true or false"),
    ("factor = 0.1", "factor = 0", "signal.factor", "is 0"),
    ("factor = 0.1", "factor = inf", "signal.factor", "finite number"),
    ("factor = 0.1", "factor = -0.1\noffset = -1", "signal.factor", "which it cannot be"),
    ('unit = "kPa"', 'unit = "degC"', "signal.unit", 'Use "kPa" or a unit that converts to it'),
    ('unit = "kPa"', 'unit = "furlong per"', "signal.unit", "does not measure"),
    ('unit = "kPa"', 'unit = "m/0"', "signal.unit", "does not measure"),
    ('unit = "kPa"', 'unit = "9**9**9"', "signal.unit", "the name of a unit"),
    ('unit = "kPa"', 'unit = "kPa\\u0000"', "signal.unit", "the name of a unit"),
    ('unit = "kPa"', 'unit = "kPa"\nangle = "cam"', "signal.angle", "has no meaning for oil_pressure"),
    ('angle = "crank"', 'angle = "wheel"', "signal.angle", '"crank" or "cam"'),
    ('positive = "advance"', 'positive = "up"', "signal.positive", '"advance" or "retard"'),
    ('schema = "camlog.vehicle/1"', 'schema = "camlog.vehicle/2"', "schema", 'reads "camlog.vehicle/1"'),
    ('[oil]\ngrade = "5W-30"', 'oil = "5W-30"', "engine.oil", "unknown key"),
]


@pytest.mark.parametrize(("old", "new", "key", "words"), MISTAKES, ids=[f"{m[2]}-{m[3][:24]}" for m in MISTAKES])
def test_a_mistake_is_named_with_its_line_its_key_and_what_to_do(tmp_path, old, new, key, words):
    assert old in DEMO_TEXT
    text = DEMO_TEXT.replace(old, new, 1)
    error = mistake_in(tmp_path, text)
    assert error.column == key
    assert words in str(error)
    assert error.remedy
    # The line named is one that carries the key.
    assert re.search(rf"^\[*{key.rpartition('.')[2]}\b", text.splitlines()[error.line - 1])


def test_the_line_is_that_of_the_second_of_two_signals_that_overlap(tmp_path):
    text = DEMO_TEXT.replace("start_byte = 2", "start_byte = 1", 1)
    line = text.splitlines().index("start_byte = 1") + 1
    assert mistake_in(tmp_path, text).line == line


def test_a_cam_needs_both_its_angles(tmp_path):
    cut = DEMO_TEXT.replace('name = "cam_exhaust_b1_commanded"', 'name = "manifold_pressure"').replace(
        'unit = "deg"\npositive = "retard"\n\n[[signal]]\nname = "cam_intake_b1_duty"',
        'unit = "kPa"\n\n[[signal]]\nname = "cam_intake_b1_duty"',
    )
    error = mistake_in(tmp_path, cut)
    assert "exhaust_b1 has no signal cam_exhaust_b1_commanded" in str(error)
    assert cut.splitlines()[error.line - 1] == 'id = "exhaust_b1"'
    # The same where no [[cam]] says that there is one.
    only_actual = signal_text(name='"cam_intake_b2_actual"')
    assert "intake_b2 has no signal cam_intake_b2_commanded" in str(mistake_in(tmp_path, only_actual))


def test_a_cam_of_bank_2_on_an_in_line_engine_is_a_mistake(tmp_path):
    text = DEMO_TEXT.replace('"exhaust_b1"', '"exhaust_b2"').replace("cam_exhaust_b1", "cam_exhaust_b2")
    assert "exhaust_b2 is on bank 2, but engine.banks has 1" in str(mistake_in(tmp_path, text))


def test_little_endian_counted_from_the_wrong_end_is_not_read_as_another_value(tmp_path):
    error = mistake_in(tmp_path, signal_text(byte_order='"little"', start_bit="0"))
    assert error.column == "signal.start_bit"
    assert "MOST significant" in str(error)
    right = profile_of(tmp_path, signal_text(byte_order='"little"', start_bit="7")).signals[0]
    assert right.decode(b"\x34\x12") == 0x1234


@pytest.mark.parametrize("key", ["name", "identifier", "length_bits"])
def test_what_a_signal_cannot_do_without_is_missed_at_its_header(tmp_path, key):
    error = mistake_in(tmp_path, signal_text(**{key: None}))
    assert (error.line, error.column) == (2, f"signal.{key}")
    assert "is missing" in str(error)


def test_the_same_bits_of_another_identifier_or_module_do_not_overlap(tmp_path):
    text = signal_text() + '[[signal]]\nname = "oil_temp"\nidentifier = 0xF0B1\nlength_bits = 16\n'
    text += '[[signal]]\nname = "ambient_temp"\nidentifier = 0xF0B1\nlength_bits = 16\nrequest_header = 0x7E1\n'
    assert len(profile_of(tmp_path, text).signals) == 3


def test_everything_but_the_schema_and_a_signals_place_has_a_default(tmp_path):
    profile = profile_of(tmp_path, signal_text())
    assert profile.name == "car"
    assert profile.engine.cylinders is None and profile.engine.banks is None
    assert profile.oil_grade is None and profile.cams == () and profile.limits == {}
    definition = profile.signals[0]
    assert (definition.service, definition.unit, definition.decode(b"\x01\x00")) == (0x22, "kPa", 256.0)


def test_cams_that_only_signals_name_rest_at_zero(tmp_path):
    text = signal_text(name='"cam_intake_b1_actual"')
    text += '[[signal]]\nname = "cam_intake_b1_commanded"\nidentifier = 1\nlength_bits = 16\n'
    cam = profile_of(tmp_path, text).cam("intake_b1")
    assert (cam.rest_deg, cam.range_deg) == (0.0, None)


def test_cylinders_follow_from_the_banks(tmp_path):
    profile = profile_of(tmp_path, signal_text() + "[engine]\nbanks = [[1, 3, 5], [2, 4, 6]]\n")
    assert profile.engine.cylinders == 6


def test_limits_of_the_service_information_are_taken_by_name_only(tmp_path):
    assert profile_of(tmp_path, signal_text() + "[limits]\nhold_error_deg = 4\n").limits == {"hold_error_deg": 4.0}
    error = mistake_in(tmp_path, signal_text() + "[limits]\nhold_eror_deg = 4\n")
    assert error.column == "limits.hold_eror_deg" and "Did you mean hold_error_deg?" in str(error)
    for wrong in ("nan", "true", '"4"', "inf"):
        error = mistake_in(tmp_path, signal_text() + f"[limits]\nhold_error_deg = {wrong}\n")
        assert "finite number" in str(error) and error.line == 7


@pytest.mark.parametrize(
    ("content", "line", "words"),
    [
        (b'schema = "camlog.vehicle/1"\n[engine\n', 2, "is not valid TOML"),
        (b'schema = "camlog.vehicle/1"\n[engine]\ncylinders = 4\ncylinders = 4\n', 4, "is not valid TOML"),
        (b'schema = "camlog.vehicle/1"\nx = [1,\n', 2, "is not valid TOML"),
        (b"time [s],engine_speed [rpm]\n0,800\n", 1, "is not valid TOML"),
        (b"", 1, "has no schema"),
        (b'# caf\xe9\nschema = "camlog.vehicle/1"\n', 1, "is not UTF-8"),
        (b'schema = "camlog.vehicle/1"\nvehicle = 4\n', 2, "Write [vehicle] on a line"),
        (b'schema = "camlog.vehicle/1"\n[cam]\nid = "intake_b1"\n', 2, "Write [[cam]] with two brackets"),
        (b'schema = "camlog.vehicle/1"\nsignal = [4]\n', 2, "Write [[signal]] on a line"),
        (b'schema = "camlog.vehicle/1"\nlimits = 4\n', 2, "Write [limits] on a line"),
        (b'schema = "camlog.vehicle/1"\n[engine]\ncylinders = 0x' + b"F" * 9000, 3, "more than 64 bits"),
        (b"x = " + b"[" * 3000 + b"]" * 3000, None, "is not valid TOML"),
    ],
)
def test_a_file_that_is_no_profile_says_so(tmp_path, content, line, words):
    error = mistake_in(tmp_path, content)
    assert words in str(error)
    assert line is None or error.line == line


def test_a_file_saved_on_windows_reads_the_same(tmp_path):
    windows = profile_of(tmp_path, b"\xef\xbb\xbf" + DEMO_TEXT.replace("\n", "\r\n").encode())
    assert windows.signals == read_profile("demo").signals
    text = DEMO_TEXT.replace("factor = 0.1\n", "factor = 0\n")
    unix_line = mistake_in(tmp_path, text).line
    assert mistake_in(tmp_path, text.replace("\n", "\r\n")).line == unix_line


def test_a_path_that_cannot_be_read_says_what_to_check(tmp_path):
    for path in (tmp_path / "missing.toml", tmp_path):
        with pytest.raises(InputError, match="cannot be read"):
            read_profile(path)
    (tmp_path / "huge.toml").write_bytes(b"#" * 2_000_000)
    with pytest.raises(InputError, match="too large"):
        read_profile(tmp_path / "huge.toml")


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_damaged_profile_is_read_or_refused_in_one_line_never_anything_else(tmp_path_factory, data):
    text = DEMO_TEXT
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(text)))
        end = min(len(text), start + data.draw(st.integers(0, 30)))
        text = (
            text[:start]
            + data.draw(st.sampled_from(['"', "[", "]", "=", "\n", "-", "0", ".", "{", "e", ""]))
            + text[end:]
        )
    path = tmp_path_factory.getbasetemp() / "damaged.toml"
    path.write_text(text)
    try:
        read_profile(path)
    except InputError as error:
        assert "\n" not in str(error)


@settings(max_examples=150, deadline=None)
@given(st.text(alphabet="kPabrsi°%12^/. -*([{e", max_size=12))
def test_any_text_as_a_unit_is_converted_or_refused(tmp_path_factory, unit):
    path = tmp_path_factory.getbasetemp() / "unit.toml"
    path.write_text(signal_text(unit=f'"{unit}"'))
    try:
        assert read_profile(path).signals[0].step > 0.0
    except InputError as error:
        assert error.column == "signal.unit" or error.column == "signal.factor"


# ---------------------------------------------------------------- lines of keys

TRICKY = '''# a = 1
a = """
b = 2 # not a key
[c]
""" # text
'q"[' = '[x]'
"e\\"s=c".f = "]" # dotted
n = [ 1, # one
  [2, "]"], { g = 1, h = [3, {i = 4}] },
]

[ t . "u v" ]
date = 1979-05-27 07:32:00
lit = \'\'\'
[[w]]
two quotes at the end\'\'\'\'\'
[[w]]
x = {}
[[w.y]]
z = 1
[[w.y]]
z.zz = """a"""""
[[w]]
x = 2
[w.k]
m = true
'''


def paths_of(value, path=()):
    if isinstance(value, dict):
        for key, item in value.items():
            yield (*path, key)
            yield from paths_of(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield (*path, index)
            yield from paths_of(item, (*path, index))


@pytest.mark.parametrize("text", [TRICKY, DEMO_TEXT, TEMPLATE.read_text(encoding="utf-8")])
def test_every_key_that_the_toml_library_finds_has_a_line_and_no_other(text):
    # Outside check: tomllib says which keys there are.
    assert set(key_lines(text)) == set(paths_of(tomllib.loads(text)))


def test_lines_of_keys_in_a_tricky_file():
    lines = key_lines(TRICKY)
    rows = TRICKY.splitlines()
    for path, start in [
        (("a",), 'a = """'), (('q"[',), "'q\"["), (('e"s=c', "f"), '"e'), (("n", 2, "h", 1, "i"), "  [2"),
        (("t", "u v", "date"), "date"), (("w", 0, "y", 1, "z", "zz"), "z.zz"), (("w", 1, "k", "m"), "m ="),
    ]:  # fmt: skip
        assert rows[lines[path] - 1].startswith(start), path
    assert lines["w", 1] == rows.index("x = 2")


# ---------------------------------------------------------------- the template and the commands


def test_the_template_reads_and_every_key_of_the_format_appears_in_it(tmp_path):
    text = TEMPLATE.read_text(encoding="utf-8")
    assert read_profile(TEMPLATE).cam("intake_b1")
    # Keys that would pass for this vehicle's are commented out; all put in force, it still reads.
    in_force = re.sub(r"^#(?=\w+ = )", "", text, flags=re.MULTILINE)
    profile = profile_of(tmp_path, in_force)
    assert profile.engine.cylinders == 6 and profile.limits == {"hold_error_deg": 5.0}
    raw = tomllib.loads(in_force)
    assert set(raw) == set(keys_of(ProfileFile))
    tables = {"vehicle": Vehicle, "engine": Engine, "oil": Oil, "layout": Layout, "cam": Cam, "signal": SignalKeys}
    for table, schema in tables.items():
        written = raw[table][0] if isinstance(raw[table], list) else raw[table]
        assert set(written) == set(keys_of(schema)), table


def test_every_key_of_the_template_explains_itself():
    rows = TEMPLATE.read_text(encoding="utf-8").split('[[signal]]\nname = "cam_intake_b1_commanded"')[0].splitlines()
    for number, row in enumerate(rows):
        if re.match(r"#?\w+ = ", row) and not row.startswith("offset"):  # offset shares the line of factor
            assert rows[number - 1].startswith("# "), row


def test_a_new_profile_is_not_laid_to_service_information_it_does_not_have(tmp_path):
    profile = read_profile(write_template(tmp_path / "new.toml"))
    assert profile.limits == {} and profile.oil_grade is None and profile.engine.crank_sprocket_teeth is None


def test_a_new_profile_lists_every_signal_and_every_limit_and_all_limits_can_be_put_in_force(tmp_path):
    text = template_text()
    assert all(f"#   {name} [" in text for name in signals.SIGNALS)
    profile = profile_of(tmp_path, re.sub(r"^#(?=\w+ = )", "", text, flags=re.MULTILINE))
    assert {name: limit.value for name, limit in LIMITS.items()} == profile.limits


def run(capsys, *arguments):
    try:
        main(["vehicle", *map(str, arguments)])
        status = 0
    except SystemExit as end:
        status = end.code or 0
    out = capsys.readouterr()
    return status, out.out, out.err


def test_vehicle_check_shows_each_signal_with_its_identifier_and_range(capsys):
    status, out, err = run(capsys, "check", "demo")
    assert (status, err) == (0, "")
    row = next(line for line in out.splitlines() if "cam_intake_b1_commanded" in line)
    assert row.split() == [
        "cam_intake_b1_commanded",
        "22",
        "F0A2",
        "7E0",
        "2-3",
        "-64",
        "to",
        "591.35",
        "deg",
        "0.01",
    ]
    assert "Invented four-cylinder" in out and "5W-30" in out and "17.1 deg a" in out


def test_vehicle_check_shows_a_partial_byte_and_a_limit(capsys, tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(signal_text(length_bits="12", start_bit="3") + "[limits]\nhold_error_deg = 4\n")
    status, out, _ = run(capsys, "check", path)
    assert status == 0
    assert "0-1, 12 bits from 0.3" in out
    assert re.search(r"hold_error_deg\s+4\s+5\s+deg", out)


def test_vehicle_check_asks_for_a_second_look_at_what_is_often_wrong(capsys, tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(DEMO_TEXT)
    assert "Look again" not in run(capsys, "check", path)[1]
    untouched = " ".join(run(capsys, "check", write_template(tmp_path / "new.toml"))[1].split())
    assert "Look again: every identifier is still one that camlog invented" in untouched
    status, _, err = run(capsys, "new", tmp_path / "new.toml")
    assert status == 2 and "--force" in err and "--out" not in err
    first = DEMO_TEXT.index('name = "cam_exhaust_b1_actual"')
    path.write_text(DEMO_TEXT[:first] + DEMO_TEXT[first:].replace('"retard"', '"advance"', 1).replace("-64.0", "0", 1))
    out = " ".join(run(capsys, "check", path)[1].split())
    assert "exhaust_b1: commanded and actual differ in positive" in out
    assert "cam_exhaust_b1_actual reaches from 0 to 655.35 deg, but the cam travels from -40 to 0 deg" in out
    path.write_text(DEMO_TEXT.replace("identifier = 0xF0A2", "identifier = 0xF0A9", 1))
    assert "intake_b1: commanded and actual angle come from different answers" in run(capsys, "check", path)[1]


def test_vehicle_check_of_a_mistake_is_one_line_and_status_2(capsys, tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(signal_text(factor="0"))
    status, out, err = run(capsys, "check", path)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert f"{path}, line 6, signal.factor: is 0" in err


def test_vehicle_new_writes_a_profile_to_fill_in_and_never_overwrites_unasked(capsys, tmp_path):
    path = tmp_path / "new.toml"
    assert run(capsys, "new", path)[0] == 0
    assert run(capsys, "check", path)[0] == 0
    path.write_text("mine")
    status, _, err = run(capsys, "new", path)
    assert status == 2 and "--force" in err and path.read_text() == "mine"
    assert run(capsys, "new", path, "--force")[0] == 0
    assert path.read_text() == template_text()
    assert run(capsys, "new", tmp_path / "no" / "folder.toml")[0] == 2


def test_vehicle_show_prints_the_demo_profile_as_written(capsys):
    assert run(capsys, "show", "demo")[1] == DEMO_TEXT
