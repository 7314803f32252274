"""What the page says, and that it is sound HTML with nobody's markup in it but its own."""

from __future__ import annotations

import re
from collections import Counter
from decimal import Decimal
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink import records
from meterlink.errors import BadInput, JournalBroken
from meterlink.journal.reader import entries, lines, segments
from meterlink.report.collect import collect
from meterlink.report.page import page
from meterlink.report.text import esc, file_name
from tests.journal_reader.generate import JOB
from tests.report.journals import bench, html, in_memory, injected, kept, opened, received, told
from tests.report.markup import Page

HOSTILE = "<script>alert(1)</script>/../\"'&amp;\n\u202e\x1b[2J<!-- ]]> ' onload='x"


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "journal"
    bench(folder)
    return folder


@pytest.fixture(scope="module")
def shown(journal: Path) -> Page:
    return Page(html(journal))


def of(log: list[Any], job: str = JOB) -> Page:
    return Page("".join(page(collect(in_memory(log), job))))


def test_the_tally_is_the_journals(journal: Path, shown: Page) -> None:
    state: dict[str, str] = {}
    for e in entries(journal):
        if isinstance(e.record, records.Board) and e.record.state:
            state[e.record.board] = e.record.state
    assert {row[0]: int(row[1]) for row in shown.table("state")} == Counter(state.values())
    assert {row[0]: row[1] for row in shown.table("board", "state")} == state
    assert [row[:2] for row in shown.table("fault found")] == [["C14 +3V3 shorted", "1"]]
    assert "5 boards counted, 14 said to have come. The difference is not explained by any note." in shown.words


def test_a_note_explains_a_mismatch() -> None:
    log = [opened(expected=2), received("GC-01"), opened(event="note", text="1 came, one is late")]
    words = of(log).words
    assert "1 board counted, 2 said to have come. The difference is explained by a note" in words
    assert "one is late" in words
    unnamed = of([*log[:2], opened(event="note", text="one is late")])
    assert "not explained by any note" in unnamed.words
    withdrawn = of([*log, records.Void(of=3, why="it came", by="technician")])
    assert "not explained by any note" in withdrawn.words
    assert "one is late" in "".join(withdrawn.struck)
    assert "it came" in withdrawn.words


def test_before_and_after_and_what_changed(journal: Path, shown: Page) -> None:
    keeps = [e.record for e in entries(journal) if isinstance(e.record, records.Kept)]
    last = {k.stage: Decimal(repr(k.value)) for k in keeps if (k.board, k.point) == ("GC-02", "+3V3")}
    (row,) = shown.table("point", "measured", "before")
    assert row[:2] == ["+3V3", "resistance"]
    assert re.fullmatch(r"\S+ Ohm: short", row[2]) and re.fullmatch(r"\S+ Ohm: ok", row[3])
    assert [Decimal(cell.split()[0]) for cell in row[2:4]] == [last["before"], last["after"]]
    changed = re.fullmatch(r"short to ok; up by (\S+) Ohm", row[4])
    assert changed and Decimal(changed[1]) == last["after"] - last["before"]


def test_a_change_within_the_uncertainty_is_none() -> None:
    u = records.Uncertainty(expanded=0.8, k=2.0, from_="data sheet")
    log = [received("GC-01"), kept(200.0, uncertainty=u), kept(201.0, uncertainty=u, stage="after")]
    assert of(log).table("point", "measured", "before")[0][4] == "no difference that these meters can tell"
    log[2] = kept(201.2, uncertainty=u, stage="after")  # 1.2 > sqrt(0.8^2 + 0.8^2) = 1.13
    assert of(log).table("point", "measured", "before")[0][4] == "up by 1.2 Ohm"


def test_what_was_withdrawn_is_struck_through_with_its_reason(journal: Path, shown: Page) -> None:
    (void,) = [e for e in entries(journal) if isinstance(e.record, records.Void)]
    (row,) = [t for t in shown.tables if t[0][:2] == ["point", "stage"] and any("withdrawn" in r[-1] for r in t[1:])]
    (gone,) = [r for r in row if "withdrawn" in r[-1]]
    assert re.fullmatch(rf"{void.record.of} withdrawn in record {void.seq}: taken back \(pedal, .*\)", gone[-1])
    assert {*gone[:-1], str(void.record.of)} - {""} <= set(shown.struck)


def test_a_withdrawn_keep_is_not_pictured() -> None:
    log = [received("GC-01"), kept(200.0), kept(300.0), records.Void(of=2, why="slip", by="pedal")]
    text = "".join(page(collect(in_memory(log), JOB)))
    assert 'aria-label="+3V3: 1 kept values' in text
    assert 'aria-label="+3V3: 2 kept values' in "".join(page(collect(in_memory(log[:3]), JOB)))


def test_a_withdrawn_board_is_not_counted_but_told() -> None:
    page_ = of([opened(), received("GC-01"), received("GC-99"), records.Void(of=3, why="misread", by="technician")])
    assert "1 board counted" in page_.words
    told_ = page_.words[page_.words.index("Not counted") :]
    assert "GC-99" in told_ and "misread" in told_ and "received" in page_.struck
    assert "GC-99 not counted" in " ".join(told_.split())


def test_what_was_injected_is_told(shown: Page) -> None:
    (row,) = shown.table("on")
    assert row[1:] == ["+3V3", "1 V, at most 1.5 A", "0.98 V, 1.42 A", "after 2.5 s: the pedal", "technician"]
    refused = of([received("GC-02"), injected("refused", 5.0, why="above the rail's nominal voltage")])
    assert "supply refused, 5 V, on rail +3V3, above the rail's nominal voltage" in refused.words


def test_the_head_is_the_last_lines_digest(journal: Path, shown: Page) -> None:
    *_, last = lines(segments(journal))
    assert f"meterlink journal verify --head {sha256(last.text).hexdigest()} JOURNAL" in shown.words
    assert f"records 1 to {len(list(entries(journal)))}" in shown.words
    for claim in ("nothing wrong was found", "was verified", "is genuine"):
        assert claim not in shown.words


def test_instruments_and_their_accuracy_as_they_were_when_used() -> None:
    def found(version: str, accuracy: str | None) -> records.Instrument:
        return records.Instrument(
            instrument="dmm",
            event="found",
            driver="fs9721",
            driver_version=version,
            port="/dev/ttyUSB0",
            accuracy=accuracy,
        )

    u = records.Uncertainty(expanded=0.8, k=2.0, from_="manual p. 7")
    log = [received("GC-01"), found("1", "manual p. 7"), kept(200.0, uncertainty=u), found("2", None), kept(201.0)]
    shown = of([*log, found("3", "never used")])
    assert [row[2::2] for row in shown.table("name", "says it is")] == [
        ["fs9721 1", "manual p. 7"],
        ["fs9721 2", "not stated"],
    ]
    assert "1 of 2 kept values have no uncertainty stated" in shown.words
    assert "computed from: manual p. 7." in shown.words


def test_what_happened_to_the_record_while_the_job_lasted() -> None:
    gap = records.Gap(
        instrument="dmm",
        count=7,
        from_="2026-11-25T08:00:00.000000Z",
        to="2026-11-25T08:00:01.000000Z",
        why="disk full",
    )
    log: list[Any] = [gap, opened(), records.Clock(step=-3.5), gap, received("GC-01"), records.Clock(step=99.0)]
    rows = of(log).table("when", "record")
    assert [row[1] for row in rows] == ["3", "4"]
    assert "moved by -3.5 s" in rows[0][2] and "7 readings could not be written" in rows[1][2]


def test_the_usual_cautions_stand_on_every_page(shown: Page) -> None:
    for page_ in (shown, of([opened()])):
        assert "no statement of electrical safety" in page_.words
        assert "local codes and licensed practice: these come first" in page_.words


def test_an_empty_job() -> None:
    page_ = of([opened()])
    assert "0 boards counted; nobody said how many would come" in page_.words
    assert "No board was taken in." in page_.words


def test_a_job_that_is_not_there() -> None:
    with pytest.raises(BadInput, match=r"no job 'GC-1'; it has 'GC-2611'"):
        of([opened()], "GC-1")
    with pytest.raises(BadInput, match="it has none"):
        of([], "GC-1")


def test_a_line_that_is_no_record(tmp_path: Path) -> None:
    bench(tmp_path, boards=1)
    with (tmp_path / "2026-11-25.jsonl").open("ab") as file:
        file.write(b"\xff\n")
    with pytest.raises(JournalBroken, match=r"2026-11-25\.jsonl, line "):
        told(tmp_path)


def test_mixed_functions_units_and_no_numbers() -> None:
    log = [received("GC-01"), received("GC-02")]
    for board in ("GC-01", "GC-02"):
        log += [
            kept(None, board=board, verdict="open"),
            kept(None, board=board, state="blank", verdict=None),
            kept(None, board=board, state="under", verdict="unsure", function="diode", unit="V"),
            kept(3.3, board=board, function="voltage", coupling="dc", unit="V", band=None, verdict=None),
            kept(-1e-9, board=board, function="capacitance", unit="F", resolution=None, band=None, verdict=None),
            kept(0.0, board=board, point=None, resolution=1e-05),
        ]
    shown = of(log)
    assert shown.words.count("held against") == 7  # five pictures, and the head of both boards' tables
    assert "over range" in shown.words and "no number" in shown.words and "under range" in shown.words
    assert "-1 nF" in shown.words and "0.00000 Ohm" in shown.words


def test_two_hundred_boards() -> None:
    log: list[Any] = [opened(expected=200)]
    log += [received(f"GC-{i:03}") for i in range(200)]
    log += [kept(200.0 + i, board=f"GC-{i:03}") for i in range(200)]
    text = "".join(page(collect(in_memory(log), JOB)))
    shown = Page(text)
    assert "200 boards counted, 200 said to have come." in shown.words
    assert text.count('<svg class="strip"') == 5  # of forty rows each
    assert len(text) < 500_000


@settings(max_examples=60)
@given(st.lists(st.text(max_size=60), min_size=9, max_size=9))
def test_no_text_becomes_markup(texts: list[str]) -> None:
    """Whatever the words of a journal are: the same tags as with plain ones, and the words are there to read."""
    job, board, point, customer, note, why, part, by, instrument = (t + "x" for t in texts)
    shown = of(log_of(job, board, point, customer, note, why, part, by, instrument), job)
    plain = of(log_of("J", "B", "P", "C", "N", "W", "A", "Y", "I"), "J")
    assert [t for t in shown.tags if t != "title"] == [t for t in plain.tags if t != "title"]
    for text in (job, board, point, customer, note, why, part, by, instrument):
        assert Page(f"<!DOCTYPE html><p>{esc(text)}</p>").words in shown.words


def test_hostile_marks_are_text() -> None:
    shown = of(log_of(*[HOSTILE] * 9), HOSTILE)
    assert "script" not in shown.tags
    assert "<script>alert(1)</script>/../\"'&amp;\n\\u{202e}\\u{1b}[2J" in shown.words
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e]", shown.words)


def log_of(
    job: str, board: str, point: str, customer: str, note: str, why: str, part: str, by: str, name: str
) -> list[Any]:
    return [
        opened(job=job, customer=customer, model=customer, expected=3, by=by),
        opened(job=job, event="note", text=note, by=by, counted=99),  # of another count, whatever it says
        records.Board(job=job, board=board, event="received", state=None, by=by),
        records.Board(job=job, board=board, event="changed", state=note, text=why, by=by),
        records.Finding(job=job, board=board, what="found", part=part, text=note, by=by),
        kept(200.0, job=job, board=board, point=point, instrument=name),
        kept(None, job=job, board=board, point=point, instrument=name, stage="after"),
        records.Void(of=6, why=why, by=by),
    ]


@given(st.text())
def test_a_file_name_stays_in_its_folder(job: str) -> None:
    name = file_name(job)
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9_.-]*", name) and len(name) < 100
    assert (name == job) == bool(re.fullmatch(r"[A-Za-z0-9_]([A-Za-z0-9_.-]{0,78}[A-Za-z0-9_])?", job))


def test_marks_do_not_share_a_file() -> None:
    marks = ["GC/1", "GC 1", "GC-1", "../GC-1", "..", "", "GC\n1", "é", "x" * 300, "x" * 301]
    assert len({file_name(m) for m in marks}) == len(marks)
