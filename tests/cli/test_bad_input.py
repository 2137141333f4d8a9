"""Bad input: no traceback anywhere, one line that says what to do, and the right status."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.conftest import GOOD, Program
from tests.nightly import latin

BOMB = "a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n" + "".join(
    f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]\n" for n in range(1, 12)
)


def folder(program: Program) -> Path:
    path = program.folder / "a-folder"
    path.mkdir()
    return path


CASES: dict[str, Callable[[Program], Path]] = {
    "a missing file": lambda p: p.folder / "missing.yaml",
    "a folder": folder,
    "an empty file": lambda p: p.write("set.yaml", ""),
    "a binary file": lambda p: p.write("set.yaml", bytes(range(256)) * 64),
    "a file of 10 MB": lambda p: p.write("set.yaml", "# tide\n" * 1_500_000),
    "a YAML bomb": lambda p: p.write("set.yaml", BOMB),
    "a file nested too deep": lambda p: p.write("set.yaml", "[" * 100_000),
    "tabs": lambda p: p.write("set.yaml", "set: Tidewater\npatterns:\n\tslack water: {}\n"),
    "only a word": lambda p: p.write("set.yaml", "tide"),
    "a list": lambda p: p.write("set.yaml", "- tide\n- ebb\n"),
}


@pytest.mark.parametrize(
    ("case", "command"), latin(list(CASES), ["check", "engine --internal-clock"])
)
def test_bad_files_are_one_line_each(program: Program, case: str, command: str) -> None:
    path = CASES[case](program)
    done = program.run(*command.split(), path)
    assert done.returncode == 1
    assert done.stdout == ""
    lines = done.stderr.splitlines()
    assert len(lines) >= 1
    for line in lines:
        assert re.fullmatch(rf"{re.escape(str(path))}:\d+:\d+: .+; .+", line), line


def test_every_fault_is_reported_not_only_the_first(program: Program) -> None:
    text = (
        GOOD.replace("pass 4 of 4", "pass 5 of 4")
        .replace("tempo: 240", "tempo: quick")
        .replace("channel: 10", "channel: 17")
        .replace("phrases: 2", "phrasses: 2")
    )
    path = program.write("set.yaml", text)
    done = program.run("check", path)
    assert done.returncode == 1
    faults = done.stderr.splitlines()
    assert [int(line.split(":")[1]) for line in faults] == [3, 8, 15, 17]
    assert "phrases" in faults[-1]
    assert len(program.run("check", path, program.folder / "none").stderr.splitlines()) == 5


def test_duplicate_keys_are_faults(program: Program) -> None:
    path = program.write("set.yaml", GOOD.replace("16: pass 4 of 4", "1: pass 4 of 4"))
    done = program.run("check", path)
    assert done.returncode == 1
    assert done.stderr.startswith(f"{path}:8:")


def test_a_good_set_checks_silently_well(program: Program, good: Path) -> None:
    done = program.run("check", good)
    assert (done.returncode, done.stderr) == (0, "")
    assert "no faults" in done.stdout


@pytest.mark.parametrize("words", [["engine", "set", "--tempo", "9"], ["sing"], ["check"]])
def test_wrong_use_has_status_2(program: Program, words: list[str]) -> None:
    done = program.run(*words)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("words", [["status"], ["stop"], ["screen"], ["status", "--json"]])
def test_asking_where_no_engine_runs(program: Program, words: list[str]) -> None:
    done = program.run(*words)
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1
    assert "no engine is running" in done.stderr
    what_to_do = "there is nothing to end" if words == ["stop"] else "companion play SET"
    assert what_to_do in done.stderr


def test_a_machine_without_midi_says_what_to_do(program: Program, good: Path) -> None:
    for words in (["engine", good, "--api", "jack"], ["ports", "--api", "jack"]):
        done = program.run(*words)
        assert done.returncode == 1
        assert len(done.stderr.splitlines()) == 1
        assert "companion demo" in done.stderr


def test_a_second_engine_is_refused(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock") as first:
        done = program.run("engine", good, "--internal-clock")
        assert done.returncode == 1
        assert len(done.stderr.splitlines()) == 1
        assert "already running" in done.stderr
        assert program.status()["set"] == "Tidewater"
        assert program.run("stop").returncode == 0
        assert first.wait(timeout=10) == 0


def test_a_state_folder_that_cannot_be_used(program: Program, good: Path) -> None:
    program.write("state", "a file where the folder should be")
    done = program.run("engine", good, "--internal-clock")
    assert done.returncode == 1
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        (("--from", "9"), 1, "there is no part 9"),
        (("--loop", "2-3"), 1, "there is no part 3"),
        (("--loop", "3-5"), 2, "such as 3-4"),
        (("--click",), 2, "--sound PORT"),
    ],
)
def test_what_cannot_be_rehearsed_is_said_in_a_line(
    program: Program, good: Path, words: tuple[str, ...], status: int, told: str
) -> None:
    done = program.run("rehearse", good, "--no-screen", "--now", *words)
    assert (done.returncode, done.stdout) == (status, "")
    assert told in done.stderr.splitlines()[-1]
