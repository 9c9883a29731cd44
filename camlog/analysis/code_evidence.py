"""Trouble codes of a drive as evidence: by family, since when, with freeze frame and monitor tests.

A list that could not be read is unknown, which is not "no codes".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from camlog.analysis.drive.regulation import WARM_UP_REACHED_DEGC
from camlog.codes.families import FAMILIES, CodeFacts, describe, facts
from camlog.codes.service06 import misfire_cylinder
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.stream import CodeSnapshot, MonitorTest

LISTS = ("stored", "pending", "permanent")

# SAE J1979 (from memory): on-board monitors 35 to 38 are variable valve timing of banks 1 to 4.
_VVT_MID_BANKS = {0x35: 1, 0x36: 2, 0x37: 3, 0x38: 4}
# An empty memory this soon after clearing has had no chance to fill.
FRESH_WARM_UPS = 3


@dataclass(frozen=True, slots=True)
class CodeSeen:
    """One code of the drive and what it points to.

    `stored`, `pending`, `permanent`: whether it stood there in the last
    snapshot that read that list, None where none did. `first_seen_s` and
    `last_seen_s` are snapshot times. `new` True where it appeared during the
    drive, False where it was there before, None where the first snapshot
    cannot say; `gone` likewise for having left.
    """

    facts: CodeFacts
    stored: bool | None
    pending: bool | None
    permanent: bool | None
    first_seen_s: float
    last_seen_s: float
    new: bool | None
    gone: bool | None
    ecus: tuple[str, ...]
    sentence: str

    @property
    def code(self) -> str:
        return self.facts.code

    @property
    def family(self) -> str:
        return self.facts.family


@dataclass(frozen=True, slots=True)
class TestResult:
    """A service 06 result against its limits: `over` "max", "min" or None; `run` False where it never ran."""

    __test__ = False  # not a test case, whatever its name looks like to a test collector

    test: MonitorTest
    over: str | None
    run: bool
    bank: int | None
    cylinder: int | None


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """The conditions a code was set under; `warm` None where the coolant temperature is not in it."""

    code: str | None
    values: Mapping[str, float]
    warm: bool | None
    sentence: str


@dataclass(frozen=True)
class CodeEvidence:
    """What the vehicle's own monitors say.

    `known` is the lists that were read at least once; a list not in it is
    unknown. `mil`, `readiness`, `since_clear` are the latest that were read.
    """

    known: tuple[str, ...] = ()
    codes: tuple[CodeSeen, ...] = ()
    mil: bool | None = None
    freeze_frame: FreezeFrame | None = None
    tests: tuple[TestResult, ...] = ()
    readiness: Mapping[str, str] = field(default_factory=dict)
    since_clear: Mapping[str, float | None] | None = None
    notes: tuple[str, ...] = ()

    @property
    def by_family(self) -> dict[str, tuple[CodeSeen, ...]]:
        """Codes by family in the order of FAMILIES; families without codes are absent."""
        groups = {f: tuple(c for c in self.codes if c.family == f) for f in FAMILIES}
        return {f: found for f, found in groups.items() if found}

    def family(self, name: str) -> tuple[CodeSeen, ...]:
        """The codes of one family."""
        return tuple(c for c in self.codes if c.family == name)

    def for_cam(self, cam: str) -> tuple[CodeSeen, ...]:
        """The codes that name a cam."""
        return tuple(c for c in self.codes if cam in c.facts.cams)

    @property
    def tests_over_limit(self) -> tuple[TestResult, ...]:
        return tuple(t for t in self.tests if t.over is not None)

    @property
    def surely_none(self) -> bool:
        """True where every list was read and held no code, at the end and all along."""
        return set(self.known) == set(LISTS) and not self.codes

    def to_dict(self) -> dict[str, Any]:
        """The `codes` object of Findings; JSON values only. `by_family` is None where no list was read."""
        frame = self.freeze_frame
        return {
            "lists_read": list(self.known),
            "mil": self.mil,
            "by_family": None
            if not self.known
            else {f: [_code_dict(c) for c in found] for f, found in self.by_family.items()},
            "freeze_frame": None
            if frame is None
            else {
                "code": frame.code, "warm": frame.warm, "values": dict(frame.values),
                "sentence": frame.sentence,
            },
            "tests_over_limit": [
                {
                    "mid": t.test.mid, "tid": t.test.tid, "value": t.test.value, "min": t.test.min,
                    "max": t.test.max, "unit": t.test.unit, "over": t.over, "bank": t.bank,
                    "cylinder": t.cylinder,
                }
                for t in self.tests_over_limit
            ],
            "notes": list(self.notes),
        }  # fmt: skip


def code_evidence(drive: Drive | None) -> CodeEvidence:
    """The codes of a drive from all its snapshots; nothing known without a drive file or snapshots."""
    snapshots = sorted(drive.code_snapshots, key=lambda s: s.time_s) if drive else []
    if not snapshots:
        return CodeEvidence(notes=("No trouble codes were read with this drive, so none are known.",))
    known = tuple(name for name in LISTS if any(getattr(s, name) is not None for s in snapshots))
    codes = _codes(snapshots)
    mil = [s.mil for s in snapshots if s.mil is not None]
    since = [s.since_clear for s in snapshots if s.since_clear]
    tests = [s.monitor_tests for s in snapshots if s.monitor_tests]
    readiness = [s.readiness for s in snapshots if s.readiness]
    found = CodeEvidence(
        known=known,
        codes=codes,
        mil=mil[-1] if mil else None,
        freeze_frame=_freeze_frame(snapshots),
        tests=tuple(_test_result(t) for t in tests[-1]) if tests else (),
        readiness=readiness[-1] if readiness else {},
        since_clear=since[-1] if since else None,
    )
    return CodeEvidence(**{**_fields(found), "notes": _notes(found)})


def _code_dict(seen: CodeSeen) -> dict[str, Any]:
    return {
        "code": seen.code, "stored": seen.stored, "pending": seen.pending, "permanent": seen.permanent,
        "first_seen_s": seen.first_seen_s, "last_seen_s": seen.last_seen_s,
        "new": seen.new, "gone": seen.gone, "cams": list(seen.facts.cams),
        "cylinders": list(seen.facts.cylinders), "ecus": list(seen.ecus),
        "sentence": seen.sentence,
    }  # fmt: skip


def _fields(evidence: CodeEvidence) -> dict[str, Any]:
    return {name: getattr(evidence, name) for name in evidence.__dataclass_fields__}


def _held(snapshot: CodeSnapshot, name: str) -> set[str] | None:
    found = getattr(snapshot, name)
    return None if found is None else {c.code for c in found}


def _anywhere(snapshot: CodeSnapshot) -> set[str]:
    return {code for name in LISTS for code in _held(snapshot, name) or ()}


def _codes(snapshots: Sequence[CodeSnapshot]) -> tuple[CodeSeen, ...]:
    order: dict[str, list[float]] = {}
    ecus: dict[str, dict[str, None]] = {}
    for snapshot in snapshots:
        for name in LISTS:
            for found in getattr(snapshot, name) or ():
                order.setdefault(found.code, []).append(snapshot.time_s)
                if found.ecu:
                    ecus.setdefault(found.code, {})[found.ecu] = None
    seen = [
        _code_seen(code, times[0], times[-1], tuple(ecus.get(code, ())), snapshots)
        for code, times in order.items()
    ]
    rank = {family: i for i, family in enumerate(FAMILIES)}
    return tuple(sorted(seen, key=lambda c: (rank[c.family], c.code)))


def _code_seen(
    code: str, first_s: float, last_s: float, ecus: tuple[str, ...], snapshots: Sequence[CodeSnapshot]
) -> CodeSeen:
    state: dict[str, bool | None] = {}
    for name in LISTS:
        lists = [held for s in snapshots if (held := _held(s, name)) is not None]
        state[name] = code in lists[-1] if lists else None
    try:
        known = facts(code)
        sentence = describe(known)
    except InputError:
        # A drive file from elsewhere may hold text of another form.
        known, sentence = CodeFacts(code), f"{code} is not a trouble code camlog can read."
    return CodeSeen(
        known, state["stored"], state["pending"], state["permanent"], first_s, last_s,
        _absent(code, snapshots[0], snapshots), _absent(code, snapshots[-1], snapshots),
        ecus, sentence,
    )  # fmt: skip


def _absent(code: str, snapshot: CodeSnapshot, snapshots: Sequence[CodeSnapshot]) -> bool | None:
    """Whether the code was surely in no list of a snapshot; None where its list was not read there."""
    if len(snapshots) < 2:
        return None
    if code in _anywhere(snapshot):
        return False
    needed = [name for name in LISTS if any(code in (_held(s, name) or ()) for s in snapshots)]
    return True if all(_held(snapshot, name) is not None for name in needed) else None


def _test_result(test: MonitorTest) -> TestResult:
    try:
        mid = int(test.mid, 16)
    except ValueError:
        mid = -1
    over = None
    if test.max is not None and test.value > test.max:
        over = "max"
    elif test.min is not None and test.value < test.min:
        over = "min"
    # SAE J1979 (from memory): value and both limits zero until the test has run since the last clear.
    run = not (test.value == 0.0 and test.min == 0.0 and test.max == 0.0)
    return TestResult(test, over, run, _VVT_MID_BANKS.get(mid), misfire_cylinder(mid))


def _freeze_frame(snapshots: Sequence[CodeSnapshot]) -> FreezeFrame | None:
    # The first frame of a drive: it tells how the fault was set, before anyone cleared it.
    frame = next((s.freeze_frame for s in snapshots if s.freeze_frame), None)
    if frame is None:
        return None
    values = {
        k: float(v) for k, v in frame.items() if isinstance(v, (int, float)) and not isinstance(v, bool)
    }
    coolant = values.get("coolant_temp")
    warm = None if coolant is None else coolant >= WARM_UP_REACHED_DEGC
    code = frame.get("code") if isinstance(frame.get("code"), str) else None
    parts = [
        text.format(values[name])
        for name, text in (
            ("engine_speed", "{:.0f} rpm"), ("engine_load", "{:.0f} % load"),
            ("vehicle_speed", "{:.0f} km/h"), ("coolant_temp", "coolant {:.0f} °C"),
        )
        if name in values
    ]  # fmt: skip
    at = ", ".join(parts) if parts else "conditions the vehicle did not store"
    return FreezeFrame(code, values, warm, f"{code or 'A code'} was set at {at}.")


def _notes(found: CodeEvidence) -> tuple[str, ...]:
    notes = []
    unread = [name for name in LISTS if name not in found.known]
    if unread:
        notes.append(f"The {' and '.join(unread)} codes could not be read; whether there are any is unknown.")
    warm_ups = (found.since_clear or {}).get("warm_ups")
    if warm_ups is not None and warm_ups < FRESH_WARM_UPS and not found.codes:
        notes.append(
            f"Codes were cleared {warm_ups:.0f} warm-ups ago; "
            "an empty memory that was just cleared proves nothing."
        )
    gone = [c.code for c in found.codes if c.gone]
    if gone:
        notes.append(f"{', '.join(gone)} left the memory during the drive: cleared, or no longer confirmed.")
    return tuple(notes)
