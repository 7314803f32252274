"""What people type and programs send: what cannot be taken is refused where it was asked for, and the bench goes on."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path

import pytest

from meterlink import records
from meterlink.errors import BadInput
from meterlink.journal.reader import entries
from meterlink.service import wire
from tests.numbers.journals import Story
from tests.program import meterlink
from tests.service.conftest import Running


def run(root: Path, *words: str | bytes) -> subprocess.CompletedProcess[str]:
    return meterlink(*words, "--dir", str(root))


# -- bytes that are no text


NO_TEXTS = [
    b'{"do":"job note","text":"gr\xfcn"}',  # Latin-1
    b'{"do":"job note","text":"gr\\udcfcn"}',  # as Python hands such an argument on
    b'{"do":"job note","text":"x","by":"\\ud800"}',
    b'{"do":"job note","text":"x","\\ud800":1}',
    b'{"do":"find","what":"found","text":["\\udcfc"]}',
    '{"do":"job note","text":"x"}'.encode("utf-16"),
    b'{"do":"job open","job":"J2","expected":99999999999999999999}',
    b'{"do":"supply inject","rail":"+3V3","volts":NaN,"amperes":1}',
    b'{"do":"job note","text":"x","by":Infinity}',
    b"[" * 100000,
]


def test_what_is_no_text_is_refused_at_the_socket(bench: Running) -> None:
    """Code 2 on the same connection, nothing recorded, and the service goes on."""
    bench.call("job open", job="GC-2611")
    for sent in NO_TEXTS:
        with wire.connected(bench.folders.socket, 10.0) as sock, sock.makefile("rb") as lines:
            sock.sendall(sent + b"\n")
            reply = json.loads(lines.readline())
            assert (reply["ok"], reply["code"]) == (False, 2), sent[:60]
    assert bench.call("job note", text="grün")["ok"]
    assert bench.stop() == 0
    notes = [e.record.text for e in entries(bench.folders.journal) if e.kind == "job" and e.record.event == "note"]
    assert notes == ["grün"]


def test_a_latin_1_argument_is_refused_by_the_command(bench: Running) -> None:
    bench.call("job open", job="GC-2611")
    done = run(bench.folders.root, "job", "note", b"gr\xfcn")
    assert done.returncode == 2 and "not UTF-8" in done.stderr and done.stderr.count("\n") == 1
    assert bench.call("status")["ok"]


@pytest.mark.parametrize("words", ["journal show --board", "journal replay", "journal export csv --job", "report"])
def test_a_latin_1_argument_to_what_reads_is_wrong_usage(withdrawn: Path, words: str) -> None:
    done = run(withdrawn, *words.split(), b"gr\xfcn")
    assert done.returncode == 2 and "gr\\udcfcn" in done.stderr


# -- counting in


def test_what_can_be_counted_is_counted_and_the_rest_is_named(bench: Running) -> None:
    bench.call("job open", job="GC-2611")
    done = run(bench.folders.root, "board", "receive", "A", "B", "C", "C", "", "D")
    assert done.returncode == 2
    assert "counted 4: A, B, C, D; refused 2: " in done.stderr
    assert "board C of job GC-2611 is counted already" in done.stderr and "needs a mark" in done.stderr
    assert done.stdout.count("\n") == 4 and "D" in done.stdout
    boards = [e.record.board for e in entries(bench.folders.journal) if isinstance(e.record, records.Board)]
    assert boards == ["A", "B", "C", "D"]
    done = run(bench.folders.root, "board", "receive", "E", "F")
    assert done.returncode == 0 and "counted 2: E, F" in done.stdout + done.stderr
    rows = run(bench.folders.root, "board", "receive", "G", "G", "--json")
    assert rows.returncode == 2 and [json.loads(r)["board"] for r in rows.stdout.splitlines()] == ["G"]


def test_without_a_service_nothing_is_said_to_be_counted(tmp_path: Path) -> None:
    done = run(tmp_path, "board", "receive", "A", "B")
    assert done.returncode == 3 and "counted" not in done.stdout + done.stderr


# -- what was withdrawn


@pytest.fixture
def withdrawn(tmp_path: Path) -> Path:
    """A board that a slip made, with a keep and a finding; all that counted it in was withdrawn."""
    story = Story()
    story.board("GC-01")
    slip = story.board("lx-03")
    taken = story.state("lx-03", "on the bench")
    story.keep("lx-03", "VIN", 0.5)
    story.finding("lx-03", "found")
    story.void(slip)
    story.void(taken)
    job = story.job("GC-2612", "IC-8 rev C")
    story.void(job)
    story.write(tmp_path / "journal")
    return tmp_path


@pytest.mark.parametrize(
    "words",
    ["board list", "job list", "job show GC-2611", "job show GC-2612", "board show lx-03 --json",
     "journal replay lx-03", "journal export csv", "journal export csv --board lx-03", "report GC-2611 -o r.html",
     "report GC-2612 -o r.html", "known-good learn", "sheet new lx-03 -o s.toml", "journal show --judge"],
)  # fmt: skip
def test_views_of_what_was_withdrawn(withdrawn: Path, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """No view ends in a fault of its own, whatever of the journal was withdrawn."""
    monkeypatch.chdir(withdrawn)
    done = run(withdrawn, *words.split())
    assert done.returncode in (0, 2), done.stderr
    assert "fault" not in done.stderr


def test_a_board_that_was_withdrawn_is_one_plain_line(withdrawn: Path) -> None:
    done = run(withdrawn, "board", "show", "lx-03")
    assert done.returncode == 0 and done.stderr == ""
    assert done.stdout.count("\n") == 1
    assert "board lx-03 is not counted: its taking in was withdrawn" in done.stdout
    assert "record 8" in done.stdout and "op: test" in done.stdout
    row = json.loads(run(withdrawn, "board", "show", "lx-03", "--json").stdout)
    assert row["state"] is None and row["since"] is None


def test_the_client_names_what_is_not_text(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="not UTF-8"):
        wire.call(tmp_path / "none", "job note", text=os.fsdecode(b"gr\xfcn"))
