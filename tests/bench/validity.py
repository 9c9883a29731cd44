"""How right the verdicts are on cars that nobody here made them for: `python -m tests.bench.validity`.

Cars of many families (`fleet`) are driven and examined. The evidence table is fitted on all families but one and judges
that one, in turn, with a calibration taken from the other families' predictions: what is printed is only of families
that were not fitted on. Textbook plants under random commands (`validity_outside`) are one of the families. `--fit` writes the table that ships,
fitted on all families, with these held-out scores in it. `--save FILE` keeps the examined drives, `--load FILE ...` takes
them instead of driving.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np

import camlog.analysis.verdict
from camlog.analysis.figures import CONDITIONS, FAULTS
from camlog.analysis.verdict.judge import judge_all
from camlog.limits import LIMITS
from tests.bench.evidence_fit import (
    Cams,
    calibrate,
    cams_of,
    prior_of,
    pruned,
    raw_table,
    score_of,
    table_of,
)
from tests.bench.validity_run import Kept, examined, jobs

FIRST_SEED = 900_001
EVIDENCE = Path(camlog.analysis.verdict.__file__).with_name("evidence.json")
LONG_MIN, FAST_HZ = 8.0, 5.0
GROSS, SLIGHT = 0.5, 0.4
BINS = 10
UNKNOWN = "insufficient_data"


@dataclass(frozen=True)
class Row:
    """One cam judged: what is true of it and what was said, with what confidence."""

    family: str
    kind: str
    severity: float
    rate_hz: float
    minutes: float
    poor: str | None
    truth: str
    also: tuple[str, ...]
    shows: bool
    got: str
    confidence: float

    @property
    def right(self) -> bool:
        return self.got == self.truth or self.got in self.also

    @property
    def judged(self) -> bool:
        return self.got != UNKNOWN


def fitted(cams: Cams) -> tuple[np.ndarray, dict[str, float]]:
    """Weights and prior from cams whose fault shows, or which have none."""
    prior = prior_of(cams)
    return pruned(cams, prior), prior


_CAMS: list[Cams] = []  # what the processes of `leave_one_out` inherit; figures are functions and cannot be sent


def _fold(family: str) -> tuple[str, dict, list[tuple[np.ndarray, float, int]]]:
    """A family's table, fitted on all others, and the scores of its own cams."""
    cams = _CAMS[-1]
    rest, own = cams.take(cams.family != family), cams.take(cams.family == family)
    weights, prior = fitted(rest)
    raw = raw_table(rest, weights, prior)
    numbers = table_of(raw)
    base = np.array([prior[c] for c in FAULTS])
    scores = []
    for i in range(len(own.truth)):
        odds, apart = score_of(own.evidence[i], own.hats[i], weights, numbers)
        scores.append((np.array([odds, base]), apart, int(own.truth[i])))
    return family, raw, scores


def leave_one_out(cams: Cams, processes: int) -> tuple[dict[str, dict], dict[str, list]]:
    """For each family the table that was fitted without it, calibrated on the other families' predictions."""
    names = sorted(set(cams.family))
    _CAMS.append(cams)
    with get_context("fork").Pool(processes) as pool:
        folds = pool.map(_fold, names, chunksize=1)
    scores = {family: found for family, _, found in folds}
    tables = {}
    for family, raw, _ in folds:
        others = [s for other in names if other != family for s in scores[other]]
        temperature, far, slope = calibrate(others)
        tables[family] = raw | {"temperature": temperature, "far_from": far, "far_slope": slope}
    return tables, scores


def judged(drives: Iterable[Kept], tables: dict[str, dict]) -> list[Row]:
    """Every cam of the drives judged by its family's held-out table."""
    numbers = {family: table_of(raw) for family, raw in tables.items()}
    rows = []
    for drive in drives:
        verdicts = judge_all(drive.cams, drive.covered, LIMITS, codes=drive.codes, numbers=numbers[drive.family])
        rows += [row(drive, cam, v.condition, v.confidence) for cam, v in verdicts.items()]
    return rows


def row(drive: Kept, cam: str, got: str, confidence: float) -> Row:
    """One cam's truth beside what was said of it."""
    t = drive.truth[cam]
    return Row(drive.family, drive.kind, drive.severity, drive.rate_hz, drive.minutes, drive.poor, t.condition, t.also,
               t.shows, got, confidence)  # fmt: skip


# ---------------------------------------------------------------- the report


def calibration_error(rows: Sequence[Row]) -> float | None:
    """Expected calibration error over ten bins of confidence (Naeini, Cooper & Hauskrecht, AAAI 2015)."""
    said = [r for r in rows if r.judged and (r.truth == "healthy" or r.shows)]
    if not said:
        return None
    place = np.minimum((np.array([r.confidence for r in said]) * BINS).astype(int), BINS - 1)
    right, sure = np.array([r.right for r in said]), np.array([r.confidence for r in said])
    return float(sum(abs(right[place == b].sum() - sure[place == b].sum()) for b in set(place)) / len(said))


def share(rows: Sequence[Row], holds: Callable[[Row], bool]) -> str:
    """`97.1 (102)`: the percentage for which something holds, of how many."""
    return f"{100 * np.mean([holds(r) for r in rows]):5.1f} ({len(rows):4d})" if rows else "    - (   0)"


def line(rows: Sequence[Row]) -> list[str]:
    """The figures of one family or of all."""
    good = [r for r in rows if not r.poor]
    healthy = [r for r in good if r.truth == "healthy"]
    long = [r for r in healthy if r.minutes >= LONG_MIN and r.rate_hz >= FAST_HZ]
    gross = [r for r in good if r.truth != "healthy" and r.shows and r.severity >= GROSS]
    slight = [r for r in good if r.truth != "healthy" and r.shows and r.severity < SLIGHT]
    error = calibration_error(good)
    return [
        share([r for r in healthy if r.judged], lambda r: r.got == "healthy"),
        share(long, lambda r: not r.judged),
        share(gross, lambda r: r.got in FAULTS),
        share([r for r in gross if r.judged], lambda r: r.got in FAULTS),
        share([r for r in gross if r.got in FAULTS], lambda r: r.right),
        share(slight, lambda r: r.got in FAULTS),
        "   -" if error is None else f"{error:.3f}",
        str(sum(r.got == "healthy" for r in good if r.truth == "stuck" and r.shows)),
        share([r for r in rows if r.poor], lambda r: not r.judged or r.right and r.truth != "healthy"),
    ]


HEAD = [
    "family",
    "healthy ok %",
    "no verdict %",
    "found %",
    "of judged %",
    "named %",
    "slight %",
    "ECE",
    "stuck=ok",
    "poor abst %",
]


def report(title: str, rows: Sequence[Row]) -> str:
    """The table, a line a family; then by kind of fault."""
    out = [title, "  ".join(f"{h:>13}" for h in HEAD)]
    for family in sorted({r.family for r in rows}):
        out.append("  ".join(f"{c:>13}" for c in (family, *line([r for r in rows if r.family == family]))))
    out.append("  ".join(f"{c:>13}" for c in ("ALL", *line(rows))))
    return "\n".join(out)


def by_kind(rows: Sequence[Row]) -> str:
    """What is said of each kind of fault that shows, at severity 0.5 and more; and the reliability table."""
    out = ["", f"{'fault':>20} {'found':>14} {'named':>14}  said"]
    gross = [r for r in rows if r.truth != "healthy" and r.shows and r.severity >= GROSS and not r.poor]
    for kind in sorted({r.kind for r in gross}):
        here = [r for r in gross if r.kind == kind]
        said = {c: sum(r.got == c for r in here) for c in (*CONDITIONS, UNKNOWN)}
        words = " ".join(f"{c}:{n}" for c, n in sorted(said.items(), key=lambda x: -x[1]) if n)
        found = share([r for r in here if r.got in FAULTS], lambda r: r.right)
        out.append(f"{kind:>20} {share(here, lambda r: r.got in FAULTS)} {found}  {words}")
    said = [r for r in rows if r.judged and not r.poor and (r.truth == "healthy" or r.shows)]
    out += ["", "confidence   cams   stated   right"]
    for b in range(BINS):
        here = [r for r in said if min(int(r.confidence * BINS), BINS - 1) == b]
        if here:
            sure, right = np.mean([r.confidence for r in here]), np.mean([r.right for r in here])
            out.append(
                f"{b / BINS:.1f} to {(b + 1) / BINS:.1f} {len(here):6d}   {100 * sure:5.1f}   {100 * right:5.1f}"
            )
    return "\n".join(out)


def scores_of(rows: Sequence[Row]) -> dict[str, float | int]:
    """The held-out scores that are stored with the table."""
    good = [r for r in rows if not r.poor]
    healthy = [r for r in good if r.truth == "healthy" and r.judged]
    gross = [r for r in good if r.truth != "healthy" and r.shows and r.severity >= GROSS]
    found = [r for r in gross if r.got in FAULTS]
    return {
        "cams": len(good),
        "healthy_judged_healthy": round(float(np.mean([r.right for r in healthy])), 3),
        "found": round(len(found) / len(gross), 3),
        "named": round(float(np.mean([r.right for r in found])), 3),
        "calibration_error": round(calibration_error(good), 3),
    }


def write_table(cams: Cams, scores: dict[str, list], rows: Sequence[Row], drives: int, seeds: str) -> None:
    """Write the table that ships: fitted on all families, calibrated on the predictions for unseen ones."""
    weights, prior = fitted(cams)
    temperature, far, slope = calibrate([s for found in scores.values() for s in found])
    held = scores_of(rows)
    families = sorted(set(cams.family))
    tested = (
        f"Tested on {held['cams']:,} simulated cams of {len(families)} kinds of engine, each kind judged by a table fitted on the "
        f"others: {100 * held['healthy_judged_healthy']:.1f} % of healthy cams called healthy, {100 * held['found']:.0f} % of plain "
        f"faults found, {100 * held['named']:.0f} % of those named rightly. Never on real cars."
    )
    raw = raw_table(cams, weights, prior)
    raw |= {"temperature": round(temperature, 2), "far_from": round(far, 2), "far_slope": slope, "tested": tested}
    head = {
        "schema": "camlog.evidence/1",
        "fitted": {
            "command": "python -m tests.bench.validity --fit",
            "drives": drives,
            "seeds": seeds,
            "families": families,
        },
        "held_out": held,
        "times_limit": [round(2.0**k, 3) for k in range(-3, 4)],
    }
    EVIDENCE.write_text(_compact(head | raw), encoding="utf-8")
    print(f"wrote {EVIDENCE.name}")


def _compact(raw: dict) -> str:
    """JSON with one line a figure, so that it reads like the table it is."""
    lines = []
    for key, value in raw.items():
        if key in ("weights", "families", "no"):
            inner = ",\n".join(f"  {json.dumps(name)}: {json.dumps(row)}" for name, row in value.items())
            lines.append(f" {json.dumps(key)}: {{\n{inner}\n }}")
        else:
            lines.append(f" {json.dumps(key)}: {json.dumps(value)}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def usable(drives: Sequence[Kept]) -> Cams:
    """The cams to fit on: healthy ones and those whose fault shows."""
    cams = cams_of(drives)
    return cams.take(
        np.array([d.truth[c].condition == "healthy" or d.truth[c].shows for d, c in cams.kept], dtype=bool)
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--drives", type=int, default=4000, help="drives fit to be judged (default 4000)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    parser.add_argument("--save", type=Path, help="keep the examined drives in this file")
    parser.add_argument("--load", type=Path, nargs="+", help="take examined drives from these files")
    parser.add_argument("--fit", action="store_true", help="write the table that ships")
    options = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    if options.load:
        drives = [d for file in options.load for d in pickle.loads(file.read_bytes())]
    else:
        drives = list(examined(jobs(options.drives, options.first_seed), options.jobs))
    if options.save:
        options.save.write_bytes(pickle.dumps(drives))
    cams = usable(drives)
    tables, scores = leave_one_out(cams, options.jobs)
    rows = judged(drives, tables)
    if any(d.rules for d in drives):
        before = [row(d, cam, *said) for d in drives for cam, said in d.rules.items()]
        print(report("The former rules on the same drives", before) + "\n")
    print(report("Each family judged by a table fitted on the others", rows))
    print(by_kind(rows))
    if options.fit:
        seeds = ", ".join(sorted({f"{d.seed // 1000 * 1000}+" for d in drives}))
        write_table(cams, scores, rows, len(drives), seeds)
    held = scores_of(rows)
    print(f"\n{len(drives)} drives; calibration error {held['calibration_error']:.3f} (target 0.03), "
          f"named {100 * held['named']:.1f} % (target 92): ratio {held['named'] / 0.92:.3f}")  # fmt: skip


if __name__ == "__main__":
    main()
