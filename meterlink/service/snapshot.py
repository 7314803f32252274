"""What the service tells of itself: `status` for a command, the bench's state for a screen."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from meterlink import records
from meterlink.bench.core import Bench
from meterlink.bench.events import Heard
from meterlink.bench.ledger import Ledger, Noted
from meterlink.bench.nearest import while_injecting
from meterlink.service.clock import Moment

if TYPE_CHECKING:
    from meterlink.service.loop import Service


def snapshot(service: Service) -> dict[str, Any]:
    """The bench as a screen shows it: context, the point and what is expected there, keeps, health."""
    bench = service.bench
    now, sheet, point = bench.context, bench.sheet, bench.point()
    board = bench.ledger.board(now.job, now.board)
    keeps = bench.ledger.standing(board.keeps)[-8:] if board else []
    names = [p.name for p in sheet.points] if sheet else []
    done = bench.progress()
    band = bench.band(point) if point else None
    return {
        "bench": service.loaded.config.bench,
        "context": msgspec.to_builtins(now),
        "points": names,
        "place": names.index(point.name) + 1 if point else None,
        "point": msgspec.to_builtins(point) if point else None,
        "pending": list(done.pending) if done else [],
        "left_out": list(done.left_out) if done else [],
        "sheet_counts": done.counts if done else {},
        "verdicts": dict(done.verdicts) if done else {},
        "undo": bench.last_act(),
        "operator": bench.operator,
        "band": msgspec.to_builtins(band) if band else None,
        "confirm": bench.unconfirmed(point),
        "keeps": [_keep(bench.ledger, k) for k in reversed(keeps)],
        "board_state": bench.ledger.state(board) if board else None,
        "jobs": {
            job: [{"board": b.board, "state": bench.ledger.state(b)} for b in bench.ledger.counted(job)]
            for job in bench.ledger.jobs
            if bench.ledger.is_open(job)
        },
        "mismatch": bench.ledger.mismatch(now.job) if now.job else None,
        "instruments": _instruments(service, service.clock.now()),
        "failing": service.scribe.failing,
        "supplies": service.supply.shown,
        "injecting": bench.injecting,
        "alarm": service.supply.alarm,
        **_health(service),
    }


def reading_message(bench: Bench, heard: Heard) -> dict[str, Any]:
    """A reading as it streams to those who watch."""
    r = heard.reading
    settle = bench.settles.get(heard.instrument)
    return {
        "event": "reading",
        "instrument": heard.instrument,
        "meant": bench.meant(heard.t),
        "function": r.function,
        "coupling": r.coupling,
        "value": records.double(r.value),
        "unit": r.unit,
        "state": r.state,
        "flags": r.flags,
        "display": r.display,
        "channel": r.channel,
        "progress": settle.progress if settle and heard.instrument in bench.hands_free else None,
        "contact": settle.in_contact if settle else False,
    }


def _health(service: Service) -> dict[str, Any]:
    """What every view that says "all is well" has to look at beside the instruments: inputs and sound."""
    scanner = service.loaded.config.scanner
    return {
        "meant": service.bench.meant(service.clock.now().t),
        "inputs": {name: {"state": one.state, "why": one.why} for name, one in service.inputs.items()},
        "sound": service.sound_problem(),
        "scanner": {"prefix": scanner.prefix, "suffix": scanner.ending} if scanner else None,
    }


def _keep(ledger: Ledger, kept: Noted) -> dict[str, Any]:
    """A keep as a screen shows it; one that was made while a rail was fed says nothing of its point by itself."""
    out = {"seq": kept.seq, "at": kept.at, **msgspec.to_builtins(kept.record), "fed": while_injecting(ledger, kept.seq)}
    return out | {"verdict": None} if out["fed"] else out


def status(service: Service, now: Moment) -> dict[str, Any]:
    """What `meterlink status` prints."""
    writer = service.writer
    return {
        "bench": service.loaded.config.bench,
        "context": msgspec.to_builtins(service.bench.context),
        "operator": service.bench.operator,
        "instruments": _instruments(service, now),
        "journal": {
            "folder": str(service.folders.journal),
            "segment": writer.segment,
            "next_seq": writer.next_seq,
            "durable_seq": writer.durable_seq,
            "failing": service.scribe.failing,
            "dropped": service.scribe.dropped,
        },
        "disk": _disk(service.folders.journal),
        "last_keep": service.last_keep,
        "supplies": service.supply.shown,
        "alarm": service.supply.alarm,
        "injecting": service.supply.injecting,
        **_health(service),
        "watchers": len(service.watchers),
    }


def _disk(folder: Path) -> dict[str, int | None]:
    """The room on the journal's disk; nothing is known where its folder was taken away."""
    try:
        disk = shutil.disk_usage(folder)
    except OSError:
        return {"free_bytes": None, "total_bytes": None}
    return {"free_bytes": disk.free, "total_bytes": disk.total}


def _instruments(service: Service, now: Moment) -> list[dict[str, Any]]:
    out = []
    for name, supervisor in service.supervisors.items():
        health = supervisor.health
        out.append(
            {
                "instrument": name,
                "driver": supervisor.spec.name,
                "port": supervisor.port,
                **msgspec.to_builtins(health),
                "silent_s": None if health.last_t is None else round(now.t - health.last_t, 3),
                "likely": health.likely(supervisor.spec.info.poll_s is None, now.t),
            }
        )
    return out
