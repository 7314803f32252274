"""What the service told, folded into one view: (view, message, time) in, view out. Pure; the panes only read it.

Times are monotonic seconds of the screen's own clock, taken when a message arrived. Invariant: nothing that is not
live is shown as live - a reading older than STALE_S has no number, and without the service there is no reading at all.
"""

from __future__ import annotations

from typing import Any

import msgspec

STALE_S = 3.0  # as the service: older is not "what the meter shows now"
TRACE = 400  # samples of an injection that are kept for its plot; ten come in a second
Message = dict[str, Any]


class Shown(msgspec.Struct, frozen=True, kw_only=True):
    """The latest reading of an instrument's main display, as told, and when it came."""

    message: Message
    t: float
    touched_t: float | None = None  # when it was last in contact


class Sample(msgspec.Struct, frozen=True):
    """One look at an injection; ohms None when nothing flows."""

    volts: float
    amperes: float
    ohms: float | None
    watts: float


class Told(msgspec.Struct, frozen=True):
    """An effect: what the ears got, to be read. `n` counts them, so that the same word twice is seen twice."""

    n: int
    sound: str
    text: str
    t: float


class View(msgspec.Struct, frozen=True, kw_only=True):
    """All that the screen shows.

    why       why there is no service, while there is none
    feeding   the latest look at an injection that is under way; None when none is
    ordered   an injection was asked for and has not been told of yet: it may be on at any moment
    cleared   the short cleared during this injection, or the last one on this board
    ended     how the last injection ended
    """

    why: str | None = "looking for the service"
    state: Message = {}
    shown: dict[str, Shown] = {}
    told: Told | None = None
    feeding: Message | None = None
    ordered: bool = False
    trace: tuple[Sample, ...] = ()
    cleared: str | None = None
    ended: Message | None = None

    @property
    def attached(self) -> bool:
        """The service is there, and said how the bench stands."""
        return self.why is None

    @property
    def injecting(self) -> bool:
        """A supply's output is on, or may be on at any moment: every key means off."""
        return self.ordered or self.feeding is not None or bool(self.state.get("injecting"))

    @property
    def context(self) -> Message:
        """Job, board, point, stage, powered."""
        return self.state.get("context") or {}

    def meter(self, t: float) -> tuple[str, Shown] | None:
        """The meter that is meant: in contact before others, on the point's function before others, touched last."""
        point = self.state.get("point") or {}
        fresh = {n: s for n, s in self.shown.items() if t - s.t <= STALE_S}
        if not fresh:
            return None

        def rank(name: str) -> tuple[bool, bool, float, str]:
            m = fresh[name].message
            wanted = bool(point) and m["function"] == point["function"]
            return bool(m["contact"]), wanted, fresh[name].touched_t or 0.0, name

        best = max(sorted(fresh), key=rank)
        return best, fresh[best]


def lost(view: View, why: str) -> View:
    """The service is not there: nothing of what it told is live any more; an alarm stays in sight."""
    state = {"alarm": view.state["alarm"]} if view.state.get("alarm") else {}
    return View(why=why, state=state, told=view.told, ended=view.ended)


def ordered(view: View, yes: bool) -> View:
    """An injection is being asked for, or the asking was refused."""
    return msgspec.structs.replace(view, ordered=yes, **({"trace": (), "cleared": None, "ended": None} if yes else {}))


def read(view: View) -> View:
    """Whoever looks has read how the last injection ended; the keeps may be shown again."""
    return view if view.injecting else msgspec.structs.replace(view, trace=(), cleared=None, ended=None)


def take(view: View, message: Message, t: float) -> View:
    """One message of the service. Messages and fields that this version does not know are passed over."""
    change: Message = {}
    match message:
        case {"event": "state"}:
            change = _state(view, message)
        case {"event": "status"}:  # asked for now and then: health and alarms that no change told
            change = {"state": {**view.state, **{k: message[k] for k in STATUS if k in message}}}
            change["state"]["failing"] = message.get("journal", {}).get("failing")
        case {"event": "reading", "channel": None, "instrument": str(name)}:
            if "setting" not in message["flags"]:
                change = {"shown": {**view.shown, name: _shown(view.shown.get(name), message, t)}}
        case {"event": "reading", "channel": str(channel), "instrument": str(name)}:
            change = {"state": {**view.state, "supplies": _supply(view, message, f"{name}/{channel}")}}
        case {"event": "effect", "sound": str(sound), "text": str(text)}:
            change = {"told": Told(view.told.n + 1 if view.told else 1, sound, text, t)}
            if sound == "short-cleared":
                change["cleared"] = text
        case {"event": "record", "record": {"kind": "supply", "event": "on"}}:
            change = {"state": {**view.state, "injecting": True}, "trace": (), "cleared": None, "ended": None}
        case {"event": "record", "record": {"kind": "supply", "event": "off" | "refused"}}:
            change = {"state": {**view.state, "injecting": False}}
        case {"event": "record", "record": {"kind": "kept"}} if not view.injecting:
            change = {"trace": (), "cleared": None, "ended": None}
        case {"event": "injection", "state": "on"}:
            sample = Sample(message["volts"], message["amperes"], message["ohms"], message["watts"])
            change = {"feeding": message, "ordered": False, "trace": (*view.trace[1 - TRACE :], sample), "ended": None}
        case {"event": "injection", "state": "ended"}:
            change = {"feeding": None, "ordered": False, "ended": message}
            change["state"] = {**view.state, "injecting": False}
            if not message["off"]:
                change["state"]["alarm"] = f"{message['instrument']}: OFF COULD NOT BE CONFIRMED: switch it off by hand"
        case _:
            pass
    return msgspec.structs.replace(view, **change) if change else view


STATUS = ("instruments", "supplies", "alarm")


def _state(view: View, message: Message) -> Message:
    change: Message = {"state": message, "why": None}
    if (message.get("context") or {}).get("board") != view.context.get("board"):
        change |= {"cleared": None, "ended": None, "trace": ()}
    return change


def _shown(before: Shown | None, message: Message, t: float) -> Shown:
    touched = t if message["contact"] else before.touched_t if before else None
    return Shown(message=message, t=t, touched_t=touched)


def _supply(view: View, message: Message, key: str) -> Message:
    supplies = view.state.get("supplies") or {}
    setting = "setting" in message["flags"]
    one = {**supplies.get(key, {}), f"{'set ' if setting else ''}{message['function']}": message["value"]}
    return {**supplies, key: one if setting else {**one, "flags": message["flags"]}}
