"""Simulated touches: how good hands-free keeping is, held against the truth.

    python -m tests.touches [--touches N] [--seed S] [--json]

A technician's hands (seeded chance) move the probes of a modelled meter; Settle sees the display alone. The truth is
taken from the model and never from Settle. Prints the table of figures of docs/settling.md with what each must be,
then every kind of touch by itself; exits 1 when a figure is missed.

What the figures mean here:
- live: a reading that is no overload, not stale, not held, not between two ranges, not taken while the probe landed.
  A repeated reading is what it repeats.
- stopped moving: what is still to come is less than one count of the display, for good.
- stands still: after the value stopped moving 4 live readings or more, and 1 s or more before the probe leaves.
- settled: the truth is within max(3 counts, 0.5 %) of where the contact goes, for good. That is earlier than
  stopped moving, so more readings lie before the keep.
- readings to the keep: the first settled one and the one with which it is kept are both counted.
- off: held against the truth's final value, also where the probe left before it got there.
- a keep without a touch: in the air; on a node at 0 V or an open; while held; a second one in one contact.
  (A slide during which an autoranging meter shows two overloads and more is a lift by the specification's word:
  nothing on the display differs.)
- decision time: the mean of a session; the median of three sessions of the slowest kind.
The kinds "recharge", "untold" and "late" are beside the figures: they show limits (docs/settling.md), and are no line
of the specification.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections.abc import Callable
from time import thread_time

import msgspec

from meterlink.settle import Moved, Settle, Settled
from tests.settle.hands import BESIDE, KINDS, Sample, Stay, Touch, session

SEED = 2611
COUNTS, RELATIVE = 3, 0.005
PER_SESSION = 20  # touches of one meter in a row


class Tally(msgspec.Struct):
    """Sums over touches."""

    touches: int = 0
    due: int = 0
    kept_due: int = 0
    kept: int = 0
    stray: int = 0
    off: int = 0
    counts: list[int] = []
    readings: int = 0

    def add(self, touch: Touch) -> None:
        self.touches += 1
        self.due += touch.due
        self.kept_due += touch.due and touch.kept
        self.kept += touch.kept
        self.off += touch.off
        if touch.count is not None:
            self.counts.append(touch.count)


def tolerance(final: float, sample: Sample) -> float:
    """3 counts of this display or 0.5 %, the larger."""
    return max(COUNTS * sample.count, RELATIVE * abs(final))


def count(final: float, sample: Sample) -> float:
    """One count of this display."""
    return sample.count


def first_and_last(
    stay: Stay, samples: list[Sample], within: Callable[[float, Sample], float]
) -> tuple[int, int] | None:
    """Indices of the first reading of a stay from which the truth is within this much of its final value, and of the
    last delivered one; None if it never gets there.

    A held or stale reading in between begins the count anew.
    """
    first: int | None = None
    last = -1
    for i, s in enumerate(samples):
        if not stay.begin <= s.taken < stay.end:
            continue
        last = i
        near = (
            s.live
            and s.truth is not None
            and stay.final is not None
            and abs(s.truth - stay.final) <= within(stay.final, s)
        )
        if near and first is None:
            first = i
        elif not near:
            first = None
    return None if first is None else (first, last)


def judge(touches: list[Touch], samples: list[Sample], tally: Tally) -> list[Settled]:
    """Run Settle over the samples, and mark each touch with what became of it. Gives the stray keeps."""
    settle = Settle()
    events = [e for i, s in enumerate(samples) for e in settle.feed(s.reading, s.t, i)]
    tally.readings += len(samples)
    stray: list[Settled] = []
    windows = [[first_and_last(stay, samples, count) for stay in touch.stays] for touch in touches]
    for touch, found in zip(touches, windows, strict=True):
        touch.due = any(
            w and w[1] - w[0] + 1 >= 4 and stay.end - samples[w[0]].t >= 1.0
            for w, stay in zip(found, touch.stays, strict=True)
        )
    for event in events:
        if not isinstance(event, (Settled, Moved)):
            continue
        where = locate(touches, samples[event.first].taken, samples[(event.first + event.last) // 2].taken)
        if where is None:
            if isinstance(event, Settled):
                stray.append(event)
            continue
        n, k = where
        touch, stay = touches[n], touches[n].stays[k]
        if isinstance(event, Moved):
            touch.moved += 1
            continue
        held = any("hold" in samples[i].reading.flags for i in range(event.first, event.last + 1))
        if touch.kept and overloads(samples[touch.kept_at : event.first]) > 1:
            touch.again = True
            continue
        if stay.final is None or held or touch.kept or event.value is None:
            stray.append(event)
            continue
        touch.kept_at = event.last
        touch.kept = True
        touch.off = abs(float(event.value) - stay.final) > tolerance(stay.final, samples[event.last]) * (1 + 1e-9)
        found_at = first_and_last(stay, samples[: event.seq + 1], tolerance) or first_and_last(stay, samples, tolerance)
        touch.count = None if found_at is None else event.seq - found_at[0] + 1
    tally.stray += len(stray)
    return stray


def overloads(samples: list[Sample]) -> int:
    """The longest run of overload readings."""
    longest = run = 0
    for s in samples:
        run = run + 1 if s.reading.state == "over" else 0
        longest = max(longest, run)
    return longest


def locate(touches: list[Touch], first: float, middle: float) -> tuple[int, int] | None:
    """The touch in which a window's first reading was taken, and the stay in which its middle one was."""
    for n, touch in enumerate(touches):
        if touch.stays[0].begin <= first < touch.stays[-1].end:
            for k in range(len(touch.stays) - 1, -1, -1):
                if touch.stays[k].begin <= middle:
                    return n, k
    return None


def decision_us(samples: list[Sample]) -> float:
    """Microseconds of processor time per reading, best of three runs: what else the machine does is not Settle's."""
    best = float("inf")
    for _ in range(3):
        settle = Settle()
        began = thread_time()
        for i, s in enumerate(samples):
            settle.feed(s.reading, s.t, i)
        best = min(best, thread_time() - began)
    return best / len(samples) * 1e6


def quantile(counts: list[int], part: float) -> int:
    """The smallest count that at least this part of them does not exceed."""
    ordered = sorted(counts)
    return ordered[max(0, -(-int(part * 1000) * len(ordered) // 1000) - 1)] if ordered else 0


class Figure(msgspec.Struct):
    figure: str
    required: str
    value: str
    passed: bool


def run(touches: int, seed: int) -> tuple[list[Figure], dict[str, Tally]]:
    """Touches of all kinds in turn; the figures and the sums by kind."""
    tallies = {kind: Tally() for kind in KINDS + BESIDE}
    total = Tally()
    times: dict[str, list[float]] = {}
    for i in range(-(-touches // PER_SESSION)):
        kind = KINDS[i % len(KINDS)]
        done, samples = session(kind, f"{seed}/{i}", min(PER_SESSION, touches - i * PER_SESSION))
        judge(done, samples, tallies[kind])
        for touch in done:
            tallies[kind].add(touch)
            total.add(touch)
        if i < 3 * len(KINDS):
            times.setdefault(kind, []).append(decision_us(samples))
    total.stray = sum(t.stray for t in tallies.values())
    for kind in BESIDE:
        for i in range(touches // PER_SESSION // len(KINDS)):
            done, samples = session(kind, f"{seed}/{kind}/{i}", PER_SESSION)
            judge(done, samples, tallies[kind])
            for touch in done:
                tallies[kind].add(touch)
    return figures(total, max(statistics.median(t) for t in times.values())), tallies


def figures(total: Tally, us: float) -> list[Figure]:
    """The table of hands-free keeping."""
    kept = total.kept_due / total.due if total.due else 0.0
    middle, most = quantile(total.counts, 0.5), quantile(total.counts, 0.95)
    off = f"{total.off} of {total.kept}"
    return [
        Figure("touches kept", "99.5 % or more", f"{kept:.2%} of {total.due}", kept >= 0.995),
        Figure("keeps without a touch", "none", str(total.stray), total.stray == 0),
        Figure("kept value off", "1 in 1000 or fewer", off, total.off * 1000 <= total.kept),
        Figure("readings to the keep", "3 / 5", f"{middle} / {most}", middle <= 3 and most <= 5),
        Figure("decision time", "20 us or less", f"{us:.1f} us", us <= 20),
    ]


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.touches", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--touches", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    table, tallies = run(args.touches, args.seed)
    if args.json:
        for figure in table:
            print(json.dumps(msgspec.to_builtins(figure)))
    else:
        report(table, tallies, args.touches, args.seed)
    return 0 if all(f.passed for f in table) else 1


def report(table: list[Figure], tallies: dict[str, Tally], touches: int, seed: int) -> None:
    print(f"{touches} simulated touches, seed {seed}")
    for f in table:
        print(f"  {f.figure:23} must be {f.required:20} is {f.value:18} {'pass' if f.passed else 'FAIL'}")
    print(
        f"  {'kind':13}{'touches':>8}{'due':>6}{'kept':>6}{'missed':>8}{'stray':>7}{'off':>5}{'median':>8}{'95th':>6}"
    )
    for kind, t in tallies.items():
        print(
            f"  {kind:13}{t.touches:8}{t.due:6}{t.kept:6}{t.due - t.kept_due:8}{t.stray:7}{t.off:5}"
            f"{quantile(t.counts, 0.5):8}{quantile(t.counts, 0.95):6}"
        )


if __name__ == "__main__":
    sys.exit(main())
