"""One wording of numbers and times: what one record says is read alike on every view."""

from __future__ import annotations

import html
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import records, wording
from meterlink.screen import words
from tests.numbers.journals import Story
from tests.program import meterlink

LOW, HIGH = 0.427739109924, 0.5123456789


def seen(root: Path, *args: str, zone: str = "Europe/Berlin", code: int = 0) -> str:
    """What a command prints, as a person with this time zone sees it."""
    done = meterlink(*args, "--dir", str(root), zone=zone)
    assert done.returncode == code, done.stderr
    return done.stdout


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Two keeps on a board: a drop against a learned band, and a voltage of 0.47 mV."""
    story = Story()
    story.board("GC-01")
    band = records.Band(low=LOW, high=HIGH, expect="known-good", from_="known-good (2 boards)", n=2)
    story.keep("GC-01", "VIN", 0.5, band=band, expanded=0.0123)
    story.records.append(
        msgspec.structs.replace(
            story.kept("GC-2611", "GC-01", "GND", 0.00047, function="voltage", coupling="dc"), resolution=1e-05
        )
    )
    story.write(tmp_path / "journal")
    return tmp_path


def test_a_value_reads_the_same_everywhere(root: Path) -> None:
    """0.00047 V to 10 uV: in the journal, on the board's page, in the report and on the screen."""
    assert "voltage dc 0.47 mV," in seen(root, "journal", "show", "--kind", "kept")
    assert "0.47 mV" in seen(root, "board", "show", "GC-01")
    assert "0.47 mV" in seen(root, "journal", "replay", "GC-01")
    assert words.value(0.00047, "V", resolution=1e-05) == "0.47 mV"
    assert words.big({"display": "", "state": "ok", "value": 0.00047, "unit": "V", "resolution": 1e-05}) == (
        "0.47",
        "mV",
    )
    seen(root, "report", "GC-2611", "-o", str(root / "r.html"))
    assert "0.47 mV" in (root / "r.html").read_text()
    text = "".join(seen(root, *args.split()) for args in ("journal show", "board show GC-01"))
    assert "uV" not in text + (root / "r.html").read_text()


def test_a_learned_band_is_read_alike_and_short(root: Path) -> None:
    """To the count of the display (1 mV) beside a value, else to four digits; never narrower than it is."""
    assert "band 0.427 V to 0.513 V" in seen(root, "journal", "show", "--kind", "kept")
    seen(root, "report", "GC-2611", "-o", str(root / "r.html"))
    page = html.unescape((root / "r.html").read_text())
    assert "0.427 V to 0.513 V" in page and ">0.427 V</text>" in page
    shown = words.band({"low": LOW, "high": HIGH, "from": "known-good", "n": 2}, "V")
    assert shown == "427.7 mV to 512.4 mV (known-good, 2 boards)"
    for text in (page, seen(root, "journal", "show", "--kind", "kept")):
        assert "7739" not in text and "3456" not in text


def test_a_keeps_uncertainty_has_two_digits(root: Path) -> None:
    assert "0.500 V +/- 0.013 V," in seen(root, "journal", "show", "--point", "VIN")


def test_what_was_learned_is_shown_with_its_unit(tmp_path: Path) -> None:
    story = Story()
    for i, value in enumerate((0.5123, 0.5181), 1):
        story.board(f"GC-0{i}")
        story.keep(f"GC-0{i}", "VIN", value)
        story.state(f"GC-0{i}", "tested good")
    story.write(tmp_path / "journal")
    (row,) = [r for r in seen(tmp_path, "known-good", "learn").splitlines() if "VIN" in r]
    assert re.search(r"  365\.4 mV +0\.665 V  ", row)


@given(
    st.decimals(-(10**7), 10**7, allow_nan=False, places=9).filter(lambda d: d == 0 or abs(d) > Decimal("1e-8")),
    st.sampled_from([None, 0.001, 0.01, 1.0, 10.0, 0.0005]),
)
def test_a_limit_is_never_inside_the_band(exact: Decimal, resolution: float | None) -> None:
    """Read back: the low one is not above, the high one not below, and at least two digits are left."""
    value = float(exact)
    for side in ("low", "high"):
        number, unit = wording.limit(value, "V", side, resolution).split()  # type: ignore[arg-type]
        power = {"G": 9, "M": 6, "k": 3, "m": -3, "u": -6, "n": -9, "": 0}[unit[:-1]]
        said = Decimal(number).scaleb(power)
        assert said <= exact if side == "low" else said >= exact
        assert abs(said - exact) <= abs(exact) / 10


@pytest.mark.parametrize(
    ("value", "side", "resolution", "text"),
    [
        (3.135, "low", None, "3.135 V"),  # four digits: as the sheet has it
        (3.135, "low", 0.01, "3.135 V"),  # a coarse meter does not alter a sheet
        (22.8, "high", 0.001, "22.8 V"),
        (0.427739109924, "low", 0.0001, "427.7 mV"),
        (0.427739109924, "high", 0.0001, "427.8 mV"),
        (3.135123456, "high", 0.00001, "3.13513 V"),
        (0.000427739, "low", 0.001, "0.42 mV"),  # finer than a count of the display: two digits stay
        (-0.427739109924, "low", None, "-427.8 mV"),
        (-0.427739109924, "high", None, "-427.7 mV"),
        (0.0, "low", 0.001, "0 V"),
        (999.96, "high", 1.0, "1 kV"),
    ],
)
def test_limits(value: float, side: Any, resolution: float | None, text: str) -> None:
    assert wording.limit(value, "V", side, resolution) == text


# -- times

SUMMER, WINTER = "2026-07-26T06:12:59.123456Z", "2026-11-26T07:12:59.123456Z"


def dated(tmp_path: Path, at: list[str]) -> Path:
    """A job whose records have these times."""
    from hashlib import sha256

    story = Story()
    story.board("GC-01")
    while len(story.records) < len(at):
        story.state("GC-01", "tested good")
    folder = tmp_path / "journal"
    folder.mkdir()
    prev, out = records.GENESIS, b""
    for seq, (record, when) in enumerate(zip(story.records, at, strict=True), 1):
        line = records.encode(record, prev, seq, when)
        prev = sha256(line).hexdigest()
        out += line + b"\n"
    (folder / f"{at[0][:10]}.jsonl").write_bytes(out)
    return tmp_path


@pytest.mark.parametrize(("at", "text"), [(SUMMER, "2026-07-26 08:12 +02:00"), (WINTER, "2026-11-26 08:12 +01:00")])
def test_every_view_shows_local_time_with_its_offset(tmp_path: Path, at: str, text: str) -> None:
    """In summer time and out of it; the journal's lines and the tables for other tools stay UTC."""
    root = dated(tmp_path, [at, at])
    for view in ("job show GC-2611", "board list", "board show GC-01"):
        shown = seen(root, *view.split())
        assert text in shown and "UTC" not in shown, view
    for view in ("journal show", "journal replay GC-01"):
        assert f"{text[:16]}:59.123 {text[17:]}" in seen(root, *view.split()), view
    assert at in seen(root, "journal", "show", "--json")
    assert at in seen(root, "board", "show", "GC-01", "--json")
    assert "08:12" in seen(root, "board", "show", "GC-01") and "-07:00" not in seen(root, "job", "show", "GC-2611")
    assert "23:12 -08:00" in seen(root, "board", "list", zone="America/Los_Angeles") or at == SUMMER


def test_a_time_is_taken_as_a_view_shows_it(tmp_path: Path) -> None:
    root = dated(tmp_path, [SUMMER, "2026-07-26T06:13:00.000000Z"])
    for since, count in (("2026-07-26 08:12 +02:00", 2), ("2026-07-26 08:12:59.124 +02:00", 1)):
        assert seen(root, "journal", "show", "--since", since).count("\n") == count


def test_the_report_says_its_offset_once(tmp_path: Path) -> None:
    root = dated(tmp_path, [WINTER, WINTER])
    seen(root, "report", "GC-2611", "-o", str(root / "r.html"))
    page = (root / "r.html").read_text()
    assert page.count("+01:00") == 1 and "(UTC)" not in page and page.count("UTC") == 1
    assert "2026-11-26 08:12:59" in page and "2026-11-26 07:12" not in page


def test_a_report_across_the_change_of_clocks_says_the_offset_with_each_time(tmp_path: Path) -> None:
    """Two different moments, both 02:30 by the clock on the wall (2026-10-25, Berlin)."""
    root = dated(tmp_path, ["2026-10-25T00:30:00.000000Z", *2 * ["2026-10-25T01:30:00.000000Z"]])
    seen(root, "report", "GC-2611", "-o", str(root / "r.html"))
    page = (root / "r.html").read_text()
    assert "2026-10-25 02:30:00 +02:00" in page and "2026-10-25 02:30:00 +01:00" in page
    assert "2026-10-25 02:30:00<" not in page


def test_a_text_that_is_no_time_is_shown_as_it_is() -> None:
    assert wording.local("yesterday") == "yesterday"
