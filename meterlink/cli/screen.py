"""The live bench screen, with the pedal's actions on keys."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from meterlink.cli.output import Dir
from meterlink.errors import BadInput
from meterlink.folders import bench_folder


def screen(
    light: Annotated[bool, typer.Option("--light", help="Dark letters on light ground; the key l changes it.")] = False,
    flash: Annotated[
        bool, typer.Option("--flash", help="Flash the screen with each sound; the key z changes it.")
    ] = False,
    dir_: Dir = None,
) -> None:
    """The live bench screen. Closing it (q) changes nothing: the bench goes on.

    Example: meterlink screen --light
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise BadInput(
            "the screen needs a terminal; for a script there are: meterlink status, meterlink journal follow"
        )
    from meterlink.screen.app import BenchScreen
    from meterlink.screen.feed import Socket

    BenchScreen(Socket(bench_folder(dir_).socket), light=light, flash=flash).run()
