"""Foreign traces: converts a saved drive of any make into a camlog trace.

In the order of the data: `source` (bytes, archives, encoding, blocks of lines) -> `cells` and `layout` (where headings
and readings are) -> `survey`, `clocks` and `stamps` (the time) -> `blocks`, `rows` and `table` (rows of numbers) ->
`figures`, `repeats` (ranges, repeated values) -> `headings`, `meaning`, `ranges`, `columns`, `cams`, `match` (the
signal of each column) -> `write` and `provenance` (the trace and its drive file). `mapping` is the file in which a
person describes a foreign file; `asking` and `summary` ask and inform a person. `run` calls them all. Words of the
trade are in `words.toml`, sentences in `messages.toml`.
"""

from camlog.convert.asking import default_out, mapping_path, offer_mapping
from camlog.convert.mapping import ColumnRule, Mapping, read_mapping
from camlog.convert.model import ColumnMatch, Conversion, Question
from camlog.convert.run import convert, read_any

__all__ = [
    "ColumnMatch", "ColumnRule", "Conversion", "Mapping", "Question", "convert", "default_out",
    "mapping_path", "offer_mapping", "read_any", "read_mapping",
]  # fmt: skip
