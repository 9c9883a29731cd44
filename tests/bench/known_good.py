"""What five known-good cars of its kind add to the verdict on a car: `python -m tests.bench.known_good`.

Kinds of car are drawn from every family of the fleet: cars of one kind share parts and maps, and differ in manufacture, wear
and road. Of each kind GOOD healthy cars are the known-good ones; others, healthy or with a fault of severity 0.25, are judged
with and without them, by a table that was fitted on the other families. Both are printed: the cars on which LOG_ODDS of
`camlog.library.known_good` was chosen, and fresh ones whose seed is drawn when it starts; of each difference the 95 % interval
over kinds of car (bootstrap). `--choose` prints log loss and false alarms of several LOG_ODDS on the first, with GOOD known-good
cars and with all healthy ones of the kind but the one judged. `--save FILE` keeps the examined drives, `--load FILE` takes them
instead of driving. The project's own simulator and the textbook plants draw no kinds and serve the fit alone.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import pickle
import secrets
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np

import camlog.library.known_good
from camlog.analysis.figures import FAULTS, FIGURES, view
from camlog.analysis.verdict.judge import Verdict, judge_all
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


def judged(drives: Sequence[Kept], tables: dict[str, dict]) -> list[tuple[list[Row], list[Row]]]:
    """Of each kind every cam of a car that is not known-good, judged without and with those that are."""
    kinds_of = []
    for group in grouped(drives):
        good = known_good(group[:GOOD])
        kinds_of.append(tuple(
            [row(drive, cam, v.condition, v.confidence) for drive in group[GOOD:] for cam, v in verdicts(drive, tables, those).items()]
            for those in (None, good)
        ))  # fmt: skip
    return kinds_of


def grouped(drives: Sequence[Kept]) -> list[Sequence[Kept]]:
    """The drives of each kind: GOOD, HEALTHY, then FAULTY."""
    size = GOOD + HEALTHY + FAULTY
    return [drives[first : first + size] for first in range(0, len(drives), size)]


def verdicts(drive: Kept, tables: dict[str, dict], good: KnownGood | None) -> dict[str, Verdict]:
    """Each cam of a drive judged by the table of the other families."""
    numbers = table_of(tables[drive.family])
    return judge_all(drive.cams, drive.covered, LIMITS, codes=drive.codes, numbers=numbers, known_good=good)


def tried(drives: Sequence[Kept], tables: dict[str, dict], values: Sequence[float]) -> Iterator[str]:
    """Of each LOG_ODDS the mean log loss of the true condition and how many healthy cams are called faulty, with GOOD known-good
    cars, and with all healthy ones of the kind but the one judged."""
    losses: dict[tuple[float, int], list[float]] = {(value, side): [] for value in values for side in (0, 1)}
    alarms = dict.fromkeys(losses, 0)
    for group in grouped(drives):
        few, healthy = known_good(group[:GOOD]), group[: GOOD + HEALTHY]
        for i, drive in enumerate(group):
            sides = few if i >= GOOD else None, known_good([d for j, d in enumerate(healthy) if j != i])
            for (value, side), kept in losses.items():
                camlog.library.known_good.LOG_ODDS = value
                for cam, v in verdicts(drive, tables, sides[side]).items() if sides[side] else ():
                    t = drive.truth[cam]
                    alarms[value, side] += t.condition == "healthy" and v.condition in FAULTS
                    if t.condition == "healthy" or t.shows:
                        kept.append(-np.log(max(sum(v.probabilities[c] for c in {t.condition, *t.also}), 1e-9)))
    for (value, side), kept in losses.items():
        cars = f"about {GOOD + HEALTHY}" if side else f"{GOOD}"
        yield f"LOG_ODDS {value:g}, {cars} known-good cars: log loss {np.mean(kept):.4f}, {alarms[value, side]} false alarms"


def rate(wanted: Callable[[Row], bool], holds: Callable[[Row], bool]) -> Callable[[Sequence[Row]], float]:
    """The share of the wanted rows for which something holds."""
    return lambda rows: float(np.mean([holds(r) for r in rows if wanted(r)] or [0.0]))


DIFFERENCES = {
    "found": rate(lambda r: r.shows, lambda r: r.got in FAULTS),
    "found and named": rate(lambda r: r.shows, lambda r: r.got in FAULTS and r.right),
    "healthy kept": rate(lambda r: r.truth == "healthy" and r.judged, lambda r: r.got == "healthy"),
    "calibration error": lambda rows: calibration_error(rows) or 0.0,
}


def differences(kinds_of: Sequence[tuple[list[Row], list[Row]]], times: int = 1000) -> Iterator[str]:
    """Of each figure with less without known-good cars, and its 95 % interval over kinds."""
    rng = np.random.default_rng(1)
    draws = [range(len(kinds_of)), *rng.integers(len(kinds_of), size=(times, len(kinds_of)))]
    for name, of in DIFFERENCES.items():
        apart = [of(sum((kinds_of[i][1] for i in d), [])) - of(sum((kinds_of[i][0] for i in d), [])) for d in draws]
        low, high = np.percentile(apart[1:], [2.5, 97.5])
        yield f"{name}: {apart[0]:+.3f} ({low:+.3f} to {high:+.3f})"


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
    parser.add_argument("--choose", type=float, nargs="+", help="print log loss and false alarms of these LOG_ODDS")
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
    if options.choose:
        print("\n".join(tried(groups[CHOSEN_ON], tables, options.choose)))
        return
    for seed, drives in groups.items():
        kinds_of = judged(drives, tables)
        rows = [sum(side, []) for side in zip(*kinds_of, strict=True)]
        print("chosen on these" if seed == CHOSEN_ON else "fresh", f"(seed {seed}, {len(drives)} drives)")
        for cells in (HEAD, ["without", *line(rows[0])], ["with", *line(rows[1])]):
            print("  ".join(f"{cell:>14}" for cell in cells))
        print("with less without, 95 % interval over kinds:", "; ".join(differences(kinds_of)))
        found = [sum(r.right and r.got in FAULTS for r in half if r.shows) for half in rows]
        print(f"found and named with known-good cars against without: ratio {found[1] / max(found[0], 1):.3f}")


if __name__ == "__main__":
    main()
