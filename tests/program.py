"""The program by its own entry, in this process: arguments in, both outputs and the exit status out.

For what a command says and does. That it starts as a process of its own, and how a process ends, is shown by
test_main.py, demo/, docs/ and wherever a service runs.
"""

from __future__ import annotations

import io
import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from subprocess import CompletedProcess

from meterlink.cli.main import main


def meterlink(*words: str | bytes, feed: str = "", zone: str | None = None) -> CompletedProcess[str]:
    """One command line. Takes what is typed into it, and the TZ that it runs under."""
    argv, stdin = sys.argv, sys.stdin
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", "surrogateescape") for _ in range(2))
    sys.argv = ["meterlink", *(os.fsdecode(w) for w in words)]
    sys.stdin = io.TextIOWrapper(io.BytesIO(feed.encode()))
    try:
        with time_zone(zone), redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as ended:
        code = ended.code
    finally:
        sys.argv, sys.stdin = argv, stdin
    assert isinstance(code, int)
    return CompletedProcess([*words], code, _text(out), _text(err))


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    assert isinstance(stream.buffer, io.BytesIO)
    return stream.buffer.getvalue().decode("utf-8", "surrogateescape")


@contextmanager
def time_zone(zone: str | None) -> Iterator[None]:
    """As somebody with this TZ; None: as this machine has it."""
    before = os.environ.get("TZ")
    if zone is not None:
        os.environ["TZ"] = zone
        time.tzset()
    try:
        yield
    finally:
        if zone is not None:
            os.environ.pop("TZ") if before is None else os.environ.update(TZ=before)
            time.tzset()
