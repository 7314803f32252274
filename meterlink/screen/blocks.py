"""Letters made of block characters, read from across the bench, and small plots. Pure text in, lines of text out.

A letter is 5 pixels high and 1 to 5 wide; a pixel is `wide` columns by `tall` half rows (a terminal's cell is about
twice as high as wide, so a half row is as high as a column is wide). How large is enough: ISO 9241-303 wants 20 to
22 minutes of arc (from memory: check against the standard), at two metres 12 to 13 mm; five rows are far larger.
"""

from __future__ import annotations

from collections.abc import Sequence

HIGH = 5
FONT: dict[str, str] = {  # rows from the top, each pixel # or .
    " ": "..|..|..|..|..",
    "\u2007": "..|..|..|..|..",
    "0": "###|#.#|#.#|#.#|###",
    "1": ".#|##|.#|.#|.#",
    "2": "###|..#|###|#..|###",
    "3": "###|..#|###|..#|###",
    "4": "#.#|#.#|###|..#|..#",
    "5": "###|#..|###|..#|###",
    "6": "###|#..|###|#.#|###",
    "7": "###|..#|..#|..#|..#",
    "8": "###|#.#|###|#.#|###",
    "9": "###|#.#|###|..#|###",
    ".": ".|.|.|.|#",
    ",": ".|.|.|#|#",
    ":": ".|#|.|#|.",
    "-": "..|..|##|..|..",
    "+": "...|.#.|###|.#.|...",
    "/": "..#|..#|.#.|#..|#..",
    "_": "...|...|...|...|###",
    "%": "#.#|..#|.#.|#..|#.#",
    "?": "###|..#|.##|...|.#.",
    "!": "#|#|#|.|#",
    "°": "##|##|..|..|..",
    "Ω": ".###.|#...#|#...#|.#.#.|##.##",
    "µ": "#.#|#.#|###|#..|#..",
    "A": ".#.|#.#|###|#.#|#.#",
    "B": "##.|#.#|##.|#.#|##.",
    "C": "###|#..|#..|#..|###",
    "D": "##.|#.#|#.#|#.#|##.",
    "E": "###|#..|##.|#..|###",
    "F": "###|#..|##.|#..|#..",
    "G": "####|#...|#.##|#..#|####",
    "H": "#.#|#.#|###|#.#|#.#",
    "I": "#|#|#|#|#",
    "J": "..#|..#|..#|#.#|###",
    "K": "#.#|#.#|##.|#.#|#.#",
    "L": "#..|#..|#..|#..|###",
    "M": "#...#|##.##|#.#.#|#...#|#...#",
    "N": "#..#|##.#|#.##|#..#|#..#",
    "O": "###|#.#|#.#|#.#|###",
    "P": "###|#.#|###|#..|#..",
    "Q": "####|#..#|#..#|#.##|####",
    "R": "##.|#.#|##.|#.#|#.#",
    "S": "###|#..|###|..#|###",
    "T": "###|.#.|.#.|.#.|.#.",
    "U": "#.#|#.#|#.#|#.#|###",
    "V": "#.#|#.#|#.#|#.#|.#.",
    "W": "#...#|#...#|#.#.#|##.##|#...#",
    "X": "#.#|#.#|.#.|#.#|#.#",
    "Y": "#.#|#.#|.#.|.#.|.#.",
    "Z": "###|..#|.#.|#..|###",
    "k": "#..|#..|#.#|##.|#.#",
    "m": ".....|.....|##.#.|#.#.#|#.#.#",
    "n": "...|...|##.|#.#|#.#",
    "p": "...|##.|#.#|##.|#..",
    "z": "...|...|###|.#.|###",
    "s": "...|.##|##.|.##|##.",
    "d": "..#|..#|###|#.#|###",
}
FULL, UPPER, LOWER = "█", "▀", "▄"
EIGHTHS = " ▁▂▃▄▅▆▇█"


def known(text: str) -> bool:
    """Whether every letter can be drawn, capitals standing in for small ones."""
    return all(c in FONT or c.upper() in FONT for c in text)


def width(text: str, wide: int) -> int:
    """Columns that the text takes at this size."""
    return max(0, sum(_pixels(c) * wide + _gap(wide) for c in text) - _gap(wide))


def height(tall: int) -> int:
    """Rows that a line takes at this size."""
    return -(-HIGH * tall // 2)


def lines(text: str, wide: int, tall: int) -> list[str]:
    """The text in block characters: `height(tall)` lines of equal width. A letter that is not known is a "?"."""
    dots = ["".join(_row(c, y, wide) for c in text)[: width(text, wide)] for y in range(HIGH) for _ in range(tall)]
    if len(dots) % 2:
        dots.append("." * width(text, wide))
    return [_join(a, b) for a, b in zip(dots[::2], dots[1::2], strict=True)]


def _glyph(c: str) -> list[str]:
    return FONT.get(c, FONT.get(c.upper(), FONT["?"])).split("|")


def _pixels(c: str) -> int:
    return len(_glyph(c)[0])


def _gap(wide: int) -> int:
    return max(1, wide)


def _row(c: str, y: int, wide: int) -> str:
    return "".join(p * wide for p in _glyph(c)[y]) + "." * _gap(wide)


def _join(upper: str, lower: str) -> str:
    pairs = {"##": FULL, "#.": UPPER, ".#": LOWER, "..": " "}
    return "".join(pairs[a + b] for a, b in zip(upper, lower, strict=True))


def plot(values: Sequence[float | None], columns: int, rows: int, top: float) -> list[str]:
    """The latest values as bars, one a column, from 0 to `top`, as `rows` lines; a gap where there is no value.

    A common scale from zero: half the current is half the bar, and noise stays small.
    """
    bars = []
    for v in values[-columns:] if columns > 0 else ():
        part = 0.0 if v is None or top <= 0 else min(1.0, max(0.0, v / top))
        eighths = 0 if v is None else max(1, round(part * (8 * rows - 1)))  # less one: a gap to the plot above
        bars.append([EIGHTHS[min(8, max(0, eighths - 8 * row))] for row in range(rows)])
    return ["".join(b[row] for b in bars).rjust(columns) for row in reversed(range(rows))]


def bar(part: float, columns: int) -> str:
    """A share from 0 to 1 as a filled bar."""
    done = round(min(1.0, max(0.0, part)) * columns)
    return "▀" * done + "·" * (columns - done)
