"""Does a library, and the overview of a screening, stay quick as it grows: `python -m tests.bench.library_size`.

A library of LARGE recordings against one of SMALL: adding one, and every question that the commands and the page ask.
The overview of as many in Chromium: from its address to the first rows, a search in it, a way down. Each ratio is at most 3,
the page is there in under two seconds.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from camlog.library.overview import overview_page
from camlog.library.screen import OVERVIEW, Row
from camlog.library.store import Entry, FigureValue, Library
from tests.browser_help import browser

SMALL, LARGE = 1_000, 100_000
CONDITIONS = ("healthy", "slow", "sticking", "unstable", "offset")
KINDS, DRIVES_OF_A_CAR, FIGURES, GOOD = 10, 10, 10, 10  # so that answers are as long in both
NEVER_LAST = 3  # the kind that never has the last condition
TIMES = 60


def entry(number: int) -> Entry:
    """An invented recording."""
    car = number // DRIVES_OF_A_CAR
    figures = tuple(FigureValue("intake_b1", f"figure_{i}", 1.0 + number % 7, 0.5, 9.0, 10.0) for i in range(FIGURES))
    some = len(CONDITIONS) - (car % KINDS == NEVER_LAST)
    cams = {
        "intake_b1": (CONDITIONS[(number * 2654435761 >> 16) % some], 0.9, {"healthy": 0.9}),
        "exhaust_b1": ("healthy", 0.9, {"healthy": 0.9}),
    }
    when = f"20{10 + number % 15}-{1 + number % 12:02d}-{1 + number % 28:02d}T08:00:00+00:00"
    return Entry(f"{number:064x}", f"drive-{number}.csv", f"kind {car % KINDS}", f"car {car}", when, cams=cams, figures=figures,
                 outcome=f"word{number % 500}")  # fmt: skip


def filled(path: Path, recordings: int) -> Library:
    """A library of so many, GOOD of each kind known-good."""
    library = Library(path)
    library._open.execute("PRAGMA synchronous = OFF")  # while it is filled
    for number in range(recordings):
        kept = library.add(entry(number))
        if number % DRIVES_OF_A_CAR == 0 and number < KINDS * DRIVES_OF_A_CAR * GOOD:
            library.mark_good(kept, "bench")
    library._open.execute("PRAGMA synchronous = FULL")
    return library


def took(do: Callable[[int], object]) -> float:
    """Seconds of one call, the least of TIMES: what else the computer does is not asked about."""
    spent = []
    for turn in range(TIMES):
        began = time.perf_counter()
        do(turn)
        spent.append(time.perf_counter() - began)
    return min(spent)


def asked(library: Library, recordings: int) -> dict[str, float]:
    """Seconds of each thing that is done with a library."""
    some = [f"{i:064x}" for i in range(0, recordings, recordings // 50)]
    return {
        "add": took(lambda turn: library.add(entry(10_000_000 + turn))),
        "newest 50": took(lambda _: library.recordings(most=50)),
        "a rare word": took(lambda _: library.recordings(search=f"drive-{recordings - 3}.csv", most=50)),
        "a common word": took(lambda _: library.recordings(search="healthy", most=50)),
        "two letters": took(lambda _: library.recordings(search="ar", most=50)),
        "a verdict": took(lambda _: library.recordings(condition="slow", most=50)),
        "a kind": took(lambda _: library.recordings("kind 3", most=50)),
        "known-good of a kind": took(lambda _: library.recordings("kind 3", good=True, most=50)),
        "a verdict of a kind": took(lambda _: library.recordings("kind 3", condition="slow", most=15)),
        "a verdict its kind never has": took(lambda _: library.recordings("kind 3", condition="offset", most=50)),
        "known-good of all kinds": took(lambda _: library.recordings(good=True, most=50)),
        "of a car": took(lambda _: library.recordings(vehicle="car 7", most=50)),
        "by hash": took(lambda _: library.recordings(sha256=some, most=50)),
        "kinds": took(lambda _: library.named("kind")),
        "cars": took(lambda _: library.named("vehicle", 100)),
        "known-good figures": took(lambda _: library.good_figures("kind 3")),
        "a car over time": took(lambda _: library.figures_over_time("car 7")),
    }


def looked_at(folder: Path, recordings: int) -> dict[str, float]:
    """Seconds of each thing that is done with the overview of so many recordings."""
    rows = [
        Row(f"/drives/{i // 100}/drive-{i}.csv", 1, 1.0, vehicle=f"car {i % 900}", started_at="2026-01-02", worst=CONDITIONS[i % 5],
            worst_cam="intake_b1", confidence=(i % 97) / 100, codes="P0011" * (i % 3), first_cause="phaser")
        for i in range(recordings)
    ]  # fmt: skip
    folder.mkdir()
    address = (folder / OVERVIEW).as_uri()
    (folder / OVERVIEW).write_text(overview_page(rows, folder), encoding="utf-8")
    spent: dict[str, list[float]] = {}
    with browser() as running:
        for _ in range(5):
            page = running.new_page()
            began = time.perf_counter()
            page.goto(address, wait_until="commit")
            page.wait_for_selector("html[data-ready] #rows .row", timeout=60_000)
            spent.setdefault("page shown", []).append(time.perf_counter() - began)
            for name, act in {
                "page search": "() => {const s = document.getElementById('search'); s.value = 'drive-77'; s.dispatchEvent(new Event('input'));}",
                "page sort": "() => document.querySelector('#head button[data-key=path]').click()",
                "page scroll": "() => new Promise(done => {const v = document.getElementById('rows'); v.scrollTop = v.scrollHeight;"
                " requestAnimationFrame(() => requestAnimationFrame(done));})",
            }.items():
                began = time.perf_counter()
                page.evaluate(act)
                spent.setdefault(name, []).append(time.perf_counter() - began)
            page.close()
    return {name: min(values) for name, values in spent.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", type=int, default=LARGE, help=f"recordings of the large one (default {LARGE})")
    large = parser.parse_args().large
    with tempfile.TemporaryDirectory() as place:
        folder, found = Path(place), []
        for recordings in (SMALL, large):
            with filled(folder / f"{recordings}.sqlite", recordings) as library:
                found.append(asked(library, recordings) | looked_at(folder / str(recordings), recordings))
    for name, small in found[0].items():
        print(
            f"{name:>28}  {1000 * small:8.2f} ms  {1000 * found[1][name]:8.2f} ms  ratio {found[1][name] / small:6.2f}"
        )
    worst = max(found[0], key=lambda name: found[1][name] / found[0][name])
    print(f"{large} recordings against {SMALL}: greatest ratio {found[1][worst] / found[0][worst]:.2f} ({worst}), target 3;"
          f" page shown in {found[1]['page shown']:.2f} s, target 2 s")  # fmt: skip


if __name__ == "__main__":
    main()
