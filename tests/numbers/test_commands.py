"""The commands `sheet` and `known-good`, and every command line that the documents show, on a small journal."""

from __future__ import annotations

import json
import re
import shlex
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from meterlink.accuracy import Profile, bundled
from meterlink.bench import sheet as sheets
from meterlink.bench.verdict import SHORT
from meterlink.cli import knowngood, sheet
from meterlink.errors import BadInput
from meterlink.reading import FUNCTIONS

from .journals import Story

DOCS = Path(__file__).parents[2] / "docs"
OURS = ("check-sheets.md", "verdicts.md", "accuracy.md", "known-good.md")

app = typer.Typer()
app.add_typer(sheet.app, name="sheet")
app.add_typer(knowngood.app, name="known-good")


def run(*args: str) -> Any:
    """Run one command line; an error of ours is in `exception`."""
    return CliRunner().invoke(app, args)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A bench with six good boards and the demo's sheet; it is the working folder."""
    story = Story()
    for i in range(1, 7):
        mark = f"GC-{i:02}"
        story.board(mark)
        story.keep(mark, "VIN", 0.5 + i / 1000, expanded=0.001)
        story.keep(mark, "J2", None, state="over")
        story.state(mark, "tested good")
    story.write(tmp_path / "journal")
    data = resources.files("meterlink.demo").joinpath("ic-8-rev-c.toml").read_bytes()
    (tmp_path / "ic-8-rev-c.toml").write_bytes(data)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_learn_and_show(bench: Path) -> None:
    learned = run("known-good", "learn", "--dir", str(bench), "--json")
    assert learned.exit_code == 0
    assert "J2 (diode): 6 of 6 boards read beyond the range" in learned.stderr
    (row,) = map(json.loads, learned.stdout.splitlines())
    assert (row["model"], row["point"], row["band"]["n"]) == ("IC-8 rev C", "VIN", 6)
    assert row["band"]["boards"] == [f"GC-{i:02}" for i in range(1, 7)]
    shown = run("known-good", "show", "--dir", str(bench), "--json")
    assert json.loads(shown.stdout) == row
    table = run("known-good", "show", "IC-8 rev C", "--dir", str(bench)).stdout
    assert "6 provisional" in table
    assert "GC-01, GC-02, GC-03" in table


@pytest.mark.parametrize(
    ("args", "message"),
    [
        (("known-good", "learn", "--job", "GC-1"), "the journal has no job GC-1; it has GC-2611"),
        (("known-good", "learn", "--model", "IC-9"), "nothing to learn of IC-9"),
        (("known-good", "learn", "--coverage", "95"), r"coverage 95: give a fraction"),
        (("known-good", "show"), "nothing was learned yet"),
        (("known-good", "show", "IC-9"), "nothing was learned of 'IC-9'"),
        (("sheet", "new", "GC-99"), "the journal has no board GC-99"),
        (("sheet", "new", "GC-01", "-o", "ic-8-rev-c.toml"), "ic-8-rev-c.toml is there already"),
        (("sheet", "new", "GC-01", "-o", "no/such/folder.toml"), "cannot be written"),
    ],
)
def test_what_goes_wrong_is_said(bench: Path, args: tuple[str, ...], message: str) -> None:
    result = run(*args, "--dir", str(bench))
    assert isinstance(result.exception, BadInput)
    assert re.search(message, str(result.exception))
    assert "\n" not in str(result.exception)


def test_check_names_every_line(bench: Path) -> None:
    (bench / "bad.toml").write_text('model = 8\n[[point]]\nname = "A"\nfunction = "ohms"\nlow = nan\n')
    result = run("sheet", "check", "bad.toml")
    assert isinstance(result.exception, BadInput)
    said = [*result.stderr.splitlines(), f"meterlink: {result.exception}"]
    assert [line.split(": ")[1:3] for line in said] == [
        ["bad.toml:1", "model"],
        ["bad.toml:4", "point.function"],
        ["bad.toml:5", "point.low"],
    ]
    assert result.stdout == ""
    as_json = json.loads(run("sheet", "check", "bad.toml", "--json").stdout)
    assert (as_json["ok"], len(as_json["problems"])) == (False, 3)


def test_check_and_show_a_good_sheet(bench: Path) -> None:
    assert "8 points, 1 of them powered: good" in run("sheet", "check", "ic-8-rev-c.toml").stdout
    shown = run("sheet", "show", "ic-8-rev-c.toml").stdout
    assert "180 Ohm to 420 Ohm, short below 5 Ohm" in shown
    assert "! +3V3 on: Power on from the bench supply" in shown
    rows = [json.loads(line) for line in run("sheet", "show", "ic-8-rev-c.toml", "--json").stdout.splitlines()]
    assert [r["place"] for r in rows] == [*range(1, 9)]
    assert rows[0]["name"] == "F1"


def test_a_sheet_of_the_bench_is_found_by_name(bench: Path) -> None:
    (bench / "sheets").mkdir()
    (bench / "ic-8-rev-c.toml").rename(bench / "sheets" / "mine.toml")
    assert run("sheet", "check", "mine", "--dir", str(bench)).exit_code == 0
    assert isinstance(run("sheet", "check", "yours", "--dir", str(bench)).exception, BadInput)


def test_new_gives_a_sheet(bench: Path) -> None:
    result = run("sheet", "new", "GC-01", "--dir", str(bench))
    (bench / "new.toml").write_text(result.stdout)
    made = sheets.load(bench / "new.toml")
    assert [(p.name, p.expect) for p in made.points] == [("VIN", "known-good"), ("J2", "open")]


# -- the documents


def blocks(name: str, kind: str) -> list[str]:
    return re.findall(rf"```{kind}\n(.*?)```", (DOCS / name).read_text(encoding="utf-8"), re.DOTALL)


@pytest.mark.parametrize("name", OURS)
def test_commands_of_the_documents_run(bench: Path, name: str) -> None:
    lines = [line for block in blocks(name, "sh") for line in block.splitlines()]
    for line in lines:
        program, *args = shlex.split(line)
        assert program == "meterlink"
        result = run(*args, "--dir", str(bench))
        assert (line, result.exit_code, result.exception) == (line, 0, None)
    assert lines or name in ("verdicts.md", "accuracy.md")


def test_the_documents_sheets_and_profiles_load(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    (text,) = blocks("check-sheets.md", "toml")
    path.write_text(text)
    assert len(sheets.load(path).points) == 3
    (text,) = blocks("accuracy.md", "toml")
    path.write_text(text)
    assert Profile.load(path).instrument == "Elenco M-1000D"


def test_the_documents_name_every_key_function_and_limit() -> None:
    text = (DOCS / "check-sheets.md").read_text(encoding="utf-8")
    for key in sheets.POINT:
        assert f"`{key}`" in text
    row = next(line for line in text.splitlines() if line.startswith("| `function`"))
    assert row.split("|")[2].strip().split(", ") == [f for f in FUNCTIONS if f != "unknown"]
    verdicts = (DOCS / "verdicts.md").read_text(encoding="utf-8")
    for function, limit in SHORT.items():
        row = next(line for line in verdicts.splitlines() if line.startswith(f"| {function} |"))
        assert f"{limit.value:g} " in row
        assert limit.source in row
    accuracy = (DOCS / "accuracy.md").read_text(encoding="utf-8")
    assert all(f"| `{name}` |" in accuracy for name in bundled())
