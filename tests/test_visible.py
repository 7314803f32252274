"""What leaves the program as text: nothing in it acts or hides, whatever came in; and all that has ink is as it was."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.visible import hidden, visible, visible_json

TEXT = st.text(st.characters())
EVERY = [chr(c) for c in range(sys.maxunicode + 1)]
PERL = shutil.which("perl")
# one line a code point that Unicode's own tables, as Perl carries them, call ignorable, a bidirectional control, a
# control, a format character or a separator of lines and paragraphs
OF_PERL = r"""for my $c (0..0x10FFFF) { next if $c >= 0xD800 && $c <= 0xDFFF;
 print "$c\n" if chr($c) =~ /[\p{Default_Ignorable_Code_Point}\p{Bidi_Control}\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/ }"""


@pytest.mark.skipif(PERL is None, reason="no Perl, whose tables of Unicode these are held against")
def test_what_unicode_calls_ignorable_or_directional_is_hidden() -> None:
    done = subprocess.run([str(PERL), "-e", OF_PERL], capture_output=True, text=True, check=True)
    found = [chr(int(line)) for line in done.stdout.split()]
    assert len(found) > 4000
    assert [f"{ord(c):x}" for c in found if not hidden(c)] == []


def test_letters_figures_marks_and_symbols_are_as_they_were() -> None:
    """But for the fillers, which have none of the ink that their category promises."""
    inked = [c for c in EVERY if unicodedata.category(c)[0] in "LNPSM" and not hidden(c)]
    gone = [c for c in EVERY if unicodedata.category(c)[0] in "LNPSM" and hidden(c)]
    assert all(visible(c) == c for c in inked)
    names = {unicodedata.name(c, "") for c in gone}
    pattern = "FILLER|VARIATION SELECTOR|GRAPHEME JOINER|VOWEL INHERENT|BRAILLE PATTERN BLANK|NULL NOTEHEAD"
    assert {n for n in names if not re.search(pattern, n)} == set()
    for text in ("GC-2611", "±0,5 µV Ω °C", "Größe", "板 3", "плата", "לוח", "⚠\ufe0f heiß", "e\u0301"):
        assert visible(text) == text


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[2J", r"\u{1b}[2J"),  # ECMA-48 CSI J: would erase the screen
        ("\x9b2J", r"\u{9b}2J"),  # the same with the one C1 character
        ("\x1b]0;x\x07", r"\u{1b}]0;x\u{7}"),  # would set a terminal's title
        ("a\r\nb\x7f", r"a\u{d}\u{a}b\u{7f}"),
        ("GC-\u202e30", r"GC-\u{202e}30"),  # UAX #9: would read 03
        ("\u2066x\u2069\u061c", r"\u{2066}x\u{2069}\u{61c}"),
        ("a\u200bb\ufeff\u00ad", r"a\u{200b}b\u{feff}\u{ad}"),
        ("a\u2028b\u00a0", r"a\u{2028}b\u{a0}"),
        ("\U000e0041\ufe0f\U000e0100", r"\u{e0041}\u{fe0f}\u{e0100}"),
        ("\ud83d\udcff", r"\u{d83d}\u{dcff}"),
    ],
)
def test_each_is_spelled_in_one_way(text: str, shown: str) -> None:
    assert visible(text) == shown


@given(TEXT)
def test_a_text_is_one_line_that_can_be_encoded_and_stays(text: str) -> None:
    shown = visible(text)
    assert not any(hidden(c) for c in shown.replace("\ufe0e", "").replace("\ufe0f", ""))
    assert shown.splitlines() in ([], [shown])
    assert shown.encode().decode() == visible(shown)
    assert re.sub(
        r"\\u\{([0-9a-f]+)\}", lambda m: chr(int(m[1], 16)), visible(text.replace("\\", "/"))
    ) == text.replace("\\", "/")


@given(st.recursive(TEXT | st.integers(), lambda x: st.lists(x, max_size=3) | st.dictionaries(TEXT, x, max_size=3)))
def test_json_says_the_same_and_hides_nothing(value: object) -> None:
    line = json.dumps(value, ensure_ascii=False).encode("utf-8", "replace")  # a lone surrogate is none in UTF-8
    shown = visible_json(line)
    assert json.loads(shown) == json.loads(line)
    assert visible(shown.decode()) == shown.decode()


def test_blanks_between_the_tokens_of_json_stay_blanks() -> None:
    assert visible_json(b'{"a":\t1,\r"b":"\xe2\x80\xae"}') == rb'{"a": 1, "b":"\u202e"}'
