"""The families of the fleet, one entry each."""

from __future__ import annotations

from tests.bench.fleet.parts import Command, Controller, Family, Phaser, Sensor

INTAKE = ("intake_b1",)
DUAL = ("intake_b1", "exhaust_b1")
TWO_INTAKES = ("intake_b1", "intake_b2")
FOUR = ("intake_b1", "exhaust_b1", "intake_b2", "exhaust_b2")

_ALL = [
    Family(
        "oil_classic",
        "Oil-pressure phasers on both cams under a well-tuned loop with stored hold duty and anti-windup.",
        "EP1362987 (controller); SAE 2005-01-0764 (actuation)",
        Phaser("oil", (90.0, 160.0), cold=(1.5, 3.0), pressure=(0.4, 0.8), inward=(1.1, 1.5)),
        Controller((4.0, 7.0), (0.7, 1.8)),
        Command(DUAL, (30.0, 42.0), (18.0, 32.0), from_oil=[-40.0, 5.0, 15.0]),
        Sensor([4.0, 8.0], noise=(0.05, 0.25), learns=(1.0, 3.0)),
    ),
    Family(
        "torque_v",
        "Cam-torque phasers on four cams of a V engine: quick from idle up, unlike both ways, moving in ratchet "
        "steps at low speed.",
        "SAE 2005-01-0764",
        Phaser("torque", (140.0, 240.0), cold=(1.0, 1.4), inward=(1.3, 1.9), friction=(0.0, 0.3), lag_s=0.01),
        Controller((5.0, 9.0), (0.8, 2.0), period_s=0.010),
        Command(FOUR, (28.0, 40.0), (20.0, 35.0), heating=[0.0, 6.0, 10.0]),
        Sensor([3.0, 4.0], noise=(0.1, 0.4), learns=[0.0, 2.0], resolution=[0.1, 0.25]),
    ),
    Family(
        "electric",
        "An electric phaser on the intake cam, blind to oil, held at 8 to 15 deg at warm idle and never parked.",
        "DOI 10.1115/1.4025914",
        Phaser("electric", (180.0, 320.0), lag_s=(0.03, 0.05), friction=(0.0, 0.15), leak=0.0, travel_intake=60.0),
        Controller((7.0, 12.0), (0.6, 1.5), hold_error=0.0, period_s=0.005, parks=False),
        Command(INTAKE, (35.0, 52.0), idle=(8.0, 15.0)),
        Sensor([24.0, 36.0], noise=(0.02, 0.1), resolution=[0.02, 0.05, 0.1], bias=(-0.4, 0.4)),
        chains="engine",
    ),
    Family(
        "windup",
        "Quick oil-pressure phaser under a sharp loop without anti-windup: 6 to 8 deg of overshoot are normal.",
        "from memory",
        Phaser("oil", (160.0, 260.0), cold=(1.3, 2.2), pressure=(0.2, 0.5), friction=(0.0, 0.2), lag_s=0.03),
        Controller((9.0, 12.0), (0.2, 0.4), anti_windup=False, valve_lag_s=(0.015, 0.025)),
        Command(DUAL, (35.0, 48.0), (20.0, 35.0), steps=[0.0, 4.0, 6.0], from_oil=[-40.0, 0.0]),
        Sensor([8.0, 12.0], noise=(0.03, 0.15), resolution=[0.1, 0.5]),
    ),
    Family(
        "switching",
        "On/off-like control of an oil-pressure phaser that hunts by 0.5 to 1 deg when nothing is wrong.",
        "from memory",
        Phaser("oil", (60.0, 110.0), cold=(1.6, 3.0), pressure=(0.3, 0.7), friction=(0.0, 0.3), leak=(1.0, 3.0)),
        Controller((4.0, 6.0), 0.0, on_off=(0.6, 1.1), hold_error=(-0.03, 0.03), period_s=(0.015, 0.025)),
        Command(INTAKE, (25.0, 40.0), steps=(2.0, 5.0), from_oil=[-40.0, 10.0, 20.0], publishes="asked"),
        Sensor([3.0, 4.0], resolution=[0.5, 1.0], noise=(0.1, 0.4), learns=(1.0, 3.0), clips=True),
    ),
    Family(
        "scheduled_cold",
        "A large slow oil-pressure phaser in cold climates, gain scheduled on oil temperature, active below "
        "freezing, sprung toward rest.",
        "from memory",
        Phaser("oil", (55.0, 90.0), cold=(3.0, 5.5), pressure=(0.3, 0.6), spring=(0.1, 0.3), friction=(0.1, 0.6)),
        Controller((3.0, 4.5), (0.8, 1.6), scheduled=True, hold_error=(-0.1, 0.1)),
        Command(DUAL, (25.0, 38.0), (15.0, 25.0), heating=(5.0, 10.0)),
        Sensor([4.0], average=2, noise=(0.1, 0.3), learns=(1.0, 2.0), resolution=[0.1, 0.25, 0.5]),
        chains="engine",
    ),
    Family(
        "mid_lock",
        "Lock pin in the middle of the travel: the cam rests there and is moved both ways.",
        "from memory",
        Phaser("oil", (90.0, 150.0), cold=(1.4, 2.6), pressure=(0.3, 0.7), behind_rest=(15.0, 25.0)),
        Controller((4.0, 7.0), (0.6, 1.5), filter_s=(0.05, 0.2), parks=False),
        Command(INTAKE, (25.0, 35.0), behind=(10.0, 18.0), from_oil=[-40.0, 0.0]),
        Sensor([4.0, 8.0], noise=(0.05, 0.2), bias=(-0.7, 0.7), learns=[0.0, 2.0]),
        chains="engine",
    ),
    Family(
        "gives_up",
        "A cautious module: after some seconds of error it stores a code and commands rest until the next key-on.",
        "13 CCR 1968.2(e)(13) (target error); structure from memory",
        Phaser("oil", (80.0, 140.0), cold=(1.4, 2.2), pressure=(0.3, 0.6), inward=(0.9, 1.4)),
        Controller((4.0, 6.5), (0.6, 1.5), gives_up=(6.0, 10.0), patience_s=(3.0, 6.0), setpoint_rate=(40.0, 120.0)),
        Command(DUAL, (30.0, 40.0), (20.0, 30.0), from_oil=[0.0, 15.0], idle=[0.0, 0.0, 8.0], publishes="asked"),
        Sensor([4.0, 8.0], noise=(0.05, 0.3), learns=(1.0, 4.0)),
    ),
    Family(
        "gives_up_holding",
        "A V engine, intake cams only; the module that gives up applies the stored hold duty and lets the cam drift.",
        "from memory",
        Phaser("oil", (70.0, 120.0), cold=(1.5, 2.5), pressure=(0.4, 0.8), leak=(0.5, 2.0), spring=(0.0, 0.15)),
        Controller(
            (3.5, 6.0), (0.8, 2.0), gives_up=(7.0, 12.0), patience_s=(4.0, 8.0), gives_up_to="hold",
            dither=(0.05, 0.12), dither_hz=(4.0, 12.0),
        ),
        Command(TWO_INTAKES, (28.0, 42.0), steps=[0.0, 3.0], heating=[0.0, 8.0]),
        Sensor([1.0, 2.0], noise=(0.05, 0.3), resolution=[0.25, 0.5, 1.0]),
        chains="engine",
    ),
    Family(
        "filtered_slow_bus",
        "A torsion spring and oil pressure; set-point and angle are filtered, averaged over a turn and published "
        "ten times a second or less.",
        "DOI 10.1115/1.4003263 (sensor); structure from memory",
        Phaser("oil", (80.0, 130.0), cold=(1.4, 2.6), pressure=(0.3, 0.6), spring=(0.15, 0.4), friction=(0.0, 0.5)),
        Controller((3.0, 5.0), (0.8, 2.0), filter_s=(0.15, 0.5), setpoint_rate=(30.0, 80.0)),
        Command(DUAL, (25.0, 45.0), (20.0, 35.0), idle=[0.0, 10.0]),
        Sensor([4.0], average=4, noise=(0.05, 0.3), resolution=[0.5, 0.75, 1.5], published_s=(0.08, 0.2)),
    ),
    Family(
        "dither_tooth",
        "Strong dither on a cam-torque phaser, one angle a few times a turn, nothing reported behind rest.",
        "DOI 10.1115/1.4003263 (sensor); SAE 2005-01-0764 (actuation)",
        Phaser("torque", (110.0, 180.0), cold=(1.0, 1.3), inward=(0.6, 0.9), friction=(0.1, 0.5), leak=(0.0, 1.0)),
        Controller((3.0, 5.0), (0.8, 2.0), dither=(0.1, 0.2), dither_hz=(5.0, 15.0), period_s=(0.02, 0.03)),
        Command(INTAKE, (30.0, 45.0), steps=[0.0, 2.0, 5.0], from_oil=[-40.0, 20.0]),
        Sensor([2.0, 3.0], noise=(0.05, 0.3), resolution=[0.1, 1.0], clips=True, learns=[0.0, 3.0]),
    ),
    Family(
        "electric_v",
        "Electric phasers on four cams of a V engine, parked at rest; quick, often stepped set-points, published as "
        "asked before their rate is limited.",
        "DOI 10.1115/1.4025914",
        Phaser("electric", (150.0, 260.0), lag_s=(0.03, 0.06), friction=(0.0, 0.2), leak=0.0),
        Controller((5.0, 9.0), (0.5, 1.2), hold_error=0.0, scheduled=False, setpoint_rate=(80.0, 200.0)),
        Command(FOUR, (35.0, 45.0), (20.0, 30.0), steps=[0.0, 1.5, 4.0], publishes="asked"),
        Sensor([8.0, 16.0], noise=(0.02, 0.2), learns=(0.5, 1.5), published_s=[0.01, 0.05]),
    ),
    Family(
        "house_a", "The project's own simulator, family A.", "the simulator of this project", house="A",
    ),
    Family(
        "house_b", "The project's own simulator, family B.", "the simulator of this project", house="B",
    ),
]  # fmt: skip

FAMILIES: dict[str, Family] = {family.name: family for family in _ALL}
