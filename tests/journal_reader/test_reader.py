"""Segments, lines, places and times."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import records
from meterlink.errors import BadInput, JournalBroken
from meterlink.journal import reader
from tests.journal_reader.chains import all_lines
from tests.journal_reader.generate import Maker, World


def test_entries_are_the_lines(journal: Path) -> None:
    entries = list(reader.entries(journal))
    assert [e.seq for e in entries] == list(range(1, len(all_lines(journal)) + 1))
    without = list(reader.entries(journal, readings=False))
    assert [e.seq for e in without] == [e.seq for e in entries if e.kind != "reading"]


@given(
    st.lists(st.binary(max_size=40).map(lambda b: b.replace(b"\n", b"\xe2\x80\xa8")), max_size=30),
    st.binary(max_size=9),
)
def test_lines_are_split_on_lf_alone(tmp_path_factory: pytest.TempPathFactory, texts: list[bytes], tail: bytes) -> None:
    """JSON Lines: U+2028, CR and form feeds end no line; what follows the last LF is none yet."""
    path = tmp_path_factory.mktemp("lines") / "2026-11-25.jsonl"
    path.write_bytes(b"".join(t + b"\n" for t in texts) + tail.replace(b"\n", b""))
    found = list(reader.lines([path]))
    assert [line.text for line in found] == texts
    assert [line.number for line in found] == list(range(1, len(texts) + 1))
    for line in found:
        assert path.read_bytes()[line.offset :].startswith(line.text)


def test_lines_across_chunks(tmp_path: Path) -> None:
    """Lines that end just before, at and after the border of a chunk, and one longer than several chunks."""
    texts = [b"a" * n for n in (reader.CHUNK - 1, reader.CHUNK, 0, reader.CHUNK - 2, 1, 5 * reader.CHUNK + 3, 7)]
    path = tmp_path / "2026-11-25.jsonl"
    path.write_bytes(b"".join(t + b"\n" for t in texts))
    found = list(reader.lines([path]))
    assert [len(line.text) for line in found] == [len(t) for t in texts]
    assert [line.offset for line in found] == [sum(len(t) + 1 for t in texts[:i]) for i in range(len(texts))]


def test_locate_finds_records_by_bisection(tmp_path: Path) -> None:
    maker = Maker(tmp_path)
    world = World(maker)
    world.begin()
    world.readings([None] * 1500, None, None)
    maker.wait(86_400)
    world.readings([None] * 700, None, None)
    world.end()
    paths = reader.segments(tmp_path)
    everything = list(reader.lines(paths))
    for line in [*everything[::37], *everything[-3:]]:
        seq = reader.seq_of(line.text)
        assert seq is not None
        assert reader.locate(paths, seq) == (paths.index(line.path), line.offset)
    assert reader.locate(paths, maker.seq + 1) == (1, paths[1].stat().st_size)


def test_a_broken_line_is_named(journal: Path) -> None:
    path = reader.segments(journal)[1]
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[:4], b'{"prev":\n', *lines[5:]]))
    with pytest.raises(JournalBroken, match=r"^2026-11-26\.jsonl, line 5: .*journal verify"):
        list(reader.entries(journal))


@pytest.mark.parametrize(
    ("text", "unix"),
    [
        # RFC 3339, 5.8; the seconds since 1970 derived here: days times 86400, and the time of day in UTC
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
        ("1990-12-31T23:59:60Z", 662688000.0),  # the leap second: the begin of 1991, common practice
        ("1990-12-31T15:59:60-08:00", 662688000.0),
        ("1996-12-20", 851040000.0),
        ("1996-12-20t00:39:57z", 851042397.0),  # 5.6: lower case is tolerated
        ("1996-12-20 00:39:57Z", 851042397.0),
    ],
)
def test_times_of_rfc_3339(text: str, unix: float) -> None:
    spelt = reader.instant(text)
    assert records.moment(spelt).timestamp() == pytest.approx(unix, abs=1e-6)
    assert records.timestamp(records.moment(spelt)) == spelt


@pytest.mark.parametrize(
    "text",
    ["", "yesterday", "2026-13-01", "2026-02-30", "2026-11-25T24:00:00Z", "2026-11-25T12:00:61Z", "2026-11-25T12Z",
     "2026-11-25T12:00:00", "2026-11-25T12:00:00+0100", "2026-11-25T12:00:00.Z", "2026-11-25T12:00:00+01:60",
     "2026-11-25T12:00:00+24:00", "0001-01-01T00:00:00+12:00", "９９９９-01-01"],
)  # fmt: skip
def test_texts_that_are_no_times(text: str) -> None:
    with pytest.raises(BadInput, match="is no time"):
        reader.instant(text)
