"""Tables of the validity study: confusion, sensitivity and specificity with Wilson intervals, calibration."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from scipy.stats import binomtest

from camlog.analysis.cam.examine import Examination
from camlog.analysis.drive.coverage import CamCoverage
from camlog.analysis.verdict.judge import CONDITIONS

CLEAR = 0.5  # from this severity on a technician would want the fault found
FAST_HZ = 10.0
BINS = (0.0, 0.6, 0.7, 0.8, 0.85, 0.9, 0.95, 1.0001)
SHOWN = ((0.01, "below 1 %"), (0.03, "1 to 3 %"), (0.1, "3 to 10 %"), (2.0, "more, or the reading"))
SHORT = {"insufficient_data": "abstains"}

DEFINITIONS = """\
One row is one cam of one drive. Abstains: "insufficient_data". Found: any fault named.
Named rightly: the condition that is true, or another name its kind of fault has by definition (a leaking
phaser is unstable, and may be slow). Seen: on the noiseless cam the error grew by more than 2 deg against the
same drive without the fault for 3 s in all, or the reading itself was off (0.5 deg rms, 3 % missing); an
outside cam: 1.5 deg at most and 3 s beyond 2 deg. Covered: coverage found the drive sufficient for any
verdict. Intervals: 95 %, Wilson."""


@dataclass(frozen=True)
class Row:
    """One cam of one drive: its truth, and what was said of it."""

    half: str
    seed: int
    cam: str
    kind: str
    severity: float
    rate_hz: float
    truth: str
    also: tuple[str, ...]
    seen: bool
    shown: float
    covered: bool
    got: str
    confidence: float

    @property
    def faulty(self) -> bool:
        return self.truth != "healthy"

    @property
    def abstains(self) -> bool:
        return self.got == "insufficient_data"

    @property
    def found(self) -> bool:
        return self.got not in ("healthy", "insufficient_data")

    @property
    def right(self) -> bool:
        return self.got == self.truth or self.got in self.also


@dataclass(frozen=True)
class Examined:
    """A row with what it can be judged from again."""

    row: Row
    examination: Examination
    coverage: CamCoverage | None


def share(rows: Sequence[Row], test: Callable[[Row], bool]) -> tuple[int, int]:
    return sum(map(test, rows)), len(rows)


def words(k: int, n: int) -> str:
    """`97.3 % (95.1 to 98.5, 430 of 442)`."""
    if not n:
        return "no case"
    low, high = binomtest(k, n).proportion_ci(method="wilson")
    return f"{100 * k / n:5.1f} % ({100 * low:.1f} to {100 * high:.1f}, {k} of {n})"


def confusion(rows: Iterable[Row]) -> str:
    counts = Counter((r.truth, r.got) for r in rows)
    truths = [c for c in CONDITIONS if any(t == c for t, _ in counts)]
    head = "true \\ said".ljust(12) + "".join(SHORT.get(c, c).rjust(10) for c in CONDITIONS)
    lines = [t.ljust(12) + "".join(str(counts[t, c] or ".").rjust(10) for c in CONDITIONS) for t in truths]
    return "\n".join((head, *lines))


def calibration(rows: Sequence[Row]) -> tuple[str, float]:
    """Table of confidence against share right, and the expected calibration error (bins weighed by size)."""
    given = [r for r in rows if not r.abstains]
    lines, error = ["confidence      verdicts  mean confidence  share right"], 0.0
    for low, high in pairwise(BINS):
        here = [r for r in given if low <= r.confidence < high]
        if not here:
            continue
        mean = sum(r.confidence for r in here) / len(here)
        k, n = share(here, lambda r: r.right)
        error += abs(mean - k / n) * n / len(given)
        lines.append(f"{low:.2f} to {min(high, 1.0):.2f} {n:11d} {mean:16.3f}  {words(k, n)}")
    return "\n".join(lines), error


def _clear(rows: Iterable[Row], fast: bool) -> list[Row]:
    return [r for r in rows if r.faulty and r.severity >= CLEAR and (r.rate_hz >= FAST_HZ) == fast]


def _half(name: str, rows: list[Row]) -> list[str]:
    healthy = [r for r in rows if not r.faulty]
    judged = [r for r in healthy if not r.abstains]
    lines = [f"\n== {name}: {len({r.seed for r in rows})} drives, {len(rows)} cams", confusion(rows)]
    lines.append(
        f"specificity, healthy cams given a verdict   {words(*share(judged, lambda r: not r.found))}"
    )
    lines.append(
        f"healthy cams called healthy, all of them    {words(*share(healthy, lambda r: r.got == 'healthy'))}"
    )
    for fast, rate in ((True, "10 Hz and above"), (False, "5 Hz")):
        clear = _clear(rows, fast)
        lines.append(f"faults of severity {CLEAR:g} and above, {rate}:")
        for label, test in _SETS:
            chosen = [r for r in clear if test(r)]
            found = [r for r in chosen if r.found]
            lines.append(f"  {label:<27} found {words(*share(chosen, lambda r: r.found))}")
            lines.append(
                f"  {'':<27} abstained {sum(r.abstains for r in chosen)}, "
                f"named rightly {words(*share(found, lambda r: r.right))}"
            )
    lines.append(_vehicles(rows))
    mild = [r for r in rows if r.faulty and r.severity < CLEAR and r.seen]
    lines.append(f"milder faults, seen: found {words(*share(mild, lambda r: r.found))}")
    table, error = calibration([r for r in rows if r.seen])
    lines += [f"calibration, cams healthy or with a fault that was seen (expected error {error:.3f}):", table]
    lines.append(f"the same over all cams, seen or not: expected error {calibration(rows)[1]:.3f}")
    return lines


def _vehicles(rows: list[Row]) -> str:
    """Faulty vehicles of which at least one faulty cam was found."""
    vehicles: dict[int, list[Row]] = {}
    for r in rows:
        if r.faulty and r.seen and r.severity >= CLEAR and r.rate_hz >= FAST_HZ:
            vehicles.setdefault(r.seed, []).append(r)
    found = sum(any(r.found for r in cams) for cams in vehicles.values())
    return f"the same by vehicle, 10 Hz and above, seen: found {words(found, len(vehicles))}"


_SETS: tuple[tuple[str, Callable[[Row], bool]], ...] = (
    ("all, seen or not", lambda r: True),
    ("seen", lambda r: r.seen),
    ("seen, drive covered", lambda r: r.seen and r.covered),
    ("seen in 3 % of the drive", lambda r: r.seen and r.shown >= 0.03),
)


def _by(rows: list[Row], key: Callable[[Row], object], title: str) -> list[str]:
    lines = [title]
    for value in sorted({key(r) for r in rows}, key=str):
        here = [r for r in rows if key(r) == value]
        found = [r for r in here if r.found]
        lines.append(
            f"  {value!s:<24} cams {len(here):4d}  found {len(found):4d}"
            f"  abstained {sum(r.abstains for r in here):3d}"
            f"  named rightly {sum(r.right for r in found):4d}"
        )
    return lines


def _shown(row: Row) -> str:
    return next(word for top, word in SHOWN if row.shown < top)


def _poor(rows: list[Row]) -> list[str]:
    lines = [
        "\n== drives too poor to judge (under a minute, never driven off, read about once a second)",
        confusion(rows),
    ]
    for label, chosen in (
        ("all", rows),
        ("healthy, or nothing of the fault seen", [r for r in rows if not (r.faulty and r.seen)]),
        ("with a fault that was seen", [r for r in rows if r.faulty and r.seen]),
    ):
        lines.append(f"abstains, {label}: {words(*share(chosen, lambda r: r.abstains))}")
    given = [r for r in rows if not r.abstains]
    lines.append(f"of the verdicts given all the same, right: {words(*share(given, lambda r: r.right))}")
    return lines


def report(rows: list[Row]) -> str:
    """Everything, ending in one line of figures."""
    poor = [r for r in rows if r.half.startswith("poor")]
    fit = [r for r in rows if not r.half.startswith("poor")]
    simulated = [r for r in fit if r.half != "outside"]
    lines = [__doc__.strip(), DEFINITIONS]
    halves = sorted({r.half for r in fit}, key=lambda h: (h == "outside", h))
    if len({r.half for r in simulated}) > 1:
        lines += _half("simulated, both families", simulated)
    for half in halves:
        lines += _half(half, [r for r in fit if r.half == half])
    for half, chosen in (("simulated", simulated), ("outside", [r for r in fit if r.half == "outside"])):
        here = [r for r in chosen if r.faulty and r.severity >= CLEAR and r.seen]
        lines += _by(
            here,
            lambda r: r.kind,
            f"\n{half}, faults of severity {CLEAR:g} and above that were seen, by kind:",
        )
        lines += _by(here, lambda r: f"{r.rate_hz:g} Hz", f"{half}, the same by rate:")
        lines += _by(here, _shown, f"{half}, the same by the share of the drive in which the fault showed:")
    if poor:
        lines += _poor(poor)
    stuck = [r for r in fit if r.truth == "stuck" and r.seen]
    lines.append(f"\nstuck cams called healthy: {sum(r.got == 'healthy' for r in stuck)} of {len(stuck)}")
    lines.append(_one_line(simulated, fit, poor, stuck))
    return "\n".join(lines)


def _one_line(simulated: list[Row], fit: list[Row], poor: list[Row], stuck: list[Row]) -> str:
    def rate(k: int, n: int) -> str:
        return f"{k / n:.3f}" if n else "-"

    figures = [("drives", str(len({(r.half, r.seed) for r in fit + poor})))]
    for label, rows in (("", simulated), ("outside_", [r for r in fit if r.half == "outside"])):
        judged = [r for r in rows if not r.faulty and not r.abstains]
        figures.append((label + "specificity", rate(*share(judged, lambda r: not r.found))))
        for fast, name in ((True, "10hz"), (False, "5hz")):
            chosen = [r for r in _clear(rows, fast) if r.seen and r.covered]
            found = [r for r in chosen if r.found]
            figures.append((f"{label}found_{name}", rate(*share(chosen, lambda r: r.found))))
            figures.append((f"{label}named_{name}", rate(*share(found, lambda r: r.right))))
        figures.append((label + "calibration_error", f"{calibration([r for r in rows if r.seen])[1]:.3f}"))
    figures.append(("poor_abstain", rate(*share(poor, lambda r: r.abstains))))
    figures.append(("stuck_called_healthy", str(sum(r.got == "healthy" for r in stuck))))
    return "validity: " + " ".join(f"{k}={v}" for k, v in figures)
