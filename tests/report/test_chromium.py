"""The page in a real Chromium: painted, printed on A4, quiet, and asking nobody for anything."""

from __future__ import annotations

import re
import shutil
import struct
import subprocess
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink.report.write import material, write
from tests.program import meterlink
from tests.report.browser import CHROMIUM, Browser
from tests.report.journals import bench, in_memory
from tests.report.test_page import HOSTILE, log_of

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium"),
    pytest.mark.skipif(shutil.which("pdftotext") is None, reason="there is no poppler (pdftotext, pdftoppm)"),
]

OVERFLOWING = """[...document.querySelectorAll('svg text')].filter(t => {
  const inner = t.getBBox(), outer = t.ownerSVGElement.viewBox.baseVal;
  const right = inner.x + inner.width - outer.width, bottom = inner.y + inner.height - outer.height;
  return inner.x < -1 || right > 1 || inner.y < -1 || bottom > 1;
}).map(t => t.textContent)"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("chromium")) as one:
        one.size(900, 1000)
        yield one


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    bench(folder / "journal")
    write(material(folder / "journal", "GC-2611", folder / "sheets"), folder / "GC-2611.html")
    return folder / "GC-2611.html"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    lines = in_memory(log_of(HOSTILE, *["long" * 60 + HOSTILE] * 8))
    (folder / "2026-11-25.jsonl").write_bytes(b"".join(line.text + b"\n" for line in lines))
    write(material(folder, HOSTILE, folder / "sheets"), folder / "page.html")
    return folder / "page.html"


def visited(browser: Browser, page: Path) -> None:
    browser.requests.clear()
    browser.complaints.clear()
    browser.open(page.as_uri())


def rows(png: bytes) -> set[bytes]:
    """The different rows of a PNG's pixels, as they are stored (PNG specification, 5 and 9: filtered, deflated)."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    width, height, depth, colour = struct.unpack(">IIBB", png[16:26])
    data, at = b"", 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += length + 12
    step = 1 + width * {2: 3, 6: 4}[colour] * depth // 8
    pixels = zlib.decompress(data)
    assert len(pixels) == step * height
    return {pixels[i : i + step] for i in range(0, len(pixels), step)}


def dark(pdf: Path) -> list[float]:
    """Which part of each printed page is not white."""
    subprocess.run(["pdftoppm", "-gray", "-r", "20", pdf, pdf.with_suffix("")], check=True)
    parts = []
    for picture in sorted(pdf.parent.glob(f"{pdf.stem}-*.pgm")):
        _, _, _, pixels = picture.read_bytes().split(b"\n", 3)
        parts.append(sum(p < 250 for p in pixels) / len(pixels))
    return parts


def test_it_is_painted_and_quiet(browser: Browser, report: Path) -> None:
    browser.open("about:blank")
    assert len(rows(browser.picture())) < 4  # what an empty page looks like
    visited(browser, report)
    assert len(rows(browser.picture())) > 300
    assert browser.ask("document.querySelectorAll('svg.strip').length") == 3
    assert browser.ask("getComputedStyle(document.querySelector('.band')).fill") == "rgb(230, 236, 227)"
    assert browser.complaints == []


@pytest.mark.parametrize("which", ["report", "hostile"])
def test_no_request_leaves_it(browser: Browser, which: str, request: pytest.FixtureRequest) -> None:
    page: Path = request.getfixturevalue(which)
    visited(browser, page)
    browser.pdf()
    assert [url for url in browser.requests if not url.startswith("data:,")] == [page.as_uri()]
    assert browser.complaints == []


def test_its_policy_forbids_what_is_not_its_own(browser: Browser, tmp_path: Path, report: Path) -> None:
    """The same page with a foreign script, picture and style put in: nothing is fetched, and the console says why."""
    foreign = (
        '<script src="http://127.0.0.1:9/x.js"></script><img src="http://127.0.0.1:9/x.png"><script>stolen = 1</script>'
    )
    page = tmp_path / "changed.html"
    page.write_text(report.read_text("utf-8").replace("</body>", foreign + "</body>"), "utf-8")
    visited(browser, page)
    assert browser.ask("typeof stolen") == "undefined"
    assert browser.ask("document.images[0].naturalWidth") == 0
    assert len(browser.complaints) == 3
    assert all("Content Security Policy" in said for said in browser.complaints)


def test_hostile_marks_stay_text(browser: Browser, hostile: Path) -> None:
    visited(browser, hostile)
    assert browser.ask("document.scripts.length") == 0
    assert "<script>alert(1)</script>/../\"'&amp;" in browser.ask("document.querySelector('h1').textContent")
    assert browser.ask("document.querySelectorAll('[onload]').length") == 0


@pytest.mark.parametrize("which", ["report", "hostile"])
def test_nothing_sticks_out(browser: Browser, which: str, request: pytest.FixtureRequest) -> None:
    visited(browser, request.getfixturevalue(which))
    browser.ask("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert browser.ask("document.documentElement.scrollWidth - innerWidth") <= 0
    assert browser.ask(OVERFLOWING) == []


def test_a_records_number_leads_to_its_waveform(browser: Browser, report: Path) -> None:
    visited(browser, report)
    assert browser.ask("document.querySelectorAll('details[open]').length") == 0
    number = re.findall(r'href="#(k\d+)"', report.read_text("utf-8"))[0]
    browser.ask(f"""document.querySelector('a[href="#{number}"]').click()""")
    browser.painted()
    assert browser.ask(f"document.getElementById('{number}').closest('details').open")
    assert browser.ask(f"document.getElementById('{number}').getBoundingClientRect().height") > 50


def test_it_prints_on_a4(browser: Browser, report: Path, tmp_path: Path) -> None:
    visited(browser, report)
    pdf = tmp_path / "printed.pdf"
    pdf.write_bytes(browser.pdf())
    about = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+) pts", about)
    assert size
    assert (float(size[1]), float(size[2])) == pytest.approx((595.28, 841.89), abs=1)  # ISO 216 A4: 210 mm x 297 mm
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], capture_output=True, text=True, check=True).stdout
    for said in ("Job GC-2611", "5 boards counted, 14 said", "taken back", "local codes", "journal verify --head"):
        assert said in " ".join(text.split())
    assert "The readings around" not in text  # what is closed is not printed
    parts = dark(pdf)
    assert len(parts) == int(re.search(r"Pages: +(\d+)", about)[1])  # type: ignore[index]
    assert min(parts) > 0.003


@pytest.mark.full
def test_two_hundred_boards_print(browser: Browser, tmp_path: Path) -> None:
    bench(tmp_path / "journal", boards=199)
    write(material(tmp_path / "journal", "GC-2611", tmp_path / "sheets"), tmp_path / "many.html")
    visited(browser, tmp_path / "many.html")
    assert browser.ask("document.querySelectorAll('svg.strip').length") == 15
    assert browser.ask(OVERFLOWING) == []
    pdf = tmp_path / "many.pdf"
    pdf.write_bytes(browser.pdf())
    parts = dark(pdf)
    assert 40 < len(parts) < 300 and min(parts) > 0.002


@pytest.mark.skipif(shutil.which("zbarimg") is None, reason="there is no zbarimg (zbar-tools)")
def test_the_head_on_paper_is_a_witness(browser: Browser, report: Path, tmp_path: Path) -> None:
    """Printed and read back with a scanner, the QR code is the head that verify takes."""
    visited(browser, report)
    pdf = tmp_path / "page.pdf"
    pdf.write_bytes(browser.pdf())
    subprocess.run(["pdftoppm", "-png", "-r", "150", pdf, pdf.with_suffix("")], check=True)
    read = subprocess.run(
        ["zbarimg", "--quiet", "--raw", *sorted(tmp_path.glob("page-*.png"))], capture_output=True, text=True
    )
    (head,) = read.stdout.split()
    assert head in report.read_text("utf-8").replace("<wbr>", "")
    journal = report.parent / "journal"
    for given, code in ((head, 0), (head[::-1], 1)):
        assert meterlink("journal", "verify", str(journal), "--chain-only", "--head", given).returncode == code
