"""A scanner told from hands: keys with their times in, acts out. Nothing is lost, and nothing changes its place."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.screen.keys import GAP_S, LEAST, PREFIXED_GAP_S, Act, Broken, Recogniser, Scan, Stroke

ENTER, RIGHT, TAB = Stroke("enter", "\r"), Stroke("right"), Stroke("tab", "\t")
LETTERS = "abn19-G ~]"


def typed(text: str) -> list[Stroke]:
    named = {"\r": ENTER, "\t": TAB, ">": RIGHT, "\x02": Stroke("ctrl+b", "\x02")}
    return [named.get(c) or Stroke(c, c) for c in text]


def acts(
    keys: list[tuple[Stroke, float]], field: bool = False, prefix: str = "", suffix: str = "", rest: bool = True
) -> list[Act]:
    """What these keys are, each with the seconds since the one before it."""
    recogniser, t, out = Recogniser(), 100.0, []
    recogniser.set_to(prefix, suffix)
    for stroke, gap_s in keys:
        t += gap_s
        out += recogniser.key(stroke, t, field)
    return [*out, *(recogniser.rest() if rest else [])]


def every(text: str, gap_s: float) -> list[tuple[Stroke, float]]:
    return [(stroke, gap_s) for stroke in typed(text)]


@pytest.mark.parametrize("text", ["ab-12", "sn-3", "GC-01", "bbbb", "x 1 2"])
def test_quick_characters_and_enter_are_a_scan(text: str) -> None:
    assert acts(every(f"{text}\r", GAP_S)) == [Scan(text)]


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        (every("ab1\r", 0.001), "too short"),
        (every("ab-12\r", GAP_S + 0.001), "too slow"),
        ([*every("ab-", 0.01), *every("12\r", 0.036)], "a gap in the middle"),
    ],
)
def test_what_hands_may_have_typed_acts_key_by_key(keys: list[tuple[Stroke, float]], why: str) -> None:
    assert acts(keys) == [stroke for stroke, _ in keys], why


def test_quick_characters_without_enter_are_nobodys() -> None:
    assert acts(every("nnnn", 0.01)) == [Broken("nnnn")]
    assert acts(every("nnnn>", 0.01)) == [Broken("nnnn"), RIGHT]
    assert acts([*every("nnnn", 0.01), (ENTER, 0.5)]) == [Broken("nnnn"), ENTER]


def test_one_key_waits_for_the_gap_and_no_longer() -> None:
    recogniser = Recogniser()
    assert recogniser.key(*every("n", 100.0)[0], False) == [] and recogniser.holds_s == GAP_S
    assert recogniser.due(100.0 + GAP_S) == []
    assert recogniser.due(100.001 + GAP_S) == typed("n") and recogniser.holds_s is None


@pytest.mark.parametrize("key", [RIGHT, Stroke("space", " "), Stroke("backspace", "\x7f"), Stroke("escape"), ENTER])
def test_keys_that_begin_no_mark_do_not_wait(key: Stroke) -> None:
    assert acts([(key, 1.0)], rest=False) == [key]


def test_in_a_field_nothing_waits() -> None:
    assert acts(every("1.5\rab-12\r", 0.0001), field=True, rest=False) == typed("1.5\rab-12\r")


@pytest.mark.parametrize("prefix", ["~", "]C1", "\x02"])
@pytest.mark.parametrize("field", [True, False])
def test_a_prefix_makes_a_scan_at_a_slow_scanners_pace(prefix: str, field: bool) -> None:
    assert acts(every(f"{prefix}x\r", PREFIXED_GAP_S), field, prefix) == [Scan("x")]
    before = typed("ab") if field else []
    assert acts([*(every("ab", 0.2) if field else []), *every(f"{prefix}~1\r", 0.01)], field, prefix) == [
        *before,
        Scan("~1"),
    ]


@pytest.mark.parametrize(("suffix", "ends"), [("\r", "\r"), ("\t", "\t"), ("#", "#"), ("", "\r"), ("#", "\r")])
def test_a_suffix_ends_it_and_so_does_enter(suffix: str, ends: str) -> None:
    assert acts(every(f"~GC-01{ends}", 0.01), True, "~", suffix) == [Scan("GC-01")]


def test_a_prefix_that_breaks_off_is_text_in_a_field_and_nothing_elsewhere() -> None:
    assert acts(every("~n", 0.01), True, "~") == typed("~n")
    assert acts(every("~n", 0.01), False, "~") == [Broken("~n")]
    assert acts(every("]x", 0.01), True, "]C1") == typed("]x")
    assert acts(every("]]C1x\r", 0.01), True, "]C1") == [*typed("]"), Scan("x")]


GAPS = st.sampled_from([0.001, GAP_S, 0.036, PREFIXED_GAP_S, 0.3])
KEYS = st.lists(st.tuples(st.sampled_from(typed(LETTERS + "\r\t>")), GAPS, st.booleans()), max_size=30)


@given(KEYS, st.sampled_from(["", "~", "]~", "ab"]), st.sampled_from(["", "\t", "1"]))
def test_nothing_is_lost_and_nothing_changes_its_place(
    keys: list[tuple[Stroke, float, bool]], prefix: str, suffix: str
) -> None:
    """A scan stands for its prefix, its text and its end; all else comes out as it went in."""
    recogniser, t, out, went = Recogniser(), 0.0, [], []
    recogniser.set_to(prefix, suffix)
    for stroke, gap_s, field in keys:
        t += gap_s
        out += [*recogniser.due(t), *recogniser.key(stroke, t, field)]
        went.append(stroke.character or ">")
    out += recogniser.rest()
    text = "".join(went)
    for act in out:
        if isinstance(act, Stroke):
            assert text.startswith(act.character or ">")
            text = text[1:]
        elif isinstance(act, Broken):
            assert text.startswith(act.text) and (len(act.text) >= LEAST or act.text.startswith(prefix or "\n"))
            text = text[len(act.text) :]
        else:
            ends = [f"{p}{act.text}{e}" for p in {"", prefix} for e in ("\r", suffix or "\r")]
            whole = next(e for e in sorted(ends, key=len, reverse=True) if text.startswith(e))
            text = text[len(whole) :]
    assert not text


@given(st.lists(st.tuples(st.sampled_from(typed(LETTERS + "\r>")), st.floats(0.036, 2.0)), max_size=20), st.booleans())
def test_hands_are_never_taken_for_a_scanner(keys: list[tuple[Stroke, float]], field: bool) -> None:
    assert acts(keys, field) == [stroke for stroke, _ in keys]


@given(st.lists(st.floats(0.0, 1.0), max_size=20))
def test_what_is_held_is_held_no_longer_than_its_wait(gaps: list[float]) -> None:
    recogniser, t = Recogniser(), 0.0
    for gap_s in gaps:
        t += gap_s
        recogniser.due(t)
        recogniser.key(Stroke("n", "n"), t, False)
    assert recogniser.due(t + GAP_S * 1.01) or not gaps
    assert recogniser.holds_s is None
