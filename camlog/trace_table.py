"""The rows of a trace file as a table of numbers, by pandas."""

from __future__ import annotations

import io
import warnings as python_warnings

import numpy as np

from camlog.messages import say

# Cells that mean "not sampled" beside the empty one: what tables tools write for a missing number.
_MISSING = ["", " ", "nan", "NaN", "NAN"]


def read_table(raw: bytes, start: int, width: int) -> np.ndarray:
    """All rows, shape (rows, width + 1); the last column shows cells beyond the headings."""
    import pandas as pd

    source = io.BytesIO(raw)
    source.seek(start)
    with python_warnings.catch_warnings():
        # Pandas only warns where the first row is too wide, and cuts it: here that is a fault.
        python_warnings.simplefilter("error", pd.errors.ParserWarning)
        try:
            frame = pd.read_csv(
                source, header=None, names=range(width + 1), index_col=False, dtype=np.float64, encoding="utf-8",
                on_bad_lines="error", keep_default_na=False, na_values=_MISSING,
            )  # fmt: skip
        except pd.errors.EmptyDataError:
            return np.empty((0, width + 1))
        except pd.errors.ParserWarning as error:
            raise ValueError(str(error)) from error
    return frame.to_numpy(copy=False)


def reads_words(raw: bytes, start: int) -> bool:
    # The table parser takes True and False for 1 and 0; in a trace they are text like any other.
    # No number, nor a missing one, has these letters, and single letters are quick to look for.
    return any(raw.find(letter, start) >= 0 for letter in (b"u", b"U", b"s", b"S"))


def drop_torn_line(raw: bytes, warnings: list[str]) -> bytes:
    if raw.endswith((b"\n", b"\r")):
        return raw
    cut = max(raw.rfind(b"\n"), raw.rfind(b"\r")) + 1
    if cut == 0:
        return raw  # a single line: the heading check says what is wrong
    # A line of the right width may still have lost its last digits: without its end nobody knows.
    warnings.append(say("trace.torn"))
    return raw[:cut]
