"""Rules 1 to 13 and 18 of the design as a state machine: people act, and after each act all of the rules hold.

The service is the real one, in a process of its own; it is entered by bytes on ports, a contact on a line, keys and
commands, and looked at by what is heard, what stands in the journal and what the views say. Runs are numbered: a number
is a seed, and the life of one bench.

    METERLINK_RULES_STEPS=2000 python -m pytest tests/rules        so many acts in place of 100
    METERLINK_RULES_SEED=17 python -m pytest tests/rules           one run alone, as a failure names it
    python -m pytest -m full tests/rules                           100,000 acts, and the mutations

The 100,000 go on where they were interrupted: the runs that passed stand in a file of the user's cache, one file for
each state of the code.
"""

from __future__ import annotations

import hashlib
import os
import sys
from pathlib import Path

import hypothesis
import platformdirs
import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import run_state_machine_as_test

from tests.rules import machine
from tests.rules.mutations import MUTATIONS, ROOT, Mutation, notice, stands_once

EACH, LONG = 50, 250  # acts on one bench, from its first start on; each tenth bench has a long life
FULL = 100_000
PARTS = 8  # of the full size, so that `-n 8` runs them beside each other; each has its own seeds


def acts_of(seed: int) -> int:
    """How long a life is: most are short, since a start says as much as many acts; each tenth is long."""
    return LONG if seed % 10 == 9 else EACH


def run(seed: int, acts: int | None = None) -> int:
    """One bench's life by this seed; gives how many acts it had."""
    before = machine.steps
    people = hypothesis.seed(seed)(type("People", (machine.People,), {"least": True}))
    how = settings(
        max_examples=2,  # the first is the least one, to which nobody comes
        stateful_step_count=acts or acts_of(seed),
        deadline=None,
        database=None,
        derandomize=False,
        print_blob=False,
        phases=[Phase.generate],  # a failure's acts are few enough to read; making them fewer takes minutes
        suppress_health_check=list(HealthCheck),
    )
    try:
        run_state_machine_as_test(people, settings=how)  # type: ignore[no-untyped-call]
    except BaseException:
        again = f"METERLINK_RULES_SEED={seed} python -m pytest -n 0 tests/rules"
        sys.stderr.write(f"\nrun {seed} failed, after {machine.steps} acts in all; alone: {again}\n")
        raise
    return machine.steps - before


def test_the_rules_hold_whoever_acts() -> None:
    if alone := os.environ.get("METERLINK_RULES_SEED"):
        assert run(int(alone)) > 0
        return
    wanted, done, seed = int(os.environ.get("METERLINK_RULES_STEPS", "100")), 0, 0
    while done < wanted:
        done += run(seed)
        seed += 1


def passed_runs() -> Path:
    """Where the runs that passed on this state of the code are noted."""
    code = hashlib.sha256()
    for path in sorted([*ROOT.glob("meterlink/**/*.py"), *ROOT.glob("tests/rules/*.py")]):
        code.update(path.read_bytes())
    return Path(platformdirs.user_cache_dir("meterlink")) / "rules" / code.hexdigest()[:16]


@pytest.mark.full
@pytest.mark.timeout(0)
@pytest.mark.parametrize("part", range(PARTS))
def test_the_rules_hold_for_a_hundred_thousand_acts(part: int) -> None:
    notes = passed_runs()
    notes.parent.mkdir(parents=True, exist_ok=True)
    lines = notes.read_text().splitlines() if notes.exists() else []
    passed = {int(seed): int(acts) for seed, acts in (line.split() for line in lines) if int(seed) % PARTS == part}
    seed = part
    while sum(passed.values()) < FULL // PARTS:
        if seed not in passed:
            passed[seed] = run(seed, LONG)  # long lives: half of a short one is its start and its end
            with notes.open("a") as file:
                file.write(f"{seed} {passed[seed]}\n")
        seed += PARTS


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda m: m.name)
def test_the_table_of_mutations_is_not_stale(mutation: Mutation) -> None:
    assert stands_once(mutation), f"{mutation.file} does not hold {mutation.old!r} once"


@pytest.mark.full
@pytest.mark.timeout(0)
@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda m: m.name)
def test_a_broken_rule_is_noticed(mutation: Mutation) -> None:
    noticed = notice(mutation)
    assert noticed.failed, f"{mutation.name}: nobody noticed"
