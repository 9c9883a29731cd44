"""Drives written as other loggers would: headings in several languages, units, signs, degrees, clocks and dialects drawn
by lot; and whether what is read back is what was written. Words and values are invented; factors NIST SP 811 (from memory).
"""

from __future__ import annotations

import random
from dataclasses import dataclass

import numpy as np

from camlog.convert import Conversion
from camlog.trace import Trace

_PSI = 6.894757293168361
_US = ("mph", "°F", "degF", "psi")
# signal: unit as written -> what makes camlog's unit of it (factor, offset)
_UNITS = {
    "engine_speed": {"rpm": (1, 0), "1/min": (1, 0), "U/min": (1, 0)},
    "vehicle_speed": {"km/h": (1, 0), "mph": (1.609344, 0)},
    "coolant_temp": {"°C": (1, 0), "degC": (1, 0), "°F": (5 / 9, -160 / 9)},
    "oil_temp": {"°C": (1, 0), "degF": (5 / 9, -160 / 9)},
    "oil_pressure": {"kPa": (1, 0), "bar": (100, 0), "psi": (_PSI, 0)},
    "engine_load": {"%": (1, 0), "per": (1, 0)},
    "angle": {"°CA": (1, 0), "°crank": (1, 0), "°cam": (2, 0), "deg": (1, 0), "": (1, 0)},
}  # fmt: skip
_HEADINGS = {
    "en": {
        "time": "Time", "engine_speed": "Engine speed", "vehicle_speed": "Vehicle speed", "coolant_temp": "Coolant temp",
        "oil_temp": "Oil temperature", "oil_pressure": "Oil pressure", "engine_load": "Calculated load",
        "intake": "Intake cam", "exhaust": "Exhaust cam", "commanded": "target", "actual": "actual", "retard": "retard",
        "advance": "advance", "bank": "bank",
    },
    "lab": {
        "time": "time", "engine_speed": "Engine_Speed_PCM", "vehicle_speed": "Vehicle_Speed_CAN",
        "coolant_temp": "Coolant_Temp_Engine_PCM", "oil_temp": "Oil_Temp_Engine_PCM", "oil_pressure": "Oil_Press_Engine_PCM",
        "engine_load": "Engine_Load_PCM", "intake": "Cam_Intake", "exhaust": "Cam_Exhaust", "commanded": "Desired",
        "actual": "Actual", "retard": "Retard", "advance": "Advance", "bank": "Bank",
    },
    "de": {
        "time": "Zeit", "engine_speed": "Motordrehzahl", "vehicle_speed": "Fahrgeschwindigkeit",
        "coolant_temp": "Kühlmitteltemperatur", "oil_temp": "Öltemperatur", "oil_pressure": "Öldruck",
        "engine_load": "Motorlast", "intake": "Nockenwelle Einlass", "exhaust": "Nockenwelle Auslass",
        "commanded": "Soll", "actual": "Ist", "retard": "spät", "advance": "früh", "bank": "Bank",
    },
    "fr": {
        "time": "Temps", "engine_speed": "Régime moteur", "vehicle_speed": "Vitesse véhicule",
        "coolant_temp": "Température eau", "oil_temp": "Température huile", "oil_pressure": "Pression huile",
        "engine_load": "Charge calculée", "intake": "Arbre à cames admission", "exhaust": "Arbre à cames échappement",
        "commanded": "consigne", "actual": "mesuré", "retard": "retard", "advance": "avance", "bank": "bank",
    },
}  # fmt: skip
_CAMS = ("intake_b1", "exhaust_b1", "intake_b2")


@dataclass(frozen=True)
class Written:
    """A foreign file's bytes, and the drive in it: signal -> (times in s, values in camlog's unit, how far a written
    value may be from it by rounding)."""

    content: bytes
    truth: dict[str, tuple[np.ndarray, np.ndarray, float]]


def a_drive(rng: random.Random) -> dict[str, np.ndarray]:
    """A short drive with up to three cams, all signals at the same moments; `time` among them."""
    n, dt = rng.randint(20, 90), rng.choice([0.05, 0.1, 0.25, 1.0])
    noise = np.random.default_rng(rng.randrange(2**32))
    drive = {"time": np.round(np.arange(n) * dt, 3)}
    drive["engine_speed"] = np.round(1800 + 900 * np.sin(np.arange(n) / 7) + noise.normal(0, 20, n))
    for name, low, high, decimals in (
        ("vehicle_speed", 0, 120, 0), ("coolant_temp", 78, 95, 0), ("oil_temp", 60, 105, 1), ("oil_pressure", 120, 450, 0),
        ("engine_load", 12, 80, 1),
    ):  # fmt: skip
        if rng.random() < 0.6:
            drive[name] = np.round(
                np.clip(low + (high - low) * np.abs(np.sin(np.arange(n) / 9 + rng.random())), low, high),
                decimals,
            )
    for cam in rng.sample(_CAMS, rng.randint(0, 3)):
        way = -1.0 if cam.startswith("exhaust") else 1.0
        commanded = np.repeat(noise.integers(0, 5, n // 6 + 1) * 10.0, 6)[:n]
        drive[f"cam_{cam}_commanded"] = way * commanded
        late = np.concatenate([[commanded[0]], commanded[:-1]])
        drive[f"cam_{cam}_actual"] = way * np.round(
            np.clip(0.7 * late + 0.3 * commanded + noise.normal(0, 0.3, n), 0, None), 1
        )
    return drive


def written(drive: dict[str, np.ndarray], rng: random.Random) -> Written:
    """The drive as some logger would write it."""
    language = rng.choice(list(_HEADINGS))
    decimal = rng.choice([".", ","])
    separator = rng.choice([";", "\t", "|"] if decimal == "," else [",", ";", "\t", "|"])
    places = rng.choice(["brackets", "parentheses", "row", "none"])
    signs = {side: rng.choice(["advance", "retard", ""]) for side in ("intake", "exhaust")}
    american = rng.random() < 0.4  # one logger has one system of units
    angle_unit = rng.choice(list(_UNITS["angle"]))
    headings, units, cells, truth = [], [], [], {}
    for name, values in drive.items():
        if name == "time":
            continue
        heading, unit, (factor, offset), way = _column(name, language, signs, angle_unit, american, rng)
        decimals = rng.choice([2, 3])
        raw = (values * way - offset) / factor
        headings.append(heading)
        units.append(unit)
        cells.append([f"{v:.{decimals}f}" for v in raw])
        truth[name] = (drive["time"], values, 0.51 * 10.0**-decimals * factor + 1e-9)
    time_unit = rng.choice(["s", "ms", "clock"])
    times = [_time(t, time_unit) for t in drive["time"].tolist()]
    time_heading = _HEADINGS[language]["time"]
    shown = "" if time_unit == "clock" else time_unit
    layout = rng.choice(["wide", "wide", "clocks", "long"])
    if layout == "clocks":
        rows = _own_clocks(headings, units, cells, times, time_heading, shown, drive, truth, rng)
    elif layout == "long":
        value, signal, unit = {"de": ("Wert", "Signal", "Einheit"), "fr": ("Valeur", "Signal", "Unité")}.get(
            language, ("Value", "Signal", "Unit")
        )
        rows = (
            ([time_heading, signal, value, unit], [shown, "", "", ""]),
            [[t, headings[j], cells[j][i], units[j]] for i, t in enumerate(times) for j in range(len(headings))],
        )
    else:
        rows = (
            ([time_heading, *headings], [shown, *units]),
            [list(r) for r in zip(times, *cells, strict=True)],
        )
    return Written(_text(rows, layout, places, decimal, separator, rng), truth)


def _column(name, language, signs, angle_unit, american, rng) -> tuple[str, str, tuple[float, float], float]:
    """Heading, unit, what makes camlog's unit of it, and the sign it is written with."""
    words = _HEADINGS[language]
    if not name.startswith("cam_"):
        units = [u for u in _UNITS[name] if (u in _US) == american] or list(_UNITS[name])
        unit = rng.choice(units)
        return words[name], unit, _UNITS[name][unit], 1.0
    _, side, bank, role = name.split("_")
    said = f"{words[side]} {words.get(signs[side], '')} {words[role]} {words['bank']} {bank[1:]}"
    way = -1.0 if signs[side] == "retard" else 1.0
    return " ".join(said.split()), angle_unit, _UNITS["angle"][angle_unit], way


def _time(seconds: float, unit: str) -> str:
    if unit == "clock":
        ms = round((seconds + 36000) * 1000)
        return f"{ms // 3600000:02d}:{ms // 60000 % 60:02d}:{ms // 1000 % 60:02d}.{ms % 1000:03d}"
    return f"{seconds:.3f}" if unit == "s" else f"{seconds * 1000:.0f}"


def _own_clocks(headings, units, cells, times, time_heading, shown, drive, truth, rng):
    """A time before every channel; some channels only every second or third moment."""
    head, unit_row, columns = [], [], []
    names = [n for n in drive if n != "time"]
    for name, heading, unit, column in zip(names, headings, units, cells, strict=True):
        every = rng.choice([1, 1, 2, 3])
        head += [time_heading, heading]
        unit_row += [shown, unit]
        columns += [times[::every], column[::every]]
        t, v, near = truth[name]
        truth[name] = (t[::every], v[::every], near)
    length = max(map(len, columns))
    rows = [[c[i] if i < len(c) else "" for c in columns] for i in range(length)]
    return (head, unit_row), rows


def _text(table, layout, places, decimal, separator, rng) -> bytes:
    (headings, units), rows = table
    if layout == "long":
        units = [units[0], *[""] * (len(units) - 1)]
    if places in ("brackets", "parentheses") or (layout == "long" and places == "row"):
        marks = "[]" if places == "brackets" else "()"
        headings = [f"{h} {marks[0]}{u}{marks[1]}" if u else h for h, u in zip(headings, units, strict=True)]
    lines = [*rng.choice([[], ["Log of a drive", ""], ["# a recording"]]), separator.join(headings)]
    if places == "row" and layout != "long":
        lines.append(separator.join(units))

    def number(cell: str) -> str:
        return cell.replace(".", decimal) if cell[:1] in "-0123456789" and ":" not in cell else cell

    lines += [
        separator.join(c if layout == "long" and j in (1, 3) else number(c) for j, c in enumerate(row)) for row in rows
    ]
    end = rng.choice(["\n", "\r\n"])
    return (end.join(lines) + end).encode(rng.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))


def wrong_values(done: Conversion, trace: Trace, file: Written) -> list[str]:
    """What was taken for a signal and is not what was written, a sentence each."""
    wrong = []
    start = min(t[0] for t, _, _ in file.truth.values())
    for column in done.columns:
        if not column.certain or column.signal in ("", "time"):
            continue
        times, values = trace.samples(column.signal)
        if column.signal not in file.truth:
            wrong.append(f"{column.name!r} became {column.signal}, which the drive does not have")
            continue
        t, v, near = file.truth[column.signal]
        at = np.clip(np.searchsorted(t - start, times - 5e-4), 0, len(t) - 1)
        far = (np.abs(t[at] - start - times) > 1.1e-3) | (np.abs(v[at] - values) > near + 1e-6 * np.abs(v[at]))
        if far.any():
            i = int(np.flatnonzero(far)[0])
            wrong.append(
                f"{column.name!r} as {column.signal}: {values[i]:g} at {times[i]:g} s, not {v[at[i]]:g} at {t[at[i]] - start:g} s"
            )
    return wrong
