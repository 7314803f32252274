"""A program that writes a journal until it is killed, and tells each acknowledgement on stdout."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

from meterlink.journal.writer import Writer

from .oracle import EVENING, note, reading


def main(folder: Path, tag: str) -> None:
    writer = Writer(folder)
    at = EVENING
    for record in writer.due:
        writer.append(record, at)
    writer.commit()
    i = 0
    while True:
        at += timedelta(hours=1)
        for _ in range(i % 5):
            writer.append(reading(f"{i:08x}"), at)
        if i % 3:
            writer.flush()
        seq = writer.append(note(f"{tag}-{i}"), at)
        writer.commit()
        print(seq, f"{tag}-{i}", flush=True)
        i += 1


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
