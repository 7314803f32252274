"""A pymodbus RTU server on a pseudo-terminal as the outside peer."""

from __future__ import annotations

import asyncio
import os
import pty
import select
import threading
import time
import tty
from collections.abc import Iterator
from decimal import Decimal

import pytest

from meterlink import registry
from meterlink.driver import Query
from tests.lazily import Lazily

server_module, simulator = Lazily("pymodbus.server"), Lazily("pymodbus.simulator")

# derived here from the DPS5005 protocol V1.2, registers 0000 to 0009
REGISTERS = [1280, 1500, 1278, 250, 320, 3000, 0, 0, 0, 1]


@pytest.fixture
def port() -> Iterator[int]:
    """The master side of a pty whose other end a pymodbus server has open."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    ready = threading.Event()
    ends: dict[str, object] = {}

    async def serve() -> None:
        data = simulator.SimData(0, values=REGISTERS, datatype=simulator.DataType.REGISTERS)
        server = server_module.ModbusSerialServer(
            simulator.SimDevice(1, simdata=[data]), port=os.ttyname(slave), baudrate=9600
        )
        ends.update(loop=asyncio.get_running_loop(), server=server)
        await server.serve_forever(background=True)
        ready.set()
        await server.serving

    thread = threading.Thread(target=lambda: asyncio.run(serve()), daemon=True)
    thread.start()
    assert ready.wait(10)
    yield master
    asyncio.run_coroutine_threadsafe(ends["server"].shutdown(), ends["loop"]).result(5)  # type: ignore[attr-defined, arg-type]
    thread.join(5)
    os.close(master)
    os.close(slave)


def exchange(port: int, query: Query) -> bytes:
    os.write(port, query.ask)
    held, end = b"", time.monotonic() + 5
    assert query.take is not None
    while query.take(held) is None and time.monotonic() < end:
        if select.select([port], [], [], 0.1)[0]:
            held += os.read(port, 256)
    return held


def test_block_write_echo_and_exception(port: int) -> None:
    module = registry.find("modbus_supply").module
    driver = module.Driver()
    (query,) = driver.round
    readings = module.decode(exchange(port, query), query.ask)
    assert [str(r.value) for r in readings] == ["12.80", "1.500", "12.78", "0.250", "3.20"]
    control = module.control()
    (write,) = control.set_voltage(Decimal("3.30")).queries
    assert control.parse(write.ask, exchange(port, write)).done
    assert control.parse(query.ask, exchange(port, query)).set_voltage == Decimal("3.30")
    beyond = control.read_settings()[1]  # register 0052 is not there
    answer = control.parse(beyond.ask, exchange(port, beyond))
    assert not answer.done
    assert "02 (address)" in answer.error
