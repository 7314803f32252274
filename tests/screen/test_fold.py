"""The fold: messages in, a view out; nothing that is not live is shown as live."""

from __future__ import annotations

from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.bench.events import SoundName
from meterlink.records import Verdict
from meterlink.screen import blocks, fold, words
from meterlink.screen.fold import View, take
from meterlink.screen.pictures import KEEPS, feeding, reading, state

OFF = {"event": "injection", "state": "ended", "instrument": "supply", "rail": "+3V3", "why": "the key", "off": True}


def folded(*messages: dict[str, Any], t: float = 0.0) -> View:
    view = View()
    for message in messages:
        view = take(view, message, t)
    return view


def test_nothing_is_attached_before_the_state() -> None:
    assert not View().attached
    assert not folded(reading("diode", 0.5, "V", "0.500 V", 0.5)).attached
    assert folded(state("VIN", KEEPS)).attached


def test_a_reading_older_than_three_seconds_is_no_reading() -> None:
    """bench.core.STALE_S: "older than this is not what the meter shows now"."""
    view = folded(state("VIN", []), reading("diode", 0.5, "V", "0.500 V", 0.5), t=10.0)
    assert view.meter(13.0) is not None
    assert view.meter(13.001) is None


def test_the_meter_that_the_service_means_is_shown_and_no_other() -> None:
    """Rule 7: one ranking of the meters, the service's; contact and function alone mean none."""
    ohms = {**reading("resistance", 268.0, "Ohm", "268.0 Ohm", 0.5), "instrument": "b", "meant": "a"}
    diode = {**reading("diode", None, "V", "0L V", 0.0), "instrument": "a", "meant": "a"}
    view = folded(state("+3V3", [], meant=None), {**ohms, "meant": None})
    assert view.meter(0.0) is None
    view = take(view, ohms, 0.0)
    assert view.meter(0.0) is None, "the one that is meant is not heard"
    view = take(view, diode, 0.0)
    assert view.meter(0.0)[0] == "a"  # type: ignore[index]
    view = take(view, {"event": "status", "meant": "b"}, 1.0)
    assert view.meter(1.0)[0] == "b"  # type: ignore[index]
    assert folded({k: v for k, v in state("+3V3", []).items() if k != "meant"}).meant is None


AT = {"points": ["A", "B", "C", "D"], "sheet_counts": {"ok": 3, "short": 1, "left out": 0}}


def at(point: str | None, pending: list[str], stage: str = "before", **more: Any) -> View:
    told = state("+3V3", [], **AT, pending=pending, **more)
    told["context"] |= {"point": point, "stage": stage}
    return folded(told)


def test_points_before_the_present_one_that_are_not_done_are_passed_over() -> None:
    assert at("C", ["A", "C", "D"]).passed_over == ["A"]
    assert at(None, ["A", "D"]).passed_over == ["A", "D"]
    assert at("free", ["A"]).passed_over == []
    assert at("D", ["D", "A"], "after").passed_over == [], "after a repair it leads back and forth"


def test_a_point_has_a_word_for_how_far_it_is() -> None:
    view = at("C", ["A", "C", "D"], verdicts={"B": "short"}, left_out=[])
    assert [(p.name, p.word) for p in words.points(view)] == [
        ("A", "passed over"),
        ("B", "SHORT"),
        ("C", "next"),
        ("D", "to do"),
    ]
    assert words.progress(view) == "3 to do, 1 PASSED OVER"
    view = at("D", ["D"], verdicts={"A": None, "B": "ok"}, left_out=["C"])
    assert [p.word for p in words.points(view)] == ["kept", "ok", "left out", "next"]
    assert words.progress(view) == "1 to do, 1 left out"
    assert words.progress(at(None, [])) == "done: 3 ok, 1 short"
    older = {k: v for k, v in state("VIN", []).items() if k not in ("pending", "left_out", "verdicts")}
    assert words.progress(folded(older)) == "" and len(words.points(folded(older))) == 8


def test_what_is_lost_of_inputs_and_sound_is_a_line_each() -> None:
    told = {"inputs": {"scanner": {"state": "lost", "why": "unplugged"}, "pedal": {"state": "open", "why": None}}}
    assert words.inputs({**told, "sound": "no player"}) == ["× scanner lost: unplugged", "× no sound: no player"]
    assert words.inputs({}) == []


def test_feeding_ends_only_when_told() -> None:
    view = fold.ordered(folded(state("+3V3", [])), True)
    assert view.injecting
    for message in feeding():
        view = take(view, message, 0.0)
        assert view.injecting
    assert len(view.trace) == 30 and view.trace[0].amperes == pytest.approx(1.428)
    assert "cleared" in (view.cleared or "")
    view = take(view, OFF, 0.0)
    assert not view.injecting and view.cleared and view.ended == OFF and not view.state.get("alarm")
    assert fold.read(view).ended is None


def test_an_off_that_was_not_confirmed_is_an_alarm() -> None:
    view = folded(state("+3V3", []), *feeding(), {**OFF, "off": False})
    assert "OFF COULD NOT BE CONFIRMED" in view.state["alarm"]
    assert fold.lost(view, "gone").state["alarm"] == view.state["alarm"]


def test_a_snapshot_alone_says_that_a_rail_is_fed() -> None:
    """The screen may be opened while an injection runs."""
    assert folded(state("+3V3", [], injecting=True)).injecting


def test_a_trace_does_not_grow_without_bound() -> None:
    view = folded(state("+3V3", []))
    message = list(feeding())[1]
    for i in range(fold.TRACE + 50):
        view = take(view, {**message, "amperes": float(i)}, 0.0)
    assert len(view.trace) == fold.TRACE and view.trace[-1].amperes == fold.TRACE + 49


def test_without_the_service_no_reading_stands() -> None:
    view = fold.lost(folded(state("VIN", KEEPS), reading("diode", 0.5, "V", "0.500 V", 0.5)), "it has ended")
    assert not view.attached and view.meter(0.0) is None and view.why == "it has ended" and not view.state


def test_status_mends_what_no_change_told() -> None:
    view = folded(state("VIN", [], failing="disk full"))
    view = take(view, {"event": "status", "instruments": []}, 1.0)
    assert view.state["failing"] == "disk full", "an answer that says nothing of the journal takes no alarm away"
    view = take(view, {"event": "status", "journal": {"failing": None}, "alarm": None, "instruments": []}, 1.0)
    assert view.state["failing"] is None and view.state["points"]


@given(st.none() | st.integers() | st.text(max_size=5) | st.lists(st.text(max_size=5)))
def test_unknown_messages_are_passed_over(message: Any) -> None:
    before = folded(state("VIN", KEEPS))
    assert take(before, {"event": "of another version", "what": message}, 1.0) == before


def test_a_supplys_readings_are_in_its_line() -> None:
    view = folded(state("VIN", []))
    for function, value in (("voltage", 3.3), ("current", 0.25)):
        message = {
            **reading(function, value, "V", "", 0.0),
            "instrument": "supply",
            "channel": "1",
            "flags": ["on", "cv"],
        }
        view = take(view, message, 0.0)
    on, text = words.supply("supply/1", view.state["supplies"]["supply/1"])
    assert on and text.startswith("supply  ON cv  3.300 V  0.250 A")


# -- words


@pytest.mark.parametrize(
    ("message", "number", "unit"),
    [
        (reading("resistance", 268.0, "Ohm", "268.0 Ohm", 0), "268.0", "Ω"),
        (reading("resistance", 47500.0, "Ohm", "47.50 kOhm", 0), "47.50", "kΩ"),
        (reading("capacitance", 1e-7, "F", "0.100 uF", 0), "0.100", "µF"),
        (reading("voltage", -0.0047, "V", "-4.70 mV", 0), "-4.70", "mV"),
        (reading("diode", None, "V", ".0L V", 0), "0L", "V"),
        (reading("voltage", None, "V", "", 0, state="blank"), "---", "V"),
        (reading("voltage", 0.00047, "V", None, 0), "0.47", "mV"),  # type: ignore[arg-type]
        (reading("voltage", 0.01234, "V", "12.34mV", 0), "12.34", "mV"),
        (reading("voltage", 12.34, "V", "12.340", 0), "12.340", "V"),
        (reading("voltage", 0.01234, "V", "12.34", 0), "12.34", "mV"),  # its text has no unit: never 12.34 V
        (reading("voltage", 0.01236, "V", "12.3", 0), "12.36", "mV"),
    ],
)
def test_big_digits_are_the_meters_own(message: dict[str, Any], number: str, unit: str) -> None:
    assert words.big(message) == (number, unit)


def test_every_verdict_and_every_sound_has_a_word_and_a_tone() -> None:
    assert set(get_args(Verdict)) == {k for k in words.MARKS if k} == {k for k in words.TONES if k}
    assert set(words.EFFECTS) >= set(get_args(SoundName))
    assert len({word for _, word in words.MARKS.values()}) == len(words.MARKS)  # told apart without colour
    assert all(blocks.known(word) for _, word, _ in words.EFFECTS.values())


@pytest.mark.parametrize(
    ("band", "text"),
    [
        ({"low": 180.0, "high": 420.0, "from": "sheet"}, "180 Ω to 420 Ω (sheet)"),
        ({"low": 3.0, "high": None, "from": "sheet"}, "at least 3 Ω (sheet)"),
        ({"low": None, "high": None, "expect": "short", "short": 2.0, "from": "sheet"}, "short: at most 2 Ω (sheet)"),
        ({"low": 1.0, "high": 2.0, "from": "known-good", "n": 6}, "1 Ω to 2 Ω (known-good, 6 boards)"),
        (None, "nothing: it is kept without a verdict"),
    ],
)
def test_what_is_expected_is_words(band: dict[str, Any] | None, text: str) -> None:
    assert words.band(band, "Ohm") == text


def test_health_says_what_is_likely_wrong() -> None:
    one = {"instrument": "m", "state": "open", "bad": 3, "losses": 0, "rate_hz": 2.0, "likely": "wrong baud?"}
    assert words.health(one, 9.0) == ("bad", "× m SILENT: wrong baud?")
    assert words.health({**one, "likely": None}, 1.0) == ("doubt", "√ m 2.0/s, 3 bad")
    assert words.health({**one, "state": "lost", "why": "unplugged"}, 1.0)[1] == "× m lost: unplugged"


# -- blocks


def test_every_letter_is_five_high_and_straight() -> None:
    for c, glyph in blocks.FONT.items():
        rows = glyph.split("|")
        assert len(rows) == blocks.HIGH and len({len(r) for r in rows}) == 1 and set(glyph) <= set("#.|"), c


def test_digits_and_capitals_are_told_apart() -> None:
    """But for 0 and O, 5 and S, which no three-by-five letter tells apart; the name stands in small letters as well."""
    alphabet = [c for c in blocks.FONT if c.isalnum() and c not in "OS"]
    assert len({blocks.FONT[c] for c in alphabet}) == len(alphabet)


@given(st.text(st.sampled_from(list(blocks.FONT)), min_size=1, max_size=9), st.integers(1, 4), st.integers(1, 6))
def test_lines_have_the_size_that_was_said(text: str, wide: int, tall: int) -> None:
    lines = blocks.lines(text, wide, tall)
    assert len(lines) == blocks.height(tall)
    assert {len(line) for line in lines} == {blocks.width(text, wide)}


@given(st.lists(st.none() | st.floats(0, 10), max_size=30), st.integers(1, 20), st.integers(1, 4))
def test_plots_fit_and_keep_their_order(values: list[float | None], columns: int, rows: int) -> None:
    lines = blocks.plot(values, columns, rows, 10.0)
    assert len(lines) == rows and {len(line) for line in lines} == {columns}
    heights = [sum(blocks.EIGHTHS.index(line[i]) for line in lines) for i in range(columns)][-len(values) :]
    shown = values[-columns:]
    for (a, ha), (b, hb) in zip(
        zip(shown, heights, strict=False), list(zip(shown, heights, strict=False))[1:], strict=False
    ):
        if a is not None and b is not None and a < b:
            assert ha <= hb
