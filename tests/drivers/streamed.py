"""What a streaming driver's own tests share: a stream cut anywhere, its account, and its recordings."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise

from hypothesis import strategies as st

from meterlink import registry
from meterlink.driver import Framer, Reading
from meterlink.testing import check_driver


def run(make: Callable[[], Framer], stream: bytes, cuts: Iterable[int] = ()) -> list[Reading]:
    """The readings of a stream cut at these places; every byte is in a frame, skipped or held."""
    driver = make()
    out: list[Reading] = []
    for a, b in pairwise(sorted({0, len(stream), *(c for c in cuts if c < len(stream))})):
        out += driver.feed(stream[a:b])
        assert driver.taken + driver.skipped + len(driver.held) == b
    return out


def streams(shaped: st.SearchStrategy[bytes]) -> st.SearchStrategy[bytes]:
    """Frames of this shape and noise, joined."""
    return st.lists(shaped | st.binary(max_size=12), max_size=8).map(b"".join)


CUTS = st.sets(st.integers(1, 200), max_size=20)


def flat(readings: Iterable[Reading]) -> list[tuple[object, ...]]:
    """What the tables of worked frames list."""
    return [
        (r.function, r.coupling, None if r.value is None else str(r.value), r.unit, r.state, *r.flags) for r in readings
    ]


def passes(name: str) -> None:
    """Every check of the kit: the recordings, the round trip, cuts, noise, damage, time."""
    results = check_driver(registry.find(name), 300)
    assert not [f"{r.name}: {r.detail}" for r in results if r.ok is False]
