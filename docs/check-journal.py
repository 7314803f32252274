#!/usr/bin/env python3
"""Checks a meterlink journal with Python's standard library alone:  python3 check-journal.py FOLDER

Order and wholeness, withdrawals, where the bench stood, kept values and their verdicts, and the readings of FS9721
meters from their raw bytes (the bit map is on the makers' protocol sheets; for another meter put its sheet's decoder
into DECODERS).
It shares no code with meterlink and reads every line into nothing but what a later one needs.
"""

# ruff: noqa: T201

import hashlib
import json
import re
import sys
from collections import defaultdict, deque
from decimal import Decimal
from functools import partial
from pathlib import Path
from statistics import median

GLYPHS = {0x7D: "0", 0x05: "1", 0x5B: "2", 0x1F: "3", 0x27: "4", 0x3E: "5", 0x7E: "6", 0x15: "7", 0x7F: "8", 0x3F: "9"}
LONGEST = 1 << 24  # bytes of a line; no record comes near it
SEGMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}(p[0-9]{3,})?\.jsonl")
ELSEWHERE = ("prev", "seq", "at", "job", "board", "point", "band", "verdict", "moved", "with")
SHORT = {"resistance": Decimal(10), "continuity": Decimal(10), "diode": Decimal("0.05")}


def fs9721(raw):
    """What an FS9721's display shows, as a decimal in the base unit, or None where it shows no number."""
    low = [b & 15 for b in raw]
    if [b >> 4 for b in raw] != list(range(1, 15)):
        raise ValueError("the index halves are not 1 to 14")
    digits, decimals = "", 0
    for place, i in enumerate((1, 3, 5, 7)):
        digits += GLYPHS.get((low[i] & 7) << 4 | low[i + 1], " " if not (low[i] & 7 or low[i + 1]) else "L")
        decimals = 4 - place if place and low[i] & 8 else decimals
    power = (
        -6 * (low[9] >> 3 & 1)
        - 9 * (low[9] >> 2 & 1)
        + 3 * (low[9] >> 1 & 1)
        - 3 * (low[10] >> 3)
        + 6 * (low[10] >> 1 & 1)
    )
    number = digits.lstrip()
    return Decimal(number).scaleb(power - decimals) * (-1 if low[1] & 8 else 1) if number.isdigit() else None


DECODERS = {"fs9721": fs9721}


def verdict(k):
    """The verdict by the decision rule in auditor.md."""
    band, function, value = k["band"], k["function"], k["value"]
    limit = {n: band[n] if band else None for n in ("low", "high", "short", "open")}
    low, high, short, open_ = (
        None if limit[n] is None else Decimal(repr(limit[n])) for n in ("low", "high", "short", "open")
    )
    guard = Decimal(repr(k["uncertainty"]["expanded"])) if k["uncertainty"] else Decimal(0)
    known = function in SHORT
    if value is None:
        if k["state"] not in ("over", "under"):
            return None
        if known:
            return "unsure" if k["state"] == "under" else "ok" if band and band["expect"] == "open" else "open"
        if (high if k["state"] == "over" else low) is not None:
            return "high" if k["state"] == "over" else "low"
        return "unsure" if band and (low is not None or high is not None) else None
    value = Decimal(repr(value))
    if known:
        short = SHORT[function] if short is None else short
        if value < -short and not (low is not None and low < 0):
            return "unsure"
        expect = band["expect"] if band else None
        if band is None or (expect not in ("short", "open") and low is None and high is None):
            return "short" if value < short else "open" if open_ is not None and value > open_ else None
        if expect == "open" and open_ is None:
            return "short" if value < short else "low"
        low, high = {"short": (None, short), "open": (open_, None)}.get(
            expect, (short if low is None else low, open_ if high is None else high)
        )
    elif band is None:
        return None
    if low is not None and value < low - guard:
        return "short" if known and value < short else "low"
    if high is not None and value > high + guard:
        return "open" if known and open_ is not None and value > open_ else "high"
    sure = (low is None or value >= low + guard) and (high is None or value <= high - guard)
    return "ok" if sure else "unsure"


def keep_is_wrong(k, held, stood, keeps, withdrawn, settled):
    first, last = k["readings"]
    window = [r for r in held if first <= r["seq"] <= last]
    if k["moved"] is not None:
        of = k["moved"]
        if of not in withdrawn or keeps.get(of) != same_elsewhere(k):
            return f"record {of} is no withdrawn keep of the same value"
    elif any(r["seq"] > last and r["channel"] is None and "setting" not in r["flags"] for r in held):
        return "its meter showed something newer before it was kept"
    elif k["by"] == "settled":
        if last in settled:
            return "a keep before it settled on the same reading"
        settled.add(last)
        window = [r for r in window if r["channel"] is None and r["state"] != "blank" and "setting" not in r["flags"]]
        values = [Decimal(repr(r["value"])) for r in window if r["value"] is not None]
        if not values or len(values) != len(window) or len(values) != k["n"]:
            return "its readings are not there, or not n"
        if float(median(values)) != k["value"] or float(max(values) - min(values)) != k["spread"]:
            return "its value is not the median, or its spread not largest less smallest"
        if (k["job"], k["board"]) != stood[:2]:
            return "the bench did not stand there"
    elif not window or window[0]["seq"] != last or (window[0]["value"], window[0]["state"]) != (k["value"], k["state"]):
        return "its value is not that of its one reading"
    elif (k["job"], k["board"], k["point"], k["stage"]) != stood:
        return "the bench did not stand there"
    if verdict(k) != k["verdict"]:
        return f"its verdict is {k['verdict']}, the rule gives {verdict(k)}"
    return None


def same_elsewhere(k):
    """What a keep says but for its place and what was expected there."""
    return hashlib.sha256(repr([(n, k[n]) for n in k if n not in ELSEWHERE]).encode()).digest()


def segments(folder):
    paths = [p for p in Path(folder).glob("*.jsonl") if SEGMENT.fullmatch(p.name)]
    return sorted(paths, key=lambda p: p.name)


def main(folder):
    head, seq, counts = "0" * 64, 0, defaultdict(int)
    drivers, rings = {}, defaultdict(lambda: deque(maxlen=2048))
    stood, keeps, withdrawn, settled = (None,) * 4, {}, set(), set()
    for path in segments(folder):
        if path.is_symlink() or not path.is_file():
            sys.exit(ascii(f"{path.name} is no plain file")[1:-1])
        for number, line in enumerate(iter(partial(path.open("rb").readline, LONGEST), b""), 1):
            wrong = None
            try:
                r = json.loads(line[:-1].decode())
                if line[-1:] != b"\n":
                    wrong = "has no line end"
                elif r["prev"] != head or r["seq"] != seq + 1:
                    wrong = "does not follow the line before it: that one or this one was changed"
                elif r["kind"] == "instrument":
                    drivers[r["instrument"]] = r["driver"].partition(":")[0]
                elif r["kind"] == "reading":
                    rings[r["instrument"]].append(r)
                    decode = DECODERS.get(drivers[r["instrument"]])
                    counts["readings decoded anew" if decode else "readings not decoded"] += 1
                    if (r["job"], r["board"], r["point"]) != stood[:3]:
                        wrong = "the bench did not stand there"
                    elif decode:
                        shown = decode(bytes.fromhex(r["raw"]))
                        if r["value"] != (None if shown is None else float(shown)):
                            wrong = f"its raw shows {shown}"
                elif r["kind"] == "context":
                    stood = (r["job"], r["board"], r["point"], r["stage"])
                elif r["kind"] == "kept":
                    counts["keeps that follow from their readings"] += 1
                    wrong = keep_is_wrong(r, rings[r["instrument"]], stood, keeps, withdrawn, settled)
                    keeps[r["seq"]] = same_elsewhere(r)
                elif r["kind"] == "void":
                    withdrawn.add(r["of"])
                    if not 1 <= r["of"] <= seq:
                        wrong = "withdraws a record that is not before it"
            except (ValueError, LookupError, TypeError, AttributeError, ArithmeticError, RecursionError) as error:
                wrong = f"is no record: {type(error).__name__}: {error}"
            if wrong:
                sys.exit(ascii(f"{path.name}, line {number}: {wrong}")[1:-1])  # a journal's bytes reach no terminal
            head, seq = hashlib.sha256(line[:-1]).hexdigest(), seq + 1
    if not seq:
        sys.exit(f"there is no record in {folder}")
    for what, count in sorted(counts.items()):
        print(count, what)
    print(f"{seq} records, head {head}")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("python3 check-journal.py FOLDER")
    main(sys.argv[1])
