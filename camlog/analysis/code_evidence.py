"""Trouble codes of a drive as evidence: by family, since when, with freeze frame and monitor tests. A list that could
not be read is unknown, which differs from "no codes"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from camlog.codes.families import FAMILIES, CodeFacts, describe, facts
from camlog.codes.service06 import MIDS_VVT, misfire_cylinder
from camlog.drive import Drive
from camlog.errors import InputError
from camlog.messages import Messages
from camlog.stream import CodeSnapshot, MonitorTest

messages = Messages(__package__)
LISTS = ("stored", "pending", "permanent")
# With fewer warm-ups since clearing, an empty code memory says little.
FRESH_WARM_UPS = 3


@dataclass(frozen=True, slots=True)
class CodeSeen:
    """One code of the drive and what it points to.

    `stored`, `pending`, `permanent`: whether it was in that list in the last snapshot that read the list; None: no
    snapshot did. `first_seen_s` and `last_seen_s` are snapshot times. `new`: True if it appeared during the drive,
    False if it was there before, None if the first snapshot cannot tell. `gone`: the same for having disappeared."""

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

    def to_dict(self) -> dict[str, Any]:
        names = ("stored", "pending", "permanent", "first_seen_s", "last_seen_s", "new", "gone")
        return {
            "code": self.code, **{name: getattr(self, name) for name in names}, "cams": list(self.facts.cams),
            "cylinders": list(self.facts.cylinders), "ecus": list(self.ecus), "sentence": self.sentence,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class TestResult:
    """A service 06 result against its limits. `over` is the limit it exceeds: "max", "min" or None. `run` is False
    where the test never ran."""

    __test__ = False  # not a test case, whatever its name looks like to a test collector

    test: MonitorTest
    over: str | None
    run: bool
    bank: int | None
    cylinder: int | None


@dataclass(frozen=True)
class CodeEvidence:
    """What the vehicle's own monitors say. `known` are the lists read at least once; any other list is unknown. `mil`,
    `readiness` and `since_clear` are the latest values read, `freeze_frame` the first."""

    known: tuple[str, ...] = ()
    codes: tuple[CodeSeen, ...] = ()
    mil: bool | None = None
    freeze_frame: Mapping[str, Any] | None = None
    tests: tuple[TestResult, ...] = ()
    readiness: Mapping[str, str] = field(default_factory=dict)
    since_clear: Mapping[str, float | None] | None = None
    notes: tuple[str, ...] = ()

    @property
    def by_family(self) -> dict[str, tuple[CodeSeen, ...]]:
        """Codes by family in the order of FAMILIES; families without codes are absent."""
        groups = {f: tuple(c for c in self.codes if c.family == f) for f in FAMILIES}
        return {f: members for f, members in groups.items() if members}

    def for_cam(self, cam: str) -> tuple[CodeSeen, ...]:
        return tuple(c for c in self.codes if cam in c.facts.cams)

    @property
    def tests_over_limit(self) -> tuple[TestResult, ...]:
        return tuple(t for t in self.tests if t.over is not None)

    @property
    def surely_none(self) -> bool:
        """True where every list was read and no code was in any list during the drive."""
        return set(self.known) == set(LISTS) and not self.codes

    def to_dict(self) -> dict[str, Any]:
        """The `codes` object of Findings; JSON values only. `by_family` is None where no list was read."""
        families = {f: [c.to_dict() for c in codes] for f, codes in self.by_family.items()}
        return {
            "lists_read": list(self.known),
            "mil": self.mil,
            "by_family": families if self.known else None,
            "freeze_frame": self.freeze_frame,
            "tests_over_limit": [
                {**asdict(t.test), "over": t.over, "bank": t.bank, "cylinder": t.cylinder}
                for t in self.tests_over_limit
            ],
            "notes": list(self.notes),
        }


def code_evidence(drive: Drive | None) -> CodeEvidence:
    """The codes of a drive from all its snapshots; nothing is known without a drive file or snapshots."""
    snapshots = sorted(drive.code_snapshots, key=lambda s: s.time_s) if drive else []
    if not snapshots:
        return CodeEvidence(notes=(messages("codes.nothing_read"),))

    def latest(name: str) -> Any:
        """The last value read of a field; None where it was never read."""
        return next((v for s in reversed(snapshots) if (v := getattr(s, name)) or v is False), None)

    # The first frame of a drive shows how the fault was set, before a clear.
    frame = next((s.freeze_frame for s in snapshots if s.freeze_frame), None)
    evidence = CodeEvidence(
        known=tuple(name for name in LISTS if any(getattr(s, name) is not None for s in snapshots)),
        codes=_codes(snapshots),
        mil=latest("mil"),
        freeze_frame=frame,
        tests=tuple(map(_test_result, latest("monitor_tests") or ())),
        readiness=latest("readiness") or {},
        since_clear=latest("since_clear"),
    )
    return replace(evidence, notes=tuple(_notes(evidence)))


def facts_of(text: str) -> CodeFacts:
    """The facts of a code; text that is no code gets the family `other`."""
    try:
        return facts(text)
    except InputError:
        return CodeFacts(text)


def _held(snapshot: CodeSnapshot, name: str) -> set[str] | None:
    codes = getattr(snapshot, name)
    return None if codes is None else {c.code for c in codes}


def _codes(snapshots: Sequence[CodeSnapshot]) -> tuple[CodeSeen, ...]:
    ecus: dict[str, dict[str, None]] = {}
    times: dict[str, list[float]] = {}
    for snapshot in snapshots:
        for trouble_code in (c for name in LISTS for c in getattr(snapshot, name) or ()):
            times.setdefault(trouble_code.code, []).append(snapshot.time_s)
            ecus.setdefault(trouble_code.code, {})
            if trouble_code.ecu:
                ecus[trouble_code.code][trouble_code.ecu] = None
    codes = [_code_seen(code, times[code], tuple(ecus[code]), snapshots) for code in times]
    return tuple(sorted(codes, key=lambda c: (FAMILIES.index(c.family), c.code)))


def _code_seen(code: str, times: list[float], ecus: Sequence[str], snapshots: Sequence[CodeSnapshot]) -> CodeSeen:
    lists = {name: [codes for s in snapshots if (codes := _held(s, name)) is not None] for name in LISTS}
    try:
        sentence = describe(facts(code))
    except InputError:
        sentence = messages("codes.no_code", code=code)
    stored, pending, permanent = (code in lists[name][-1] if lists[name] else None for name in LISTS)
    new, gone = (_absent(code, snapshots[end], snapshots) for end in (0, -1))
    return CodeSeen(facts_of(code), stored, pending, permanent, times[0], times[-1], new, gone, tuple(ecus), sentence)


def _absent(code: str, snapshot: CodeSnapshot, snapshots: Sequence[CodeSnapshot]) -> bool | None:
    """True if the code was in no list of a snapshot, False if in one; None if its list was not read there."""
    if len(snapshots) < 2:
        return None
    if any(code in (_held(snapshot, name) or ()) for name in LISTS):
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
    return TestResult(test, over, run, MIDS_VVT.get(mid), misfire_cylinder(mid))


def _notes(evidence: CodeEvidence) -> Iterator[str]:
    unread = [name for name in LISTS if name not in evidence.known]
    if unread:
        yield messages("codes.unread", lists=" and ".join(unread))
    warm_ups = (evidence.since_clear or {}).get("warm_ups")
    if warm_ups is not None and warm_ups < FRESH_WARM_UPS and not evidence.codes:
        yield messages("codes.just_cleared", warm_ups=warm_ups)
    gone = [c.code for c in evidence.codes if c.gone]
    if gone:
        yield messages("codes.left", codes=", ".join(gone))
