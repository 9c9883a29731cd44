"""Foreign traces converted for the page: each in a thread, which waits at a question until somebody answers it."""

from __future__ import annotations

import itertools
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from camlog.cams import is_angle
from camlog.convert import Conversion, Question, convert, default_out, mapping_path, offer_mapping
from camlog.errors import InputError
from camlog.serve.folder import Folder
from camlog.serve.names import fault, kind_of, told
from camlog.signals import SIGNALS

WORKING, ASKING, DONE, FAILED, CANCELLED = "working", "asking", "done", "failed", "cancelled"
AT_ONCE = 3
KEPT = 20
UNANSWERED_S = 3600.0  # a page that was closed at a question
_END_S = 5.0


@dataclass(frozen=True, slots=True)
class ConversionLook:
    """A conversion at one moment. `question` is what is asked while `state` is `asking`, `question_number` counts from 1,
    `earlier` is what was answered to it when this file was converted before (None: nothing).

    `result`, once done: `trace` (file name), `rows`, `notes`, `mapping` (file name or None), `cam_angles` (whether the
    phaser can be judged), and `columns`: dicts of `heading`, `kind` (`signal`, `doubtful`, `own`, `left_out`),
    `signal`, `title`, `unit`, `written_as`, `reason`.
    """

    id: str
    name: str
    state: str
    share: float = 0.0
    question: Question | None = None
    question_number: int = 0
    earlier: str | None = None
    result: dict[str, Any] | None = None
    error: str = ""


class _Cancelled(BaseException):
    """Nobody wants it any more; not an Exception, so that nothing on the way takes it for a fault of the file."""


class _Conversion:
    """One conversion and its thread."""

    def __init__(self, id_: str, path: Path, mapping: Path | None, again: bool, answers: dict[tuple[str, str], str]):
        self.id, self.path, self.mapping, self.again = id_, path, mapping, again
        self._answers = answers  # of this file, kept from one conversion to the next
        self.state, self.share, self.error = WORKING, 0.0, ""
        self.question: Question | None = None
        self.number = 0
        self.result: dict[str, Any] | None = None
        self._answer: str | None = None
        self._cancelled = False
        self._changed = threading.Condition()
        self.thread = threading.Thread(target=self._work, name=f"convert {path.name[:40]}", daemon=True)
        self.thread.start()

    @property
    def over(self) -> bool:
        return self.state in (DONE, FAILED, CANCELLED)

    def look(self) -> ConversionLook:
        with self._changed:
            return ConversionLook(
                self.id,
                self.path.name,
                self.state,
                self.share,
                self.question,
                self.number,
                None if self.question is None else self._answers.get(_about(self.question)),
                self.result,
                self.error,
            )

    def answer(self, number: int, answer: str | None) -> None:
        with self._changed:
            if self.state != ASKING or number != self.number:
                return  # answered already, by a second click or on another page
            if answer is None:
                self._answers.pop(_about(self.question), None)
            else:
                self._answers[_about(self.question)] = answer
            self._answer, self.question, self.state = answer, None, WORKING
            self._changed.notify_all()

    def cancel(self) -> None:
        with self._changed:
            self._cancelled = True
            self._changed.notify_all()

    # ------------------------------------------------------------------ the thread
    def _work(self) -> None:
        try:
            found = convert(
                self.path, mapping=self.mapping, ask=self._ask, progress=self._progress, force=self.again
            )
            state, result, error = DONE, told_of(self.path, found), ""
        except _Cancelled:
            state, result, error = CANCELLED, None, ""
        except InputError as wrong:
            state, result, error = FAILED, None, told(wrong)
        except Exception as wrong:  # noqa: BLE001 - told to a person instead of a terminal nobody looks at
            state, result, error = FAILED, None, fault(wrong)
        with self._changed:
            self.question = None
            self.state, self.result, self.error = state, result, error

    def _progress(self, share: float) -> None:
        if self._cancelled:
            raise _Cancelled
        self.share = min(1.0, max(self.share, share))

    def _ask(self, question: Question) -> str | None:
        until_s = time.monotonic() + UNANSWERED_S
        with self._changed:
            self.question, self.state, self._answer = question, ASKING, None
            self.number += 1
            while self.state == ASKING and not self._cancelled:
                if (
                    not self._changed.wait(max(0.0, until_s - time.monotonic()))
                    and time.monotonic() >= until_s
                ):
                    self._cancelled = True
            if self._cancelled:
                raise _Cancelled
            return self._answer


def _about(question: Question) -> tuple[str, str]:
    return question.about, question.heading


class Conversions:
    """Conversions of a folder's foreign traces. Methods may be called from any thread."""

    def __init__(self, folder: Folder):
        self._folder = folder
        self._lock = threading.Lock()
        self._numbers = itertools.count(1)
        self._all: OrderedDict[str, _Conversion] = OrderedDict()
        self._answers: dict[str, dict[tuple[str, str], str]] = {}
        self._closed = False

    def start(self, name: str, again: bool = False) -> str:
        """Convert a file of the folder; gives the id, that of the running one where there is one of this file.

        `NAME.map.toml` is used where it is there. Raises InputError for a file that is not there or no trace, where it
        was converted already without `again`, where another file is just becoming the same recording, and where too many
        run.
        """
        path = self._trace(name)
        target = self._folder.path(default_out(path).name)
        mapping = self._mapping(path)
        with self._lock:
            if self._closed:
                raise InputError("the server is ending", remedy="Start it again.")
            running = [one for one in self._all.values() if not one.over]
            for one in running:
                if one.path == path:
                    return one.id
                if default_out(one.path) == default_out(path):
                    raise InputError(
                        f"{one.path.name} is just becoming the same recording", file=name,
                        remedy="Finish or cancel that first, or rename one of the two files.",
                    )  # fmt: skip
            if target.exists() and not again:
                raise InputError(
                    "was converted already",
                    file=name,
                    remedy=f"Its recording is {target.name}; or convert it again.",
                )
            if len(running) >= AT_ONCE:
                raise InputError(
                    "other files are being converted", remedy="Answer their questions or cancel them first."
                )
            id_ = f"convert-{next(self._numbers)}"
            self._all[id_] = _Conversion(id_, path, mapping, again, self._answers.setdefault(path.name, {}))
            over = [i for i, one in self._all.items() if one.over]
            for old in over[: max(0, len(over) - KEPT)]:
                del self._all[old]
        return id_

    def running(self, name: str) -> str | None:
        """Id of the conversion of this file that is going on."""
        with self._lock:
            return next((i for i, one in self._all.items() if not one.over and one.path.name == name), None)

    def look(self, id: str | None) -> ConversionLook | None:
        """The conversion; None where there is none of that id, or it was long ago."""
        with self._lock:
            one = self._all.get(id)
        return None if one is None else one.look()

    def answer(self, id: str, question_number: int, answer: str | None) -> None:
        """Answer the question of that number (None: leave it open); an answer to another one is not heard."""
        with self._lock:
            one = self._all.get(id)
        if one is not None:
            one.answer(question_number, answer)

    def cancel(self, id: str) -> None:
        """Give a conversion up; nothing of it stays."""
        with self._lock:
            one = self._all.get(id)
        if one is not None:
            one.cancel()

    def close(self) -> None:
        """Give all of them up; no more are begun."""
        with self._lock:
            self._closed = True
            all_ = list(self._all.values())
        for one in all_:
            one.cancel()
        for one in all_:
            one.thread.join(timeout=_END_S)

    def converted(self, name: str) -> str | None:
        """Name of the trace a foreign file was converted to, if it is there."""
        target = default_out(self._trace(name))
        return target.name if self._folder.path(target.name).exists() else None

    def mapping(self, name: str) -> str | None:
        """Name of the mapping file that is there for a foreign file."""
        found = self._mapping(self._trace(name))
        return None if found is None else found.name

    def _trace(self, name: str) -> Path:
        path = self._folder.existing(name)
        if kind_of(name) != "trace":
            raise InputError("is not a recording", file=name, remedy="Choose one in the list of recordings.")
        return path

    def _mapping(self, path: Path) -> Path | None:
        found = self._folder.path(mapping_path(path).name)
        return found if found.exists() else None


def told_of(path: Path, found: Conversion) -> dict[str, Any]:
    """A conversion as `ConversionLook.result`; makes a mapping file ready where something stayed in doubt."""
    columns = []
    for column in found.columns:
        title = SIGNALS[column.signal].title if column.signal in SIGNALS else ""
        if column.doubtful:
            kind = "doubtful"
        elif column.signal is not None:
            kind = "signal"
        else:
            kind = "own" if column.written_as else "left_out"
        columns.append(
            {
                "heading": column.name or f"column {column.index + 1}", "kind": kind, "signal": column.signal,
                "title": title, "unit": column.unit, "written_as": column.written_as, "reason": column.reason,
            }
        )  # fmt: skip
    mapping = None
    if found.doubtful:
        mapping, _ = offer_mapping(path, found.mapping_text, elsewhere=False)
    angles = any(c["kind"] == "signal" and is_angle(c["signal"]) for c in columns)
    return {
        "trace": found.trace_path.name, "rows": found.rows, "notes": list(found.notes), "mapping": mapping and mapping.name,
        "cam_angles": angles, "columns": columns,
    }  # fmt: skip
