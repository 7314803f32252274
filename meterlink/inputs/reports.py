"""Boot keyboard reports as presses and releases. Pure.

Source: USB Device Class Definition for HID 1.11, appendices B.1 and C (8 bytes: modifiers, reserved, six usages;
01 in all six is roll-over and tells nothing of the keys); HID Usage Tables, page 07.
"""

from __future__ import annotations

ROLL_OVER = bytes([1] * 6)
MODIFIERS = range(0xE0, 0xE8)  # usages of the eight modifier bits, LeftCtrl first

USAGES: dict[str, int] = {
    **{chr(ord("a") + i): 0x04 + i for i in range(26)},
    **{c: 0x1E + i for i, c in enumerate("1234567890")},
    "enter": 0x28,
    "escape": 0x29,
    "backspace": 0x2A,
    "tab": 0x2B,
    "space": 0x2C,
    **{f"f{i}": 0x39 + i for i in range(1, 13)},
    "page-up": 0x4B,
    "page-down": 0x4E,
    "right": 0x4F,
    "left": 0x50,
    "down": 0x51,
    "up": 0x52,
    "keypad-enter": 0x58,
    **{f"f{i}": 0x68 + i - 13 for i in range(13, 25)},
    **dict(zip(("left-ctrl", "left-shift", "left-alt", "left-gui"), range(0xE0, 0xE4), strict=True)),
    **dict(zip(("right-ctrl", "right-shift", "right-alt", "right-gui"), range(0xE4, 0xE8), strict=True)),
}
NAMES = {usage: name for name, usage in USAGES.items()}


def name_of(usage: int) -> str:
    """The name of a usage, or its number in hex for one without a name here."""
    return NAMES.get(usage, f"0x{usage:02x}")


class Keys:
    """The keys that are down, after each report."""

    def __init__(self) -> None:
        self.down: frozenset[int] = frozenset()

    def report(self, data: bytes) -> tuple[frozenset[int], frozenset[int]]:
        """Take one input report; gives (pressed, released) usages.

        A report that is not 8 bytes, or that says roll-over, changes nothing.
        """
        if len(data) != 8:
            return frozenset(), frozenset()
        held = {u for i, u in enumerate(MODIFIERS) if data[0] >> i & 1}
        if data[2:] == ROLL_OVER:
            # modifiers are valid even then; of the others nothing is known
            held |= {u for u in self.down if u not in MODIFIERS}
        else:
            held |= {u for u in data[2:] if u > 3}
        now = frozenset(held)
        pressed, released = now - self.down, self.down - now
        self.down = now
        return pressed, released

    def lost(self) -> frozenset[int]:
        """The pedal is gone: gives what was held, and holds nothing."""
        held, self.down = self.down, frozenset()
        return held
