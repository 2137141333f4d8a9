"""The arrows between the rooms: a room imports only what stands behind its arrow."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "companion"

MAY_IMPORT = {
    "counting": set(),
    "setlist": {"counting"},
    "follow": {"setlist", "counting"},
    "link": set(),
    "engine": {"follow", "setlist", "counting", "link"},
    "screen": {"link"},
    "sheet": {"follow", "setlist", "counting"},
    "cli": {"engine", "follow", "setlist", "counting", "link", "screen", "sheet"},
}
# What only one file may touch, and what the core never touches: ports, clocks, files, threads.
ONLY_IN = {"rtmidi": {"engine/ports.py"}}
PURE = {"counting", "follow"}
IMPURE = {"time", "threading", "socket", "asyncio", "selectors", "subprocess", "os", "io", "random"}
# The engine shares its interpreter with the MIDI thread; these stay out of its memory.
HEAVY = {"textual", "numpy", "pydantic", "yaml", "matplotlib"}


def imports(path: Path) -> set[str]:
    """Every module that a file imports, at the top or inside a function."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


FILES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    parts = path.relative_to(PACKAGE).parts
    return parts[0] if len(parts) > 1 else ""


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_file_imports_only_along_the_arrows(path: Path) -> None:
    room = room_of(path)
    if not room:
        return
    rooms = {
        name.split(".")[1]
        for name in imports(path)
        if name.startswith("companion.") and name.split(".")[1] in MAY_IMPORT
    }
    assert rooms - {room} <= MAY_IMPORT[room]


def test_every_room_has_its_arrows() -> None:
    rooms = {p.name for p in PACKAGE.iterdir() if (p / "__init__.py").exists()}
    assert rooms == set(MAY_IMPORT)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_the_ports_touch_the_driver(path: Path) -> None:
    here = path.relative_to(PACKAGE).as_posix()
    for name in imports(path):
        allowed = ONLY_IN.get(name.split(".")[0])
        assert allowed is None or here in allowed


@pytest.mark.parametrize(
    "path", [p for p in FILES if room_of(p) in PURE], ids=lambda p: str(p.relative_to(PACKAGE))
)
def test_the_core_is_pure(path: Path) -> None:
    assert not {name.split(".")[0] for name in imports(path)} & IMPURE


@pytest.mark.parametrize(
    "path",
    [p for p in FILES if room_of(p) in {"engine", "follow", "link"}],
    ids=lambda p: str(p.relative_to(PACKAGE)),
)
def test_the_engine_stays_small(path: Path) -> None:
    assert not {name.split(".")[0] for name in imports(path)} & HEAVY


@pytest.mark.parametrize("name", ["main", "options", "exits"])
def test_the_command_line_imports_nothing_heavy_for_help(name: str) -> None:
    top = ast.parse((PACKAGE / "cli" / f"{name}.py").read_text(encoding="utf-8")).body
    names = {alias.name for node in top if isinstance(node, ast.Import) for alias in node.names} | {
        node.module or "" for node in top if isinstance(node, ast.ImportFrom)
    }
    assert names <= {
        "__future__",
        "os",
        "sys",
        "collections.abc",
        "pathlib",
        "typing",
        "click",
        "companion",
        "companion.cli",
    }


@pytest.mark.parametrize("path", [p for p in FILES if room_of(p)], ids=lambda p: str(p.name))
def test_no_command_knows_the_command_line(path: Path) -> None:
    assert "companion.cli.main" not in imports(path)
