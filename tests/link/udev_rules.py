"""A reader of udev rules, enough for ours: the grammar of udev(7), and what the rules do to one device."""

from __future__ import annotations

import fnmatch
import re
from dataclasses import dataclass, field

KEYS = {  # udev(7): keys, and the operators each may have
    "ACTION": "== !=",
    "SUBSYSTEM": "== !=",
    "KERNEL": "== !=",
    "ATTR": "== !=",
    "ENV": "== != =",
    "GOTO": "=",
    "LABEL": "=",
    "TAG": "== != += =",
    "SYMLINK": "+= =",
    "MODE": "=",
    "GROUP": "=",
}
TOKEN = re.compile(r'\s*([A-Z]+)(?:\{([^}]+)\})?(==|!=|\+=|=)"([^"]*)"\s*(?:,|$)')


@dataclass
class Device:
    """What the kernel and earlier rules say of a device; what the rules made of it."""

    kernel: str
    subsystem: str = "usb"
    action: str = "add"
    env: dict[str, str] = field(default_factory=lambda: {"DEVTYPE": "usb_device"})
    attr: dict[str, str] = field(default_factory=dict)
    tags: set[str] = field(default_factory=set)
    links: set[str] = field(default_factory=set)


Token = tuple[str, str, str, str]


def parse(text: str) -> list[list[Token]]:
    """The rules as lists of (key, attribute, operator, value). Raises ValueError naming the line."""
    rules = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        tokens, at = [], 0
        while at < len(line):
            match = TOKEN.match(line, at)
            if not match:
                raise ValueError(f"line {number}, column {at + 1}: no KEY, operator and quoted value: {line[at:]!r}")
            key, attribute, operator, value = match[1], match[2] or "", match[3], match[4]
            if operator not in KEYS.get(key, "").split():
                raise ValueError(f"line {number}: {key}{operator} is none of udev's")
            tokens.append((key, attribute, operator, value))
            at = match.end()
        rules.append(tokens)
    labels = [t[3] for rule in rules for t in rule if t[0] == "LABEL"]
    for number, rule in enumerate(rules):
        for key, _, _, value in rule:
            if key == "GOTO" and value not in [t[3] for later in rules[number + 1 :] for t in later if t[0] == "LABEL"]:
                raise ValueError(f"GOTO {value}: no such label below it; there are: {labels}")
    return rules


def apply(rules: list[list[Token]], device: Device) -> Device:
    """What the rules make of a device."""
    jump = ""
    for rule in rules:
        if jump:
            jump = "" if ("LABEL", "", "=", jump) in rule else jump
            continue
        if all(_matches(token, device) for token in rule if token[2] in ("==", "!=")):
            for key, attribute, operator, value in rule:
                if operator in ("==", "!="):
                    continue
                text = _filled(value, device)
                if key == "ENV":
                    device.env[attribute] = text
                elif key == "TAG":
                    device.tags.add(text)
                elif key == "SYMLINK":
                    device.links.add(text)
                elif key == "GOTO":
                    jump = value
    return device


def _matches(token: Token, device: Device) -> bool:
    key, attribute, operator, value = token
    have = {
        "ACTION": device.action,
        "SUBSYSTEM": device.subsystem,
        "KERNEL": device.kernel,
        "ATTR": device.attr.get(attribute),
        "ENV": device.env.get(attribute, ""),
    }[key]
    if have is None:  # an attribute that is not there matches nothing
        return False
    return any(fnmatch.fnmatchcase(have, pattern) for pattern in value.split("|")) == (operator == "==")


def _filled(text: str, device: Device) -> str:
    text = text.replace("$kernel", device.kernel)
    text = re.sub(r"\$attr\{(\w+)\}", lambda m: device.attr.get(m[1], ""), text)
    return re.sub(r"\$env\{(\w+)\}", lambda m: device.env.get(m[1], ""), text)
