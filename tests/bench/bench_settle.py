"""One settling decision against encoding the same reading as JSON, and as microseconds. Prints ratios.

python -m tests.bench.bench_settle
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from statistics import median
from time import thread_time

import msgspec

from meterlink.settle import Settle
from tests.settle.hands import KINDS, Sample, session
from tests.touches import SEED

MOST_US = 20.0  # what hands-free keeping allows


def us_per_reading(run: Callable[[], object], n: int) -> float:
    times = []
    for _ in range(5):
        began = thread_time()
        run()
        times.append(thread_time() - began)
    return median(times) / n * 1e6


def decide(samples: list[Sample]) -> None:
    settle = Settle()
    for i, s in enumerate(samples):
        settle.feed(s.reading, s.t, i)


def main() -> int:
    worst = 0.0
    print(f"{'kind':14}{'us':>7}{'x json':>8}{'x msgspec':>11}")
    for kind in KINDS:
        samples = [s for i in range(5) for s in session(kind, f"{SEED}/bench/{i}", 20)[1]]
        plain = [msgspec.to_builtins(s.reading) for s in samples]
        encoder = msgspec.json.Encoder()
        ours = us_per_reading(lambda samples=samples: decide(samples), len(samples))  # type: ignore[misc]
        std = us_per_reading(lambda plain=plain: [json.dumps(p) for p in plain], len(samples))  # type: ignore[misc]
        fast = us_per_reading(
            lambda samples=samples, e=encoder: [e.encode(s.reading) for s in samples],  # type: ignore[misc]
            len(samples),
        )
        worst = max(worst, ours)
        print(f"{kind:14}{ours:7.2f}{ours / std:8.2f}{ours / fast:11.2f}")
    print(f"worst {worst:.2f} us a reading; {MOST_US:g} are allowed")
    return 0 if worst <= MOST_US else 1


if __name__ == "__main__":
    sys.exit(main())
