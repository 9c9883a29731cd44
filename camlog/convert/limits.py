"""What a foreign file may cost: sizes beyond which it is refused, so that no file can fill memory or disk."""

from __future__ import annotations

MIB = 1 << 20
# More than any heading of thousands of signals takes; a log's line has a few hundred characters.
MAX_LINE_CHARACTERS = MIB
# A vehicle gives a few hundred values; every column costs memory for its figures.
MAX_COLUMNS = 2000
# Text tables shrink to a tenth, very regular ones to a hundredth; only made-up ones beyond.
MAX_EXPANSION = 200
EXPANSION_FREE_BYTES = 64 * MIB
MAX_UNPACKED_BYTES = 8 << 30
MAX_ARCHIVE_MEMBERS = 1000
# What is read at once.
BLOCK_CHARACTERS = 2 * MIB
# Where headings, units and the form of the cells are looked for.
HEAD_CHARACTERS = MIB // 4
HEAD_LINES = 200
# Long tables (a row a reading) out of time order are put in order in memory.
MAX_SORTED_ROWS = 15_000_000
MAX_MAPPING_BYTES = MIB
# Days of a drive at full rate; a table of more takes gigabytes of room while it is converted.
MAX_CELLS = 400_000_000


def most_unpacked(packed_bytes: int) -> int:
    """How many bytes so many packed ones may become."""
    return min(MAX_UNPACKED_BYTES, max(EXPANSION_FREE_BYTES, MAX_EXPANSION * max(1, packed_bytes)))
