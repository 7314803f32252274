"""Right board, right point, heard and undone (rules 1 to 13 and 18), on a running bench: bytes of a meter on its port,
the command line and the socket in; the journal and what is heard out. One service serves all; each test has its job."""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from meterlink.bench.ledger import Ledger
from meterlink.demo.technician import Ear
from meterlink.errors import BadInput, MeterlinkError, Refused
from meterlink.journal.reader import entries
from tests.docs.test_bench import lift, run
from tests.service.conftest import Running, bench_at

JOBS = itertools.count(1)
SHEET = """
model = "IC-8 rev C"
[rails."+3V3"]
nominal = 3.3
[[point]]
name = "VIN"
function = "diode"
low = 0.4
high = 0.6
[[point]]
name = "+3V3"
function = "diode"
rail = "+3V3"
low = 0.4
high = 0.6
short = 0.05
[[point]]
name = "C412"
function = "diode"
rail = "+3V3"
low = 0.4
high = 0.6
[[point]]
name = "C418"
function = "diode"
low = 0.4
high = 0.6
only_if = { point = "C412", verdict = "short" }
[[point]]
name = "U8"
function = "diode"
low = 0.4
high = 0.6
"""


class Day:
    """A running bench, an ear at it, and what is in its journal now."""

    def __init__(self, bench: Running) -> None:
        self.bench = bench
        self.ear = Ear(bench.folders.socket)
        self.job = ""

    def open(self, *boards: str, sheet: bool = False, expected: int | None = None) -> str:
        self.job = f"GC-{next(JOBS):04}"
        path = self.bench.folders.root / "s.toml"
        path.write_text(SHEET, encoding="utf-8")
        fields = {"sheet": str(path)} if sheet else {}
        self.ask("job open", job=self.job, expected=expected, **fields)
        for board in boards:
            self.ask("board receive", board=board)
        return self.job

    def ask(self, do: str, **fields: Any) -> str:
        """Ask, and hear the answer: what is said and what is refused both come as effects too (rule 10)."""
        mark = self.ear.heard
        try:
            said: list[str] = self.bench.call(do, **fields)["text"]
        except MeterlinkError as error:
            why = str(error)
            self.ear.wait(lambda m: m.get("text") == why, mark, what="the refusal to be heard")
            raise
        for text in said:
            self.ear.wait(lambda m, text=text: m.get("text") == text, mark, what=f"{text!r} to be heard")
        return "; ".join(said)

    def touch(self, value: float) -> dict[str, Any]:
        """Touch, hold until something is heard, lift; gives the last effect."""
        mark = self.ear.heard
        self.bench.handheld.touch(value)
        heard = self.ear.wait(lambda m: m["event"] == "effect", mark, what="a sound")
        lift(self.bench, self.ear)
        return heard

    @property
    def context(self) -> dict[str, Any]:
        return dict(self.bench.call("status")["context"])

    @property
    def ledger(self) -> Ledger:
        return Ledger().extend(entries(self.bench.folders.journal, readings=False))

    def state(self, board: str, job: str | None = None) -> str:
        ledger = self.ledger
        view = ledger.find_board(job or self.job, board)
        assert view is not None
        return ledger.state(view)

    def keeps(self, board: str) -> list[tuple[str | None, float | None]]:
        ledger = self.ledger
        view = ledger.board(self.job, board)
        return [(n.record.point, n.record.value) for n in ledger.standing(view.keeps)] if view else []


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with bench_at(tmp_path_factory.mktemp("right") / "bench") as running:
        running.start()
        running.handheld.dial("diode")
        yield running


@pytest.fixture
def day(service: Running) -> Iterator[Day]:
    yield Day(service)
    assert service.call("status")["journal"]["failing"] is None


def test_a_touch_without_a_board_is_refused_with_a_sound_of_its_own(day: Day) -> None:
    day.open("GC-01")
    before = [x for x in entries(day.bench.folders.journal, readings=False) if x.kind == "kept"]
    heard = day.touch(0.5)
    assert heard["sound"] == "no-board" and "scan one" in heard["text"]
    with pytest.raises(Refused, match="no board is on the bench"):
        day.ask("keep")
    assert [x for x in entries(day.bench.folders.journal, readings=False) if x.kind == "kept"] == before
    day.ask("scanned", text="gc-01")
    assert day.touch(0.5)["sound"] == "kept"
    assert day.keeps("GC-01") == [(None, pytest.approx(0.5, abs=0.003))]


@pytest.mark.parametrize(
    "state",
    [
        "handed on",
        *(
            pytest.param(s, marks=pytest.mark.long)
            for s in ("waiting for a part", "declined", "tested good", "returned")
        ),
    ],
)
def test_a_board_that_is_elsewhere_is_not_on_the_bench(day: Day, state: str) -> None:
    day.open("GC-01")
    day.ask("board take", board="GC-01")
    said = day.ask("board state", state=state, text="U7")
    assert state in said and "no board is on the bench" in said
    assert day.context["board"] is None
    assert day.touch(0.5)["sound"] == "no-board"
    assert day.keeps("GC-01") == []


def test_one_board_is_on_the_bench_and_the_former_goes_back_to_where_it_was(day: Day) -> None:
    day.open("GC-01", "GC-02", "GC-03")
    day.ask("board state", board="GC-01", state="waiting for a part", text="U7")
    day.ask("board take", board="GC-01")
    assert day.ask("board take", board="GC-02").endswith("GC-01 is waiting for a part again")
    said = day.ask("board take", board="gc - 03")
    assert said == "board GC-03 on the bench; GC-02 is received again"
    assert [day.state(b) for b in ("GC-01", "GC-02", "GC-03")] == ["waiting for a part", "received", "on the bench"]
    (one,) = day.ledger.on_bench()
    assert one.board == "GC-03"


def test_closing_a_job_takes_only_its_own_board_off(day: Day) -> None:
    other = day.open("GC-01")
    mine = day.open("GC-02")
    day.ask("board take", board="GC-02")
    day.ask("job close", job=other)
    assert (day.context["job"], day.context["board"]) == (mine, "GC-02")
    day.ask("job close")
    assert (day.context["job"], day.context["board"]) == (None, None)
    assert day.state("GC-02") == "received"


def test_a_slip_of_the_finger_makes_no_board(day: Day) -> None:
    day.open("GC-03", "GC-04")
    day.ask("board take", board="GC-04")
    with pytest.raises(Refused, match=r"has no board gx-03; like it: GC-03"):
        day.ask("board take", board="gx-03")
    result = run("meterlink board show gx-03", day.bench.folders.root)
    assert "no board gx-03" in str(result.exception)
    assert day.context["board"] == "GC-04"
    with pytest.raises(BadInput, match=r"GC-03 of job .* counted already"):
        day.ask("board receive", board=" gc-03 ")


def test_a_scan_finds_the_other_jobs_board_and_a_mark_of_two_jobs_is_asked_for(day: Day) -> None:
    first = day.open("AB-1", "XX-9")
    second = day.open("CD-1", "XX-9")
    third = day.open("EF-1")
    assert f"AB-1 of job {first} on the bench" in day.ask("scanned", text="ab-1")
    assert day.context["job"] == first
    day.ask("board take", board="EF-1", job=third)
    with pytest.raises(Refused, match=f"xx-9 is in jobs {first}, {second}"):
        day.ask("scanned", text="xx-9")
    assert day.context["board"] == "EF-1"
    for job in (first, second, third):
        day.ask("job close", job=job)


def test_a_finding_taken_back_takes_the_stage_and_the_point_with_it(day: Day) -> None:
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    assert day.touch(0.5)["sound"] == "ok"
    assert day.touch(0.02)["sound"] == "short"
    assert day.context["point"] == "C412"
    assert "measure +3V3 again" in day.ask("find", what="replaced", part="C412")
    assert (day.context["stage"], day.context["point"]) == ("after", "+3V3")
    assert day.ask("undo") == "taken back: replaced C412"
    assert (day.context["stage"], day.context["point"]) == ("before", "C412")
    assert day.ask("undo") == "taken back: +3V3 kept"
    assert day.context["point"] == "+3V3" and len(day.keeps("GC-01")) == 1
    finding = max(x.seq for x in entries(day.bench.folders.journal, readings=False) if x.kind == "finding")
    assert finding in day.ledger.voided, "what was taken back stays in the journal"
    day.ask("find", what="replaced", part="C412")
    seq = max(x.seq for x in entries(day.bench.folders.journal, readings=False) if x.kind == "finding")
    day.ask("void", of=seq, why="wrong board")
    assert day.context["stage"] == "before", "withdrawn by its number as well"


def test_after_a_repair_the_bench_leads_through_what_was_bad_then_its_rail(day: Day) -> None:
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    for value in (0.5, 0.02):  # VIN ok, +3V3 short
        day.touch(value)
    day.ask("next")  # C412 left out
    day.touch(0.9)  # U8 high
    assert day.context["point"] is None
    day.ask("find", what="removed", part="C412")
    seen = []
    while (point := day.context["point"]) is not None:
        seen.append(point)
        day.touch(0.5)
    assert seen == ["+3V3", "U8", "C412"], "bad ones first, then the same rail; VIN was good"


def test_a_double_tap_takes_no_value_of_before_the_repair(day: Day) -> None:
    """The foot would put a new value in its place as one of after, and what was bad would be gone."""
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    day.touch(0.02)
    day.ask("find", what="replaced", part="D3")
    with pytest.raises(Refused, match="the last keep is of before"):
        day.ask("back", source="pedal")
    day.ask("undo")
    day.ask("back", source="pedal")
    assert day.keeps("GC-01") == []


def test_a_take_by_mistake_is_taken_back_in_one_step(day: Day) -> None:
    day.open("GC-01", "GC-02")
    day.ask("board take", board="GC-01")
    day.ask("board take", board="GX-02", count_in=True)
    assert day.ask("undo") == "taken back: GX-02: on the bench; GC-01 is on the bench again"
    day.ask("board state", state="handed on")
    assert day.ask("undo") == "taken back: GC-01: handed on; GC-01 is on the bench again"
    assert day.context["board"] == "GC-01" and day.state("GC-01") == "on the bench"
    assert "GX-02" not in [b.board for b in day.ledger.counted(day.job)]
    assert "not counted" in run("meterlink board show GX-02", day.bench.folders.root).output


def test_undo_is_of_the_one_who_asks(day: Day) -> None:
    day.open("GC-01", "GC-02")
    day.ask("board take", board="GC-01")
    day.ask("find", what="found", part="D3", text="short")
    day.ask("board state", board="GC-02", state="tested good", by="colleague")
    assert day.ask("undo") == "taken back: found D3 short"
    assert day.state("GC-02") == "tested good"
    assert day.ask("undo", by="colleague") == "taken back: GC-02: tested good"
    assert day.state("GC-02") == "received"
    with pytest.raises(Refused, match="nothing that nobody recorded"):
        day.ask("undo", by="nobody")


def test_a_withdrawal_is_taken_back_by_the_same_key(day: Day) -> None:
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    day.touch(0.5)
    day.ask("back")
    assert day.keeps("GC-01") == [] and day.context["point"] == "VIN"
    assert day.ask("undo") == "taken back: VIN withdrawn"
    assert [p for p, _ in day.keeps("GC-01")] == ["VIN"] and day.context["point"] == "+3V3"
    day.ask("move", point="U8")
    assert day.ask("undo") == "taken back: VIN moved to U8 of GC-01"
    assert run("meterlink journal verify", day.bench.folders.root).exit_code == 0


def test_a_keep_is_moved_to_the_right_point_and_board(day: Day) -> None:
    day.open("GC-01", "GC-02", sheet=True)
    day.ask("board take", board="GC-01")
    day.touch(0.5)
    assert "VIN of GC-01 moved to U8 of GC-01: ok" in day.ask("move", point="U8")
    assert [p for p, _ in day.keeps("GC-01")] == ["U8"]
    day.ask("move", board="gc-02")
    assert day.keeps("GC-01") == [] and [p for p, _ in day.keeps("GC-02")] == ["U8"]
    seq = max(x.seq for x in entries(day.bench.folders.journal, readings=False) if x.kind == "kept")
    with pytest.raises(BadInput, match="the sheet has no point 'U9'"):
        day.ask("move", of=seq, point="U9")
    assert run("meterlink journal verify", day.bench.folders.root).exit_code == 0


def test_what_was_left_out_before_a_repair_is_named_after_it(day: Day) -> None:
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    day.ask("leave out", points=["VIN", "U8"], why="no time")
    folder = day.bench.folders.root
    assert run("meterlink board done replaced C412", folder).exit_code == 0
    day.ask("point", point="VIN")
    day.touch(0.5)
    shown = run("meterlink board show GC-01", folder).output
    assert "left out before the repair, and not measured since: U8" in shown
    (row,) = [line for line in run(f"meterlink job show {day.job}", folder).output.splitlines() if "GC-01" in line]
    assert " U8 " in row


def test_the_sheet_is_done_when_each_point_is_kept_or_left_out(day: Day) -> None:
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    day.ask("point", point="c412")
    day.touch(0.5)
    heard = day.touch(0.5)  # U8, the last: VIN and +3V3 were passed over
    assert heard["sound"] == "ok"
    over = day.ear.wait(lambda m: m.get("sound") == "passed-over", 0, what="the word on what was passed over")
    assert "passed over: VIN, +3V3; back to VIN" in over["text"] and day.context["point"] == "VIN"
    shown = run("meterlink board show GC-01", day.bench.folders.root).output
    assert "still to measure (before): VIN, +3V3" in shown
    assert "VIN, +3V3" in run(f"meterlink job show {day.job}", day.bench.folders.root).output
    done = day.ask("leave out", why="no time")
    assert done == "left out: VIN, +3V3; the sheet is done: 2 ok, 2 left out"
    assert "left out: VIN, +3V3 (no time)" in run("meterlink board show GC-01", day.bench.folders.root).output
    page = day.bench.folders.root / "r.html"
    assert run(f"meterlink report {day.job} -o {page}", day.bench.folders.root).exit_code == 0
    assert "Left out on purpose" in page.read_text(encoding="utf-8")
    day.ask("undo")
    assert day.context["point"] == "VIN"
    run(f"meterlink report {day.job} -o {page}", day.bench.folders.root)
    assert "<b>Not measured</b> (before): VIN, +3V3" in page.read_text(encoding="utf-8")


def test_free_touches_of_a_dead_board_are_refused_while_its_power_is_confirmed_on(day: Day) -> None:
    day.open("GC-01")
    day.ask("board take", board="GC-01")
    assert day.ask("power", on=True) == "power on confirmed"
    heard = day.touch(0.5)
    assert heard["sound"] == "refused" and "dead board" in heard["text"] and day.keeps("GC-01") == []
    day.ask("power", on=False)
    assert day.touch(0.5)["sound"] == "kept"


def test_a_keep_of_after_that_came_from_another_board_asks_for_nothing_before(day: Day) -> None:
    """GC-02 was not repaired: what its skip rules hold against are its own values of before (rule 8)."""
    day.open("GC-01", "GC-02", sheet=True)
    day.ask("board take", board="GC-01")
    day.ask("find", what="replaced", part="D3")
    day.ask("point", point="C412")
    day.touch(0.02)
    day.ask("move", board="GC-02")
    day.ask("board take", board="GC-02")
    shown = run(f"meterlink board show GC-02 --job {day.job} --json", day.bench.folders.root).output
    assert json.loads(shown)["pending"] == ["VIN", "+3V3", "C412", "U8"]


def test_a_count_is_explained_by_a_note_that_names_it(day: Day) -> None:
    day.open("GC-01", "GC-02", expected=3)
    assert "a note that names 2 explains it" in day.ask("job note", text="customer told")
    assert day.ledger.mismatch(day.job) == "2 boards counted, 3 said"
    assert "it explains the count of 2" in day.ask("job note", text="crate holds 2, the slip says 3")
    assert day.ledger.mismatch(day.job) is None
    for board in ("GC-03", "GC-04"):
        day.ask("board receive", board=board)
    assert day.ledger.mismatch(day.job) == "4 boards counted, 3 said", "another count needs another note"


def test_everything_recorded_and_refused_is_heard(day: Day) -> None:
    day.open("GC-01", "GC-02")
    acts: list[tuple[str, dict[str, Any]]] = [
        ("board take", {"board": "GC-01"}),
        ("find", {"what": "found", "part": "D3"}),
        ("find", {"what": "note", "text": "smells"}),
        ("job note", {"text": "urgent"}),
        ("board receive", {"board": "GC-05"}),
        ("board state", {"state": "repaired"}),
        ("stage", {"stage": "after"}),
        ("who", {"name": "anna"}),
        ("undo", {}),
        ("board take", {"board": "nope"}),
        ("find", {"what": "eaten", "part": "D3"}),
        ("board state", {"state": "lost"}),
        ("point", {"point": "\n"}),
        ("undo", {"by": "nobody"}),
    ]
    for do, fields in acts:
        mark = day.ear.heard
        try:
            assert day.ask(do, **fields), f"{do} says nothing"
            wanted = ("stepped", "taken-back")
        except (BadInput, Refused):
            wanted = ("refused",)
        heard = day.ear.wait(lambda m: m["event"] == "effect", mark, what=f"a sound for {do}")
        assert heard["sound"] in wanted, (do, heard)


def test_who_is_at_the_bench_stands_in_the_records(day: Day) -> None:
    day.open("GC-01")
    day.ask("board take", board="GC-01")
    assert run("meterlink who anna", day.bench.folders.root).output == "anna is at the bench\n"
    day.ask("find", what="found", part="D3")
    view = day.ledger.board(day.job, "GC-01")
    assert view is not None and view.findings[-1].record.by == "anna"
    assert "anna at the bench" in run("meterlink status", day.bench.folders.root).output
    assert day.ask("undo") == "taken back: found D3"
    assert day.ask("undo").startswith("taken back: anna is at the bench"), "a slip in the name, by the same key"
    assert day.bench.call("status")["operator"] == "demo"


def test_who_believes_another_board_on_the_bench_records_nothing(day: Day) -> None:
    day.open("GC-01", "GC-02")
    day.ask("board take", board="GC-02")
    before = day.ledger.last_seq
    with pytest.raises(Refused, match="GC-02 is on the bench now, not GC-01"):
        day.ask("power", on=True, for_board="GC-01")
    assert day.context["powered"] is None
    assert not [x for x in entries(day.bench.folders.journal, readings=False) if x.seq > before and x.kind == "context"]


def test_no_request_however_made_ends_the_bench(day: Day, tmp_path: Path) -> None:
    for do in (
        "keep",
        "board take",
        "find",
        "void",
        "move",
        "leave out",
        "who",
        "power",
        "scanned",
        "supply inject",
        "?",
    ):
        for odd in (None, 1, -1, 1e400, [], {}, "", "\x00", [1], True):
            fields = dict.fromkeys(
                ("board", "what", "of", "points", "name", "on", "text", "volts", "rail", "source"), odd
            )
            try:
                day.bench.call(do, **fields)
            except (BadInput, Refused, ValueError):
                pass
    assert day.bench.call("status")["ok"]
