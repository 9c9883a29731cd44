"""How often each cam's pair of angles is read, the questions it is too slow for, and what to leave out. Imports
little."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from camlog.cams import short
from camlog.capture import messages
from camlog.questions import titles


@dataclass(frozen=True)
class Expected:
    """Expected rates. `pairs_hz` is the number of readings a second of each cam's pair; `least_hz` is needed. `keep`
    are the signals to ask for so that every pair among them is fast enough (empty if nothing helps), `later` the cams
    left for a drive of their own, `leave_out` all other signals."""

    pairs_hz: Mapping[str, float]
    least_hz: float
    keep: tuple[str, ...] = ()
    later: tuple[str, ...] = ()
    leave_out: tuple[str, ...] = ()

    @property
    def slow(self) -> tuple[str, ...]:
        return tuple(cam for cam, hz in self.pairs_hz.items() if hz < self.least_hz)

    @property
    def open_questions(self) -> str:
        """The questions that cannot be answered for the slow cams."""
        return titles("sampling")

    def measured(self, pairs_hz: Mapping[str, float]) -> Expected:
        return replace(self, pairs_hz={cam: pairs_hz.get(cam, 0.0) for cam in self.pairs_hz})

    def lines(self) -> list[str]:
        """Sentences for a person; the last is a command line to paste."""
        if not self.pairs_hz:
            return []
        rates = ", ".join(f"{short(cam)} {hz:.1f}/s" for cam, hz in self.pairs_hz.items())
        sentences = [messages("expected.rates", rates=rates)]
        if self.slow:
            cams, later = (", ".join(map(short, cam_ids)) for cam_ids in (self.slow, self.later))
            sentences += [
                messages("expected.slow", cams=cams, least=self.least_hz, questions=self.open_questions),
                messages("expected.keep" if self.keep else "expected.nothing", only=",".join(self.keep), later=later),
            ]
        return sentences
