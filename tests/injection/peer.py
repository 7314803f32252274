"""A supply for the injection's tests: obeys a SCPI-like Control, with faults that a test chooses."""

from __future__ import annotations

import re
from decimal import Decimal

from meterlink.control import Answer, Control, Setting
from meterlink.framing import Query, until
from meterlink.reading import BadFrame

LINE = until(b"\n")


def ask(text: str) -> Query:
    return Query(ask=text.encode() + b"\n", take=LINE)


def tell(text: str) -> Query:
    return Query(ask=text.encode() + b"\n")


def parse(asked: bytes, reply: bytes) -> Answer:
    text = reply.decode("ascii", "replace").strip()
    question = asked.decode().strip()
    if question == "OUTP?":
        if text not in ("0", "1"):
            raise BadFrame(text)
        return Answer(on=text == "1")
    if not re.fullmatch(r"-?\d+(\.\d+)?", text):
        raise BadFrame(text)
    field = {
        "VOLT?": "set_voltage",
        "CURR?": "set_current",
        "VOLT:PROT?": "over_voltage",
        "MEAS:VOLT?": "voltage",
        "MEAS:CURR?": "current",
    }[question]
    return Answer(**{field: Decimal(text)})


def setting(unit: str, word: str) -> Setting:
    return Setting(
        unit=unit,  # type: ignore[arg-type]
        step=Decimal("0.001"),
        most=Decimal(30),
        say=lambda v: (tell(f"{word} {v}"),),
    )


CONTROL = Control(
    voltage=setting("V", "VOLT"),
    current=setting("A", "CURR"),
    over_voltage=setting("V", "VOLT:PROT"),
    switch=lambda on: (tell(f"OUTP {int(on)}"),),
    parse=parse,
    settings=(ask("VOLT?"), ask("CURR?"), ask("VOLT:PROT?")),
    measured=(ask("MEAS:VOLT?"), ask("MEAS:CURR?")),
    output_state=(ask("OUTP?"),),
)


class Peer:
    """Keeps what it was told; the load is a resistor. `history` is every command in order."""

    def __init__(self, ohms: Decimal = Decimal("0.7")) -> None:
        self.ohms = ohms
        self.set = {"VOLT": Decimal(0), "CURR": Decimal(0), "VOLT:PROT": Decimal(30)}
        self.on = False
        self.history: list[str] = []
        self.read: list[str] = []

    def measured(self) -> tuple[Decimal, Decimal]:
        if not self.on:
            return Decimal(0), Decimal(0)
        amperes = min(self.set["CURR"], self.set["VOLT"] / self.ohms)
        return amperes * self.ohms, amperes

    def hear(self, data: bytes) -> bytes | None:
        text = data.decode().strip()
        if text.endswith("?"):
            self.read.append(text)
            match text:
                case "OUTP?":
                    answer = str(int(self.on))
                case "MEAS:VOLT?":
                    answer = f"{self.measured()[0]:.4f}"
                case "MEAS:CURR?":
                    answer = f"{self.measured()[1]:.4f}"
                case _:
                    answer = str(self.set[text[:-1]])
            return answer.encode() + b"\n"
        self.history.append(text)
        word, _, value = text.partition(" ")
        if word == "OUTP":
            self.on = value == "1"
        else:
            self.set[word] = Decimal(value)
        return None
