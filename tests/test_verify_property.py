"""Removing evidence never turns "not verified" into "verified", and a proof falls with each piece that is removed or
swapped. Invented data, for mechanics."""

from __future__ import annotations

import dataclasses
from functools import lru_cache

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from camlog.analysis import analyze
from camlog.analysis.findings import Findings
from camlog.drive import Ancestor, Drive
from camlog.stream import TroubleCode
from camlog.verify import verify
from camlog.verify.gate import NOT_APPLICABLE
from tests.verify_help import PROFILE, closing, file_of, readiness, repair, snapshot

LISTS = ("stored", "pending", "permanent")
CAMS = ("intake_b1", "exhaust_b1")
SIMULATED = {"name": "CAMSIM 2.0", "simulated": True}
MONITORS = ("misfire", "components", "egr_vvt_system")


@lru_cache(maxsize=1)
def not_verified() -> tuple[tuple[Findings, Findings], ...]:
    """Pairs of drives that do not verify, each for a reason of its own."""
    r = repair()
    code = (TroubleCode("P0011", "7E8"),)
    frame = {"code": "P0011", "engine_speed": 5200.0, "engine_load": 95.0, "coolant_temp": 92.0}
    young = {"warm_ups": 0.0, "distance_km": 0.0, "time_min": 1.0}
    stale = readiness(r.after, 0, **closing(r.before).readiness)
    later = {k: v + 20.0 for k, v in closing(r.before).since_clear.items()}
    return (
        (r.before, r.first),
        (r.short, r.before),
        (snapshot(r.after, -1, stored=code), r.before),
        (snapshot(r.after, -1, pending=code), r.before),
        (snapshot(r.after, 0, pending=code), r.before),
        (snapshot(r.after, -1, permanent=code), r.before),
        (snapshot(r.after, -1, stored=(TroubleCode("P0455", "7E9"),)), r.before),
        (snapshot(r.after, -1, mil=True), r.before),
        (snapshot(r.after, -1, since_clear=young), r.before),
        (snapshot(snapshot(stale, 0, since_clear=later), -1, since_clear=later), r.before),
        (r.after, snapshot(r.before, -1, freeze_frame=frame)),
        (file_of(r.after, started_at="2023-01-01T00:00:00+00:00"), r.before),
        (file_of(r.after, vehicle={"name": None, "vin": None, "vin_hash": "0" * 16}), r.before),
        (file_of(r.after, intact=False), r.before),
        (file_of(r.after, trace_sha256="a" * 64), r.before),
        *((_never_run(r.after, monitor), r.before) for monitor in MONITORS),
        (file_of(r.after, adapter=SIMULATED), file_of(r.before, adapter=SIMULATED)),
        (file_of(r.after, ancestry=(Ancestor("a" * 64, "drive.csv", None, made="cut"),)), r.before),
        (_other_profile(r.after), r.before),
        (r.after, _other_profile(r.before)),
        (r.after, _without_fault(r.after)),
    )


def _other_profile(f: Findings) -> Findings:
    return file_of(f, vehicle={**f.drive.vehicle, "profile_sha256": "e" * 64})


def _without_fault(f: Findings) -> Findings:
    """A healthy drive, on the day of the one with the fault."""
    healthy = snapshot(f, 0, permanent=())
    return file_of(healthy, started_at=repair().before.drive.started_at)


def _never_run(f: Findings, monitor: str) -> Findings:
    return readiness(readiness(f, 0, **{monitor: "incomplete"}), -1, **{monitor: "incomplete"})


@lru_cache(maxsize=8)
def shortened(seconds: float) -> Findings:
    """The full drive cut after some seconds, its snapshots as they are."""
    cut = repair().after.trace.between(0.0, seconds)
    return analyze(dataclasses.replace(cut, sha256=repair().after.trace.sha256), repair().after.drive, PROFILE)


def _field(name: str, value):
    return lambda place: lambda f: snapshot(f, place, **{name: value}) if f.drive and f.drive.code_snapshots else f


def _without_monitor(monitor: str):
    def remove(place):
        def apply(f):
            if not f.drive.code_snapshots:
                return f
            held = f.drive.code_snapshots[place].readiness
            return snapshot(f, place, readiness={k: v for k, v in held.items() if k != monitor})

        return apply

    return remove


def _one_end(snapshots, place: int):
    """The last snapshot alone, or the first alone."""
    return snapshots[-1:] if place == 0 else snapshots[:1]


def _with_cams(f: Findings, cams) -> Findings:
    return dataclasses.replace(f, cams=cams)


def _two_cylinders(f: Findings) -> Findings:
    return dataclasses.replace(f, misfire=dataclasses.replace(f.misfire, per_cylinder=f.misfire.per_cylinder[:2]))


REMOVALS = [
    *(_field(name, None) for name in LISTS),
    _field("mil", None),
    _field("since_clear", None),
    _field("freeze_frame", None),
    _field("readiness", {}),
    _field("monitor_tests", ()),
    *(_without_monitor(m) for m in MONITORS),
    lambda place: lambda f: file_of(f, code_snapshots=()),
    lambda place: lambda f: file_of(f, code_snapshots=_one_end(f.drive.code_snapshots, place)),
    lambda place: lambda f: file_of(f, vehicle={"name": None, "vin": None}),
    lambda place: lambda f: file_of(f, started_at=None),
    lambda place: lambda f: file_of(f, adapter={}),
    lambda place: lambda f: file_of(f, vehicle={k: v for k, v in f.drive.vehicle.items() if k != "profile_sha256"}),
    lambda place: lambda f: file_of(f, intact=None),
    lambda place: lambda f: file_of(f, trace_sha256=None),
    lambda place: lambda f: _with_cams(f, {k: v for k, v in f.cams.items() if k != CAMS[place]}),
    lambda place: lambda f: _with_cams(f, {k: _fewer_windows(v, place) for k, v in f.cams.items()}),
    lambda place: _two_cylinders,
]


def _fewer_windows(found, place: int):
    """A cam whose coverage lacks one oil window."""
    rows = list(found.coverage.windows)
    rows[place] = dataclasses.replace(rows[place], seconds=0.0, advance_moves=0, retard_moves=0)
    return dataclasses.replace(found, coverage=dataclasses.replace(found.coverage, windows=tuple(rows)))


removal = st.builds(lambda how, place: how(place), st.sampled_from(REMOVALS), st.sampled_from([0, -1]))


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    number=st.integers(0, 22),
    from_after=st.lists(removal, max_size=4),
    from_before=st.lists(removal, max_size=4),
    first=st.sampled_from(["whole", "whole", "file only", "none"]),
)
def test_removing_evidence_never_verifies(number, from_after, from_before, first):
    after, before = not_verified()[number]
    assert not verify(after, before).verified
    for how in from_after:
        after = how(after)
    for how in from_before:
        before = how(before)
    given_before = {"whole": before, "file only": before.drive, "none": None}[first]
    assert not verify(after, given_before).verified


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(seconds=st.sampled_from([30.0, 240.0, 420.0, 590.0]), taken=st.lists(removal, max_size=2))
def test_a_shorter_drive_never_verifies(seconds, taken):
    """Below the 600 s of 13 CCR 1968.2(d), whatever its drive file says."""
    after = shortened(seconds)
    for how in taken:
        after = how(after)
    assert not verify(after, repair().before).verified


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(how=removal, of_after=st.booleans())
def test_a_gate_that_loses_its_evidence_is_never_worse_proven_but_passed(how, of_after):
    """Taking evidence from a verified pair opens gates or leaves them; it opens none by inventing a fault."""
    after, before = repair().after, repair().before
    after, before = (how(after), before) if of_after else (after, how(before))
    found = verify(after, before)
    assert found.outcome in ("verified", "not_verified_yet")
    assert not any(g.shows_fault for g in found.gates)


def test_there_is_a_reason_for_each_pair():
    assert len(not_verified()) == 23
    assert not any(verify(a, b).verified for a, b in not_verified())
    assert verify(repair().after, repair().before).verified
    assert not verify(repair().after, Drive()).verified


# Each of these takes away or swaps, in one drive of the proven pair, something that the proof stands on.
OF_EITHER = {
    "no snapshots": lambda f, other: file_of(f, code_snapshots=()),
    "no number": lambda f, other: file_of(f, vehicle={**f.drive.vehicle, "vin_hash": None}),
    "another number": lambda f, other: file_of(f, vehicle={**f.drive.vehicle, "vin_hash": "0000"}),
    "no profile": lambda f, other: file_of(f, vehicle={**f.drive.vehicle, "profile_sha256": None}),
    "another profile": lambda f, other: _other_profile(f),
    "no date": lambda f, other: file_of(f, started_at=None),
    "the other's date": lambda f, other: file_of(f, started_at=other.drive.started_at),
    "no seal": lambda f, other: file_of(f, intact=None),
    "broken seal": lambda f, other: file_of(f, intact=False),
    "no hash": lambda f, other: file_of(f, trace_sha256=None),
    "the other's hash": lambda f, other: file_of(f, trace_sha256=other.drive.trace_sha256),
    "the other's recording": lambda f, other: dataclasses.replace(f, trace=other.trace),
    "the other's drive file": lambda f, other: dataclasses.replace(f, drive=other.drive),
    "the other's codes": lambda f, other: file_of(f, code_snapshots=other.drive.code_snapshots),
    "no adapter": lambda f, other: file_of(f, adapter={}),
    "a simulated adapter": lambda f, other: file_of(f, adapter=SIMULATED),
    "made from another": lambda f, other: file_of(f, ancestry=(Ancestor("a" * 64, "x.csv", True, made="cut"),)),
    "no stored list": lambda f, other: snapshot(f, -1, stored=None),
    "no pending list": lambda f, other: snapshot(f, -1, pending=None),
}  # fmt: skip
OF_SECOND = {
    "no permanent list": lambda f, other: snapshot(f, -1, permanent=None),
    "no lamp": lambda f, other: snapshot(f, -1, mil=None),
    "no counters": lambda f, other: snapshot(f, -1, since_clear=None),
    "no readiness": lambda f, other: snapshot(f, -1, readiness={}),
    "the first drive's readiness": lambda f, other: readiness(f, 0, **closing(other).readiness),
    "one cam": lambda f, other: _with_cams(f, {k: v for k, v in f.cams.items() if k != "intake_b1"}),
    "two cylinders": lambda f, other: _two_cylinders(f),
    "the faulty cams": lambda f, other: _with_cams(f, other.cams),
}
OF_FIRST = {"no freeze frame": lambda f, other: snapshot(snapshot(f, -1, freeze_frame=None), 0, freeze_frame=None)}
TAKEN = [
    *((what, "after") for what in (*OF_EITHER, *OF_SECOND)), *((what, "before") for what in (*OF_EITHER, *OF_FIRST)),
]  # fmt: skip


def _taken(what: str, which: str) -> tuple[Findings, Findings]:
    pair = {"after": repair().after, "before": repair().before}
    other = pair["before" if which == "after" else "after"]
    change = {**OF_EITHER, **OF_SECOND, **OF_FIRST}[what]
    changed = pair | {which: change(pair[which], other)}
    return changed["after"], changed["before"]


@pytest.mark.parametrize(("what", "which"), TAKEN)
def test_a_proof_falls_with_each_piece_of_its_evidence(what, which):
    assert not verify(*_taken(what, which)).verified


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    taken=st.sampled_from(TAKEN),
    from_after=st.lists(removal, max_size=3),
    from_before=st.lists(removal, max_size=3),
    swapped=st.booleans(),
)
def test_what_is_removed_besides_gives_no_proof_back(taken, from_after, from_before, swapped):
    after, before = _taken(*taken)
    for how in from_after:
        after = how(after)
    for how in from_before:
        before = how(before)
    assert not verify(*((before, after) if swapped else (after, before))).verified


# ---------------------------------------------------------------- what looks like less to prove

NO_NUMBERS = (
    {},
    {"vin": None, "vin_hash": None},
    {"vin": "", "vin_hash": ""},
    {"vin": None, "vin_hash": "", "name": "the same car"},
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(number=st.integers(0, 22), from_after=st.lists(removal, max_size=3), from_before=st.lists(removal, max_size=3))
def test_no_open_check_becomes_not_applicable_by_taking_evidence_away(number, from_after, from_before):
    after, before = not_verified()[number]
    was_open = {g.name for g in verify(after, before).open_gates}
    for how in from_after:
        after = how(after)
    for how in from_before:
        before = how(before)
    assert not [g.name for g in verify(after, before).gates if g.state == NOT_APPLICABLE and g.name in was_open]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(warm_ups=st.integers(0, 40), distance_km=st.integers(0, 900), minutes=st.integers(0, 2000))
def test_a_monitor_that_ran_before_the_clear_proves_nothing(warm_ups, distance_km, minutes):
    """Counters since clearing that went on from those of the first drive, every monitor still complete: the last clear was
    before that drive, and with it every run of a monitor that the second drive can show."""
    held = closing(repair().before).since_clear
    on = {
        "warm_ups": held["warm_ups"] + warm_ups,
        "distance_km": held["distance_km"] + distance_km,
        "time_min": held["time_min"] + minutes,
    }
    after = snapshot(
        snapshot(repair().after, 0, since_clear=on, readiness=closing(repair().before).readiness), -1, since_clear=on
    )
    found = verify(after, repair().before)
    assert not found.verified
    assert {f"monitor_{name}" for name in MONITORS} <= {g.name for g in found.open_gates}


@pytest.mark.parametrize("number", NO_NUMBERS, ids=str)
def test_a_car_without_a_number_is_never_verified(number):
    """Neither its name nor its profile says that it is the same car; nor does a number that is empty in both drives."""
    kept = repair().after.drive.vehicle["profile_sha256"]
    after, before = (file_of(f, vehicle={"profile_sha256": kept, **number}) for f in (repair().after, repair().before))
    found = verify(after, before)
    assert not found.verified and "vehicle" in " ".join(g.evidence for g in found.open_gates)
