"""A keep made while a rail is fed is a potential along the copper: nothing takes it for the point's own value."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from meterlink import knowngood, records
from meterlink.journal.reader import lines, segments
from meterlink.report.collect import collect
from meterlink.report.page import page
from tests.numbers.journals import Story
from tests.program import meterlink

BAND = records.Band(low=3.2, high=3.4, expect="band", from_="sheet")


def fed(story: Story, board: str, event: Any) -> None:
    story.records.append(
        records.Supply(
            instrument="psu", event=event, voltage=1.0, current_limit=1.5, why=None, by="op", job="GC-2611",
            board=board, rail="+3V3",
        )
    )  # fmt: skip


@pytest.fixture
def story() -> Story:
    """Three good boards of 3.3 V at +3V3; after that, at each, 0.2 V was kept there while the rail was fed."""
    out = Story()
    for i in range(1, 4):
        mark = f"GC-0{i}"
        out.board(mark)
        out.keep(mark, "+3V3", round(3.3 + i / 1000, 3), function="voltage", coupling="dc", band=BAND)
        fed(out, mark, "on")
        out.keep(mark, "+3V3", round(0.2 + i / 100, 2), function="voltage", coupling="dc", band=BAND)
        out.keep(mark, "C412", 0.1, function="voltage", coupling="dc")
        fed(out, mark, "off")
        out.state(mark, "tested good")
    return out


def test_nothing_is_learned_from_it(story: Story) -> None:
    """Neither a band of a hundred millivolts for +3V3 nor any band for a point that was met by searching alone."""
    found, _ = knowngood.learn_all(story.ledger(), "IC-8 rev C")
    assert [p.point for p in found.points] == ["+3V3"]
    assert found.points[0].band.mean == pytest.approx(3.302)


def test_an_end_that_tripped_ends_it_too(story: Story) -> None:
    for i, record in enumerate(story.records):
        if isinstance(record, records.Supply) and record.event == "off":
            story.records[i] = records.Supply(**{**_fields(record), "event": "tripped"})
    story.keep("GC-01", "VIN", 24.0, function="voltage", coupling="dc")
    story.keep("GC-02", "VIN", 24.1, function="voltage", coupling="dc")
    found, _ = knowngood.learn_all(story.ledger(), "IC-8 rev C")
    assert [p.point for p in found.points] == ["+3V3", "VIN"]


def _fields(record: Any) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__struct_fields__}


def run(root: Path, *words: str) -> str:
    done = meterlink(*words, "--dir", str(root))
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_no_view_shows_its_verdict_as_the_points(story: Story, tmp_path: Path) -> None:
    story.write(tmp_path / "journal")
    run(tmp_path, "known-good", "learn")
    (row,) = [json.loads(line) for line in run(tmp_path, "board", "show", "GC-01", "--json").splitlines()]
    assert [(p["point"], p["before"], p["before_verdict"]) for p in row["points"]] == [("+3V3", "3.301 V", "ok")]
    judged = run(tmp_path, "journal", "show", "--board", "GC-01", "--kind", "kept", "--judge").splitlines()
    assert ["[now" in line for line in judged] == [True, False, False]  # two were fed
    assert "0.21" not in run(tmp_path, "sheet", "new", "GC-01")


def test_anew_means_the_points_own_values_alone(tmp_path: Path) -> None:
    """Judged anew by what was learned: the value that was kept at rest, not the potential of the same point."""
    story = Story()
    for i in (1, 2):
        mark = f"GC-0{i}"
        story.board(mark)
        story.keep(mark, "VIN", round(0.5 + i / 1000, 3))
        story.state(mark, "tested good")
    fed(story, "GC-01", "on")
    story.keep("GC-01", "VIN", 0.1)
    fed(story, "GC-01", "off")
    story.write(tmp_path / "journal")
    run(tmp_path, "known-good", "learn")
    shown = run(tmp_path, "journal", "show", "--kind", "kept", "--judge").splitlines()
    assert ["[now" in line for line in shown] == [True, True, False]
    rows = [json.loads(x) for x in run(tmp_path, "journal", "show", "--kind", "kept", "--judge", "--json").splitlines()]
    assert ["judged" in row for row in rows] == [True, True, False]


def test_the_report_keeps_them_apart(story: Story, tmp_path: Path) -> None:
    """In no picture of the point, in no comparison; in the board's table, not judged, and said why."""
    story.keep("GC-01", "+3V3", 3.3, function="voltage", coupling="dc", band=BAND, stage="after")
    story.write(tmp_path / "journal")
    text = "".join(page(collect(lines(segments(tmp_path / "journal")), "GC-2611")))
    assert 'aria-label="+3V3: 4 kept values' in text and "C412: " not in text
    assert text.count("kept while the rail was fed") == 6
    assert "3.301 V: ok" in text and "0.210 V: low" not in text and ">low<" not in text
