"""Somebody else's hand in a journal while it is written: nothing is acknowledged, nothing of theirs is touched.

What was acknowledged before is there, or the line says that it is not.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from meterlink.errors import JournalBroken, JournalFailed, Refused
from meterlink.journal.aside import set_aside
from meterlink.journal.disk import REAL
from meterlink.journal.writer import Writer

from .oracle import NOON, lines_of, note, reading

NAME = "2026-11-25.jsonl"


def folder_removed(folder: Path) -> None:
    shutil.rmtree(folder)


def folder_moved(folder: Path) -> None:
    folder.rename(folder.with_name("elsewhere"))


def folder_restored(folder: Path) -> None:
    """As a restore from a backup does it: the same names, other files."""
    shutil.copytree(folder, folder.with_name("copy"))
    shutil.rmtree(folder)
    folder.with_name("copy").rename(folder)


def segment_removed(folder: Path) -> None:
    (folder / NAME).unlink()


def segment_replaced(folder: Path) -> None:
    """As an editor does it: written beside, then renamed over."""
    new = folder / "new"
    new.write_bytes((folder / NAME).read_bytes())
    new.replace(folder / NAME)


def segment_linked_elsewhere(folder: Path) -> None:
    (folder / NAME).rename(folder.parent / "mine")
    (folder / NAME).symlink_to(folder.parent / "mine")


def segment_linked_twice(folder: Path) -> None:
    os.link(folder / NAME, folder / "second")


def truncated(folder: Path) -> None:
    os.truncate(folder / NAME, 40)


def emptied(folder: Path) -> None:
    os.truncate(folder / NAME, 0)


def appended(folder: Path) -> None:
    with (folder / NAME).open("ab") as file:
        file.write(b"\n")


def longer_by_nothing(folder: Path) -> None:
    os.truncate(folder / NAME, (folder / NAME).stat().st_size + 4096)


HANDS = [
    folder_removed,
    folder_moved,
    folder_restored,
    segment_removed,
    segment_replaced,
    segment_linked_elsewhere,
    segment_linked_twice,
    truncated,
    emptied,
    appended,
    longer_by_nothing,
]


def seen(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.glob("*.jsonl")} if folder.is_dir() else {}


@pytest.mark.parametrize("hand", HANDS)
@pytest.mark.parametrize("streamed", [False, True], ids=["at rest", "with a reading not synced"])
def test_nothing_is_acknowledged_after_a_strangers_hand(
    tmp_path: Path, hand: Callable[[Path], None], streamed: bool
) -> None:
    folder = tmp_path / "journal"
    writer = Writer(folder)
    writer.append(note("kept"), NOON)
    writer.commit()
    if streamed:
        writer.append(reading("aa"), NOON)
        writer.flush()
    hand(folder)
    before = seen(folder)
    for _ in range(3):
        writer.append(note("refused"), NOON)
        with pytest.raises(JournalFailed) as told:
            writer.commit()
        assert "\n" not in str(told.value)
        assert "meterlink run --new-journal" in str(told.value)
    assert writer.durable_seq == 1
    after = seen(folder)
    for name, data in before.items():
        own = data in after[name] or after[name] == data[: len(after[name])]  # our unsynced line may be taken back
        assert own, f"{name} was changed"
    assert not any(b"refused" in data for data in after.values())


def test_put_back_as_it_was_it_goes_on(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    writer = Writer(folder)
    writer.append(note("kept"), NOON)
    writer.commit()
    folder.rename(tmp_path / "elsewhere")
    writer.append(note("refused"), NOON)
    with pytest.raises(JournalFailed):
        writer.commit()
    (tmp_path / "elsewhere").rename(folder)
    writer.append(note("kept too"), NOON)
    writer.commit()
    writer.close()
    assert len(lines_of(folder)) == 2


def test_what_a_stranger_left_in_the_next_segments_name_is_not_written_to(tmp_path: Path) -> None:
    writer = Writer(tmp_path)
    (tmp_path / NAME).write_bytes(b"mine")
    writer.append(note("refused"), NOON)
    with pytest.raises(JournalFailed, match="did not write"):
        writer.commit()
    assert (tmp_path / NAME).read_bytes() == b"mine"


def test_without_the_lock_file_no_second_writer_comes_in(tmp_path: Path) -> None:
    """The folder itself is locked, under whatever name it is reached."""
    folder = tmp_path / "journal"
    (tmp_path / "other").symlink_to(folder)
    writer = Writer(folder)
    for _ in range(2):
        for name in ("journal", "other"):
            with pytest.raises(Refused, match="is being written"):
                Writer(tmp_path / name)
        (folder / "journal.lock").unlink()
    writer.append(note("kept"), NOON)
    writer.close()
    assert len(lines_of(folder)) == 1
    Writer(folder).close()


@pytest.mark.parametrize("hand", [os.unlink, lambda lock: lock.replace(lock.with_name("x")), Path.write_bytes])
def test_the_note_is_put_back_whoever_took_it_away(tmp_path: Path, hand: Callable[..., None]) -> None:
    """Seen: the lock file removed under a running service; what was cut off later went aside as a torn end."""
    folder = tmp_path / "journal"
    writer = Writer(folder)
    for text in ("one", "two"):
        writer.append(note(text), NOON)
        writer.commit()
        hand(*((folder / "journal.lock", b"") if hand is Path.write_bytes else (folder / "journal.lock",)))
    writer.append(note("three"), NOON)
    writer.commit()
    writer.close()
    data = (folder / NAME).read_bytes()
    (folder / NAME).write_bytes(data[:-9])
    with pytest.raises(JournalBroken, match=f"{len(data)} bytes had been synced"):
        Writer(folder)


@pytest.mark.parametrize("end", ["closed", "killed"])
def test_cut_while_nobody_wrote_is_not_gone_on_with(tmp_path: Path, end: str) -> None:
    """The note says how far all was synced: what is shorter was cut by somebody, at a line's end too."""
    folder = tmp_path / "journal"
    writer = Writer(folder)
    for text in ("one", "two"):
        writer.append(note(text), NOON)
        writer.commit()
    if end == "closed":
        writer.close()
    else:
        shutil.copytree(folder, tmp_path / "killed")  # what a killed writer leaves
        writer.close()
        folder = tmp_path / "killed"
    data = (folder / NAME).read_bytes()
    for rest in (data[: data.index(b"\n") + 1], data[:-1], b""):
        (folder / NAME).write_bytes(rest)
        with pytest.raises(JournalBroken, match=rf"^{NAME}, line [12]: .*{len(data)} bytes had been synced.*--new-j"):
            Writer(folder)
        assert (folder / NAME).read_bytes() == rest
    (folder / NAME).unlink()
    with pytest.raises(JournalBroken, match=f"^{NAME} was written and is not there; nothing was touched"):
        Writer(folder)


def test_a_journal_on_another_disk_is_set_aside_there(tmp_path: Path) -> None:
    """The folder may be a link to another disk: the new one begins where the old one was."""
    disk = tmp_path / "disk"
    disk.mkdir()
    (tmp_path / "journal").symlink_to(disk / "journal")
    writer = Writer(tmp_path / "journal")
    writer.append(note("old"), NOON)
    writer.close()
    assert set_aside(REAL, tmp_path / "journal") == disk / "journal.before-1"
    writer = Writer(tmp_path / "journal")
    (due,) = writer.due
    writer.append(due, NOON)
    writer.close()
    assert sorted(p.name for p in disk.iterdir()) == ["journal", "journal.before-1"]
    assert len(lines_of(disk / "journal")) == len(lines_of(disk / "journal.before-1")) == 1


def test_a_link_in_the_place_of_the_lock_file_is_told_as_one(tmp_path: Path) -> None:
    (tmp_path / "journal").mkdir()
    (tmp_path / "mine").write_text("mine")
    (tmp_path / "journal" / "journal.lock").symlink_to(tmp_path / "mine")
    with pytest.raises(JournalFailed, match="a link stands in its place"):
        Writer(tmp_path / "journal")
    assert (tmp_path / "mine").read_text() == "mine"


def test_a_copy_that_was_taken_while_it_was_written_is_gone_on_with(tmp_path: Path) -> None:
    """docs/operator.md, "Backing up": without the note, which may be ahead of the copy."""
    writer = Writer(tmp_path / "journal")
    for text in ("one", "two"):
        writer.append(note(text), NOON)
        writer.commit()
        if text == "one":
            shutil.copytree(tmp_path / "journal", tmp_path / "copy")
    shutil.copy(tmp_path / "journal" / "journal.lock", tmp_path / "copy")
    writer.close()
    with pytest.raises(JournalBroken, match="had been synced"):
        Writer(tmp_path / "copy")
    (tmp_path / "copy" / "journal.lock").unlink()
    Writer(tmp_path / "copy").close()
    assert len(lines_of(tmp_path / "copy")) == 1
