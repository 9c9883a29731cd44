"""The car's code memory over both drives: the closing snapshot, when it was cleared, and which codes count.

An empty memory is evidence only if the time of the last clearing is known. Counters since that time (SAE J1979 service
01 PIDs 30, 31, 4E, from memory) only rise until the next clearing, and a complete monitor becomes incomplete only by
clearing (or by a loss of supply voltage, which clears too)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from camlog.analysis.code_evidence import LISTS
from camlog.codes.families import CAM_FAMILIES, MISFIRE, OIL, OTHER, family_of, is_maker_specific
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.stream import CodeSnapshot, TroubleCode

# Families of codes on a cam, its oil, its sensors and its misfires, which always concern the job.
JOB_FAMILIES = frozenset({*CAM_FAMILIES, MISFIRE, OIL})
COUNTERS = ("warm_ups", "distance_km", "time_min")
# Reading a snapshot takes some seconds on an older bus.
SLACK_S = 15.0


@dataclass(frozen=True)
class Memory:
    """The code snapshots of the second drive, and of the first if there is one, in time order.

    `opening` and `closing` are the second drive's snapshots at its beginning and end, None if not taken. `before` are
    the snapshots of the first drive, None without one; `needed_before` is how many it must have. `declared` are codes
    that the technician declares to be outside the job."""

    opening: CodeSnapshot | None
    closing: CodeSnapshot | None
    during: tuple[CodeSnapshot, ...]
    before: tuple[CodeSnapshot, ...] | None
    declared: frozenset[str] = frozenset()
    needed_before: int = 1

    @property
    def codes_before(self) -> frozenset[str]:
        """Every code in any list of the first drive."""
        return frozenset(c.code for s in self.before or () for name in LISTS for c in getattr(s, name) or ())

    @property
    def before_whole(self) -> bool:
        """True if the first drive's codes were read as often as required, and each time completely."""
        whole = [s.stored is not None and s.pending is not None for s in self.before or ()]
        return len(whole) >= self.needed_before and all(whole)

    @property
    def cleared_in_drive(self) -> bool:
        """True if the memory was cleared between two snapshots of the second drive."""
        return any(cleared_between(a, b) for a, b in pairwise(self.during))

    @property
    def cleared_since_before(self) -> bool | None:
        """Whether it was cleared after the first drive last showed the fault; None if unknown."""
        if not self.before:
            return None
        pairs = [cleared_between(a, b) for a, b in pairwise(self._since_before)]
        return any(pairs) or (None if None in pairs else False)

    @property
    def since_clear(self) -> tuple[CodeSnapshot, ...]:
        """The snapshots after the last clearing that followed the first drive; empty if there was none."""
        snapshots = self._since_before
        cleared = [i for i, (a, b) in enumerate(pairwise(snapshots)) if cleared_between(a, b)]
        return snapshots[cleared[-1] + 1 :] if cleared else ()

    @property
    def _since_before(self) -> tuple[CodeSnapshot, ...]:
        """The snapshots beginning with the last one that shows the first drive's fault."""
        before = self.before or ()
        if self.needed_before > 1:  # a recording shows the fault up to its end
            return (*before[-1:], *self.during)
        # Permanent codes stay after a clearing, so they say nothing about it.
        holding = [i for i, s in enumerate(before) if self.held(s, "stored") or self.held(s, "pending")]
        return (*before[max(holding, default=0) :], *self.during)

    def in_question(self, code: str) -> bool:
        """True for a code that concerns the job, or may concern it because its meaning is unknown."""
        if code in self.codes_before and code not in self.declared:
            return True
        family = family_or_none(code)
        if family is None:
            return False
        same_as_before = {family_or_none(c) for c in self.codes_before} - {OTHER, None}
        if family in JOB_FAMILIES or family in same_as_before:
            return True
        # Manufacturer-specific codes on cam control have no family here.
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
    """Sort the snapshots of both drives; `end_s` is the end of the second trace."""
    during = _in_order(after)
    closing = during[-1] if during and during[-1].time_s >= end_s - SLACK_S else None
    opening = during[0] if during and during[0].time_s <= SLACK_S and during[0] is not closing else None
    # A recording reads the codes at its beginning and end, `camlog clear` only once.
    needed = 2 if before is not None and before.trace_sha256 else 1
    return Memory(opening, closing, during, None if before is None else _in_order(before), frozenset(declared), needed)


def _in_order(drive: Drive | None) -> tuple[CodeSnapshot, ...]:
    read = [s for s in drive.code_snapshots if not s.unread] if drive is not None else []
    return tuple(sorted(read, key=lambda s: s.time_s))


def cleared_between(first: CodeSnapshot, second: CodeSnapshot) -> bool | None:
    """Whether the memory was cleared between two snapshots of one car; None if unknown."""
    counted = [(counter(first, key), counter(second, key)) for key in COUNTERS]
    falls = [b < a for a, b in counted if a is not None and b is not None]
    complete = [monitor for monitor, state in first.readiness.items() if state == "complete"]
    if any(falls) or any(second.readiness.get(monitor) == "incomplete" for monitor in complete):
        return True
    return False if falls else None


def counter(snapshot: CodeSnapshot | None, key: str) -> float | None:
    """One counter since the last clearing; None if it was not read."""
    return None if snapshot is None or snapshot.since_clear is None else snapshot.since_clear.get(key)


def code_words(codes: Sequence[TroubleCode]) -> str:
    """Codes in words, for example `P0011 (module 7E8), P0301`."""
    return ", ".join(dict.fromkeys(f"{c.code} (module {c.ecu})" if c.ecu else c.code for c in codes))
