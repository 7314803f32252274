"""The driver commands, each as a program: what stands on stdout, on stderr, and the exit status."""

from __future__ import annotations

import io
import json
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple, Protocol

import pytest

from meterlink import registry
from meterlink.cli.main import main
from meterlink.driver_check.play import trials
from meterlink.records import schema
from meterlink.virtual.terminal import VirtualTerminal
from tests.lazily import Lazily

jsonschema = Lazily("jsonschema")
ROOT = Path(__file__).parents[2]
SPECS = registry.all_specs()


class Done(NamedTuple):
    stdout: str
    stderr: str


class Run(Protocol):
    def __call__(self, *args: str, feed: bytes | str = "", code: int = 0, trust: Path | None = None) -> Done: ...


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """The program's own entry, in this process: arguments and standard input in, both outputs and the status out."""

    def program(*args: str, feed: bytes | str = "", code: int = 0, trust: Path | None = None) -> Done:
        data = feed.encode() if isinstance(feed, str) else feed
        monkeypatch.setattr(sys, "argv", ["meterlink", *(("--drivers", str(trust)) if trust else ()), "driver", *args])
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
        capsys.readouterr()
        with pytest.raises(SystemExit) as ended:
            main()
        out = Done(*capsys.readouterr())
        assert ended.value.code == code, out
        return out

    return program


def started(*args: str, **streams: Any) -> subprocess.Popen[str]:
    """The program as a process of its own."""
    command = [sys.executable, "-m", "meterlink", "driver", *args]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT, bufsize=1, **streams)


def test_list_names_every_driver_with_its_source(run: Run, tmp_path: Path) -> None:
    rows = [json.loads(line) for line in run("list", "--json").stdout.splitlines()]
    assert [row["name"] for row in rows] == [spec.name for spec in SPECS]
    assert all(row["instruments"] and row["published"] for row in rows)
    shown = run("list").stdout
    assert all(spec.name in shown for spec in SPECS)


def test_a_broken_driver_is_reported_and_passed_over(run: Run, tmp_path: Path) -> None:
    (tmp_path / "bad.py").write_text("import nothing_of_that_name\n")
    (tmp_path / "ends.py").write_text("raise SystemExit(3)\n")
    done = run("list", "--json", trust=tmp_path)
    assert len(done.stdout.splitlines()) == len(SPECS)
    assert "bad.py" in done.stderr
    assert "ends.py" in done.stderr
    told = run("show", "bad", trust=tmp_path, code=2).stderr
    assert "nothing_of_that_name" in told


def test_show_says_wiring_settings_and_source(run: Run) -> None:
    text = run("show", "fs9721").stdout
    assert "2400 baud 8N1, DTR on, RTS off" in text
    assert "Voltcraft protocol sheet" in text
    assert "partly from memory" in text
    assert json.loads(run("show", "fs9721", "--json").stdout)["line"]["baudrate"] == 2400


@pytest.mark.parametrize(("name", "told"), [("fs9712", "did you mean fs9721"), ("fs9721:X", "no model 'X'")])
def test_an_unknown_name_is_told_in_one_line(run: Run, name: str, told: str) -> None:
    stderr = run("show", name, code=2).stderr
    assert told in stderr
    assert stderr.count("\n") == 1


def test_decode_gives_one_json_line_a_frame(run: Run) -> None:
    """A frame, blanks anywhere, bad hex, a bad frame, an odd number of digits, nothing."""
    feed = b"17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0\n1720 35455b697f8297a0b0c0d4e0\nxyz\n\n11 22\n123\n  \n\xff\n"
    done = run("decode", "fs9721", feed=feed)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [list(line) for line in lines] == [["readings"], ["readings"], *[["error"]] * 4]
    assert lines[0] == lines[1]
    assert (lines[0]["readings"][0]["value"], lines[0]["readings"][0]["raw"]) == (12.34, "172035455b697f8297a0b0c0d4e0")


def test_decode_uses_the_journals_field_names(run: Run) -> None:
    line = run("decode", "fs9721", feed="17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0\n").stdout
    (reading,) = json.loads(line)["readings"]
    record = {
        "prev": "0" * 64,
        "seq": 1,
        "at": "2026-01-01T00:00:00.000000Z",
        "kind": "reading",
        "instrument": "m",
        "t": 1,
    }
    jsonschema.validate({**record, "job": None, "board": None, "point": None, **reading}, schema())


def test_decode_with_what_was_asked_and_a_model(run: Run) -> None:
    asked, frame = b"CONF?\r\nFETC?\r\n", b'"VOLT:AC 5"\r\n+1.23450000E+00\r\n'
    feed = f"{asked.hex()} : {frame.hex(' ')}\n{frame.hex()}\n{asked.hex()}:{frame[:13].hex()}\n"
    done = run("decode", "scpi_meter", "--model", "handheld", feed=feed)
    with_asked, alone, cut = map(json.loads, done.stdout.splitlines())
    assert with_asked["readings"][0]["asked"] == asked.hex()
    assert with_asked["readings"][0]["value"] == alone["readings"][0]["value"] == 1.2345
    assert "error" in cut


@pytest.mark.parametrize("spec", SPECS, ids=lambda s: s.name)
def test_decode_reads_frames_of_every_family(run: Run, spec: registry.Spec) -> None:
    lines = [f"{t.asked.hex()}:{t.frame.hex()}" if t.asked else t.frame.hex() for t in trials(spec.models()[0])[:5]]
    done = run("decode", spec.models()[0].name, feed="\n".join(lines))
    assert lines
    assert all(json.loads(line)["readings"] for line in done.stdout.splitlines())


def test_check_says_good_or_wrong(run: Run, tmp_path: Path) -> None:
    run("new", "mine", "--to", str(tmp_path))
    rows = [json.loads(line) for line in run("check", str(tmp_path / "mine.py"), "--json").stdout.splitlines()]
    assert all(row["ok"] is not False for row in rows)
    expected = tmp_path / "captures" / "mine" / "example.expected.jsonl"
    expected.write_text(expected.read_text().replace("230.10", "230.20"))
    done = run("check", str(tmp_path / "mine.py"), code=1)
    assert "WRONG" in done.stdout
    assert "example.expected.jsonl, line 2" in done.stderr
    assert "cannot be loaded" in run("check", str(tmp_path / "none.py"), code=2).stderr


def test_a_driver_in_a_file_is_shown_decoded_and_recorded_with(run: Run, tmp_path: Path) -> None:
    """While it is written it is in no folder where drivers are looked for."""
    run("new", "mine", "--to", str(tmp_path))
    file = str(tmp_path / "mine.py")
    assert json.loads(run("show", file, "--json").stdout)["origin"] == f"file: {file}"
    frame = "11 20 35 40 50 60 73 81 90 A0 B0 C0 D0 E0\n"  # the skeleton's sheet: function 1, 05000, 3 decimals, minus
    assert json.loads(run("decode", file, feed=frame).stdout)["readings"][0]["display"] == "-5.000 V"
    source, out = tmp_path / "captures" / "mine" / "example.rec", tmp_path / "again.rec"
    program = started("record", f"recording:{source}", "--driver", file, "--seconds", "0.2", "-o", str(out))
    assert program.wait(timeout=60) == 0
    assert out.read_text().startswith("# driver: mine\n")
    assert "no model 'X'" in run("decode", f"{file}:X", code=2).stderr
    assert "no model 'X'" in run("decode", file, "--model", "X", code=2).stderr


def test_a_file_of_a_driver_with_models_takes_one(run: Run) -> None:
    """Same bytes, another value: 180 is 18.0 A or 1.80 A by model (sheet supplies-ascii, M: Manson p. 16)."""
    feed = f"{b'GETS'.hex()}0d : {b'150180'.hex()}0d{b'OK'.hex()}0d\n"
    file = str(ROOT / "drivers" / "manson.py")
    for model, amperes in (("HCS-3602", 18.0), ("HCS-3102", 1.8)):
        readings = json.loads(run("decode", f"{file}:{model}", feed=feed).stdout)["readings"]
        assert [r["value"] for r in readings if r["unit"] == "A"] == [amperes]


def test_what_new_says_to_do_next_can_be_done(run: Run, tmp_path: Path) -> None:
    for own, where in ((tmp_path / "own", ()), (None, ("--to", str(tmp_path / "a folder")))):
        told = run("new", "mine", *where, trust=own).stderr
        command = re.search(r"now: meterlink driver (.+), and docs/", told)
        assert command
        run(*shlex.split(command[1]), trust=own)


def test_new_overwrites_nothing_and_takes_no_name_twice(run: Run, tmp_path: Path) -> None:
    run("new", "mine", trust=tmp_path)
    assert (tmp_path / "mine.py").exists()
    assert "mine" in run("list", "--json", trust=tmp_path).stdout
    run("check", "mine", trust=tmp_path)
    assert not list(tmp_path.rglob("__pycache__")), "loading a driver writes nothing beside it"
    for name in ("mine", "fs9721", "../mine", "Mine", ""):
        assert run("new", name, trust=tmp_path, code=2).stderr.count("\n") == 1


def test_record_asks_what_is_on_the_display(run: Run, tmp_path: Path) -> None:
    """A meter on a pseudo-terminal; a person answers twice and ends."""
    frame = bytes.fromhex("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0")
    out = tmp_path / "a.rec"
    with VirtualTerminal(tmp_path / "meter", stream=lambda _: frame, rate_hz=20):
        where = (
            str(tmp_path / "meter"),
            "--driver",
            "fs9721",
            "--every",
            "1",
            "-o",
            str(out),
            "--instrument",
            "Made Up",
        )
        program = started("record", *where, stdin=subprocess.PIPE, stderr=subprocess.PIPE)
        assert program.stdin
        assert program.stderr
        assert "what is on the display? (decoded: 12.34 V)" in program.stderr.readline()
        program.stdin.write("12.34 V\n\n")
        assert "what is on the display?" in program.stderr.readline()
        program.stdin.write("q\n")
        stdout, _ = program.communicate(timeout=30)
        assert program.returncode == 0
    assert "1 displays told" in stdout
    text = out.read_text()
    assert text.startswith("# driver: fs9721\n# instrument: Made Up\n# source: recorded from Made Up on ")
    assert "= 12.34 V" in text
    assert " < 17 20 35" in text
    told = run("record", str(tmp_path / "meter"), code=2).stderr
    assert "--baud" in told


def test_record_asks_a_polled_meter(run: Run, tmp_path: Path) -> None:
    """A recording of a polled meter, recorded again, has the same exchange."""
    source = ROOT / "captures" / "scpi_meter" / "resistance.rec"
    out = tmp_path / "again.rec"
    program = started("record", f"recording:{source}", "--driver", "scpi_meter", "--seconds", "2", "-o", str(out))
    assert program.wait(timeout=60) == 0
    lines = [line.split(" ", 1)[1] for line in out.read_text().splitlines() if not line.startswith("#")]
    first = [line.split(" ", 1)[1] for line in source.read_text().splitlines() if not line.startswith("#")][:5]
    assert [line.lower() for line in first] == lines[:5]
    again = run("record", f"recording:{source}", "--driver", "scpi_meter", "--seconds", "1", "-o", str(out), code=2)
    assert "there already" in again.stderr
