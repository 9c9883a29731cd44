"""What came with a recording besides the trace: the drive file with codes and notes, and a vehicle profile."""

from __future__ import annotations

import numpy as np

from camlog.drive import Drive
from camlog.profile.model import Cam, Engine, VehicleProfile
from camlog.stream import CodeSnapshot, Event, TroubleCode
from tests.bench.fleet.car import CamSignals, Car, Fault
from tests.bench.fleet.faults import KINDS

# Generic codes a bank 1 intake, bank 1 exhaust, bank 2 intake, bank 2 exhaust cam may set: SAE J2012, from memory.
CAMS = ("intake_b1", "exhaust_b1", "intake_b2", "exhaust_b2")
CODES = {
    "circuit": ("P0010", "P0013", "P0020", "P0023"),
    "over_advanced": ("P0011", "P0014", "P0021", "P0024"),
    "over_retarded": ("P0012", "P0015", "P0022", "P0025"),
    "slow": ("P000A", "P000B", "P000C", "P000D"),
    "offset": ("P0016", "P0017", "P0018", "P0019"),
    "sensor": ("P0340", "P0365", "P0345", "P0390"),
}
# What a module that watches well stores for a condition; most store nothing while the fault is small.
WATCHED = {"slow": "slow", "offset": "offset", "sensor": "sensor", "stuck": "over_advanced"}
READY = {"misfire": "complete", "components": "complete", "egr_vvt_system": "incomplete"}


def drive_of(
    rng: np.random.Generator, fault: Fault | None, cams: dict[str, CamSignals], minutes: float
) -> Drive | None:
    """A drive file for about a third of the drives, more often where the controller stored a code."""
    gave_up = [cam for cam, signals in cams.items() if signals.gave_up_s is not None]
    with_drive, sees, listens, minor = rng.random(4)
    if with_drive > (0.7 if gave_up else 0.3):
        return None
    before, after = [], []
    for cam in gave_up:
        which = "over_retarded" if cam.startswith("intake") else "over_advanced"
        after.append(CODES[which][CAMS.index(cam)])
    if fault is not None:
        condition = KINDS[fault.kind].condition
        family = WATCHED.get(condition)
        if family and sees < 0.6 * fault.severity:
            after += [CODES[family][CAMS.index(cam)] for cam in fault.cams]
            before = after if fault.onset_s == 0.0 else []
        if fault.kind == "low_pressure" and sees < 0.5:
            after.append("P0524")
    if minor < 0.05:
        before, after = [*before, "P0455"], [*after, "P0455"]
    if minor > 0.96:  # an old code that has nothing to do with this drive
        cam = int(rng.integers(len(cams)))
        before, after = [*before, CODES["over_advanced"][cam]], [*after, CODES["over_advanced"][cam]]
    events = []
    if fault is not None and fault.kind == "rattle" and listens < 0.7:
        events.append(Event(float(rng.uniform(4.0, 15.0)), "marker", "rattle heard"))
    elif listens < 0.05:
        events.append(Event(float(rng.uniform(5.0, 60.0 * minutes - 5.0)), "marker", "overtook a lorry"))
    snapshots = tuple(
        CodeSnapshot(at, bool(codes), tuple(TroubleCode(c, "7E8") for c in dict.fromkeys(codes)), (), (), READY)
        for at, codes in ((0.0, before), (60.0 * minutes, after))
    )
    return Drive(
        started_at="2025-03-01T08:00:00+00:00",
        vehicle={"name": "Invented car", "vin": None},
        adapter={"name": "simulated"},
        events=tuple(events),
        code_snapshots=snapshots,
    )


def profile_of(rng: np.random.Generator, car: Car) -> VehicleProfile | None:
    """A profile of the engine for about a quarter of the drives."""
    share, teeth = rng.random(), int(rng.integers(18, 25))
    if share > 0.25:
        return None
    p = car.phaser
    ranges = {"intake": (-p.behind_rest, p.travel_intake), "exhaust": (-p.travel_exhaust, p.behind_rest)}
    return VehicleProfile(
        name="Invented car",
        engine=Engine(cylinders=4, crank_sprocket_teeth=teeth, loaded_chain_links=2 * teeth),
        cams=tuple(Cam(cam, 0.0, ranges[cam.split("_")[0]]) for cam in car.command.cams),
    )
