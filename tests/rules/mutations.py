"""Each rule broken once in the code on purpose, as a change of its text: the state machine must notice every one.

    python -m tests.rules.mutations [NAME...]     a table: what was broken, how soon it was noticed, and by which words

The changed code is a copy in a folder of its own; nothing is written into the tree.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[2]
TEST = "tests/rules/test_rules.py::test_the_rules_hold_whoever_acts"
STEPS = 1500  # acts at most until it must be noticed


class Mutation(NamedTuple):
    """name: the rule, and what is broken; in `file` of meterlink/, `old` (which stands there once) becomes `new`."""

    name: str
    file: str
    old: str
    new: str


MUTATIONS = (
    Mutation("1 kept for no board", "bench/core.py", "        if now.board is None:\n", "        if False:\n"),
    Mutation(
        "1 a touch begun on another board is kept",
        "bench/core.py",
        "if (context.job, context.board) != (now.job, now.board):",
        "if False:",
    ),
    Mutation(
        "1 kept at the point of now, not of the landing",
        "bench/core.py",
        "                    began = self._began.get(name, now)\n",
        "                    began = now\n",
    ),
    Mutation(
        "1 a contact is kept again after a start",
        "bench/core.py",
        "case Settled() if by_itself and name not in self._free:",
        "case Settled() if False:",
    ),
    Mutation(
        "1 a tapped contact is kept once more by itself",
        "bench/core.py",
        "            self._used.add(name)\n",
        "            pass\n",
    ),
    Mutation("2 the former board stays", "bench/desk.py", "[b for b in ledger.on_bench() if b is not view]", "[]"),
    Mutation(
        "2 the former board goes back to received",
        "bench/ledger.py",
        "return n.record.state, n.record.text",
        'return "received", None',
    ),
    Mutation(
        "3 a board handed on stays on the bench",
        "bench/desk.py",
        "    if event.state in STAYS or (job, board)",
        "    if True or (job, board)",
    ),
    Mutation(
        "4 closing a job clears the bench of another's board",
        "bench/desk.py",
        "    if ledger.context.job != job:\n        return Outcome(out",
        "    if False:\n        return Outcome(out",
    ),
    Mutation(
        "4 closing a job sends another's board back",
        "bench/desk.py",
        "[b for b in ledger.on_bench() if b.job == job]",
        "ledger.on_bench()",
    ),
    Mutation("5 a slip makes a board", "bench/desk.py", "if not event.count_in:", "if False:"),
    Mutation("5 marks differ by case", "bench/ledger.py", ".casefold().split()", ".split()"),
    Mutation(
        "6 a scan with a blank in it is two acts",
        "service/scanning.py",
        "self._put(Scanned(one.text, now) if",
        "[self._put(Scanned(w, now)) for w in one.text.split()] if isinstance(one, Scan) else self._put(one.text if",
    ),
    Mutation(
        "6 an Enter with nothing typed is a scan",
        "inputs/scans.py",
        "        if not raw:\n            return []",
        '        if not raw:\n            return [Scan("")]',
    ),
    Mutation(
        "7 a tap keeps the meter heard last",
        "bench/meters.py",
        "        name = self.meant(point, t)\n",
        "        name = max(self.latest, key=lambda n: self.latest[n].t, default=None)\n",
    ),
    Mutation(
        "7 a clipped meter is shown large before the one in the hand",
        "bench/meters.py",
        "return fits, self._settles[name].in_contact, self._touched.get(name, -math.inf)",
        "return fits, self._settles[name].in_contact, -self._touched.get(name, math.inf)",
    ),
    Mutation(
        "8 done although points were passed over",
        "bench/progress.py",
        "return (ahead[0], False) if ahead else (left[0], True)",
        "return (ahead[0], False) if ahead else (None, False)",
    ),
    Mutation(
        "8 a point stepped over by foot is not left out",
        "bench/moves.py",
        "    return Outcome((left, *on.records), (Effect",
        "    return Outcome(on.records, (Effect",
    ),
    Mutation(
        "9 after a repair from the sheet's beginning",
        "bench/progress.py",
        "for p in [*bad, *near, *never]}",
        "for p in [*never, *near, *bad]}",
    ),
    Mutation(
        "9 the bad rail's other points are not led to",
        "bench/progress.py",
        "for p in [*bad, *near, *never]}",
        "for p in [*bad, *never]}",
    ),
    Mutation(
        "10 a refusal is silent",
        "service/loop.py",
        'self.effect(Effect("no-board" if',
        '(lambda effect: None)(Effect("no-board" if',
    ),
    Mutation(
        "10 a finding is not acknowledged",
        "bench/desk.py",
        "    return Outcome((finding,), _said(said))",
        "    return Outcome((finding,))",
    ),
    Mutation(
        "10 no board sounds like any refusal",
        "service/loop.py",
        '"no-board" if isinstance(error, NoBoard) else "refused"',
        '"refused"',
    ),
    Mutation(
        "11 taking a repair back leaves the stage",
        "bench/undo.py",
        "    changed = _changed(act, ledger.context)\n    view",
        "    changed = {}\n    view",
    ),
    Mutation("11 another person's act is taken back", "bench/undo.py", "by in _owners(act, at_bench)", "True"),
    Mutation(
        "11 only the first record is taken back",
        "bench/undo.py",
        "stand = [now for n in act.parts if",
        "stand = [now for n in act.parts[:1] if",
    ),
    Mutation(
        "12 a lost pedal or scanner is still open",
        "service/input_supervisor.py",
        'self.state, self.why = "lost", why',
        "self.why = why",
    ),
    Mutation(
        "12 a lost pedal or scanner is not heard",
        "service/loop.py",
        'self.effect(Effect("refused", f"the {item.input} is lost: {item.why}"))',
        "pass",
    ),
    Mutation(
        "12 a lost meter is not heard",
        "service/loop.py",
        "self.effect(Effect(sound, line)) if loud else self._say(line)",
        "self._say(line)",
    ),
    Mutation(
        "13 any note explains any count", "bench/ledger.py", "    return re.search(", "    return True or re.search("
    ),
    Mutation(
        "13 another count needs no other note", "bench/ledger.py", "r.counted == counted", "r.counted is not None"
    ),
    Mutation(
        "18 dead measurements under power",
        "bench/keeping.py",
        "    if r.function in DEAD and powered:",
        "    if False:",
    ),
    Mutation(
        "18 sheet points under power",
        "bench/place.py",
        "if point is None or point.powered == bool(self.context.powered):",
        "if True:",
    ),
    Mutation(
        "an act is acknowledged before it is on the disk",
        "service/scribe.py",
        "            seqs = self.writer.append_all(batch, moment.at)\n            self.writer.commit()",
        "            seqs = self.writer.append_all(batch, moment.at)",
    ),
)


class Noticed(NamedTuple):
    """What came of a mutation: whether the tests failed, after how long, and their words."""

    failed: bool
    seconds: float
    acts: str
    words: str


def stands_once(m: Mutation) -> bool:
    """The text that is broken is there, and only once: else this table is stale."""
    return (ROOT / "meterlink" / m.file).read_text(encoding="utf-8").count(m.old) == 1


def notice(m: Mutation, steps: int = STEPS) -> Noticed:
    """Break it in a copy, and let people work at that bench."""
    with tempfile.TemporaryDirectory(prefix="meterlink-mutation-") as folder:
        away = Path(folder)
        for name in ("meterlink", "tests"):
            shutil.copytree(ROOT / name, away / name, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copyfile(ROOT / "pyproject.toml", away / "pyproject.toml")
        path = away / "meterlink" / m.file
        path.write_text(path.read_text(encoding="utf-8").replace(m.old, m.new), encoding="utf-8")
        began = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-n", "0", "-p", "no:cacheprovider", "-o", "timeout=900", TEST],
            cwd=away,
            env={**os.environ, "METERLINK_RULES_STEPS": str(steps), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True,
            text=True,
            check=False,
            timeout=900,
        )
        seconds = time.monotonic() - began
    failed = done.returncode == 1 and "tests/rules" in done.stdout
    found = re.findall(
        r"^E +(?:\w+\.)*(AssertionError|[A-Za-z]+Failure|Unreachable|[A-Z]\w+): ?(.*)$", done.stdout, re.M
    )
    acts = re.findall(r"after (\d+) acts", done.stdout + done.stderr)
    return Noticed(
        failed, seconds, acts[-1] if acts else "-", " ".join(found[0])[:160] if found else done.stdout[-300:]
    )


def main() -> None:
    wanted = sys.argv[1:]
    for m in MUTATIONS:
        if not wanted or any(m.name.startswith(w) for w in wanted):
            n = notice(m)
            said = "failed" if n.failed else "NOT NOTICED"
            print(f"{m.name:60} {said:12} {n.acts:>5} acts {n.seconds:5.0f} s  {n.words}", flush=True)


if __name__ == "__main__":
    main()
