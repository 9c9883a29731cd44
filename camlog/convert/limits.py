"""Sizes beyond which a foreign file is refused, so that no file can fill memory or disk."""

from __future__ import annotations

MIB = 1 << 20
# Enough for the headings of thousands of signals; a line of a log has a few hundred characters.
MAX_LINE_CHARACTERS = MIB
# A vehicle has a few hundred values; each column needs memory for its figures.
MAX_COLUMNS = 2000
# Highest ratio of unpacked to packed bytes: text tables have about 10, very regular ones about 100.
MAX_EXPANSION = 200
EXPANSION_FREE_BYTES = 64 * MIB
MAX_UNPACKED_BYTES = 8 << 30
MAX_ARCHIVE_MEMBERS = 1000
# Characters read at once.
BLOCK_CHARACTERS = 2 * MIB
# The part of the file searched for headings, units and the form of the cells.
HEAD_CHARACTERS = MIB // 4
HEAD_LINES = 200
# Long tables (one reading per row) that are not in order of time are sorted in memory.
MAX_SORTED_ROWS = 15_000_000
MAX_MAPPING_BYTES = MIB
# Enough for days of driving at full rate; a larger table needs gigabytes during the conversion.
MAX_CELLS = 400_000_000


def most_unpacked(packed_bytes: int) -> int:
    """The most bytes to which `packed_bytes` may be unpacked."""
    return min(MAX_UNPACKED_BYTES, max(EXPANSION_FREE_BYTES, MAX_EXPANSION * max(1, packed_bytes)))
