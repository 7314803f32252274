"""The index: it answers as a plain reading of the journal does, whatever happened to either."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink import records
from meterlink.errors import BadInput, JournalBroken
from meterlink.journal.index import Index, Query
from tests.journal_reader.chains import all_lines, all_records
from tests.journal_reader.generate import Maker, World, small
from tests.program import meterlink


def naive(folder: Path, query: Query) -> list[tuple[int, int | None]]:
    """A second implementation: every record read, (seq, seq of its first void)."""
    everything = all_records(folder)
    by_seq = {r["seq"]: r for r in everything}
    voids: dict[int, int] = {}
    for r in everything:
        if r["kind"] == "void":
            voids.setdefault(r["of"], r["seq"])

    def field(r: dict[str, Any], name: str) -> object:
        return by_seq.get(r["of"], {}).get(name) if r["kind"] == "void" else r.get(name)

    return [
        (r["seq"], voids.get(r["seq"]))
        for r in everything
        if (r["kind"] == query.kind if query.kind else r["kind"] != "reading")
        and all(getattr(query, n) in (None, field(r, n)) for n in ("board", "job", "point"))
        and (query.since is None or r["at"] >= query.since)
        and (query.until is None or r["at"] <= query.until)
    ]


def asked(folder: Path, query: Query, **options: Any) -> list[tuple[int, int | None]]:
    with Index(folder, **options) as index:
        return [(records.decode(f.text).seq, f.withdrawn_by) for f in index.select(query)]


BOARDS = st.sampled_from([None, None, "GC-01", "GC-02", "GC-03", "nobody"])
TIMES = st.sampled_from(
    [None, "2026-11-25T08:00:05.000000Z", "2026-11-25T23:00:00.000000Z", "2026-11-26T08:00:20.000000Z"]
)
QUERIES = st.builds(
    Query,
    board=BOARDS,
    job=st.sampled_from([None, "GC-2611", "other"]),
    point=st.sampled_from([None, "+3V3", "VIN"]),
    kind=st.sampled_from([None, "kept", "reading", "void", "finding", "context", "start"]),
    since=TIMES,
    until=TIMES,
)


@settings(max_examples=80, deadline=None)
@given(query=QUERIES)
def test_it_answers_as_a_plain_reading(made: Path, tmp_path_factory: pytest.TempPathFactory, query: Query) -> None:
    folder = tmp_path_factory.getbasetemp() / "indexed"
    if not folder.exists():
        shutil.copytree(made, folder)
    assert asked(folder, query) == naive(folder, query)


def test_it_grows_with_the_journal(tmp_path: Path) -> None:
    """After every record, and across segments: the same answers, and nothing is built twice."""
    maker = Maker(tmp_path)
    world = World(maker)
    steps = [world.begin, world.open_job, lambda: world.board("GC-01", ("VIN",)), lambda: maker.wait(86_400),
             lambda: world.board("GC-02", ("VIN", "+3V3"), "+3V3"), lambda: world.board("GC-01", ("VIN",))]  # fmt: skip
    for number, step in enumerate(steps):
        step()
        maker.save()
        for query in (Query(), Query(board="GC-01"), Query(board="GC-02", kind="reading"), Query(kind="void")):
            assert asked(tmp_path, query) == naive(tmp_path, query)
        with Index(tmp_path) as index:
            assert not index.rebuilt, f"step {number}"


def test_half_a_line_is_not_indexed_until_it_is_whole(journal: Path) -> None:
    last = sorted(journal.glob("*.jsonl"))[-1]
    whole = last.read_bytes()
    last.write_bytes(whole[:-30])
    assert asked(journal, Query()) == naive(journal, Query())
    last.write_bytes(whole)
    assert asked(journal, Query()) == naive(journal, Query())


def test_a_journal_that_changed_under_it_is_indexed_anew(journal: Path, tmp_path: Path) -> None:
    asked(journal, Query())
    for path in journal.glob("*.jsonl"):
        path.unlink()
    small(journal, boards=1, seed=7)
    with Index(journal) as index:
        assert index.rebuilt
    assert asked(journal, Query()) == naive(journal, Query())

    first = sorted(journal.glob("*.jsonl"))[0]
    lines = first.read_bytes().splitlines(keepends=True)
    first.write_bytes(b"".join(lines[:-1]))  # cut back
    assert asked(journal, Query()) == naive(journal, Query())
    first.write_bytes(b"".join(lines[:-2]) + lines[-2].replace(b'"GC-01"', b'"GC-09"') + lines[-1])
    assert asked(journal, Query(), cache=tmp_path)[:5] == naive(journal, Query())[:5]


def the_file(cache: Path) -> Path:
    (found,) = cache.iterdir()
    return found


@pytest.mark.parametrize("damage", [b"", b"no database at all" * 100, None])
def test_a_damaged_index_is_built_anew(journal: Path, tmp_path: Path, damage: bytes | None) -> None:
    cache = tmp_path / "cache"
    asked(journal, Query(), cache=cache)
    if damage is None:
        with sqlite3.connect(the_file(cache)) as database:
            database.execute("PRAGMA user_version = 99")
    else:
        the_file(cache).write_bytes(damage)
    assert asked(journal, Query(board="GC-01"), cache=cache) == naive(journal, Query(board="GC-01"))


def test_nothing_is_written_into_the_journal_and_each_journal_has_its_own(journal: Path, tmp_path: Path) -> None:
    cache, before = tmp_path / "cache", sorted(journal.iterdir())
    assert asked(journal, Query(), cache=cache) == naive(journal, Query())
    assert sorted(journal.iterdir()) == before
    assert the_file(cache).stat().st_mode & 0o777 == 0o600
    other = shutil.copytree(journal, tmp_path / "other")
    (other / "2026-11-26.jsonl").unlink()
    assert asked(other, Query(), cache=cache) == naive(other, Query())
    assert len(list(cache.iterdir())) == 2
    (tmp_path / "file").write_text("in the way")
    assert asked(journal, Query(), cache=tmp_path / "file" / "cache") == naive(journal, Query())


def strangers(tmp_path: Path) -> Path:
    """Somebody's database, which has nothing to do with a journal."""
    path = tmp_path / "photos.sqlite"
    with sqlite3.connect(path) as database:
        database.execute("CREATE TABLE segments (photo TEXT)")
        database.execute("INSERT INTO segments VALUES ('the only copy')")
    return path


def link(place: Path, target: Path) -> None:
    place.symlink_to(target)


def second_name(place: Path, target: Path) -> None:
    os.link(target, place)


@pytest.mark.parametrize("way", [link, second_name])
def test_no_link_leads_the_index_to_another_file(journal: Path, tmp_path: Path, way: Any) -> None:
    """In the cache, and under the name that an index once had in a journal's folder."""
    photos, cache = strangers(tmp_path), tmp_path / "cache"
    before = photos.read_bytes()
    asked(journal, Query(), cache=cache)
    place = the_file(cache)
    place.unlink()
    way(place, photos)
    way(journal / "index.sqlite", photos)
    for _ in range(2):
        assert asked(journal, Query(), cache=cache) == naive(journal, Query())
    assert photos.read_bytes() == before


def test_a_cache_that_others_may_write_is_not_used(journal: Path, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    cache.mkdir()
    cache.chmod(0o777)
    assert asked(journal, Query(), cache=cache) == naive(journal, Query())
    assert not list(cache.iterdir())


def test_it_is_never_trusted_for_the_content(journal: Path, tmp_path: Path) -> None:
    """What is shown is the line of the journal, also where the index says something else."""
    cache = tmp_path / "cache"
    asked(journal, Query(), cache=cache)
    with sqlite3.connect(the_file(cache)) as database:
        database.execute("UPDATE entries SET kind = 'finding' WHERE kind = 'kept'")
    with Index(journal, cache) as index:
        assert all(f.text in all_lines(journal) for f in index.select(Query()))


def test_a_broken_line_and_no_journal(journal: Path, tmp_path: Path) -> None:
    with sorted(journal.glob("*.jsonl"))[-1].open("ab") as file:
        file.write(b"what?\n")
    number = sorted(journal.glob("*.jsonl"))[-1].read_bytes().count(b"\n")
    with pytest.raises(JournalBroken, match=rf"2026-11-26\.jsonl, line {number}: "):
        Index(journal)
    with pytest.raises(BadInput, match="no journal"):
        Index(tmp_path / "nowhere")


@pytest.mark.parametrize("gone", [0, 1])
def test_a_segment_that_is_gone_is_not_passed_over(tmp_path: Path, gone: int) -> None:
    """With the first days gone the tally told of boards that nobody had counted."""
    small(tmp_path / "journal", days=3)
    with Index(tmp_path / "journal", tmp_path / "cache"):
        pass
    sorted((tmp_path / "journal").glob("*.jsonl"))[gone].unlink()
    for _ in range(2):
        with pytest.raises(JournalBroken, match=r"line 1: its seq is \d+, \d+ is due: a segment is missing"):
            Index(tmp_path / "journal", tmp_path / "cache")
    told = meterlink("job", "list", "--dir", str(tmp_path))
    assert told.returncode == 1 and "a segment is missing" in told.stderr


def test_nor_one_that_goes_behind_what_was_indexed(tmp_path: Path) -> None:
    small(tmp_path / "all", days=3)
    first, _, third = sorted((tmp_path / "all").glob("*.jsonl"))
    journal = tmp_path / "journal"
    journal.mkdir()
    shutil.copy(first, journal)
    with Index(journal, tmp_path / "cache"):
        pass
    shutil.copy(third, journal)
    with pytest.raises(JournalBroken, match="a segment is missing"):
        Index(journal, tmp_path / "cache")
