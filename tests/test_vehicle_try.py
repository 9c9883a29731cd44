"""A profile is tried on the simulated car: its mistakes are named, and none is named in a profile that has none."""

from __future__ import annotations

import io
import re
import tempfile
from functools import cache
from pathlib import Path

import pytest
from rich.console import Console
from typer.testing import CliRunner

from camlog.cli import build_app
from camlog.profile import read_profile
from camlog.profile.reader import DEMO
from camlog.simulate.adapter import AdapterTraits, SimulatedAdapter, TimingModel
from camlog.simulate.adapter.modules import modules_for
from camlog.simulate.vehicle.car import SimulatedCar
from camlog.simulate.vehicle.conditions import Condition
from camlog.simulate.vehicle.draw import demo_setup
from camlog.trial.judge import judge
from camlog.trial.readings import Readings
from camlog.trial.shown import row, shown
from camlog.units import showing

DEMO_TEXT = (Path(read_profile(DEMO).file)).read_text(encoding="utf-8")
SECONDS, EVERY_S = 50.0, 0.05


@cache
def car_values(condition: str = "", severity: float = 0.0, drive: str = "hot") -> tuple:
    """What the engine module holds every twentieth of a second of a drive, from key on."""
    setup = demo_setup(*([Condition(condition, severity)] if condition else []))
    car = SimulatedCar(setup, drive)
    held = []
    for tick in range(int(SECONDS / EVERY_S)):
        car.advance(tick * EVERY_S)
        held.append((tick * EVERY_S, {name: car.value(name) for name in car.signals}))
    return tuple(held)


class HeldCar:
    """The car at one moment of `car_values`."""

    def __init__(self, values):
        self.values, self.signals, self.vin = values, frozenset(values), ""

    def value(self, name):
        return self.values.get(name)

    def advance(self, time_s):
        pass

    def code_snapshot(self):
        raise AssertionError("no codes are read")


@cache
def car_answers(true_text: str, **car) -> tuple[dict, tuple]:
    """What a car that is as the profile `true_text` says answers to every identifier it has: data bytes with their times,
    by service, identifier and module; and its engine speed."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "true.toml"
        path.write_text(true_text, encoding="utf-8")
        true = read_profile(path)
    answers, speed = {}, []
    for time_s, values in car_values(**car):
        modules = modules_for(HeldCar(values), true)
        speed.append((time_s, values["engine_speed"]))
        for service, identifier in {(d.service, d.identifier) for d in true.signals}:
            asked = identifier.to_bytes(2 if service == 0x22 else 1, "big")
            echo = bytes([service + 0x40]) + asked
            for number, module in modules.items():
                for answer in module.answer(bytes([service]) + asked, to_all=False):
                    if answer.startswith(echo):
                        answers.setdefault((service, identifier, number), []).append((time_s, answer[len(echo) :]))
    return answers, tuple(speed)


def readings_of(tried_profile, true_text: str, **car) -> Readings:
    """What that car answers to the identifiers of `tried_profile`, and of no others."""
    held, speed = car_answers(true_text, **car)
    answers, elsewhere = {}, {}
    for source in {d.source for d in tried_profile.signals}:
        for (service, identifier, number), came in held.items():
            if (service, identifier) == source[:2] and source[2] in (None, 0x7E0 + number):
                answers[source] = came
            elif (service, identifier) == source[:2]:
                elsewhere[source] = 0x7E0 + number
    return Readings(answers, speed, {}, elsewhere, {})


def tried(tmp_path, wrong_text: str, true_text: str = DEMO_TEXT, **car):
    """Suspicions by signal when the profile `wrong_text` is tried on a car for which `true_text` is right."""
    path = tmp_path / "tried.toml"
    path.write_text(wrong_text, encoding="utf-8")
    profile = read_profile(path)
    found = judge(profile, readings_of(profile, true_text, **car))
    return {t.definition.name: {s.kind for s in t.suspicions} for t in found if t.suspicions}, found


def changed(text: str, signal: str, **keys) -> str:
    """The profile with keys of one signal's table set to other values."""
    head, *tables = re.split(r"(?=^\[\[signal\]\]$)", text, flags=re.MULTILINE)
    out = [head]
    for table in tables:
        if f'name = "{signal}"' in table:
            for key, value in keys.items():
                line = f"{key} = {value}"
                table, count = re.subn(rf"^{key} = .*$", line, table, flags=re.MULTILINE)
                table = table if count else table.replace("[[signal]]\n", f"[[signal]]\n{line}\n", 1)
        out.append(table)
    return "".join(out)


IN_A, IN_C = "cam_intake_b1_actual", "cam_intake_b1_commanded"
EX_A, EX_C = "cam_exhaust_b1_actual", "cam_exhaust_b1_commanded"


def both(text, names, **keys):
    for name in names:
        text = changed(text, name, **keys)
    return text


SIGNED = both(DEMO_TEXT, (IN_A, IN_C, EX_A, EX_C), signed="true", offset="0.0")
CAM_DEG = both(both(SIGNED, (IN_A, IN_C, EX_A, EX_C), angle='"cam"'), (IN_A, IN_C, EX_A, EX_C), factor="0.005")
LITTLE = both(DEMO_TEXT, (IN_A, IN_C, EX_A, EX_C), byte_order='"little"')
LATER = both(both(DEMO_TEXT, (IN_A, EX_A), start_byte=4), (IN_C, EX_C), start_byte=1)
APART = changed(changed(DEMO_TEXT, IN_C, identifier="0xF0A8"), EX_C, identifier="0xF0A9")


def swapped(text, one, other):
    return text.replace(f'"{one}"', '"?"').replace(f'"{other}"', f'"{one}"').replace('"?"', f'"{other}"')


NO_DUTY = re.sub(r"\[\[signal\]\]\nname = \"cam_\w+_duty\"\n(?:.+\n)+", "", DEMO_TEXT)

# What is wrong, the profile with it, the true one, the signals of which one must be named, and the kind.
WRONG = {
    "sign of actual": (changed(DEMO_TEXT, IN_A, positive='"retard"'), DEMO_TEXT, {IN_A}, "sign"),
    "sign of commanded": (changed(DEMO_TEXT, EX_C, positive='"advance"'), DEMO_TEXT, {EX_C}, "sign"),
    "sign of both": (both(DEMO_TEXT, (EX_A, EX_C), positive='"advance"'), DEMO_TEXT, {EX_A, EX_C}, "sign"),
    "not signed": (both(SIGNED, (IN_A, IN_C), signed="false"), SIGNED, {IN_A, IN_C}, "sign"),
    "sign of signed": (changed(SIGNED, EX_A, positive='"advance"'), SIGNED, {EX_A}, "sign"),
    "factor of actual": (changed(DEMO_TEXT, IN_A, factor="0.02"), DEMO_TEXT, {IN_A}, "factor"),
    "factor, signed": (changed(SIGNED, IN_A, factor="0.03"), SIGNED, {IN_A}, "factor"),
    "factor of commanded": (changed(SIGNED, EX_C, factor="0.025"), SIGNED, {EX_C}, "factor"),
    "offset of actual": (changed(DEMO_TEXT, IN_A, offset="-40.0"), DEMO_TEXT, {IN_A}, "offset"),
    "offset of commanded": (changed(DEMO_TEXT, EX_C, offset="-50.0"), DEMO_TEXT, {EX_C}, "offset"),
    "no offset": (changed(DEMO_TEXT, IN_C, offset="0.0"), DEMO_TEXT, {IN_C}, "offset"),
    "byte of actual": (changed(LATER, IN_A, start_byte=5), LATER, {IN_A}, "byte"),
    "byte of commanded": (changed(LATER, IN_C, start_byte=0), LATER, {IN_C}, "byte"),
    "byte order": (changed(DEMO_TEXT, EX_A, byte_order='"little"'), DEMO_TEXT, {EX_A}, "byte"),
    "identifier of another answer": (changed(NO_DUTY, IN_A, identifier="0xF0A4"), DEMO_TEXT, {IN_A}, "identifier"),
    "identifier nobody has": (changed(DEMO_TEXT, EX_A, identifier="0xF0C7"), DEMO_TEXT, {EX_A}, "identifier"),
    "cam for crank degrees": (changed(DEMO_TEXT, IN_A, angle='"cam"'), DEMO_TEXT, {IN_A}, "angle"),
    "crank for cam degrees": (changed(CAM_DEG, IN_C, angle='"crank"'), CAM_DEG, {IN_A, IN_C}, "angle"),
    "swapped pair": (swapped(DEMO_TEXT, IN_A, IN_C), DEMO_TEXT, {IN_A, IN_C}, "swapped"),
    "wrong module": (both(DEMO_TEXT, (IN_A,), request_header="0x7E1"), DEMO_TEXT, {IN_A}, "module"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_the_mistake_is_named(tmp_path, name):
    wrong, true, signals, kind = WRONG[name]
    found, _ = tried(tmp_path, wrong, true)
    assert set(found) <= signals, "a signal without a mistake is accused"
    assert any(kind in found.get(s, ()) for s in signals)


# Right profiles of several forms, each tried on a car that is as it says, some of them with a fault.
FORMS = {"demo": DEMO_TEXT, "signed": SIGNED, "cam degrees": CAM_DEG, "little": LITTLE, "later": LATER, "apart": APART}
CARS = {
    "healthy": ("", 0.0), "sticking": ("stick_slip", 0.8), "slow": ("restricted_flow", 0.9), "seized": ("seized", 1.0),
    "jumped": ("jumped_tooth", 0.5), "stretched": ("chain_stretch", 1.0), "hunting": ("unstable_control", 0.8),
    "noisy": ("sensor_noise", 0.9), "weak oil": ("low_oil_pressure", 0.9), "base timing": ("base_timing_offset", 0.8),
}  # fmt: skip
RIGHT = [(form, "healthy") for form in FORMS] + [
    (form, car) for n, car in enumerate([*CARS][1:]) for form in ([*FORMS][n % 6], [*FORMS][(n + 2) % 6])
]


def test_there_are_twenty_of_each():
    assert len(WRONG) == 20 and len(RIGHT) >= 20


@pytest.mark.parametrize(("form", "car"), RIGHT)
def test_a_right_profile_is_not_accused(tmp_path, form, car):
    condition, severity = CARS[car]
    found, _ = tried(tmp_path, FORMS[form], FORMS[form], condition=condition, severity=severity)
    assert found == {}


def test_a_jumped_chain_is_no_mistake_of_the_profile_but_is_said(tmp_path):
    found, trials = tried(tmp_path, DEMO_TEXT, condition="chain_stretch", severity=1.0)
    assert not found
    assert any("mechanical timing" in note for t in trials for note in t.notes)


@pytest.mark.parametrize("name", WRONG)
def test_the_corrected_line_puts_the_profile_right(tmp_path, name):
    """Pasted in, the lines leave nothing to accuse. Of an angle that either of the pair may have wrong, one is enough."""
    wrong, true, _, kind = WRONG[name]
    _, trials = tried(tmp_path, wrong, true)
    lines = {t.definition.name: s.line for t in trials for s in t.suspicions}
    if kind == "swapped":
        text = swapped(wrong, *lines)
    else:
        either = any("other of its pair" in s.text for t in trials for s in t.suspicions)
        text = wrong
        for signal, line in [*lines.items()][: 1 if either else None]:
            text = changed(text, signal, **dict(part.split(" = ") for part in line.splitlines()))
    found, _ = tried(tmp_path, text, true)
    assert found == {}


@pytest.mark.parametrize(("signal", "condition"), [(IN_A, "seized"), (EX_A, "seized"), (EX_A, "")])
def test_what_another_signal_of_the_profile_is_read_from_is_never_proposed(tmp_path, signal, condition):
    wrong = changed(DEMO_TEXT, signal, identifier="0xF0C7")
    _, trials = tried(tmp_path, wrong, DEMO_TEXT, condition=condition, severity=1.0 if condition else 0.0)
    for trial in trials:
        for suspicion in trial.suspicions:
            keys = dict(part.split(" = ") for part in suspicion.line.splitlines() if " = " in part)
            path = tmp_path / "pasted.toml"
            path.write_text(changed(wrong, signal, **keys), encoding="utf-8")
            read_profile(path)  # refuses two signals in the same bits


def test_what_did_not_move_is_not_judged_and_said(tmp_path):
    found, trials = tried(tmp_path, DEMO_TEXT, condition="", severity=0.0, drive="parked")
    narrow = Console(width=80, file=io.StringIO())
    narrow.print(*shown(trials, "adapter", "7E8", "demo"))
    table = narrow.file.getvalue()
    assert "…" not in table and all(re.search(rf"^ *{t.definition.name} ", table, re.M) for t in trials)
    assert not found
    last = str([*shown(trials, "adapter", "7E8", "demo")][-1])
    assert f"of {len(trials)} signals could be judged" in last and not last.startswith(f"{len(trials)} of")
    assert all(t.notes for t in trials if t.definition.is_cam_angle)


def test_bytes_and_values_with_the_engine_standing_and_at_idle(tmp_path):
    _, trials = tried(tmp_path, DEMO_TEXT)
    for trial in trials:
        for data, value in (trial.key_on, trial.idle):
            assert trial.definition.decode(data) == value
        assert trial.in_range and trial.hz == pytest.approx(20.0, abs=0.5)
        assert trial.low <= trial.idle[1] <= trial.high


def test_an_absolute_pressure_sensor_is_named(tmp_path):
    true = changed(DEMO_TEXT, "oil_pressure", offset="-100.0")
    found, _ = tried(tmp_path, changed(true, "oil_pressure", offset="0.0"), true)
    assert found == {"oil_pressure": {"offset"}}


def test_values_are_in_the_shops_units_and_lines_to_paste_in_the_profiles(tmp_path):
    true = changed(DEMO_TEXT, "oil_pressure", offset="-100.0")
    with showing("us"):
        _, found = tried(tmp_path, changed(true, "oil_pressure", offset="0.0"), true)
        trial = next(t for t in found if t.definition.name == "oil_pressure")
        _, typical, _, texts = row(trial)
    kpa, psi = trial.key_on[1], trial.idle[1] * 0.145038  # a kilopascal in psi (NIST SP 811, from memory)
    assert typical.endswith(" psi") and float(typical.split()[-2]) == pytest.approx(psi, rel=0.01)
    assert f"Reads {kpa * 0.145038:.0f} psi" in texts[0] and texts[1] == "offset = -100"
    assert row(trial)[1].endswith(" kPa")


# ---------------------------------------------------------------- over an adapter


def over_an_adapter(text: str, tmp_path, seconds="18", *options: str):
    path = tmp_path / "tried.toml"
    path.write_text(text, encoding="utf-8")
    timing = TimingModel(search_s=0.05, reset_s=0.05, no_answer_s=0.08)
    with SimulatedAdapter(
        SimulatedCar(drive="demo"), read_profile(DEMO), traits=AdapterTraits(), timing=timing
    ) as adapter:
        return CliRunner().invoke(
            build_app(), ["vehicle", "try", str(path), "--port", adapter.start_tcp(), "--seconds", seconds, *options]
        )


def test_the_command_names_a_wrong_sign(tmp_path):
    result = over_an_adapter(changed(DEMO_TEXT, IN_A, positive='"retard"'), tmp_path)
    assert result.exit_code == 0, result.output
    assert 'positive = "advance"' in result.output
    assert "1 signal of the profile likely wrong" in " ".join(result.output.split())


def test_the_command_finds_the_module_that_answers(tmp_path):
    result = over_an_adapter(changed(DEMO_TEXT, IN_A, request_header="0x7E1"), tmp_path, "2", "--units", "us")
    assert result.exit_code == 0 and "psi" in result.output and "kPa" not in result.output, result.output
    assert "request_header = 0x7e0" in result.output
