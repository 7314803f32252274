"""What a scanner sends, cut into scans: (bytes, time) in, marks out. Pure.

A scan ends with the suffix and, where a prefix is configured, begins with it; both are taken off. Line ends around it
are passed over, so a reader that sends CR LF may be configured with CR. Nothing but printable text becomes a mark: a
scan with anything else in it is refused whole, since a mark with a character left out is another board's mark.

Invariant: never more than LONGEST bytes and the two ends are held; each scan gives one Scan or one Unread, an empty one
neither. However the bytes are cut, the same scans come out.
"""

from __future__ import annotations

import msgspec

LONGEST = 256  # bytes of text in UTF-8; a mark has 80 characters at most
QUIET_S = 1.0  # the slowest line (1200 baud) brings a character in 10 ms; a radio link may stutter
LINE_ENDS = b"\r\n"


class Scan(msgspec.Struct, frozen=True):
    """A whole scan's text, as it was read: case and blanks are kept."""

    text: str


class Unread(msgspec.Struct, frozen=True):
    """Something came from the scanner that is no mark, and why."""

    why: str


class Scans:
    """One scanner's bytes. Call `feed` when some came and `passed` when time went by."""

    def __init__(self, prefix: str, suffix: str) -> None:
        """Takes a suffix of at least one character. A new one begins with nothing held."""
        self._prefix = prefix
        self._suffix = suffix.encode()
        self._limit = LONGEST + len(prefix.encode()) + len(LINE_ENDS)
        self._held = b""
        self._overlong = False  # the scan that is held was refused already; what is left of it is passed over
        self._came = float("-inf")

    def feed(self, data: bytes, t: float) -> list[Scan | Unread]:
        """These bytes came at monotonic second t."""
        out = self.passed(t)
        if not data:
            return out
        self._came = t
        self._held += data
        while (end := self._held.find(self._suffix)) >= 0:
            raw, self._held = self._held[:end], self._held[end + len(self._suffix) :]
            if self._overlong:
                self._overlong = False
            elif len(raw) > self._limit:
                out.append(_too_long())
            else:
                out += self._whole(raw)
        overlap = len(self._suffix) - 1  # what may be the suffix's beginning
        if len(self._held) > self._limit + overlap:
            if not self._overlong:
                out.append(_too_long())
            self._overlong = True
        if self._overlong:
            self._held = self._held[len(self._held) - min(overlap, len(self._held)) :]
        return out

    def passed(self, t: float) -> list[Scan | Unread]:
        """Time went by: a scan that fell silent without its suffix is dropped."""
        if t - self._came < QUIET_S or not (self._held or self._overlong):
            return []
        broken = self._held.strip(LINE_ENDS) and not self._overlong
        self._held, self._overlong = b"", False
        if not broken:
            return []
        suffix = self._suffix.decode()
        return [Unread(f"a scan broke off without its end {suffix!r}: scan again, or correct the scanner's suffix")]

    def _whole(self, raw: bytes) -> list[Scan | Unread]:
        raw = raw.strip(LINE_ENDS)
        if not raw:
            return []
        try:
            text = raw.decode()
        except UnicodeDecodeError as error:
            return [_no_text(raw[error.start])]
        if not text.startswith(self._prefix):
            return [Unread(f"a scan does not begin with the prefix {self._prefix!r}: {_shown(text)}")]
        text = text[len(self._prefix) :]
        if len(text.encode()) > LONGEST:  # what was held has room for line ends that did not come
            return [_too_long()]
        wrong = next((c for c in text if not c.isprintable()), None)
        if wrong is not None:
            return [_no_text(ord(wrong))]
        return [Scan(text)] if text.strip() else [Unread("a scan held no text")]


def _too_long() -> Unread:
    return Unread(f"a scan is longer than {LONGEST} bytes: that is no board's mark")


def _no_text(code: int) -> Unread:
    return Unread(
        f"a scan holds what is no text (hex {code:02X}): set the scanner to send printable text alone, "
        "in UTF-8 or as a US keyboard"
    )


def _shown(text: str) -> str:
    """The beginning of a scan for a message; nothing in it can move a terminal's cursor."""
    return repr("".join(c if c.isprintable() else "?" for c in text[:40]))
