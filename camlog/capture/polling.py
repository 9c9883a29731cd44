"""Keep the link busy: send one request while the last answer is decoded, and reconnect after a gap."""

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

BACKOFF_S = (0.1, 0.3, 0.5, 1.0, 2.0)  # waits between attempts to reconnect; the last repeats
SILENCE_S = 1.5  # this long without a good answer is a gap
LATELY_S = 1.0  # an adapter counts as working if a good answer came within this time
REOPEN_AFTER = 2  # attempts on the open port before it is opened again
ANEW_EVERY = 6  # after this many attempts connecting starts from scratch: the adapter or its speed may have changed
SILENT_BACKOFF_S = (*BACKOFF_S, 5.0)  # the same if the adapter works and the engine module is silent
BUS_ANEW_EVERY = 4  # after this many of those the bus is opened again: the adapter may have lost it
PENDING_PAUSE_S = 0.1  # after "response pending" without an answer, so that a late one does not meet the next request
REOPENED = ("hung", "babbling")  # troubles that opening the port again may end


class Gap(Exception):
    """The adapter is ready, but answers have stopped or its settings are lost; `kind` says which."""

    def __init__(self, kind: str):
        super().__init__(kind)
        self.kind = kind


class Poller:
    """Sends the planned requests until the source is stopped or `end_s` is reached, and puts the results into it. Times

    count from the stream's start. `link` is the one in use, which may differ from the source's after a gap."""

    def __init__(self, source: LiveSource, end_s: float | None):
        self._source, self._end_s = source, end_s
        self._clock, self._now_s, self._put = source.clock, source.now_s, source.put
        self._capabilities, self._troubles = source.capabilities, source.troubles
        self.link = source.link
        self.gap: str | None = None  # the kind of the present gap
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
        """True where good answers came within LATELY_S."""
        return self.gap is None and self._now_s() - self._last_timely_s < LATELY_S

    @property
    def gap_seconds(self) -> float:
        """Seconds without answers; a gap that does not end counts at the end of the recording."""
        open_ = self.gap is not None and not self.going
        return self._gaps_s + (self._now_s() - self._gap_since_s if open_ else 0.0)

    def _wait(self, seconds: float) -> None:
        """Wait, but not beyond the end of the recording."""
        if self._end_s is not None:
            seconds = min(seconds, self._end_s - self._now_s())
        self._source.stopped.wait(max(0.0, seconds))

    def run(self) -> None:
        """Poll until the end; a broken link is a gap, not the end.

        Raises InputError if another adapter or vehicle answers after a gap."""
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
                    break  # else the end cut the wait short, which is no fault of the adapter
                if isinstance(lost, LinkLost):
                    self._troubles.note(lost.kind)
                self._settle(False)
                self._come_back(lost.kind)
        self._finish()
        if self._judge.held:  # no later reply will decide about held batches
            with contextlib.suppress(LinkLost):
                answers = self.link.vehicle_answers()
                self._settle(answers)
                if not answers:
                    self._troubles.note("wrong_echo")

    def _settle(self, true: bool) -> None:
        """Put the held batches into the stream if `true`, else drop them."""
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
            # Sent now, the request would reach the wrong module.
            self._troubles.note("not_addressed")
            self._into_step()
            return
        self.link.send(self._capabilities.wire_text(request))
        self.requests_sent += 1
        self._under_way = request

    def _receive_next(self, request: Request) -> None:
        """Read the reply to the request under way; the next request is sent first if the reply looks complete."""
        self._under_way = None
        received = self.link.receive(self.link.poll_timeout_s)
        in_step = self.link.is_in_step(received)
        try:
            if in_step:
                self._send_next()
        finally:
            # Also if the link broke on the next request, because this reply was complete.
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
        """Put a reply's values into the stream; returns whether it was a good answer, and its problem."""
        reply = self.link.parse(received)
        verdict = self._judge.judge(request, reply)
        late = verdict.good and not verdict.timely
        kinds = {reply.problem, "pending" if reply.pending else None, "late" if late else None}
        if reply.messages or reply.problem is None:
            kinds.add(verdict.problem)
        if kinds <= {None, *NOTHING_CAME} and not reply.messages and reply.problem:
            self._troubles.silence(reply.problem)
            kinds.clear()
        for kind in kinds:
            if kind is not None:
                self._troubles.note(kind)
        if verdict.timely:
            self._last_timely_s = self._now_s()
        for batch in verdict.batches:
            self._put(batch)
        if reply.problem in RESTARTS or not reply.messages:
            return verdict.good, reply.problem
        return verdict.good, verdict.problem or reply.problem

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
            with contextlib.suppress(LinkLost):  # the next action will raise it again
                self.link.let_end()

    def _into_step(self) -> None:
        if not self.link.sync():
            self._troubles.note(self.link.restarted_by)
            raise Gap(self.link.restarted_by)

    def _event(self, kind: EventKind, text: str) -> None:
        self._put(Event(self._now_s(), kind, text))

    # ---------------------------------------------------------------- gaps
    def _look_for_standstill(self) -> None:
        """Raise Gap if this program stood still, because the age of the adapter's data is then unknown."""
        if self._clock.standing_still:
            self._finish()
            raise Gap("stood_still")

    def _begin_gap(self, kind: str) -> None:
        """Report that a gap began; its kind is `MODULE_SILENT` if only silence came before it."""
        name, since_s, reason = "gap", self._last_good_s, PROBLEMS.get(kind, kind)
        if stood_still_s := self._clock.stood_still_s():
            since_s = min(since_s, self._now_s() - stood_still_s)
            reason = messages("event.stood_still", problem=PROBLEMS["stood_still"], seconds=stood_still_s)
            self._troubles.note("stood_still")
        elif kind in NOTHING_CAME and self._troubles.silent:
            self._troubles.module_silent()
            name = kind = MODULE_SILENT
        self._troubles.over()
        self.gap, self._gap_since_s = kind, since_s
        self._event("gap", messages(f"event.{name}", since_s=since_s, why=reason))

    def end(self, answers: bool) -> None:
        """End of the recording. `answers`: the module answered until the end, so a silence was temporary."""
        if self._troubles.silent and not answers:
            self._begin_gap("no_data")
        self._troubles.over()

    def _come_back(self, kind: str) -> None:
        """Report the gap, then try with growing waits until the vehicle answers again or the recording ends."""
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
        self._clock.stood_still_s()  # forget a standstill during the gap, which the gap covers

    def _try_again(self, attempt: int) -> bool:
        """One attempt to get answers again, by the simplest means; True if they come. Raises LinkLost."""
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
        """Raise InputError if another adapter or vehicle answers after a gap."""
        try:
            change = self._source.change(self.link) and self._source.change(self.link)
        except LinkLost:
            return  # the next request meets the same problem; tried twice, as the end of a gap may disturb an answer
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
