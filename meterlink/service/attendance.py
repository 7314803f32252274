"""Which instruments are there, in words: what came is said, what is missing is made heard with its cause. Pure."""

from __future__ import annotations

from meterlink.service.supervisor import Changed


class Attendance:
    """The instruments of one bench; the loop says of each change what this gives.

    Invariant: a loss is told once however often opening is tried again, and so is the return.
    """

    def __init__(self) -> None:
        self._last: dict[str, str] = {}

    def changed(self, item: Changed, what: str) -> tuple[str, bool] | None:
        """A line for a person, and whether it must be heard too; None for what was told already.

        Takes   `what` the instrument is: its model and port.
        """
        before = self._last.get(item.instrument)
        self._last[item.instrument] = item.event
        match item.event:
            case "found":
                word = "found" if before is None else "is back"
                return f"{item.instrument} {word}: {what}", before is not None
            case "silent":
                return f"{item.instrument} is silent: {item.why}", True
            case _:
                if before == "lost":
                    return None
                return f"{item.instrument} is {'missing' if before is None else 'lost'}: {item.why}", True

    def heard(self, instrument: str) -> str | None:
        """A line where readings come again after a silence."""
        if self._last.get(instrument) != "silent":
            return None
        self._last[instrument] = "found"
        return f"{instrument} is heard again"
