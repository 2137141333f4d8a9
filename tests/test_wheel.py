"""The wheel: what is in it, that it works where it is installed, and how large that is."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

from companion.cli.extras import DISTRIBUTION, EXTRAS

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
PLAIN_MB = 90


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, as a release has it."""
    folder = tmp_path_factory.mktemp("wheel")
    run("pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", folder, ROOT)
    (found,) = folder.glob("*.whl")
    return found


def run(*words: str | Path, python: str = sys.executable) -> str:
    """Run a module of Python; returns what it prints."""
    done = subprocess.run(
        [python, "-m", *map(str, words)],
        capture_output=True,
        text=True,
        env={k: v for k, v in os.environ.items() if k != "PYTHONPATH"},
        cwd=Path(python).parent,
        timeout=110,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return done.stdout


def test_the_wheel_has_all_that_commands_read(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    read = {p.relative_to(ROOT).as_posix() for p in (ROOT / "companion").rglob("*.*")}
    read = {name for name in read if not name.endswith(".pyc")}
    assert read <= names
    for path in (ROOT / "setlists").glob("*.yaml"):
        assert f"companion/setlists/{path.name}" in names
    assert not [name for name in names if name.startswith(("tests/", "docs/"))]


def test_the_wheel_works_where_it_is_installed(wheel: Path, tmp_path: Path) -> None:
    venv.create(tmp_path / "venv", symlinks=os.name != "nt")
    python = tmp_path / "venv" / ("Scripts" if os.name == "nt" else "bin") / "python"
    run("pip", "--python", python, "install", "-q", "--no-deps", wheel)
    own = run("sysconfig", python=str(python)).split('purelib = "')[1].split('"')[0]
    # What it depends on, and nothing that leads to this source: that is in a .pth file of its own.
    (Path(own) / "others.pth").write_text(sysconfig.get_path("purelib") + "\n")
    program = python.parent / "companion"
    folder = tmp_path / "night"
    folder.mkdir()

    def types(*words: str) -> str:
        done = subprocess.run(
            [program, *words], capture_output=True, text=True, cwd=folder, timeout=60, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert PROJECT["version"] in types("--version")
    types("new", "my-set.yaml")
    assert json.loads(types("check", "my-set.yaml", "--json"))["files"][0]["faults"] == []
    types("sheet", "my-set.yaml", "-o", "my-set.html")
    said = subprocess.run(
        [python, "-c", "import companion.cli.live as l; print(l.shipped_set(l.DEMO))"],
        capture_output=True,
        text=True,
        cwd=folder,
        check=True,
    ).stdout.strip()
    # The set of the demonstration is the installed one.
    assert Path(said).is_relative_to(own)
    types("check", said)


def test_each_extra_is_what_a_command_says_it_is() -> None:
    assert PROJECT["name"] == DISTRIBUTION
    extras = PROJECT["optional-dependencies"]
    for name, modules in EXTRAS.items():
        brought = " ".join(extras[name]).replace("-", "_")
        assert all(module in brought for module in modules)
        # None of them comes without being asked for.
        plain = " ".join(PROJECT["dependencies"]).replace("-", "_")
        assert not any(module in plain for module in modules)
    assert extras["all"] == [f"{DISTRIBUTION}[{','.join(EXTRAS)}]"]


@pytest.mark.parametrize(
    ("module", "words"),
    [
        ("matplotlib", ("map", "tidewater.yaml", "--part", "1", "-o", "map.svg")),
        ("textual_serve", ("web",)),
        ("aiohttp", ("web",)),
    ],
)
def test_a_command_that_lacks_an_extra_prints_the_line_to_type(
    module: str, words: tuple[str, ...], tmp_path: Path
) -> None:
    shipped = ROOT / "setlists" / "tidewater-first-steps.yaml"
    (tmp_path / "tidewater.yaml").write_bytes(shipped.read_bytes())
    # As if it were not installed: Python's own way to say so of a module.
    missing = f"import sys; sys.modules[{module!r}] = None; "
    code = missing + "from companion.cli.main import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=os.environ | {"COMPANION_STATE_DIR": str(tmp_path)},
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1
    (extra,) = [name for name, modules in EXTRAS.items() if module in modules]
    assert f"-m pip install '{DISTRIBUTION}[{extra}]'" in done.stderr


@pytest.mark.nightly
def test_a_plain_install_is_small(wheel: Path, tmp_path: Path) -> None:
    run("venv", tmp_path / "venv")
    python = tmp_path / "venv" / ("Scripts" if os.name == "nt" else "bin") / "python"
    before = megabytes(tmp_path)
    run("pip", "install", "-q", wheel, python=str(python))
    assert megabytes(tmp_path) < PLAIN_MB
    assert megabytes(tmp_path) > before
    names = run("pip", "list", python=str(python))
    assert not any(module in names for modules in EXTRAS.values() for module in modules)


def megabytes(folder: Path) -> float:
    """What a folder takes, as du counts it."""
    blocks = sum(f.lstat().st_blocks for f in folder.rglob("*") if not f.is_symlink())
    return blocks * 512 / 1e6
