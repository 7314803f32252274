"""The published format: schema, page, and general tools that know nothing of meterlink."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from decimal import Decimal
from hashlib import sha256
from pathlib import Path

import pytest

from meterlink import records
from meterlink.journal.reader import segments
from tests.journal_reader.chains import all_lines, all_records
from tests.lazily import Lazily

jsonschema = Lazily("jsonschema")
DOCS = Path(__file__).parents[2] / "docs"


@pytest.mark.parametrize(
    ("message", "digest"),
    [  # FIPS 180-4; NIST, "Examples with Intermediate Values", SHA256.pdf (the empty message: from memory)
        ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_known_answers_of_sha256(message: str, digest: str) -> None:
    assert sha256(message.encode()).hexdigest() == digest


def test_the_published_schema_is_not_stale() -> None:
    command = [sys.executable, "-W", "ignore", "-m", "meterlink.journal.schema"]
    made = subprocess.run(command, capture_output=True, check=True, text=True).stdout
    assert (DOCS / "journal.schema.json").read_text() == made, (
        "run python -m meterlink.journal.schema > docs/journal.schema.json"
    )


def test_every_line_is_valid_and_a_wrong_one_is_not(journal: Path) -> None:
    schema = json.loads((DOCS / "journal.schema.json").read_text())
    cls = jsonschema.validators.validator_for(schema)
    cls.check_schema(schema)
    validator = cls(schema, format_checker=cls.FORMAT_CHECKER)
    everything = all_records(journal)
    for record in everything:
        validator.validate(record)
    wrong = next(r for r in everything if r["kind"] == "kept")
    for change in ({"verdict": "fine"}, {"value": "1"}, {"at": "noon"}, {"seq": 0}, {"prev": "x"}, {"readings": [1]}):
        assert not validator.is_valid({**wrong, **change}), change
    assert not validator.is_valid({k: v for k, v in wrong.items() if k != "unit"})
    assert validator.is_valid({**wrong, "kind": "of a newer format", "later": 1})


def test_the_page_names_every_kind_and_field() -> None:
    rows = {}
    for line in (DOCS / "journal.md").read_text().splitlines():
        if match := re.match(r"\| `(\w+)` \|[^|]*\|(.*)\|$", line):
            rows[match[1]] = set(re.findall(r"`([a-z_0-9]+)`", match[2]))
    for cls in records.KINDS:
        kind = str(cls.__struct_config__.tag)
        assert set(cls.__struct_encode_fields__) <= rows[kind], kind
    for cls in (records.Band, records.Uncertainty):
        assert set(cls.__struct_encode_fields__) <= rows["kept"]


def test_duckdb_and_the_standard_library_read_the_same(journal: Path) -> None:
    duckdb = pytest.importorskip("duckdb")
    columns = {"seq": "BIGINT", "kind": "VARCHAR", "board": "VARCHAR", "value": "VARCHAR"}
    rows = duckdb.execute(
        f"SELECT kind, board, count(*), sum(value::DECIMAL(30, 12)), sum(seq)"
        f" FROM read_json(?, format = 'newline_delimited', columns = {columns}) GROUP BY kind, board",
        [[str(p) for p in segments(journal)]],
    ).fetchall()
    plain: dict[tuple[str, str | None], list[Decimal | int | None]] = {}
    for line in all_lines(journal):
        record = json.loads(line, parse_float=Decimal)
        found = plain.setdefault((record["kind"], record.get("board")), [0, None, 0])
        found[0] += 1  # type: ignore[operator]
        if record.get("value") is not None:
            found[1] = (found[1] or 0) + record["value"]
        found[2] += record["seq"]
    assert {(kind, board): rest for kind, board, *rest in rows} == plain
