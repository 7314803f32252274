"""The line of every key: on hand-counted documents, and that the walk agrees with tomllib on any document."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import tomlfile
from meterlink.errors import BadInput

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

DOCUMENT = '''# a comment with [brackets] and "quotes
model = "IC-8 rev C" # = not a key
text = """
[[point]]
name = "not a key"
"""
raw = \'\'\'a = 1 \'\'\'\'
list = [
  1, # ] not the end
  "]",
  { name = "inside" },
]

[rails."+3V3"]
nominal = 3.3
[rails.\'a.b\']
nominal = 1

[[point]]
name = "A\\"["
only_if.point = "x"
only_if.verdict = "short"

  [[ point ]]
"name" = "B"
[point.only_if]
point = "A"
[[point.more]]
x = 1
[[point.more]]
x = 2
'''


def test_lines_of_a_document_with_everything() -> None:
    """Counted by hand, and each found again in the text."""
    assert tomlfile.key_lines(DOCUMENT) == {
        ("model",): 2,
        ("text",): 3,
        ("raw",): 7,
        ("list",): 8,
        ("rails",): 14,
        ("rails", "+3V3"): 14,
        ("rails", "+3V3", "nominal"): 15,
        ("rails", "a.b"): 16,
        ("rails", "a.b", "nominal"): 17,
        ("point", 0): 19,
        ("point", 0, "name"): 20,
        ("point", 0, "only_if"): 21,
        ("point", 0, "only_if", "point"): 21,
        ("point", 0, "only_if", "verdict"): 22,
        ("point", 1): 24,
        ("point", 1, "name"): 25,
        ("point", 1, "only_if"): 26,
        ("point", 1, "only_if", "point"): 27,
        ("point", 1, "more", 0): 28,
        ("point", 1, "more", 0, "x"): 29,
        ("point", 1, "more", 1): 30,
        ("point", 1, "more", 1, "x"): 31,
    }


def test_windows_line_ends_count_once() -> None:
    assert tomlfile.key_lines(DOCUMENT.replace("\n", "\r\n")) == tomlfile.key_lines(DOCUMENT)


def test_what_has_no_line_has_its_table_s() -> None:
    file = tomlfile.parse(DOCUMENT.encode(), "s.toml")
    assert file.line("point", 1, "low") == 24
    assert file.line("list", 2, "name") == 8
    assert file.line("nothing") == 1


# documents built line by line, so that the line of each key is known

KEY = st.text("abcXYZ_-019", min_size=1, max_size=4) | st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=4
)
VALUE = st.sampled_from(
    [
        "1",
        "-0.5e3",
        "true",
        '"a # b = [c"',
        "'''x\n[y]\nz = 1'''",
        '"""\n"" \\""\n"""""',
        "[1, 2,\n 3] # ]",
        "[[1], ['[']]",
        "{ a = 1, b = [2] }",
        "2026-11-25T12:00:00Z",
    ]
)


def quoted(key: str) -> str:
    return '"' + key.replace("\\", "\\\\").replace('"', '\\"') + '"'


@given(st.lists(st.tuples(KEY, st.lists(st.tuples(KEY, VALUE), max_size=4)), max_size=5), st.booleans())
def test_generated_documents(tables: list[tuple[str, list[tuple[str, str]]]], arrays: bool) -> None:
    text, expected, seen = "", {}, dict[str, int]()
    for name, pairs in tables:
        if name in seen and not arrays:
            continue
        seen[name] = seen.get(name, -1) + 1
        at: tuple[Any, ...] = (name, seen[name]) if arrays else (name,)
        expected[at] = text.count("\n") + 1
        text += f"[[{quoted(name)}]]\n" if arrays else f"[{quoted(name)}] # x = 1\n"
        for key, value in dict(pairs).items():
            expected[(*at, key)] = text.count("\n") + 1
            text += f"  {quoted(key)} = {value}\n"
    tomllib.loads(text)
    assert tomlfile.key_lines(text) == expected


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b'model = "x"\nlow = \n', r"s\.toml:2: not TOML: .*column 7: correct this line"),
        (b"a = 1\n\na = 2\n", r"s\.toml:3: not TOML: "),
        (b'a = "\n', r"s\.toml:1: not TOML: "),
        (b'a = """\n\n', r"s\.toml:3: not TOML: "),
        (b"a = 1\nb = '\xff'\n", r"s\.toml:2: byte 0xff is not UTF-8"),
        (b"b = 1\na = " + b"9" * 5000, r"s\.toml:2: a whole number of more than 64 bits"),
        (b"b = 1\n[x]\na = [1, 0x" + b"f" * 17 + b"]", r"s\.toml:3: x\.a: a whole number of more than 64 bits"),
        (b"a = 0o" + b"7" * 5000, r"s\.toml:1: a: a whole number of more than 64 bits"),
        (b"b = 1\n" + b".".join([b"a"] * 9) + b" = 1", r"s\.toml:2: a key of more than 8 parts"),
        (b'b = """\n"""\n' + b" . ".join([b'"a"'] * 9) + b" = 1", r"s\.toml:3: a key of more than 8 parts"),
        (b"[" + b".".join([b"'a'"] * 9) + b"]", r"s\.toml:1: a key of more than 8 parts"),
        (b"b = { " + b".".join([b"a"] * 9) + b" = 1 }", r"s\.toml:1: a key of more than 8 parts"),
        (b"b = 1\nlow = " + b"{ a.a.a.a = " * 60 + b"1" + b"}" * 60, r"s\.toml:2: low.*: tables are nested too deeply"),
        (b"b = 1\nlow = " + b"[" * 60 + b"]" * 60, r"s\.toml:2: low: tables are nested too deeply"),
        (b'b = "' + b'\\"' * 20_000, r"s\.toml:1: not TOML: "),
        (b"a = " + b"[" * 9000, r"s\.toml:1: "),
    ],
)
def test_what_is_not_toml(data: bytes, message: str) -> None:
    with pytest.raises(BadInput, match=message) as caught:
        tomlfile.parse(data, "s.toml")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        "a.b.c.d.e.f.g.h = 1",
        'a = "www.1.2.3.4.5.6.7.8.9"',
        "a = '1.2.3.4.5.6.7.8.9'",
        'a = """\n1.2.3.4.5.6.7.8.9 \\""" "\n"""',
        "a = 1 # 1.2.3.4.5.6.7.8.9",
        "a = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0]",
        "a = 1979-05-27T07:32:00.999999",
    ],
)
def test_what_is_no_long_key(text: str) -> None:
    assert tomlfile.parse(text.encode(), "s.toml").table


def test_a_problem_is_a_line_that_can_be_read() -> None:
    file = tomlfile.parse(f"{'k' * 50_000} = 1\nmodel = '{'x' * 50_000}'\n".encode(), "s.toml")
    problems = tomlfile.Problems(file)
    problems.keys((), file.table, {"model": tomlfile.word("a", "b")}, ())
    first, second = problems.lines()
    assert first.startswith("s.toml:1: kkk") and "no such key" in first and len(first) < 300
    assert second.startswith("s.toml:2: model: 'xxx") and len(second) < 1100


def test_an_unknown_word_is_compared_with_few(monkeypatch: pytest.MonkeyPatch) -> None:
    """With 2,000 names of 80 letters, 50 times, it took 97 s, and the bench stood still."""
    compared: list[str] = []
    monkeypatch.setattr(tomlfile.difflib, "get_close_matches", lambda word, among, n: compared.extend(among) or [])
    assert tomlfile.nearest("p", [f"p{i}" for i in range(2000)]).endswith("p39, ...")
    assert len(compared) == tomlfile.FEW
    tomlfile.nearest("p", ["p" * 80] * 10)
    tomlfile.nearest("p" * 80, ["p"])
    assert len(compared) == tomlfile.FEW


def test_of_what_is_wrong_no_more_is_looked_for_than_anybody_reads() -> None:
    file = tomlfile.parse("".join(f"k{i} = 1\n" for i in range(1000)).encode(), "s.toml")
    problems = tomlfile.Problems(file)
    problems.keys((), file.table, {"model": tomlfile.text}, ())
    assert len(problems.lines()) == tomlfile.MOST


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    for path in (tmp_path / "none.toml", tmp_path, Path("nul\0.toml")):
        with pytest.raises(BadInput):
            tomlfile.read(path)


@given(st.binary(max_size=60) | st.text(max_size=60).map(lambda s: s.encode("utf-8", "ignore")))
def test_any_bytes_are_toml_or_bad_input(data: bytes) -> None:
    try:
        file = tomlfile.parse(data, "s.toml")
    except BadInput as error:
        said = str(error)
    else:
        said = "s.toml:"
        assert {key[0] for key in file.lines} == set(file.table)
    assert said.startswith("s.toml:")
