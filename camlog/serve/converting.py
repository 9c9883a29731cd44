"""Conversions of foreign traces for the page, each in a worker that waits at a question for the answer."""

from __future__ import annotations

import itertools
import threading
import time
from collections import OrderedDict
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from camlog.convert import Question, default_out, mapping_path
from camlog.serve.converter import convert_file
from camlog.serve.folder import Folder
from camlog.serve.names import kind_of
from camlog.serve.words import problem, sentence
from camlog.serve.worker import DONE, ENDS_WITHIN_S, FAILED, Worker, Workers

WORKING, ASKING, CANCELLED = "working", "asking", "cancelled"
AT_ONCE = 3
KEPT = 20
UNANSWERED_S = 3600.0  # for a page that was closed at a question
LIMIT_S = 600.0  # without progress; a conversion of hours of driving takes seconds


@dataclass(frozen=True, slots=True)
class ConversionLook:
    """The state of a conversion. `question` is the open question while `state` is `asking`, `question_number` counts
    from 1, `earlier` is its answer in an earlier conversion of this file (None: none).

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

    @property
    def over(self) -> bool:
        """True if it is done, has failed or was cancelled."""
        return self.state in (DONE, FAILED, CANCELLED)


class _Conversion:
    """One conversion in a worker, and the thread that watches it. `answers` are the answers for this file, kept for the
    next conversion."""

    def __init__(self, id_: str, path: Path, answers: dict[tuple, str], *work: Any):
        self.path = path
        self._answers = answers
        self._look = ConversionLook(id_, path.name, WORKING)
        self._worker: Worker | None = None
        self._since_s = time.monotonic()  # start of the work, or of the wait for an answer
        self._cancelled = False
        self._lock = threading.Lock()
        name = f"convert {path.name[:40]}"
        self.thread = threading.Thread(target=self._work, args=work, name=name, daemon=True)
        self.thread.start()

    def look(self) -> ConversionLook:
        with self._lock:
            return self._look

    def answer(self, number: int, answer: str | None) -> None:
        with self._lock:
            question = self._look.question
            if question is None or number != self._look.question_number:
                return  # answered already, by a second click or on another page
            if answer is None:
                self._answers.pop(_about(question), None)
            else:
                self._answers[_about(question)] = answer
            self._become(WORKING, question=None, earlier=None)
            if self._worker is not None:
                with suppress(OSError):  # it is gone, as will be told
                    self._worker.order(answer)

    def cancel(self) -> None:
        self._cancelled = True

    def _become(self, state: str, **changes: Any) -> None:
        self._since_s = time.monotonic()
        self._look = replace(self._look, state=state, **changes)

    # ------------------------------------------------------------------ the thread
    def _work(self, workers: Workers, mapping: Path | None, again: bool) -> None:
        calls: dict[str, Any] = {"hear": self._hear, "give_up": self._give_up, "use": self._use}
        kind, result = workers.do(convert_file, self.path, mapping, again, **calls)
        with self._lock:
            if kind == DONE:
                self._become(DONE, question=None, result=result, share=1.0)
            elif result == CANCELLED:
                self._become(CANCELLED, question=None)
            else:
                error = result if kind == FAILED else sentence("conversion_crashed", how=result)
                self._become(FAILED, question=None, error=error)

    def _use(self, worker: Worker | None) -> None:
        with self._lock:
            self._worker = worker

    def _hear(self, kind: str, value: Any) -> None:
        with self._lock:
            if kind == "share":
                self._become(WORKING, share=value)
            else:
                number, earlier = self._look.question_number + 1, self._answers.get(_about(value))
                self._become(ASKING, question=value, question_number=number, earlier=earlier)

    def _give_up(self) -> str | None:
        passed_s = time.monotonic() - self._since_s
        asking = self._look.state == ASKING
        if self._cancelled or (asking and passed_s > UNANSWERED_S):
            return CANCELLED
        return sentence("conversion_too_long") if not asking and passed_s > LIMIT_S else None


def _about(question: Question) -> tuple[str, str]:
    return question.about, question.heading


class Conversions:
    """Conversions of a folder's foreign traces. Methods may be called from any thread."""

    def __init__(self, folder: Folder, workers: Workers):
        self._folder, self._workers = folder, workers
        self._lock = threading.Lock()
        self._numbers = itertools.count(1)
        self._all: OrderedDict[str, _Conversion] = OrderedDict()
        self._answers: dict[str, dict[tuple[str, str], str]] = {}
        self._closed = False

    def start(self, name: str, again: bool = False) -> str:
        """Convert a file of the folder; returns the id (of the running conversion if there is one of this file).

        `NAME.map.toml` is used if it exists. Raises InputError if the file does not exist or is no trace, if it was
        already converted (without `again`), if another file is being converted to the same name, or if too many run.
        """
        path = self._trace(name)
        target = self._folder.path(default_out(path).name)
        mapping = self._mapping(path)
        with self._lock:
            if self._closed:
                raise problem("server_ends")
            running = [one for one in self._all.values() if not one.look().over]
            for one in running:
                if one.path == path:
                    return one.look().id
                if default_out(one.path) == default_out(path):
                    raise problem("becomes_same", name, other=one.path.name)
            if target.exists() and not again:
                raise problem("converted_before", name, trace=target.name)
            if len(running) >= AT_ONCE:
                raise problem("many_conversions")
            id_ = f"convert-{next(self._numbers)}"
            answers = self._answers.setdefault(path.name, {})
            self._all[id_] = _Conversion(id_, path, answers, self._workers, mapping, again)
            over = [i for i, one in self._all.items() if one.look().over]
            for old in over[: max(0, len(over) - KEPT)]:
                del self._all[old]
        return id_

    def newest(self, name: str) -> ConversionLook | None:
        """The last conversion of this file, running or over; None if there is none or it was long ago."""
        with self._lock:
            return next((one.look() for one in reversed(self._all.values()) if one.path.name == name), None)

    def look(self, id: str) -> ConversionLook | None:
        """The conversion with this id; None if there is none or it was long ago."""
        one = self._all.get(id)
        return None if one is None else one.look()

    def answer(self, id: str, question_number: int, answer: str | None) -> None:
        """Answer the question with this number (None: leave it open); answers to other questions are ignored."""
        if (one := self._all.get(id)) is not None:
            one.answer(question_number, answer)

    def cancel(self, id: str) -> None:
        """Cancel a conversion; it leaves no files."""
        if (one := self._all.get(id)) is not None:
            one.cancel()

    def close(self) -> None:
        """Cancel all conversions and start no more."""
        with self._lock:
            self._closed = True
            all_ = list(self._all.values())
        for one in all_:
            one.cancel()
        for one in all_:
            one.thread.join(timeout=2 * ENDS_WITHIN_S)

    def converted(self, name: str) -> str | None:
        """Name of the trace to which a foreign file was converted, if it exists."""
        target = default_out(self._trace(name))
        return target.name if self._folder.path(target.name).exists() else None

    def mapping(self, name: str) -> str | None:
        """Name of the mapping file of a foreign file, if it exists."""
        found = self._mapping(self._trace(name))
        return None if found is None else found.name

    def _trace(self, name: str) -> Path:
        path = self._folder.existing(name)
        if kind_of(name) != "trace":
            raise problem("no_trace", name)
        return path

    def _mapping(self, path: Path) -> Path | None:
        found = self._folder.path(mapping_path(path).name)
        return found if found.exists() else None
