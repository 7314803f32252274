"""The decoders that bench_decode.py measures against say the same as the drivers: else the ratio means nothing."""

from __future__ import annotations

import pytest

from meterlink.registry import Spec
from tests.bench import bench_decode
from tests.bench.bench_decode import MINIMAL, families, frames, main

FOUND = families()


def test_every_family_has_a_minimal_decoder() -> None:
    assert sorted(MINIMAL) == [spec.info.name for spec in FOUND]


@pytest.mark.parametrize("spec", FOUND, ids=lambda spec: spec.info.name)
def test_both_decoders_say_the_same_of_every_recorded_frame(spec: Spec) -> None:
    given = frames(spec)
    assert any(reading.state == "ok" for frame in given for reading in frame.readings)
    for frame, asked, model, readings in given:
        least = MINIMAL[spec.info.name](frame, asked, model)
        # as text: 5.000 is not 5
        assert [(r.function, str(r.value), r.unit) for r in least] == [
            (r.function, str(r.value), r.unit) for r in readings
        ], (frame, asked, model)


def test_a_family_without_a_minimal_decoder_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(bench_decode, "MINIMAL", {})
    assert main() == 1
    told = capsys.readouterr().out
    assert all(f"{spec.info.name} has no minimal decoder" in told for spec in FOUND)
