"""Recordings that are no text: workbooks, Parquet and ASAM MDF 4, read by libraries that are installed separately.

Each is converted to a table of text with its headings and cells, so that the rest of the conversion is the same. A new
format is a function here and a line in `FORMATS`.
"""

from __future__ import annotations

import csv
import hashlib
import io
import itertools
import tempfile
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, cast

import numpy as np

from camlog.convert.limits import MAX_COLUMNS, most_unpacked
from camlog.convert.words import say
from camlog.errors import InputError
from camlog.new_files import whole_file
from camlog.trace import Trace

MDF_SUFFIX = ".mf4"
_IN_MEMORY_BYTES = 16 << 20
_ROWS_AT_ONCE = 20_000
Rows = Iterable[Iterable[object]]


@contextmanager
def open_as_text(path: Path, kind: str) -> Iterator[IO[bytes]]:
    """The table in a file of a kind in `FORMATS`, as UTF-8 text with cells separated by commas.

    Raises InputError if the library is not installed or cannot read the file.
    """
    with tempfile.SpooledTemporaryFile(_IN_MEMORY_BYTES, prefix="camlog-") as out:
        text = io.TextIOWrapper(out, encoding="utf-8", newline="", write_through=True)
        writer = csv.writer(text, lineterminator="\n")
        try:
            for row in FORMATS[kind](path):
                cells = [_cell(value) for value in row]
                if len(cells) > MAX_COLUMNS:
                    raise say.error("too_many_columns", file=path, columns=len(cells), most=MAX_COLUMNS)
                writer.writerow(cells)
        except ImportError as error:
            raise say.error(f"{kind}_library", file=path) from error
        except InputError:
            raise
        except Exception as error:  # the libraries raise many kinds of exception
            raise say.error(kind, file=path) from error
        text.detach()
        out.seek(0)
        yield cast(IO[bytes], out)


def _cell(value: object) -> str:
    """A cell as text; empty unless it is a finite number, a time or text."""
    if isinstance(value, float):
        return repr(value) if np.isfinite(value) else ""
    if value is None or isinstance(value, (bool, bytes, np.ndarray)):
        return ""
    return str(value)


def _workbook(path: Path) -> Rows:
    """The rows of the one sheet with readings."""
    import openpyxl

    with zipfile.ZipFile(path) as archive:
        members = archive.infolist()
        packed, unpacked = (sum(getattr(m, size) for m in members) for size in ("compress_size", "file_size"))
    if unpacked > most_unpacked(packed):
        raise say.error("archive_bomb", file=path, megabytes=unpacked >> 20)
    book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    sheets = [sheet for sheet in book.worksheets if any(True for _ in itertools.islice(sheet.iter_rows(), 3, 4))]
    if len(sheets) != 1:
        raise say.error(
            "workbook_of_several", file=path, names=", ".join(repr(s.title) for s in sheets[:5]), count=len(sheets)
        )
    yield from sheets[0].iter_rows(values_only=True)


def _parquet(path: Path) -> Rows:
    """The columns of a Parquet file with their names as headings."""
    import pyarrow.parquet

    with pyarrow.parquet.ParquetFile(path) as file:
        yield file.schema_arrow.names
        for batch in file.iter_batches(_ROWS_AT_ONCE):
            yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)


def _mdf(path: Path) -> Rows:
    """Every channel group of an MDF 4 file, each with its master channel (the time) to its left."""
    import asammdf

    columns: list[tuple[str, Iterable[object]]] = []
    with asammdf.MDF(path) as file:
        for index in range(len(file.groups)):
            master, count = file.masters_db.get(index), len(file.groups[index].channels)
            signals = file.select([(None, index, c) for c in range(count) if c != master])
            numbers = [s for s in signals if s.samples.dtype.kind in "fiu" and s.samples.ndim == 1 and len(s.samples)]
            if numbers:
                columns.append(("time [s]", numbers[0].timestamps.tolist()))
                columns += [(f"{s.name} [{s.unit}]" if s.unit else s.name, s.samples.tolist()) for s in numbers]
    yield [name for name, _ in columns]
    yield from itertools.zip_longest(*(values for _, values in columns))


FORMATS: dict[str, Callable[[Path], Rows]] = {"workbook": _workbook, "parquet": _parquet, "mdf": _mdf}


def write_mdf(trace: Trace, path: Path, replace: bool) -> str:
    """Write a trace as ASAM MDF 4, each signal with its own times; returns its SHA-256.

    Raises InputError if the library is not installed, or if the file exists and `replace` is not set.
    """
    try:
        import asammdf
    except ImportError as error:
        raise say.error("mdf_library", file=path) from error
    with asammdf.MDF(version="4.10") as file, tempfile.TemporaryDirectory(prefix="camlog-") as folder:
        for name in trace.signals:
            times, values = trace.samples(name)
            file.append(asammdf.Signal(values, times, name=name, unit=trace.units.get(name, "")), comment="camlog")
        content = Path(file.save(Path(folder) / "trace.mf4")).read_bytes()
    with whole_file(path, replace=replace) as out:
        out.write(content)
    return hashlib.sha256(content).hexdigest()
