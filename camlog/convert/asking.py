"""Asks a person about doubts: one question at a time, or by a prepared mapping file beside the foreign file."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from camlog.cams import CAM_IDS, actual, cam_of, cam_words, commanded
from camlog.convert.clocks import Clock, Timing
from camlog.convert.layout import Layout, SourceColumn
from camlog.convert.mapping import DEVIATIONS, SHAFTS, SIGNS, ColumnRule, Mapping
from camlog.convert.model import Ask, ColumnLook, ColumnMatch, Question
from camlog.convert.ranges import possible_units
from camlog.convert.words import SECONDS_IN, say
from camlog.errors import InputError
from camlog.messages import capital, text_template
from camlog.new_files import write_text
from camlog.signals import SIGNALS


def default_out(path: Path) -> Path:
    """The default path of a converted file: `NAME.camlog.csv` beside it."""
    name = path.name
    for ending in (".gz", ".zip"):
        if name.lower().endswith(ending) and len(name) > len(ending):
            name = name[: -len(ending)]
    stem = name.rsplit(".", 1)[0] if "." in name[1:] else name
    return path.parent / (stem + ".camlog.csv")  # a folder may have no name: `.`, `/`


def mapping_path(path: Path) -> Path:
    """The path of the prepared mapping file of a foreign file: `NAME.map.toml` beside it."""
    return default_out(path).with_name(default_out(path).name.removesuffix(".camlog.csv") + ".map.toml")


def offer_mapping(path: Path, text: str, *, elsewhere: bool = True) -> tuple[Path | None, bool]:
    """Write the prepared mapping file beside the foreign file unless it exists; with `elsewhere`, in the current folder
    if the first cannot be written. Returns its path (None: not written), and whether it is new."""
    beside = mapping_path(path)
    for target in (beside, Path(beside.name))[: 1 + elsewhere]:
        try:
            write_text(text, target, replace=False)
            return target, True
        except InputError:
            return target, False
        except OSError:
            continue
    return None, False


def ask_for_mapping(error: InputError, path: Path, text: str) -> InputError:
    """The same error, with the mapping file to which `text` was written named in its remedy."""
    target, new = offer_mapping(path, text)
    name = "map_by_hand" if target is None else "map_ready" if new else "map_there"
    remedy = error.remedy + say(name, path=shlex.quote(str(target)))
    return InputError(error.what, file=path, remedy=remedy, on_page=say("map_on_page"))


def mapping_text(
    name: str, layout: Layout, timing: Timing | None, clock: Clock | None, columns: Sequence[ColumnMatch],
    offered: SourceColumn | None = None,
) -> str:  # fmt: skip
    """The text of a mapping file for the file `name`. Doubts are comments, so the unedited file answers nothing."""
    time = offered or next((c for c in layout.columns if timing and c.index in timing.columns[-1:]), None)
    filters = {"plain": _plain, "quoted": quoted, "other_angles": other_angles, "possible_units": possible_units}
    return text_template(__package__, "mapping.toml.j2", **filters).render(
        name=name, timing=timing, clock=clock, columns=columns,
        time_column=time and (quoted(time.heading) if time.heading else str(time.index + 1)),
        doubts={d for c in columns if c.doubtful for d in c.doubts},
    )  # fmt: skip


def quoted(text: str) -> str:
    """A TOML string of any text; lone surrogates, which UTF-8 cannot encode, become question marks."""
    whole = text.encode("utf-8", "replace").decode()
    escaped = (f"\\u{ord(c):04x}" if c < " " or c == "\x7f" else "\\" + c if c in '"\\' else c for c in whole)
    return '"' + "".join(escaped) + '"'


def other_angles(signal: str) -> list[str]:
    """The other cam angles that a column could be; empty if it is no cam angle."""
    angles = [s for cam in CAM_IDS for s in (commanded(cam), actual(cam))]
    return [s for s in angles if s != signal] if signal in angles else []


def _plain(text: str) -> str:
    """Text for a TOML comment: one line without forbidden characters."""
    return "".join(c if c.isprintable() else " " for c in str(text))


_TRIES = 3
_NONE_OF_THESE = "-"
_ANSWERS = {"angle": SHAFTS, "positive": SIGNS, "deviation": (*DEVIATIONS, _NONE_OF_THESE)}
Matches = tuple[ColumnMatch, ...]
Look = Callable[[ColumnMatch, Matches], ColumnLook | None]


def settle(matches: Matches, mapping: Mapping, rematch: Callable[[Mapping], Matches], ask: Ask, look: Look) -> Matches:
    """Ask about every doubt; unanswered ones stay in doubt. `rematch` returns the matches for other rules, `look` the
    values of a column in words."""
    asked: set[tuple[object, str]] = set()
    left_open: set[int] = set()  # columns of which nobody said what they are: nothing more is asked about them
    looks: dict[int, ColumnLook | None] = {}
    while True:
        waiting: dict[tuple[object, str], tuple[ColumnMatch, str]] = {}
        for match in filter(lambda m: m.doubtful and m.index not in left_open, matches):
            for about in match.doubts:
                if (_whose(match, about), about) not in asked:
                    waiting.setdefault((_whose(match, about), about), (match, about))
        if not waiting:
            return matches
        questions = []
        for place, (match, about) in enumerate(waiting.values(), start=len(asked) + 1):
            question = _question(match, about, _taken(matches, mapping, match))
            if match.index not in looks:
                looks[match.index] = look(match, matches)
            questions.append(replace(question, look=looks[match.index], place=place, of=len(asked) + len(waiting)))
        key, (match, about) = next(iter(waiting.items()))
        asked.add(key)
        answer = _answered(replace(questions[0], waiting=tuple(questions)), ask)
        if answer is None and about == "signal":
            left_open.add(match.index)
        if answer is not None:
            mapping = _with_answer(mapping, match, about, answer)
            matches = rematch(mapping)


def _whose(match: ColumnMatch, about: str) -> object:
    """The subject of a doubt: the file (its degrees), a cam (its sign), or one column."""
    if about in ("angle", "positive") and getattr(match, about) is None:
        return None if about == "angle" else cam_of(match.signal)
    return match.index  # a doubt about a heading concerns that column only


def _taken(matches: Matches, mapping: Mapping, asked: ColumnMatch) -> set[str]:
    """The signals of other columns that are certain or were answered; two columns never have the same signal."""
    others = [(m, mapping.rule(m.name, m.index)) for m in matches if m.index != asked.index and m.signal]
    return {m.signal for m, rule in others if m.certain or (rule is not None and rule.signal == m.signal)}


def _question(match: ColumnMatch, about: str, taken: set[str]) -> Question:
    name, cam = repr(match.label), cam_of(match.signal)
    why = say("why", reason=capital(match.reason))
    text = say(f"ask_{about}", name=name, title=SIGNALS[match.signal].title, cam=cam and cam_words(cam))
    choices: list[tuple[str, str]] = []
    suggestion, heading = "", match.label
    if about == "signal":
        likely = [match.signal, *other_angles(match.signal)]
        choices = [(s, SIGNALS[s].title) for s in likely if s not in taken]
        suggestion = match.signal if match.signal not in taken else ""
        choices.append((_NONE_OF_THESE, say("choices.signal.none")))
    elif about == "unit":
        choices, suggestion = [(u, "") for u in possible_units(match.signal)], match.unit
    elif about in _ANSWERS:
        choices = [(a, say(f"choices.{about}.{a}")) for a in _ANSWERS[about]]
        if _whose(match, about) is None:
            heading, why = "", ""
        elif about == "angle":
            text = say("ask_angle_of", name=name)
    elif about == "rest_deg":
        why = ""
    low, high = match.low or 0.0, match.high or 0.0
    means = say(f"means_{about}", title=SIGNALS[match.signal].title, low=low, high=high, low2=2 * low, high2=2 * high,
                back=-high, front=-low)  # fmt: skip
    return Question(about, heading, text, tuple(choices), suggestion, why, means)


def _answered(question: Question, ask: Ask) -> str | None:
    for _ in range(_TRIES):
        answer = (ask(question) or "").strip()
        if not answer:
            return None
        if answer in [value for value, _ in question.choices] or (not question.choices and numbers_in(answer)):
            return answer
    return None


def numbers_in(text: str) -> tuple[float, ...]:
    """One or two finite numbers; empty if the text is anything else."""
    try:
        found = tuple(float(part) for part in text.split())
    except ValueError:
        return ()
    return found if len(found) <= 2 and all(map(math.isfinite, found)) else ()


def _with_answer(mapping: Mapping, match: ColumnMatch, about: str, answer: str) -> Mapping:
    rule_keys: dict = {about: answer}
    if _whose(match, about) is None:
        return replace(mapping, angles=replace(mapping.angles, **rule_keys))
    if about == "signal" or answer == _NONE_OF_THESE:
        rule_keys = {"signal": "" if answer == _NONE_OF_THESE else answer, "deviation": None}
    elif about == "rest_deg":
        rule_keys = {about: numbers_in(answer)[0]}
    elif about == "factor":
        factor, offset = (*numbers_in(answer), 0.0)[:2]
        rule_keys = {"factor": factor or 1.0, "offset": offset}
    known = {} if about in ("positive", "angle") else {"signal": match.signal}
    rule = mapping.rule(match.name, match.index) or ColumnRule()
    new: dict = {"heading": None, "number": match.index + 1, **known, **rule_keys}
    return replace(mapping, column=(*mapping.column, replace(rule, **new)))


def ask_time_unit(reason: str, ask: Ask) -> str | None:
    """Ask for the unit of a time column; None without an answer."""
    choices = tuple((u, "") for u in SECONDS_IN)
    return _answered(Question("time_unit", "", say("ask_time_unit", reason=reason), choices), ask)


def ask_time_column(name: str, ask: Ask) -> bool:
    """Ask whether a column that increases by one per row counts the seconds; True if the answer is yes."""
    choices = tuple((a, say(f"choices.time_column.{a}")) for a in ("seconds", "rows"))
    question = Question("time_column", name, say("ask_time_column", name=repr(name)), choices)
    return _answered(question, ask) == "seconds"


def ask_rate(ask: Ask) -> float | None:
    """Ask for the rows per second of a table without a time; None without an answer."""
    rate = numbers_in(_answered(Question("rate_hz", "", say("ask_rate")), ask) or "")
    return rate[0] if rate and rate[0] > 0 else None
