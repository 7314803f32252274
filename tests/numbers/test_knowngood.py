"""What is learned from a journal: which boards, which keeps, which band."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import knowngood, records
from meterlink.bench.ledger import Ledger
from meterlink.bench.sheet import Point
from meterlink.bench.verdict import band_for, judge
from meterlink.errors import BadInput
from meterlink.knowngood import collect, learn, learn_all
from tests.lazily import Lazily

from .journals import Story

stats = Lazily("scipy.stats")


def boards(*values: float) -> dict[str, float]:
    return {f"GC-{i:02}": v for i, v in enumerate(values, 1)}


# -- learning


def test_a_tolerance_interval() -> None:
    """e-Handbook 7.2.6.3's data MPC62 by its mean and standard deviation: 43 values, 90 / 99, exact factor."""
    rng = random.Random(62)
    raw = [rng.gauss(0, 1) for _ in range(43)]
    middle, spread = sum(raw) / 43, stats.tstd(raw)
    values = [97.07 + 0.0268 * (x - middle) / spread for x in raw]
    known = learn(boards(*values), coverage=0.90, confidence=0.99)
    assert (known.n, known.set_aside, known.provisional) == (43, (), False)
    half = 2.222825 * 0.0268
    assert (known.low, known.high) == pytest.approx((97.07 - half, 97.07 + half), abs=1e-6)


def test_an_outlier_is_set_aside_by_name() -> None:
    known = learn(boards(3.29, 3.30, 3.30, 3.31, 3.30, 3.31, 3.29, 3.10))
    assert known.set_aside == ("GC-08",)
    assert (known.n, len(known.boards), known.provisional) == (7, 7, True)
    assert known.low > 3.2
    assert known.origin() == ("known-good (provisional, 7 boards: GC-01, GC-02, GC-03, GC-04, GC-05, GC-06, GC-07)")


def test_few_boards_set_nothing_aside() -> None:
    """With three values two near each other make any third one an outlier: below five the rule is not used."""
    assert learn(boards(1.000, 1.001, 1.010)).set_aside == ()
    assert learn(boards(0.412, 0.413, 0.414, 0.52)).set_aside == ()
    assert learn(boards(0.412, 0.413, 0.412, 0.414, 0.52)).set_aside == ("GC-05",)


def test_what_the_meter_can_tell_sets_the_scale_of_equal_values() -> None:
    """Five times 10 and one 10.25 with U = 0.1: 0.25 is five standard uncertainties, so it is set aside."""
    assert learn(boards(10, 10, 10, 10, 10, 10.25), uncertainty=0.1).set_aside == ("GC-06",)
    assert learn(boards(10, 10, 10, 10, 10, 10.15), uncertainty=0.1).set_aside == ()
    assert learn(boards(10, 10, 10, 10, 10, 10.25)).set_aside == ()


def test_provisional_ends_at_ten() -> None:
    values = [0.41 + 0.001 * (i % 4) for i in range(10)]
    assert learn(boards(*values[:9])).provisional
    assert not learn(boards(*values)).provisional


@pytest.mark.parametrize("values", [(), (0.4,)])
def test_one_board_is_refused(values: tuple[float, ...]) -> None:
    with pytest.raises(BadInput, match="two at least"):
        learn(boards(*values))


@pytest.mark.parametrize(("coverage", "confidence"), [(0.0, 0.95), (1.0, 0.95), (0.95, 1.0), (95, 0.95)])
def test_fractions_are_checked(coverage: float, confidence: float) -> None:
    with pytest.raises(BadInput, match=r"0\.95 is usual"):
        learn(boards(1.0, 2.0), coverage, confidence)


def test_equal_values_leave_what_the_meter_can_tell() -> None:
    same = boards(*[0.412] * 6)
    assert learn(same, resolution=0.001).low == pytest.approx(0.411)
    known = learn(same, uncertainty=0.0095, resolution=0.001)
    assert (known.low, known.high) == pytest.approx((0.412 - 0.019, 0.412 + 0.019))
    u = records.Uncertainty(expanded=0.0095, k=2.0, from_="test")
    band = band_for(Point(name="P", function="diode", unit="V", expect="known-good", powered=False), known)
    found = [judge(v, "ok", "diode", band, u) for v in (0.412, 0.4214, 0.422, 0.440, 0.441)]
    assert found == ["ok", "ok", "unsure", "unsure", "high"]


@given(
    st.lists(st.floats(-100, 100), min_size=2, max_size=12),
    st.none() | st.floats(1e-3, 10),
    st.none() | st.floats(1e-3, 1),
)
def test_never_narrower_than_the_meter(
    values: list[float], uncertainty: float | None, resolution: float | None
) -> None:
    known = learn(boards(*values), uncertainty=uncertainty, resolution=resolution)
    half = (known.high - known.low) / 2
    assert half >= (uncertainty or 0) - 1e-9
    assert half >= known.k2 * known.s - 1e-9
    assert known.low <= known.mean <= known.high
    assert {*known.boards, *known.set_aside} == set(boards(*values))
    assert known.n == len(known.boards) >= 2


# -- collecting


def test_only_good_boards_count() -> None:
    story = Story()
    for mark, states in {
        "GC-01": ["tested good"],
        "GC-02": ["tested bad"],
        "GC-03": ["repaired"],
        "GC-04": ["tested good", "returned"],
        "GC-05": ["tested good", "tested bad"],
        "GC-06": ["tested bad", "tested good", "handed on"],
        "GC-07": ["tested good", "on the bench"],
        "GC-08": [],
    }.items():
        story.board(mark)
        story.keep(mark, "VIN", 0.5)
        for state in states:
            story.state(mark, state)
    (sample,) = collect(story.ledger(), "IC-8 rev C")
    assert list(sample.values) == ["GC-01", "GC-04", "GC-06"]


def test_a_withdrawn_outcome_is_none() -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "VIN", 0.5)
    story.void(story.state("GC-01", "tested good"))
    assert collect(story.ledger(), "IC-8 rev C") == []


def test_of_a_repaired_board_only_after_counts() -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "+3V3", 0.4, stage="before")
    story.keep("GC-01", "VIN", 0.51, stage="before")
    story.finding("GC-01", "replaced")
    story.keep("GC-01", "+3V3", 301.0, stage="after")
    story.state("GC-01", "tested good")
    story.board("GC-02")  # good as it came: before is as good as after
    story.keep("GC-02", "+3V3", 299.0, stage="before")
    story.state("GC-02", "tested good")
    (sample,) = collect(story.ledger(), "IC-8 rev C")
    assert (sample.point, sample.values) == ("+3V3", {"GC-01": 301.0, "GC-02": 299.0})


def test_a_repaired_board_without_a_keep_after_counts_for_nothing() -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "+3V3", 0.4, stage="before")
    story.finding("GC-01", "replaced")
    story.state("GC-01", "tested good")
    assert collect(story.ledger(), "IC-8 rev C") == []


def test_the_last_standing_keep_counts() -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "VIN", 0.50)
    story.keep("GC-01", "VIN", 0.52)
    story.void(story.keep("GC-01", "VIN", 9.99))
    story.state("GC-01", "tested good")
    (sample,) = collect(story.ledger(), "IC-8 rev C")
    assert sample.values == {"GC-01": 0.52}


def test_ways_of_measuring_are_kept_apart() -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "VIN", 0.5)
    story.keep("GC-01", "VIN", 24.1, function="voltage", unit="V", coupling="dc")
    story.keep("GC-01", None, 0.7)
    story.state("GC-01", "tested good")
    found = {(s.point, s.function, s.coupling): s.values for s in collect(story.ledger(), "IC-8 rev C")}
    assert found == {("VIN", "diode", None): {"GC-01": 0.5}, ("VIN", "voltage", "dc"): {"GC-01": 24.1}}


def test_models_and_jobs_are_kept_apart() -> None:
    story = Story()
    for job, model, value in (
        ("GC-2611", "IC-8 rev C", 0.5),
        ("GC-2612", "IC-8 rev C", 0.51),
        ("GC-2613", "IC-8 rev B", 0.6),
    ):
        story.job(job, model)
        story.board("GC-01", job)
        story.keep("GC-01", "VIN", value, job=job)
        story.state("GC-01", "tested good", job)
    ledger = story.ledger()
    (both,) = collect(ledger, "IC-8 rev C")
    assert both.values == {"GC-2611/GC-01": 0.5, "GC-2612/GC-01": 0.51}
    (one,) = collect(ledger, "IC-8 rev C", ["GC-2612"])
    assert one.values == {"GC-01": 0.51}


def test_what_the_meter_could_tell_comes_along() -> None:
    story = Story()
    for mark, expanded in (("GC-01", 0.009), ("GC-02", None), ("GC-03", 0.011)):
        story.board(mark)
        story.keep(mark, "VIN", 0.5, expanded=expanded)
        story.state(mark, "tested good")
    (sample,) = collect(story.ledger(), "IC-8 rev C")
    assert (sample.uncertainty, sample.resolution) == (0.011, 0.001)


def test_learn_all_says_what_it_passed_over() -> None:
    story = Story()
    for i, mark in enumerate(("GC-01", "GC-02", "GC-03")):
        story.board(mark)
        story.keep(mark, "VIN", 0.5 + i / 1000)
        story.keep(mark, "J2", None, state="over")
        if i == 0:
            story.keep(mark, "U7", 0.61)
        story.state(mark, "tested good")
    known, passed_over = learn_all(story.ledger(), "IC-8 rev C")
    assert [p.point for p in known.points] == ["VIN"]
    assert known.points[0].band.boards == ("GC-01", "GC-02", "GC-03")
    assert "J2 (diode): 3 of 3 boards read beyond the range" in passed_over[0]
    assert "U7 (diode): 1 good board" in passed_over[1]


# -- keeping and using it


def test_stored_and_found_again(tmp_path: Path) -> None:
    story = Story()
    for i in range(5):
        mark = f"GC-{i:02}"
        story.board(mark)
        story.keep(mark, "VIN", 0.5 + i / 1000)
        story.state(mark, "tested good")
    known, _ = learn_all(story.ledger(), "IC-8 rev C")
    path = knowngood.store(tmp_path / "known-good", known)
    assert path.name == "IC-8 rev C.json"
    assert knowngood.read(path.parent, "IC-8 rev C") == known
    point = Point(name="VIN", function="diode", unit="V", expect="known-good", powered=False)
    band = knowngood.look_up(path.parent, "IC-8 rev C", point)
    assert band == known.points[0].band
    assert band_for(point, band).n == 5  # type: ignore[union-attr]
    assert knowngood.find(path.parent, "IC-8 rev C", "VIN", "resistance", "Ohm", None) is None
    assert knowngood.find(path.parent, "IC-8 rev C", "VIN", "diode", "mV", None) is None
    assert knowngood.look_up(path.parent, "IC-8 rev B", point) is None
    assert [p.name for p in path.parent.iterdir()] == [path.name]


@given(st.text(min_size=1, max_size=20))
def test_any_model_has_a_file_of_its_own(model: str) -> None:
    """No model's name leaves the folder, and two models never share a file."""
    folder = Path("known-good")
    if any(0xD800 <= ord(c) < 0xE000 for c in model):
        return  # a surrogate is in no journal: it is not UTF-8
    path = knowngood.file_of(folder, model)
    assert path.parent == folder
    assert knowngood.unquote(path.name.removesuffix(".json")) == model


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "IC-8 rev C.json").write_text('{"model": 3}')
    with pytest.raises(BadInput, match=r"IC-8 rev C\.json.*learn it again"):
        knowngood.read(tmp_path, "IC-8 rev C")


def test_a_file_that_is_nested_deep_is_named(tmp_path: Path) -> None:
    """It came from another bench, and took the meter off this one as a fault of its driver."""
    deep = '{"x":' + "[" * 20_000 + "]" * 20_000 + ',"format":1,"model":"IC-8 rev C","through":1,"points":[]}'
    (tmp_path / "IC-8 rev C.json").write_text(deep)
    with pytest.raises(BadInput, match=r"IC-8 rev C\.json.*learn it again"):
        knowngood.read(tmp_path, "IC-8 rev C")


def test_old_keeps_are_judged_anew() -> None:
    known = learn(boards(0.50, 0.51, 0.52, 0.51, 0.50))
    old = records.Band(low=None, high=None, expect="known-good", from_="no known-good yet", short=0.05)
    kept = Story.kept("GC-2611", "GC-09", "VIN", 0.3, band=old)
    assert kept.verdict is None
    assert knowngood.judge_anew(kept, known) == "low"
    assert knowngood.judge_anew(Story.kept("GC-2611", "GC-09", "VIN", 0.02, band=old), known) == "short"
    assert knowngood.judge_anew(Story.kept("GC-2611", "GC-09", "VIN", 0.51, band=None), known) == "ok"
    assert knowngood.judge_anew(kept, None) is None
    firm = records.Band(low=0.2, high=0.4, expect="band", from_="sheet")
    assert knowngood.judge_anew(Story.kept("GC-2611", "GC-09", "VIN", 0.3, band=firm), known) == "ok"


def test_collecting_reads_a_ledger_only() -> None:
    assert collect(Ledger(), "IC-8 rev C") == []
