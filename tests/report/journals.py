"""Journals of the invented world for the report and the export."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from meterlink import records
from meterlink.journal.reader import Line, lines, segments
from meterlink.report.collect import Material, collect
from meterlink.report.page import page
from tests.journal_reader.generate import JOB, Maker, World


def told(folder: Path, job: str = JOB) -> Material:
    return collect(lines(segments(folder)), job)


def html(folder: Path, job: str = JOB) -> str:
    return "".join(page(told(folder, job)))


def in_memory(log: Iterable[Any]) -> list[Line]:
    """Lines of these records, without a file; the chain is right."""
    out: list[Line] = []
    prev = records.GENESIS
    for seq, record in enumerate(log, 1):
        text = records.encode(record, prev, seq, f"2026-11-25T08:{seq // 60 % 60:02}:{seq % 60:02}.000000Z")
        out.append(Line(Path("2026-11-25.jsonl"), seq, 0, text))
    return out


def kept(value: float | None, **changed: Any) -> records.Kept:
    fields: dict[str, Any] = {
        "job": JOB, "board": "GC-01", "point": "+3V3", "instrument": "dmm", "function": "resistance", "coupling": None,
        "value": value, "unit": "Ohm", "resolution": 0.1, "state": "ok" if value is not None else "over",
        "readings": (1, 1), "n": 1, "spread": None, "uncertainty": None,
        "band": records.Band(low=180.0, high=420.0, expect="band", from_="sheet", short=5.0), "verdict": "ok",
        "by": "settled", "stage": "before",
    }  # fmt: skip
    return records.Kept(**(fields | changed))


def received(board: str, job: str = JOB) -> records.Board:
    return records.Board(job=job, board=board, event="received", state="received", by="technician")


def opened(**fields: Any) -> records.Job:
    return records.Job(**({"job": JOB, "event": "opened", "by": "technician"} | fields))


def supply_reading(t: float, function: str, value: float, *flags: str) -> records.Reading:
    return records.Reading(
        instrument="supply", t=t, function=function, coupling="dc", value=value,
        unit="V" if function == "voltage" else "A", resolution=None, state="ok", flags=list(flags), display=None,
        channel="1", job=JOB, board="GC-02", point=None, raw="00",
    )  # fmt: skip


def injected(event: Any, voltage: float | None = None, limit: float | None = None, why: str | None = None) -> Any:
    return records.Supply(
        instrument="supply", event=event, voltage=voltage, current_limit=limit, why=why, by="technician", job=JOB,
        board="GC-02", rail="+3V3",
    )  # fmt: skip


def bench(folder: Path, boards: int = 4, points: tuple[str, ...] = ("VIN", "+3V3", "U7-1")) -> Maker:
    """A morning's work: the second board has a short on +3V3 that is searched by injecting and repaired."""
    maker = Maker(folder)
    world = World(maker)
    world.begin()
    world.open_job()
    for i in range(1, boards + 1):
        world.board(f"GC-{i:02}", points, faulty="+3V3" if i == 2 else None)
        if i == 2:
            maker.add(injected("on", 1.0, 1.5, "inject, 20 s at most"))
            for t, function, value in ((1.0, "voltage", 0.98), (1.0, "current", 1.42), (1.5, "current", 1.4)):
                maker.add(supply_reading(t, function, value))
            maker.add(supply_reading(1.5, "current", 1.5, "setting"))
            maker.wait(2.5)
            maker.add(injected("off", why="the pedal"))
    maker.add(received(f"GC-{boards + 1:02}"))
    maker.add(records.Board(job=JOB, board="GC-01", event="changed", state="tested good", by="colleague"))
    world.end()
    return maker
