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
    "rehearse": {"setlist", "counting"},
    "takes": {"follow", "setlist", "counting"},
    "engine": {"follow", "rehearse", "setlist", "counting", "link", "takes"},
    "screen": {"link"},
    "sheet": {"follow", "setlist", "counting"},
    "learn": {"follow", "setlist", "counting"},
    "cli": {
        "engine",
        "rehearse",
        "follow",
        "setlist",
        "counting",
        "link",
        "screen",
        "sheet",
        "takes",
        "learn",
    },
}
# What only one file may touch, and what the core never touches: ports, clocks, files, threads.
ONLY_IN = {"rtmidi": {"engine/ports.py"}}
PURE = {"counting", "follow", "rehearse"}
IMPURE = {"time", "threading", "socket", "asyncio", "selectors", "subprocess", "os", "io", "random"}
# The engine shares its interpreter with the MIDI thread; these stay out of its memory.
HEAVY = {"textual", "numpy", "pydantic", "yaml", "ruamel", "matplotlib"}


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


@pytest.mark.parametrize("name", ["wishes", "printable", "cautions", "midi", "replacing"])
def test_what_every_room_may_use_knows_no_room(name: str) -> None:
    rooms = {each.split(".")[1] for each in imports(PACKAGE / f"{name}.py") if "." in each}
    assert not rooms & set(MAY_IMPORT)


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


# What the engine has of the takes.
RECORDING = {"takes/__init__.py", "takes/record.py", "takes/store.py", "takes/story.py"}


def in_the_engine(path: Path) -> bool:
    here = path.relative_to(PACKAGE).as_posix()
    return room_of(path) in {"engine", "follow", "link", "rehearse"} or here in RECORDING


def test_the_engine_has_nothing_of_the_takes_but_recording() -> None:
    used = set().union(*(imports(p) for p in FILES if in_the_engine(p)))
    named = {
        f"takes/{name.split('.')[2]}.py" for name in used if name.startswith("companion.takes.")
    }
    assert {name for name in named if (PACKAGE / name).exists()} <= RECORDING


@pytest.mark.parametrize(
    "path",
    [p for p in FILES if in_the_engine(p)],
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
        "functools",
        "io",
        "pathlib",
        "typing",
        "click",
        "companion",
        "companion.cautions",
        "companion.cli",
        "companion.printable",
    }


@pytest.mark.parametrize("path", [p for p in FILES if room_of(p)], ids=lambda p: str(p.name))
def test_no_command_knows_the_command_line(path: Path) -> None:
    assert "companion.cli.main" not in imports(path)
