"""One process for many commands: each line that comes is a list of arguments in JSON; what `camlog` printed for it and its
status go back, as a line. Before the first of them every module of camlog is imported; a fault there ends it.
"""

from __future__ import annotations

import importlib
import json
import os
import pkgutil
import sys
import tempfile

import camlog
import camlog.new_files
from camlog.cli import main


def run(arguments: list[str], answers: int) -> None:
    with tempfile.TemporaryFile() as printed:
        for stream in (1, 2):
            os.dup2(printed.fileno(), stream)
        status: object = 0
        try:
            main(arguments)
        except SystemExit as end:
            status = end.code or 0
        for text in (sys.stdout, sys.stderr):
            text.flush()
        printed.seek(0)
        answer = {"status": status, "printed": printed.read().hex()}
    os.write(answers, json.dumps(answer).encode() + b"\n")


if __name__ == "__main__":
    for module in pkgutil.walk_packages(camlog.__path__, "camlog."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    assert camlog.new_files.KEEPS_OPEN_FILES and not hasattr(camlog.new_files, "fcntl")
    kept = os.dup(1)
    os.write(kept, b"ready\n")
    for line in iter(sys.stdin.readline, ""):
        run(json.loads(line), kept)
