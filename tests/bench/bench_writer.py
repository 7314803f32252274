"""Reading to record on disk: what the writer costs over the bare system calls. Prints ratios.

    python -m tests.bench.bench_writer [folder]

The folder must lie on the disk that is to be measured (a tmpfs syncs in no time); default: the current one.
"""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
from collections.abc import Callable
from datetime import datetime, timezone
from decimal import Decimal
from pathlib import Path
from statistics import median
from time import perf_counter

import msgspec

from meterlink import records
from meterlink.bench.fence import read
from meterlink.journal.writer import Writer
from meterlink.reading import Reading

AT = datetime(2026, 11, 25, 12, 0, tzinfo=timezone.utc)
SHOWN = Reading(
    function="voltage",
    coupling="dc",
    value=Decimal("3.301"),
    unit="V",
    resolution=Decimal("0.001"),
    display="3.301 V",
    raw=bytes(range(14)),
)


def record_of(shown: Reading) -> records.Reading:
    return records.Reading(
        instrument="dmm",
        t=12.5,
        function=shown.function,
        coupling=shown.coupling,
        value=records.double(shown.value),
        unit=shown.unit,
        resolution=records.double(shown.resolution),
        state=shown.state,
        flags=list(shown.flags),
        display=shown.display,
        channel=shown.channel,
        job="GC-2611",
        board="GC-03",
        point="+3V3",
        raw=shown.raw.hex(),
    )


def seconds(do: Callable[[], None], rounds: int) -> float:
    """The median of so many rounds: one slow sync of a shared disk must not decide."""
    times = []
    for _ in range(rounds):
        began = perf_counter()
        do()
        times.append(perf_counter() - began)
    return median(times)


def measure(folder: Path) -> list[tuple[str, float, float]]:
    """Rows of (what, seconds of the writer, seconds of the bare calls with the same bytes)."""
    writer = Writer(folder / "journal")
    writer.append(record_of(SHOWN), AT)
    writer.commit()
    line = (folder / "journal" / "2026-11-25.jsonl").read_bytes()
    bare = os.open(folder / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    rows = []

    def flushed() -> None:
        writer.append(record_of(SHOWN), AT)
        writer.flush()

    rows.append(("append + flush, 1 record", seconds(flushed, 2000), seconds(lambda: void(os.write(bare, line)), 2000)))
    writer.commit()
    for group in (1, 10, 100):

        def committed(group: int = group) -> None:
            for _ in range(group):
                writer.append(record_of(SHOWN), AT)
            writer.commit()

        def synced(group: int = group) -> None:
            os.write(bare, line * group)
            os.fdatasync(bare)

        rows.append((f"commit of {group} records", seconds(committed, 60), seconds(synced, 60)))
    os.close(bare)
    writer.close()
    data = (folder / "journal" / "2026-11-25.jsonl").read_bytes()
    start = seconds(lambda: Writer(folder / "journal").close(), 5)
    digest = seconds(lambda: void(hashlib.sha256(data).digest()), 5)
    rows.append((f"start over {len(data) / 1e6:.1f} MB, bare: SHA-256", start, digest))
    return rows


def each(do: Callable[[], object], times: int = 20_000) -> float:
    """Seconds of one call, the mean of many."""
    began = perf_counter()
    for _ in range(times):
        do()
    return (perf_counter() - began) / times


def checked() -> float:
    record = record_of(SHOWN)
    return each(lambda: records.encode(record, records.GENESIS, 1, "2026-11-25T12:00:00.000000Z"))


def spelt() -> float:
    encoder, record = msgspec.json.Encoder(), record_of(SHOWN)
    return each(lambda: encoder.encode(record))


def border() -> float:
    return each(lambda: read([SHOWN]))


def void(_: object) -> None:
    """Drop a result: what is timed gives none."""


def main() -> None:
    place = Path(sys.argv[1]) if len(sys.argv) > 1 else Path.cwd()
    with tempfile.TemporaryDirectory(dir=place) as folder:
        rows = measure(Path(folder))
    print(f"{'':36}{'writer':>12}{'bare calls':>12}{'ratio':>8}")
    for what, ours, theirs in rows:
        print(f"{what:36}{ours * 1e6:9.1f} us{theirs * 1e6:9.1f} us{ours / theirs:8.2f}")
    one, hundred = rows[1][1], rows[3][1] / 100
    print(f"a record is spelt and held against the readers' types in {checked() * 1e6:.1f} us", end="; ")
    print(
        f"spelt alone: {spelt() * 1e6:.1f} us; a reading is looked at at the driver's border in {border() * 1e6:.1f} us"
    )
    print(f"a record in a commit of 100 costs {hundred / one:.3f} of a record committed alone")


if __name__ == "__main__":
    main()
