"""`companion learn FILE`: the draft, what it adds to a set list, and what it says of bad input."""

from __future__ import annotations

import json
from pathlib import Path

import mido
import pytest

from companion.counting import Cycle, Rule
from companion.learn.learner import learn
from companion.learn.listening import Listener
from companion.midi import CLOCK, START, STOP
from companion.setlist.reading import read_text
from tests.cli.conftest import Program
from tests.learn.player import Struck, write_file
from tests.nightly import latin

DRUMS, KICK, SNAP = 9, 36, 38
BAR = 96


def groove(passes: int, at: int = 0) -> list[Struck]:
    """A bar over and over: a roll at step 16 on each fourth pass, accents, a melody."""
    notes = []
    for number in range(passes):
        tick = at + BAR * number
        notes += [
            Struck(tick, DRUMS, KICK),
            Struck(tick + 48, DRUMS, KICK, 60 if number % 2 else 110),
        ]
        notes += [Struck(tick + 24, DRUMS, SNAP), Struck(tick + 72, DRUMS, SNAP)]
        if number % 4 == 3:
            notes += [Struck(tick + 90 + 1.5 * each, DRUMS, SNAP) for each in range(4)]
        notes.append(Struck(tick + 36, 2, (48, 51, 55, 48)[number % 4]))
    return notes


@pytest.fixture
def loop(tmp_path: Path) -> Path:
    path = tmp_path / "loop.mid"
    write_file(path, groove(32), end=32 * BAR)
    return path


def test_a_draft_says_what_changes_from_pass_to_pass_and_passes_the_check(
    program: Program, loop: Path
) -> None:
    done = program.run("learn", loop)
    assert (done.returncode, done.stderr) == (0, "")
    (pattern,) = {
        part.pattern.name: part.pattern for part in read_text(done.stdout, "d").parts
    }.values()
    words = {Rule(): "always", Rule((Cycle(4, 4),)): "pass 4 of 4"}
    steps = {
        (track.name, step.number): (words.get(step.rule, str(step.rule)), step.what)
        for track in pattern.tracks
        for step in track.steps
    }
    assert steps == {
        ("bass drum 1", 1): ("always", ""),
        ("bass drum 1", 9): ("always", "louder on pass 1 of 2"),
        ("snare 1", 5): ("always", ""),
        ("snare 1", 13): ("always", ""),
        ("snare 1", 16): ("pass 4 of 4", "roll of 4"),
        ("channel 3", 7): ("always", "C3, E flat3 on pass 2 of 4, G3 on pass 3 of 4"),
    }


def test_a_draft_goes_into_a_new_file_and_never_over_one(program: Program, loop: Path) -> None:
    out = program.folder / "draft.yaml"
    assert program.run("learn", loop, "-o", out).returncode == 0
    assert program.run("check", out).returncode == 0
    before = out.read_bytes()
    again = program.run("learn", loop, "-o", out)
    assert again.returncode == 1
    assert "stays as it is" in again.stderr
    assert out.read_bytes() == before


@pytest.mark.parametrize(
    ("last", "ending", "bom"),
    latin([b"", b"# last words"], [b"\n", b"\r\n"], [b"", b"\xef\xbb\xbf"]),
)
def test_into_a_set_list_adds_lines_and_keeps_every_byte_that_was_there(
    program: Program, good: Path, loop: Path, bom: bytes, ending: bytes, last: bytes
) -> None:
    lines = good.read_bytes().replace(b"set:", b"# mine: \xc3\xa9\nset:", 1).splitlines()
    lines.insert(6, b"      # a thought between two keys")
    good.write_bytes(bom + ending.join(lines) + ending + last)
    before = good.read_bytes()
    done = program.run("learn", loop, "--into", good, "--name", "heard")
    assert done.returncode == 0, done.stderr
    after = good.read_bytes()
    # One run of new lines, and nothing else.
    same = next(at for at, (a, b) in enumerate(zip(before, after, strict=False)) if a != b)
    added = len(after) - len(before)
    assert added > 0
    starts = [at for at in range(same + 1) if after[:at] + after[at + added :] == before]
    assert starts
    assert after.count(ending) > before.count(ending)
    if ending == b"\r\n":
        assert after.count(b"\n") == after.count(b"\r\n")
    assert program.run("check", good).returncode == 0
    patterns = read_text(after.decode("utf-8-sig"), "set").parts
    assert {part.pattern.name for part in patterns} == {"slack water", "ebb line"}
    again = program.run("learn", loop, "--into", good, "--name", "heard")
    assert again.returncode == 1
    assert "`heard` already" in again.stderr
    assert good.read_bytes() == after


def test_a_night_with_program_changes_is_parts_in_order(program: Program, tmp_path: Path) -> None:
    night = tmp_path / "night.mid"
    plain = [Struck(BAR * each, DRUMS, KICK) for each in range(32, 64)]
    changes = [(0, DRUMS, 11), (32 * BAR - 24, DRUMS, 12), (64 * BAR - 24, DRUMS, 11)]
    notes = groove(32) + plain + groove(16, 64 * BAR)
    write_file(night, notes, end=80 * BAR, programs=changes)
    done = program.run("learn", night, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    said = json.loads(done.stdout)
    assert said["version"] == 1
    assert [(each["pattern"], each["program"], each["passes"]) for each in said["parts"]] == [
        ("learned 1", 12, 32),
        ("learned 2", 13, 32),
        ("learned 1", 12, 16),
    ]
    drafted = read_text(program.run("learn", night).stdout, "draft").parts
    assert [part.pattern.name for part in drafted] == ["learned 1", "learned 2", "learned 1"]
    assert [part.planned_ticks for part in drafted] == [32 * BAR, 32 * BAR, 16 * BAR]


@pytest.mark.parametrize("steps", [1, 2, 3])
def test_a_pass_shorter_than_a_beat_makes_a_set_list_too(
    program: Program, tmp_path: Path, steps: int
) -> None:
    """A program is told a beat ahead, and so it would be a pass too early."""
    night = tmp_path / "night.mid"
    short = [Struck(6 * steps * each, DRUMS, KICK) for each in range(32 * 16 // steps)]
    changes = [(0, DRUMS, 11), (32 * BAR - 24, DRUMS, 12)]
    write_file(night, short + groove(32, 32 * BAR), end=64 * BAR, programs=changes)
    done = program.run("learn", night)
    assert (done.returncode, done.stderr) == (0, "")
    assert len(read_text(done.stdout, "draft").parts) == 2


# -- bad input -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("no notes", "no notes in it"),
        ("cut off", "no whole MIDI file"),
        ("something else", "no whole MIDI file"),
        ("nothing", "no whole MIDI file"),
        ("songs apart", "type 2"),
        ("in seconds", "counts in seconds"),
        ("missing", "No such file"),
        ("a folder", "directory"),
    ],
)
def test_what_cannot_be_learned_from_is_said_in_a_line(
    program: Program, loop: Path, kind: str, said: str
) -> None:
    path = program.folder / "bad.mid"
    if kind == "no notes":
        write_file(path, [], end=960)
    elif kind == "cut off":
        path.write_bytes(loop.read_bytes()[:300])
    elif kind == "a folder":
        path.mkdir()
    elif kind == "songs apart":
        file = mido.MidiFile(loop)
        file.type = 2
        file.save(path)
    elif kind == "in seconds":
        # The division stands in bytes 12 and 13: 25 frames a second, 40 parts each.
        data = loop.read_bytes()
        path.write_bytes(data[:12] + b"\xe7\x28" + data[14:])
    elif kind != "missing":
        path.write_bytes(b"set: Tidewater\n" if kind == "something else" else b"")
    out = program.folder / "draft.yaml"
    done = program.run("learn", path, "-o", out, "--json")
    assert done.returncode in (1, 2)
    assert done.stdout == ""
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert not out.exists()


def test_a_tempo_that_changes_moves_no_step(program: Program, loop: Path) -> None:
    """Positions in a Standard MIDI File are ticks, whatever the tempo (mido's reading of it)."""
    steady = program.run("learn", loop).stdout
    file = mido.MidiFile(loop)
    for tempo in (400_000, 750_000):
        file.tracks[0].append(mido.MetaMessage("set_tempo", tempo=tempo, time=480 * 9))
    file.save(loop)
    assert program.run("learn", loop).stdout == steady


def test_of_several_channels_each_is_a_track_and_one_may_be_asked_for(
    program: Program, loop: Path
) -> None:
    (one,) = json.loads(program.run("learn", loop, "--json").stdout)["patterns"]
    assert {each["channel"] for each in one["tracks"]} == {3, 10}
    only = program.run("learn", loop, "--channel", "3", "--json")
    (one,) = json.loads(only.stdout)["patterns"]
    assert [each["channel"] for each in one["tracks"]] == [3]
    none = program.run("learn", loop, "--channel", "5")
    assert none.returncode == 1
    assert "no notes" in none.stderr


def test_a_pattern_that_changes_without_a_word_is_a_comment(
    program: Program, tmp_path: Path
) -> None:
    path = tmp_path / "changed.mid"
    notes = [
        Struck(BAR * number + tick, DRUMS, KICK)
        for number in range(32)
        for tick in ((0, 24, 48, 72) if number < 16 else (0, 36, 54, 78))
    ]
    write_file(path, notes, end=32 * BAR)
    said = program.run("learn", path).stdout
    assert "# from pass 17 on something else seems to be played, without a program change" in said
    assert len(read_text(said, "draft").parts) == 1


# -- live ------------------------------------------------------------------------------------------

PORT, TICK_NS = "drum out", 20_833_333


def played(listener: Listener, notes: list[Struck], ticks: int, lost: frozenset[int]) -> None:
    """A clock of 120 beats a minute with notes, some of its ticks lost on the way."""
    due = sorted(notes, key=lambda each: each.tick)
    for tick in range(ticks):
        now = 10**9 + tick * TICK_NS
        if tick not in lost:
            listener.hear(PORT, now, (CLOCK,))
        while due and due[0].tick < tick + 1:
            note = due.pop(0)
            at = now + round((note.tick - tick) * TICK_NS)
            listener.hear(PORT, at, (0x90 | note.channel, note.note, note.velocity))


def test_a_clock_that_loses_ticks_moves_no_step() -> None:
    listener = Listener()
    listener.hear(PORT, 10**9 - 1000, (START,))
    played(listener, groove(32), 32 * BAR, frozenset(range(500, 3000, 167)))
    assert listener.running
    listener.hear(PORT, 10**9 + 32 * BAR * TICK_NS, (STOP,))
    assert listener.stopped
    (pattern,) = learn(listener.hearing()).patterns
    found = {(t.note, s.number): str(s.rule) for t in pattern.tracks for s in t.steps}
    assert found[SNAP, 16] == "pass 4 of 4"
    assert {rule for key, rule in found.items() if key != (SNAP, 16)} == {"always"}


def test_notes_that_come_late_stay_between_the_ticks_that_they_came_between() -> None:
    """On a busy JACK server notes came up to 19 ms late, and landed on the next step."""
    listener = Listener()
    listener.hear(PORT, 10**9 - 1000, (START,))
    for tick in range(16 * BAR):
        listener.hear(PORT, 10**9 + tick * TICK_NS, (CLOCK,))
        if tick % 24 == 0:
            late = (tick // 24 % 5) * 0.9
            at = 10**9 + round((tick + late) * TICK_NS)
            listener.hear(PORT, at, (0x90 | DRUMS, KICK, 100))
    (pattern,) = learn(listener.hearing()).patterns
    steps = [(each.number, str(each.rule)) for each in pattern.tracks[0].steps]
    assert steps == [(number, "always") for number in (1, 5, 9, 13)]


def test_notes_without_a_clock_are_no_pattern() -> None:
    listener = Listener()
    for note in groove(4):
        at = 10**9 + round(note.tick * TICK_NS)
        listener.hear(PORT, at, (0x90 | note.channel, note.note, note.velocity))
    assert (listener.tick, listener.ticking, listener.running) == (-1, False, False)


def test_a_clock_without_a_start_waits_for_the_performers_word() -> None:
    listener = Listener()
    played(listener, [], 48, frozenset())
    assert listener.ticking
    assert listener.tick == -1
    listener.one()
    assert listener.tick == 0


def test_a_clock_that_stays_in_doubt_is_said_to_be() -> None:
    listener = Listener(block_ms=1024 / 48)
    listener.hear(PORT, 10**9 - 1000, (START,))
    played(listener, [], 240, frozenset())
    assert listener.coarse_ms == pytest.approx(1024 / 48)
    assert listener.doubted is not None
    steady = Listener()
    steady.hear(PORT, 10**9 - 1000, (START,))
    played(steady, [], 960, frozenset({500}))
    assert steady.doubted is None
