"""The causes a technician chooses between, and what to check next for each: cheapest and least invasive first.

Each check names the cautions of its risks and whether the engine must run or the vehicle be driven for it.
Common practice, no source; service information always comes first.
"""

from __future__ import annotations

from collections.abc import Iterable

from camlog.cautions import (
    DRIVE,
    FUEL,
    HIGH_VOLTAGE,
    HOT_OIL,
    IDLE,
    MOVING_PARTS,
    RAISED,
    TIMING,
    TORQUE,
    VALVE_SUPPLY,
    sentences,
)


class Check(str):
    """One check as a sentence, with the `cautions` (sentences) that stand beside it.

    `cautions` are given as keys of the table of cautions. `runs` is True where the engine must run, or the vehicle be
    driven, for it.
    """

    cautions: tuple[str, ...]
    runs: bool

    def __new__(cls, text: str, keys: Iterable[str] = (), *, runs: bool = False) -> Check:
        check = super().__new__(cls, text)
        check.cautions, check.runs = sentences(keys), runs
        return check

    def with_text(self, text: str) -> Check:
        """The same check in other words."""
        check = Check(text, runs=self.runs)
        check.cautions = self.cautions
        return check


PHASER = "phaser"
CONTROL_VALVE = "oil control valve"
OIL_SUPPLY = "oil supply"
MECHANICAL_TIMING = "mechanical timing"
SENSOR = "sensor or wiring"
IGNITION = "ignition or fuel"
NOTHING = "nothing wrong"

CAUSES = (PHASER, CONTROL_VALVE, OIL_SUPPLY, MECHANICAL_TIMING, SENSOR, IGNITION, NOTHING)

RUNNING = (IDLE, MOVING_PARTS)  # whoever works at a running engine

NEXT_CHECKS: dict[str, tuple[Check, ...]] = {
    OIL_SUPPLY: (
        Check("Check oil level, age and grade against service information.", (HOT_OIL,)),
        Check(
            "Measure oil pressure with a gauge, hot, at idle and at 2,000 rpm, against service information.",
            (HOT_OIL, *RUNNING), runs=True,
        ),
        Check("Take out the oil control valve and look at its screen and the oil passage.", (HOT_OIL, TORQUE)),
        Check(
            "Change oil and filter to the specified grade and drive the same route again.",
            (HOT_OIL, RAISED, TORQUE, DRIVE), runs=True,
        ),
    ),
    CONTROL_VALVE: (
        Check(
            "Check the valve's connector and wiring, and its coil resistance against service information, engine off.",
            (HOT_OIL,),
        ),
        Check("Take out the oil control valve: screen clean, spool moving freely, no metal in it.", (HOT_OIL, TORQUE)),
        Check(
            "Where two cams carry the same valve, swap them and drive again: see whether the fault moves with the valve.",
            (HOT_OIL, TORQUE, DRIVE), runs=True,
        ),
    ),
    PHASER: (
        Check(
            "Rule out oil, screen and oil control valve first: each is cheaper and outside the valve cover.", (HOT_OIL,)
        ),
        Check(
            "Listen at a cold start with the engine cold over night, and mark the moment in a recording.",
            RUNNING, runs=True,
        ),
        Check(
            "With the valve cover off and the engine turned by hand: the phaser must be locked at rest and without play.",
            (HIGH_VOLTAGE, TIMING, TORQUE),
        ),
    ),
    MECHANICAL_TIMING: (
        Check(
            "Compare cam and crank sensor signals on an oscilloscope with the pattern in service information.",
            (TIMING, *RUNNING), runs=True,
        ),
        Check(
            "Look at chain, tensioner and guides through the filler opening or an inspection cover where there is one, "
            "engine off.",
            (TIMING, TORQUE),
        ),
        Check(
            "Turn the engine by hand to the timing marks; never by the starter (interference engine).", (TIMING, TORQUE)
        ),
    ),
    SENSOR: (
        Check("Move connector and harness of the cam sensor while the angle is shown live.", RUNNING, runs=True),
        Check("Check the sensor's supply, ground and signal on an oscilloscope.", RUNNING, runs=True),
        Check("Take out the sensor: gap, metal chips, damage on the reluctor wheel.", (HOT_OIL, TORQUE)),
    ),
    IGNITION: (
        Check(
            "Swap the coil of the misfiring cylinder with its neighbour: see whether the misfire moves with it.",
            (HIGH_VOLTAGE, TORQUE, *RUNNING), runs=True,
        ),
        Check("Look at that cylinder's spark plug.", (HIGH_VOLTAGE, TORQUE)),
        Check(
            "Swap or flow-check its injector; then compression.",
            (FUEL, HIGH_VOLTAGE, TORQUE, MOVING_PARTS), runs=True,
        ),
    ),
    NOTHING: (
        Check(
            "Ask when exactly the complaint shows, and record that: cold start over night, same road, same load.",
            (DRIVE, *RUNNING), runs=True,
        ),
    ),
}  # fmt: skip

_GAUGE = (HOT_OIL, *RUNNING)
_SCOPE = (VALVE_SUPPLY, *RUNNING)
# The check that tells two causes apart which the data cannot.
SEPARATED_BY: dict[frozenset[str], Check] = {
    frozenset({PHASER, CONTROL_VALVE}): Check(
        "Swap the oil control valve with a good one (another cam's of the same kind) and "
        "drive again: a fault that moves or goes is the valve, one that stays is the phaser.",
        (HOT_OIL, TORQUE, DRIVE), runs=True,
    ),
    frozenset({PHASER, OIL_SUPPLY}): Check(
        "Measure oil pressure with a gauge, hot: good pressure at the head leaves the phaser.", _GAUGE, runs=True
    ),
    frozenset({CONTROL_VALVE, OIL_SUPPLY}): Check(
        "Look at the oil control valve's screen, then measure oil pressure, hot.", (TORQUE, *_GAUGE), runs=True
    ),
    frozenset({MECHANICAL_TIMING, SENSOR}): Check(
        "Turn the engine by hand to the timing marks: marks that meet leave the sensor or its wheel.", (TIMING, TORQUE)
    ),
    frozenset({PHASER, MECHANICAL_TIMING}): Check(
        "Turn the engine by hand to the timing marks with the phaser locked at rest.", (TIMING, TORQUE)
    ),
    frozenset({PHASER, SENSOR}): Check(
        "Watch the cam sensor on an oscilloscope while the valve is driven: a signal that "
        "moves with the cam clears the sensor.",
        _SCOPE, runs=True,
    ),
    frozenset({CONTROL_VALVE, SENSOR}): Check(
        "Watch the cam sensor on an oscilloscope while the valve is driven.", _SCOPE, runs=True
    ),
}  # fmt: skip
