"""Foreign traces: a saved drive of any make turned into a camlog trace, honestly.

As the data goes: `source` (bytes, archives, encoding, blocks of lines) -> `cells` and `layout` (what stands
where) -> `survey`, `clocks` and `stamps` (what tells the time) -> `blocks`, `rows` and `table` (rows of numbers) -> `figures`,
`repeats` (ranges, repeated values) -> `headings`, `meaning`, `ranges`, `columns`, `cams`, `match` (what each column is) ->
`write` and `provenance` (the trace and its drive file). `mapping` is what a person says about a file, `asking` and
`summary` what a person is asked and shown. `run` strings it together. Words of the trade are in `words.toml`, sentences
in `messages.toml`.
"""

from camlog.convert.asking import default_out, mapping_path, offer_mapping
from camlog.convert.mapping import ColumnRule, Mapping, read_mapping
from camlog.convert.model import ColumnMatch, Conversion, Question
from camlog.convert.run import convert, read_any

__all__ = [
    "ColumnMatch", "ColumnRule", "Conversion", "Mapping", "Question", "convert", "default_out",
    "mapping_path", "offer_mapping", "read_any", "read_mapping",
]  # fmt: skip
