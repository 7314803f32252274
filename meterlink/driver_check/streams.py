"""The checks of a driver's framer: cuts, noise, lost bytes, damage, time."""

from __future__ import annotations

import random
import timeit
from collections.abc import Iterable
from statistics import median

from meterlink.driver_check.play import Answers, Cut, converse, randomly, settle_account, singly, whole
from meterlink.driver_check.tried import SEED, Failed, Tried
from meterlink.framing import Framer
from meterlink.link.recording import Recording
from meterlink.reading import BadFrame, Reading
from meterlink.registry import Spec

HELD = 4096  # bytes that no framer needs to hold
SHARE = 0.01  # of the time between two frames that decoding one may take


def cuts(tried: Tried) -> str | None:
    """However the bytes are cut: same readings, every byte counted."""
    if not tried.recordings and (tried.polled or not tried.trials):
        return None
    rng = random.Random(SEED)
    ways = [whole, singly, *(randomly(rng) for _ in range(5))]
    if tried.polled:
        sources = tried.recordings
        for recording in sources:
            _agree([_talk(tried.spec, recording, cut) for cut in ways])
        return f"{len(ways)} ways, {len(sources)} conversations"
    stream = b"".join(t.frame for t in tried.trials)
    noisy = b"".join(t.frame + rng.randbytes(rng.randint(0, 9)) for t in tried.trials)
    for data in (stream, noisy):
        runs = []
        for cut in ways:
            driver = tried.spec.driver()
            runs.append([r for piece in cut(data) for r in driver.feed(piece)])
            _account(driver, len(data))
        _agree(runs)
    return f"{len(ways)} ways, {len(stream) + len(noisy)} bytes"


def _talk(spec: Spec, recording: Recording, cut: Cut) -> list[Reading]:
    driver = spec.driver()
    answers = Answers(recording)
    fed = 0

    def count_and_cut(data: bytes) -> Iterable[bytes]:
        nonlocal fed
        fed += len(data)
        return cut(data)

    out = list(converse(driver, answers, lambda: answers.over, count_and_cut))
    settle_account(driver)
    _account(driver, fed)
    return out


def _agree(runs: list[list[Reading]]) -> None:
    if any(run != runs[0] for run in runs):
        raise Failed(f"readings depend on how the bytes are cut: {[len(run) for run in runs]} of them")


def _account(driver: Framer, fed: int) -> None:
    counted = driver.taken + driver.skipped + len(driver.held)
    if counted != fed:
        raise Failed(f"{fed} bytes fed: {driver.taken} taken + {driver.skipped} skipped + {len(driver.held)} held")


def in_step(tried: Tried) -> str | None:
    """After noise and lost bytes: back in step within two frames."""
    rng = random.Random(SEED)
    times = max(20, tried.n // 20)
    if tried.polled:
        if not tried.recordings:
            return None
        for k in range(times):
            _recovers(tried.spec, tried.recordings[k % len(tried.recordings)], rng)
        return f"{times} conversations"
    if not tried.trials:
        return None
    for _ in range(times):
        before = b"".join(t.frame for t in rng.choices(tried.trials, k=3))
        after = [t.frame for t in rng.choices(tried.trials, k=6)]
        clean = tried.spec.driver()
        for frame in after[:2]:
            clean.feed(frame)
        tail = clean.feed(b"".join(after[2:]))
        at, n = rng.randrange(len(before)), rng.randint(1, 12)
        lost = before[:at] + before[at + n :]
        noise = rng.randbytes(n)
        for start in (lost, before + noise, before[:at] + noise):
            driver = tried.spec.driver()
            shown = driver.feed(start + b"".join(after))
            if tail and shown[-len(tail) :] != tail:
                raise Failed(f"not back in step two frames after: {start.hex(' ')}")
            _account(driver, len(start) + len(b"".join(after)))
    return f"{3 * times} streams"


def _recovers(spec: Spec, recording: Recording, rng: random.Random) -> None:
    driver = spec.driver()
    answers = Answers(recording, again=True)
    harm = 0  # replies still to be harmed

    def answer(asked: bytes) -> bytes:
        nonlocal harm
        reply = answers(asked)
        if not harm or not reply:
            return reply
        harm -= 1
        at = rng.randrange(len(reply))
        return rng.choice((b"", reply[:at], reply[:at] + reply[at + 1 :], rng.randbytes(20), reply + rng.randbytes(3)))

    def wait(frames: int) -> None:
        goal = driver.frames + frames
        for _ in converse(driver, answer, lambda: driver.frames >= goal):
            pass
        if driver.frames < goal:
            raise Failed("it does not get back to good rounds")

    wait(1)
    harm = rng.randint(1, 3)
    for _ in converse(driver, answer, lambda: not harm):
        pass
    bad = driver.bad
    wait(3)
    if driver.bad - bad > 2:
        raise Failed(f"{driver.bad - bad} rounds were lost after the disturbance ended")


def noise(tried: Tried) -> str:
    """Random bytes raise nothing and pile up nowhere."""
    rng = random.Random(SEED)
    total, shown = 10 * tried.n, 0
    driver = tried.spec.driver()
    fed = 0

    def talk(_: bytes) -> bytes:
        nonlocal fed
        data = rng.randbytes(rng.randint(0, 64)) + rng.choice((b"", b"\r\n"))
        fed += len(data)
        return data

    if tried.polled:
        while fed < total:
            goal = min(total, fed + 2000)
            shown += sum(1 for _ in converse(driver, talk, lambda goal=goal: fed >= goal))  # type: ignore[misc]
            _bounded(driver)
            settle_account(driver)
            driver = driver if fed >= total else tried.spec.driver()
        return f"{fed} bytes, {shown} readings"
    while fed < total:
        data = rng.randbytes(rng.randint(1, 64))
        fed += len(data)
        shown += len(driver.feed(data))
        _bounded(driver)
    _account(driver, fed)
    length = tried.spec.info.frame_length or 16
    for _ in range(tried.n):
        try:
            tried.spec.decode(rng.randbytes(length), None)
        except BadFrame:
            continue
    return f"{fed} bytes, {shown} readings"


def _bounded(driver: Framer) -> None:
    if len(driver.held) > HELD:
        raise Failed(f"it holds {len(driver.held)} bytes")


def damaged(tried: Tried) -> str | None:
    """Damaged frames are refused by BadFrame or read; nothing else is raised."""
    if not tried.trials:
        return None
    bits, lost = tried.damage
    return f"{bits.damaged} with a bit flipped: {bits.wrong} wrong values; {lost.damaged} a byte short: {lost.wrong}"


def speed(tried: Tried) -> str | None:
    """Time per frame."""
    if not tried.trials:
        return None
    batch = tried.trials[:100]

    def run() -> None:
        for trial in batch:
            tried.spec.decode(trial.frame, trial.asked)

    per_frame = median(timeit.repeat(run, number=1, repeat=7)) / len(batch)
    interval = tried.spec.info.poll_s or 1 / tried.spec.info.rate_hz
    if per_frame > SHARE * interval:
        raise Failed(f"{per_frame * 1e6:.1f} us, more than {SHARE:.0%} of the {interval:g} s between frames")
    return f"{per_frame * 1e6:.1f} us"
