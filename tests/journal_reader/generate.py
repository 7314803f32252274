"""Makes journals of the invented world: real FS9721 frames, keeps that follow from their readings.

    python -m tests.journal_reader.generate FOLDER --megabytes 1000

It writes lines with records.encode and knows nothing of meterlink's writer. The same seed gives the same bytes.
"""

from __future__ import annotations

import argparse
import random
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, timezone
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from statistics import median

from msgspec.structs import replace

from meterlink import records
from meterlink.bench.verdict import judge
from meterlink.reading import Reading as Shown
from meterlink.reading import count, number
from meterlink.registry import find

MORNING = datetime(2026, 11, 25, 8, 0, tzinfo=timezone.utc)
JOB = "GC-2611"
SHEET = "ic-8-rev-c"
POINTS = ("VIN", "+5V", "+3V3", "U7-1", "U8-1")
GOOD_OHM = {"VIN": 21500, "+5V": 4700, "+3V3": 812, "U7-1": 361, "U8-1": 358}
BANDS = {
    p: records.Band(low=v * 0.8, high=v * 1.25, expect="band", from_="sheet", short=10.0) for p, v in GOOD_OHM.items()
}


class Maker:
    """Appends chained lines to segments; `at` moves on by what the caller says."""

    def __init__(self, folder: Path, at: datetime = MORNING) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.at = at
        self.seq = 0
        self.head = records.GENESIS
        self.day = ""
        self.size = 0
        self._out: list[bytes] = []

    def wait(self, seconds: float) -> None:
        self.at += timedelta(seconds=seconds)

    def add(self, record: records.Record) -> int:
        """Gives the seq."""
        line = records.encode(record, self.head, self.seq + 1, records.timestamp(self.at))
        return self.add_line(line)

    def add_line(self, line: bytes) -> int:
        day = max(self.at.date().isoformat(), self.day)
        if day != self.day or len(self._out) > 5000:
            self.save()
            self.day = day
        self._out.append(line + b"\n")
        self.head = sha256(line).hexdigest()
        self.seq += 1
        self.size += len(line) + 1
        return self.seq

    def save(self) -> None:
        if self._out:
            with (self.folder / f"{self.day}.jsonl").open("ab") as file:
                file.write(b"".join(self._out))
            self._out = []


def count_of(ohm: float) -> int:
    """The power of ten of the display's last digit in the range that shows this."""
    return -1 if ohm < 390 else 0 if ohm < 3900 else 1


@lru_cache(maxsize=4096)
def shown(ohm: float | None) -> Shown:
    """What the meter shows of a resistance on its 4000-count display, with the frame that says so."""
    exponent = 4 if ohm is None else count_of(ohm)
    value = None if ohm is None else number(False, str(round(ohm / 10**exponent)), exponent)
    spec = find("fs9721")
    wanted = Shown(
        function="resistance",
        value=value,
        unit="Ohm",
        resolution=count(exponent),
        state="ok" if value is not None else "over",
        flags=("auto",),
    )
    raw = spec.build(wanted)
    assert raw is not None
    (one,) = spec.decode(raw)
    return replace(one, raw=raw)


def reading(ohm: float | None, t: float, board: str | None, point: str | None) -> records.Reading:
    one = shown(ohm)
    return records.Reading(
        instrument="dmm",
        t=t,
        function=one.function,
        coupling=one.coupling,
        value=records.double(one.value),
        unit=one.unit,
        resolution=records.double(one.resolution),
        state=one.state,
        flags=list(one.flags),
        display=one.display,
        channel=one.channel,
        job=JOB if board else None,
        board=board,
        point=point,
        raw=one.raw.hex(),
    )


class World:
    """One bench at work; every step adds its records."""

    def __init__(self, maker: Maker, seed: int = 1) -> None:
        self.maker = maker
        self.random = random.Random(seed)
        self.t = 100.0

    def add(self, record: records.Record) -> int:
        return self.maker.add(record)

    def begin(self) -> None:
        self.add(
            records.Start(
                format=1, program="meterlink", version="0.1.0", bench="bench-1", host="workshop",
                config_sha256="0" * 64, timezone="UTC",
            )
        )  # fmt: skip
        self.add(
            records.Instrument(
                instrument="dmm", event="found", driver="fs9721", driver_version="1", port="/dev/ttyUSB0"
            )
        )

    def end(self) -> None:
        self.add(records.Stop(why="SIGTERM"))
        self.maker.save()

    def open_job(self) -> None:
        self.add(
            records.Job(
                job=JOB, event="opened", by="technician", model="IC-8 rev C", customer="growers' co-operative",
                expected=14, sheet=SHEET,
            )
        )  # fmt: skip

    def readings(self, values: Sequence[float | None], board: str | None, point: str | None) -> list[int]:
        """A reading every 250 ms ([T], sheet fs9721); gives their seqs."""
        seqs = []
        for ohm in values:
            self.t += 0.25
            self.maker.wait(0.25)
            seqs.append(self.add(reading(ohm, round(self.t, 6), board, point)))
        return seqs

    def touch(
        self, board: str, point: str, ohm: int, by: records.By = "settled", stage: records.Stage = "before"
    ) -> int:
        """Probes land, the value settles and is kept, probes lift. Gives the keep's seq."""
        self.readings([None, None], board, point)
        n = 3 + self.random.randrange(3)
        values = [ohm + self.random.randint(-1, 1) * 10.0 ** count_of(ohm) for _ in range(n)]
        seqs = self.readings(values, board, point)
        if by != "settled":
            values, seqs = values[-1:], seqs[-1:]
        seen = [shown(v) for v in values]
        digits = [s.value for s in seen if s.value is not None]
        value = float(median(digits))
        uncertainty = records.Uncertainty(expanded=float(f"{abs(value) * 0.01:.6g}"), k=2.0, from_="data sheet")
        band = BANDS[point]
        kept = records.Kept(
            job=JOB,
            board=board,
            point=point,
            instrument="dmm",
            function=seen[-1].function,
            coupling=seen[-1].coupling,
            value=value,
            unit="Ohm",
            resolution=records.double(seen[-1].resolution),
            state="ok",
            readings=(seqs[0], seqs[-1]),
            n=len(digits),
            spread=float(max(digits) - min(digits)),
            uncertainty=uncertainty,
            band=band,
            verdict=judge(value, "ok", "resistance", band, uncertainty),
            by=by,
            stage=stage,
        )
        seq = self.add(kept)
        self.readings([None], board, point)
        return seq

    def board(self, mark: str, points: tuple[str, ...] = POINTS, faulty: str | None = None) -> list[int]:
        """A board is taken, probed down the sheet, and moved on; one point may be shorted and is then repaired."""
        self.add(records.Board(job=JOB, board=mark, event="received", state="received", by="technician"))
        self.add(records.Board(job=JOB, board=mark, event="taken", state="on the bench", by="technician"))
        keeps = []
        for point in points:
            self.add(
                records.Context(
                    job=JOB, board=mark, point=point, sheet=SHEET, source="sheet", stage="before", powered=False
                )
            )
            ohm = 2 if point == faulty else GOOD_OHM[point]
            keeps.append(self.touch(mark, point, ohm))
        if faulty:
            self.add(
                records.Finding(
                    job=JOB, board=mark, what="found", part="C14", text=f"{faulty} shorted", by="technician"
                )
            )
            self.add(records.Finding(job=JOB, board=mark, what="replaced", part="C14", text=None, by="technician"))
            self.add(records.Context(job=JOB, board=mark, point=faulty, sheet=SHEET, source="key", stage="after"))
            self.add(records.Void(of=self.touch(mark, faulty, 300, "pedal", "after"), why="taken back", by="pedal"))
            keeps.append(self.touch(mark, faulty, GOOD_OHM[faulty], "pedal", "after"))
        self.add(records.Board(job=JOB, board=mark, event="changed", state="repaired", by="technician"))
        return keeps


def small(folder: Path, boards: int = 3, seed: int = 1, days: int = 1) -> Maker:
    """A journal of some boards on one or more days; the second board of each day has a short on +3V3."""
    maker = Maker(folder)
    world = World(maker, seed)
    for day in range(days):
        maker.at = MORNING + timedelta(days=day)
        world.begin()
        if day == 0:
            world.open_job()
        for i in range(boards):
            number = day * boards + i + 1
            world.board(f"GC-{number:02}", faulty="+3V3" if i == 1 else None)
        world.end()
    return maker


def big(folder: Path, size: int, seed: int = 1, idle: int = 2000) -> Maker:
    """A journal of at least so many bytes: boards, and between them a meter that streams with the probes in the
    air, as on a real bench (`idle` readings after each board)."""
    maker = Maker(folder)
    world = World(maker, seed)
    world.begin()
    world.open_job()
    boards = 0
    encoded = records.encode(reading(None, 0.0, None, None), records.GENESIS, 1, "x").split(b'"t":0.0', 1)
    body = encoded[0].split(b'"at":"x"', 1)[1]
    while maker.size < size:
        boards += 1
        world.board(f"B-{boards:06}", faulty="+3V3" if boards % 5 == 0 else None)
        world.add(records.Context(job=None, board=None, point=None, sheet=None, source="command", stage=None))
        for line in _idle(world, body, encoded[1], idle):
            maker.add_line(line)
    world.end()
    return maker


def _idle(world: World, before: bytes, after: bytes, count: int) -> Iterator[bytes]:
    """The lines that records.encode gives for an open display, put together from its parts: speed alone."""
    maker = world.maker
    for _ in range(count):
        world.t += 0.25
        maker.wait(0.25)
        head = b'{"prev":"%b","seq":%d,"at":"%b"' % (
            maker.head.encode(), maker.seq + 1, records.timestamp(maker.at).encode(),
        )  # fmt: skip
        yield head + before + b'"t":%b' % repr(round(world.t, 6)).encode() + after


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--megabytes", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    made = big(given.folder, given.megabytes * 1_000_000, given.seed)
    print(f"{made.seq} records, {made.size} bytes in {given.folder}")
