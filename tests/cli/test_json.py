"""What is printed for programs: one object, in UTF-8 whatever the locale; nothing on a fault."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import GOOD, PATIENCE_S, Program
from tests.nightly import latin

# ISO 8859-1 has neither of these letters.
FOREIGN = GOOD.replace("slack water", "潮の番 ■").replace("shaker", "čelo")


def in_locale(
    program: Program, locale: str, *words: str | Path
) -> subprocess.CompletedProcess[bytes]:
    """Run with standard output in that locale's encoding, which Python takes from here."""
    return subprocess.run(
        [sys.executable, "-m", "companion", *map(str, words)],
        capture_output=True,
        env=program.environment | {"PYTHONIOENCODING": locale, "PYTHONUTF8": "0"},
        cwd=program.folder,
        timeout=PATIENCE_S,
        check=False,
    )


def test_a_wish_is_told_and_answered(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock", "--tempo", "40"):
        program.status_when(state="running", part=1)
        taken = program.run("tell", "stay", "--json")
        assert taken.returncode == 0
        answer = json.loads(taken.stdout)
        assert {key: answer[key] for key in ("version", "wish", "taken")} == {
            "version": 1,
            "wish": "stay",
            "taken": True,
        }
        assert answer["text"] == "staying in this part, phrase by phrase"
        # It is sure already.
        refused = program.run("tell", "confirm", "--json")
        assert refused.returncode == 1
        answer = json.loads(refused.stdout)
        assert (answer["wish"], answer["taken"]) == ("confirm", False)
        assert answer["text"] in refused.stderr
        plain = program.run("tell", "confirm")
        assert (plain.returncode, plain.stdout) == (1, "")
        wrong = program.run("tell", "nxt", "--json")
        assert (wrong.returncode, wrong.stdout) == (2, "")
        ended = program.run("stop", "--json")
        assert json.loads(ended.stdout) == {"version": 1, "ended": True}
    again = program.run("stop", "--json")
    assert (again.returncode, again.stdout) == (1, "")
    assert again.stderr.count("\n") == 1


def test_what_stays_in_the_foreground_says_how_it_is_reached(program: Program, good: Path) -> None:
    def begun(*words: str | Path) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "companion", *map(str, words), "--json"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=program.environment,
            cwd=program.folder,
        )

    with begun("engine", good, "--internal-clock") as engine:
        assert engine.stdout is not None
        said = json.loads(engine.stdout.readline())
        assert said == {
            "version": 1,
            "set": "Tidewater",
            "file": str(good),
            "process": engine.pid,
        }
        with begun("web", "--port", "0", "--control") as pages:
            assert pages.stdout is not None
            link = json.loads(pages.stdout.readline())
            pages.terminate()
            assert pages.stdout.read() == ""
        assert (link["version"], link["host"], link["control"]) == (1, "127.0.0.1", True)
        assert link["link"].startswith(f"http://127.0.0.1:{link['port']}/?token=")
        assert program.run("stop").returncode == 0
        assert engine.stdout.read() == ""
    assert engine.returncode == 0


@pytest.mark.parametrize(
    "words", [("status",), ("stop",), ("forecast", "none.yaml"), ("map", "none.yaml")]
)
def test_on_a_fault_nothing_is_printed_for_programs(
    program: Program, words: tuple[str, ...]
) -> None:
    done = program.run(*words, "--json")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("command", "locale"),
    latin(["forecast", "map", "check", "sheet"], ["latin-1", "ascii", "utf-8"]),
)
def test_json_is_utf_8_whatever_the_locale(program: Program, command: str, locale: str) -> None:
    path = program.write("tidewater.yaml", FOREIGN)
    done = in_locale(program, locale, command, path, "--json")
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode("utf-8")
    assert json.loads(text)["version"] == 1
    if command != "check":
        assert "潮の番" in text
    # For people, with what the terminal has: never a traceback, and no fault of our own.
    plain = in_locale(program, locale, command, path, *(["-o", "x.html"] * (command == "sheet")))
    assert (plain.returncode, plain.stderr) == (0, b"")


@pytest.mark.parametrize("marked", [b"\xef\xbb\xbf", b""], ids=["mark", "no mark"])
@pytest.mark.parametrize("ends", ["\r\n", "\n"], ids=["CRLF", "LF"])
def test_byte_order_marks_and_line_ends_of_windows_are_read(
    program: Program, marked: bytes, ends: str
) -> None:
    path = program.write("tidewater.yaml", marked + FOREIGN.replace("\n", ends).encode())
    done = in_locale(program, "latin-1", "check", path, "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout)["files"][0]["faults"] == []
    wrong = program.write(
        "wrong.yaml", marked + GOOD.replace("always", "alwys").replace("\n", ends).encode()
    )
    (fault,) = json.loads(program.run("check", wrong, "--json").stdout)["files"][0]["faults"]
    assert (fault["line"], fault["column"]) == (8, 29)


def test_a_map_gives_each_steps_chances_by_the_passes_of_its_own_track(program: Program) -> None:
    path = program.write(
        "tidewater.yaml",
        GOOD.replace(
            "shaker: {steps: {5: chance 50%}}",
            "shaker: {length: 12, steps: {5: 'pass 2 of 3, chance 50%', 7: first pass}}",
        ),
    )
    found: dict[str, Any] = json.loads(program.run("map", path, "--passes", "7", "--json").stdout)
    assert found["version"] == 1
    assert [(p["part"], p["pattern"], p["passes"]) for p in found["parts"]] == [
        (1, "slack water", 7),
        (2, "ebb line", 7),
    ]
    rows = found["parts"][0]["rows"]
    assert [(row["track"], row["step"], row["rare"]) for row in rows] == [
        ("low drum", 1, False),
        ("low drum", 16, True),
    ]
    assert rows[0]["chances"] == [1.0] * 7
    assert rows[1]["chances"] == [0, 0, 0, 1, 0, 0, 0]
    # The twelve steps of the shaker have passes of their own: 2 and 5 of them.
    rows = found["parts"][1]["rows"]
    assert rows[0]["chances"] == [0, 0.5, 0, 0, 0.5, 0, 0]
    assert rows[1]["chances"] == [1, 0, 0, 0, 0, 0, 0]


def test_a_map_in_a_terminal_without_blocks_is_plain(program: Program, good: Path) -> None:
    done = in_locale(program, "ascii", "map", good)
    lines = done.stdout.decode("ascii").splitlines()
    (row,) = [
        line for line in lines if line.startswith("low drum") and line.rstrip().endswith("|##|##")
    ]
    assert row
    assert any("# always" in line for line in lines)
    blocks = in_locale(program, "utf-8", "map", good).stdout.decode("utf-8")
    assert "█" in blocks
