"""The commands as a user types them, with the internal clock: no MIDI system needed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import mido
import pytest

from companion.setlist import load
from tests.cli.conftest import GOOD, Program


def test_the_engine_counts_and_says_where_it_is(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock"):
        found = program.status_when(state="running", part=2)
        assert set(found) >= {
            "version", "state", "sure", "sending", "tempo", "song", "part", "pattern", "tick",
            "pass", "step", "bar", "beat", "phrase", "next_change", "coming", "clock",
        }  # fmt: skip
        assert (found["version"], found["sure"], found["song"]) == (1, True, "Slack water")
        assert found["pattern"] == "ebb line"
        assert found["next_change"] is None
        # 240 beats a minute, as the song says.
        assert abs(found["tempo"] - 240) < 5
        tick = found["tick"]
        assert found["pass"] == tick // 96 + 1
        assert found["step"] == tick % 96 // 6 + 1
        assert found["beat"] == tick % 96 // 24 + 1
        assert found["phrase"]["number"] == tick // 192 + 1
        assert found["phrase"]["ticks_left"] == 192 - tick % 192
        assert all(item["ticks"] >= 0 for item in found["coming"])
        program.run("stop")


def test_the_next_change_and_the_rare_step_are_counted_down(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock", "--tempo", "40"):
        found = program.status_when(state="running", part=1)
        tick = found["tick"]
        change = found["next_change"]
        assert (change["ticks"], change["program"], change["part"]) == (384 - tick, 13, 2)
        steps = [item for item in found["coming"] if item["kind"] == "step"]
        # Pass 4 of 4, step 16: 3 x 96 + 15 x 6 clocks from the start.
        assert steps[0]["ticks"] == 378 - tick
        assert (steps[0]["track"], steps[0]["chance"]) == ("low drum", 1.0)
        program.run("stop")


def test_status_for_people_fits_on_a_screen(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock"):
        program.status_when(state="running")
        done = program.run("status")
        assert done.returncode == 0
        assert "Tidewater: running, sure" in done.stdout
        program.run("stop")


def test_ctrl_c_and_termination_end_the_engine_cleanly(program: Program, good: Path) -> None:
    for number in (signal.SIGINT, signal.SIGTERM):
        with program.start(good, "--internal-clock") as engine:
            engine.send_signal(number)
            assert engine.wait(timeout=10) == 0
        assert program.run("status").returncode == 1


@pytest.mark.skipif(sys.platform != "linux", reason="looks into /proc")
def test_a_screen_without_a_keyboard_does_not_read_its_end_over_and_over(
    program: Program, good: Path
) -> None:
    with program.start(good, "--internal-clock"):
        terminal, inner = os.openpty()
        screen = subprocess.Popen(
            [sys.executable, "-m", "companion", "screen"],
            stdin=subprocess.DEVNULL,
            stdout=inner,
            stderr=inner,
            env=program.environment | {"TERM": "xterm-256color"},
        )
        os.close(inner)
        try:
            drawn = b""
            while b"Slack water" not in drawn:
                drawn += os.read(terminal, 1 << 16)
            assert os.readlink(f"/proc/{screen.pid}/fd/0") != os.devnull
        finally:
            screen.kill()
            screen.wait()
            os.close(terminal)
        program.run("stop")


def test_check_as_json(program: Program, good: Path) -> None:
    bad = program.write("bad.yaml", GOOD.replace("always", "allways"))
    done = program.run("check", "--json", good, bad)
    assert done.returncode == 1
    found = json.loads(done.stdout)
    assert [bool(f["faults"]) for f in found["files"]] == [False, True]
    assert found["files"][1]["faults"][0]["line"] == 8
    assert "always" in found["files"][1]["faults"][0]["right"]


def test_help_names_every_command_and_the_cautions(program: Program) -> None:
    shown = program.run("--help").stdout
    # Where a summary does not fit, dots take its end.
    summaries = shown[shown.index("Commands:") : shown.index("Cautions:")].splitlines()
    assert not [line for line in summaries if line.endswith("...")]
    text = " ".join(shown.split())
    for command in ("demo", "play", "engine", "screen", "status", "stop", "ports", "check", "bind"):
        assert f" {command} " in text
    assert "protect your hearing" in text
    assert "pyrotechnics" in text


def test_wishes_are_told_in_the_words_of_a_set_list(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock", "--tempo", "40"):
        program.status_when(state="running", part=1)
        done = program.run("tell", "stay")
        assert (done.returncode, done.stdout) == (0, "staying in this part, phrase by phrase\n")
        assert program.status()["next_change"] is None
        assert program.run("tell", "part", "2").stdout.startswith("going to part 2 at the end of")
        assert program.run("tell", "undo").stdout == "undone: part 2\n"
        beyond = program.run("tell", "part", "9")
        assert (beyond.returncode, beyond.stdout) == (1, "")
        assert "there is no part 9" in beyond.stderr
        wrong = program.run("tell", "nxt")
        assert wrong.returncode == 2
        assert "did you mean `next`?" in wrong.stderr
        program.run("stop")
    assert program.run("tell", "next").returncode == 1


def test_the_status_tells_what_was_wished_and_can_be_undone(program: Program, good: Path) -> None:
    with program.start(good, "--internal-clock", "--tempo", "60"):
        program.status_when(state="running")
        done = program.run("tell", "stay")
        assert (done.returncode, done.stdout) == (0, "staying in this part, phrase by phrase\n")
        found = program.status_when(staying=True)
        assert (found["wish"], found["fill"], found["next_change"]) == ("stay", False, None)
        assert {"track": "low drum", "muted": False}.items() <= found["tracks"][0].items()
        assert found["tracks"][0]["heard_muted"] is None
        assert program.run("tell", "undo").stdout == "undone: stay\n"
        found = program.status_when(staying=False)
        assert (found["wish"], found["next_change"]["part"]) == ("", 2)
        program.run("stop")


def test_a_set_saved_while_it_plays_is_taken_over_or_its_fault_told(
    program: Program, good: Path
) -> None:
    with program.start(good, "--internal-clock", "--tempo", "120"):
        program.status_when(state="running", parts=2)
        good.write_text(GOOD.replace("always", "allways"))
        (trouble,) = program.status_when(parts=2, troubles=Something())["troubles"]
        assert trouble.startswith(f"the set as it was plays on: {good.name}:8:")
        good.write_text(GOOD + "  - {song: Neap, parts: [{pattern: ebb line}]}\n")
        found = program.status_when(troubles=[])
        assert found["sure"]
        # It comes with a boundary, and no place is lost.
        found = program.status_when(parts=3)
        assert (found["song"], found["sure"]) == ("Slack water", True)
        program.run("stop")


class Something:
    """Equal to whatever is not empty."""

    def __eq__(self, other: object) -> bool:
        return bool(other)

    __hash__ = None  # type: ignore[assignment]


def test_a_file_that_says_no_tempo_is_learned_and_added_to_a_set(
    program: Program, good: Path
) -> None:
    track = mido.MidiTrack()
    for _ in range(4 * 16):
        track.append(mido.Message("note_on", channel=9, note=36, velocity=100))
        track.append(mido.Message("note_off", channel=9, note=36, time=480))
    mido.MidiFile(ticks_per_beat=480, tracks=[track]).save(str(program.folder / "loop.mid"))
    good.chmod(0o640)
    done = program.run("learn", "loop.mid", "--into", good, "--name", "neap")
    assert done.returncode == 0, done.stderr
    assert len(load(good).parts) == 2
    assert "\n  neap:\n" in good.read_text()
    assert good.stat().st_mode & 0o777 == 0o640
    # Nothing else is left there.
    assert {p.name for p in program.folder.iterdir()} <= {"loop.mid", good.name, "state"}
