"""The tables: read back by DuckDB and pandas, and held against the journal as DuckDB reads it."""

from __future__ import annotations

import builtins
import csv
import io
import json
import re
import shlex
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from typer.testing import CliRunner, Result

from meterlink.cli.main import application
from meterlink.errors import BadInput, JournalBroken
from meterlink.export import as_csv, as_parquet
from meterlink.export.table import Column, Rows, columns
from tests.lazily import Lazily
from tests.report.journals import bench

duckdb, pandas, parquet = Lazily("duckdb"), Lazily("pandas"), Lazily("pyarrow.parquet")

DOC = Path(__file__).parents[2] / "docs" / "export.md"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export")
    bench(folder / "journal")
    return folder


def call(*arguments: object) -> Result:
    return CliRunner().invoke(application("journal"), ["journal", "export", *(str(a) for a in arguments)])


def table(folder: Path, kind: str, *arguments: object) -> Any:
    """An export, read by DuckDB."""
    file = folder / f"out.{kind}"
    result = call(kind, "--dir", folder, "-o", file, *arguments)
    assert result.exception is None, result.exception
    reader = f"read_csv('{file}', header=true)" if kind == "csv" else f"read_parquet('{file}')"
    return duckdb.connect().sql(f"SELECT * FROM {reader}")


def journal(folder: Path) -> Any:
    """The journal as DuckDB reads it: each line's JSON."""
    return duckdb.connect().sql(
        f"SELECT json AS j FROM read_json_objects('{folder}/journal/*.jsonl', format='newline_delimited')"
    )


UNCERTAINTY = {"uncertainty": "expanded", "k": "k", "uncertainty_from": "from"}
BAND = {
    "band_low": "low",
    "band_high": "high",
    "band_short": "short",
    "band_open": "open",
    "expect": "expect",
    "band_from": "from",
    "band_n": "n",
}

JOURNAL_KEPT = (
    "SELECT count(*), sum((j->>'value')::double), sum((j->'uncertainty'->>'expanded')::double),"
    " sum((j->'band'->>'low')::double), sum((j->'band'->>'high')::double), sum((j->>'n')::int),"
    " sum((j->'readings'->>0)::int), count(*) FILTER (j->>'verdict' = 'ok'), count(DISTINCT j->>'board')"
    " FROM source WHERE j->>'kind' = 'kept'"
)
TABLE_KEPT = (
    "SELECT count(*), sum(value), sum(uncertainty), sum(band_low), sum(band_high), sum(n), sum(first_reading),"
    " count(*) FILTER (verdict = 'ok'), count(DISTINCT board) FROM source"
)
JOURNAL_READINGS = (
    "SELECT count(*), count((j->>'value')::double), sum((j->>'value')::double), sum((j->>'t')::double),"
    " sum((j->>'seq')::bigint), sum(length(j->>'raw')), min((j->>'at')::timestamptz), max((j->>'at')::timestamptz)"
    " FROM source WHERE j->>'kind' = 'reading'"
)
TABLE_READINGS = (
    'SELECT count(*), count(value), sum(value), sum(t), sum(seq), sum(length(raw)), min("at"), max("at") FROM source'
)


@pytest.mark.parametrize("kind", ["csv", "parquet"])
@pytest.mark.parametrize(
    ("rows", "of_journal", "of_table"),
    [("kept", JOURNAL_KEPT, TABLE_KEPT), ("readings", JOURNAL_READINGS, TABLE_READINGS)],
)
def test_sums_by_duckdb_are_the_journals(folder: Path, kind: str, rows: str, of_journal: str, of_table: str) -> None:
    (expected,) = journal(folder).query("source", of_journal).fetchall()
    (found,) = table(folder, kind, "--rows", rows).query("source", of_table).fetchall()
    assert expected[0] > 10
    for a, b in zip(found, expected, strict=True):
        assert a == (pytest.approx(b, rel=1e-12) if isinstance(b, float) else b)


@pytest.mark.parametrize("rows", ["kept", "readings"])
def test_every_field_of_every_row(folder: Path, rows: str) -> None:
    """Row by row against docs/journal.md's fields by json from the standard library; both files say the same."""
    kind = "reading" if rows == "readings" else "kept"
    lines = [json.loads(x) for p in (folder / "journal").glob("*.jsonl") for x in p.read_text("utf-8").splitlines()]
    gone = {x["of"]: x["seq"] for x in lines if x["kind"] == "void"}
    assert gone
    said = {x["seq"]: x for x in lines if x["kind"] == kind}
    cells = parquet.read_table(_file(folder, "parquet", rows)).to_pylist()
    text = _file(folder, "csv", rows).read_bytes().decode()
    again = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert [c["seq"] for c in cells] == [int(a["seq"]) for a in again] == sorted(said)
    parts = {name: ("uncertainty", part) for name, part in UNCERTAINTY.items()}
    parts |= {name: ("band", part) for name, part in BAND.items()}
    for cell, row in zip(cells, again, strict=True):
        x = said[cell["seq"]]
        wanted = {name: x.get(name) for name in cell}
        if rows == "kept":
            wanted |= {name: (x[a] or {}).get(b) for name, (a, b) in parts.items()}
            wanted |= {"first_reading": x["readings"][0], "last_reading": x["readings"][1]}
        else:
            wanted["flags"] = " ".join(x["flags"])
        wanted |= {"withdrawn": x["seq"] in gone, "withdrawn_by": gone.get(x["seq"])}
        assert cell | {"at": cell["at"].strftime("%Y-%m-%dT%H:%M:%S.%fZ")} == wanted
        plain = {k: "" if v is None else str(v).lower() if isinstance(v, bool) else str(v) for k, v in wanted.items()}
        assert row == plain


def _file(folder: Path, kind: str, rows: str) -> Path:
    table(folder, kind, "--rows", rows)
    return folder / f"out.{kind}"


def test_pandas_reads_both(folder: Path) -> None:
    a = pandas.read_parquet(_file(folder, "parquet", "kept"))
    b = pandas.read_csv(_file(folder, "csv", "kept"), parse_dates=["at"])
    assert str(a["at"].dtype) == "datetime64[us, UTC]"
    assert a["value"].dtype == b["value"].dtype == "float64"
    assert a["withdrawn"].dtype == b["withdrawn"].dtype == "bool"
    assert (a["value"] == b["value"]).all() and (a["seq"] == b["seq"]).all()
    assert (a["at"] == b["at"]).all()
    mean = a[~a.withdrawn].groupby(["point", "unit"]).value.mean()
    by_duckdb = table(folder, "parquet").query(
        "source", "SELECT point, unit, avg(value) FROM source WHERE NOT withdrawn GROUP BY ALL ORDER BY ALL"
    )
    assert mean.to_list() == pytest.approx([m for _, _, m in by_duckdb.fetchall()])


@pytest.mark.parametrize("rows", ["kept", "readings"])
def test_filters(folder: Path, rows: str) -> None:
    everything = parquet.read_table(_file(folder, "parquet", rows)).to_pylist()
    middle = everything[len(everything) // 2]["at"]
    text = middle.isoformat()
    assert middle.tzinfo is not None
    filters: tuple[tuple[tuple[str, ...], Callable[[dict[str, Any]], bool]], ...] = (
        (("--board", "GC-02"), lambda r: r["board"] == "GC-02"),
        (("--job", "GC-2611"), lambda r: r["job"] == "GC-2611"),
        (("--job", "GC-1"), lambda r: False),
        (("--since", text), lambda r: r["at"] >= middle),
        (("--until", text), lambda r: r["at"] <= middle),
        (("--since", text, "--board", "GC-03"), lambda r: r["at"] >= middle and r["board"] == "GC-03"),
        (("--since", "2026-11-26"), lambda r: False),
    )
    for arguments, wanted in filters:
        result = call("csv", "--dir", folder, "--rows", rows, *arguments)
        assert result.exception is None, result.exception
        found = [int(r["seq"]) for r in csv.DictReader(io.StringIO(result.stdout_bytes.decode(), newline=""))]
        assert found == [r["seq"] for r in everything if wanted(r)], arguments


TEXTS = [
    Column("aaa", "text", "", lambda r: r),
    Column("bbb", "text", "", lambda r: r),
    Column("ccc", "text", "", lambda r: r),
]


@pytest.mark.parametrize(
    ("row", "line"),
    [
        (("aaa", "bbb", "ccc"), b"aaa,bbb,ccc\r\n"),  # RFC 4180, section 2, rules 1 and 4
        (("zzz", "yyy", "xxx"), b"zzz,yyy,xxx\r\n"),  # rule 1
        (("aaa", "b\r\nbb", "ccc"), rb"aaa,b\u{d}\u{a}bb,ccc" + b"\r\n"),  # no line ends but those of rows
        (("aaa", 'b"bb', "ccc"), b'aaa,"b""bb",ccc\r\n'),  # rule 7
        (("aaa", "b,bb", "ccc"), b'aaa,"b,bb",ccc\r\n'),  # rule 6
        ((" aaa ", None, ""), b" aaa ,,\r\n"),  # rule 4: spaces belong to a field
    ],
)
def test_rfc_4180(row: Sequence[str | None], line: bytes) -> None:
    assert b"".join(as_csv.lines(TEXTS, [tuple(row)])) == b"aaa,bbb,ccc\r\n" + line  # rule 3: a header like the rest


@given(st.lists(st.tuples(*[st.text(st.characters(exclude_categories=["Cs"]))] * 3), max_size=5))
@example([("", "a\0b", "=1"), ("'=1", "+5V", "+5V4\n"), ("\r", "\u202e", "@x")])
def test_any_text_is_read_back(rows: list[tuple[str, ...]]) -> None:
    """One apostrophe is taken away at the begin, and what is spelled out is read as what it spells."""
    text = b"".join(as_csv.lines(TEXTS, rows)).decode()
    found = list(csv.reader(io.StringIO(text, newline=""), strict=True))[1:]
    assert [[spelled(cell.removeprefix("'")) for cell in row] for row in found] == [
        [spelled(cell) for cell in row] for row in rows
    ]
    assert not any(cell.startswith(tuple("=@\t\r\n\uff1d\uff0b\uff0d\uff20")) for row in found for cell in row)
    assert all(re.fullmatch(r"[+-]\d+(\.\d+)?V\d*", cell) for row in found for cell in row if cell[:1] in ("+", "-"))


def spelled(text: str) -> str:
    return re.sub(r"\\u\{([0-9a-f]+)\}", lambda m: chr(int(m[1], 16)), text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_double_is_read_back_to_the_same(value: float) -> None:
    column = Column("value", "double", "", lambda r: r)
    _, line = b"".join(as_csv.lines([column], [(value,)])).decode().splitlines()
    assert float(line) == value


def test_csv_on_stdout_is_the_file(folder: Path) -> None:
    table(folder, "csv")
    result = call("csv", "--dir", folder)
    assert result.exception is None
    assert result.stdout_bytes == (folder / "out.csv").read_bytes()
    assert result.stdout_bytes.count(b"\r\n") == result.stdout_bytes.count(b"\n") > 10


def test_what_is_refused(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for arguments, said in (
        (("csv", "--dir", tmp_path), "no journal"),
        (("csv", "--dir", folder, "--since", "soon"), "is no time"),
        (("csv", "--dir", folder, "-o", tmp_path), "is a folder"),
        (("parquet", "--dir", folder, "-o", tmp_path / "no" / "x.parquet"), "cannot be written"),
    ):
        error = call(*arguments).exception
        assert isinstance(error, BadInput) and said in str(error), arguments
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name.startswith("pyarrow"):
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    older = tmp_path / "x.parquet"
    older.write_text("older")
    error = call("parquet", "--dir", folder, "-o", older).exception
    assert isinstance(error, BadInput) and "pip install meterlink[parquet]" in str(error)
    assert older.read_text() == "older" and [p.name for p in tmp_path.iterdir()] == ["x.parquet"]


def test_a_line_that_is_no_record_is_named(tmp_path: Path) -> None:
    bench(tmp_path / "journal", boards=1)
    (segment,) = (tmp_path / "journal").glob("*.jsonl")
    segment.write_bytes(segment.read_bytes().replace(b'"n":', b'"m":'))
    error = call("csv", "--dir", tmp_path).exception
    assert isinstance(error, JournalBroken) and "journal verify" in str(error)


def peak(work: Callable[[], object]) -> int:
    tracemalloc.start()
    work()
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most


def test_rows_are_streamed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(as_parquet, "GROUP", 200)
    heads = columns("kept")

    def rows(count: int) -> Iterator[tuple[Any, ...]]:
        for i in range(count):
            yield tuple(
                {"time": "2026-11-25T08:00:00.000000Z", "boolean": False, "text": f"t{i}"}.get(c.type, i) for c in heads
            )

    def write(count: int) -> None:
        with (tmp_path / "x.parquet").open("wb") as file:
            assert as_parquet.write(file, heads, rows(count)) == count

    def spell(count: int) -> None:
        for _ in as_csv.lines(heads, rows(count)):
            pass

    for work in (write, spell):
        work(100)
        assert 1.5 * peak(lambda: work(500)) > peak(lambda: work(2000))  # noqa: B023 - called at once
    file = parquet.ParquetFile(tmp_path / "x.parquet")
    assert (file.metadata.num_rows, file.metadata.num_row_groups) == (2000, 10)


def test_the_schema_says_types_and_what_they_mean(folder: Path) -> None:
    schema = parquet.read_schema(_file(folder, "parquet", "kept"))
    assert schema.names == [c.name for c in columns("kept")]
    assert str(schema.field("at").type) == "timestamp[us, tz=UTC]"
    assert str(schema.field("value").type) == "double" and str(schema.field("withdrawn").type) == "bool"
    assert schema.field("unit").metadata[b"says"] == b"UCUM"


@pytest.mark.parametrize("rows", ["kept", "readings"])
def test_the_documents_tables_are_the_columns(rows: Rows) -> None:
    table_ = "".join(f"| `{c.name}` | {c.type} | {c.says} |\n" for c in columns(rows))
    part = re.search(rf"<!-- {rows} -->\n(.*?)<!-- end -->", DOC.read_text("utf-8"), re.DOTALL)
    assert part and part[1] == f"| column | type | says |\n|---|---|---|\n{table_}"


def test_the_documents_commands_run(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = DOC.read_text("utf-8")
    commands = re.findall(r"^    meterlink journal export (.*)$", text, re.MULTILINE)
    assert len(commands) == 4
    for command in commands:
        words, _, target = command.partition(" > ")
        result = call(*shlex.split(words), "--dir", folder)
        assert result.exception is None, result.exception
        if target:
            Path(target).write_bytes(result.stdout_bytes)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "kept.csv",
        "kept.parquet",
        "readings.csv",
        "readings.parquet",
    ]
    (query,) = re.findall(r"```sql\n(.*?)```", text, re.DOTALL)
    assert len(duckdb.connect().sql(query).fetchall()) == 3
    (program,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    exec(compile(program, str(DOC), "exec"), {})
