"""What can be wrong with the simulated vehicle, and how bad it is."""

from __future__ import annotations

from dataclasses import dataclass

from camlog.errors import InputError
from camlog.signals import CAM_IDS


@dataclass(frozen=True, slots=True)
class ConditionInfo:
    """One fault the vehicle can have.

    `words` says what is wrong; `finding` is the Findings `condition` it is the
    truth of on each cam it concerns; `also` are names that a careful reader of
    the same trace may give instead, where what the cam does has two faces.
    `scope` is `cam` (one or more cams), `vehicle` (every cam) or `cylinder`.
    """

    words: str
    finding: str
    also: tuple[str, ...] = ()
    scope: str = "cam"


CONDITIONS: dict[str, ConditionInfo] = {
    "healthy": ConditionInfo("nothing is wrong", "healthy", scope="vehicle"),
    "stick_slip": ConditionInfo(
        "the phaser stays put until the pressure across its vanes breaks it loose, then jumps", "sticking"
    ),
    "restricted_flow": ConditionInfo(
        "a blocked screen or oil passage: slow at every oil temperature", "slow"
    ),
    "slow_cold": ConditionInfo(
        "varnish or oil of the wrong grade in narrow passages: slow while the oil is cold, right once warm",
        "slow",
    ),
    "internal_leakage": ConditionInfo(
        "worn vane seals: the cam drifts toward retard and hunts, worst with hot thin oil",
        "unstable",
        also=("slow",),
    ),
    "low_oil_pressure": ConditionInfo(
        "worn pump or bearings: pressure is low with hot oil, every cam turns weak together",
        "slow",
        also=("stuck", "unstable"),
        scope="vehicle",
    ),
    "seized": ConditionInfo("the phaser does not move", "stuck"),
    "chain_stretch": ConditionInfo(
        "the worn chain retards every cam it drives, most plainly seen at rest", "offset", scope="vehicle"
    ),
    "jumped_tooth": ConditionInfo(
        "the chain has jumped one tooth or two: cams stand off by whole teeth", "offset", scope="vehicle"
    ),
    "base_timing_offset": ConditionInfo(
        "mechanical timing is off, by a stretched chain or a jumped tooth", "offset", scope="vehicle"
    ),
    "worn_lock_pin": ConditionInfo(
        "the lock pin does not hold: the cam flutters at rest and rattles at a cold start", "unstable"
    ),
    "sticking_control_valve": ConditionInfo(
        "the oil control valve's spool sticks: flow comes late and too much",
        "unstable",
        also=("sticking", "slow"),
    ),
    "unstable_control": ConditionInfo("the control loop is set too sharp and oscillates", "unstable"),
    "sensor_noise": ConditionInfo("the cam sensor's signal is noisy; the cam itself is right", "sensor"),
    "sensor_dropout": ConditionInfo("the cam sensor's signal drops out at times", "sensor"),
    "sensor_frozen": ConditionInfo(
        "the reported angle stands still while the engine runs", "sensor", also=("stuck",)
    ),
    "bad_coil": ConditionInfo("one cylinder's ignition coil fails under load", "healthy", scope="cylinder"),
}


@dataclass(frozen=True, slots=True)
class Condition:
    """One fault: `kind` from CONDITIONS, `severity` from 0 (healthy exactly) to 1 (gross).

    0.25 is hard to see, 0.5 is clearly a fault a technician would want found.
    `cams` are the cams concerned (`intake_b1` ...; empty: drawn from the seed,
    or all of them where the fault concerns the vehicle); `cylinder` counts from
    1 (None: drawn); before `onset_s` seconds into the drive nothing is wrong.

    Raises InputError for an unknown kind or cam, or a severity outside 0 to 1.
    """

    kind: str
    severity: float = 0.5
    cams: tuple[str, ...] = ()
    cylinder: int | None = None
    onset_s: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in CONDITIONS:
            raise InputError(
                f"condition {self.kind!r} is not known", remedy="Use one of " + ", ".join(CONDITIONS) + "."
            )
        if not 0.0 <= self.severity <= 1.0:
            raise InputError(
                f"severity {self.severity} is outside 0 to 1", remedy="Use a number from 0 to 1."
            )
        for cam in self.cams:
            if cam not in CAM_IDS:
                raise InputError(f"cam {cam!r} is not known", remedy="Use one of " + ", ".join(CAM_IDS) + ".")
        if self.cylinder is not None and self.cylinder < 1:
            raise InputError(f"cylinder {self.cylinder} is not a cylinder", remedy="Cylinders count from 1.")

    @property
    def info(self) -> ConditionInfo:
        return CONDITIONS[self.kind]
