"""The table of figures: smaller here, in full behind the marker; and that it can fail."""

from __future__ import annotations

import pytest

from meterlink import approach, settle
from tests.touches import SEED, Figure, figures, run


def failed(table: list[Figure]) -> list[str]:
    return [f"{f.figure}: {f.value}" for f in table if not f.passed]


def test_figures_over_some_touches() -> None:
    table, tallies = run(1500, SEED)
    assert failed(table) == []
    assert all(t.touches >= 80 for t in tallies.values())
    assert all(t.due for kind, t in tallies.items() if kind not in ("zero-volts", "open"))
    untold = tallies["untold"]
    assert untold.stray == 0
    assert untold.off <= 0.02 * untold.kept
    assert untold.kept_due >= 0.98 * untold.due
    late = tallies["late"]
    assert late.stray == 0
    assert late.off <= 0.05 * late.kept  # nearly half, where a gap is taken for lost readings at once


@pytest.mark.full
@pytest.mark.parametrize("seed", [SEED, 7, 8])
def test_figures_over_ten_thousand_touches(seed: int) -> None:
    table, _ = run(10_000, seed)
    assert failed(table) == []


def test_the_same_seed_gives_the_same_touches() -> None:
    first, second = run(150, 5)[1], run(150, 5)[1]
    assert first == second


@pytest.mark.long
def test_without_the_extrapolation_the_figures_are_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window that only looks at the spread keeps too early."""
    monkeypatch.setattr(approach.Approach, "ahead", lambda self, count: None)
    assert any("off" in f for f in failed(run(600, SEED)[0]))


@pytest.mark.long
def test_without_the_hold_flag_the_figures_are_missed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(settle, "NOT_LIVE", frozenset())
    assert any("without a touch" in f for f in failed(run(600, SEED)[0]))


def test_a_slow_window_misses_the_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    slow = settle.Rules(window=6)
    monkeypatch.setattr(settle, "Rules", lambda: slow)
    assert any("readings to the keep" in f for f in failed(run(600, SEED)[0]))


def test_nothing_kept_is_no_pass() -> None:
    from tests.touches import Tally

    assert failed(figures(Tally(), 1.0))
