"""`meterlink report` as a user calls it: the file, its name, and what stands on stdout and stderr."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from meterlink import records
from meterlink.cli.main import application
from meterlink.errors import BadInput, MeterlinkError
from tests.report.journals import bench, in_memory, opened, received
from tests.report.markup import Page

DOC = Path(__file__).parents[2] / "docs" / "report.md"
MARKS = ["../GC/1", "/etc/passwd", "<b>\"'\n", "..", "", ".hidden", "x" * 400, "GC\u20282611"]


def call(*arguments: object) -> Result:
    return CliRunner().invoke(application(str(arguments[0])), [str(a) for a in arguments])


def refused(*arguments: object) -> str:
    result = call(*arguments)
    assert isinstance(result.exception, MeterlinkError), result.exception or result.output
    assert isinstance(result.exception, BadInput)
    return str(result.exception)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    bench(tmp_path / "bench" / "journal", boards=1)
    return tmp_path / "bench"


def test_the_documents_commands_run(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    commands = re.findall(r"^    meterlink (.*)$", DOC.read_text("utf-8"), re.MULTILINE)
    assert len(commands) == 2
    for command in commands:
        result = call(*shlex.split(command), "--dir", folder)
        assert result.exception is None, result.exception
        name = Path(result.stdout.removesuffix("\n"))
        assert " through record " in result.stderr
        assert "Job GC-2611" in Page((folder / name).read_text("utf-8")).words
    assert sorted(p.name for p in folder.iterdir()) == ["GC-2611.html", "journal", "reports"]


@pytest.mark.parametrize("job", MARKS)
def test_a_mark_makes_no_file_outside_the_folder(tmp_path: Path, job: str) -> None:
    journal = tmp_path / "a" / "b" / "journal"
    journal.mkdir(parents=True)
    log = in_memory([opened(job=job), records.Job(job="GC-1", event="opened", by="x"), received(job, job)])
    (journal / "2026-11-25.jsonl").write_bytes(b"".join(line.text + b"\n" for line in log))
    before = {p for p in tmp_path.rglob("*") if p.is_file()}
    result = call("report", "--dir", journal.parent, "--", job)
    assert result.exception is None, result.exception
    (made,) = {p for p in tmp_path.rglob("*") if p.is_file()} - before
    assert made.parent == journal.parent / "reports" and made.suffix == ".html"
    assert Path(result.stdout.removesuffix("\n")) == made


def test_what_is_refused(folder: Path, tmp_path: Path) -> None:
    assert "no job 'GC-1'; it has 'GC-2611'" in refused("report", "GC-1", "--dir", folder)
    assert "no journal" in refused("report", "GC-1", "--dir", tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()
    assert not (folder / "reports").exists()
    assert "is a folder" in refused("report", "GC-2611", "--dir", folder, "-o", tmp_path)
    assert "cannot be written" in refused("report", "GC-2611", "--dir", folder, "-o", tmp_path / "no" / "page.html")
    (folder / "reports").write_text("in the way")
    assert "cannot be made" in refused("report", "GC-2611", "--dir", folder)


def test_an_older_report_stays_until_there_is_a_new_one(folder: Path) -> None:
    page = folder / "page.html"
    page.write_text("older")
    refused("report", "GC-1", "--dir", folder, "-o", page)
    assert page.read_text() == "older"
    assert call("report", "GC-2611", "--dir", folder, "-o", page).exception is None
    assert page.read_text("utf-8").startswith("<!DOCTYPE html>")
    assert [p.name for p in folder.iterdir() if "part" in p.name] == []
