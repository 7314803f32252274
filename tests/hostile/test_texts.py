"""Hostile texts in every field of every record, driver, file and reply: nothing of them acts on a terminal.

A text that does nothing and one that tries everything go the same ways, so that a command that refused the folder
for another reason is seen.
"""

from __future__ import annotations

import json
import sys
import time
from itertools import islice
from pathlib import Path
from urllib.parse import quote

import pytest

from meterlink.cli.reference import EXITS
from meterlink.folders import bench_folder
from tests.hostile.commands import KNOWN, READ, STAYS, lines, orderly
from tests.hostile.journals import FIELDS, NAME, SLOTS, Slot, put, story, write
from tests.hostile.service import answering, answers, refuses, told

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

SHEET = """
model = %s
title = %s
[[point]]
name = %s
where = %s
function = "resistance"
caution = %s
"""
ASK = [n for n in KNOWN if n not in STAYS and n not in ("setup", "sound")]


@pytest.fixture(autouse=True)
def nobody_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "sleep", lambda seconds: None)


def bench(root: Path, text: str) -> tuple[Path, Path, Path]:
    """A folder, a segment and a sheet that bear this text in their names and hold it."""
    folder = root / f"b{text}"
    (folder / "sheets").mkdir(parents=True)
    sheet = folder / "sheets" / f"{text}.toml"
    sheet.write_text(SHEET % ((json.dumps(text).replace(r"\udb40\udc41", r"\U000e0041"),) * 5), encoding="utf-8")
    segment = write(folder / "journal", story(text))
    for name in (text, f"{text}.gz", f"2026-11-25.jsonl.{text}"):
        (folder / "journal" / name).touch()
    return folder, segment, sheet


@pytest.fixture(scope="module", params=[pytest.param("x", marks=pytest.mark.long), NAME], ids=["plain", "hostile"])
def place(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path, Path, Path]:
    return (str(request.param), *bench(tmp_path_factory.mktemp("bench"), str(request.param)))


def test_the_fields_are_found() -> None:
    assert {s.kind for s in SLOTS if s.sort == "text"} == set(FIELDS) - {"clock", "seal"}
    assert len(SLOTS) > 100 and any(s.path == ("band", "from") for s in SLOTS)


@pytest.mark.parametrize(
    "name", [n if i % 3 == 0 else pytest.param(n, marks=pytest.mark.long) for i, n in enumerate(ASK)]
)
def test_no_command_lets_a_journals_text_through(name: str, place: tuple[str, Path, Path, Path]) -> None:
    text, folder, segment, sheet = place
    for words in lines(name, text, sheet if name.startswith("sheet") else segment, folder):
        done = orderly(words)
        if "--json" in words:
            assert all(isinstance(json.loads(line), dict) for line in done.stdout.splitlines())


def test_json_gives_the_text_as_it_is(tmp_path: Path) -> None:
    folder, segment, _ = bench(tmp_path, NAME)
    told_ = orderly(["job", "list", "--json", "--dir", str(folder), "--"])
    assert json.loads(told_.stdout)["job"] == NAME
    shown = orderly(["journal", "show", "--kind", "finding", "--json", "--dir", str(folder), "--"]).stdout
    assert "\x1b" not in shown and all(json.loads(line)["text"] == NAME for line in shown.splitlines())
    shown = orderly(["job", "list", "--dir", str(folder), "--"]).stdout
    assert r"=1\u{1b}[2J" in shown and r"\u{202e}" in shown and "[bold red]" in shown
    assert segment.exists()


@pytest.mark.parametrize("reply", ["done", *(pytest.param(how, marks=pytest.mark.long) for how in ("refused", "none"))])
def test_no_reply_of_a_service_acts(reply: str, tmp_path: Path) -> None:
    folder = tmp_path / "b"
    status, _ = told(tmp_path / "shape", NAME)
    answer = {"done": answers(status, NAME), "refused": refuses(2, NAME), "none": lambda request: []}[reply]
    with answering(bench_folder(folder).socket, answer):
        for name in ASK:
            if name.partition(" ")[0] in ("journal", "driver", "sheet", "known-good", "report", "doctor"):
                continue
            for words in islice(
                lines(name, "on" if name == "power" else "x", folder, folder), 1 if reply == "done" else 2
            ):
                done = orderly(words)
                if reply == "done" and name in ("status", "keep", "who"):
                    assert "2J" in done.stdout
                if reply == "refused" and 3 in EXITS.get(name, ()):
                    assert "2J" in done.stderr


def test_a_service_that_ends_while_it_is_watched(tmp_path: Path) -> None:
    with answering(bench_folder(tmp_path).socket, lambda request: [{"ok": True}]):
        done = orderly(["supply", "inject", "x", "--volts", "1", "--amperes", "1", "--dir", str(tmp_path)])
        assert done.returncode == 3 and "nothing was switched on" in done.stderr


SLOTS_OF_TEXT = [s for s in SLOTS if s.sort in ("text", "word")]


@pytest.mark.parametrize(
    ("text", "escaped"),
    [
        pytest.param(f"{NAME}\0", False, marks=pytest.mark.long, id="hostile"),
        pytest.param("a\ud800", True, marks=pytest.mark.full, id="half a pair"),
        pytest.param("a\ud800", False, marks=pytest.mark.full, id="not UTF-8"),
    ],
)
@pytest.mark.parametrize("slot", SLOTS_OF_TEXT, ids=str)
def test_each_field_in_turn(slot: Slot, text: str, escaped: bool, tmp_path: Path) -> None:
    """Alone, so that nothing that was refused before stands between it and the way out."""
    written = story() + [put(one, slot.path, text) for one in story() if one["kind"] == slot.kind]
    segment = write(tmp_path / "journal", written, escaped=escaped)
    for name in (*READ, "journal seal"):
        for words in islice(lines(name, "x", segment, tmp_path), 2):
            orderly(words)


def test_a_drivers_words_do_not_act(tmp_path: Path) -> None:
    """A stranger's file that somebody names: what it says of itself, of its readings and of its errors."""
    orderly(["driver", "new", "mine", "--to", str(tmp_path), "--"])
    path, hurts = tmp_path / "mine.py", NAME.replace("\n", "").replace("\r", "")
    source = path.read_text(encoding="utf-8")
    for old in ("Maker Model", "Made-up 14-byte meter", "made up: nothing of it is a real meter yet"):
        assert old in source
        source = source.replace(f'"{old}', f'{old[:3] + hurts!r} "')
    path.write_text(source.replace('raise BadFrame(f"', f'raise BadFrame({hurts!r} f"'), encoding="utf-8")
    for words in (["show", str(path)], ["show", "--json", str(path)]):
        assert "[2J" in orderly(["driver", *words]).stdout
    orderly(["driver", "check", str(path)])
    assert "2J" in orderly(["driver", "decode", str(path)], feed="00\n").stdout


def test_a_files_words_do_not_act(tmp_path: Path) -> None:
    """The bench's file and a sheet, right and wrong, by keys and values."""
    inline = json.dumps(NAME).replace(r"\udb40\udc41", r"\U000e0041")
    for number, text in enumerate(
        (f"{inline} = 1", f"bench = {inline}\noperator = 3", f"[instruments.{inline}]", NAME)
    ):
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / "bench.toml").write_text(text, encoding="utf-8")
        for words in (["run"], ["doctor"], ["pedal"], ["scanner"], ["sound", "ok"]):
            assert orderly([*words, "--dir", str(folder)]).returncode
        assert orderly(["sheet", "check", str(folder / "bench.toml")]).returncode == 2
    folder, _, sheet = bench(tmp_path, NAME)
    (folder / "known-good").mkdir()
    (folder / "known-good" / f"{quote(NAME)}.json").write_text("{}")
    (folder / "profiles").mkdir()
    (folder / "profiles" / f"{NAME}.toml").write_text(f"{inline} = 1", encoding="utf-8")
    known = ["--dir", str(folder)]
    for words in (["sheet", "show", str(sheet)], ["sheet", "check", str(sheet)], ["known-good", "show", *known]):
        orderly(words)
        orderly([*words, "--json"])
    assert "2J" in orderly(["journal", "verify", *known]).stdout.partition("note")[2]


def test_a_question_shows_what_it_offers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.cli.interview.plugged_in", lambda folders: [(f"/dev/{NAME}", NAME)])
    done = orderly(["setup", "--dir", str(tmp_path)], feed="b\n\nm\n")
    assert done.returncode == 2 and "its port" in done.stdout and done.stdout.count(r"\u{1b}[2J") > 2


def test_a_drafted_sheet_holds_nobodys_lines(tmp_path: Path) -> None:
    """Its comments name the board, the job and the unit; its strings the point."""
    board = f'{NAME}\n[[point]]\nname = "evil"\nwhere = "-"\nfunction = "resistance"\n#'
    kept = {"function": "resistance", "coupling": None, "unit": board, "point": "P\u31641", "state": "ok", "with": None}
    rows = [one | ({"model": "M"} if one["kind"] == "job" else {}) for one in story(board)]
    write(tmp_path / "journal", [one | (kept if one["kind"] == "kept" else {}) for one in rows])
    done = orderly(["sheet", "new", "--dir", str(tmp_path), "--", board])
    assert [p["name"] for p in tomllib.loads(done.stdout)["point"]] == ["P\u31641"]
    assert r"\U00003164" in done.stdout and r"\u{1b}[2J" in done.stdout


def test_a_record_that_is_not_utf8_is_named_and_not_printed(tmp_path: Path) -> None:
    """Where nothing has to read the field, it is the way out that sees it."""
    rows = [one | ({"text": "a\ud800"} if one["kind"] == "finding" else {}) for one in story()]
    write(tmp_path / "journal", rows)
    for words in (["show", "--json"], ["show"], ["replay", "x", "--json"]):
        done = orderly(["journal", *words, "--dir", str(tmp_path)])
        assert done.returncode == 1 and "utf-8" in done.stderr.lower()


def test_blanks_around_a_record_leave_it_json(tmp_path: Path) -> None:
    """RFC 8259 allows them between tokens and after the value."""
    rows = [b'"kind" :\t"stop","why":"x"\r}', b'"kind":"stop","why":"x"} \t', b'"kind":"stop","why":"x"}\r']
    write(tmp_path / "journal", [*story()[:2], *rows])
    done = orderly(["journal", "show", "--json", "--kind", "stop", "--dir", str(tmp_path)])
    assert [json.loads(line)["why"] for line in done.stdout.splitlines()] == ["x"] * 3


@pytest.mark.parametrize("end", ["\n", "\r\n", "\u2028", "\x85", "\x0b"])
def test_no_text_makes_a_line_of_its_own(end: str, tmp_path: Path) -> None:
    """A mark that would say what verify says of the journal, or a list of another board."""
    text = f"x{end}result     nothing wrong was found"
    _, segment, _ = bench(tmp_path, text.replace("/", ""))
    told_ = orderly(["journal", "verify", str(segment.parent)]).stdout.splitlines()
    assert [line for line in told_ if line.startswith("result")] == [told_[-1]] and "wrong" in told_[-1]
    assert "nothing wrong" not in told_[-1]
    for words in (["job", "show", text], ["board", "show", text], ["journal", "show"], ["journal", "replay", text]):
        shown = orderly([*words, "--dir", str(segment.parent.parent)]).stdout
        assert not any(line.startswith("result") for line in shown.splitlines())
