"""Does it move?"""

from __future__ import annotations

from collections.abc import Iterator

from camlog.analysis.estimate import missing
from camlog.analysis.figures.figure import Figure, Measure, Measured, View
from camlog.analysis.figures.measures import MOVING, WATCHED, plain, share_of


def _standing(view: View) -> Iterator[Measured]:
    s = view.x.sticking
    share = s.stuck_time_fraction
    if share is None:
        yield Measured(missing(s.reason or "the command moved too little"), 0.0)
    else:
        m = share_of(share, 1.0, s.moving_s / 2.0)
        yield Measured(m.estimate, s.moving_s)


def _travel(view: View) -> Iterator[Measured]:
    t = view.x.travel
    asked = t.command_span_deg
    if asked < 2.0:
        yield Measured(missing("the command hardly moved"), 0.0)
    else:
        yield plain(t.actual_span_deg / asked, asked)


def _motion(part: str, amount: str) -> Measure:
    def measure(view: View) -> Iterator[Measured]:
        m = view.x.motion
        value = getattr(m, part)
        n = getattr(m, amount)
        if part == "dead_share" and value is not None:
            yield share_of(value, 1.0, n)
        else:
            yield plain(value, n, "the command hardly moved")

    return measure


def _dead_s(view: View) -> Iterator[Measured]:
    m = view.x.motion
    yield plain(m.dead_s, m.windows)


def _quiet(view: View) -> Iterator[Measured]:
    quiet = view.x.motion.quiet_s
    yield plain(quiet, view.x.tracking.excursions.watched_s, "engine speed is not known")


FIGURES = (
    Figure("dead_share", "moving command that the cam did not answer", "share", "moves", "dead", "dead_time_fraction",
           ("stuck", "sensor", "offset"), _motion("dead_share", "windows"), "While the command moved the cam did not, {value} of the time",
           2.0, "windows"),
    Figure("dead_s", "longest time it stood away from a moving command", "s", "moves", "dead", "dead_run_s",
           ("stuck", "sensor", "offset", "sticking"), _dead_s, "The command moved away and the cam did not move for {value}", 2.0,
           "windows"),
    Figure("travel_share", "travel of the cam over that of its command", "share", "moves", "travel", "travel_share",
           ("stuck", "sensor", "slow"), _travel, "The cam moved over {value} of its command's travel", 4.0, "deg", "below"),
    Figure("stuck_time_fraction", "time it should move that it stands still", "share", "moves", "standing",
           "stuck_time_fraction", ("stuck", "sticking", "sensor", "offset", "slow"), _standing, "Of the time it should have moved the cam stood still {value}",
           **MOVING),
    Figure("quiet_s", "driven with a command that no longer moved", "s", "moves", "gave_up", "quiet_command_s",
           ("stuck",), _quiet, "For {value} of driving the command no longer moved, as when the controller has given up",
           says_good=False, **WATCHED),
)  # fmt: skip
