"""docs/commands.md, generated from the command line itself: python -m meterlink.cli.reference > docs/commands.md."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import typer

from meterlink.cli.main import application
from meterlink.cli.output import block

# What a command may end with beside 0 and 2; tests/docs runs each without a service and looks at 3.
ASKS = (3, 4)  # the service, which may refuse
LINK = (3,)  # a port that may be gone
CHECK = (1,)
EXITS: dict[str, tuple[int, ...]] = {
    **dict.fromkeys(("status", "supply show"), (3,)),
    **dict.fromkeys(
        ("keep", "back", "next", "undo", "leave-out", "move", "who", "point", "stage", "power", "void"), ASKS
    ),
    **dict.fromkeys(("job open", "job close", "job note", "board receive", "board take"), ASKS),
    **dict.fromkeys(("board state", "board found", "board done"), ASKS),
    **dict.fromkeys(("supply inject", "supply off"), (1, *ASKS)),
    "demo": (1, *ASKS),
    "run": (1, 4),
    "doctor": CHECK,
    "journal verify": CHECK,
    "journal seal": ASKS,
    "driver check": CHECK,
    "driver record": LINK,
    "ports": LINK,
    "pedal": LINK,
    "scanner": LINK,
}

HEAD = """# The commands

<!-- generated: python -m meterlink.cli.reference > docs/commands.md -->

| exit code | it means |
|---|---|
| 0 | done |
| 1 | a check found something wrong, a line is no record; of `supply` and `run`: an output could not be confirmed off |
| 2 | wrong usage or bad input: one line says what, where and what to do |
| 3 | the service, or the instrument's port, cannot be reached |
| 4 | refused: a safety limit, a full disk, a lock, or nothing to keep |
| 130 | ended with Ctrl-C |

Every command has `--help`. `--dir DIR` names the bench's folder; without it the user's own is taken
([operator.md](operator.md)). `--json` prints one JSON object per line and nothing else on standard output; messages
go to standard error. `NO_COLOR` is respected. The two options are left out below, and so are 0 and 2, which every
command may end with.
"""


USAGE = """## Usage

What may be left out stands in brackets; below it an example.
"""
OWN = ("dir_", "json", "help")  # options of every command


def commands(group: Any = None, path: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """Each command of the command line with its full name, in the order of --help."""
    group = group or typer.main.get_command(application())
    for name, one in group.commands.items():
        if hasattr(one, "commands"):
            yield from commands(one, (*path, name))
        else:
            yield " ".join((*path, name)), one


def usage(command: Any) -> str:
    """Its arguments and options, as one types them; what may be left out stands in brackets."""
    words = []
    for p in command.params:
        if p.name in OWN:
            continue
        name = p.metavar or p.name.rstrip("_").upper()
        if p.param_type_name == "argument":
            word = name.strip("[]").removesuffix("...").removesuffix("]") + ("..." if p.nargs == -1 else "")
        else:
            word = max(p.opts, key=len) + ("" if p.is_flag else f" {name}")
        words.append(word if p.required else f"[{word}]")
    return " ".join(words)


def page() -> str:
    """The whole document."""
    rows, details = ["| command | what it does | also ends with |", "|---|---|---|"], []
    for name, command in commands():
        text, _, example = (command.help or "").partition("Example:")
        codes = ", ".join(map(str, EXITS.get(name, ())))
        rows.append(f"| `{name}` | {' '.join(text.split())} | {codes} |")
        how = f"meterlink {name} {usage(command)}".rstrip()
        lines = [how]
        for p in command.params:
            if p.param_type_name == "option" and p.help and p.name not in OWN:
                lines.append(f"    {max(p.opts, key=len):<18} {' '.join(p.help.split())}")
        details += [*(f"    {line}" for line in lines), ""]
        if example.strip() not in ("", how):
            details += ["```sh", example.strip(), "```", ""]
    return "\n".join([HEAD, *rows, "", USAGE, *details]).rstrip() + "\n"


if __name__ == "__main__":
    block(page())
