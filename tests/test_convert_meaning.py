"""What a heading means and what its values show: names, units, cams, stamps and held values. Terms are those
of SAE J1930 and SAE J1979 (from memory) and plain workshop words (common practice, no source)."""

from __future__ import annotations

import random

import numpy as np
import pytest

from camlog.convert import convert
from camlog.convert.cells import Numbers, find_dialect, find_numbers, is_missing
from camlog.convert.clocks import unit_from_steps
from camlog.convert.figures import column_figures, held_repeats
from camlog.convert.headings import parse_heading, read_unit
from camlog.convert.layout import stated_rate_hz
from camlog.convert.meaning import CERTAIN, DOUBTFUL, candidates
from camlog.convert.repeats import without_repeats
from camlog.convert.rows import RowStore
from camlog.convert.stamps import NOT_A_TIME, StampReader, find_form, is_stamp
from camlog.convert.words import PHRASES, SAME_WORDS, UNITS
from camlog.signals import BY_PID, SIGNALS
from camlog.trace import read_trace
from camlog.units import conversion


def meaning(heading: str, unit: str = "") -> tuple[str | None, float]:
    found = candidates(heading, unit)
    return (found[0][1].signal, found[0][1].score) if found else (None, 0.0)


# ---------------------------------------------------------------- names

# SAE J1979 parameter names and SAE J1930 acronyms, from memory.
J1979 = {
    "LOAD_PCT": 0x04, "ECT": 0x05, "SHRTFT1": 0x06, "LONGFT1": 0x07, "SHRTFT2": 0x08, "LONGFT2": 0x09,
    "MAP": 0x0B,
    "RPM": 0x0C, "VSS": 0x0D, "SPARKADV": 0x0E, "IAT": 0x0F, "MAF": 0x10, "TP": 0x11, "RUNTM": 0x1F,
    "VPWR": 0x42,
    "AAT": 0x46, "EOT": 0x5C,
}  # fmt: skip


@pytest.mark.parametrize("acronym", J1979)
def test_standard_acronyms_and_parameter_numbers_name_the_same_signal(acronym):
    pid = J1979[acronym]
    assert meaning(acronym)[0] == BY_PID[pid].name and meaning(acronym)[1] >= CERTAIN
    for heading in (
        f"01{pid:02X}",
        f"PID {pid:02X}",
        f"0x{pid:02X}",
        f"01-{pid:02x}",
        f"{acronym} (PID {pid:02X})",
    ):
        assert meaning(heading)[0] == BY_PID[pid].name, heading
        assert meaning(heading)[1] >= CERTAIN, heading


def test_every_standard_parameter_is_known_by_acronym():
    assert {BY_PID[p].name for p in J1979.values()} == {s.name for s in BY_PID.values()}


@pytest.mark.parametrize(
    ("heading", "signal"),
    [
        ("Engine Speed (rpm)", "engine_speed"), ("engineSpeed", "engine_speed"), ("ENGINE_RPM",
        "engine_speed"),
        ("Motordrehzahl [U/min]", "engine_speed"), ("Régime moteur", "engine_speed"),
        ("Engine coolant temperature", "coolant_temp"), ("Coolant_Temp_C", "coolant_temp"), ("Water temp °C",
        "coolant_temp"),
        ("Kühlwassertemperatur", "coolant_temp"), ("Oil (°C)", "oil_temp"), ("Oil (kPa)", "oil_pressure"),
        ("Öldruck [bar]", "oil_pressure"), ("Battery voltage", "module_voltage"), ("Speed, km/h",
        "vehicle_speed"),
        ("Calc. load value %", "engine_load"), ("Absolute Throttle Position", "throttle_position"),
        ("Ignition timing advance", "spark_advance"), ("Short term fuel trim - Bank 2", "short_fuel_trim_b2"),
        ("LTFT B1 %", "long_fuel_trim_b1"), ("Run time since engine start", "run_time"),
        ("Intake manifold absolute pressure", "manifold_pressure"), ("Misfires cyl. 4", "misfire_cyl4"),
        ("Cylinder 12 misfire count", "misfire_cyl12"), ("coolant_temp [degF]", "coolant_temp"),
        ("cam_exhaust_b2_duty [%]", "cam_exhaust_b2_duty"),
    ],
)  # fmt: skip
def test_workshop_words_are_certain(heading, signal):
    assert meaning(heading) == (signal, pytest.approx(meaning(heading)[1]))
    assert meaning(heading)[1] >= CERTAIN


@pytest.mark.parametrize(
    "heading", ["Temperature", "Speed", "Voltage", "Coolant", "Battery", "Timing", "Air temp (°C)"]
)
def test_words_that_could_be_several_things_are_in_doubt(heading):
    assert DOUBTFUL <= meaning(heading)[1] < CERTAIN


@pytest.mark.parametrize(
    "heading",
    [
        "Commanded throttle position", "Throttle position B", "Accelerator pedal position D",
        "Catalyst temp B1S1",
        "Transmission oil temp", "Engine speed max", "Desired idle speed", "Fuel rail pressure",
        "Boost pressure",
        "O2 sensor voltage B1S2", "Coolant temp sensor voltage", "Cam error (deg)", "Intake cam deviation",
        "Knock retard (deg)", "Barometric pressure", "Wheel speed FL", "GPS speed", "Gear",
        "Injector pulse width",
        "Total misfires", "Fuel temperature", "Misfire history", "Load torque (Nm)", "Coolant fan duty (%)",
        "Fuel level",
    ],
)  # fmt: skip
def test_what_only_sounds_like_it_is_not_taken(heading):
    assert meaning(heading)[1] < DOUBTFUL


def test_parameter_number_and_words_that_disagree_are_in_doubt():
    assert meaning("PID 0C Coolant temperature")[1] < CERTAIN
    assert meaning("PID 0C Engine speed")[1] == 1.0


def test_every_phrase_and_unit_is_one_that_can_be_met():
    for name, phrases in PHRASES.items():
        assert name in SIGNALS or f"{name}_b1" in SIGNALS
        for phrase, score in phrases:
            assert DOUBTFUL <= score <= 1.0
            for word in phrase.split():
                assert SAME_WORDS.get(word, word) == word, f"{word!r} is always replaced, so {phrase!r} never matches"
    for word, others in SAME_WORDS.items():
        for other in others.split():
            assert SAME_WORDS.get(other, other) == other, f"{word!r} becomes {other!r}, which is replaced itself"
    canonical = {s.unit for s in SIGNALS.values()}
    for unit in (
        "degC",
        "degF",
        "km/h",
        "mph",
        "kPa",
        "psi",
        "bar",
        "mbar",
        "hPa",
        "inHg",
        "mmHg",
        "g/s",
        "kg/h",
        "lb/min",
        "mV",
    ):
        assert unit in UNITS.values()
        assert any(_converts(unit, c) for c in canonical), unit


def _converts(unit: str, canonical: str) -> bool:
    try:
        conversion(unit, canonical)
    except ValueError:
        return False
    return True


@pytest.mark.parametrize(
    ("text", "unit", "shaft"),
    [("°C", "degC", None), ("1/min", "rpm", None), ("°CA", "deg", "crank"), ("°KW", "deg", "crank"), ("° cam",
    "deg", "cam"),
     ("deg crank", "deg", "crank"), ("km / h", "km/h", None), ("µs", "us", None), ("gm/sec", "g/s", None)],
)  # fmt: skip
def test_units_as_they_are_written(text, unit, shaft):
    assert read_unit(text) == (unit, shaft)
    assert parse_heading(f"Something ({text})").unit == unit


def test_a_heading_is_taken_apart():
    heading = parse_heading("Intake Camshaft Position Actual, Bank 2 [°CA]")
    assert heading.bank == 2 and heading.shaft == "crank" and "actual" in heading.words and "cam" in heading.words
    assert parse_heading("Misfire Cyl#3").cylinder == 3


# ---------------------------------------------------------------- values


def store_of(*columns) -> RowStore:
    store = RowStore(1 + len(columns))
    store.append(np.column_stack([np.arange(len(columns[0]), dtype=float), *columns]))
    return store


def figures_of(*columns):
    return column_figures(store_of(*columns))


def test_repeats_of_a_logger_that_goes_round_are_found_whatever_the_row():
    rng = np.random.default_rng(1)
    for period in (2, 3, 5, 12, 40):
        fresh = np.round(rng.normal(1500, 50, 200), 0)
        columns = [
            np.repeat(fresh, period),
            np.roll(np.repeat(rng.integers(0, 4, 200).astype(float), period), 1),
        ]
        found = figures_of(*columns)
        assert [f.held_rows for f in found] == [period, period]


def test_repeats_after_irregular_times_are_found_by_a_restless_value():
    rng = np.random.default_rng(2)
    held = np.repeat(np.round(rng.normal(20, 3, 400), 2), rng.integers(3, 6, 400))
    found = figures_of(held)[0]
    assert 3 <= found.held_rows <= 5


@pytest.mark.parametrize("seed", range(12))
def test_fresh_samples_are_never_taken_for_repeats(seed):
    rng = np.random.default_rng(seed)
    n = 4000
    t = np.arange(n)
    fresh = [
        np.round(1500 + 300 * np.sin(t / 90) + rng.normal(0, 8, n)),  # engine speed
        np.floor(20 + t / 55.0),  # a coolant that warms up evenly, in whole degrees
        np.round(85 + np.cumsum(rng.normal(0, 0.05, n))),  # one that wanders slowly
        np.round(14 + rng.normal(0, 0.03, n), 1),  # a voltage of few steps
        (rng.random(n) < 0.01).cumsum().astype(float),  # a counter
        np.repeat(rng.permutation(np.arange(n // 100)), 100).astype(float)[:n] * 0 + np.floor(t / 700) % 2,  # a switch
    ]
    # A drive has phases: what moves with the car rests while the engine idles, and the other way round.
    driving = (t // rng.integers(40, 500)) % 2 == 1
    fresh.append(np.where(driving, np.round(50 + rng.normal(0, 3, n)), 0.0))
    fresh.append(np.where(driving, 0.0, np.round(3 + rng.normal(0, 2, n), 1)))
    store = store_of(*fresh)
    found = without_repeats(store, column_figures(store))
    assert [f.held_rows for f in found] == [1] * len(fresh)
    assert all(f.repeated is None for f in found)


def test_a_stuck_value_beside_held_ones_is_held_like_them():
    rng = np.random.default_rng(3)
    columns = [np.repeat(rng.normal(0, 1, 150), 4), np.repeat(rng.normal(0, 1, 150), 4), np.full(600, 90.0)]
    assert [f.held_rows for f in figures_of(*columns)] == [4, 4, 4]


def test_what_is_kept_of_held_rows_is_every_reading_once():
    rng = np.random.default_rng(4)
    readings = rng.integers(0, 3, 300).astype(float)  # often the same reading again: that is a reading too
    held = np.repeat(readings, 5)
    assert held[~held_repeats(held, 5)].tolist() == readings.tolist()


def test_a_failed_reading_is_missing_and_told(tmp_path):
    path = tmp_path / "a.csv"
    rows = "".join(f"{i},{700 + i % 40},{-900 if i == 7 else 80 + i % 3}\n" for i in range(400))
    path.write_text("Time (s),Engine speed (rpm),Coolant temp (°C)\n" + rows)
    conversion = convert(path)
    assert np.isnan(read_trace(conversion.trace_path).columns["coolant_temp"][7])
    assert any("outside what the sensor can report" in n for n in conversion.notes)


@pytest.mark.parametrize(
    ("first", "step", "whole", "unit"),
    [(0, 1, True, "s"), (0, 0.1, False, "s"), (0, 100, True, "ms"), (12000, 250, True, "ms"), (0, 1_000_000,
    True, "us"),
     (1.7e9, 1, True, "s"), (1.7e12, 50, True, "ms"), (0, 20, True, None), (0, float("nan"), True, None), (0,
     1 / 60, False, None)],
)  # fmt: skip
def test_the_unit_of_a_time_is_told_by_its_steps_or_asked(first, step, whole, unit):
    assert unit_from_steps(first, step, whole, 100)[0] == unit


# ---------------------------------------------------------------- cells, stamps, dialects


@pytest.mark.parametrize(
    "cell", ["", " ", "-", "---", "N/A", "n/a", "#N/A", "NaN", "null", "No data", "—", "?", "...", "****"]
)
def test_words_for_nothing_are_missing(cell):
    assert is_missing(cell)


@pytest.mark.parametrize("cell", ["0", "-1", "0.0", "P0011", "D", "-5"])
def test_what_says_something_is_not_missing(cell):
    assert not is_missing(cell)


@pytest.mark.parametrize(
    ("numbers", "cell", "value"),
    [
        (Numbers(), "1.5", 1.5), (Numbers(), "+5", 5.0), (Numbers(), ".5", 0.5), (Numbers(), "1e3", 1000.0),
        (Numbers(), "−2", -2.0),
        (Numbers(), " 7\u00a0", 7.0), (Numbers(), "1,5", None), (Numbers(), "0x10", None), (Numbers(), "1_0",
        None),
        (Numbers(), "inf", None), (Numbers(), "1e999", None), (Numbers(), "٣", None), (Numbers(","), "1,5",
        1.5),
        (Numbers(","), "1.5", None), (Numbers(".", ","), "1,234.5", 1234.5), (Numbers(".", ","), "12,34",
        None),
        (Numbers(",", "."), "1.234,5", 1234.5), (Numbers(",", " "), "1 234,5", 1234.5), (Numbers(".", "'"),
        "1'234.5", 1234.5),
        (Numbers(",", "."), "0.123", None),
    ],
)  # fmt: skip
def test_numbers_are_read_strictly(numbers, cell, value):
    assert numbers.read(cell) == value


def test_decimal_marks_are_told_by_what_can_be_only_one_thing():
    assert find_numbers(["0,5", "12,75", "3"], ";") == Numbers(",")
    assert find_numbers(["1,234.5", "12.75"], ",") == Numbers(".", ",")
    assert find_numbers(["1.234,5", "0,5"], ";") == Numbers(",", ".")
    assert find_numbers(["1,250", "1,260"], ";") is None
    assert find_numbers(["0.123", "1.250"], ",") == Numbers(".")


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (["23:59:59.5", "0:00:00.5"], [0, 1]), (["12:59:59 PM", "1:00:00 PM"], [0, 1]), (["11:59:59 PM",
        "12:00:01 AM"], [0, 2]),
        (["2024-02-28T23:59:59Z", "2024-02-29T00:00:00Z"], [0, 1]), (["2024-05-01T09:00:00+02:00",
        "2024-05-01T07:00:01Z"], [0, 1]),
        (["31.12.2024 23:59:59,25", "01.01.2025 00:00:00,25"], [0, 1]), (["20240228T235959",
        "20240229T000000"], [0, 1]),
        (["25-Nov-2024 08:11:52", "25-Nov-2024 08:11:53"], [0, 1]), (["59:59.5", "60:00.0"], [0, 0.5]),
        (["25:00:00", "25:00:01"], [0, 1]),
        (["2/28/2025 11:59:59 PM", "3/1/2025 12:00:00 AM"], [0, 1]), (["08:11:52 25/11/2024",
        "08:11:53 25/11/2024"], [0, 1]),
    ],
)  # fmt: skip
def test_stamps_become_seconds(cells, seconds):
    read = StampReader(find_form(cells)).read(cells)
    assert ((read - read[0]) / 1e9).tolist() == pytest.approx(seconds)


@pytest.mark.parametrize(
    "cell",
    ["now", "today", "12", "1.5", "24:61:00x", "99/99/2024 10:00:00z1", "P0011", "", "::", "10:00:00:00:00"],
)
def test_what_is_no_stamp_is_no_time(cell):
    assert not is_stamp(cell)


@pytest.mark.parametrize(
    "cell",
    [
        "2024-02-30 10:00:00",
        "2023-02-29 10:00:00",
        "2024-13-01 10:00:00",
        "2024-05-01 25:00:00",
        "2024-05-01 10:61:00",
    ],
)
def test_days_and_times_that_do_not_exist_are_missing(cell):
    good = "2024-05-01 10:00:00"
    assert StampReader(find_form([good])).read([good, cell])[1] == NOT_A_TIME


def test_a_year_nobody_drove_in_is_no_time():
    cells = ["Mar 2, 2024 8:15:30", "Mar 2, 0224 8:15:31", "Mar 2, 2024 8:15:32"]
    assert StampReader(find_form(cells[::2])).read(cells)[1] == NOT_A_TIME


def test_stamps_agree_with_the_standard_library():
    from datetime import UTC, datetime, timedelta

    rng = random.Random(9)
    moments = [datetime(1971, 1, 1, tzinfo=UTC) + timedelta(microseconds=rng.randrange(4 * 10**15)) for _ in range(500)]
    for form in ("%Y-%m-%dT%H:%M:%S.%fZ", "%d.%m.%Y %H:%M:%S,%f", "%m/%d/%Y %I:%M:%S.%f %p"):
        cells = [m.strftime(form) for m in moments]
        read = StampReader(find_form(cells)).read(cells)
        epoch = datetime(1970, 1, 1, tzinfo=UTC)
        assert read.tolist() == [(m - epoch) // timedelta(microseconds=1) * 1000 for m in moments]


@pytest.mark.parametrize(
    ("line", "rate"),
    [("Sample rate: 10 Hz", 10), ("Sampling interval = 200 ms", 5), ("Abtastrate 20 Hz", 20), ("rate;5;Hz",
    5), ("Interval 0,5 s", 2),
     ("Heart rate 80", None), ("Engine speed 10 Hz", None)],
)  # fmt: skip
def test_a_rate_above_the_headings_is_read(line, rate):
    found = stated_rate_hz([line])
    assert found is None if rate is None else found == pytest.approx(rate)


def test_dialects_of_short_and_of_very_wide_files_are_found():
    assert find_dialect(["a;b", "0,5;1,5", "1,5;2,5", "2,5;3,5"]).separator == ";"
    wide = [";".join(f"{i + j},5" for j in range(600)) for i in range(10)]
    assert find_dialect(wide).separator == ";"
    assert find_dialect(["Dear sir", "nothing here"]) is None


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_single_quotes_are_found_with_every_separator(separator):
    lines = [
        separator.join(f"'{cell}'" for cell in row) for row in (["time", f"speed{separator} rpm"], *[["1", "2"]] * 5)
    ]
    found = find_dialect(lines)
    assert (found.separator, found.quote) == (separator, "'")
    assert [len(row) for row in found.rows(lines)] == [2] * 6


def test_a_signal_of_camlogs_own_name_in_a_unit_of_another_kind_is_in_doubt(tmp_path):
    path = tmp_path / "odd.csv"
    path.write_text(
        "Time (s),oil_temp [rpm],Engine speed (1/min)\n" + "".join(f"{i},{60 + i},{700 + i}\n" for i in range(50))
    )
    (oil,) = convert(path).doubtful
    assert oil.signal == "oil_temp" and oil.doubts == ("unit",) and "rpm is no unit of oil_temp" in oil.reason


def test_a_cam_angle_in_a_unit_of_another_kind_is_in_doubt_even_where_a_mapping_says_so(tmp_path):
    path, said = tmp_path / "odd.csv", tmp_path / "odd.map.toml"
    path.write_text("Time (s),Intake cam actual,RPM\n" + "".join(f"{i},{i % 30},{700 + i}\n" for i in range(50)))
    said.write_text('schema = "camlog.map/1"\n[[column]]\nheading = "Intake cam actual"\nunit = "s"\n')
    (cam,) = convert(path, mapping=said).doubtful
    assert "unit" in cam.doubts and "s is no unit of" in cam.reason
