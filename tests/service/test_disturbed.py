"""Somebody removes, replaces or changes the journal of a running bench: that is heard, and told with what to do."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from meterlink.errors import Refused
from meterlink.journal.reader import entries
from meterlink.service import wire
from tests.program import meterlink
from tests.service.conftest import Running, until


def folder_removed(folder: Path) -> None:
    shutil.rmtree(folder)


def segment_replaced(folder: Path) -> None:
    (segment,) = folder.glob("*.jsonl")
    (folder / "new").write_bytes(segment.read_bytes())
    (folder / "new").replace(segment)


def segment_cut(folder: Path) -> None:
    (segment,) = folder.glob("*.jsonl")
    os.truncate(segment, 400)


@pytest.mark.parametrize("hand", [folder_removed, segment_replaced, segment_cut])
def test_a_strangers_hand_is_heard_and_nothing_is_acknowledged(bench: Running, hand: Callable[[Path], None]) -> None:
    bench.call("job open", job="J1")
    hand(bench.folders.journal)
    for _ in range(2):
        with pytest.raises(Refused, match="nothing is acknowledged"):
            bench.call("job note", job="J1", text="x")
    said = meterlink("status", "--dir", str(bench.folders.root))
    assert said.returncode == 0, said
    assert "FAILING" in said.stdout
    assert "meterlink run --new-journal" in said.stdout
    until(lambda: "alarm" in (bench.folders.root / "service.log").read_text(), what="the alarm to be heard")
    assert bench.stop() == 4
    log = (bench.folders.root / "service.log").read_text()
    assert "Traceback" not in log


def test_a_changed_journal_is_set_aside_whole(bench: Running) -> None:
    bench.call("job open", job="J1")
    bench.stop()
    folder = bench.folders.journal
    (segment,) = folder.glob("*.jsonl")
    data = segment.read_bytes().replace(b"\n", b"\r\n")
    segment.write_bytes(data)
    bench.launch()
    assert bench.process is not None
    assert bench.process.wait(20) == 1
    (told,) = [x for x in (bench.folders.root / "service.log").read_text().splitlines() if x.startswith("meterlink:")]
    assert "nothing was touched" in told
    assert "`meterlink run --new-journal`" in told
    with (bench.folders.root / "service.log").open("ab") as log:
        bench.process = subprocess.Popen(
            [sys.executable, "-m", "meterlink", "run", "--new-journal", "--dir", str(bench.folders.root)],
            stdin=subprocess.DEVNULL,
            stderr=log,
        )
    until(bench.answers, what="the service to answer")
    assert meterlink("job", "list", "--dir", str(bench.folders.root)).stdout.count("J1") == 0
    bench.stop()
    old = folder.with_name("journal.before-1")
    assert (old / segment.name).read_bytes() == data
    first = next(entries(folder))
    assert first.seq == 1
    assert first.record.folder == old.name
    assert [(f.name, f.bytes, f.sha256) for f in first.record.files] == [
        (segment.name, len(data), hashlib.sha256(data).hexdigest())
    ]
    verify = meterlink("journal", "verify", "--dir", str(bench.folders.root))
    assert verify.returncode == 0
    assert "an older journal lies in journal.before-1: 1 file\n" in verify.stdout
    bench.start()
    bench.stop()
    assert [e.kind for e in entries(folder, readings=False)].count("set_aside") == 1


def test_a_crash_between_the_renaming_and_the_first_record_leaves_nothing_untold(bench: Running) -> None:
    bench.stop()
    bench.folders.journal.rename(bench.folders.journal.with_name("journal.before-7"))
    bench.start()
    bench.stop()
    assert next(entries(bench.folders.journal)).record.folder == "journal.before-7"


def test_a_journal_that_is_being_written_is_not_set_aside(bench: Running) -> None:
    said = meterlink("run", "--new-journal", "--dir", str(bench.folders.root))
    assert said.returncode == 4
    assert "is being written" in said.stderr
    assert bench.folders.journal.is_dir()


def test_without_its_lock_file_no_second_service_comes_in(bench: Running) -> None:
    (bench.folders.journal / "journal.lock").unlink()
    before = wire.call(bench.folders.socket, "status")["journal"]["next_seq"]
    said = meterlink("run", "--dir", str(bench.folders.root))
    assert said.returncode == 4
    assert "is being written" in said.stderr
    bench.stop()
    assert [e.kind for e in entries(bench.folders.journal, readings=False)].count("start") == 1
    assert before > 0


def test_where_another_service_answers_no_record_is_written(bench: Running, tmp_path: Path) -> None:
    """The socket is taken before the first record: two folders that lead to one socket."""
    folder = bench.folders.journal
    folder.rename(tmp_path / "away")
    said = meterlink("run", "--dir", str(bench.folders.root))
    assert said.returncode == 4
    assert "another service answers" in said.stderr
    assert not list(folder.glob("*.jsonl"))


def test_what_a_run_lost_is_told_at_the_next_start_and_by_verify(bench: Running) -> None:
    bench.stop()
    segment = max(bench.folders.journal.glob("*.jsonl"))
    with segment.open("ab") as file:
        file.write(b'{"prev":"')
    bench.start()
    bench.stop()
    log = (bench.folders.root / "service.log").read_text()
    assert f"a torn end of 9 bytes of {segment.name} was moved to {segment.name}.torn-1" in log
    verify = meterlink("journal", "verify", "--dir", str(bench.folders.root))
    assert verify.returncode == 0
    assert f"torn off   9 bytes off the end of {segment.name}, in {segment.name}.torn-1" in verify.stdout
    assert json.loads(meterlink("journal", "verify", "--json", "--dir", str(bench.folders.root)).stdout)["torn"]
