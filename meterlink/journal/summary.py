"""The report of `journal verify` as the page that an auditor files: what was checked, what not, and the result."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from meterlink.journal.findings import NAMED, Report
from meterlink.visible import visible


def summary(report: Report, folder: Path) -> str:
    """Plain text, a line per matter; the last line is the result."""
    r = report
    rows = [
        ("journal", str(folder)),
        ("segments", f"{len(r.segments)}: {_span(r.segments[0], r.segments[-1])}"),
        ("records", f"{r.records} ({r.first_seq} to {r.last_seq}), {r.bytes} bytes"),
        ("head", f"record {r.last_seq}, {r.head}"),
        ("order", "does not hold" if r.chain_broken else "every prev and every seq follows"),
        ("end", _end(r)),
    ]
    if r.chain_only:
        rows.append(("contents", "not checked (--chain-only)"))
    else:
        rows += [
            ("time", _span(r.first_at, r.last_at)),
            ("readings", _proof("decoded anew", sum(r.readings_checked.values()), r.readings_unchecked)),
            *(("", f"{n} by {name}") for name, n in sorted(r.readings_checked.items())),
            ("keeps", _proof("follow from their readings", r.keeps_checked, r.keeps_unchecked)),
            *(("seal", text) for text in r.seals),
            ("withdrawn", f"{r.voided} records"),
            ("starts", f"{r.starts}" + (f", {r.broken_off} after an end without a stop" if r.broken_off else "")),
        ]
        rows += [("torn off", text) for text in r.torn]
        rows += [("lost", f"{n} readings of {name} that the disk refused") for name, n in sorted(r.lost.items())]
        rows += [("set aside", text) for text in r.aside]
        if r.unknown:
            rows.append(("not known", f"{r.unknown} records of kinds that this version does not know"))
    rows += [("note", note) for note in r.notes]
    rows += [("WRONG", str(fault)) for fault in r.faults]
    if r.fault_count > NAMED:
        rows.append(("", f"and {r.fault_count - NAMED} more"))
    rows += _proven(r)
    rows.append(("result", _result(r)))
    return "\n".join(f"{name:<10} {visible(text)}" for name, text in rows)


def _proven(r: Report) -> Iterator[tuple[str, str]]:
    """What these files prove by themselves, what by a signature or a head from elsewhere, and what nothing proves."""
    if r.fault_count or not r.records:
        return
    yield "proven", "no accident and no unskilled change: each record holds the SHA-256 of the one before"
    known = r.trusted_seq or 0
    if r.trusted_seq:
        yield "proven", f"records up to {r.trusted_seq}: they are those of which you have the head"
    if r.signed_through and r.signer_allowed:
        known = max(known, r.signed_through)
        yield "proven", f"records up to {r.signed_through}: they are those that {r.signed_by} signed"
        yield (
            "not proven",
            "anything against the account that may use that key: a key that asks for a touch"
            " (ssh-keygen -t ed25519-sk), or a head that is kept elsewhere, does that",
        )
    if known < r.last_seq:
        what = f"records {known + 1} to {r.last_seq}" if known else "that these are the records that were written"
        yield (
            "not proven",
            f"{what}: whoever may write the folder can compute the whole chain anew; a seal that is held against"
            " allowed signers (--allowed-signers), or a head that was kept elsewhere (--head), shows that",
        )


def _span(first: str | None, last: str | None) -> str:
    return f"{first}" if first == last else f"{first} to {last}"


def _end(r: Report) -> str:
    if r.trusted is None:
        return "nothing says that no newer record was cut off: give a head that was printed (--head), or see seals"
    if r.trusted_seq is None:
        return f"does not hold the trusted head {r.trusted}"
    return f"holds the trusted head as record {r.trusted_seq}"


def _proof(what: str, checked: int, unchecked: Mapping[str, int]) -> str:
    missing = "".join(f"; {n} not checked: {why}" for why, n in sorted(unchecked.items()))
    return f"{checked} {what}{missing}"


def _result(r: Report) -> str:
    if r.fault_count:
        return f"{r.fault_count} lines are wrong" if r.fault_count > 1 else "a line is wrong"
    if not r.records:
        return "there is no record to check"
    missing = sum(r.readings_unchecked.values()) + sum(r.keeps_unchecked.values()) + r.unknown
    return "nothing wrong was found" + (f"; {missing} records could not be checked in full" if missing else "")
