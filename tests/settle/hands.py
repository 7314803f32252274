"""A technician's hands at a modelled meter: touches of every kind, the display's readings, and the truth beside them.

Nothing here knows of Settle.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

import msgspec

from meterlink.reading import Reading
from meterlink.virtual.probe import Between, Node, Probe

MOST_FARAD = 0.01  # the largest capacitor that a rail of such a board has: it bounds the time constant R C

KINDS = (
    "steady",  # one range, noise alone
    "repeats",  # the meter sends a third of its readings twice
    "skips",  # a tenth of the readings is lost
    "bounce",  # value, overload, value on landing
    "slide",  # to the next pin without lifting
    "charge",  # from nothing, time constant 0.1 to 2 s
    "autorange",  # overload or a stale value on the way
    "charge-range",  # a charge-up through the ranges
    "hold",  # the HOLD key is pressed in the middle, and mostly released
    "voltage",  # leaves and returns to a wandering floor
    "zero-volts",  # not to be told from air: the pedal's
    "open",  # an overload is the answer: the pedal's
    "brief",  # lifted about when it settles
    "mixed",  # all of it at once
)
MIXED = ("mixed", "untold")
TEXTS: dict[str, Callable[[str, int], str | None]] = {  # how a meter's driver writes the display, and its n-th reading
    "unit": lambda text, n: text,
    "no unit": lambda text, n: text.split(" ")[0],
    "no blank": lambda text, n: text.replace(" ", ""),
    "another each time": lambda text, n: f"{text} #{n}",
    "none": lambda text, n: None,
}
BESIDE = (
    "recharge",  # a charge-up of which only the end is seen: up to 95 % was left from an earlier touch
    "untold",  # mixed, and the driver tells no resolution
    "late",  # charge, on a machine so busy that one reading in twenty is fetched late, and with it all that waited
)


class Stay(msgspec.Struct):
    """One node under the probes, from a moment to a moment."""

    begin: float
    end: float
    final: float | None  # None: there is nothing to keep hands-free


class Touch(msgspec.Struct):
    """One contact from landing to lifting, and what became of it."""

    kind: str
    stays: list[Stay]
    held: list[tuple[float, float]]
    due: bool = False  # stood still long enough that it must be kept
    kept: bool = False
    off: bool = False
    count: int | None = None  # readings from the first settled one to the keep
    kept_at: int = 0  # index of the reading with which it was kept
    again: bool = False  # kept again after a slide that showed two overloads and more: a lift, says the display
    moved: int = 0  # told as moved


class Sample(msgspec.Struct):
    """A delivered reading beside the truth at the time it was taken."""

    t: float
    taken: float
    reading: Reading
    live: bool
    truth: float | None
    count: float  # one count of the display, which the reading does not always tell


def meter(kind: str, rng: random.Random) -> tuple[Probe, float, float]:
    """A meter for a session, and the parts of its readings that it repeats and that are lost."""
    volts = kind in ("voltage", "zero-volts") or (kind in ("autorange", "slide", *MIXED) and rng.random() < 0.3)
    ranges = kind in ("autorange", "charge-range", *MIXED)
    function = (
        "voltage"
        if volts
        else "resistance"
        if ranges
        else rng.choice(("diode", "diode", "resistance", "resistance", "continuity"))
    )
    if kind in ("charge", "recharge", "brief") and function == "continuity":
        function = "diode"
    between: tuple[Between, ...] = ("over", "stale", "live")
    probe = Probe(
        rng,
        rate_hz=rng.uniform(2, 10),
        counts=rng.choice((4000, 6000, 22000)),
        function=function,
        noise=rng.choice((1, 2, 3)),
        auto=ranges or (volts and rng.random() < 0.5),
        range_=rng.choice((0, 1)) if volts else rng.randrange(1 if kind in ("charge", "recharge", "brief") else 0, 6),
        leaps=rng.random() < 0.5,
        between=rng.choice(between),
    )
    repeats = 0.33 if kind == "repeats" else rng.choice((0, 0.1)) if kind in MIXED else 0.0
    skips = 0.1 if kind == "skips" else rng.choice((0, 0.05)) if kind in MIXED else 0.0
    return probe, repeats, skips


def value(probe: Probe, rng: random.Random) -> float:
    """A final value that this meter can show."""
    if probe.function == "diode":
        return rng.uniform(0.08, 1.4)
    if probe.function == "continuity":
        return rng.choice((rng.uniform(0, 3), rng.uniform(0, 150)))
    full = probe.full_scale()
    if probe.function == "voltage":
        most = 48.0 if probe.auto else min(48.0, 0.95 * full)
        return (
            rng.choice((1, 1, 1, -1)) * 10 ** rng.uniform(-1.3, 0) * most
            if most < 5
            else (rng.choice((1, 1, 1, -1)) * min(most, 10 ** rng.uniform(-1.3, 1.7)))
        )
    if probe.auto:
        return 10 ** rng.uniform(-0.5, 6.7)
    return full * 10 ** rng.uniform(-2, -0.03)


def node(kind: str, probe: Probe, rng: random.Random) -> Node:
    """What the probe lands on in a touch of this kind."""
    if kind == "zero-volts":
        return Node(shows={"voltage": 0.0})
    if kind == "open":
        return Node(shows={})
    charge = kind in ("charge", "recharge", "charge-range") or (kind == "brief" and rng.random() < 0.5)
    final = value(probe, rng)
    charge_s = rng.uniform(0.1, 2) if charge and probe.function != "voltage" else 0.0
    while probe.function in ("resistance", "continuity") and charge_s > final * MOST_FARAD:
        final = value(probe, rng)
    return Node(
        shows={probe.function: final},
        charge_s=charge_s,
        rest=rng.uniform(0, 0.95) if kind == "recharge" else 0.0,
    )


def act(kind: str, probe: Probe, rng: random.Random, now: float) -> tuple[Touch, list[tuple[float, object]]]:
    """Plan one touch from `now` on: the touch, and what the hands do when."""
    first = node(kind, probe, rng)
    bounce = rng.uniform(0.1, 0.5) if kind == "bounce" else rng.choice((0.0, 0.0, 0.2)) if kind == "mixed" else 0.0
    stand = rng.uniform(-0.3, 0.8) if kind == "brief" else rng.uniform(0.8, 4) + rng.uniform(0, 3) / probe.rate_hz
    lift = now + max(0.1, bounce + 8 * first.charge_s + stand)
    hands: list[tuple[float, object]] = [(now, (first, bounce))]
    touch = Touch(kind=kind, stays=[], held=[])
    places = [(now, first)]
    if kind == "slide" or (kind == "mixed" and rng.random() < 0.15):
        at = now + rng.uniform(0.1, 3)
        second = node(kind, probe, rng)
        hands.append((at, (second, 0.0)))
        places.append((at, second))
        lift = at + rng.uniform(0.8, 4)
    if kind == "hold" or (kind == "mixed" and rng.random() < 0.05):
        on = now + rng.uniform(0.0, 0.6) * (lift - now)
        off = min(on + rng.uniform(0.5, 3), lift + 0.3)
        hands += [(on, True), (off, False)]
        touch.held.append((on, off))
        lift += rng.choice((0.0, off - on))
    hands.append((lift, None))
    for i, (at, place) in enumerate(places):
        end = places[i + 1][0] if i + 1 < len(places) else lift
        final = place.shows.get(probe.function)
        touch.stays.append(Stay(at, end, None if kind in ("zero-volts", "open") else final))
    return touch, sorted(hands, key=lambda h: h[0])


def session(kind: str, seed: str, touches: int, text: str | None = None) -> tuple[list[Touch], list[Sample]]:
    """Touches of one meter in a row, and the readings that came of them.

    text   one of TEXTS: how the display is written; by chance when it is not given.
    """
    rng = random.Random(seed)
    probe, repeats, skips = meter("charge" if kind == "late" else kind, rng)
    now, plan, done = 3.0, [], []
    for _ in range(touches):
        of = rng.choice([k for k in KINDS if k not in MIXED]) if kind in MIXED else "charge" if kind == "late" else kind
        if of == ("open" if probe.function == "voltage" else "zero-volts"):
            of = "mixed"
        touch, hands = act(of, probe, rng, now)
        touch.kind = kind
        done.append(touch)
        plan += hands
        # a hand takes half a second and more to the next point; at 2 readings a second it shows once or twice
        now = hands[-1][0] + max(0.5 + rng.uniform(0, 1.5), 2 / probe.rate_hz)
    write = TEXTS[text or random.Random(f"{seed}/text").choice(list(TEXTS))]
    samples = list(_readings(probe, plan, now, repeats, skips))
    for n, s in enumerate(samples):
        told = None if kind == "untold" else s.reading.resolution
        reading = msgspec.structs.replace(s.reading, display=write(s.reading.display or "", n), resolution=told)
        samples[n] = msgspec.structs.replace(s, reading=reading)
    if kind == "late":
        samples = _fetched_late(samples, rng)
    return done, samples


def _fetched_late(samples: list[Sample], rng: random.Random) -> list[Sample]:
    """The same readings, some of which wait up to 0.8 s for the next look and come with what came meanwhile."""
    until = 0.0
    out = []
    for s in samples:
        if s.t > until and rng.random() < 0.05:
            until = s.t + rng.uniform(0.1, 0.8)
        out.append(msgspec.structs.replace(s, t=max(s.t, until)))
    return out


def _readings(
    probe: Probe, plan: list[tuple[float, object]], end: float, repeats: float, skips: float
) -> Iterator[Sample]:
    rng, hands, t = probe.rng, iter(plan), 0.0
    coming = next(hands, None)
    last: Sample | None = None
    while t < end:
        t += (1 + rng.uniform(-0.03, 0.03)) / probe.rate_hz
        while coming and coming[0] <= t:
            at, what = coming
            if isinstance(what, tuple):
                probe.touch(what[0], at, what[1])
            elif what is None:
                probe.lift(at)
            else:
                probe.hold(bool(what))
            coming = next(hands, None)
        reading = probe.sample(t)
        if last and last.t == last.taken and rng.random() < repeats:
            last = msgspec.structs.replace(last, t=t)
            yield last
            continue
        if rng.random() < skips:
            continue
        last = Sample(t, t, reading, probe.live, probe.truth(t), float(reading.resolution or 0))
        yield last
