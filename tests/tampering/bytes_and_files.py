"""What is done to bytes and files."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from hashlib import sha256
from pathlib import Path

from meterlink.journal import seal as seals
from tests.tampering.acts import short_made_ok
from tests.tampering.journal import RUNS, SEGMENTS, Form, Journal, Witnesses


def bytewise(change: Callable[[list[bytes]], None]) -> Callable[[Path, Witnesses], None]:
    def do(target: Path, w: Witnesses) -> None:
        journal = Journal(w.folder)
        journal.lines = journal.spelt(anew=False)
        change(journal.lines)
        journal.border = min(journal.border, len(journal.lines))
        journal.write(target, anew=False)

    return do


def rechained(lines: list[bytes], begin: int) -> None:
    """`prev` anew from this line (from 0) on, by its bytes alone."""
    for i in range(begin, len(lines)):
        prev = sha256(lines[i - 1]).hexdigest() if i else "0" * 64
        at = lines[i].index(b'"prev":"') + 8
        lines[i] = lines[i][:at] + prev.encode() + lines[i][at + 64 :]


def spelling(change: Callable[[bytes], bytes]) -> Callable[[list[bytes]], None]:
    """The last reading but two spelt otherwise, the chain behind it anew."""

    def do(lines: list[bytes]) -> None:
        at = [i for i, line in enumerate(lines) if b'"kind":"reading"' in line[:160]][-3]
        lines[at] = change(lines[at])
        rechained(lines, at + 1)

    return do


def by_bytes() -> Iterator[Form]:
    plain: dict[str, Callable[[list[bytes]], None]] = {
        "one byte in the middle": lambda ls: ls.__setitem__(40, ls[40].replace(b'"job"', b'"jab"', 1)),
        "a line taken out": lambda ls: ls.__delitem__(40),
        "a line put in twice": lambda ls: ls.insert(40, ls[40]),
        "two lines exchanged": lambda ls: ls.__setitem__(slice(40, 42), [ls[41], ls[40]]),
        "a line moved": lambda ls: ls.insert(60, ls.pop(40)),
        "a line cut in two": lambda ls: ls.__setitem__(slice(40, 41), [ls[40][:50], ls[40][50:]]),
        "two lines joined": lambda ls: ls.__setitem__(slice(40, 42), [ls[40] + ls[41]]),
        "an empty line put in": lambda ls: ls.insert(40, b""),
        "the first line taken out": lambda ls: ls.__delitem__(0),
        "CR LF for LF": lambda ls: ls.__setitem__(slice(None), [line + b"\r" for line in ls]),
        "NUL bytes in a line": lambda ls: ls.__setitem__(40, ls[40][:100] + bytes(50) + ls[40][150:]),
        "a byte order mark": lambda ls: ls.__setitem__(0, b"\xef\xbb\xbf" + ls[0]),
        "a seq that is passed over": lambda ls: ls.__setitem__(40, ls[40].replace(b'"seq":41', b'"seq":42', 1)),
    }
    for what, change in plain.items():
        yield Form(what, "chain", bytewise(change))
    for what, spelt in {
        "a name given twice": lambda b: b[:-1] + b',"value":1.0}',
        "bytes that are no UTF-8": lambda b: b.replace(b'"asked":null', b'"asked":"\xff"'),
        "half of a surrogate pair": lambda b: b.replace(b'"asked":null', b'"asked":"\\ud800"'),
        "a number that is none": lambda b: b.replace(b'"t":', b'"t":NaN,"x":', 1),
        "white space before one of the first four names": lambda b: b.replace(b'"kind"', b' "kind"', 1),
        "upper-case digits of a hash": lambda b: b[:9] + b[9:73].upper() + b[73:],
        "brackets without end": lambda b: b.replace(b'"asked":null', b'"asked":null,"x":' + b"[" * 5000),
    }.items():
        yield Form(f"{what}; the chain anew", "contents", bytewise(spelling(spelt)))
    for what, spelt in {
        "a number spelt otherwise": lambda b: b.replace(b'"flags":["auto"]', b'"flags":[ "auto" ]'),
        "a field that nobody knows": lambda b: b[:-1] + b',"colour":"red"}',
        "white space behind the first four names": lambda b: b.replace(b'"t":', b' "t":', 1) + b" ",
        "a letter spelt as an escape": lambda b: b.replace(b'"instrument":"dmm"', b'"instrument":"d\\u006dm"'),
    }.items():
        yield Form(f"{what}; after seal and head, the chain anew", "nothing", bytewise(spelling(spelt)))
    yield Form("the newest lines cut off, to the head", "nothing", bytewise(lambda ls: cut(ls, "newest")))
    yield Form("the newest lines cut off, beyond the head", "head", bytewise(lambda ls: cut(ls, "printed")))
    yield Form("the newest lines cut off, beyond the seal: its signature is left", "chain", bytewise(short))
    yield Form("a part of the newest line cut off", "chain", bytewise(torn))


def cut(lines: list[bytes], run: str) -> None:
    starts = [i for i, line in enumerate(lines) if b'"kind":"start"' in line]
    del lines[starts[RUNS.index(run)] :]


def short(lines: list[bytes]) -> None:
    del lines[100:]


def torn(lines: list[bytes]) -> None:
    lines[-1] = lines[-1][:-30]


def sealed(change: Callable[[Journal, Witnesses], object], *, anew: bool = True) -> Callable[[Path, Witnesses], None]:
    def do(target: Path, w: Witnesses) -> None:
        journal = Journal(w.folder)
        change(journal, w)
        journal.write(target, anew=anew)

    return do


def signature(j: Journal) -> str:
    return next(n for n in j.files if n.endswith(".sig"))


def signed_anew(j: Journal, w: Witnesses, who: Path) -> None:
    """Forge the first run and seal what came of it, with this key."""
    short_made_ok(j, "sealed")
    lines = j.spelt(anew=True)
    row = next(r for r in j.rows if r["kind"] == "seal")
    through = j.border
    row["head"] = sha256(lines[through - 1]).hexdigest()
    data = b"".join(line + b"\n" for line in lines[:through])
    done = subprocess.run(
        ["ssh-keygen", "-q", "-Y", "sign", "-f", who, "-n", seals.NAMESPACE],
        input=data,
        capture_output=True,
        check=True,
    )
    j.files[signature(j)] = done.stdout


def forged_and_left(j: Journal, w: Witnesses) -> None:
    short_made_ok(j, "sealed")
    j.drop(next(r for r in j.rows if r["kind"] == "seal"))


def renamed(j: Journal, w: Witnesses) -> None:
    name = signature(j)
    j.files[name.replace("through-", "through-1")] = j.files.pop(name)


def by_files() -> Iterator[Form]:
    yield Form("the seal's signature taken away", "seal", sealed(lambda j, w: j.files.pop(signature(j))))
    yield Form("seal and signature taken away", "seal or head", sealed(lambda j, w: j.unsealed()))
    yield Form(
        "the signature replaced by another one", "chain", sealed(lambda j, w: j.files.update({signature(j): b"x"}))
    )
    yield Form("the signature named after a newer record", "chain", sealed(renamed))
    yield Form("the seal's record taken out, the signature left", "head", sealed(
        lambda j, w: j.drop(next(r for r in j.rows if r["kind"] == "seal"))
    ))  # fmt: skip
    yield Form("forged, the chain anew, the old signature left", "chain", sealed(forged_and_left))
    yield Form("forged and sealed anew by another key", "seal or head",
               sealed(lambda j, w: signed_anew(j, w, w.stranger)))  # fmt: skip
    yield Form("forged and sealed anew by the bench's own key", "head", sealed(lambda j, w: signed_anew(j, w, w.key)))
    yield Form("a torn end changed: it is a note, and no part of the chain", "nothing", sealed(
        lambda j, w: j.files.update({f"{SEGMENTS[0]}.torn-1": b"else"})
    ))  # fmt: skip
    for what, found_by, do in (
        ("the first segment taken away", "chain", lambda f: (f / SEGMENTS[0]).unlink()),
        (
            "the second segment taken away: the signature's segment ends it",
            "head",
            lambda f: (f / SEGMENTS[1]).unlink(),
        ),
        ("a segment emptied", "chain", lambda f: (f / SEGMENTS[0]).write_bytes(b"")),
        ("a segment renamed to a later day", "chain", lambda f: (f / SEGMENTS[0]).rename(f / "2026-11-26.jsonl")),
        ("all segments taken away", "chain", lambda f: [p.write_bytes(b"") for p in f.glob("*.jsonl")]),
        ("a segment cut in two between two records", "nothing", lambda f: in_two(f / SEGMENTS[1])),
        (
            "an unsealed segment renamed to a later part of its day",
            "nothing",
            lambda f: (f / SEGMENTS[1]).rename(f / "2026-11-25p007.jsonl"),
        ),
        ("a file of another kind put in", "nothing", lambda f: (f / "notes.txt").write_text("x")),
    ):
        yield Form(what, found_by, files(do))


def in_two(segment: Path) -> None:
    lines = segment.read_bytes().splitlines(keepends=True)
    segment.write_bytes(b"".join(lines[:50]))
    segment.with_name("2026-11-25p003.jsonl").write_bytes(b"".join(lines[50:]))


def files(change: Callable[[Path], object]) -> Callable[[Path, Witnesses], None]:
    def do(target: Path, w: Witnesses) -> None:
        Journal(w.folder).write(target, anew=False)
        change(target)

    return do
