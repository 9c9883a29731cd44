"""What five known-good cars of its kind add to the verdict on a car: `python -m tests.bench.known_good`.

Kinds of car are drawn from every family of the fleet: cars of one kind share parts and maps, and differ in manufacture, wear
and road. Of each kind GOOD healthy cars are the known-good ones; others, healthy or with a fault of severity 0.25, are judged
with and without them, by a table that was fitted on the other families. Both are printed: the cars on which the constants of
`camlog.library.known_good` were chosen, and fresh ones whose seed is drawn when it starts. `--save FILE` keeps the examined
drives, `--load FILE` takes them instead of driving. The project's own simulator and the textbook plants draw no kinds and serve
the fit alone.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import pickle
import secrets
from collections.abc import Iterator, Sequence
from pathlib import Path

from camlog.analysis.figures import FAULTS, FIGURES, view
from camlog.analysis.verdict.judge import judge_all
from camlog.library.known_good import ENOUGH, KnownGood
from camlog.limits import LIMITS
from tests.bench.evidence_fit import table_of
from tests.bench.fleet import FAMILIES, Case, draw, kinds
from tests.bench.fleet.case import concerned
from tests.bench.fleet.parts import chances
from tests.bench.validity import Row, calibration_error, leave_one_out, row, share, usable
from tests.bench.validity_run import Kept, examined, jobs, keep_case

CHOSEN_ON, FIT_SEED, FRESH_FROM = 960_000, 970_001, 1_000_000
GOOD, HEALTHY, FAULTY = ENOUGH, 4, 9
SEVERITY = 0.25


def cases(kinds_each: int, first_seed: int) -> list[Case]:
    """Of every family so many kinds of car; of each kind GOOD known-good cars, HEALTHY others and FAULTY with a fault each."""
    own = {name: family for name, family in FAMILIES.items() if not family.house}
    found = []
    for kind_seed in range(first_seed, first_seed + kinds_each):
        for name, family in own.items():
            for i in range(GOOD + HEALTHY + FAULTY):
                seed = 1000 * kind_seed + i
                rng = chances(name, seed, "of a kind")
                able = kinds(name)
                kind = "healthy" if i < GOOD + HEALTHY else able[rng.integers(len(able))]
                cams = concerned(rng, kind, family) if kind != "healthy" else ()
                severity = 0.0 if kind == "healthy" else SEVERITY
                found.append(dataclasses.replace(
                    draw(name, seed), kind=kind, severity=severity, cams_concerned=cams, kind_seed=kind_seed
                ))  # fmt: skip
    return found


def figures_of(drive: Kept, cam: str) -> Iterator[tuple[tuple[str, str, str, str], dict]]:
    """What the library would keep of one cam."""
    seen = view(drive.cams, cam, drive.codes)
    for figure in FIGURES:
        for m in figure.values(seen) if figure.question else ():
            e = m.estimate
            if e.value is not None and m.amount >= figure.least:
                key = cam, figure.name, m.part, "" if m.window is None else m.window.key
                yield key, {"value": e.value, "low": e.low, "high": e.high, "vehicle": "", "sha256": str(drive.seed)}


def known_good(drives: Sequence[Kept]) -> KnownGood:
    """These drives as the known-good cars of a kind."""
    rows: dict[tuple[str, str, str, str], list[dict]] = {}
    for drive in drives:
        for cam in drive.cams:
            for key, figure in figures_of(drive, cam):
                rows.setdefault(key, []).append(figure)
    return KnownGood(rows)


def judged(drives: Sequence[Kept], tables: dict[str, dict]) -> tuple[list[Row], list[Row]]:
    """Every cam of a car that is not known-good, judged without and with those that are."""
    rows: tuple[list[Row], list[Row]] = ([], [])
    size = GOOD + HEALTHY + FAULTY
    for first in range(0, len(drives), size):
        good = known_good(drives[first : first + GOOD])
        for drive in drives[first + GOOD : first + size]:
            for kept, those in zip(rows, (None, good), strict=True):
                verdicts = judge_all(drive.cams, drive.covered, LIMITS, codes=drive.codes,
                                     numbers=table_of(tables[drive.family]), known_good=those)  # fmt: skip
                kept.extend(row(drive, cam, v.condition, v.confidence) for cam, v in verdicts.items())
    return rows


def line(rows: Sequence[Row]) -> list[str]:
    """The figures of one way to judge."""
    healthy, faulty = [r for r in rows if r.truth == "healthy"], [r for r in rows if r.shows]
    return [
        share(faulty, lambda r: r.got in FAULTS),
        share(faulty, lambda r: r.got in FAULTS and r.right),
        share([r for r in faulty if r.got in FAULTS], lambda r: r.right),
        share([r for r in healthy if r.judged], lambda r: r.got == "healthy"),
        share(healthy, lambda r: r.got in FAULTS),
        share(healthy, lambda r: not r.judged),
        str(sum(r.got == "healthy" for r in faulty if r.truth == "stuck")),
        f"{calibration_error(rows):.3f}",
    ]  # fmt: skip


HEAD = [
    "",
    "found %",
    "named, all %",
    "named, found %",
    "healthy ok %",
    "false alarm %",
    "no verdict %",
    "stuck=ok",
    "ECE",
]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--kinds", type=int, default=3, help="kinds of car of each family (default 3: twice 648 drives)"
    )
    parser.add_argument("--seed", type=int, help="of the fresh kinds of car (default: drawn by chance)")
    parser.add_argument("--drives", type=int, default=450, help="drives to fit the tables on (default 450)")
    parser.add_argument("--jobs", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--save", type=Path, help="keep the examined drives in this file")
    parser.add_argument("--load", type=Path, help="take the examined drives from this file")
    options = parser.parse_args()
    os.environ["OMP_NUM_THREADS"] = "1"
    if options.load:
        groups, fit = pickle.loads(options.load.read_bytes())
    else:
        fresh = options.seed or FRESH_FROM + secrets.randbelow(10**9)
        fit = list(examined(jobs(options.drives, FIT_SEED), options.jobs))
        groups = {
            seed: list(examined(cases(options.kinds, seed), options.jobs, keep_case)) for seed in (CHOSEN_ON, fresh)
        }
    if options.save:
        options.save.write_bytes(pickle.dumps((groups, fit)))
    tables, _ = leave_one_out(usable(fit), options.jobs)
    print(f"{GOOD} known-good cars of each kind, faults of severity {SEVERITY}")
    for seed, drives in groups.items():
        rows = judged(drives, tables)
        print("chosen on these" if seed == CHOSEN_ON else "fresh", f"(seed {seed}, {len(drives)} drives)")
        for cells in (HEAD, ["without", *line(rows[0])], ["with", *line(rows[1])]):
            print("  ".join(f"{cell:>14}" for cell in cells))
        found = [sum(r.right and r.got in FAULTS for r in half if r.shows) for half in rows]
        print(f"found and named with known-good cars against without: ratio {found[1] / max(found[0], 1):.3f}")


if __name__ == "__main__":
    main()
