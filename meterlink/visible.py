r"""The one border for texts on their way out: what would act on a terminal, or hide, is spelled \u{202e}.

A text from a record, a driver, a file or its name is shown and never obeyed: an escape sequence moves no cursor, a
right-to-left override lets no mark read as another one, and what has no ink is seen. Spelled are control characters
(C0, DEL, C1), format characters (bidirectional controls, zero-width ones, soft hyphen, byte order mark, tags), line
and paragraph separators, blanks other than the space, surrogates (bytes of a file name that are not UTF-8), private
and unassigned ones; beside these categories the few of BLANK and variation selectors, but for one right behind a
symbol that it turns into an emoji. Letters stay letters, whatever their direction. Pure.

Source: UAX #9 (the explicit formatting characters), UTS #39 and UTR #36 (invisible and look-alike characters),
DerivedCoreProperties.txt Default_Ignorable_Code_Point (the set of BLANK, held against the published ranges by a test);
categories from unicodedata, by str.isprintable.
"""

from __future__ import annotations

import re
import unicodedata

# Printable by their category, and nothing to be seen: combining grapheme joiner, Hangul fillers, Khmer inherent vowels,
# Mongolian selectors, braille without dots, the musical null notehead.
BLANK = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u2800\u3164\uffa0\U0001d159")
SELECTORS = frozenset(map(chr, (*range(0xFE00, 0xFE10), *range(0xE0100, 0xE01F0))))
PRESENTATION = frozenset("\ufe0e\ufe0f")  # text or emoji

PLAIN = re.compile(rb"[ -~]*")


def hidden(c: str, before: str = "") -> bool:
    """Whether a character acts or hides; `before` is the one that it follows."""
    if c in SELECTORS:
        return not (c in PRESENTATION and before != "" and unicodedata.category(before) == "So")
    return not c.isprintable() or c in BLANK


def visible(text: str) -> str:
    r"""The text as one line that shows all of it: \u{1b}[2J. Twice is as once."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(rf"\u{{{ord(c):x}}}" if hidden(c, before) else c for before, c in zip(" " + text, text))  # noqa: B905


def visible_json(line: bytes) -> bytes:
    r"""A line of JSON that says the same, with JSON's own escapes (\u202e) for what is hidden.

    Takes   UTF-8 of one JSON value; a byte that is none is given as the low surrogate that Python has for it.
    Source  RFC 8259, section 7; between the tokens a control is a blank.
    """
    if PLAIN.fullmatch(line):
        return line
    text = line.decode("utf-8", "surrogateescape")
    out = []
    for before, c in zip(" " + text, text):  # noqa: B905
        if not hidden(c, before):
            out.append(c)
        elif c < " ":
            out.append(" ")
        else:
            units = c.encode("utf-16-be", "surrogatepass")
            out += (rf"\u{units[i : i + 2].hex()}" for i in range(0, len(units), 2))
    return "".join(out).encode()
