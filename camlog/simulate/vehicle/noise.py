"""Repeatable random numbers: the same at a given moment of a drive, however the drive is cut into pieces."""

from __future__ import annotations

import zlib

import numpy as np

CHUNK_TICKS = 1000
_KEY_MASK = (1 << 64) - 1


def stream_generator(seed: int, stream: str, index: int = 0) -> np.random.Generator:
    """A generator that depends on the seed, the stream's name and an index, and on nothing else."""
    key = np.array(
        [seed & _KEY_MASK, (zlib.crc32(stream.encode()) << 32) | (index & 0xFFFFFFFF)], dtype=np.uint64
    )
    return np.random.Generator(np.random.Philox(key=key))


class NoiseStream:
    """Standard normal and uniform numbers per control tick.

    `normals` columns of standard normals and one column of uniforms. A tick's
    numbers do not depend on how many ticks are asked for at a time.
    """

    def __init__(self, seed: int, stream: str, normals: int):
        self._seed = seed
        self._stream = stream
        self._normals = normals
        self._cached: tuple[int, np.ndarray] | None = None

    def _chunk(self, index: int) -> np.ndarray:
        if self._cached is None or self._cached[0] != index:
            rng = stream_generator(self._seed, self._stream, index)
            chunk = np.empty((self._normals + 1, CHUNK_TICKS))
            chunk[:-1] = rng.standard_normal((self._normals, CHUNK_TICKS))
            chunk[-1] = rng.random(CHUNK_TICKS)
            self._cached = (index, chunk)
        return self._cached[1]

    def take(self, start_tick: int, count: int) -> np.ndarray:
        """Array of shape (normals + 1, count): the normals, then the uniforms, of ticks from `start_tick`."""
        parts, tick, end = [], start_tick, start_tick + count
        while tick < end:
            index, begin = divmod(tick, CHUNK_TICKS)
            stop = min(CHUNK_TICKS, begin + end - tick)
            parts.append(self._chunk(index)[:, begin:stop])
            tick += stop - begin
        return (
            np.ascontiguousarray(np.concatenate(parts, axis=1)) if parts else np.empty((self._normals + 1, 0))
        )
