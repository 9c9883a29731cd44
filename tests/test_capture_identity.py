"""A port's name may come back as something else: a recording does not go on with another adapter or vehicle.

And a simulated adapter says that it is one.
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest

from camlog.capture.identity import Identity
from camlog.capture.live import LiveSource
from camlog.capture.record import connection_lines, record
from camlog.drive import Drive, drive_path, read_drive
from camlog.errors import InputError
from camlog.simulate.adapter import PRESETS, AdapterTraits, SimulatedAdapter, TimingModel
from camlog.trace import read_trace
from camlog.trust import SIMULATED_REMARK, remarks
from tests.capture_help import PROFILE, climbing_car

TIMING = TimingModel(ecu_latency_s=0.004, wait_s=0.01, search_s=0.01, reset_s=0.02, no_answer_s=0.03)
OWN = AdapterTraits(banner="OBDX v1.3")  # invented


def simulated(traits=OWN, car=None):
    return SimulatedAdapter(car or climbing_car(), PROFILE, traits=traits, timing=TIMING)


def another_car(vin="9CLGSM5TEST3D0ABZ", without=()):
    car = climbing_car(name for name in climbing_car().signals if name not in without)
    car.vin = vin
    return car


OTHERS = {
    "adapter": (lambda: simulated(AdapterTraits(banner="OBDX v2.0")), "another adapter answers now, OBDX v2.0 instead of OBDX v1.3"),
    "vehicle": (lambda: simulated(car=another_car("9CLGSM5TEST3D0ABY")), "another vehicle answers now"),
    "vehicle that tells no number": (lambda: simulated(car=another_car("", ["oil_temp", "throttle_position"])), "another vehicle answers now"),
    "same": (lambda: simulated(), None),
}  # fmt: skip


@pytest.mark.parametrize("which", OTHERS)
def test_what_comes_back_under_the_ports_name_is_looked_at(tmp_path, which):
    other, said = OTHERS[which]
    link = tmp_path / "port"
    with simulated() as first, ThreadPoolExecutor(1) as pool:
        source = LiveSource(first.start_pty(link), PROFILE, baud=38400, codes=False)
        done = pool.submit(record, source, tmp_path / "drive.csv", minutes=10.0 / 60)
        until(lambda: source.requests_sent > 10)
        first.stop()
        until(lambda: source.errors["unplugged"])
        rows_before = len(read_trace(tmp_path / "drive.csv").time_s)
        with other() as second:
            second.start_pty(link)
            if said is None:
                until(lambda: source.gap_seconds > 0.0)
                source.stop()
                assert done.result(10.0).rows > rows_before
            else:
                with pytest.raises(InputError, match=said):
                    done.result(15.0)
    trace, drive = read_trace(tmp_path / "drive.csv"), read_drive(drive_path(tmp_path / "drive.csv"))
    assert drive.trace_sha256 == trace.sha256
    kinds = [e.kind for e in drive.events]
    if said is None:
        assert kinds[-1] == "reconnect"
    else:
        assert len(trace.time_s) == rows_before and "reconnect" not in kinds
        assert drive.events[-1].text == f"{said}: the recording ends here"


KNOWN = Identity("OBDX v1.3", "6", "7E8", frozenset({4, 5, 12}), "1a2b")


@pytest.mark.parametrize(
    ("now", "is_another"),
    [
        (KNOWN, False),
        (replace(KNOWN, adapter="", pids=frozenset(), vin_hash=None), False),  # it told nothing: no reason to end
        (replace(KNOWN, pids=frozenset({4, 5})), False),  # the number says that it is the same
        (replace(KNOWN, pids=frozenset({4, 5}), vin_hash=None), True),
        (replace(KNOWN, vin_hash="ffff"), True),
        (replace(KNOWN, protocol="7"), True),
        (replace(KNOWN, adapter="OBDX v2.0"), True),
    ],
)
def test_only_what_is_known_to_differ_is_another(now, is_another):
    assert bool(KNOWN.change(now)) is is_another


# ---------------------------------------------------------------- simulated


@pytest.mark.parametrize("traits", [PRESETS["standard"], PRESETS["clone"], OWN], ids=lambda t: t.banner + t.name)
def test_a_simulated_adapter_is_marked_in_the_drive_file(tmp_path, traits):
    with simulated(traits) as adapter:
        source = LiveSource(adapter.start_pty(tmp_path / "port"), PROFILE, baud=38400, codes=False)
        lines = connection_lines(source)
        done = record(source, tmp_path / "drive.csv", minutes=0.3 / 60)
    drive = read_drive(done.drive)
    own = traits is not OWN  # stands for an adapter that is a real one
    assert drive.adapter["simulated"] is drive.is_simulated is own
    assert any(SIMULATED_REMARK in line for line in lines) is own
    assert (SIMULATED_REMARK in remarks(drive, drive.trace_sha256, done.drive)) is own


def test_the_mark_is_not_taken_off_by_leaving_out_the_key():
    assert Drive(adapter={"name": "CAMSIM 2.0"}).is_simulated
    assert not Drive(adapter={"name": None}).is_simulated and not Drive().is_simulated


def until(condition, seconds=15.0):
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.02)
