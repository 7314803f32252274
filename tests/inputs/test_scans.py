"""Scanner bytes and key reports as marks: every character of a US keyboard, any cut, and nothing but text."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.bench.desk import mark
from meterlink.inputs.characters import NO_TEXT, Typing
from meterlink.inputs.scans import LONGEST, QUIET_S, Scan, Scans, Unread
from meterlink.inputs.settings import ScannerSettings
from tests.inputs.keyboards import UP, down, typed

# US layout, HID Usage Tables 1.12, page 07: the two characters of each key of the main field, by its usage
KEYS = {0x1E: "1!", 0x1F: "2@", 0x20: "3#", 0x21: "4$", 0x22: "5%", 0x23: "6^", 0x24: "7&", 0x25: "8*", 0x26: "9(",
        0x27: "0)", 0x2C: "  ", 0x2D: "-_", 0x2E: "=+", 0x2F: "[{", 0x30: "]}", 0x31: "\\|", 0x33: ";:", 0x34: "'\"",
        0x35: "`~", 0x36: ",<", 0x37: ".>", 0x38: "/?"}  # fmt: skip
KEYPAD = {0x54: "/", 0x55: "*", 0x56: "-", 0x57: "+", 0x59: "1", 0x61: "9", 0x62: "0", 0x63: "."}


def text_of(*reports: bytes) -> str:
    typing = Typing()
    return "".join(map(typing.report, reports))


@pytest.mark.parametrize("usage", KEYS)
@pytest.mark.parametrize(("modifiers", "which"), [(0, 0), (0x02, 1), (0x20, 1)])  # none, LeftShift, RightShift
def test_each_key_of_a_us_keyboard(usage: int, modifiers: int, which: int) -> None:
    assert text_of(down(modifiers, usage), UP) == KEYS[usage][which]


def test_letters_keep_their_case() -> None:
    assert text_of(*typed("ab-12")) == "ab-12"
    assert text_of(*typed("SN-3 aZ")) == "SN-3 aZ"


@pytest.mark.parametrize("usage", KEYPAD)
def test_the_keypad(usage: int) -> None:
    assert text_of(down(0, usage)) == KEYPAD[usage]


def test_enter_and_keypad_enter_end_a_line() -> None:
    assert text_of(down(0, 0x28), UP, down(0, 0x58)) == "\r\r"


def test_keys_of_one_report_come_in_its_order_and_a_held_key_once() -> None:
    assert text_of(bytes.fromhex("0000060504000000"), bytes.fromhex("0000060507000000"), UP) == "cbad"
    assert text_of(down(0, 4), UP, down(0, 4), down(0, 4)) == "aa"


@pytest.mark.parametrize(
    "report",
    [
        down(0x01, 0x04),  # Ctrl-A
        down(0x04, 0x5C),  # Alt and a keypad digit: some readers send a character's code so
        down(0x40, 0x14),  # AltGr-Q
        down(0x08, 0x04),  # GUI-A
        down(0, 0x39),  # Caps Lock
        down(0, 0x68),  # F13
        down(0, 0x29),  # Escape
        bytes.fromhex("0000010101010101"),  # roll-over: keys went by unseen
        b"\x00\x00\x04",  # a piece of a report
    ],
)
def test_what_is_no_character_stands_out_and_spoils_the_scan(report: bytes) -> None:
    assert text_of(report) == NO_TEXT
    scans = Scans("", "\r")
    (one,) = scans.feed(text_of(*typed("ab"), report, UP, *typed("12\r")).encode(), 0.0)
    assert isinstance(one, Unread) and "no text" in one.why


@given(st.lists(st.binary(min_size=8, max_size=8), max_size=20))
def test_any_reports_give_known_characters(reports: list[bytes]) -> None:
    assert all(c.isprintable() or c in "\0\r\t" for c in text_of(*reports))


# -- scans


def run(scans: Scans, stream: bytes, cuts: set[int], t: float = 0.0) -> list[Scan | Unread]:
    edges = [0, *sorted(c for c in cuts if 0 < c < len(stream)), len(stream)]
    return [one for a, b in pairwise(edges) for one in scans.feed(stream[a:b], t)]


def read(data: bytes, prefix: str = "", suffix: str = "\r") -> list[Scan | Unread]:
    return run(Scans(prefix, suffix), data, set())


@pytest.mark.parametrize(
    ("data", "prefix", "suffix", "texts"),
    [
        (b"GC-01\r", "", "\r", ["GC-01"]),
        (b"ab-12\rsn-3\r", "", "\r", ["ab-12", "sn-3"]),
        (b"GC-01\r\nGC-02\r\n", "", "\r", ["GC-01", "GC-02"]),
        (b"GC-01\r\nGC-02\r\n", "", "\n", ["GC-01", "GC-02"]),
        (b"GC-01\r\n", "", "\r\n", ["GC-01"]),
        (b"#GC-01\t#GC-02\t", "#", "\t", ["GC-01", "GC-02"]),
        (b"\x02GC-01\x03", "\x02", "\x03", ["GC-01"]),
        (b"\r\r\n\r", "", "\r", []),  # nothing was read: nothing is taken
        ("Z\u00dc-1\r".encode(), "", "\r", ["ZÜ-1"]),
        (b" GC 01 \r", "", "\r", [" GC 01 "]),
    ],
)
def test_scans(data: bytes, prefix: str, suffix: str, texts: list[str]) -> None:
    assert read(data, prefix, suffix) == [Scan(text) for text in texts]


@pytest.mark.parametrize(
    ("data", "prefix", "word"),
    [
        (b"GC-01\r", "#", "prefix '#': 'GC-01'"),
        (b"#\r", "#", "held no text"),
        (b"  \r", "", "held no text"),
        (b"GC\x1d01\r", "", "hex 1D"),  # FNC1 of a GS1 code
        (b"\x1b]0;x\x07\r", "", "hex 1B"),
        (b"GC\x9b01\r", "", "hex 9B"),
        ("GC\u202e01\r".encode(), "", "hex 202E"),  # turns the direction of what follows
        (b"\x1b[2J\r", "#", "'?[2J'"),
        (b"x" * (LONGEST + 3) + b"\r", "", f"longer than {LONGEST}"),
        (b"x" * (LONGEST + 1) + b"\r", "", f"longer than {LONGEST}"),
        (b"#" + b"x" * (LONGEST + 1) + b"\r", "#", f"longer than {LONGEST}"),
    ],
)
def test_what_is_no_mark_is_said(data: bytes, prefix: str, word: str) -> None:
    (one,) = read(data, prefix)
    assert isinstance(one, Unread) and word in one.why and one.why.isprintable()
    assert read(data + f"{prefix}GC-02\r".encode(), prefix)[-1] == Scan("GC-02")


def test_the_longest_mark_and_more_passes() -> None:
    assert mark("board", "x" * 80)
    assert read(b"x" * LONGEST + b"\r") == [Scan("x" * LONGEST)]


def test_a_scan_that_breaks_off_is_dropped_after_a_time() -> None:
    scans = Scans("", "\r")
    assert scans.feed(b"GC-", 0.0) == [] and scans.passed(QUIET_S - 0.01) == []
    (one,) = scans.passed(QUIET_S)
    assert isinstance(one, Unread) and "broke off" in one.why
    assert scans.passed(9.0) == []
    assert scans.feed(b"01\r", 9.0) == [Scan("01")]
    scans.feed(b"GC-", 10.0)
    assert isinstance(scans.feed(b"GC-02\r", 20.0)[0], Unread)  # whoever looks late drops it all the same
    assert scans.feed(b"\n", 30.0) + scans.passed(40.0) == []  # a line end that was left over


def test_a_flood_is_refused_once_and_nothing_grows() -> None:
    scans = Scans("", "\r\n")
    out = [one for i in range(1000) for one in scans.feed(b"7" * 100, i * 0.001)]
    assert len(out) == 1 and isinstance(out[0], Unread)
    assert len(scans._held) < 10
    assert scans.feed(b"77\r", 1.0) + scans.feed(b"\nGC-01\r\n", 1.1) == [Scan("GC-01")]
    scans.feed(b"7" * 1000, 2.0)
    assert scans.passed(9.0) == [] and scans.feed(b"GC-01\r\n", 9.1) == [Scan("GC-01")]


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=60)
PIECE = st.one_of(
    TEXT.map(lambda s: f"#{s}\r\n".encode()),
    st.binary(max_size=12),
    st.just(b"\r\n"),
    st.integers(0, 700).map(lambda n: b"#" + b"7" * n + b"\r\n"),
)


@given(st.lists(PIECE, max_size=6), st.sets(st.integers(0, 2000)), st.sampled_from(["\r\n", "\r", "\n"]))
def test_cuts_change_nothing_and_only_text_comes_out(pieces: list[bytes], cuts: set[int], suffix: str) -> None:
    stream = b"".join(pieces)
    whole = run(Scans("#", suffix), stream, set())
    assert run(Scans("#", suffix), stream, cuts) == whole
    for one in whole:
        text = one.text if isinstance(one, Scan) else one.why
        assert text.strip() and text.isprintable() and len(text.encode()) <= LONGEST


@given(st.lists(TEXT, max_size=6))
def test_each_text_comes_out_as_it_was(texts: list[str]) -> None:
    stream = b"".join(f"{text}\r".encode() for text in texts)
    assert read(stream) == [Scan(text) for text in texts]


# -- the [scanner] table


def settings(**changed: Any) -> ScannerSettings:
    return ScannerSettings(**{"kind": "keyboard", "port": "1209:0002", **changed})


@pytest.mark.parametrize(
    ("changed", "key", "word"),
    [
        ({"port": "/dev/ttyACM0"}, "port", "VVVV:PPPP"),
        ({"kind": "serial", "port": "hid:10C4:EA80"}, "port", "on a serial port"),
        ({"kind": "serial", "port": "carrier:pigeon"}, "port", "no such kind"),
        ({"suffix": ""}, "suffix", "is empty"),
        ({"suffix": "\n"}, "suffix", "no key"),
        ({"prefix": "ü"}, "prefix", "no key"),
        ({"prefix": "a" * 17}, "prefix", "16 at most"),
        ({"prefix": "a#", "suffix": "#"}, "prefix", "end of a scan"),
        ({"kind": "serial", "port": "/dev/ttyACM0", "prefix": "\n", "suffix": "\x03"}, "prefix", "end of a scan"),
    ],
)
def test_tables_that_cannot_be(changed: dict[str, Any], key: str, word: str) -> None:
    problem = settings(**changed).problem()
    assert problem is not None and problem[0] == key and word in problem[1]


@pytest.mark.parametrize(
    ("changed", "data"),
    [
        ({}, b"ab-12\r"),
        ({"suffix": "\r"}, b"ab-12\r"),
        ({"suffix": "tab", "prefix": "#"}, b"#ab-12\t"),
        ({"kind": "serial", "port": "/dev/ttyACM0", "suffix": "\r\n"}, b"ab-12\r\n"),
        ({"kind": "serial", "port": "tcp:192.0.2.7:4001", "suffix": "\x03", "prefix": "\x02"}, b"\x02ab-12\x03"),
    ],
)
def test_tables_that_can_be(changed: dict[str, Any], data: bytes) -> None:
    assert settings(**changed).problem() is None
    assert settings(**changed).scans().feed(data, 0.0) == [Scan("ab-12")]
