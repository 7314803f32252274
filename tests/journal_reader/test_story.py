"""Replay and resettle: pure, from generated journals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from meterlink.cli.journal import app
from meterlink.errors import BadInput
from meterlink.journal.index import Index
from meterlink.journal.reader import entries
from meterlink.journal.resettle import resettle
from meterlink.journal.story import story
from meterlink.settle import Rules
from tests.journal_reader.chains import all_records, append, check


def test_the_story_is_every_record_of_the_board_in_order(journal: Path) -> None:
    everything = all_records(journal)
    of_board = {r["seq"] for r in everything if r.get("board") == "GC-02" and r["kind"] != "reading"}
    voids = {r["of"]: r["seq"] for r in everything if r["kind"] == "void"}
    expected = sorted(of_board | {by for of, by in voids.items() if of in of_board})
    with Index(journal) as index:
        steps = list(story(index, "GC-02"))
    told = [json.loads(step.line) for step in steps]
    assert [r["seq"] for r in told] == expected
    assert [s.withdrawn_by for s in steps] == [voids.get(seq) for seq in expected]
    assert [s for s in steps if "short" in s.text and s.text.startswith("kept +3V3 (before)")]
    assert [s for s in steps if s.text == "finding: replaced C14, by technician"]
    assert "[withdrawn by record" in next(s for s in steps if s.withdrawn_by).text
    ats = [r["at"] for r in told]
    assert ats == sorted(ats)
    assert sum(s.pause_s for s in steps) == pytest.approx(12.0, abs=5)


def test_a_board_nobody_knows_and_one_in_two_jobs(journal: Path) -> None:
    with Index(journal) as index, pytest.raises(BadInput, match=r"'GC-O2'; near it: .*GC-02"):
        list(story(index, "GC-O2"))
    text = '"kind":"board","job":"GC-2699","board":"GC-02","event":"received","by":"command"}'
    append(journal, f'"at":"2026-11-26T09:00:00.000000Z",{text}'.encode())
    with Index(journal) as index:
        with pytest.raises(BadInput, match="GC-2611, GC-2699"):
            list(story(index, "GC-02"))
        assert len(list(story(index, "GC-02", "GC-2699"))) == 1
        with pytest.raises(BadInput, match="in job 'GC-26'"):
            list(story(index, "GC-02", "GC-26"))


def test_marks_with_markup_breaks_and_escapes_reach_no_terminal(journal: Path) -> None:
    mark = "../a/'\"<b>\n\x1b[31m\u202e"
    line = '"at":"2026-11-26T09:00:00.000000Z","kind":"finding","job":"GC-2611","board":%s,"what":"note",'
    line += '"part":null,"text":%s,"by":"command"}'
    append(journal, (line % (json.dumps(mark), json.dumps(mark))).encode())
    told = CliRunner().invoke(app, ["replay", mark, "--dir", str(journal.parent)])
    assert told.stdout.count("\n") == 1 and told.stdout.rstrip("\n").isprintable()
    assert r"\u{1b}[31m" in told.stdout
    told = CliRunner().invoke(app, ["replay", mark, "--json", "--dir", str(journal.parent)])
    assert told.stdout.isascii() and json.loads(told.stdout)["text"] == mark
    assert check(journal).ok


def test_resettle_stands_beside_what_was_kept(journal: Path) -> None:
    kept = [r for r in all_records(journal) if r["kind"] == "kept"]
    pairs = list(resettle(entries(journal)))
    assert [p.was_seq for p in pairs if p.was_seq] == [r["seq"] for r in kept]
    both = [p for p in pairs if p.was_readings and p.would_readings and p.by == "settled"]
    assert len(both) == sum(r["by"] == "settled" for r in kept), "every touch of the generator stands still"
    for pair in both:
        assert pair.was is not None
        # hands-free: 3 counts (of 0.1 Ohm, the finest) or 0.5 %
        assert pair.would == pytest.approx(pair.was, abs=0.3, rel=0.005)
    strict = list(resettle(entries(journal), Rules(window=8, span_s=10.0)))
    assert all(p.would is None for p in strict)
    assert [p.was_seq for p in strict] == [r["seq"] for r in kept]
