"""What every check works on: one driver, its recordings and its good frames."""

from __future__ import annotations

from functools import cached_property

from meterlink.driver_check.damage import Tally, tally
from meterlink.driver_check.play import Trial, own_recordings, trials
from meterlink.link.recording import Recording
from meterlink.registry import Spec

SEED = 2611


class Failed(Exception):  # noqa: N818 - a check found something wrong; never leaves this package
    """What is wrong, in one line."""


class Tried:
    """One driver (one model of it) with its recordings and good frames."""

    def __init__(self, spec: Spec, n: int) -> None:
        self.spec = spec
        self.n = n
        self.polled = spec.info.poll_s is not None

    @cached_property
    def recordings(self) -> list[Recording]:
        return own_recordings(self.spec)

    @cached_property
    def trials(self) -> list[Trial]:
        return trials(self.spec)

    @cached_property
    def damage(self) -> tuple[Tally, Tally]:
        return tally(self.spec, self.n)
