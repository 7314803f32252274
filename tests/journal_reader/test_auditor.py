"""docs/auditor.md: a stranger runs its commands with coreutils, ssh-keygen and Python's standard library alone."""

from __future__ import annotations

import os
import random
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from itertools import product
from pathlib import Path

import pytest

from meterlink import records
from meterlink.bench.verdict import judge
from meterlink.journal import seal as seals
from tests.journal_reader.chains import all_lines, append, check, forge
from tests.journal_reader.test_tampering import only_the_newest, tampered
from tests.program import meterlink
from tests.signers import key

DOCS = Path(__file__).parents[2] / "docs"
PAGE = (DOCS / "auditor.md").read_text()
COMMANDS = [
    line[4:]
    for line in PAGE.splitlines()
    if re.match(r"    \S", line) and not line[4:].startswith(("meterlink", "owner"))
]


def shell(command: str, folder: Path, **variables: str) -> subprocess.CompletedProcess[str]:
    """In a folder with `journal` and `docs`, on a path without meterlink."""
    if not (folder / "docs").exists():
        (folder / "docs").symlink_to(DOCS)
    return subprocess.run(
        command, shell=True, cwd=folder, capture_output=True, text=True, check=False,
        env={"PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin", "PYTHONNOUSERSITE": "1", **variables},
    )  # fmt: skip


def command_with(*words: str) -> str:
    (found,) = [c for c in COMMANDS if all(w in c for w in words)]
    return found


def test_the_chain_by_shell_and_sha256sum(journal: Path) -> None:
    script = command_with("check-chain.sh")
    first, second = sorted(journal.glob("*.jsonl"))
    second.write_bytes(b"".join(second.read_bytes().splitlines(keepends=True)[:5]))
    lines = (DOCS / "check-chain.sh").read_text().splitlines()
    assert len(lines) <= 15, "a stranger reads it: a dozen lines and their two of comment"
    done = shell(script, journal.parent)
    assert done.stdout == f"{len(all_lines(journal))} records, head {check(journal).head}\n"
    assert done.returncode == 0
    second.write_bytes(second.read_bytes()[:-1])
    assert shell(script, journal.parent).returncode == 1
    first.unlink()
    assert shell(script, journal.parent).returncode == 1


@pytest.mark.parametrize("left", ["compressed", "empty", "none"])
def test_no_record_is_no_clean_result(journal: Path, left: str) -> None:
    for path in journal.glob("*.jsonl"):
        if left == "compressed":
            path.rename(path.with_name(f"{path.name}.gz"))
        elif left == "empty":
            path.write_bytes(b"")
        else:
            path.unlink()
    for script in (command_with("check-chain.sh"), command_with("check-journal.py", "python3")):
        done = shell(script, journal.parent)
        assert done.returncode == 1 and "there is no record in journal" in done.stdout + done.stderr


def endless(place: Path) -> None:
    place.touch()
    os.truncate(place, 1 << 40)  # a line without end, that takes no room on the disk


@pytest.mark.parametrize(
    "make",
    [endless, os.mkfifo, Path.mkdir, lambda place: place.symlink_to("/dev/zero")],
    ids=["file", "pipe", "folder", "link"],
)
def test_what_has_no_end_is_not_waited_for(journal: Path, make: Callable[[Path], None]) -> None:
    """Neither the scripts nor our own commands hang, or take the memory of the auditor's machine."""
    make(journal / "2026-11-27.jsonl")
    script = command_with("check-journal.py").replace("python3", f"ulimit -v 2000000; {sys.executable} -I -S")
    done = shell(f"timeout 20 sh -c '{script}'", journal.parent)
    assert done.returncode == 1, done.stderr
    assert done.stderr.startswith("2026-11-27.jsonl") and done.stderr.count("\n") == 1
    done = shell(f"timeout 20 {command_with('check-chain.sh')}", journal.parent)
    assert done.returncode == 1 and "is no plain file, or has NUL bytes" in done.stdout
    for words in (
        ["journal", "show"],
        ["board", "list"],
        ["journal", "replay", "GC-01"],
        ["report", "GC-2611"],
        ["journal", "follow"],
    ):
        told = meterlink(*words, "--dir", str(journal.parent)).stderr
        assert "2026-11-27.jsonl" in told and told.count("\n") == 1, words


def test_bytes_that_are_no_text_are_named_and_not_printed(journal: Path) -> None:
    path = min(journal.glob("*.jsonl"))
    path.write_bytes(b"x" * 100_000 + b"\xff\n" + path.read_bytes())
    done = shell(command_with("check-journal.py", "python3"), journal.parent)
    assert done.returncode == 1 and "line 1: is no record: UnicodeDecodeError" in done.stderr
    assert len(done.stderr) < 300


def test_one_link_by_hand(journal: Path) -> None:
    digest = shell(command_with("sed -n 1p"), journal.parent).stdout.split()[0]
    assert shell(command_with("sed -n 2p"), journal.parent).stdout.strip() == digest


def test_a_head_is_found_by_hand(journal: Path) -> None:
    from hashlib import sha256

    head = sha256(all_lines(journal)[99]).hexdigest()
    done = shell(command_with("grep -n HEAD").replace("HEAD", head), journal.parent)
    assert done.stdout.split(":")[0] == "100"


@pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="OpenSSH's ssh-keygen is not here")
def test_a_seal_by_hand(journal: Path, tmp_path: Path) -> None:
    private, signers = key(tmp_path, "owner")
    made = seals.make(journal, private)
    text = f'"at":"2026-11-26T10:00:00.000000Z","kind":"seal","head":"{made.head}","through":{made.through}'
    append(journal, f'{text},"signature_file":"{made.signature_file}"}}'.encode())
    shutil.copy(signers, journal.parent / "signers")
    names = {"SEGMENT": made.signature_file.partition(".through-")[0], "SEQ": str(made.through)}
    done = shell(command_with("-Y verify"), journal.parent, **names)
    assert done.returncode == 0, done.stderr
    segment = journal / names["SEGMENT"]
    segment.write_bytes(segment.read_bytes().replace(b"GC-03", b"GC-04", 1))
    assert shell(command_with("-Y verify"), journal.parent, **names).returncode != 0


def test_the_standard_library_comes_to_the_same_conclusion(journal: Path) -> None:
    script = command_with("check-journal.py").replace("python3", f"{sys.executable} -I -S")
    done = shell(script, journal.parent)
    report = check(journal)
    assert done.returncode == 0, done.stderr
    assert f"{report.records} records, head {report.head}" in done.stdout
    assert f"{report.keeps_checked} keeps that follow" in done.stdout
    assert f"{sum(report.readings_checked.values())} readings decoded anew" in done.stdout


def test_forged_values_are_found_by_both(journal: Path) -> None:
    script = command_with("check-journal.py").replace("python3", f"{sys.executable} -I -S")
    whole = {path: path.read_bytes() for path in journal.glob("*.jsonl")}
    for kind, change in (("reading", {"value": 12.0}), ("kept", {"value": 12.0}), ("kept", {"verdict": "open"})):
        changed = iter([True])
        forge(journal, lambda r, k=kind, c=change, n=changed: r.update(c) if r["kind"] == k and next(n, None) else None)
        fault = check(journal).faults[0]
        done = shell(script, journal.parent)
        assert done.returncode == 1
        assert done.stderr.startswith(f"{fault.segment}, line {fault.line}: ")
        for path, data in whole.items():
            path.write_bytes(data)


def test_tampering_is_found_by_both_scripts(journal: Path) -> None:
    segment = sorted(journal.glob("*.jsonl"))[0]
    (journal / "2026-11-26.jsonl").unlink()
    lines = segment.read_bytes().split(b"\n")[:-1]
    script = command_with("check-journal.py").replace("python3", f"{sys.executable} -I -S")
    for seed in range(8):
        _, _, changed = tampered(lines, random.Random(seed))
        if only_the_newest(lines, changed):
            continue  # only the end: section 2
        segment.write_bytes(b"".join(line + b"\n" for line in changed))
        assert not check(journal).ok
        assert shell(script, journal.parent).returncode == 1, f"seed {seed}"
        if seed < 2:
            assert shell(command_with("check-chain.sh"), journal.parent).returncode == 1, f"seed {seed}"


def test_the_rule_of_the_script_is_the_rule_of_the_bench() -> None:
    """The two implementations of the verdict agree over the edges of every kind of band."""
    namespace: dict[str, object] = {"__name__": "check_journal"}
    exec(compile((DOCS / "check-journal.py").read_text(), "check-journal.py", "exec"), namespace)
    verdict = namespace["verdict"]
    assert callable(verdict)
    limits: list[float | None] = [None, -1.0, 0.04, 5.0, 10.0, 100.0]
    values = [None, -20.0, -0.06, 0.0, 0.03, 0.05, 4.9, 5.0, 5.1, 9.9, 10.1, 99.0, 100.0, 101.0, 200.0]
    bands = [None] + [
        records.Band(low=low, high=high, expect=expect, from_="test", short=short, open=open_)
        for low, high, expect, short, open_ in product(
            limits, limits, ("band", "short", "open", "known-good"), (None, 8.0), (None, 150.0)
        )
    ]
    compared = 0
    for band, value, function, expanded in product(bands, values, ("resistance", "diode", "voltage"), (None, 0.2)):
        uncertainty = None if expanded is None else records.Uncertainty(expanded=expanded, k=2.0, from_="test")
        for state in ("ok",) if value is not None else ("over", "under", "blank"):
            as_json = (
                None if band is None else {n: getattr(band, n) for n in ("low", "high", "expect", "short", "open")}
            )
            kept = {
                "band": as_json, "function": function, "value": value, "state": state,
                "uncertainty": uncertainty and {"expanded": expanded},
            }  # fmt: skip
            assert verdict(kept) == judge(value, state, function, band, uncertainty), kept
            compared += 1
    assert compared > 20_000


def test_the_checklists_name_commands_and_fields_that_exist() -> None:
    from meterlink.cli.journal import app

    known = {c.callback.__name__ for c in app.registered_commands if c.callback}
    for command in re.findall(r"meterlink journal (\w+)", PAGE):
        assert command in known, command
    fields = {f for cls in (*records.KINDS, records.Band, records.Uncertainty) for f in cls.__struct_encode_fields__}
    kinds = {str(cls.__struct_config__.tag) for cls in records.KINDS}
    tables = "\n".join(line for line in PAGE.splitlines() if line.startswith("|"))
    for word in re.findall(r"`([a-z_0-9.]+)`", tables):
        assert set(word.split(".")) <= fields | kinds | {"seq", "at", "prev", "follow"}, word
