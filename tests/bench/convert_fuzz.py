"""Coverage-guided fuzzing of the conversion: no traceback, no hang, no value that was not in the file.

    python -m tests.bench.convert_fuzz [SECONDS]

Atheris mutates the files of the corpus for the given time (two minutes by default) and follows what new code
they reach. Ends by printing how many files were tried, how many converted, and the slowest. A file that
breaks a rule ends the run; the last lines say where it is kept.
"""

from __future__ import annotations

import os
import random
import sys
import tempfile
import time
from pathlib import Path

SECONDS = 120
ALLOWED_S = 5.0
MAX_BYTES = 40_000


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    try:
        import atheris
    except ImportError:
        print("atheris is not installed: pip install 'camlog[bench]'")
        raise SystemExit(2) from None
    with atheris.instrument_imports(include=["camlog.convert"]):
        import camlog.convert
    from camlog.convert import convert
    from camlog.errors import InputError
    from tests.foreign_files import corpus, damaged, foreign_values, numbers_in
    from tests.test_convert_fuzz import as_written

    del camlog
    folder = Path(tempfile.mkdtemp(prefix="camlog-fuzz-"))
    seeds = folder / "seeds"
    seeds.mkdir()
    for expected in corpus():
        (seeds / expected.name).write_bytes(expected.path.read_bytes())
    source, out = folder / "fuzz.csv", folder / "out.csv"
    told = {"tried": 0, "converted": 0, "slowest": 0.0}
    began = time.monotonic()

    def one(data: bytes) -> None:
        source.write_bytes(data)
        start = time.process_time()
        told["tried"] += 1
        try:
            conversion = convert(source, out=out, force=True)
        except InputError as error:
            assert "\n" not in str(error)
        else:
            told["converted"] += 1
            if data[:2] not in (b"\x1f\x8b", b"PK"):
                strange = foreign_values(conversion, as_written(out), numbers_in(data))
                assert not strange, strange
        took = time.process_time() - start
        told["slowest"] = max(told["slowest"], took if told["tried"] > 20 else 0.0)
        assert took < ALLOWED_S or told["tried"] <= 20, f"{took:.1f} s for {len(data)} bytes"
        for made in folder.glob("*.map.toml"):
            made.unlink()
        if time.monotonic() - began > seconds:
            _end(told)

    def mutate(data: bytes, max_size: int, seed: int) -> bytes:
        # Half the time as a careless copy would damage a file, half the time as the fuzzer likes.
        if seed % 2:
            return damaged(data, random.Random(seed))[:max_size]
        return atheris.Mutate(data, max_size)

    atheris.Setup(
        [sys.argv[0], str(seeds), f"-artifact_prefix={folder}/", f"-max_len={MAX_BYTES}", "-verbosity=0",
        "-print_final_stats=0",
        "-timeout=60"],
        one, custom_mutator=mutate,
    )  # fmt: skip
    atheris.Fuzz()


def _end(told: dict) -> None:
    print(
        f"{told['tried']} files tried, {told['converted']} converted, the others refused; slowest "
        f"{told['slowest']:.2f} s "
        f"of at most {ALLOWED_S:g}; no traceback, no value that was not in its file"
    )
    sys.stdout.flush()
    os._exit(0)  # the fuzzer has no other way to end well


if __name__ == "__main__":
    main()
