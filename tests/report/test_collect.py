"""The pass over the journal: what it holds, and that it holds no more."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from meterlink import records
from meterlink.journal.reader import Line, entries
from meterlink.report.collect import AFTER, BEFORE, collect
from tests.journal_reader.generate import JOB
from tests.report.journals import bench, in_memory, injected, kept, opened, received, supply_reading, told


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("collect") / "journal"
    bench(folder)
    return folder


def reading(t: float, value: float | None, function: str = "resistance", unit: str = "Ohm") -> records.Reading:
    return records.Reading(
        instrument="dmm", t=t, function=function, coupling=None, value=value, unit=unit, resolution=1.0,
        state="ok" if value is not None else "over", flags=[], display=None, channel=None, job=None, board=None,
        point=None, raw="00",
    )  # fmt: skip


def test_a_waveform_holds_every_reading_that_its_keep_stands_on(journal: Path) -> None:
    everything = list(entries(journal))
    values = {e.seq: e.record.value for e in everything if isinstance(e.record, records.Reading)}
    keeps = {e.seq: e.record for e in everything if isinstance(e.record, records.Kept)}
    traces = told(journal).traces
    assert set(traces) == set(keeps)
    for seq, trace in traces.items():
        assert all(values[s.seq] == s.value for s in trace.samples)
        held = [s.seq for s in trace.samples]
        assert held == sorted(held)
        first, last = keeps[seq].readings
        assert {n for n in values if first <= n <= last} <= set(held)
        assert sum(n > last for n in held) <= AFTER and sum(n <= last for n in held) <= BEFORE


def test_another_function_is_not_in_the_waveform() -> None:
    log = [received("GC-01"), reading(1.0, 0.5, "diode", "V"), *(reading(t, 200.0) for t in (2.0, 2.2)),
           kept(200.0, readings=(3, 4)), reading(3.0, 0.6, "diode", "V"), reading(3.2, 201.0)]  # fmt: skip
    (trace,) = collect(in_memory(log), JOB).traces.values()
    assert [s.value for s in trace.samples] == [200.0, 200.0, 201.0]


def test_readings_of_another_run_are_not_in_the_waveform() -> None:
    start = records.Start(
        format=1, program="meterlink", version="1", bench="b", host="h", config_sha256=None, timezone="UTC"
    )
    log = [received("GC-01"), reading(900.0, 100.0), start, reading(1.0, 200.0), kept(200.0, readings=(4, 4))]
    (trace,) = collect(in_memory(log), JOB).traces.values()
    assert [s.value for s in trace.samples] == [200.0]


def test_a_keep_without_readings_has_no_waveform() -> None:
    assert collect(in_memory([received("GC-01"), kept(200.0, readings=(900, 901))]), JOB).traces == {}


def test_an_injection_ends_with_off_a_trip_or_not_at_all() -> None:
    log = [
        received("GC-02"),
        injected("on", 1.0, 0.5),
        supply_reading(1.0, "current", 0.4),
        injected("tripped", why="over-voltage"),
        supply_reading(2.0, "current", 9.0),
        injected("on", 1.2, 0.5),
    ]
    first, second = collect(in_memory(log), JOB).injections["GC-02"]
    assert (first.amperes, first.off and first.off.record.event) == (0.4, "tripped")
    assert (second.on.record.voltage, second.amperes, second.off) == (1.2, None, None)


def test_an_injection_that_a_killed_service_left_on_ends_with_the_off_of_the_next_start() -> None:
    start = records.Start(
        format=1, program="meterlink", version="1", bench="b", host="h", config_sha256=None, timezone="UTC"
    )
    log = [received("GC-02"), injected("on", 1.0, 0.5), start, injected("off", why="switched off")]
    (one,) = collect(in_memory(log), JOB).injections["GC-02"]
    assert one.off and one.off.record.why == "switched off"
    other = msgspec.structs.replace(injected("on", 1.2, 0.5), job="LX-77")
    (one,) = collect(in_memory([*log[:2], start, other, injected("off")]), JOB).injections["GC-02"]
    assert one.off is None  # that off is of the other job's injection


def test_other_jobs_stay_out() -> None:
    log = [
        opened(),
        received("GC-01"),
        opened(job="GC-2612", customer="somebody else"),
        received("X-1", "GC-2612"),
        kept(200.0, job="GC-2612", board="X-1", instrument="other"),
        records.Void(of=5, why="slip", by="x"),
    ]
    material = collect(in_memory(log), JOB)
    assert set(material.ledger.jobs) == {JOB}
    assert material.ledger.voided == {} and material.instruments == []


def many(readings: int) -> Iterator[Line]:
    """A job with two keeps, and so many readings before and between them."""

    def log() -> Iterator[records.Record]:
        yield received("GC-01")
        for first in (2, readings + 3):
            for i in range(readings):
                yield reading(i / 4, float(i % 400))
            yield kept(200.0, readings=(first + readings - 1, first + readings - 1))

    prev = records.GENESIS
    for seq, record in enumerate(log(), 1):
        yield Line(Path("x"), seq, 0, records.encode(record, prev, seq, "2026-11-25T08:00:00.000000Z"))


def test_memory_does_not_grow_with_the_readings() -> None:
    def peak(readings: int) -> int:
        tracemalloc.start()
        material = collect(many(readings), JOB)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert len(material.traces) == 2
        return most

    peak(400)  # what is imported and cached on the way
    assert peak(4_000) < 1.3 * peak(400)
