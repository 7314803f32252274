"""The house's rules that a parser can see: data flows one way, drivers do no I/O, rooms stay small."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = sorted([*ROOT.glob("meterlink/**/*.py"), *ROOT.glob("drivers/*.py")])

# Each room may import those before it, and itself. What is not listed (demo, virtual, testing) may import anything
# but the command line.
FLOW = [
    {
        "errors",
        "exits",
        "reading",
        "framing",
        "control",
        "driver",
        "folders",
        "wholefile",
        "plainfile",
        "tomlfile",
        "visible",
        "wording",
    },
    {"registry", "records", "link", "accuracy", "approach", "tolerance"},
    {"settle"},
    {"bench"},
    {"knowngood"},
    {"journal", "sound", "inputs"},
    {"ports", "probe"},
    {"service"},
    {"export", "report", "screen", "checkup"},
    {"cli"},
]
ALLOWED_IN_DRIVERS = {
    "__future__", "collections", "construct", "dataclasses", "decimal", "enum", "functools", "itertools", "math",
    "meterlink", "operator", "re", "string", "struct", "types", "typing", "binascii",
}  # fmt: skip


def imports(path: Path) -> set[str]:
    """Modules imported anywhere in a file but under TYPE_CHECKING, with their dots."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skip = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    found = set()
    for node in ast.walk(tree):
        if id(node) in skip:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level:
            continue  # a sibling: a driver may share the tables of the family next door
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def room(module: str) -> str | None:
    parts = module.split(".")
    if parts[0] != "meterlink" or len(parts) < 2 or parts[1] == "__version__":
        return None
    return parts[1]


@pytest.mark.parametrize("path", [p for p in SOURCES if p.is_relative_to(ROOT / "meterlink")], ids=str)
def test_no_import_goes_backward(path: Path) -> None:
    here = path.relative_to(ROOT / "meterlink").parts[0].removesuffix(".py")
    level = next((i for i, rooms in enumerate(FLOW) if here in rooms), None)
    for module in imports(path):
        there = room(module)
        if there is None or there == here or here in ("__init__", "__main__"):
            continue
        if level is None:
            assert there != "cli", f"{path.name} imports {module}"
            continue
        ahead = {r for rooms in FLOW[level + 1 :] for r in rooms}
        demo = here == "cli" or there in ("demo", "virtual", "testing", "driver_check")
        assert there not in ahead, f"{path.relative_to(ROOT)} imports {module}: that is backward"
        assert there in {r for rooms in FLOW for r in rooms} or demo, f"{module} stands in no room of FLOW"


@pytest.mark.parametrize("path", sorted(ROOT.glob("drivers/*.py")), ids=lambda p: p.name)
def test_a_driver_is_sans_io(path: Path) -> None:
    for module in imports(path):
        top = module.split(".")[0]
        assert top in ALLOWED_IN_DRIVERS, f"{path.name} imports {module}"
        if top == "meterlink":
            assert module.startswith("meterlink.driver."), f"{path.name} imports {module}: the contract is enough"


def test_rooms_stay_small_and_are_named() -> None:
    for path in SOURCES:
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= 420, f"{path.relative_to(ROOT)} has {lines} lines: it has more than one purpose"
        assert not re.search(r"util|helper|common|manager", path.name), path.name


def test_the_one_broad_except_is_commented() -> None:
    """`except Exception` stands where a stranger's code or a supervised thread ends, and says why."""
    for path in SOURCES:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if re.search(r"except (Base)?Exception\b", line) and "BaseException:" not in line:
                assert "# noqa: BLE001 - " in line, f"{path.name}:{number} swallows without a reason"


def test_the_tree_is_clean() -> None:
    """No build output and no journals are tracked."""
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode:
        pytest.skip("not a git checkout")
    for name in tracked.stdout.split("\n"):
        assert not re.search(r"(^|/)(build|dist|__pycache__)/|\.egg-info|journal\.lock|\.pyc$", name), name


PRINTS = {"print", "echo", "secho", "prompt", "confirm", "input", "Console", "write", "writelines"}
SPEAKERS = {"typer", "click", "sys.stdout", "sys.stderr", "sys.stdout.buffer", "sys.stderr.buffer"}


def test_one_room_writes_to_the_terminal() -> None:
    """What comes from records and files is made visible there; the schema, all ours, is printed for a file."""
    for path in SOURCES:
        name = path.relative_to(ROOT).as_posix()
        if name in ("meterlink/cli/output.py", "meterlink/journal/schema.py"):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            owner, _, last = called.rpartition(".")
            bare = not owner and last in ("print", "input", "Console")
            assert not bare and not (owner in SPEAKERS and last in PRINTS) and not called.endswith("rich.print"), (
                f"{name}:{node.lineno} calls {called}: meterlink/cli/output.py prints"
            )
