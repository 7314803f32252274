"""The commands as a user calls them: what stands on stdout, what they exit with, and no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from meterlink.cli import journal as commands
from meterlink.errors import BadInput, CheckFailed, MeterlinkError, Unreachable
from meterlink.journal.writer import Writer
from tests.journal_reader.chains import all_lines, all_records, append, check
from tests.journal_reader.test_seal import key


def call(*arguments: object) -> Result:
    return CliRunner().invoke(commands.app, [str(a) for a in arguments])


def done(*arguments: object) -> str:
    result = call(*arguments)
    assert result.exception is None, result.exception
    return result.stdout


def refused(*arguments: object) -> MeterlinkError:
    result = call(*arguments)
    assert isinstance(result.exception, MeterlinkError), result.exception or result.output
    assert "\n" not in str(result.exception)
    return result.exception


def test_verify_says_ok_and_names_the_first_wrong_line(journal: Path) -> None:
    assert "nothing wrong was found" in done("verify", "--dir", journal.parent)
    assert done("verify", journal) == done("verify", "--dir", journal.parent)
    report = json.loads(done("verify", journal, "--json"))
    assert (report["ok"], report["records"], report["head"]) == (True, len(all_lines(journal)), check(journal).head)
    first = journal / "2026-11-25.jsonl"
    first.write_bytes(first.read_bytes().replace(b'"value":21500.0', b'"value":21600.0', 1))
    result = call("verify", journal, "--json")
    assert isinstance(result.exception, CheckFailed)
    fault = json.loads(result.stdout)["faults"][0]
    assert f"{fault['segment']}, line {fault['line']}: {fault['reason']}" == str(result.exception)
    assert b'"value":21600.0' in first.read_bytes().split(b"\n")[fault["line"] - 1]


def test_verify_on_files_and_since(journal: Path) -> None:
    one, two = sorted(journal.glob("*.jsonl"))
    assert "2026-11-25.jsonl to 2026-11-26.jsonl" in done("verify", two, one)
    part = done("verify", two)
    assert "what came before was not given" in part
    head = check(journal).head
    assert f"holds the trusted head as record {len(all_lines(journal))}" in done("verify", journal, "--head", head)
    assert "holds the trusted head" in done(
        "verify", two, "--head", json.loads(two.read_bytes().split(b"\n")[0])["prev"]
    )
    on_paper = (
        " ".join(head[i : i + 4] for i in range(0, 64, 4)).upper() + "\n"
    )  # as a hand copies it, or a reader of codes
    assert "holds the trusted head" in done("verify", journal, "--head", on_paper)
    assert isinstance(refused("verify", one, "--head", head), CheckFailed)
    assert "is no head" in str(refused("verify", "--head", "12"))
    assert "no allowed-signers file" in str(refused("verify", "--allowed-signers", journal / "x"))
    assert "is no file" in str(refused("verify", one, journal / "2026-11-27.jsonl"))


def test_verify_of_what_is_no_journal(tmp_path: Path) -> None:
    assert "no journal" in str(refused("verify", "--dir", tmp_path))
    (tmp_path / "bench" / "journal").mkdir(parents=True)
    assert f"its journal may be {tmp_path}/bench/journal" in str(refused("verify", tmp_path / "bench"))
    (tmp_path / "2026-11-25.jsonl.xz").write_bytes(b"x")
    assert "compressed" in str(refused("verify", tmp_path))
    (tmp_path / "2026-11-25.jsonl").write_bytes(b"")
    assert "there is no record to check" in str(refused("verify", tmp_path))
    (tmp_path / "2026-11-25.jsonl").write_bytes(b"\x7fELF\x00\xff\n\n")
    assert "line 1: " in str(refused("verify", tmp_path))


def test_show(journal: Path) -> None:
    everything = all_records(journal)
    rows = [json.loads(line) for line in done("show", "--json", "--dir", journal.parent).splitlines()]
    assert [r["seq"] for r in rows] == [r["seq"] for r in everything if r["kind"] != "reading"]
    by_seq = {r["seq"]: r for r in everything}
    for row in rows:
        by = row.pop("withdrawn_by", None)
        assert row == by_seq[row["seq"]]
        assert by is None or by_seq[by]["of"] == row["seq"]
    shown = done("show", "--board", "GC-02", "--kind", "kept", "--dir", journal.parent).splitlines()
    keeps = [r for r in everything if r["kind"] == "kept" and r["board"] == "GC-02"]
    assert [int(line.split()[0]) for line in shown] == [r["seq"] for r in keeps]
    assert sum("[withdrawn by record" in line for line in shown) == 1
    assert done("show", "--since", "2026-11-26", "--until", "2026-11-26", "--dir", journal.parent) == ""
    assert done("show", "--since", "2026-11-26T00:00:00+00:00", "--dir", journal.parent).startswith("     ")
    assert "is no kind" in str(refused("show", "--kind", "nonsense", "--dir", journal.parent))
    assert "is no time" in str(refused("show", "--since", "noon", "--dir", journal.parent))
    assert isinstance(refused("show", "--dir", journal), BadInput)


def test_show_passes_over_kinds_it_does_not_know(journal: Path) -> None:
    append(journal, b'"at":"2026-11-26T09:00:00.000000Z","kind":"wea\\nther","board":"GC-02","rain":true}')
    assert "wea\\u{a}ther" in done("show", "--board", "GC-02", "--dir", journal.parent)
    assert "does not know" in done("replay", "GC-02", "--dir", journal.parent)


def test_replay_at_its_pace(journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    slept: list[float] = []
    monkeypatch.setattr(time, "sleep", slept.append)
    at_once = done("replay", "GC-02", "--dir", journal.parent)
    assert not slept
    assert "kept +3V3 (before): resistance 2" in at_once
    assert done("replay", "GC-02", "--pace", "1", "--dir", journal.parent) == at_once
    original = sum(slept)
    slept.clear()
    assert done("replay", "GC-02", "--pace", "10", "--dir", journal.parent) == at_once
    assert sum(slept) == pytest.approx(original / 10)
    ats = [r["at"] for r in map(json.loads, done("replay", "GC-02", "--json", "--dir", journal.parent).splitlines())]
    assert original == pytest.approx(float(ats[-1][17:26]) - float(ats[0][17:26]))
    assert "near it" in str(refused("replay", "GC-O2", "--dir", journal.parent))


def test_resettle(journal: Path) -> None:
    segment = sorted(journal.glob("*.jsonl"))[0]
    rows = [json.loads(line) for line in done("resettle", segment, "--json").splitlines()]
    assert [r["was_seq"] for r in rows if r["was_seq"]] == [
        r["seq"] for r in all_records(journal) if r["kind"] == "kept" and r["at"] < "2026-11-26"
    ]
    assert "21.5 kOhm" in done("resettle", segment)
    assert "there is no file" in str(refused("resettle", journal / "nothing.jsonl"))


def test_seal_through_the_writer_and_not_beside_a_service(journal: Path, tmp_path: Path) -> None:
    private, signers = key(tmp_path, "owner")
    count = len(all_lines(journal))
    assert f"sealed through record {count}" in done("seal", "--key", private, "--dir", journal.parent)
    text = done("verify", journal, "--allowed-signers", signers)
    assert f"through record {count}: signed by owner@bench" in text
    writer = Writer(journal)  # as a service that holds the lock, without its socket
    try:
        assert isinstance(refused("seal", "--key", private, "--dir", journal.parent), Unreachable)
    finally:
        writer.close()
    assert len(all_lines(journal)) == count + 1
    assert len(list(journal.glob("*.sig"))) == 1, "no signature without its record"


@pytest.mark.parametrize("arguments", [["verify"], ["show"], ["replay", "GC-01"], ["verify", "--head", "x"]])
def test_the_program_ends_with_one_line_and_no_traceback(tmp_path: Path, arguments: list[str]) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", "from meterlink.cli import main; main.main()",
         "journal", *arguments, "--dir", str(tmp_path / "nowhere")],
        capture_output=True, text=True, check=False, env={**os.environ, "HOME": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("meterlink: ")
