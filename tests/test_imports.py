"""Imports run one way: orders -> pricing, orders -> geometry, and nothing back."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
# room -> what it may not import; geometry also knows no framework, clock, network or settings
FORBIDDEN: dict[str, frozenset[str]] = {
    "geometry": frozenset(
        "django celery redis config orders pricing time datetime requests urllib socket".split()
    ),
    "pricing": frozenset("config orders geometry celery redis".split()),
    "orders": frozenset("config tests bench".split()),
}
# Places that need a forbidden module for a reason of their own.
ALLOWED: dict[tuple[str, str], str] = {
    ("geometry/cli.py", "time"): "the command line is where the clock comes from",
    ("geometry/__main__.py", "time"): "the command line is where the clock comes from",
    ("geometry/picture.py", "time"): "a child that hangs is ended by the wall clock",
    ("geometry/decode_child.py", "socket"): "an open file is handed to another process",
    ("geometry/child_guard.py", "socket"): "a child tries whether it is refused one",
    ("orders/rehearsal.py", "config"): "a database on trial is described as the settings do",
    ("orders/management/commands/move.py", "config"): "takes an address as the settings do",
    ("geometry/nursery.py", "socket"): "an open file is taken over from another process",
}


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module.split(".")[0]


@pytest.mark.parametrize("room", sorted(FORBIDDEN))
def test_a_room_imports_only_what_it_may(room: str) -> None:
    files = sorted((ROOT / room).rglob("*.py"))
    assert files
    breaches = [
        f"{path.relative_to(ROOT)} imports {module}"
        for path in files
        for module in imported(path)
        if module in FORBIDDEN[room] and (str(path.relative_to(ROOT)), module) not in ALLOWED
    ]
    assert breaches == []


def test_the_pure_quote_knows_no_framework() -> None:
    for name in ("quote.py", "money.py"):
        assert "django" not in set(imported(ROOT / "pricing" / name))


def test_no_python_file_is_longer_than_500_lines() -> None:
    rooms = ("config", "geometry", "pricing", "orders", "tests", "bench")
    long = [
        f"{path.relative_to(ROOT)}: {lines} lines"
        for room in rooms
        for path in (ROOT / room).rglob("*.py")
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > 500
    ]
    assert long == []
