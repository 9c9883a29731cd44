"""What a technician can check, what it costs and what it tells: the table behind the order of checks.

A check has outcomes; the chance of each under each cause says how far it moves the probabilities. Minutes are for a
valve that sits in front (`front_cover`); the layout of the engine changes them. Common practice, no source; service
information always comes first. A new check is one entry.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

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

RUNNING = (IDLE, MOVING_PARTS)  # whoever works at a running engine
IN_ORDER = "in order"
# A check shows something wrong this often although the cause is another one.
FALSE_ALARM = 0.04
# What must be opened: nothing, a plug or small part, the oil control valve, the valve cover, the front of the engine.
OPENS = ("nothing", "small part", "valve", "valve cover", "timing cover")


class Sentence(str):
    """A check as a sentence, with the `cautions` (sentences) that stand beside it; `runs` as in `Check`."""

    cautions: tuple[str, ...]
    runs: bool

    def __new__(cls, text: str, keys: Iterable[str] = (), *, runs: bool = False) -> Sentence:
        made = super().__new__(cls, text)
        made.cautions, made.runs = sentences(keys), runs
        return made


@dataclass(frozen=True)
class Check:
    """One check: what to do, how long it takes, what it opens, and what it can show.

    `shows` maps each outcome other than IN_ORDER to its words for a search and to its chance under each cause; causes
    not named show it by false alarm. `runs`: the engine must run, or the vehicle be driven, for it.
    """

    key: str
    text: str
    minutes: float
    opens: str
    shows: Mapping[str, Mapping[str, float]]
    cautions: tuple[str, ...] = ()
    runs: bool = False
    parts: float = 0.0

    @property
    def outcomes(self) -> tuple[str, ...]:
        """Every outcome, the sound one first."""
        return (IN_ORDER, *self.shows)

    @property
    def sentence(self) -> Sentence:
        """The check as a sentence with its cautions."""
        return Sentence(self.text, self.cautions, runs=self.runs)

    def chance(self, outcome: str, cause: str) -> float:
        """The chance of an outcome where `cause` is what is wrong."""
        if outcome == IN_ORDER:
            return max(1.0 - sum(self.chance(o, cause) for o in self.shows), 0.01)
        return self.shows[outcome].get(cause, FALSE_ALARM / len(self.shows))


_PHASER = ("phaser_sticking", "phaser_worn", "lock_pin")
_TIMING = ("chain_stretched", "tooth_jumped", "tensioner")


def _for(chance: float, *causes: str) -> dict[str, float]:
    return dict.fromkeys(causes, chance)


CHECKS = (
    Check("oil_level", "Check oil level, smell and age, and its grade against service information and the filler cap.", 5,
          "nothing", {"low, old or of another grade": _for(0.9, "oil_condition") | _for(0.12, "oil_pressure")}, (HOT_OIL,)),
    Check("valve_plug", "Check the oil control valve's plug and wires, and its coil resistance against service information, "
          "engine off.", 12, "nothing", {"plug, wire or coil bad": _for(0.9, "valve_circuit")}, (HOT_OIL,)),
    Check("sensor_plug", "Move plug and harness of the cam sensor while the angle is shown live.", 10, "nothing",
          {"angle jumps with the harness": _for(0.45, "sensor")}, RUNNING, runs=True),
    Check("learned", "Ask whether timing parts, sensor or control module were changed, and whether the learning routine was done.",
          5, "nothing", {"changed and not learned": _for(0.8, "learned_values")}),
    Check("history", "Ask when exactly the complaint shows, and record that: cold start over night, same road, same load.", 40,
          "nothing", {"complaint recorded": {c: 0.5 for c in (*_PHASER, *_TIMING, "ignition_fuel", "valve_sticking")}},
          (DRIVE, *RUNNING), runs=True),
    Check("coil_swap", "Swap the coil of the misfiring cylinder with its neighbour: see whether the misfire moves with it.", 20,
          "small part", {"misfire moves": _for(0.45, "ignition_fuel")}, (HIGH_VOLTAGE, TORQUE, *RUNNING), runs=True),
    Check("plug_look", "Look at that cylinder's spark plug; then its injector and compression.", 35, "small part",
          {"plug, injector or compression bad": _for(0.7, "ignition_fuel") | _for(0.1, "tooth_jumped")},
          (FUEL, HIGH_VOLTAGE, MOVING_PARTS, TORQUE)),
    Check("cold_listen", "Listen at a cold start with the engine cold over night, and mark the moment in a recording.", 25,
          "nothing", {"rattle at the phaser": _for(0.8, "lock_pin") | _for(0.35, "phaser_worn"),
                      "rattle at the chain": _for(0.6, "tensioner", ) | _for(0.4, "chain_stretched")}, RUNNING, runs=True),
    Check("valve_out", "Take out the oil control valve: screen clean, spool moving freely, no metal in it.", 30, "valve",
          {"spool sticks": _for(0.85, "valve_sticking"), "screen blocked": _for(0.92, "valve_screen") | _for(0.15, "oil_condition")},
          (HOT_OIL, TORQUE)),
    Check("valve_swap", "Swap the oil control valve with a good one (another cam's of the same kind) and drive again: a fault that "
          "moves or goes is the valve, one that stays is the phaser.", 60, "valve",
          {"fault moves or goes": _for(0.93, "valve_sticking") | _for(0.85, "valve_screen") | _for(0.4, "valve_circuit")},
          (HOT_OIL, TORQUE, DRIVE), runs=True),
    Check("oil_gauge", "Measure oil pressure with a gauge, hot, at idle and at 2,000 rpm, against service information.", 40,
          "small part", {"pressure low": _for(0.95, "oil_pressure") | _for(0.3, "oil_condition")}, (HOT_OIL, *RUNNING), runs=True),
    Check("oil_change", "Change oil and filter to the specified grade and drive the same route again.", 45, "small part",
          {"fault gone": _for(0.85, "oil_condition") | _for(0.08, "valve_sticking", "phaser_sticking", "valve_screen")},
          (HOT_OIL, RAISED, TORQUE, DRIVE), runs=True, parts=60.0),
    Check("scope_pattern", "Compare cam and crank sensor signals on an oscilloscope with the pattern in service information.", 40,
          "nothing", {"teeth off": _for(0.93, "tooth_jumped") | _for(0.35, "chain_stretched"),
                      "signal bad": _for(0.85, "sensor")}, (TIMING, *RUNNING), runs=True),
    Check("valve_driven", "Watch the cam sensor on an oscilloscope while the valve is driven: a signal that moves with the cam "
          "clears the sensor.", 30, "nothing",
          {"cam does not move": _for(0.6, *_PHASER[:1], "valve_sticking", "oil_passage") | _for(0.9, "valve_circuit"),
           "signal bad": _for(0.8, "sensor")}, (VALVE_SUPPLY, *RUNNING), runs=True),
    Check("sensor_out", "Take out the cam sensor: gap, metal chips, damage on the reluctor wheel.", 25, "small part",
          {"gap, chips or damage": _for(0.7, "sensor")}, (HOT_OIL, TORQUE)),
    Check("chain_look", "Look at chain, tensioner and guides through the filler opening or an inspection cover where there is "
          "one, engine off.", 25, "small part",
          {"slack or worn": _for(0.65, "chain_stretched", "tensioner")}, (TIMING, TORQUE)),
    Check("marks", "Turn the engine by hand to the timing marks; never by the starter (interference engine).", 120, "valve cover",
          {"marks do not meet": _for(0.95, "tooth_jumped") | _for(0.8, "chain_stretched") | _for(0.2, "tensioner")},
          (TIMING, TORQUE)),
    Check("phaser_hand", "With the valve cover off and the engine turned by hand: the phaser must be locked at rest and without "
          "play.", 150, "valve cover",
          {"play, or not locked": _for(0.85, "lock_pin", "phaser_worn") | _for(0.35, "phaser_sticking")},
          (HIGH_VOLTAGE, TIMING, TORQUE)),
)  # fmt: skip
BY_KEY: Mapping[str, Check] = {c.key: c for c in CHECKS}
# Checks that come first where an engine may not be run.
FIRST: Mapping[str, Sentence] = {
    "gauge": Sentence("Prove the oil pressure with a gauge, by the procedure of service information, before the engine runs again.",
                      (HOT_OIL, MOVING_PARTS)),
    "compression": Sentence("Then compare the compression of all cylinders, fuel and ignition shut off.",
                            (HIGH_VOLTAGE, FUEL, MOVING_PARTS, TIMING, TORQUE)),
    "afterwards": Sentence("Run the engine again only when these checks are done and what they show is repaired.", (MOVING_PARTS,)),
    "level": BY_KEY["oil_level"].sentence,
    "chain": BY_KEY["chain_look"].sentence,
    "by_hand": BY_KEY["marks"].sentence,
}  # fmt: skip


@dataclass(frozen=True)
class Repair:
    """What can be done: minutes and parts (in the shop's currency), and the chance that it ends each cause."""

    key: str
    name: str
    minutes: float
    parts: float
    cures: Mapping[str, float] = field(default_factory=dict)
    opens: str = "nothing"


REPAIRS = (
    Repair("oil_service", "oil and filter to the specified grade", 35, 60.0, _for(0.9, "oil_condition")),
    Repair("electrical", "plug, wire or coil of the oil control valve", 50, 30.0, _for(0.92, "valve_circuit")),
    Repair("valve", "oil control valve and its screen", 45, 95.0, _for(0.95, "valve_sticking") | _for(0.85, "valve_screen"), "valve"),
    Repair("sensor", "cam sensor, or its wiring", 40, 65.0, _for(0.8, "sensor"), "small part"),
    Repair("learn", "learning routine of the control module", 20, 0.0, _for(0.95, "learned_values")),
    Repair("ignition", "ignition or fuel of the cylinder", 50, 70.0, _for(0.85, "ignition_fuel"), "small part"),
    Repair("passage", "oil passages cleaned", 180, 30.0, _for(0.8, "oil_passage"), "valve cover"),
    Repair("pressure", "oil pump or relief valve", 360, 220.0, _for(0.85, "oil_pressure"), "timing cover"),
    Repair("phaser", "phaser alone", 330, 260.0, _for(0.95, *_PHASER), "timing cover"),
    Repair("phaser_valve", "phaser and oil control valve", 350, 355.0,
           _for(0.96, *_PHASER, "valve_sticking") | _for(0.9, "valve_screen"), "timing cover"),
    Repair("timing_set", "whole timing set: chain, tensioner, guides, phaser and oil control valve", 480, 720.0,
           _for(0.97, *_TIMING, *_PHASER, "valve_sticking") | _for(0.9, "valve_screen"), "timing cover"),
)  # fmt: skip
