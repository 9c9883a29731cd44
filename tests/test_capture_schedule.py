"""Who is asked when: every signal as often as it is needed, and cam angles with the rest of the link.

Time here is counted, not waited for: each request takes what a link of that kind takes.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import pytest

from camlog.cams import CAM_IDS
from camlog.capture.expected import expect
from camlog.capture.probe import Capabilities
from camlog.capture.requests import Request, definition_item, misfire_item, pid_item, profile_groups
from camlog.capture.schedule import MEDIUM_PERIOD_S, Schedule, make_plan
from camlog.capture.troubles import SPLIT_AFTER, SPLIT_AFTER_S, Failing
from camlog.profile import read_profile
from camlog.rates import SLOW_HZ, need_of
from camlog.signals import BY_PID, SIGNALS

PROFILE = read_profile("demo")
HEADER = 0x7E0
ANGLES = [f"cam_{cam}_{kind}" for cam in ("intake_b1", "exhaust_b1") for kind in ("commanded", "actual")]


def separate_items():
    """Both cams with an identifier for each angle, as some vehicles have it."""
    found = []
    for number, name in enumerate(ANGLES):
        definition = PROFILE.definition(name)
        # A field of its own: the first two bytes.
        found.append(definition_item(0xF100 + number, 4, [definition]))
    return tuple(found)


def shared_items():
    return tuple(
        definition_item(identifier, max(d.end_byte for d in definitions), definitions)
        for (_, _, identifier), definitions in profile_groups(PROFILE).items()
    )


def vehicle(items=None, max_pids=6, identifiers=3, pids=frozenset(BY_PID), misfires=(1, 2, 3, 4), is_can=True):
    header = HEADER if is_can else None
    items = shared_items() if items is None else items
    groups = {(0x22, header): items} if items else {}
    return Capabilities(
        adapter="test", protocol="", module="7E8", header=header, is_can=is_can, pids=frozenset(pids), items=groups,
        misfire_cylinders=misfires, max_pids=max_pids, max_identifiers=dict.fromkeys(groups, identifiers), count_digit="frames",
    )  # fmt: skip


def run(plan, seconds: float, request_s: float) -> dict[str, list[float]]:
    """When each signal was asked for over a time in which every request takes `request_s`."""
    schedule, now, asked = Schedule(plan, 0.0), 0.0, defaultdict(list)
    while now < seconds:
        request = schedule.next(now)
        if request is None:
            now = max(now + 1e-3, schedule.next_due_s())
            continue
        for signal in request.signals:
            asked[signal].append(now)
        now += request_s
    return asked


def rates(asked, seconds):
    return {name: len(times) / seconds for name, times in asked.items()}


# ---------------------------------------------------------------- on a fast link


def test_every_signal_comes_at_its_rate():
    """13 ms a request, as a good adapter on CAN takes with a response count."""
    plan = make_plan(vehicle())
    hz = rates(run(plan, 60.0, 0.013), 60.0)
    assert set(hz) == set(plan.signals)
    for angle in ANGLES:
        assert hz[angle] > 60.0
    assert 5.0 <= hz["engine_speed"] < 5.6
    assert {hz[a] for a in ANGLES} == {hz[ANGLES[0]]}
    for name in ("mass_air_flow", "spark_advance", "oil_pressure", "vehicle_speed"):
        assert hz[name] >= 1.0
    for name in ("coolant_temp", "oil_temp", "module_voltage", "long_fuel_trim_b2", "misfire_cyl4"):
        assert 0.5 <= hz[name] < 1.0


def test_slow_signals_never_fall_behind_half_a_hertz():
    asked = run(make_plan(vehicle()), 60.0, 0.013)
    for name, times in asked.items():
        gaps = [b - a for a, b in pairwise(times)]
        assert max(gaps) <= 2.0, name


def test_angles_are_never_kept_waiting_by_slow_signals():
    times = run(make_plan(vehicle()), 60.0, 0.013)[ANGLES[0]]
    # One turn of angles, one of engine speed, and after each at most one slow request.
    assert max(b - a for a, b in pairwise(times)) <= 4 * 0.013 + 1e-9


def test_on_a_fast_link_cams_have_85_percent_of_it():
    """One cam, an identifier for each angle and two to a request, and the usual standard signals."""
    plan = make_plan(vehicle(separate_items()[:2], identifiers=2, misfires=()))
    everything = rates(run(plan, 60.0, 0.014), 60.0)
    cams_alone = rates(run(make_plan(vehicle(separate_items()[:2], identifiers=2), only=ANGLES), 60.0, 0.014), 60.0)
    assert everything[ANGLES[0]] >= 0.85 * cams_alone[ANGLES[0]]


def test_without_cams_engine_speed_has_the_rest_of_the_link():
    assert rates(run(make_plan(vehicle(())), 60.0, 0.013), 60.0)["engine_speed"] > 60.0


def test_every_signal_says_what_it_is_needed_for_and_how_often():
    for name in SIGNALS:
        need = need_of(name)
        assert need.purpose and (need.least_hz is None) == name.endswith(("_commanded", "_actual"))
        assert need.least_hz is None or need.least_hz > 0.5
    assert need_of("engine_speed").least_hz > 5.0 and need_of("unheard_of").least_hz > 0.5


# ---------------------------------------------------------------- the pair


def test_both_angles_of_a_cam_are_in_one_request():
    for items, most in ((shared_items(), 3), (separate_items(), 4), (separate_items(), 3), (separate_items(), 2)):
        plan = make_plan(vehicle(items, identifiers=most))
        for cam in ("intake_b1", "exhaust_b1"):
            wanted = {f"cam_{cam}_commanded", f"cam_{cam}_actual"}
            holding = [r for r in plan.requests if wanted & set(r.signals)]
            assert len(holding) == 1 and wanted <= set(holding[0].signals)
            assert len(holding[0].items) <= most


def test_where_only_one_identifier_goes_into_a_request_the_two_follow_each_other():
    plan = make_plan(vehicle(separate_items(), identifiers=1))
    asked = run(plan, 20.0, 0.02)
    for cam in ("intake_b1", "exhaust_b1"):
        commanded, actual = asked[f"cam_{cam}_commanded"], asked[f"cam_{cam}_actual"]
        assert all(b - a == pytest.approx(0.02) for a, b in zip(commanded, actual, strict=False))


def test_two_cams_share_a_request_where_it_has_room():
    plan = make_plan(vehicle(shared_items(), identifiers=2))
    assert any({*ANGLES} <= set(r.signals) for turn in plan.turns for r in turn)


def test_cams_and_duty_share_one_request_where_it_has_room():
    plan = make_plan(vehicle(shared_items(), identifiers=3))
    duty = {"cam_intake_b1_duty", "cam_exhaust_b1_duty"}
    assert [set(r.signals) for r in plan.turns[0]] == [{*ANGLES} | duty]
    plan = make_plan(vehicle(shared_items(), identifiers=2))
    assert [set(r.signals) for r in plan.turns[0]] == [{*ANGLES}]
    assert any(duty <= set(r.signals) for r, _ in plan.timed)


def test_cams_that_are_asked_in_turn_come_equally_often():
    hz = rates(run(make_plan(vehicle(separate_items(), identifiers=2)), 60.0, 0.02), 60.0)
    assert max(hz[a] for a in ANGLES) - min(hz[a] for a in ANGLES) < 0.05


def test_a_cam_stays_together_where_one_identifier_carries_the_commands_of_both():
    commands, actual = PROFILE.definition(ANGLES[0]), [PROFILE.definition(ANGLES[n]) for n in (1, 3)]
    items = (
        definition_item(0xF100, 8, [commands, PROFILE.definition(ANGLES[2])]),
        *(definition_item(0xF101 + n, 4, [a]) for n, a in enumerate(actual)),
    )
    for most, turns in ((3, 1), (2, 1), (1, 1)):
        plan = make_plan(vehicle(items, identifiers=most))
        with_angles = [t for t in plan.turns if any({*ANGLES} & set(r.signals) for r in t)]
        assert len(with_angles) == turns


# ---------------------------------------------------------------- on a slow link


def test_on_a_slow_link_nothing_is_left_out():
    """An older bus: 125 ms a request, one signal each. Everything still comes, and alike."""
    plan = make_plan(vehicle(separate_items(), max_pids=1, identifiers=1, is_can=False, misfires=()))
    seconds = 120.0
    asked = run(plan, seconds, 0.125)
    assert set(asked) == set(plan.signals)
    hz = rates(asked, seconds)
    assert min(hz[a] for a in (*ANGLES, "engine_speed")) > 0.9
    slow = [hz[n] for n in plan.groups()["medium"] + plan.groups()["slow"]]
    assert min(slow) > 0.5 * max(slow) and min(slow) > 0.1


def test_slow_signals_take_no_more_than_their_share():
    """However many signals are overdue, at least every other turn is an angle or engine speed."""
    plan = make_plan(vehicle(max_pids=1))
    schedule, order = Schedule(plan, 0.0), []
    for n in range(300):
        order.append(schedule.next(0.1 * n) in [r for turn in plan.turns for r in turn])
    assert sum(order) >= 150
    assert not any(not a and not b for a, b in pairwise(order))


def test_without_fast_signals_the_link_rests():
    plan = make_plan(vehicle((), pids={0x05, 0x5C}, misfires=()), only=["coolant_temp"])
    schedule = Schedule(plan, 10.0)
    first = schedule.next(10.0)
    assert first.signals == ("coolant_temp",) and schedule.next(10.1) is None
    assert schedule.next_due_s() == pytest.approx(10.0 + 1.0 / SLOW_HZ)
    assert schedule.next(schedule.next_due_s()) == first


# ---------------------------------------------------------------- the plan


def test_every_signal_is_in_exactly_one_request():
    for items, max_pids, identifiers in ((shared_items(), 6, 3), (separate_items(), 1, 1), ((), 2, 1)):
        plan = make_plan(vehicle(items, max_pids, identifiers))
        times = Counter(s for r in plan.requests for s in r.signals)
        assert set(times.values()) == {1}
        assert sum(len(group) for group in plan.groups().values()) == len(times)


def test_only_what_was_asked_for():
    plan = make_plan(vehicle(), only=["engine_speed", "oil_temp"])
    assert plan.signals == ["engine_speed", "oil_temp"]
    assert len(plan.turns) == 1 and len(plan.timed) == 1


def test_a_profiles_signal_goes_before_the_standard_one():
    speed = PROFILE.definition("oil_pressure")
    made = {
        "name": "engine_speed",
        "service": 0x22,
        "identifier": 0xF0C0,
        "length_bits": 16,
        "factor": 0.25,
        "unit": "rpm",
    }
    item = definition_item(0xF0C0, 2, [speed.__class__(**made)])
    plan = make_plan(vehicle((item,)))
    holding = [r for r in plan.requests if "engine_speed" in r.signals]
    assert len(holding) == 1 and holding[0].service == 0x22
    assert holding[0] in [r for turn in plan.turns for r in turn]


def test_fast_standard_signals_fit_one_frame():
    """A second frame costs more than the signal is worth at that rate."""
    plan = make_plan(vehicle(()))
    fast = plan.turns[0][0]
    assert "engine_speed" in fast.signals and fast.answer_frames == 1 and len(fast.items) > 1


def test_rates_are_fast_enough_for_what_they_are_for():
    assert MEDIUM_PERIOD_S < 1.0 and 1.0 / SLOW_HZ < 2.0


# ---------------------------------------------------------------- what is said before the drive


class SteadyLink:
    """A link whose every request takes as long."""

    def __init__(self, request_s):
        self.reply = SimpleNamespace(round_trip_s=request_s, messages=(b"",))

    def set_header(self, header, listen_to=None):
        return True

    def ask(self, text):
        return self.reply


def four_cams():
    definition = PROFILE.definition("cam_intake_b1_actual")
    names = [f"cam_{cam}_{part}" for cam in CAM_IDS for part in ("commanded", "actual")]
    return tuple(
        definition_item(0xF100 + number, 2, [replace(definition, name=name, start_byte=0)])
        for number, name in enumerate(names)
    )


def test_four_cams_on_a_slow_clone_are_told_what_to_leave_out():
    found = expect(SteadyLink(0.05), vehicle(four_cams(), max_pids=1, identifiers=1), None, 0.25)
    assert set(found.slow) == set(found.pairs_hz) == set(CAM_IDS)
    # The rate of a pair, not of all cams together.
    assert max(found.pairs_hz.values()) < 0.25 / (2 * 0.05)
    assert found.keep and found.later and "engine_speed" in found.keep
    kept = make_plan(vehicle(four_cams(), max_pids=1, identifiers=1), only=found.keep)
    hz = rates(run(kept, 60.0, 0.05), 60.0)
    assert min(hz[s] for s in found.keep if s.startswith("cam_")) >= 4.0
    said = " ".join(found.lines())
    assert "Does it arrive in time?" in said and "Does it rest" not in said
    assert f"camlog record --only {','.join(found.keep)}" in said


def test_where_nothing_helps_no_help_is_promised():
    found = expect(SteadyLink(0.5), vehicle(four_cams(), max_pids=1, identifiers=1), None, 0.25)
    assert found.slow and not found.keep and "--only" not in " ".join(found.lines())


def test_on_a_quick_link_only_the_rates_are_told():
    found = expect(SteadyLink(0.013), vehicle(), None, 0.25)
    asked = rates(run(make_plan(vehicle()), 20.0, 0.013), 20.0)
    assert found.pairs_hz["intake_b1"] == pytest.approx(asked["cam_intake_b1_actual"], rel=0.05)
    assert not found.slow and len(found.lines()) == 1


# ---------------------------------------------------------------- what is not answered together


def test_a_split_request_is_asked_for_one_by_one():
    plan = make_plan(vehicle())
    schedule = Schedule(plan, 0.0)
    packed = max((r for r, _ in plan.timed), key=lambda r: len(r.items))
    angles = next(r for turn in plan.turns for r in turn if len(r.items) > 1 and ANGLES[0] in r.signals)
    schedule.split(packed)
    schedule.split(angles)
    asked = Counter()
    for n in range(2000):
        request = schedule.next(0.013 * n)
        assert request not in (packed, angles)
        asked.update(request.signals)
    assert set(asked) == set(plan.signals)
    assert asked[ANGLES[0]] == pytest.approx(asked[ANGLES[1]], abs=1)
    assert min(asked[s] for s in packed.signals) >= 0.45 * 2000 * 0.013


PAIR = Request(1, (pid_item(0x0C), pid_item(0x0D)))


def test_only_what_keeps_failing_while_others_are_answered_is_split():
    failing, other, now = Failing(), Request(6, (misfire_item(1),)), 0.0
    split = []
    while now <= 2 * SPLIT_AFTER_S and not split:
        now += 0.1
        failing.answered(other)
        if failing.failed(PAIR, now):
            split.append(now)
    assert split and split[0] > SPLIT_AFTER_S


def test_when_nothing_is_answered_nothing_is_split():
    failing = Failing()
    assert not any(failing.failed(PAIR, 0.1 * n) for n in range(1000))


def test_a_single_answer_clears_a_requests_name():
    failing, other = Failing(), Request(6, (misfire_item(1),))
    for n in range(1000):
        failing.answered(other)
        if n % 5 == 0:
            failing.answered(PAIR)
        assert not failing.failed(PAIR, 0.1 * n)
    assert SPLIT_AFTER > 4


def test_what_failed_before_a_gap_does_not_count():
    failing, other = Failing(), Request(6, (misfire_item(1),))
    for n in range(5):
        failing.failed(PAIR, 0.1 * n)
    failing.forget()
    for n in range(5):
        failing.answered(other)
        assert not failing.failed(PAIR, 100.0 + n)


def test_a_single_item_cannot_be_split():
    failing, single, other = Failing(), Request(1, (pid_item(0x0C),)), Request(6, (misfire_item(1),))
    for n in range(1000):
        failing.answered(other)
        assert not failing.failed(single, 0.1 * n)
