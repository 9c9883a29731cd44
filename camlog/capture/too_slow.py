"""How often each cam's pair of angles is read, what that is too seldom for, and what to leave out; light to import."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from camlog.cams import short
from camlog.capture import messages
from camlog.questions import titles


@dataclass(frozen=True)
class Expected:
    """`pairs_hz` is how often each cam's pair is read a second, where `least_hz` is needed. `keep` are the signals to
    ask for alone, so that every pair among them comes often enough, and `later` the cams left for a drive of their own;
    `leave_out` is the rest. `keep` is empty where nothing helps."""

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
        """The questions that cannot be answered of the slow cams."""
        return titles("sampling")

    def measured(self, pairs_hz: Mapping[str, float]) -> Expected:
        return replace(self, pairs_hz={cam: pairs_hz.get(cam, 0.0) for cam in self.pairs_hz})

    def lines(self) -> list[str]:
        """The same in sentences for a person; the last is ready to paste."""
        if not self.pairs_hz:
            return []
        rates = ", ".join(f"{short(cam)} {hz:.1f}/s" for cam, hz in self.pairs_hz.items())
        found = [messages("expected.rates", rates=rates)]
        if self.slow:
            cams, later = (", ".join(map(short, which)) for which in (self.slow, self.later))
            found += [
                messages("expected.slow", cams=cams, least=self.least_hz, questions=self.open_questions),
                messages("expected.keep" if self.keep else "expected.nothing", only=",".join(self.keep), later=later),
            ]
        return found
