"""Hostile texts on the screen, in the report, through a pipe, in speech, and in what the documents tell a stranger to
run."""

from __future__ import annotations

import os
import pty
import re
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from textual.app import App

from meterlink.bench.events import Effect
from meterlink.report.page import page
from meterlink.report.write import material
from meterlink.report.write import write as report
from meterlink.screen.flash import FLASH_S
from meterlink.screen.pictures import LARGE, SMALL, app_text
from meterlink.sound import Player, Settings
from meterlink.visible import hidden
from tests.hostile.journals import NAME, SLOTS, Row, put, row, story, write
from tests.hostile.service import told
from tests.journal_reader.chains import forge
from tests.journal_reader.generate import small
from tests.journal_reader.test_auditor import COMMANDS, shell
from tests.report.browser import CHROMIUM, Browser
from tests.report.markup import Page
from tests.screen.told import run, screen

DOCS = Path(__file__).parents[2] / "docs"


def acts(text: str) -> set[str]:
    """What in it would act or hide, but the ends of its lines."""
    return {f"{ord(c):x}" for c, before in zip(text, " " + text, strict=False) if c != "\n" and hidden(c, before)}


# -- screen


def messages(tmp_path: Path, text: str) -> list[Row]:
    """What a service tells a screen, with this text in all of its own."""
    _, state = told(tmp_path / "b", text)
    keep = {**row("kept", text), "seq": 7, "fed": False}
    point = {"name": text, "where": text, "caution": text, "range": text, "unit": text, "function": text}
    band = {"low": 1.0, "high": 2.0, "expect": text, "from": text, "n": 1}
    state |= {"points": [text, "b"], "pending": ["b"], "left_out": ["c"], "keeps": [keep] * 3, "band": band, "place": 1}
    state |= {"point": {**point, "coupling": None, "powered": True}, "jobs": {text: [{"board": text, "state": text}]}}
    reading = {"event": "reading", "instrument": text, "meant": text, "function": text, "coupling": text, "value": 1.0}
    reading |= {"unit": text, "state": "ok", "flags": [text], "display": f"1.0 {text}", "channel": None}
    return [
        {"event": "state", **state, "meant": text},
        {**reading, "progress": 0.5, "contact": True},
        {"event": "effect", "sound": text, "text": text},
        {"event": "effect", "sound": "alarm", "text": text},
    ]


INJECTION = {"event": "injection", "state": "on", "volts": 1.0, "amperes": 1.0, "watts": 1.0, "ohms": 1.0, "wires": 2}
ENDED = {"event": "injection", "state": "ended", "off": True, "energy_j": 1.0}


@pytest.mark.parametrize(
    ("size", "keys"),
    [(LARGE, "b"), *(pytest.param(size, "bpftsamweh", marks=pytest.mark.long) for size in (SMALL, LARGE))],
    ids=["quick", "small", "large"],
)
def test_no_text_acts_on_the_screen(size: tuple[int, int], keys: str, tmp_path: Path) -> None:
    seen: list[str] = []

    def look(app: App[Any]) -> None:
        text = app_text(app)  # type: ignore[arg-type]
        assert not acts(text), f"{acts(text)} in\n{text}"
        seen.append(text)

    async def test() -> None:
        first, *others = messages(tmp_path, NAME)
        async with screen(first, *others, size=size, flash=True) as bench:
            look(bench.app)
            calm = {"alarm": None, "failing": None, "mismatch": None, "sound": None, "inputs": {}, "confirm": None}
            await bench.tell({**first, **calm}, *others[:2])  # what is measured has the room that alarms took
            look(bench.app)
            if len(keys) > 1:
                await bench.pilot.pause(FLASH_S)
                look(bench.app)
            for key in keys:
                await bench.press(key)
                look(bench.app)
                await bench.press("escape")
            bench.app.refuse(NAME)
            look(bench.app)
            feeding = {**INJECTION, "instrument": NAME, "rail": NAME, "mode": NAME}
            await bench.tell(feeding, {"event": "effect", "sound": "short-cleared", "text": NAME})
            look(bench.app)
            await bench.tell({**ENDED, "instrument": NAME, "why": NAME, "switched_on": True})
            look(bench.app)
            bench.app._gone(NAME)
            await bench.pilot.pause()
            look(bench.app)

    run(test)
    assert sum(r"\u{1b}[2J" in text for text in seen) > 4
    assert any("[bold red]x[end]" in text for text in seen), "it is no markup"


# -- report


def plain_and(text: str, tmp_path: Path, rows: list[Row]) -> tuple[Page, str]:
    write(tmp_path / "journal", rows)
    html = "".join(page(material(tmp_path / "journal", text, tmp_path)))
    return Page(html), html


def test_no_text_acts_in_the_report(tmp_path: Path) -> None:
    shown, html = plain_and(NAME, tmp_path / "a", story(NAME))
    plain, _ = plain_and("x", tmp_path / "b", story("x"))
    assert [t for t in shown.tags if t != "title"] == [t for t in plain.tags if t != "title"]
    assert not acts(html) and not acts(shown.words)
    assert r"[bold red]x[end]<img src=x onerror=alert(1)>" in shown.words and r"\u{202e}" in shown.words


@pytest.mark.parametrize("kind", sorted({s.kind for s in SLOTS}))
def test_what_is_no_time_is_text_in_the_report_too(kind: str, tmp_path: Path) -> None:
    rows = [one | ({"at": "<script>x"} if one["kind"] == kind else {}) for one in story("x")]
    shown, html = plain_and("x", tmp_path, rows)
    assert "script" not in shown.tags and "<script" not in html


@pytest.mark.long
@pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium")
def test_no_text_acts_in_a_browser(tmp_path: Path) -> None:
    """In every field of every record: it asks for nothing, runs nothing, and the window's title is one line."""
    write(tmp_path / "journal", [one | ({"at": NAME} if one["kind"] == "job" else {}) for one in story(NAME)])
    report(material(tmp_path / "journal", NAME, tmp_path), tmp_path / "page.html")
    with Browser(tmp_path / "chromium") as browser:
        browser.open((tmp_path / "page.html").as_uri())
        assert browser.requests == [(tmp_path / "page.html").as_uri()] and browser.complaints == []
        assert browser.ask("document.querySelectorAll('img, script, iframe, object, form').length") == 0
        assert not acts(browser.ask("document.title")) and not acts(
            browser.ask("document.body.innerText").replace("\t", " ")
        )


# -- speech


def test_no_text_is_an_option_or_a_control_of_what_speaks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    said = tmp_path / "said"
    for name in ("espeak-ng", "aplay"):
        program = tmp_path / name
        program.write_text(f'#!/bin/sh\n[ "$#" = 4 ] && printf "%s\\n" "$3" "$4" >> {said}\nexit 0\n')
        program.chmod(0o700)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    player = Player(Settings(speak=True), str(tmp_path), lambda text: None)
    player.play(Effect("ok", "-f /etc/passwd" + NAME))
    player.end()
    option, spoken = said.read_text(encoding="utf-8").splitlines()
    assert option == "--" and spoken.startswith("-f /etc/passwd=1") and not acts(spoken)


# -- through a pipe, and on a terminal


def test_follow_gives_a_program_the_bytes_and_a_person_what_is_hidden(tmp_path: Path) -> None:
    written = write(tmp_path / "journal", [row("finding", NAME)])
    command = [sys.executable, "-m", "meterlink", "journal", "follow", "--from", "1", "--dir", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == written.read_bytes()
        process.terminate()
    ours, theirs = pty.openpty()
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL) as process:
        os.close(theirs)
        shown = b""
        while not shown.endswith(b"\n"):
            shown += os.read(ours, 65536)
        process.terminate()
    os.close(ours)
    assert b"\\u202e" in shown and not acts(shown.decode().replace("\r\n", ""))


@pytest.mark.long
@pytest.mark.parametrize(
    "words", [["job", "list"], ["board", "show", NAME], ["journal", "verify"], ["known-good", "learn"]]
)
def test_no_text_acts_on_a_real_terminal(words: list[str], tmp_path: Path) -> None:
    """There tables are drawn with styles of ours, which are all that acts."""
    write(tmp_path / "journal", story(NAME))
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "meterlink", *words, "--dir", str(tmp_path)]
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL) as process:
        os.close(theirs)
        shown = b""
        with suppress(OSError):  # EIO: nobody has the other end any more
            while data := os.read(ours, 65536):
                shown += data
    os.close(ours)
    assert process.returncode in (0, 1)
    text = re.sub(r"\x1b\[(\d*(;\d+)*m|\?25[hl]|\d*[AK]|2K)", "", shown.decode()).replace("\r", "")
    assert r"\u{1b}[2J" in text.replace("\n", "") and not acts(text), ascii(text)


# -- what the documents tell a stranger to run


@pytest.mark.parametrize("second", [None, b"\x1b[2J\x9b2J\x1b]0;own\x07" * 9], ids=["chained", "no record"])
def test_the_auditors_commands_print_nothing_raw(second: bytes | None, tmp_path: Path) -> None:
    """A record of each kind, and a second line that is none; in a segment whose name hurts too."""
    folder = tmp_path / "journal"
    first = write(folder, story(NAME), f"2026-11-25{NAME}.jsonl")
    if second is not None:
        lines = first.read_bytes().splitlines(keepends=True)
        first.write_bytes(b"".join([lines[0], second + b"\n", *lines[2:]]))
    for command in COMMANDS:
        if "ssh-keygen" in command:
            continue  # what it prints is its own; the bytes go into it
        done = shell(command, tmp_path)
        assert not acts(done.stdout) and not acts(done.stderr), command
        assert done.returncode in (0, 1)


@pytest.mark.parametrize("kind", ["kept", "reading", "void", "instrument"])
def test_the_example_script_says_of_each_field_what_is_wrong_in_one_line(kind: str, tmp_path: Path) -> None:
    script: dict[str, Any] = {"__name__": "check_journal"}
    exec(compile((DOCS / "check-journal.py").read_text(), "check-journal.py", "exec"), script)
    ended = []
    for slot in (s for s in SLOTS if s.kind == kind):
        for value in (NAME, 10**400, float("inf"), float("nan"), None, []):
            write(tmp_path, [put(one, slot.path, value) if one["kind"] == kind else one for one in story()])
            with pytest.raises(SystemExit) as wrong:
                script["main"](tmp_path)
            ended.append(str(wrong.value))
    assert len(ended) == 6 * sum(s.kind == kind for s in SLOTS)
    assert all(re.fullmatch(r"2026-11-25\.jsonl, line \d+: [ -~]+", text) for text in ended), ended


def test_examples_escape_what_they_print() -> None:
    """In the pages, a journal goes to a terminal through a tool that escapes, and never by itself."""
    for path in (*DOCS.glob("*.md"), DOCS.parent / "README.md", DOCS.parent / "DEVELOPERS.md"):
        for line in re.findall(r"^.*\bjq .*$", path.read_text(encoding="utf-8"), re.MULTILINE):
            assert re.search(r"\bjq -[a-z]*a", line), f"{path.name}: {line}"


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e308, "x", None])
@pytest.mark.parametrize("name", ["value", "spread", "uncertainty", "band", "n"])
def test_the_example_script_ends_in_order_on_numbers_that_are_none(name: str, value: object, tmp_path: Path) -> None:
    """In keeps that stand on their readings otherwise, so that it comes to compare them."""
    script: dict[str, Any] = {"__name__": "check_journal"}
    exec(compile((DOCS / "check-journal.py").read_text(), "check-journal.py", "exec"), script)
    small(tmp_path, boards=1)
    inner = {"uncertainty": "expanded", "band": "low"}

    def change(record: Row) -> None:
        if record["kind"] == "kept":
            part, key = (record[name], inner[name]) if name in inner else (record, name)
            part[key] = value

    forge(tmp_path, change)
    try:
        script["main"](tmp_path)
    except SystemExit as ended:
        assert re.fullmatch(r"2026-11-25\.jsonl, line \d+: [ -~]+", str(ended))
    else:
        assert name in inner, "what the keep says of its readings is computed from them"
