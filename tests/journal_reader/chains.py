"""Second implementations for the tests, with the standard library alone."""

from __future__ import annotations

import json
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

from meterlink.journal.findings import Report
from meterlink.journal.reader import segments
from meterlink.journal.verify import Verification


def all_lines(folder: Path) -> list[bytes]:
    return [line for path in sorted(folder.glob("*.jsonl")) for line in path.read_bytes().split(b"\n")[:-1]]


def all_records(folder: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in all_lines(folder)]


def check(folder: Path, **options: Any) -> Report:
    return Verification(segments(folder), wait=lambda s: None, **options).run()


def forge(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Change records as a forger would, who computes every `prev` and `seq` anew. A change that gives False takes
    the record out."""
    prev, seq = "0" * 64, 0
    for path in sorted(folder.glob("*.jsonl")):
        out = []
        for line in path.read_bytes().split(b"\n")[:-1]:
            record = json.loads(line)
            if change(record) is False:
                continue
            seq += 1
            record["prev"], record["seq"] = prev, seq
            new = json.dumps(record, separators=(",", ":"), ensure_ascii=False).encode()
            prev = sha256(new).hexdigest()
            out.append(new + b"\n")
        path.write_bytes(b"".join(out))


def append(folder: Path, text: bytes) -> None:
    """Chain one more line, whose fields after prev and seq are given as text."""
    last = all_lines(folder)[-1]
    line = b'{"prev":"%b","seq":%d,%b' % (sha256(last).hexdigest().encode(), json.loads(last)["seq"] + 1, text)
    with sorted(folder.glob("*.jsonl"))[-1].open("ab") as file:
        file.write(line + b"\n")
