"""The causes a technician chooses between, and what to check next for each: cheapest and least invasive first.

Common practice, no source; service information always comes first.
"""

from __future__ import annotations

PHASER = "phaser"
CONTROL_VALVE = "oil control valve"
OIL_SUPPLY = "oil supply"
MECHANICAL_TIMING = "mechanical timing"
SENSOR = "sensor or wiring"
IGNITION = "ignition or fuel"
NOTHING = "nothing wrong"

CAUSES = (PHASER, CONTROL_VALVE, OIL_SUPPLY, MECHANICAL_TIMING, SENSOR, IGNITION, NOTHING)

NEXT_CHECKS: dict[str, tuple[str, ...]] = {
    OIL_SUPPLY: (
        "Check oil level, age and grade against service information.",
        "Measure oil pressure with a gauge, hot, at idle and at 2,000 rpm, against service information.",
        "Take out the oil control valve and look at its screen and the oil passage.",
        "Change oil and filter to the specified grade and drive the same route again.",
    ),
    CONTROL_VALVE: (
        "Check the valve's connector and wiring, and its coil resistance against service information.",
        "Take out the oil control valve: screen clean, spool moving freely, no metal in it.",
        "Where two cams carry the same valve, swap them and drive again: see whether the fault moves with the valve.",
    ),
    PHASER: (
        "Rule out oil, screen and oil control valve first: each is cheaper and outside the valve cover.",
        "Listen at a cold start with the engine cold over night, and mark the moment in a recording.",
        "With the valve cover off and the engine turned by hand: the phaser must be locked at rest and without play.",
    ),
    MECHANICAL_TIMING: (
        "Compare cam and crank sensor signals on an oscilloscope with the pattern in service information.",
        "Look at chain, tensioner and guides through the filler opening or an inspection cover where there is one.",
        "Turn the engine by hand to the timing marks; never by the starter (interference engine).",
    ),
    SENSOR: (
        "Move connector and harness of the cam sensor while the angle is shown live.",
        "Check the sensor's supply, ground and signal on an oscilloscope.",
        "Take out the sensor: gap, metal chips, damage on the reluctor wheel.",
    ),
    IGNITION: (
        "Swap the coil of the misfiring cylinder with its neighbour: see whether the misfire moves with it.",
        "Look at that cylinder's spark plug.",
        "Swap or flow-check its injector; then compression.",
    ),
    NOTHING: ("Ask when exactly the complaint shows, and record that: cold start over night, same road, same load.",),
}

# The check that tells two causes apart which the data cannot.
SEPARATED_BY: dict[frozenset[str], str] = {
    frozenset({PHASER, CONTROL_VALVE}): "Swap the oil control valve with a good one (another cam's of the same kind) and "
    "drive again: a fault that moves or goes is the valve, one that stays is the phaser.",
    frozenset({PHASER, OIL_SUPPLY}): "Measure oil pressure with a gauge, hot: good pressure at the head leaves the phaser.",
    frozenset({CONTROL_VALVE, OIL_SUPPLY}): "Look at the oil control valve's screen, then measure oil pressure, hot.",
    frozenset({MECHANICAL_TIMING, SENSOR}): "Turn the engine by hand to the timing marks: marks that meet leave the sensor or "
    "its wheel.",
    frozenset({PHASER, MECHANICAL_TIMING}): "Turn the engine by hand to the timing marks with the phaser locked at rest.",
    frozenset({PHASER, SENSOR}): "Watch the cam sensor on an oscilloscope while the valve is driven: a signal that "
    "moves with the cam clears the sensor.",
    frozenset({CONTROL_VALVE, SENSOR}): "Watch the cam sensor on an oscilloscope while the valve is driven.",
}
