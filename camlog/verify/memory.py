"""What the car's memory held over both drives: the closing snapshot, when it was cleared, which codes count.

An empty memory is evidence only where it is known since when it has been filling. Counters since the last
clear (SAE J1979 service 01 PIDs 30, 31, 4E, from memory) only ever rise until they are cleared, and a
monitor that was complete becomes incomplete only by clearing (or by lost supply, which clears too)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from camlog.analysis.code_evidence import LISTS
from camlog.codes.families import CAM_FAMILIES, MISFIRE, OIL, OTHER, family_of, is_maker_specific
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.stream import CodeSnapshot, TroubleCode

# Families that bear on a cam, its oil, its sensors and its misfires, whatever the first drive held.
JOB_FAMILIES = frozenset({*CAM_FAMILIES, MISFIRE, OIL})
COUNTERS = ("warm_ups", "distance_km", "time_min")
# Reading a snapshot takes some seconds on an older bus.
SLACK_S = 15.0


@dataclass(frozen=True)
class Memory:
    """The code snapshots of the second drive, and of the first where there is one, in time order.

    `opening` and `closing` are the second drive's snapshots at its beginning and its end, None where none
    was taken there. `before` is None without a first drive, else its snapshots. `declared` are codes the
    technician says are outside the job; `needed_before` snapshots make the first drive whole."""

    opening: CodeSnapshot | None
    closing: CodeSnapshot | None
    during: tuple[CodeSnapshot, ...]
    before: tuple[CodeSnapshot, ...] | None
    declared: frozenset[str] = frozenset()
    needed_before: int = 1

    @property
    def codes_before(self) -> frozenset[str]:
        """Every code any list of the first drive held."""
        return frozenset(c.code for s in self.before or () for name in LISTS for c in getattr(s, name) or ())

    @property
    def before_whole(self) -> bool:
        """True where the first drive's codes were read as often as they should have been, each time whole."""
        whole = [s.stored is not None and s.pending is not None for s in self.before or ()]
        return len(whole) >= self.needed_before and all(whole)

    @property
    def cleared_in_drive(self) -> bool:
        """True where the memory was cleared between the second drive's own snapshots."""
        return any(cleared_between(a, b) for a, b in pairwise(self.during))

    @property
    def cleared_since_before(self) -> bool | None:
        """Whether it was cleared after the first drive last held the fault; None where nobody can tell."""
        if not self.before:
            return None
        pairs = [cleared_between(a, b) for a, b in pairwise(self._since_before)]
        return any(pairs) or (None if None in pairs else False)

    @property
    def since_clear(self) -> tuple[CodeSnapshot, ...]:
        """The snapshots taken after the last clearing that followed the first drive; empty where none did."""
        snapshots = self._since_before
        cleared = [i for i, (a, b) in enumerate(pairwise(snapshots)) if cleared_between(a, b)]
        return snapshots[cleared[-1] + 1 :] if cleared else ()

    @property
    def _since_before(self) -> tuple[CodeSnapshot, ...]:
        """From the snapshot on that last shows the first drive's fault."""
        before = self.before or ()
        if self.needed_before > 1:  # a recording shows the fault up to its end
            return (*before[-1:], *self.during)
        # Permanent codes outlast a clearing, so they say nothing about it.
        holding = [i for i, s in enumerate(before) if self.held(s, "stored") or self.held(s, "pending")]
        return (*before[max(holding, default=0) :], *self.during)

    def in_question(self, code: str) -> bool:
        """True for a code that bears on the job, or whose meaning nobody here can exclude."""
        if code in self.codes_before and code not in self.declared:
            return True
        family = family_or_none(code)
        if family is None:
            return False
        same_as_before = {family_or_none(c) for c in self.codes_before} - {OTHER, None}
        if family in JOB_FAMILIES or family in same_as_before:
            return True
        # A maker's own code on the cam's control has no family here.
        return code.startswith("P") and is_maker_specific(code) and code not in self.declared

    def held(self, snapshot: CodeSnapshot | None, name: str) -> tuple[TroubleCode, ...]:
        """The codes in question of one list of a snapshot, from every module."""
        codes = getattr(snapshot, name) if snapshot is not None else None
        return tuple(c for c in codes or () if self.in_question(c.code))


def family_or_none(code: str) -> str | None:
    """The family of a code; None for text that is no code."""
    try:
        return family_of(code)
    except InputError:
        return None


def memory_of(after: Drive | None, end_s: float, before: Drive | None, declared: Iterable[str] = ()) -> Memory:
    """Sort the snapshots of both drives; `end_s` is when the second trace ends."""
    during = _in_order(after)
    closing = during[-1] if during and during[-1].time_s >= end_s - SLACK_S else None
    opening = during[0] if during and during[0].time_s <= SLACK_S and during[0] is not closing else None
    # A recording reads the codes at its beginning and its end; `camlog clear` saves what there was, once.
    needed = 2 if before is not None and before.trace_sha256 else 1
    return Memory(opening, closing, during, None if before is None else _in_order(before), frozenset(declared), needed)


def _in_order(drive: Drive | None) -> tuple[CodeSnapshot, ...]:
    read = [s for s in drive.code_snapshots if not s.unread] if drive is not None else []
    return tuple(sorted(read, key=lambda s: s.time_s))


def cleared_between(first: CodeSnapshot, second: CodeSnapshot) -> bool | None:
    """Whether the memory was cleared between two snapshots of one car; None where they do not tell."""
    counted = [(counter(first, key), counter(second, key)) for key in COUNTERS]
    falls = [b < a for a, b in counted if a is not None and b is not None]
    complete = [monitor for monitor, state in first.readiness.items() if state == "complete"]
    if any(falls) or any(second.readiness.get(monitor) == "incomplete" for monitor in complete):
        return True
    return False if falls else None


def counter(snapshot: CodeSnapshot | None, key: str) -> float | None:
    """One counter since the last clear, None where it was not read."""
    return None if snapshot is None or snapshot.since_clear is None else snapshot.since_clear.get(key)


def code_words(codes: Sequence[TroubleCode]) -> str:
    """`P0011 (module 7E8), P0301`."""
    return ", ".join(dict.fromkeys(f"{c.code} (module {c.ecu})" if c.ecu else c.code for c in codes))
