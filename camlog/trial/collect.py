"""Reads every identifier of a profile from the car: with the engine off, at idle, and while the cams move."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import takewhile

from camlog.cams import is_angle
from camlog.capture.connect import open_link
from camlog.capture.lines import is_whole
from camlog.capture.link import Link
from camlog.capture.probe import Capabilities, probe
from camlog.capture.requests import NEGATIVE, SERVICE_CURRENT, Request, identifier_request, pid_item, read_answer
from camlog.profile import SignalDefinition, VehicleProfile
from camlog.signals import SIGNALS
from camlog.trial import messages
from camlog.trial.pair import moves
from camlog.trial.readings import IDLE_RPM, RUNNING_RPM, Readings, Source, series

KEY_ON_S, IDLE_S = 4.0, 8.0
MOST_S = 180.0  # by default
_SLOWLY_EVERY = 10  # rounds between two readings of the signals that are no angle
_LOOK_EVERY = 20  # rounds between two checks whether the cams have moved
_TRIES = 3
_AFTER_MOVING_S = 10.0


@dataclass(frozen=True)
class Collected:
    """The readings, filled while they arrive, with the adapter and the module they come from."""

    adapter: str
    module: str
    readings: Readings = field(default_factory=Readings)


def collect(
    port: str | None,
    profile: VehicleProfile,
    *,
    baud: int | None = None,
    say: Callable[[str], None] = lambda text: None,
    most_s: float = MOST_S,
    stopped: Callable[[], bool] = lambda: False,
) -> Collected:
    """Read the profile's identifiers on `port` until the cams have moved, `most_s` have passed or `stopped()` is true.

    `say` gets the instructions for the person at the car. Raises InputError if nothing answers, LinkLost if the
    connection breaks.
    """
    if not profile.signals:
        raise messages.error("no_signals", profile.file or None)
    link = open_link(port, baud=baud, say=say)
    try:
        reader = _Reader(link, profile)
        with suppress(KeyboardInterrupt):  # the readings so far are judged
            reader.find_unanswered()
            reader.run(say, most_s, stopped)
        return reader.collected
    finally:
        link.close()


class _Reader:
    def __init__(self, link: Link, profile: VehicleProfile):
        self.link, self.profile = link, profile
        self.capabilities: Capabilities = probe(link)
        self.collected = Collected(self.capabilities.adapter, self.capabilities.module)
        self.readings = self.collected.readings
        self.begun_s = link.clock()
        sources = {d.source: None for d in profile.signals}
        self.angles = [s for s in sources if any(is_angle(d.name) for d in self._of(s))]
        self.others = [s for s in sources if s not in self.angles]
        signals = {"engine_speed"} | {d.name for d in profile.signals}
        names = sorted(signals, key=lambda n: (n != "engine_speed", n))
        pids = [p for n in names if (p := SIGNALS[n].pid) is not None and p in self.capabilities.pids]
        self.standard = [Request(SERVICE_CURRENT, (pid_item(p),), self.capabilities.header) for p in pids]

    def _of(self, source: Source) -> list[SignalDefinition]:
        return [d for d in self.profile.signals if d.source == source]

    @property
    def now_s(self) -> float:
        return self.link.clock() - self.begun_s

    def ask(self, source: Source, header: int | None) -> tuple[float, bytes] | str:
        """Time (s) and data bytes of an identifier from the module behind `header`; the problem's name if none came."""
        service, identifier, _ = source
        if not self.capabilities.address(self.link, header):
            return "not_addressed"
        text, echo = identifier_request(service, identifier)
        reply = self.link.ask(text, self.link.poll_timeout_s)
        for message in reply.messages:
            data = bytes(message.data)
            if data.startswith(echo) and is_whole(message):
                return reply.time_s - self.begun_s, data[len(echo) :]
            if data[:1] == bytes([NEGATIVE]):
                return "negative"
        return reply.problem or "no_data"

    def header_of(self, source: Source) -> int | None:
        return self.link.header_for(source[2], self.capabilities.header)

    def find_unanswered(self) -> None:
        """Note which identifiers are not answered, why, and whether another known module answers them."""
        from camlog.capture.troubles import PROBLEMS

        headers = [self.capabilities.header]
        if self.link.is_can and not self.link.form.is_29bit:
            headers += [int(name, 16) - 8 for name in sorted(self.link.others)]
        for source in [*self.angles, *self.others]:
            own_header = self.header_of(source)
            answers = (self.ask(source, own_header) for _ in range(_TRIES))
            problems = list(takewhile(lambda answer: isinstance(answer, str), answers))
            if len(problems) == _TRIES:
                self.readings.refusals[source] = PROBLEMS.get(str(problems[-1]), str(problems[-1]))
                answering = (
                    h for h in headers if h not in (None, own_header) and not isinstance(self.ask(source, h), str)
                )
                if (header := next(answering, None)) is not None:
                    self.readings.elsewhere[source] = header

    def read(self, source: Source) -> None:
        if source in self.readings.refusals:
            return
        answer = self.ask(source, self.header_of(source))
        if not isinstance(answer, str):
            self.readings.answers.setdefault(source, []).append(answer)

    def read_standard(self, request: Request) -> None:
        self.capabilities.address(self.link, request.header)
        reply = self.link.ask(self.capabilities.wire_text(request), self.link.poll_timeout_s)
        for name, value in read_answer(request, reply.messages).values.items():
            of_name = self.readings.speed if name == "engine_speed" else self.readings.standard.setdefault(name, [])
            of_name.append((reply.time_s - self.begun_s, value))

    def run(self, say: Callable[[str], None], most_s: float, stopped: Callable[[], bool]) -> None:
        """Send rounds of requests; `say` gets each instruction when the step before it has enough readings."""
        steps = {"key_on": KEY_ON_S, "idle": IDLE_S, "rev": most_s}
        seconds = dict.fromkeys(steps, 0.0)
        last_step, moved_s, rounds, before_s = "", None, 0, self.now_s
        while self.now_s < most_s and not stopped():
            for source in self.angles:
                self.read(source)
            for request in self.standard if rounds % _SLOWLY_EVERY == 0 else self.standard[:1]:
                self.read_standard(request)
            if rounds % _SLOWLY_EVERY == 0:
                for source in self.others:
                    self.read(source)
            rounds += 1
            rpm = self.readings.speed[-1][1] if self.readings.speed else 0.0
            engine = "key_on" if rpm < 1.0 else "idle" if RUNNING_RPM < rpm < IDLE_RPM else "rev"
            seconds[engine] += self.now_s - before_s
            before_s = self.now_s
            step = self._step(engine, seconds)
            if step != last_step:
                say(messages(f"step.{step}", seconds=steps.get(step, 0.0)))
                last_step = step
            if rounds % _LOOK_EVERY == 0 and moved_s is None and self._all_move():
                moved_s = self.now_s
            if moved_s is not None and self.now_s - moved_s > _AFTER_MOVING_S and seconds["idle"] >= IDLE_S:
                say(messages("step.enough"))
                return

    def _step(self, engine: str, seconds: dict[str, float]) -> str:
        if engine == "key_on":
            return "key_on" if seconds["key_on"] < KEY_ON_S else "start"
        return "idle" if seconds["idle"] < IDLE_S else "rev"

    def _all_move(self) -> bool:
        """True if every angle that is answered has moved."""
        answered = [d for d in self.profile.signals if d.is_cam_angle and d.source in self.readings.answers]
        return all(moves(series(d, self.readings)) for d in answered)
