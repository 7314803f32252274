"""Boot keyboard reports as the characters of a US keyboard, for a scanner that types. Pure.

Source: USB HID Usage Tables 1.12, section 10, Keyboard/Keypad page (07): each usage's two characters, as the US layout
prints them on the key (from memory; agrees with the US layout of the library adafruit-circuitpython-hid 6.1.10).
Reports: USB Device Class Definition for HID 1.11, appendices B.1 and C.
"""

from __future__ import annotations

from meterlink.inputs.reports import ROLL_OVER

NO_TEXT = "\0"  # stands for a key or report that is no character: no scan with it is taken
SHIFT = 0x22  # LeftShift, RightShift
OTHER_MODIFIERS = 0xDD  # Ctrl, Alt, GUI on both sides: with them a key is a command, or a digit of a character's code

PLAIN = {
    **{0x04 + i: c for i, c in enumerate("abcdefghijklmnopqrstuvwxyz1234567890")},
    **{0x28: "\r", 0x2B: "\t", 0x2C: " "},
    **{0x2D + i: c for i, c in enumerate("-=[]\\")},
    **{0x33 + i: c for i, c in enumerate(";'`,./")},
    **{0x54 + i: c for i, c in enumerate("/*-+\r1234567890.")},  # the keypad, as with Num Lock
}
SHIFTED = {
    **PLAIN,
    **{0x04 + i: c for i, c in enumerate("ABCDEFGHIJKLMNOPQRSTUVWXYZ!@#$%^&*()")},
    **{0x2D + i: c for i, c in enumerate("_+{}|")},
    **{0x33 + i: c for i, c in enumerate(':"~<>?')},
}
TYPEABLE = frozenset(PLAIN.values()) | frozenset(SHIFTED.values())


class Typing:
    """The characters of one keyboard's reports, in the order of the reports and of the keys in each."""

    def __init__(self) -> None:
        self._down: frozenset[int] = frozenset()

    def report(self, data: bytes) -> str:
        """Take one input report; gives the characters of the keys that it presses.

        Gives   NO_TEXT for a key without a character, for a key with Ctrl, Alt or GUI, and for a report that tells
                nothing of its keys (roll-over, or not 8 bytes): a character may be missing there.
        """
        if len(data) != 8 or data[2:] == ROLL_OVER:
            return NO_TEXT
        keys = [u for u in data[2:] if u > 3]
        pressed = dict.fromkeys(u for u in keys if u not in self._down)
        self._down = frozenset(keys)
        if pressed and data[0] & OTHER_MODIFIERS:
            return NO_TEXT
        table = SHIFTED if data[0] & SHIFT else PLAIN
        return "".join(table.get(u, NO_TEXT) for u in pressed)
