"""Repeatable random numbers: the same at a given tick of a drive, independent of how the drive is split into pieces."""

from __future__ import annotations

import zlib

import numpy as np

STREAMS = ("n1", "n2", "n3", "n4", "uniform")  # four of standard normal numbers, one of uniform ones
CHUNK_TICKS = 1000
_KEY_MASK = (1 << 64) - 1


def stream_generator(seed: int, stream: str, index: int = 0) -> np.random.Generator:
    """A generator that depends only on the seed, the stream's name and the index."""
    words = [seed & _KEY_MASK, (zlib.crc32(stream.encode()) << 32) | (index & 0xFFFFFFFF)]
    return np.random.Generator(np.random.Philox(key=np.array(words, dtype=np.uint64)))


class NoiseStream:
    """One random number of each of STREAMS per control tick, independent of the number of ticks per call."""

    def __init__(self, seed: int, stream: str):
        self._seed = seed
        self._stream = stream
        self._cached: tuple[int, np.ndarray] | None = None

    def _chunk(self, index: int) -> np.ndarray:
        if self._cached is None or self._cached[0] != index:
            rng = stream_generator(self._seed, self._stream, index)
            normals = rng.standard_normal((len(STREAMS) - 1, CHUNK_TICKS))
            self._cached = (index, np.vstack((normals, rng.random(CHUNK_TICKS))))
        return self._cached[1]

    def take(self, start_tick: int, count: int) -> dict[str, np.ndarray]:
        parts, tick, end = [], start_tick, start_tick + count
        while tick < end:
            index, begin = divmod(tick, CHUNK_TICKS)
            stop = min(CHUNK_TICKS, begin + end - tick)
            parts.append(self._chunk(index)[:, begin:stop])
            tick += stop - begin
        return dict(zip(STREAMS, np.concatenate(parts, axis=1), strict=True))
