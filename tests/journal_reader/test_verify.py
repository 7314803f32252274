"""Verify: what is right passes, what is wrong is named by segment, line and reason."""

from __future__ import annotations

import gzip
import json
import shutil
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from meterlink.errors import BadInput
from meterlink.journal.reader import LONGEST, segments, strangers
from meterlink.journal.summary import summary
from meterlink.journal.verify import Verification
from tests.journal_reader.chains import all_lines, all_records, append, check, forge
from tests.journal_reader.generate import MORNING, Maker, World, big, small

Edit = Callable[[Path, int, Callable[[bytes], bytes]], None]
AT = b'"at":"2026-11-26T09:00:00.000000Z",'


def test_a_good_journal_passes_with_every_proof(journal: Path) -> None:
    report = check(journal)
    everything = all_records(journal)
    kinds = [r["kind"] for r in everything]
    assert report.ok
    assert not report.faults
    assert report.records == report.last_seq == len(everything)
    assert report.readings_checked == {"fs9721 1": kinds.count("reading")}
    assert report.keeps_checked == kinds.count("kept")
    assert report.kinds == {k: kinds.count(k) for k in sorted(set(kinds))}
    assert (report.starts, report.broken_off, report.voided) == (2, 0, 2)
    assert not report.readings_unchecked
    assert not report.keeps_unchecked
    assert "nothing wrong was found" in summary(report, journal)


def test_one_digit_of_any_line_is_named(journal: Path, edit: Edit) -> None:
    """The issue's `sed` on one digit of any line; of the very last line only what a head or content shows."""
    segment = segments(journal)[0]
    count = segment.read_bytes().count(b"\n")
    whole = segment.read_bytes()

    def bump(line: bytes) -> bytes:
        at = next(i for i in range(len(line) // 2, len(line)) if line[i : i + 1].isdigit() or i == len(line) - 2)
        return line[:at] + (b"7" if line[at : at + 1] != b"7" else b"8") + line[at + 1 :]

    for number in range(1, count + 1):
        edit(segment, number, bump)
        fault = check(journal).faults[0]
        assert (fault.segment, fault.line) == (segment.name, number), fault.reason
        segment.write_bytes(whole)


@pytest.mark.parametrize("chain_only", [True, False])
def test_prev_and_seq_that_were_changed(journal: Path, edit: Edit, chain_only: bool) -> None:
    segment = segments(journal)[0]
    whole = segment.read_bytes()
    for number in (1, 2, 50, whole.count(b"\n")):
        edit(segment, number, lambda line: line[:20] + (b"0" if line[20:21] != b"0" else b"1") + line[21:])
        fault = check(journal, chain_only=chain_only).faults[0]
        assert (fault.line, "prev" in fault.reason) == (number, True)
        segment.write_bytes(whole)
        edit(segment, number, lambda line: line.replace(b'"seq":', b'"seq":9', 1))
        fault = check(journal, chain_only=chain_only).faults[0]
        assert fault.line == number
        assert "seq was changed" in fault.reason
        segment.write_bytes(whole)


def test_missing_swapped_and_doubled_lines(journal: Path) -> None:
    segment = segments(journal)[0]
    lines = segment.read_bytes().splitlines(keepends=True)
    for changed, line, word in (
        (lines[:30] + lines[31:], 31, "missing before it"),
        ([*lines[:30], lines[31], lines[30], *lines[32:]], 31, "missing before it"),
        ([*lines[:30], lines[29], *lines[30:]], 31, "put in or moved"),
        (lines[1:], 1, "missing"),
    ):
        segment.write_bytes(b"".join(changed))
        fault = check(journal).faults[0]
        assert (fault.line, word in fault.reason) == (line, True), fault.reason


def test_a_trusted_head_finds_what_was_cut_off(journal: Path) -> None:
    head = check(journal).head
    assert check(journal, trusted=head).trusted_seq == len(all_lines(journal))
    last = segments(journal)[-1]
    last.write_bytes(b"".join(last.read_bytes().splitlines(keepends=True)[:-3]))
    assert check(journal).ok, "the chain alone cannot show it"
    report = check(journal, trusted=head)
    assert not report.ok
    assert head in report.faults[0].reason


def test_a_torn_end_and_a_line_that_is_being_written(journal: Path) -> None:
    last = segments(journal)[-1]
    whole = last.read_bytes()
    last.write_bytes(whole[:-40])
    fault = check(journal).faults[0]
    assert fault.line == whole.count(b"\n")
    assert "without a line end" in fault.reason

    def writes(seconds: float) -> None:
        last.write_bytes(whole)

    assert Verification(segments(journal), wait=writes).run().ok


# -- forged journals: the chain holds, the content does not


def only(seen: list[int], record: dict[str, Any], kind: str) -> bool:
    """The third record of a kind."""
    if record["kind"] == kind:
        seen.append(record["seq"])
    return record["kind"] == kind and len(seen) == 3


@pytest.mark.parametrize(
    ("kind", "field", "value", "word"),
    [
        ("reading", "value", 1.5, "its raw decodes to"),
        ("reading", "unit", "V", "its raw decodes to"),
        ("reading", "function", "continuity", "its raw decodes to"),
        ("reading", "coupling", "dc", "its raw decodes to"),
        ("reading", "resolution", 0.5, "its raw decodes to"),
        ("reading", "state", "under", "its raw decodes to"),
        ("reading", "flags", ["hold"], "its raw decodes to"),
        ("reading", "channel", "2", "its raw decodes to"),
        ("reading", "display", "1 Ohm", "its raw decodes to"),
        ("reading", "raw", "00", "no frame of fs9721"),
        ("reading", "raw", "xy", "not hex"),
        ("reading", "instrument", "other", "no instrument record"),
        ("kept", "value", 1.0, "the median of its readings is"),
        ("kept", "spread", 99.0, "its spread is"),
        ("kept", "n", 2, "its n is 2"),
        ("kept", "function", "diode", "among its readings"),
        ("kept", "resolution", 0.5, "its resolution is"),
        ("kept", "readings", [9, 8], "are not before it"),
        ("kept", "readings", [1, 10**9], "are not before it"),
        ("kept", "readings", [1, 2], "is no reading of"),
        ("kept", "verdict", "open", "its verdict is open"),
        ("kept", "verdict", None, "its verdict is None"),
        ("kept", "uncertainty", {"expanded": 1e6, "k": 2, "from": "x"}, "its verdict is"),
        ("kept", "band", None, "its verdict is"),
        ("kept", "by", "somebody", "no record of format 1"),
        ("context", "at", "2026-11-25T08:00:00Z", "no UTC time"),
        ("context", "at", "2026-02-30T08:00:00.000000Z", "no UTC time"),
    ],
)
def test_content_that_does_not_follow(journal: Path, kind: str, field: str, value: object, word: str) -> None:
    seen: list[int] = []
    forge(journal, lambda r: r.update({field: value}) if only(seen, r, kind) else None)
    report = check(journal)
    assert not report.chain_broken
    assert report.faults[0].line == seen[2]
    assert word in report.faults[0].reason, report.faults[0]
    assert check(journal, chain_only=True).ok


def test_by_hand_is_the_last_reading(journal: Path) -> None:
    forge(journal, lambda r: r.update(value=301.0) if r["kind"] == "kept" and r["by"] == "pedal" else None)
    report = check(journal)
    assert report.fault_count == 4, "both pedal keeps of both days"
    assert "its reading" in report.faults[0].reason


def test_a_keep_whose_reading_was_taken_out(journal: Path) -> None:
    kept = next(r for r in all_records(journal) if r["kind"] == "kept")
    forge(journal, lambda r: r["seq"] != kept["readings"][0])
    assert not check(journal).ok


def test_a_void_of_nothing(journal: Path) -> None:
    append(journal, AT + b'"kind":"void","of":100000,"why":"x","by":"key"}')
    assert "withdraws record 100000" in check(journal).faults[0].reason


def test_unknown_driver_is_said_and_not_passed_over(journal: Path) -> None:
    forge(journal, lambda r: r.update(driver="nobody") if r["kind"] == "instrument" else None)
    report = check(journal)
    assert report.ok
    assert not report.readings_checked
    assert report.readings_unchecked == {"driver 'nobody' is not known here": report.kinds["reading"]}
    assert "could not be checked in full" in summary(report, journal)


def test_a_crash_is_no_fault_and_counted(tmp_path: Path) -> None:
    world = World(Maker(tmp_path))
    world.begin()
    world.begin()
    world.end()
    report = check(tmp_path)
    assert (report.ok, report.starts, report.broken_off) == (True, 2, 1)


# -- files as they should not be


def test_unknown_kinds_fields_and_a_newer_format(journal: Path) -> None:
    append(journal, AT + b'"kind":"weather","rain":true}')
    append(journal, AT + b'"kind":"stop","why":"x","mood":"good"}')
    append(
        journal,
        AT + b'"kind":"start","format":2,"program":"meterlink","version":"9","bench":"b","host":"h",'
        b'"config_sha256":null,"timezone":"UTC"}',
    )
    append(journal, AT + b'"kind":"stop","why":{"now":"an object"}}')
    report = check(journal)
    assert report.ok, report.faults
    assert report.unknown == 2
    assert any("format 2" in note for note in report.notes)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        (b'"kind":"weather","x":"' + b"y" * 10_000_000 + b'"}', None),
        (b'"kind":"weather","x":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "is no record"),
        (b'"kind":"stop","why":"x","x":' + b"[" * 100_000 + b"]" * 100_000 + b"}", "is no record"),
        (b'"kind":"weather","x":"\xff\xfe"}', "UTF-8"),
        (b'"kind":"weather","x":1,"x":2}', "given twice"),
        (b'"kind":"stop","why":"a","why":"b"}', "given twice"),
        (b'"kind":"stop","why":1e999}', "is no record"),
        (b'"kind":"stop","why":"x"', "is no record"),
        (b'"kind":7}', "is no record"),
    ],
    ids=["10 MB", "deep", "deep, known", "not UTF-8", "twice", "twice, known", "wrong type", "cut", "no kind"],
)  # fmt: skip
def test_lines_of_a_stranger(journal: Path, text: bytes, word: str | None) -> None:
    append(journal, AT + text)
    report = check(journal)
    assert report.ok == (word is None)
    if word:
        assert word in report.faults[0].reason, report.faults[0].reason[:200]
        assert report.faults[0].line == segments(journal)[-1].read_bytes().count(b"\n")


@pytest.mark.parametrize(
    ("how", "word"),
    [
        (lambda line: b"\n" + line, "blank line"),
        (lambda line: b"\xef\xbb\xbf" + line, "byte-order mark"),
        (lambda line: line[:-1] + b"\r\n", "CR"),
        (lambda line: b"\x00" * len(line[:-1]) + b"\n", "no record"),
        (lambda line: b'{"seq":1,"prev":"0","at":"x","kind":"y"}\n', "does not begin with prev"),
        (lambda line: b"x" * (LONGEST + 300_000) + b"\n", "longer than"),
    ],
    ids=["blank", "mark", "CR", "zeros", "order", "17 MB"],
)
def test_lines_that_are_none(journal: Path, edit: Edit, how: Callable[[bytes], bytes], word: str) -> None:
    edit(segments(journal)[1], 7, how)
    fault = check(journal).faults[0]
    assert (fault.segment, fault.line) == ("2026-11-26.jsonl", 7)
    assert word in fault.reason


def test_segments_missing_renamed_doubled_empty_compressed_foreign(journal: Path, tmp_path: Path) -> None:
    first, second = segments(journal)
    (journal / "2026-11-24.jsonl").write_bytes(b"")
    (journal / "notes.txt").write_text("x")
    (journal / "2026-11-27.jsonl.gz").write_bytes(gzip.compress(b"x"))
    report = check(journal)
    assert report.ok
    assert "2026-11-24.jsonl is empty" in report.notes
    assert [word.split()[0] for word in strangers(journal)] == ["'2026-11-27.jsonl.gz'", "'notes.txt'"]
    assert "compressed" in strangers(journal)[0]

    shutil.copy(first, journal / "2026-11-25p002.jsonl")
    fault = check(journal).faults[0]
    assert (fault.segment, fault.line, "twice or renamed" in fault.reason) == ("2026-11-25p002.jsonl", 1, True)
    (journal / "2026-11-25p002.jsonl").unlink()

    second.rename(journal / "2026-11-28.jsonl")
    report = check(journal)
    assert report.ok, "the chain holds"
    assert any("2026-11-28.jsonl begins with a record of 2026-11-26" in note for note in report.notes)
    (journal / "2026-11-28.jsonl").rename(second)

    first.rename(journal / "2026-11-23.jsonl")
    assert "renamed" in check(journal).faults[0].reason
    (journal / "2026-11-23.jsonl").unlink()
    fault = check(journal).faults[0]
    assert (fault.segment, fault.line) == ("2026-11-26.jsonl", 1)
    assert "segment is missing" in fault.reason


def test_folders_that_are_no_journal(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no journal"):
        segments(tmp_path / "nowhere")
    (tmp_path / "2026-11-25.jsonl").mkdir()
    with pytest.raises(BadInput, match="is no plain file"):
        segments(tmp_path)


def test_a_part_of_a_journal(journal: Path) -> None:
    second = segments(journal)[1]
    report = Verification([second], partial=True).run()
    assert report.ok
    assert report.first_seq == json.loads(second.read_bytes().split(b"\n")[0])["seq"]
    assert report.keeps_checked
    assert any("begins at record" in note for note in report.notes)


def test_the_day_goes_on_in_a_further_segment(tmp_path: Path) -> None:
    maker = Maker(tmp_path / "journal")
    World(maker).begin()
    maker.save()
    (tmp_path / "journal" / "2026-11-25.jsonl").rename(tmp_path / "first")
    World(maker).board("GC-01")
    maker.save()
    (tmp_path / "journal" / "2026-11-25.jsonl").rename(tmp_path / "journal" / "2026-11-25p002.jsonl")
    (tmp_path / "first").rename(tmp_path / "journal" / "2026-11-25.jsonl")
    report = check(tmp_path / "journal")
    assert report.ok
    assert report.segments == ["2026-11-25.jsonl", "2026-11-25p002.jsonl"]
    assert report.first_at == MORNING.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@pytest.mark.parametrize(
    "megabytes",
    [pytest.param(3, marks=pytest.mark.long), pytest.param(100, marks=[pytest.mark.full, pytest.mark.timeout(600)])],
)
def test_memory_does_not_grow_with_the_journal(tmp_path: Path, megabytes: int) -> None:
    def peak(folder: Path) -> int:
        tracemalloc.start()
        try:
            assert check(folder).ok
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    big(tmp_path / "small", 1_500_000)
    big(tmp_path / "large", megabytes * 1_000_000)
    peak(tmp_path / "small")  # imports and caches
    assert peak(tmp_path / "large") < 1.2 * peak(tmp_path / "small") + 1_000_000


def test_the_generator_is_the_same_every_time(tmp_path: Path) -> None:
    assert small(tmp_path / "a", 1).head == small(tmp_path / "b", 1).head
