"""Requests as a person types them: the words of the command for each."""

from __future__ import annotations

from pathlib import Path
from typing import Any


def words(do: str, f: dict[str, Any], root: Path) -> list[str]:
    """The command's words, without --dir."""
    options = {
        "board receive": ("job", "by"),
        "board take": ("job", "by"),
        "board state": ("text", "board", "job", "by"),
        "find": ("board", "job", "by"),
        "job open": ("expected", "sheet", "by"),
        "job close": ("by",),
        "job note": ("job", "by"),
        "undo": ("by",),
        "leave out": ("by",),
        "move": ("point", "board", "by"),
        "void": ("why", "by"),
    }.get(do, ())
    given = [x for name in options if f.get(name) is not None for x in (f"--{name}", str(f[name]))]
    match do:
        case "board receive":
            head = ["board", "receive", f["board"]]
        case "board take":
            head = ["board", "take", f["board"], *(["--count-in"] if f.get("count_in") else [])]
        case "board state":
            head = ["board", "state", f["state"]]
        case "find" if f["what"] == "found":
            head = ["board", "found", "--part", f["part"]]
        case "find":
            head = ["board", "done", f["what"], f["part"]]
        case "job open" | "job close":
            head = [*do.split(), *([f["job"]] if f.get("job") else [])]
        case "job note":
            head = ["job", "note", f["text"]]
        case "leave out":
            head = ["leave-out", *(f.get("points") or [])]
        case "move" | "void":
            head = [do, *([str(f["of"])] if f.get("of") is not None else [])]
        case "who":
            head = ["who", f["name"]]
        case "point" | "stage":
            head = [do, f[do]]
        case "power":
            head = ["power", *([] if f.get("on") is None else ["on" if f["on"] else "off"])]
        case _:
            head = [do]
    return [*head, *given]
