"""Damaged files through the commands: no traceback, no hang, no memory eaten, no status but the right one.

    python -m tests.bench.command_fuzz [CASES] [--seed N] [--keep FOLDER]

Nine modes in turn (`analyze`, `convert`, `compare`, `verify`, `replay`, and the files beside a trace: `profile`, `map`,
`drive`, `dashboard`), 10,000 cases by default. Each takes sound files of invented drives, damages them as a careless
copy, another program or an attacker would, and runs the command in a process that is used for many cases. Ends by
printing how many ended with a fault of camlog's own, took over 20 s of the processor, took over 1 GB, or ended with a wrong status: 0 or
2 with one clear line, and for `verify` 1 too, but never 0.
"""

from __future__ import annotations

import argparse
import contextlib
import copy
import io
import json
import multiprocessing
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

CASES, WORKERS = 10_000, 2
MOST_S, MOST_MIB = 20.0, 1024.0
# By the clock on the wall: a computer that is busy with other things too takes longer, a wait that never ends is caught.
MOST_WALL_S = 180
MODES = ("analyze", "convert", "compare", "verify", "replay", "profile", "map", "drive", "dashboard")
ROWS = 200
NASTY_CELLS = (
    "1e150", "-1e308", "1e-320", "nan", "inf", "-inf", "", " ", "0x10", "1,5", "٣", "1e99999", "true", "\x1b[31m",
    "\u202e12", '"', "'", "=1+1", "9" * 4000, "-0", "1_000", "12:30", "P0011", "NaN", "\x00", "999999999999",
)  # fmt: skip
NASTY_HEADINGS = (
    "oil_temp [rpm]", "engine_speed [degC]", "time [s]", "time [h]", "cam_intake_b1_actual []", "x [", "", "misfire_cyl1",
    "cam_intake_b1_actual [rad]", "a" * 5000, "\x1b]0;x\x07", "engine_speed [rpm]", "coolant_temp [degF]",
)  # fmt: skip
NASTY_VALUES = (
    None, True, -1, 0, 1e308, 10**400, "", "x" * 5000, "\x1b[2J\u202e", [], {}, [[]], "9999-12-31T23:59:59-14:00",
    "0001-01-01T00:00:00+14:00", "nan", [None] * 50, {"a": {"b": []}}, 1e150, -1e9, 3.5,
)  # fmt: skip
LEAPS_S = (3600.0, 604_800.0, 2.6e6, 1.58e9, 2.5e11, 9e15, 1e150)


def _nested(depth: int) -> str:
    return "[" * depth + "]" * depth


# ---------------------------------------------------------------- what is damaged


def damaged_trace(text: str, rng: random.Random) -> bytes:
    """A trace with some of what goes wrong with traces."""
    rows = [line.split(",") for line in text.splitlines()]
    head, body = rows[0], rows[1:]
    for _ in range(rng.randint(1, 3)):
        if not body:
            break
        way, column = rng.randrange(13), rng.randrange(len(head))
        start = rng.randrange(len(body))
        if way == 0:
            body[start][column % len(body[start])] = rng.choice(NASTY_CELLS)
        elif way == 1:
            head[column] = rng.choice(NASTY_HEADINGS)
        elif way in (2, 3):
            leap = rng.choice(LEAPS_S)
            for row in filter(None, body[start:]):
                row[0] = _number(row[0], lambda v, leap=leap: v + leap)
        elif way == 4:
            factor = rng.choice([0.0, 1e3, 1e6, -1.0, 60.0, 1e-9])
            for row in body:
                row[0] = _number(row[0], lambda v, factor=factor: v * factor)
        elif way == 5:
            factor = rng.choice([1e150, -1e150, 1e-300, 0.0, 1e308])
            for row in body:
                if column < len(row):
                    row[column] = _number(row[column], lambda v, factor=factor: v * factor)
        elif way == 6:
            del body[rng.choice([0, 1, 2, start]) :]
        elif way == 7:
            body[start:] = body[start : start + 1] * len(body[start:])
        elif way == 8:
            for row in body:
                del row[column : column + 1]
            del head[column]
            if not head:
                head.append("time [s]")
        elif way == 9:
            rng.shuffle(body)
        elif way == 10:
            value = rng.choice(NASTY_CELLS)
            for row in body:
                if column < len(row):
                    row[column] = value
        elif way == 11:
            body[start] = body[start] + ["1"] * rng.choice([1, 1000])
        else:
            same = rng.randrange(len(head))
            for row in body:
                if max(same, column) < len(row):
                    row[column] = row[same]
    separator, end = rng.choice([",", ",", ",", ";", "\t"]), rng.choice(["\r\n", "\n", "\r", "\n\n"])
    raw = end.join(separator.join(row) for row in [head, *body]).encode("utf-8", "replace") + end.encode()
    return damaged_bytes(raw, rng) if rng.random() < 0.25 else raw


def _number(text: str, change) -> str:
    try:
        return repr(change(float(text)))
    except (ValueError, OverflowError):
        return text


def damaged_bytes(raw: bytes, rng: random.Random) -> bytes:
    """Bytes flipped, cut, doubled, or in the middle of something else."""
    way = rng.randrange(6)
    at = rng.randrange(len(raw) + 1)
    if way == 0:
        return raw[:at]
    if way == 1:
        return raw[:at] + rng.randbytes(rng.choice([1, 8, 200])) + raw[at:]
    if way == 2:
        return raw[:at] + raw[at + rng.choice([1, 40, 4000]) :]
    if way == 3:
        return raw[at:] + raw[:at]
    if way == 4:
        return raw.decode("utf-8", "replace").encode(rng.choice(["utf-16", "latin-1", "utf-8-sig"]), "replace")
    return raw[:at] + raw[max(0, at - 300) : at] * 20 + raw[at:]


def damaged_drive(text: str, rng: random.Random) -> bytes:
    """A drive file with values of wrong kinds in it, and of right kinds out of any range."""
    content = json.loads(text)
    for _ in range(rng.randint(1, 3)):
        place, key = _somewhere(content, rng)
        place[key] = copy.deepcopy(rng.choice(NASTY_VALUES))
    raw = json.dumps(content)
    if rng.random() < 0.1:
        raw = raw.replace("null", _nested(rng.choice([30, 900, 100_000])), 1)
    return damaged_bytes(raw.encode(), rng) if rng.random() < 0.2 else raw.encode()


def _somewhere(content, rng: random.Random):
    while True:
        keys = list(content) if isinstance(content, dict) else list(range(len(content)))
        key = rng.choice(keys) if keys else None
        inner = content[key] if keys else None
        if not (isinstance(inner, (dict, list)) and inner) or rng.random() < 0.2:
            return (content, key) if keys else ({}, "x")
        content = inner


def damaged_toml(text: str, rng: random.Random) -> bytes:
    """TOML with other values, other keys, lines lost, doubled and moved."""
    lines = text.splitlines()
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(lines))
        way = rng.randrange(7)
        if way in (0, 1) and "=" in lines[at]:
            value = rng.choice(
                ['"\\u001b[31m"', "1e150", "-1", "nan", "inf", "true", "[]", "{}", "0x7fffffffffffffff", '""', "9" * 500,
                 "1979-05-27", _nested(rng.choice([5, 900])), '"' + "x" * 3000 + '"']
            )  # fmt: skip
            lines[at] = lines[at].split("=")[0] + "= " + value
        elif way == 2:
            del lines[at]
        elif way == 3:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif way == 4:
            lines[at] = lines[at].lstrip("#")
        elif way == 5:
            lines[at] = lines[at].replace("_", rng.choice(["", "-", "x"]), 1)
        else:
            lines.insert(at, rng.choice(["[[cam]]", "[limits]", "x = 1", "[[signal]]", "\x1b", '"\u202e" = 1']))
        if not lines:
            lines = [""]
    raw = "\n".join(lines).encode("utf-8", "replace") + b"\n"
    return damaged_bytes(raw, rng) if rng.random() < 0.15 else raw


# ---------------------------------------------------------------- one case


class TookTooLong(BaseException):
    """Raised inside a case that takes over MOST_WALL_S."""


def make_base(folder: Path) -> None:
    """Sound files: short stretches of sample drives with their drive files, a foreign one, profile, map, dashboard."""
    from camlog.convert import convert
    from camlog.places import dashboards_folder, sample_logs_folder
    from camlog.profile.reader import DEMO

    for name in ("sticking", "healthy", "repair-before"):
        lines = (sample_logs_folder() / f"{name}.csv").read_text().splitlines()
        (folder / f"{name}.csv").write_text("\n".join([lines[0], *lines[3000 : 3000 + ROWS]]) + "\n")
        shutil.copy(sample_logs_folder() / f"{name}.drive.json", folder)
    shutil.copy(DEMO, folder / "demo.toml")
    shutil.copy(dashboards_folder() / "test_drive.toml", folder / "dashboard.toml")
    foreign = "Time (s);Engine speed (1/min);Coolant (C);Intake cam target;Intake cam actual\n" + "".join(
        f"{i / 10:.1f};{700 + 13 * (i % 50)};{20 + i / 10:.1f};{i % 40};{i % 37}\n" for i in range(ROWS)
    )
    (folder / "foreign.csv").write_text(foreign)
    (folder / "foreign.map.toml").write_text(convert(folder / "foreign.csv", out=folder / "tried.csv").mapping_text)


def words_of(mode: str, base: Path, work: Path, rng: random.Random) -> list[str]:
    """Damage what the mode is about, put it in `work`, and give the command."""
    name = rng.choice(["sticking", "healthy", "repair-before"])
    read = lambda file: (base / file).read_text()  # noqa: E731
    trace, drive = work / "drive.csv", work / "drive.drive.json"
    whole = mode in ("profile", "map", "drive", "dashboard")
    trace.write_bytes((base / f"{name}.csv").read_bytes() if whole else damaged_trace(read(f"{name}.csv"), rng))
    if mode == "drive" or rng.random() < 0.2:
        drive.write_bytes(damaged_drive(read(f"{name}.drive.json"), rng))
    elif rng.random() < 0.6:
        shutil.copy(base / f"{name}.drive.json", drive)
    vehicle = ["--vehicle", "demo"] if rng.random() < 0.5 else []
    second = str(base / "healthy.csv")
    out = ["--out", str(work), "--force"]
    if mode == "analyze":
        return ["analyze", str(trace), *vehicle, *(["--json"] if rng.random() < 0.7 else out)]
    if mode == "convert":
        foreign = damaged_trace(read("foreign.csv").replace(",", ".").replace(";", ","), rng)
        (work / "foreign.csv").write_bytes(foreign)
        chosen = work / "foreign.csv" if rng.random() < 0.7 else trace
        return ["convert", str(chosen), "--out", str(work / "made.csv"), "--force"]
    if mode == "compare":
        pair = [str(trace), second] if rng.random() < 0.5 else [second, str(trace)]
        return ["compare", *pair, *vehicle, *out]
    if mode == "verify":
        pair = [str(trace), "--before", second] if rng.random() < 0.5 else [second, "--before", str(trace)]
        return ["verify", *pair, *vehicle, *(["--json"] if rng.random() < 0.7 else out)]
    if mode == "replay":
        piece = ["--start", rng.choice(["0", "1", "200", "1e9"])] if rng.random() < 0.4 else []
        saved = ["--out", str(work / "again.csv"), "--force"] if rng.random() < 0.6 else []
        return ["replay", str(trace), "--speed", "max", *piece, *saved]
    if mode == "profile":
        (work / "own.toml").write_bytes(damaged_toml(read("demo.toml"), rng))
        use = rng.random() < 0.3
        return ["analyze", str(trace), "--json", "--vehicle", str(work / "own.toml")] if use else ["vehicle", "check", str(work / "own.toml")]  # fmt: skip
    if mode == "map":
        (work / "own.map.toml").write_bytes(damaged_toml(read("foreign.map.toml"), rng))
        return ["convert", str(base / "foreign.csv"), "--map", str(work / "own.map.toml"), "--out", str(work / "made.csv"), "--force"]  # fmt: skip
    if mode == "drive":
        first = rng.random()
        if first < 0.4:
            return ["replay", str(trace), "--speed", "max", "--out", str(work / "again.csv"), "--force"]
        if first < 0.7:
            return ["verify", second, "--before", str(drive if rng.random() < 0.5 else trace), "--json"]
        return ["analyze", str(trace), "--json"]
    (work / "own.toml").write_bytes(damaged_toml(read("dashboard.toml"), rng))
    return ["analyze", str(trace), "--dashboard", str(work / "own.toml"), *out]


def one(task: tuple[int, str, Path, Path | None]) -> tuple[str, str, str, float]:
    """Run one case: its mode, what went wrong (empty: nothing), the words about it, and its seconds."""
    seed, mode, base, keep = task
    from camlog.cli import main

    rng = random.Random(seed)
    work = Path(tempfile.mkdtemp(prefix="camlog-fuzz-"))
    words = words_of(mode, base, work, rng)
    out, err = io.StringIO(), io.StringIO()
    _forget_peak()
    status: object = None
    began = time.process_time()
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(MOST_WALL_S)
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main(words)
    except SystemExit as end:
        status = end.code
    except BaseException as error:  # noqa: BLE001  nothing may come through
        status = f"{type(error).__name__}: {error}"[:200]
    signal.alarm(0)
    took = time.process_time() - began
    lines = err.getvalue().splitlines()
    wrong = ""
    if took > MOST_S or "TookTooLong" in err.getvalue():
        wrong = "over 20 s"
    elif (
        "unforeseen fault" in err.getvalue()
        or "Traceback" in err.getvalue() + out.getvalue()
        or isinstance(status, str)
    ):
        wrong = "traceback"
    elif _peak_mib() > MOST_MIB or "not enough memory" in err.getvalue():
        wrong = "over 1 GB"
    elif status not in ((1, 2) if words[0] == "verify" else (0, 2)):
        wrong = "wrong status"
    elif status == 2 and not (lines and lines[-1].startswith("camlog: ") and len(lines[-1]) > 20):
        wrong = "wrong status"
    elif [c for c in "\x1b\x07\u202e\x00" if c in out.getvalue() + err.getvalue()]:
        wrong = "wrong status"
    said = f"seed {seed} status {status} {took:.1f} s {_peak_mib():.0f} MiB: {lines[-1][:300] if lines else ''}"
    if wrong and keep is not None:
        shutil.copytree(work, keep / f"{mode}-{seed}", dirs_exist_ok=True)
        (keep / f"{mode}-{seed}" / "words.txt").write_text(f"{words}\n{said}\n")
    shutil.rmtree(work, ignore_errors=True)
    return mode, wrong, said, took


def _too_long(*_) -> None:
    raise TookTooLong("over the time a case may take")


def _forget_peak() -> None:
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _peak_mib() -> float:
    with contextlib.suppress(OSError, StopIteration):
        return int(next(x for x in open("/proc/self/status") if x.startswith("VmHWM")).split()[1]) / 1024.0
    return 0.0


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("cases", type=int, nargs="?", default=CASES)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path, default=None)
    parser.add_argument("--workers", type=int, default=WORKERS)
    asked = parser.parse_args()
    import camlog.analysis
    import camlog.report.document  # noqa: F401  imported once, before the processes part

    folder = Path(tempfile.mkdtemp(prefix="camlog-fuzz-base-"))
    tempfile.tempdir = str(folder)  # details of faults are looked at here, not left behind
    make_base(folder)
    tasks = [(asked.seed * 1_000_000 + n, MODES[n % len(MODES)], folder, asked.keep) for n in range(asked.cases)]
    tried, wrong, slowest, worked = Counter(), Counter(), Counter(), Counter()
    with multiprocessing.get_context("fork").Pool(asked.workers, maxtasksperchild=400) as pool:
        for mode, fault, said, took in pool.imap_unordered(one, tasks, chunksize=4):
            tried[mode] += 1
            worked[mode] += " status 2 " not in said
            slowest[mode] = max(slowest[mode], took)
            if fault:
                wrong[fault] += 1
                print(f"{mode}: {fault}: {said}", flush=True)
    shutil.rmtree(folder, ignore_errors=True)
    print("cases, of which the command could do its work, and the slowest:")
    print("  " + ", ".join(f"{m} {tried[m]} ({worked[m]}, {slowest[m]:.1f} s)" for m in MODES))
    print(
        f"{sum(tried.values())} cases: tracebacks {wrong['traceback']}, over 20 s {wrong['over 20 s']}, "
        f"over 1 GB {wrong['over 1 GB']}, wrong status {wrong['wrong status']}"
    )
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
