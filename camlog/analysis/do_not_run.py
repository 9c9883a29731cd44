"""When an engine may not be run or driven: the reasons with their figures, and what to check first.

Five reasons: mechanical timing that may be off, correlation codes, low oil pressure (signal or code), every cylinder
misfiring, and a rattle that stays. Common practice, no source. A permanent code alone is no reason: it stays after the
repair until its monitor has run, which needs a drive.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from camlog.analysis.cam.examine import Examination
from camlog.analysis.code_evidence import CodeEvidence
from camlog.analysis.drive.engine import RUNNING_RPM
from camlog.analysis.figures import limit_of
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.oil_pressure import LowPressure, OilPressureWatch, alarm
from camlog.analysis.verdict.causes import WORTH_SAYING, Cause
from camlog.analysis.verdict.checks import MECHANICAL_TIMING, NEXT_CHECKS, NOTHING, OIL_SUPPLY, Check
from camlog.analysis.verdict.judge import Verdict
from camlog.cams import cam_words
from camlog.cautions import DO_NOT_RUN, FUEL, HIGH_VOLTAGE, HOT_OIL, MOVING_PARTS, TIMING, TORQUE, caution
from camlog.codes.families import CORRELATION, CodeFacts, facts
from camlog.errors import InputError
from camlog.limits import Limit
from camlog.stream import Batch, CodeSnapshot, Event, StreamItem

MAY_BE = 0.25  # probability of an offset from which mechanical timing "may be off", whatever the verdict
LEAST_SUPPORT = 0.1  # of the best cause, to be among the leading ones
# A rattle at start is over within some seconds; one marked this long after the start stays.
RATTLE_STAYS_S = 20.0
RATTLE_LASTS_S = 10.0  # from the first mark to another after the same start
# Low pressure reads as a low signal too, so only a gauge tells these from a fault of the sensor.
PRESSURE_KINDS = ("oil_pressure_low", "oil_pressure_sensor_low", "oil_pressure_sensor_range")

_BY_HAND = NEXT_CHECKS[MECHANICAL_TIMING][2]
_CHAIN = NEXT_CHECKS[MECHANICAL_TIMING][1]
_LEVEL = NEXT_CHECKS[OIL_SUPPLY][0]
_GAUGE = Check(
    "Prove the oil pressure with a gauge, by the procedure of service information, before the engine runs again.",
    (HOT_OIL, MOVING_PARTS),
)
_COMPRESSION = Check(
    "Then compare the compression of all cylinders, fuel and ignition shut off.",
    (HIGH_VOLTAGE, FUEL, MOVING_PARTS, TIMING, TORQUE),
)
_RATTLE_CHECKS = (_LEVEL, _CHAIN, _BY_HAND)
_AFTERWARDS = Check(
    "Run the engine again only when these checks are done and what they show is repaired.", (MOVING_PARTS,)
)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the engine may not be run, in one sentence with its figure, and the checks that come first."""

    sentence: str
    checks: tuple[Check, ...]


def reasons(
    *,
    verdicts: Mapping[str, Verdict],
    examined: Mapping[str, Examination],
    causes: Sequence[Cause],
    codes: CodeEvidence,
    misfire: Misfire,
    pressure: LowPressure | None,
    events: Sequence[Event],
    starts_s: Sequence[float],
    limits: Mapping[str, Limit],
) -> tuple[Reason, ...]:
    """Every reason that holds, gravest first; empty where the engine may be run."""
    held = [
        c.facts for c in codes.codes if c.stored or c.pending or (c.stored is None and c.pending is None and not c.gone)
    ]
    return (
        *_pressure(pressure),
        *_timing(verdicts, examined, causes, limits),
        *_codes(held),
        *_misfire(misfire),
        *_rattle(events, starts_s),
        *_flutter(verdicts, examined, limits),
    )


def sentences(found: Sequence[Reason]) -> tuple[str, ...]:
    """The first lines of every result: not to run it, why, and what to check first. Empty without a reason."""
    if not found:
        return ()
    return (caution(DO_NOT_RUN), *(r.sentence for r in found), f"Check first: {' '.join(first_checks(found))}")


def first_checks(found: Sequence[Reason]) -> tuple[Check, ...]:
    """The checks of all reasons, each once."""
    return tuple(dict.fromkeys(check for reason in found for check in reason.checks))


def without_running(causes: Iterable[Cause], found: Sequence[Reason]) -> tuple[Cause, ...]:
    """The causes with the checks that may be done on an engine that stands: those of the reasons first.

    "Nothing wrong" is left out: what forbids running is wrong.
    """
    first = first_checks(found)
    made = []
    for cause in causes:
        if cause.cause == NOTHING:
            continue
        standing = (check for check in cause.next_checks if not check.runs)
        checks = tuple(dict.fromkeys((*first, *standing, _AFTERWARDS)))
        made.append(Cause(cause.cause, cause.support, cause.evidence_for, cause.evidence_against, checks))
    return tuple(made)


def leading(causes: Sequence[Cause]) -> tuple[Cause, ...]:
    """The causes worth saying, and the best one where it has some support; never "nothing wrong"."""
    best = [c for c in causes if c.support >= WORTH_SAYING]
    best += [c for c in causes[:1] if c.support >= LEAST_SUPPORT]
    return tuple(c for c in dict.fromkeys(best) if c.cause != NOTHING)


# ---------------------------------------------------------------- the reasons


def _pressure(low: LowPressure | None) -> Iterable[Reason]:
    if low is not None:
        yield Reason(f"Oil pressure is low: {low.figure}, {low.time_s:.0f} s into the recording.", (_LEVEL, _GAUGE))


def _timing(
    verdicts: Mapping[str, Verdict],
    examined: Mapping[str, Examination],
    causes: Sequence[Cause],
    limits: Mapping[str, Limit],
) -> Iterable[Reason]:
    off = [cam for cam, verdict in verdicts.items() if _may_be_off(verdict)]
    checks = (_BY_HAND, _CHAIN)
    if off:
        stands = "; ".join(_how_far(cam, examined[cam]) for cam in off)
        limit = limit_of("rest_offset_deg", limits)
        yield Reason(f"Mechanical timing may be off: {stands} (limit {limit.value:g} deg, {limit.source}).", checks)
    # Codes alone have a reason of their own, which leaves the permanent ones out.
    timing = next((c for c in causes if c.cause == MECHANICAL_TIMING and c.support >= WORTH_SAYING), None)
    if timing is not None and not off:
        why = " ".join(timing.evidence_for) or "it is among the leading causes."
        yield Reason(f"Mechanical timing may be off: {why}", checks)


def _may_be_off(verdict: Verdict) -> bool:
    """Judged offset, or an offset is not unlikely."""
    return verdict.condition == "offset" or verdict.probabilities["offset"] >= MAY_BE


def _how_far(cam: str, x: Examination) -> str:
    offset, teeth = x.rest.offset_deg.value, x.rest.nearest_teeth
    if offset is None:
        return f"the {cam_words(cam)} stands off its rest position"
    words = f", about {abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'}" if teeth else ""
    side = "advanced" if offset > 0.0 else "retarded"
    return f"the {cam_words(cam)} stands {abs(offset):.1f} deg {side} of its rest position{words}"


def _codes(held: Sequence[CodeFacts]) -> Iterable[Reason]:
    correlation = [f.code for f in held if f.family == CORRELATION]
    if correlation:
        yield Reason(
            f"The vehicle's own monitor says {', '.join(correlation)}: cam and crankshaft do not stand as they should to "
            "each other.",
            (_BY_HAND, _CHAIN),
        )
    pressure = [f.code for f in held if f.kind in PRESSURE_KINDS]
    if pressure:
        yield Reason(
            f"The vehicle's own monitor says {', '.join(pressure)}: oil pressure may be low until a gauge has shown it "
            "is right.",
            (_LEVEL, _GAUGE),
        )


def _misfire(misfire: Misfire) -> Iterable[Reason]:
    if misfire.pattern.kind == "all":
        yield Reason(misfire.pattern.reason, (_BY_HAND, _COMPRESSION))


def _rattle(events: Sequence[Event], starts_s: Sequence[float]) -> Iterable[Reason]:
    """A rattle marked late after a start, or several times; of an engine that ran already, from the recording's start."""
    first_s: dict[float, float] = {}
    for event in events:
        if event.kind != "marker" or not re.search(r"(?<!no )\brattl", event.text.casefold()):
            continue
        start_s = max((s for s in starts_s if s <= event.time_s), default=0.0)
        since_s = event.time_s - start_s
        lasted_s = event.time_s - first_s.setdefault(start_s, event.time_s)
        if since_s > RATTLE_STAYS_S or lasted_s > RATTLE_LASTS_S:
            yield Reason(
                f"A rattle stays: “{event.text}” was marked {since_s:.0f} s after the start"
                f"{f', {lasted_s:.0f} s after the first mark' if lasted_s else ''}; a rattle at start is over within some "
                "seconds (common practice, no source).",
                _RATTLE_CHECKS,
            )
            return


def _flutter(
    verdicts: Mapping[str, Verdict], examined: Mapping[str, Examination], limits: Mapping[str, Limit]
) -> Iterable[Reason]:
    """A cam that flutters at rest after the start and still does with the engine warm: its rattle stays."""
    limit = limit_of("cold_start_flutter_deg", limits)
    for cam, verdict in verdicts.items():
        start, later = examined[cam].rest.cold_start.flutter_rms_deg, examined[cam].rest.flutter_rms_deg
        if verdict.condition != "unstable" or start.value is None or later.low is None:
            continue
        if start.value > limit.value and later.low > limit.value:
            yield Reason(
                f"A rattle stays: the {cam_words(cam)} still flutters at rest long after the start, by {later.value:.1f} deg "
                f"(limit {limit}).",
                _RATTLE_CHECKS,
            )


# ---------------------------------------------------------------- live


class LiveCare:
    """Follows a drive for what can be told at once: oil pressure, codes, a rattle that stays.

    `alarm` is what a low oil pressure says, kept to the end of the recording; `sentences()` the whole of it, first the
    alarm. Misfires and timing need the analysis.
    """

    essential = False

    def __init__(self, limits: Mapping[str, Limit]):
        self._watch = OilPressureWatch(limits)
        self._held: dict[str, CodeFacts] = {}
        self._events: list[Event] = []
        self._starts_s: list[float] = []
        self._ran: bool | None = None

    def accept(self, item: StreamItem) -> None:
        """Take one item of the stream."""
        if isinstance(item, Batch):
            self._watch.accept(item.time_s, item.values)
            if (speed := item.values.get("engine_speed")) is not None:
                runs = speed >= RUNNING_RPM
                if runs and self._ran is False:
                    self._starts_s.append(item.time_s)
                self._ran = runs
        elif isinstance(item, Event) and item.kind == "marker":
            self._events.append(item)
        elif isinstance(item, CodeSnapshot) and (item.stored is not None or item.pending is not None):
            self._held = dict(_facts(c.code) for c in (*(item.stored or ()), *(item.pending or ())))

    def close(self) -> None:
        """Nothing to close."""

    @property
    def alarm(self) -> str:
        """The sentence of a low oil pressure, empty where there was none."""
        return alarm(self._watch.worst) if self._watch.worst is not None else ""

    def sentences(self) -> tuple[str, ...]:
        """What must be said now, the alarm first; empty where nothing must."""
        found = (*_codes(list(self._held.values())), *_rattle(self._events, self._starts_s))
        return (*([self.alarm] if self.alarm else []), *sentences(found))


def _facts(code: str) -> tuple[str, CodeFacts]:
    try:
        return code, facts(code)
    except InputError:  # text of another form, from an adapter that garbles
        return code, CodeFacts(code)
