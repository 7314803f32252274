"""Every form, and by what verify finds it: the table of docs/auditor.md, section 5.

"The chain left" leaves it as it became. "The chain anew" computes every `seq`, `prev` and every reference to a record
anew, and takes a seal away that would not fit any more: what anybody can do who may write the folder.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from tests.journal_reader.chains import check
from tests.tampering.acts import AT_ODDS, IN_AGREEMENT, Act
from tests.tampering.bytes_and_files import by_bytes, by_files
from tests.tampering.journal import Form, Journal, Witnesses

FINDERS = {  # by what verify finds it: (alone, with the allowed signers, with the head)
    "chain": (True, True, True),
    "contents": (True, True, True),
    "seal or head": (False, True, True),
    "seal": (False, True, False),
    "head": (False, False, True),
    "nothing": (False, False, False),
}


def anew(change: Act, run: str) -> Callable[[Path, Witnesses], None]:
    def do(target: Path, w: Witnesses) -> None:
        journal = Journal(w.folder)
        change(journal, run)
        if run == "sealed":
            journal.unsealed()
        journal.write(target, anew=True)

    return do


def left(change: Act, run: str) -> Callable[[Path, Witnesses], None]:
    def do(target: Path, w: Witnesses) -> None:
        journal = Journal(w.folder)
        change(journal, run)
        journal.write(target, anew=False)

    return do


def forms() -> Iterator[Form]:
    for what, change in IN_AGREEMENT.items():
        yield Form(f"{what}; the chain left", "chain", left(change, "sealed"))
        yield Form(f"{what}; the chain anew", "seal or head", anew(change, "sealed"))
        yield Form(f"{what}; after the seal, the chain anew", "head", anew(change, "printed"))
        yield Form(f"{what}; after seal and head, the chain anew", "nothing", anew(change, "newest"))
    for what, change in AT_ODDS.items():
        yield Form(f"{what}; the chain left", "chain", left(change, "printed"))
        yield Form(f"{what}; the chain anew", "contents", anew(change, "newest"))
    yield from by_bytes()
    yield from by_files()


def found(form: Form, target: Path, w: Witnesses) -> tuple[bool, bool, bool]:
    """Whether verify finds it: alone, with the allowed signers, with the head."""
    form.do(target, w)
    return (
        not check(target).ok,
        not check(target, signers=w.signers).ok,
        not check(target, trusted=w.head).ok,
    )


FORMS = list(forms())
BEGIN, END = "<!-- made: python -m tests.tampering -->", "<!-- end -->"


WAYS = ("the chain left", "the chain anew", "after the seal, the chain anew", "after seal and head, the chain anew")


def table() -> str:
    """The forms as docs/auditor.md shows them: what can be done in several ways, then what has one way alone."""
    many: dict[str, dict[str, str]] = {}
    once = []
    for form in FORMS:
        deed, _, way = form.what.partition("; ")
        if way in WAYS:
            many.setdefault(deed, {})[way] = form.found_by
        else:
            once.append(form)
    rows = [f"| what was done | {' | '.join(WAYS)} |", "|---" * (1 + len(WAYS)) + "|"]
    rows += [f"| {deed} | {' | '.join(by.get(way, '') for way in WAYS)} |" for deed, by in many.items()]
    rows += ["", "| what was done | found by |", "|---|---|"]
    rows += [f"| {form.what} | {form.found_by} |" for finder in FINDERS for form in once if form.found_by == finder]
    return "\n".join([BEGIN, *rows, END]) + "\n"
