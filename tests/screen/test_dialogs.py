"""The questions as machines: a key in, an answer or none out."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.screen.dialogs import READ_S, Confirm, Dialog, Field, Form, Given, Pick, Row
from meterlink.screen.keys import Stroke

ENTER, DOWN = Stroke("enter", "\r"), Stroke("down")


def names(*of: str) -> list[Row]:
    return [Row(name, name, name) for name in of]


def answer(dialog: Dialog, keys: str, t: float = 9.0) -> Given | None:
    """Type this: ↵ is Enter, ↓ and ↑ the arrows, ← is backspace. Gives the first answer."""
    named = {"↵": ENTER, "↓": DOWN, "↑": Stroke("up"), "←": Stroke("backspace")}
    for c in keys:
        if (given := dialog.key(named.get(c) or Stroke(c, c), t)) is not None:
            return given
    return None


MARKS = names("GC-1", "GC-10", "GC-11", "LX-2")


@pytest.mark.parametrize(
    ("keys", "value"),
    [
        ("gc-1↵", "GC-1"),  # in full, though two more begin with it
        ("g c-10↵", "GC-10"),
        ("l↵", "LX-2"),  # the only one that begins with it
        ("-2↵", "LX-2"),  # the only one that holds it
        ("2↵", "GC-10"),  # by its number
        ("4↵", "LX-2"),
        ("↓↵", "GC-1"),
        ("↑↵", "LX-2"),
        ("↓↓↓↓↓↵", "GC-1"),  # round and round
        ("gc-1↓↓↵", "GC-10"),
    ],
)
def test_a_list_is_answered_by_name_number_or_arrow(keys: str, value: str) -> None:
    assert answer(Pick("?", MARKS), keys) == Given(value)


@pytest.mark.parametrize(
    ("keys", "note"),
    [
        ("↵", "nothing typed"),
        ("  ↵", "nothing typed"),
        ("x←↵", "nothing typed"),
        ("gc↵", "3 of the list fit 'gc'"),
        ("9↵", "nothing in the list fits '9'"),
        ("zz↓↵", "nothing in the list fits 'zz'"),
        ("↓gc↵", "3 of the list"),  # typing goes back on the arrow
    ],
)
def test_what_takes_no_row_is_said_and_the_list_stays(keys: str, note: str) -> None:
    pick = Pick("?", MARKS)
    assert answer(pick, keys) is None
    assert any(note in line.text for line in pick.lines(72, 20)) and note in pick.note
    assert answer(pick, "←←←↓↵") is not None


def test_where_anything_may_be_typed_enter_takes_it_as_it_stands() -> None:
    free: dict[str, Any] = {"free": "a mark", "exact": True}
    assert answer(Pick("?", MARKS[1:], **free), "gc-1↵") == Given("gc-1")  # never GC-10
    assert answer(Pick("?", MARKS, **free), "gc-1↵") == Given("GC-1")
    assert answer(Pick("?", MARKS, **free), "2↵") == Given("2")
    assert answer(Pick("?", MARKS, free="a name"), "U9↵") == Given("U9")


def test_two_of_one_name_are_told_apart_by_arrow_or_number() -> None:
    rows = [Row(1, "GC-1", "GC-1 of A"), Row(2, "gc-1", "gc-1 of B")]
    pick = Pick("?", rows, exact=True)
    assert answer(pick, "gc-1↵") is None and "2 are called" in pick.note
    assert answer(pick, "↓↓↵") == Given(2)


@given(st.integers(0, 40), st.text("GC-0123", max_size=4), st.integers(4, 30), st.integers(-50, 50))
def test_a_long_list_shows_the_row_that_enter_takes(many: int, typed: str, height: int, moves: int) -> None:
    pick = Pick("?", names(*(f"GC-{i}" for i in range(many))))
    answer(pick, typed + ("↓" if moves > 0 else "↑") * abs(moves))
    lines = pick.lines(72, height)
    chosen = [line for line in lines if line.tone == "chosen"]
    given = answer(pick, "↵")
    assert len(chosen) == (given is not None)
    if given:
        assert str(given.value) in chosen[0].text


ORDER = (("volts", "volts", ""), ("amperes", "amperes at most", "1.5"), ("why", "why", ""))


def test_a_form_takes_its_fields_in_their_order() -> None:
    assert answer(Form("?", ORDER), "1↵↵10↵") == Given({"volts": "1", "amperes": "1.5", "why": "10"})
    assert answer(Form("?", ORDER), "1↵←←←2↵↵") == Given({"volts": "1", "amperes": "2"})
    assert answer(Form("?", ORDER), "1↵20↵↵") == Given({"volts": "1", "amperes": "20"}), "typed over what is offered"
    assert answer(Form("?", ORDER), "1↵←6↵↵") == Given({"volts": "1", "amperes": "1.6"})
    assert answer(Form("?", ORDER), "x↓↑←1↵↵↵") == Given({"volts": "1", "amperes": "1.5"})


def test_a_form_in_which_nothing_was_typed_gives_nothing() -> None:
    form = Form("?", ORDER)
    assert answer(form, "↵↵↵↵") is None and "nothing typed" in form.note
    bare = Form("?", (("why", "reason", ""),))
    assert answer(bare, " ↵") is None and "nothing typed" in bare.note
    assert answer(bare, "x↵") == Given({"why": "x"})


def test_a_form_that_will_not_do_says_why_and_stays() -> None:
    form = Form("?", ORDER[:1], check=lambda given: None if given["volts"].isdigit() else "volts: no number")
    assert answer(form, "x↵") is None and form.note == "volts: no number"
    assert answer(form, "←1↵") == Given({"volts": "1"})


def test_a_yes_is_a_y_that_has_read_the_question() -> None:
    confirm = Confirm("?", "caution", "so it is")
    confirm.since = 5.0
    assert answer(confirm, "↵ x", 9.0) is None
    assert answer(confirm, "y", 5.0 + READ_S / 2) is None and "read it" in confirm.note
    assert answer(confirm, "y", 5.0 + READ_S) == Given(True)
    assert answer(confirm, "n", 9.0) == Given(None)


KEYS = st.sampled_from(["left", "right", "home", "end", "backspace", "delete", "ctrl+u", "a", "b", "ä", "1"])


@given(st.text("xyz", max_size=5), st.lists(KEYS, max_size=30), st.integers(12, 40))
def test_a_field_is_edited_as_any_other(text: str, keys: list[str], width: int) -> None:
    """Against the plainest way to do it: the characters before the cursor and those after it."""
    field, before, after = Field(text), list(text), list[str]()
    for key in keys:
        assert field.key(Stroke(key, key if len(key) == 1 else None))
        match key:
            case "left" if before:
                after.insert(0, before.pop())
            case "right" if after:
                before.append(after.pop(0))
            case "home":
                before, after = [], before + after
            case "end":
                before, after = before + after, []
            case "backspace":
                before = before[:-1]
            case "delete":
                after = after[1:]
            case "ctrl+u":
                before = []
            case _ if len(key) == 1:
                before.append(key)
        assert (field.text, field.at) == ("".join(before + after), len(before))
    line = field.line("why ", width, True)
    assert line.cursor is not None and 4 <= line.cursor < width and len(line.text) <= width
