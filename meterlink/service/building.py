"""What a service is built of, from its configuration: the bench core, a supervisor an instrument, the inputs."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from meterlink.bench.core import Bench
from meterlink.bench.ledger import Ledger
from meterlink.service.clock import Clock
from meterlink.service.config import Loaded
from meterlink.service.footwork import Footwork
from meterlink.service.scanning import Scanning
from meterlink.service.shelf import Shelf
from meterlink.service.supervisor import Open, Supervisor

Put = Callable[[Any], None]


def bench(loaded: Loaded, shelf: Shelf, ledger: Ledger) -> Bench:
    """The core on what the journal says so far."""
    meters = tuple(n for n, spec in loaded.specs.items() if spec.info.kind == "meter")
    return Bench(
        ledger,
        meters=meters,
        hands_free=tuple(n for n in meters if loaded.config.instruments[n].hands_free),
        rules=loaded.config.keep,
        accuracy=shelf.uncertainty,
        bands=shelf.band,
        sheets=dict(shelf.of_jobs(ledger)),
        operator=loaded.config.operator or "command",
    )


def supervisors(loaded: Loaded, put: Put, open_link: Open, clock: Clock) -> dict[str, Supervisor]:
    """One for each instrument, not started."""
    return {
        name: Supervisor(
            name, loaded.specs[name], one.port, loaded.lines[name], put, open_link, clock, loaded.controls.get(name)
        )
        for name, one in loaded.config.instruments.items()
    }


def inputs(loaded: Loaded, put: Put, clock: Clock) -> dict[str, Footwork | Scanning]:
    """Those that the bench's file has, not started."""
    pedal, scanner = loaded.config.pedal, loaded.config.scanner
    out: dict[str, Footwork | Scanning] = {}
    if pedal:
        out["pedal"] = Footwork(pedal, put, clock)
    if scanner:
        out["scanner"] = Scanning(scanner, put, clock)
    return out
