"""Journals for these tests: a few lines tell what happened to which board."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from hashlib import sha256
from pathlib import Path
from typing import Any

from meterlink import records
from meterlink.bench.ledger import Ledger
from meterlink.bench.verdict import judge


class Story:
    """Records in the order in which they are told; every teller gives the record's seq."""

    def __init__(self) -> None:
        self.records: list[records.Record] = []
        self.job("GC-2611", "IC-8 rev C")

    def _tell(self, record: records.Record) -> int:
        self.records.append(record)
        return len(self.records)

    def job(self, job: str, model: str) -> int:
        return self._tell(records.Job(job=job, event="opened", state="open", by="op", model=model))

    def board(self, board: str, job: str = "GC-2611") -> int:
        return self._tell(records.Board(job=job, board=board, event="received", by="op", state="received"))

    def state(self, board: str, state: str, job: str = "GC-2611") -> int:
        return self._tell(records.Board(job=job, board=board, event="changed", by="op", state=state))

    def finding(self, board: str, what: Any, job: str = "GC-2611") -> int:
        return self._tell(records.Finding(job=job, board=board, what=what, part="C412", text=None, by="op"))

    def void(self, of: int) -> int:
        return self._tell(records.Void(of=of, why="test", by="op"))

    def keep(self, board: str, point: str | None, value: float | None, job: str = "GC-2611", **more: Any) -> int:
        return self._tell(self.kept(job, board, point, value, **more))

    @staticmethod
    def kept(
        job: str,
        board: str,
        point: str | None,
        value: float | None,
        *,
        function: str = "diode",
        unit: str = "V",
        coupling: Any = None,
        state: Any = "ok",
        stage: Any = None,
        expanded: float | None = None,
        band: records.Band | None = None,
    ) -> records.Kept:
        u = None if expanded is None else records.Uncertainty(expanded=expanded, k=2.0, from_="test")
        return records.Kept(
            job=job,
            board=board,
            point=point,
            instrument="meter",
            function=function,
            coupling=coupling,
            value=value,
            unit=unit,
            resolution=0.001,
            state=state,
            readings=(1, 1),
            n=1,
            spread=None,
            uncertainty=u,
            band=band,
            verdict=judge(value, state, function, band, u),
            by="settled",
            stage=stage,
        )

    def ledger(self) -> Ledger:
        ledger = Ledger()
        for seq, record in enumerate(self.records, 1):
            ledger.apply(seq, "2026-11-25T12:00:00.000000Z", record)
        return ledger

    def write(self, folder: Path) -> None:
        """As a journal of one segment, chained."""
        folder.mkdir(parents=True)
        at, prev = datetime(2026, 11, 25, 12, tzinfo=timezone.utc), records.GENESIS
        with (folder / "2026-11-25.jsonl").open("wb") as file:
            for seq, record in enumerate(self.records, 1):
                line = records.encode(record, prev, seq, records.timestamp(at + timedelta(seconds=seq)))
                prev = sha256(line).hexdigest()
                file.write(line + b"\n")
