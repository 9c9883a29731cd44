"""Keeping the link busy: one request under way, the last answer taken apart meanwhile, and the way back from a gap."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from camlog.capture import error, messages
from camlog.capture.judge import OUT_OF_STEP, Judge
from camlog.capture.lines import RESTARTS
from camlog.capture.link import Received
from camlog.capture.ports import LinkLost
from camlog.capture.requests import Request
from camlog.capture.schedule import Schedule
from camlog.capture.troubles import MODULE_SILENT, NOTHING_CAME, PROBLEMS, Failing
from camlog.errors import InputError
from camlog.stream import Event, EventKind

if TYPE_CHECKING:
    from camlog.capture.live import LiveSource

BACKOFF_S = (0.1, 0.3, 0.5, 1.0, 2.0)  # waits between tries to come back; the last repeats
SILENCE_S = 1.5  # this long without one good answer is a gap
LATELY_S = 1.0  # answers that came within this time are what the adapter does now
REOPEN_AFTER = 2  # tries on the open port before it is opened anew
ANEW_EVERY = 6  # every so many tries all is begun anew: the adapter may be another, at another speed
SILENT_BACKOFF_S = (*BACKOFF_S, 5.0)  # the same where the adapter works and the engine module is silent
BUS_ANEW_EVERY = 4  # every so many of those the bus is opened anew: the adapter may have lost its way to it
PENDING_PAUSE_S = 0.1  # after "response pending" and no answer: what still comes must not meet the next request
REOPENED = ("hung", "babbling")  # troubles that opening the port anew may end


class Gap(Exception):
    """The adapter listens, but answers have stopped or its settings are gone: `kind` says how."""

    def __init__(self, kind: str):
        super().__init__(kind)
        self.kind = kind


class Poller:
    """Asks for what is planned until the source is stopped or `end_s` is reached, and puts what comes into it.

    Times count from the stream's start. `link` is the one in use: after a gap it may be another than the source's."""

    def __init__(self, source: LiveSource, end_s: float | None):
        self._source, self._end_s = source, end_s
        self._clock, self._now_s, self._put = source.clock, source.now_s, source.put
        self._capabilities, self._troubles = source.capabilities, source.troubles
        self.link = source.link
        self.gap: str | None = None  # the kind of the present one
        self._gap_since_s = self._gaps_s = 0.0
        self.requests_sent = 0
        self._schedule = Schedule(source.plan, self._now_s())
        self._failing = Failing()
        self._judge = Judge(len(set(source.plan.requests)), source.start_s, source.trips)
        self._under_way: Request | None = None
        self._last_good_s = self._last_timely_s = self._now_s()
        self._bad_since_s: float | None = None

    @property
    def going(self) -> bool:
        ended = self._source.stopped.is_set() or self._source.deadline.passed
        return not ended and (self._end_s is None or self._now_s() < self._end_s)

    @property
    def works(self) -> bool:
        """True where answers came as they should until just now."""
        return self.gap is None and self._now_s() - self._last_timely_s < LATELY_S

    @property
    def gap_seconds(self) -> float:
        """Seconds without answers; those of a gap that does not end count at the end of the recording."""
        open_ = self.gap is not None and not self.going
        return self._gaps_s + (self._now_s() - self._gap_since_s if open_ else 0.0)

    def _wait(self, seconds: float) -> None:
        """Wait, but not beyond the end of the recording."""
        if self._end_s is not None:
            seconds = min(seconds, self._end_s - self._now_s())
        self._source.stopped.wait(max(0.0, seconds))

    def run(self) -> None:
        """Ask until the end; a link that breaks is a gap, not the end.

        Raises InputError where another adapter or vehicle answers after a gap."""
        while self.going:
            try:
                if self._under_way is None:
                    self._send_next()
                if (request := self._under_way) is None:
                    self._wait(min(0.05, self._schedule.next_due_s() - self._now_s()))
                else:
                    self._receive_next(request)
                self._look_for_standstill()
            except (LinkLost, Gap) as lost:
                self._under_way = None
                if not self.going:
                    if not self.works and not (self._troubles.silent and self.link.is_open):
                        self._troubles.note(lost.kind)
                    break  # else the wait was cut short, which tells nothing of the adapter
                if isinstance(lost, LinkLost):
                    self._troubles.note(lost.kind)
                self._settle(False)
                self._come_back(lost.kind)
        self._finish()
        if self._judge.held:  # nothing more is asked that would show it
            with contextlib.suppress(LinkLost):
                answers = self.link.vehicle_answers()
                self._settle(answers)
                if not answers:
                    self._troubles.note("wrong_echo")

    def _settle(self, true: bool) -> None:
        """Put what is held back, or drop it."""
        if self._judge.held and self._source.raw:
            self._source.raw.note(self._clock(), repeats=true)
        for batch in self._judge.settle(true):
            self._put(batch)

    # ---------------------------------------------------------------- one request
    def _send_next(self) -> None:
        request = self._schedule.next(self._now_s())
        if request is None:
            return
        if not self._capabilities.address(self.link, request.header):
            # Sent now it would ask the wrong module.
            self._troubles.note("not_addressed")
            self._into_step()
            return
        self.link.send(self._capabilities.wire_text(request))
        self.requests_sent += 1
        self._under_way = request

    def _receive_next(self, request: Request) -> None:
        """Take the reply to the request under way, after sending the next one where nothing speaks against it."""
        self._under_way = None
        received = self.link.receive(self.link.poll_timeout_s)
        in_step = self.link.is_in_step(received)
        try:
            if in_step:
                self._send_next()
        finally:
            # Also where the link broke on the next request: what had come before counts.
            good, problem = self._read(request, received)
        self._note(request, good)
        if not in_step or problem in OUT_OF_STEP:
            self._finish()
            if problem == "garbage" and self.link.slow_down():
                self._event("adapter_error", messages("event.slower"))
                problem = "adapter_reset"
            if problem in RESTARTS:
                raise Gap(problem)
            self._into_step()
        elif problem == "pending":
            self._finish()
            self._wait(PENDING_PAUSE_S)
        if self._bad_since_s is not None and self._now_s() - self._bad_since_s > SILENCE_S:
            self._finish()
            raise Gap(problem or "no_data")

    def _read(self, request: Request, received: Received) -> tuple[bool, str | None]:
        """Put a reply's values; whether it was an answer, and what was wrong with it."""
        reply = self.link.parse(received)
        judged = self._judge.judge(request, reply)
        late = judged.good and not judged.timely
        kinds = {reply.problem, "pending" if reply.pending else None, "late" if late else None}
        if reply.messages or reply.problem is None:
            kinds.add(judged.problem)
        if kinds <= {None, *NOTHING_CAME} and not reply.messages and reply.problem:
            self._troubles.silence(reply.problem)
            kinds.clear()
        for kind in kinds:
            if kind is not None:
                self._troubles.note(kind)
        if judged.timely:
            self._last_timely_s = self._now_s()
        for batch in judged.batches:
            self._put(batch)
        if reply.problem in RESTARTS or not reply.messages:
            return judged.good, reply.problem
        return judged.good, judged.problem or reply.problem

    def _note(self, request: Request, good: bool) -> None:
        now_s = self._now_s()
        if good:
            self._last_good_s, self._bad_since_s = now_s, None
            self._failing.answered(request)
            self._troubles.over()
            return
        self._bad_since_s = now_s if self._bad_since_s is None else self._bad_since_s
        if self._failing.failed(request, now_s):
            self._schedule.split(request)
            self._event("adapter_error", messages("event.split", signals=", ".join(request.signals)))

    def _finish(self) -> None:
        """Let a request under way end, its answer unused."""
        if self._under_way is not None:
            self._under_way = None
            with contextlib.suppress(LinkLost):  # whatever is done next will meet it too
                self.link.let_end()

    def _into_step(self) -> None:
        if not self.link.sync():
            self._troubles.note(self.link.restarted_by)
            raise Gap(self.link.restarted_by)

    def _event(self, kind: EventKind, text: str) -> None:
        self._put(Event(self._now_s(), kind, text))

    # ---------------------------------------------------------------- gaps
    def _look_for_standstill(self) -> None:
        """Raise Gap where this program did not run for a while: what the adapter said since is of an unknown age."""
        if self._clock.standing_still:
            self._finish()
            raise Gap("stood_still")

    def _begin_gap(self, kind: str) -> None:
        """Say that a gap began; it is one of `MODULE_SILENT` where nothing but silence came before it."""
        name, since_s, why = "gap", self._last_good_s, PROBLEMS.get(kind, kind)
        if stood_still_s := self._clock.stood_still_s():
            since_s = min(since_s, self._now_s() - stood_still_s)
            why = messages("event.stood_still", problem=PROBLEMS["stood_still"], seconds=stood_still_s)
            self._troubles.note("stood_still")
        elif kind in NOTHING_CAME and self._troubles.silent:
            self._troubles.module_silent()
            name = kind = MODULE_SILENT
        self._troubles.over()
        self.gap, self._gap_since_s = kind, since_s
        self._event("gap", messages(f"event.{name}", since_s=since_s, why=why))

    def end(self, answers: bool) -> None:
        """The recording is over; `answers`: the module answered to its end, so that a silence was a passing one."""
        if self._troubles.silent and not answers:
            self._begin_gap("no_data")
        self._troubles.over()

    def _come_back(self, kind: str) -> None:
        """Say the gap, then try with growing waits until the vehicle answers again or the recording ends."""
        self._begin_gap(kind)
        attempt = 0
        while self.going:
            try:
                if self._try_again(attempt):
                    return self._end_gap()
            except LinkLost as lost:
                if self.gap == MODULE_SILENT and self.going:
                    self._troubles.note(lost.kind)
                    self.gap = lost.kind
            waits_s = SILENT_BACKOFF_S if self.gap == MODULE_SILENT else BACKOFF_S
            self._wait(waits_s[min(attempt, len(waits_s) - 1)])
            attempt += 1

    def _end_gap(self) -> None:
        self._must_be_the_same()
        now_s = self._now_s()
        self._gaps_s, self.gap = self._gaps_s + now_s - self._gap_since_s, None
        self._event("reconnect", messages("event.reconnect", seconds=now_s - self._gap_since_s))
        self._failing.forget()
        self._last_good_s, self._bad_since_s = now_s, None
        self._clock.stood_still_s()  # where it stood still meanwhile, the gap tells

    def _try_again(self, attempt: int) -> bool:
        """One try to get answers again, by the shortest way; True where they come. Raises LinkLost."""
        link, kind = self.link, self.gap
        if kind == MODULE_SILENT:
            # An older bus has to be woken again; the adapter itself is not reset.
            as_it_is = link.is_can and (attempt + 1) % BUS_ANEW_EVERY
            ready = (as_it_is and link.sync()) or link.restore()
        elif (attempt + 1) % ANEW_EVERY == 0:
            return self._begin_anew()
        elif kind == "unplugged" or not link.is_open or (kind in REOPENED and attempt >= REOPEN_AFTER):
            ready = link.reconnect()
        else:
            ready = (kind not in RESTARTS and link.sync()) or link.restore()
        return ready and link.vehicle_answers()

    def _must_be_the_same(self) -> None:
        """Raise InputError where what answers after a gap is not what answered before."""
        try:
            change = self._source.change(self.link) and self._source.change(self.link)
        except LinkLost:
            return  # the next request meets it; above twice: what ended the gap may spoil an answer still
        if change:
            self._event("adapter_error", messages("event.changed", change=change))
            raise error("changed", self.link.port, change=change)

    def _begin_anew(self) -> bool:
        self.link.close()
        try:
            link = self._source.connect()
        except InputError:
            return False
        link.others = self.link.others
        self.link = link
        return self._capabilities.address(link, self._capabilities.header) and link.vehicle_answers()
