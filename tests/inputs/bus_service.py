"""`meterlink ARGUMENTS` in a process whose USB is a simulated bus.

    python -m tests.inputs.bus_service PORT DEVICES ARGUMENTS

DEVICES is JSON, [plugged in, {"name": [vendor, product]}]; all are keyboards. The test commands them over a connection
that this process makes to PORT on loopback: (name, method, arguments) in, what the method gave out.
"""

from __future__ import annotations

import json
import sys
import threading
from multiprocessing.connection import Client, Connection

import usb.backend.libusb1

from meterlink.cli.main import main
from tests.inputs.keyboards import KeyboardDevice
from tests.link.simulated_bus import SimulatedBus

KEY = b"meterlink tests"


def obey(connection: Connection, devices: dict[str, KeyboardDevice]) -> None:
    while True:
        try:
            name, method, arguments = connection.recv()
        except EOFError:
            return
        connection.send(getattr(devices[name], method)(*arguments))


if __name__ == "__main__":
    _, port, named, *words = sys.argv
    plugged, ids = json.loads(named)
    devices = {n: KeyboardDevice(v, p, i + 1) for i, (n, (v, p)) in enumerate(ids.items())}
    for device in devices.values():
        device.there = plugged
    bus = SimulatedBus(*devices.values())
    usb.backend.libusb1.get_backend = lambda *_, **__: bus
    connection = Client(("127.0.0.1", int(port)), authkey=KEY)
    threading.Thread(target=obey, args=(connection, devices), daemon=True).start()
    sys.argv = ["meterlink", *words]
    try:
        main()
    finally:
        for name, device in devices.items():
            sys.stderr.write(f"{name}: {'given back' if device.kernel_driver else 'still taken'}\n")
