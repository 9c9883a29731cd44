"""The reasons why an engine may not be run or driven, with their figures, and what to check first.

Five reasons: mechanical timing that may be off, correlation codes, low oil pressure (signal or code),
every cylinder misfiring, and a rattle that stays. Common practice, no source. A permanent code alone is no
reason: it stays after the repair until its monitor has run, which needs a drive."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from camlog.analysis.cam.examine import Examination
from camlog.analysis.causes.causes import MECHANICAL_TIMING, NOTHING
from camlog.analysis.causes.checks import FIRST, Sentence
from camlog.analysis.causes.rank import WORTH_SAYING, Cause
from camlog.analysis.code_evidence import CodeEvidence, facts_of
from camlog.analysis.drive.ticks import RUNNING_RPM
from camlog.analysis.engine_supply import LowPressure, OilPressureWatch
from camlog.analysis.figures import limit_of, shown
from camlog.analysis.misfire.rates import Misfire
from camlog.analysis.verdict.judge import Verdict
from camlog.cams import cam_words
from camlog.cautions import DO_NOT_RUN, caution
from camlog.codes.families import CORRELATION, CodeFacts
from camlog.limits import Limit
from camlog.messages import Messages
from camlog.stream import Batch, CodeSnapshot, Event, StreamItem, TakenBack

messages = Messages(__package__)
MAY_BE = 0.25  # from this probability of an offset on, mechanical timing "may be off", whatever the verdict
LEAST_SUPPORT = 0.1  # probability from which the best cause counts as a leading one
# A rattle marked this long after a start counts as staying; a start rattle is over within seconds.
RATTLE_STAYS_S = 20.0
RATTLE_LASTS_S = 10.0  # two marks this far apart after one start count as a rattle that stays
_RATTLE = re.compile(r"(?<!no )\brattl", re.IGNORECASE)  # in the text of a marker
# Low pressure also sets a code for a low signal, so only a gauge tells these from a faulty sensor.
PRESSURE_KINDS = ("oil_pressure_low", "oil_pressure_sensor_low", "oil_pressure_sensor_range")
# Keys of the checks that come first, by what forbids running.
CHECKS = {
    "pressure": ("level", "gauge"), "timing": ("by_hand", "chain"), "misfire": ("by_hand", "compression"),
    "rattle": ("level", "chain", "by_hand"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the engine may not be run: one sentence with its figure. `kind` is a key of CHECKS."""

    kind: str
    sentence: str

    @classmethod
    def of(cls, kind: str, name: str, **values: object) -> Reason:
        """The reason whose sentence is `name` in messages.toml, filled with `values`."""
        return cls(kind, messages(f"do_not_run.{name}", **values))


def reasons(
    *, verdicts: Mapping[str, Verdict], examined: Mapping[str, Examination], causes: Sequence[Cause],
    codes: CodeEvidence, misfire: Misfire, pressure: LowPressure | None, events: Sequence[Event],
    starts_s: Sequence[float], limits: Mapping[str, Limit],
) -> tuple[Reason, ...]:  # fmt: skip
    """Every reason that holds, gravest first; empty where the engine may be run."""
    unread = [c for c in codes.codes if c.stored is None and c.pending is None and not c.gone]
    current = [c.facts for c in codes.codes if c.stored or c.pending or c in unread]
    result = []
    if pressure is not None:
        result.append(Reason.of("pressure", "pressure", figure=pressure.figure, time_s=pressure.time_s))
    result += [*_timing(verdicts, examined, causes, limits), *_codes(current)]
    if misfire.pattern.kind == "all":
        result.append(Reason("misfire", misfire.pattern.reason))
    return (*result, *_rattle(events, starts_s), *_flutter(verdicts, examined, limits))


def sentences(reasons: Sequence[Reason]) -> tuple[str, ...]:
    """The first lines of every result: do not run it, why, what to check first. Empty without a reason."""
    if not reasons:
        return ()
    checks = messages("do_not_run.check_first", checks=" ".join(first_checks(reasons)))
    return (caution(DO_NOT_RUN), *(r.sentence for r in reasons), checks)


def first_checks(reasons: Sequence[Reason]) -> tuple[Sentence, ...]:
    return tuple(dict.fromkeys(FIRST[key] for reason in reasons for key in CHECKS[reason.kind]))


def checks_at_standstill(causes: Iterable[Cause], reasons: Sequence[Reason]) -> tuple[Cause, ...]:
    """The causes with the checks that need no running engine, those of the reasons first. "Nothing wrong" is left out,
    because something that forbids running is wrong."""
    first = first_checks(reasons)

    def checks(cause: Cause) -> tuple[Sentence, ...]:
        standing = (check for check in cause.next_checks if not check.runs)
        return tuple(dict.fromkeys((*first, *standing, FIRST["afterwards"])))

    return tuple(replace(c, next_checks=checks(c)) for c in causes if c.cause != NOTHING)


def leading(causes: Sequence[Cause]) -> tuple[Cause, ...]:
    """The causes with support of WORTH_SAYING or more, and the best from LEAST_SUPPORT on; never "nothing wrong"."""
    best = [c for c in causes if c.support >= WORTH_SAYING]
    best += [c for c in causes[:1] if c.support >= LEAST_SUPPORT]
    return tuple(c for c in dict.fromkeys(best) if c.cause != NOTHING)


# ---------------------------------------------------------------- the reasons


def _timing(
    verdicts: Mapping[str, Verdict], examined: Mapping[str, Examination], causes: Sequence[Cause],
    limits: Mapping[str, Limit],
) -> Iterator[Reason]:  # fmt: skip
    # The verdict is offset, or an offset has at least the probability MAY_BE.
    offset = [c for c, v in verdicts.items() if v.condition == "offset" or v.probabilities["offset"] >= MAY_BE]
    if offset:
        cams = "; ".join(_how_far(cam, examined[cam]) for cam in offset)
        limit = limit_of("rest_offset_deg", limits)
        yield Reason.of("timing", "timing", cams=cams, limit=limit.value, source=limit.source)
        return
    # Codes alone have their own reason, which leaves out permanent codes.
    cause = next((c for c in causes if c.cause == MECHANICAL_TIMING and c.support >= WORTH_SAYING), None)
    if cause is not None:
        reason = " ".join(cause.evidence_for) or messages("do_not_run.among_causes")
        yield Reason.of("timing", "timing_by_cause", why=reason)


def _how_far(cam: str, x: Examination) -> str:
    offset, teeth = x.rest.offset_deg.value, abs(x.rest.nearest_teeth or 0)
    if offset is None:
        return messages("do_not_run.stands_off", cam=cam_words(cam))
    direction = "stands_advanced" if offset > 0.0 else "stands_retarded"
    text = messages(f"do_not_run.{direction}", cam=cam_words(cam), offset=abs(offset))
    if not teeth:
        return text
    return messages("do_not_run.one_tooth" if teeth == 1 else "do_not_run.teeth", cam=text, teeth=teeth)


def _codes(facts: Sequence[CodeFacts]) -> Iterator[Reason]:
    correlation = [f.code for f in facts if f.family == CORRELATION]
    if correlation:
        yield Reason.of("timing", "correlation_codes", codes=", ".join(correlation))
    pressure = [f.code for f in facts if f.kind in PRESSURE_KINDS]
    if pressure:
        yield Reason.of("pressure", "pressure_codes", codes=", ".join(pressure))


def _rattle(events: Sequence[Event], starts_s: Sequence[float]) -> Iterator[Reason]:
    """A rattle marked late after a start, or repeatedly. If the engine ran already, times count from the recording's
    start."""
    first_s: dict[float, float] = {}
    for event in events:
        if event.kind != "marker" or not _RATTLE.search(event.text):
            continue
        start_s = max((s for s in starts_s if s <= event.time_s), default=0.0)
        since_s = event.time_s - start_s
        lasted_s = event.time_s - first_s.setdefault(start_s, event.time_s)
        if since_s > RATTLE_STAYS_S or lasted_s > RATTLE_LASTS_S:
            name = "rattle_lasted" if lasted_s else "rattle"
            yield Reason.of("rattle", name, text=event.text, since_s=since_s, lasted_s=lasted_s)
            return


def _flutter(
    verdicts: Mapping[str, Verdict], examined: Mapping[str, Examination], limits: Mapping[str, Limit]
) -> Iterator[Reason]:
    """A cam that flutters at rest after the start and also with the engine warm: its rattle stays."""
    limit = limit_of("cold_start_flutter_deg", limits)
    for cam, verdict in verdicts.items():
        start, later = examined[cam].rest.cold_start.flutter_rms_deg, examined[cam].rest.flutter_rms_deg
        if verdict.condition != "unstable" or start.value is None or later.low is None:
            continue
        if start.value > limit.value and later.low > limit.value:
            yield Reason.of(
                "rattle",
                "flutter",
                cam=cam_words(cam),
                start=shown(start, limit.unit),
                later=shown(later, limit.unit),
                limit=limit,
            )


# ---------------------------------------------------------------- live


class LiveCare:
    """Watches a live drive for reasons that need no analysis: oil pressure, codes, a rattle that stays. `alarm` is the
    sentence of a low oil pressure, kept to the end of the recording. `sentences()` gives all sentences, the alarm
    first. Misfires and timing need the analysis."""

    essential = False
    instruction = ""

    def __init__(self, limits: Mapping[str, Limit]):
        self._watch = OilPressureWatch(limits)
        self._held: dict[str, CodeFacts] = {}
        self._events: list[Event] = []
        self._starts_s: list[float] = []
        self._ran: bool | None = None

    def accept(self, item: StreamItem) -> None:
        if isinstance(item, Batch):
            self._watch.accept(item.time_s, item.values)
            if (speed := item.values.get("engine_speed")) is not None:
                runs = speed >= RUNNING_RPM
                if runs and self._ran is False:
                    self._starts_s.append(item.time_s)
                self._ran = runs
        elif isinstance(item, Event) and item.kind == "marker":
            self._events.append(item)
        elif isinstance(item, TakenBack):
            self._events.remove(item.marker)
        elif isinstance(item, CodeSnapshot) and (item.stored is not None or item.pending is not None):
            self._held = {c.code: facts_of(c.code) for c in (*(item.stored or ()), *(item.pending or ()))}

    def close(self) -> None:
        """Nothing to close."""

    @property
    def alarm(self) -> str:
        """The sentence of a low oil pressure; "" where there was none."""
        return self._watch.worst.alarm if self._watch.worst is not None else ""

    def sentences(self) -> tuple[str, ...]:
        """The sentences to show now, the alarm first; empty where there are none."""
        why = (*_codes(list(self._held.values())), *_rattle(self._events, self._starts_s))
        return (*([self.alarm] if self.alarm else []), *sentences(why))
