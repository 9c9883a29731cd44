"""Whatever strikes between laptop and vehicle: no crash, no wrong value, the trace reads, the fault is told.

Recorded over a pseudo-terminal through python-obd from the simulated adapter. The car's values tell the time
they were read at, so that one that is late, of another signal or of another module is found out.
"""

from __future__ import annotations

import random
import time
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import pytest

from camlog.capture.connect import open_link
from camlog.capture.probe import probe
from camlog.capture.snapshot import read_snapshot
from camlog.capture.troubles import PROBLEMS
from camlog.simulate.adapter import (
    FAULT_KINDS,
    AdapterTraits,
    Fault,
    SimulatedAdapter,
    preset,
)
from tests.adapter_car import INSTANT, StandingCar
from tests.adapter_model import random_faults
from tests.capture_help import PROFILE, Recorded, recorded

THIRD_S = 20.0  # of the minute in which everything strikes: three recordings side by side
BEGINS_S = 0.5
LASTS_S = 0.6
# What the drive file says where a fault was met: one of these.
SAID = {kind: {PROBLEMS[kind]} for kind in FAULT_KINDS if kind in PROBLEMS} | {
    "reset": {PROBLEMS["adapter_reset"]},
    "truncated": {PROBLEMS["garbage"], PROBLEMS["wrong_length"]},
    "merged": {PROBLEMS["garbage"]},
    "negative_response": {PROBLEMS["negative"]},
    "response_pending": {PROBLEMS["pending"]},
    "second_module": {PROBLEMS["other_module"]},
}
NOTICED_WITHIN_S = 4.0  # a silent port is given up after 2.5 s
GAPS = ("unplugged", "hung", "reset", "low_voltage")

# An adapter through which only requests to all modules reach the vehicle, and which listens on after the first answer:
# only so another module is heard at all.
TO_ALL = AdapterTraits(name="to-all", unknown_commands=frozenset({"SH"}), response_count=False)

OTHERS = {
    "older bus, two modules": (replace(preset("non-can"), second_module=True), False),
    "clone, two modules, Wi-Fi": (replace(preset("clone"), second_module=True), True),
    "no addressing": (TO_ALL, False),
}


def one(folder, kind: str) -> Recorded:
    traits = TO_ALL if kind == "second_module" else AdapterTraits()
    return recorded(folder / kind, [Fault(kind, BEGINS_S, LASTS_S)], traits=traits)


@pytest.fixture(scope="module", autouse=True)
def drives(tmp_path_factory) -> dict[str, Future]:
    """All recordings of this file, side by side: they mostly wait."""
    folder = tmp_path_factory.mktemp("drives")
    minute = random_faults(seed=7, total_s=60.0, first_s=0.3, share=0.45)
    thirds = [
        [replace(f, start_s=f.start_s - first_s) for f in minute if first_s <= f.start_s < first_s + THIRD_S]
        for first_s in (0.0, THIRD_S, 2 * THIRD_S)
    ]
    quick = random_faults(seed=3, total_s=9.0, first_s=0.3, share=1.0)
    with ThreadPoolExecutor(8) as pool:
        jobs = {
            f"third {n}": pool.submit(recorded, folder / f"third {n}", faults, patience_s=30.0)
            for n, faults in enumerate(thirds)
        }
        for name, (traits, tcp) in OTHERS.items():
            jobs[name] = pool.submit(recorded, folder / name, quick, traits=traits, tcp=tcp, seconds=1.0)
        for kind in FAULT_KINDS:
            jobs[kind] = pool.submit(one, folder, kind)
        yield jobs


def check_told(drive: Recorded) -> None:
    """Every fault met is an event of its own kind, at its time."""
    for fault in drive.faults:
        first_s, last_s = fault.start_s, fault.start_s + fault.duration_s
        met = [
            m for m in drive.log if m.kind == fault.kind and first_s - 0.1 <= m.time_s - drive.lead_s <= last_s + 0.1
        ]
        if met:
            texts = drive.texts(first_s - 0.1, last_s + NOTICED_WITHIN_S)
            assert SAID[fault.kind] & set(texts), f"{fault.kind}: {texts}"


def test_every_fault_has_words():
    assert set(SAID) == set(FAULT_KINDS)


# ---------------------------------------------------------------- each once, alone


@pytest.mark.parametrize("kind", FAULT_KINDS)
def test_a_fault_alone(drives, kind):
    drive = drives[kind].result()
    assert kind in {m.kind for m in drive.log}, "the fault was never met"
    drive.check_values()
    check_told(drive)
    over_s = BEGINS_S + LASTS_S
    assert (drive.trace.time_s > over_s).sum() >= 12  # recording goes on
    assert (drive.trace.time_s < BEGINS_S).sum() >= 5
    assert drive.done.errors and drive.drive.adapter["errors"] == drive.done.errors
    # The pair is still asked for together: no fault of the moment costs the vehicle a feature.
    assert "now one by one" not in " ".join(drive.texts())


@pytest.mark.parametrize("kind", GAPS)
def test_a_broken_connection_is_a_gap_with_its_end(drives, kind):
    drive = drives[kind].result()
    kinds = drive.kinds()
    assert kinds.count("gap") == kinds.count("reconnect") == 1
    assert kinds.index("gap") < kinds.index("reconnect")
    at_least_s = 0.0 if kind == "reset" else 0.9 * LASTS_S
    assert at_least_s < drive.done.gap_seconds < 5.0


def test_a_restarted_adapter_is_set_up_again_in_a_moment(drives):
    """At a cold start the first seconds are what it is all about; cranking may restart the adapter just then."""
    assert drives["reset"].result().done.gap_seconds < 1.0
    assert drives["low_voltage"].result().done.gap_seconds < LASTS_S + 1.0


@pytest.mark.parametrize(("kind", "why"), [("low_voltage", "low_voltage"), ("reset", "adapter_reset")])
def test_why_an_adapter_restarted_is_known_though_its_words_came_unasked(tmp_path, kind, why):
    with SimulatedAdapter(StandingCar(), PROFILE, timing=INSTANT) as adapter:
        link = open_link(adapter.start_pty(tmp_path / "port"))
        assert link.sync()
        adapter._faults.faults = (Fault(kind, adapter.elapsed_s + 0.05, 0.1),)
        until = time.monotonic() + 5.0
        while not adapter.fault_log and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(0.1)  # nobody asks: what it says now waits in the port
        assert not link.sync() and link.restarted_by == why
        link.close()


@pytest.mark.parametrize(("kind", "why"), [("low_voltage", "low_voltage"), ("reset", "adapter_reset")])
def test_why_it_restarted_is_known_though_the_next_request_went_out_first(tmp_path, kind, why):
    with SimulatedAdapter(StandingCar(), PROFILE, timing=INSTANT) as adapter:
        link = open_link(adapter.start_pty(tmp_path / "port"))
        assert link.ask(b"010C").messages
        adapter._faults.faults = (Fault(kind, adapter.elapsed_s + 0.05, 0.1),)
        until = time.monotonic() + 5.0
        while not (adapter.fault_log and link._transport.waiting) and time.monotonic() < until:
            time.sleep(0.01)
        time.sleep(0.1)
        assert link.ask(b"010C").problem == why
        assert link.ask(b"010C").messages  # it is set up again
        link.close()


# ---------------------------------------------------------------- codes


@pytest.mark.parametrize("number", ["6", "3"])
def test_codes_read_while_everything_strikes_are_true_or_unknown(tmp_path, number):
    """A list of codes is whole, or it is unknown: never one with a code missing, and never "none"."""
    draw = random.Random(11)
    kinds = [k for k in FAULT_KINDS if k not in ("unplugged", "hung", "low_voltage", "reset")]
    faults = [Fault(draw.choice(kinds), 0.06 * n, draw.uniform(0.004, 0.05)) for n in range(50)]
    timing = replace(INSTANT, no_answer_s=0.02, wait_s=0.002)
    traits = AdapterTraits(protocol=number, second_module=True)
    with SimulatedAdapter(StandingCar(), PROFILE, timing=timing, traits=traits) as adapter:
        link = open_link(adapter.start_pty(tmp_path / "port"))
        capabilities = probe(link, PROFILE)
        truth = read_snapshot(link, capabilities)
        begun_s = adapter.elapsed_s
        adapter._faults.faults = tuple(replace(f, start_s=f.start_s + begun_s) for f in faults)
        read = []
        while adapter.elapsed_s < begun_s + 2.5:
            read.append(read_snapshot(link, capabilities))
        link.close()
    assert len({m.kind for m in adapter.fault_log}) > 8
    assert truth.stored and (number == "3" or truth.monitor_tests)
    known = 0
    for snapshot in read:
        for name in ("mil", "stored", "pending", "permanent"):
            found, true = getattr(snapshot, name), getattr(truth, name)
            assert found is None or found == true, name
            known += found is not None
        assert snapshot.readiness in ({}, truth.readiness)
        assert set(snapshot.monitor_tests) <= set(truth.monitor_tests)
        assert (snapshot.freeze_frame or {}).items() <= truth.freeze_frame.items()
        for counter, value in snapshot.since_clear.items():
            assert value in (None, truth.since_clear[counter])
    assert known > len(read)  # more than one list in four, although something strikes half of the time


# ---------------------------------------------------------------- all of them, in random order


def test_everything_in_quick_succession_on_other_adapters(drives):
    """Faults that follow one another so fast that one often meets the way back from the one before."""
    for name in OTHERS:
        drive = drives[name].result()
        drive.check_values()
        # Some strike while nobody asks: how many are met is a matter of the bus's speed and the machine's.
        assert len({m.kind for m in drive.log}) >= 4, name
        assert (drive.trace.time_s > 9.3).sum() >= 12, name
    assert len({m.kind for name in OTHERS for m in drives[name].result().log}) >= 6


def test_a_minute_of_everything_in_random_order(drives):
    thirds = [drives[f"third {n}"].result() for n in range(3)]
    for drive in thirds:
        drive.check_values()
        check_told(drive)
        times, _ = drive.trace.samples("cam_intake_b1_actual")
        for fault in drive.faults:
            # There is quiet after each fault: rows come again, before the next one strikes.
            again_s = fault.start_s + fault.duration_s + 2.0
            assert ((times > fault.start_s) & (times < again_s + 1.0)).any(), fault
        assert drive.trace.duration_s > max(f.start_s + f.duration_s for f in drive.faults)
        assert "now one by one" not in " ".join(drive.texts())
    met = {m.kind for drive in thirds for m in drive.log}
    assert set(FAULT_KINDS) - met <= {"second_module"}  # asked alone, the engine module answers alone
    assert sum(d.trace.duration_s for d in thirds) > 50.0
    assert sum(len(d.trace.samples("cam_intake_b1_actual")[0]) for d in thirds) > 400
