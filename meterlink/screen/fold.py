"""What the service told, folded into one view: (view, message, time) in, view out. Pure; the panes only read it.

Times are monotonic seconds of the screen's own clock, taken when a message arrived. Invariant: nothing that is not
live is shown as live - a reading older than STALE_S has no number, and without the service there is no reading at all.
"""

from __future__ import annotations

from typing import Any

import msgspec

from meterlink.visible import visible

STALE_S = 3.0  # as the service: older is not "what the meter shows now"
LATELY = 12  # effects that can still be read
TRACE = 400  # samples of an injection that are kept for its plot; ten come in a second
Message = dict[str, Any]


class Shown(msgspec.Struct, frozen=True, kw_only=True):
    """The latest reading of an instrument's main display, as told, and when it came."""

    message: Message
    t: float


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
    meant     the instrument that a tap keeps, as the service says; None where none is, or nobody said
    lately    the last effects, the newest at the end
    people    who was at the bench while this screen was open, and is now
    feeding   the latest look at an injection that is under way; None when none is
    ordered   an injection was asked for and has not been told of yet: it may be on at any moment
    cleared   the short cleared during this injection, or the last one on this board
    ended     how the last injection ended
    """

    why: str | None = "looking for the service"
    state: Message = {}
    shown: dict[str, Shown] = {}
    meant: str | None = None
    lately: tuple[Told, ...] = ()
    people: tuple[str, ...] = ()
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

    @property
    def told(self) -> Told | None:
        """The last effect."""
        return self.lately[-1] if self.lately else None

    @property
    def operator(self) -> str | None:
        """Who is at the bench."""
        return self.state.get("operator") or self.context.get("operator")

    def meter(self, t: float) -> tuple[str, Shown] | None:
        """The meter that a tap keeps, if it is heard. There is one ranking of the meters, the service's."""
        shown = self.shown.get(self.meant) if self.meant else None
        return (self.meant, shown) if self.meant and shown and t - shown.t <= STALE_S else None

    @property
    def passed_over(self) -> list[str]:
        """Points before the present one that are still to be measured; at the end of the sheet all that are. After a
        repair the bench leads back and forth, and nothing counts as passed over."""
        points, pending = self.state.get("points") or [], self.state.get("pending") or []
        if self.context.get("stage") == "after" and self.context.get("point") is not None:
            return []
        now = self.context.get("point")
        at = len(points) if now is None else points.index(now) if now in points else 0
        return [p for p in pending if p in points[:at]]


FED_AND_GONE = "the service is gone while a rail was fed: look at the supply, switch it off by hand"


def lost(view: View, why: str) -> View:
    """The service is not there: nothing of what it told is live any more; an alarm stays in sight, and that a rail was
    fed is one, until a service is back."""
    alarm = view.state.get("alarm") or (FED_AND_GONE if view.injecting else None)
    state = {"alarm": alarm} if alarm else {}
    return View(why=why, state=state, lately=view.lately, people=view.people, ended=view.ended)


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
            change["meant"] = message.get("meant", view.meant)
            if "journal" in message:
                change["state"]["failing"] = message["journal"].get("failing")
        case {"event": "reading", "channel": None, "instrument": str(name)}:
            if "setting" not in message["flags"]:
                change = {"shown": {**view.shown, name: Shown(message=message, t=t)}}
            change["meant"] = message.get("meant", view.meant)
        case {"event": "reading", "channel": str(channel), "instrument": str(name)}:
            change = {"state": {**view.state, "supplies": _supply(view, message, f"{name}/{channel}")}}
        case {"event": "effect", "sound": str(sound), "text": str(text)}:
            told = Told(view.told.n + 1 if view.told else 1, sound, text, t)
            change = {"lately": (*view.lately[1 - LATELY :], told)}
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


def printable(view: View) -> View:
    """The view as it is painted: what is hidden in its texts is spelled out. Requests are made from the other one."""
    replace = msgspec.structs.replace
    return replace(
        view,
        why=_printable(view.why),
        state=_printable(view.state),
        shown={visible(k): replace(v, message=_printable(v.message)) for k, v in view.shown.items()},
        meant=_printable(view.meant),
        lately=tuple(replace(one, sound=visible(one.sound), text=visible(one.text)) for one in view.lately),
        people=_printable(view.people),
        feeding=_printable(view.feeding),
        cleared=_printable(view.cleared),
        ended=_printable(view.ended),
    )


def _printable(part: Any) -> Any:
    match part:
        case str():
            return visible(part)
        case dict():
            return {_printable(k): _printable(v) for k, v in part.items()}
        case list() | tuple():
            return type(part)(map(_printable, part))
        case _:
            return part


STATUS = ("instruments", "supplies", "alarm", "inputs", "sound")


def _state(view: View, message: Message) -> Message:
    change: Message = {"state": message, "why": None, "meant": message.get("meant", view.meant)}
    who = message.get("operator") or (message.get("context") or {}).get("operator")
    if who and who not in view.people:
        change["people"] = (*view.people, who)
    if (message.get("context") or {}).get("board") != view.context.get("board"):
        change |= {"cleared": None, "ended": None, "trace": ()}
    return change


def _supply(view: View, message: Message, key: str) -> Message:
    supplies = view.state.get("supplies") or {}
    setting = "setting" in message["flags"]
    one = {**supplies.get(key, {}), f"{'set ' if setting else ''}{message['function']}": message["value"]}
    return {**supplies, key: one if setting else {**one, "flags": message["flags"]}}
