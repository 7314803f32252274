"""Jobs and boards from records alone: counts, tallies, voids, held against a naive second count."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import records
from meterlink.bench.ledger import STATES, Ledger, names_count

AT = "2026-11-25T00:00:00.000000Z"
BOARDS = st.sampled_from(["GC-01", "GC-02", "GC-03"])
RECORD = st.one_of(
    st.builds(
        lambda b, s: records.Board(job="GC-2611", board=b, event="changed", state=s, by="x"),
        BOARDS,
        st.sampled_from(STATES),
    ),
    st.builds(
        lambda b, p: records.Finding(job="GC-2611", board=b, what="found", part=p, text=None, by="x"),
        BOARDS,
        st.sampled_from(["C412", "D3"]),
    ),
    st.integers(1, 30).map(lambda of: records.Void(of=of, why="slip", by="x")),
)


def naive(log: list[Any]) -> tuple[Counter[str], Counter[str]]:
    """A second way to the tally: strike out what was withdrawn, then walk once for each board."""
    gone = {r.of for r in log if isinstance(r, records.Void)}
    left = [r for i, r in enumerate(log, 1) if i not in gone]
    boards = dict.fromkeys(r.board for r in left if isinstance(r, records.Board))
    states = Counter([r.state for r in left if isinstance(r, records.Board) and r.board == b][-1] for b in boards)
    faults = Counter(
        p for b in boards for p in {r.part for r in left if isinstance(r, records.Finding) and r.board == b}
    )
    return states, faults


@given(st.lists(RECORD, max_size=30))
def test_the_tally_is_the_naive_one(log: list[Any]) -> None:
    ledger = Ledger()
    ledger.apply(0, AT, records.Job(job="GC-2611", event="opened", by="x"))
    for seq, record in enumerate(log, 1):
        ledger.apply(seq, AT, record)
    assert (ledger.tally("GC-2611"), ledger.faults("GC-2611")) == naive(log)


def test_a_mismatch_stands_until_a_note_explains_it() -> None:
    ledger = Ledger()
    ledger.apply(1, AT, records.Job(job="J", event="opened", by="x", expected=2))
    ledger.apply(2, AT, records.Board(job="J", board="A", event="received", state="received", by="x"))
    assert ledger.mismatch("J") == "1 boards counted, 2 said"
    ledger.apply(3, AT, records.Job(job="J", event="note", by="x", text="one is late"))
    assert ledger.mismatch("J") is not None  # it names no count
    ledger.apply(4, AT, records.Job(job="J", event="note", by="x", text="1 came, the slip says 2"))
    assert ledger.mismatch("J") is None
    ledger.apply(5, AT, records.Void(of=4, why="it came", by="x"))
    assert ledger.mismatch("J") is not None
    ledger.apply(6, AT, records.Job(job="J", event="note", by="x", text="one is late", counted=1))
    assert ledger.mismatch("J") is None
    ledger.apply(7, AT, records.Board(job="J", board="B", event="received", state="received", by="x"))
    ledger.apply(8, AT, records.Board(job="J", board="C", event="received", state="received", by="x"))
    assert ledger.mismatch("J") == "3 boards counted, 2 said"  # another count needs another note
    assert ledger.is_open("J")
    ledger.apply(9, AT, records.Job(job="J", event="closed", by="x"))
    assert not ledger.is_open("J")


@pytest.mark.parametrize(
    ("text", "count", "named"),
    [
        ("crate holds 15, slip says 14", 15, True),
        ("crate holds 15.", 15, True),
        ("115 boards", 15, False),
        ("1.5 h later", 1, False),
        ("1.5 h later", 5, False),
        ("GC15", 15, False),
        ("fifteen", 15, False),
        (None, 0, False),
    ],
)
def test_a_note_names_a_count_as_a_number_of_its_own(text: str | None, count: int, named: bool) -> None:
    assert names_count(text, count) is named
