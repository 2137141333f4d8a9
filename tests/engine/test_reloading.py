"""The set list saved while it plays: a whole one comes at a boundary, a broken one never."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from companion.engine.checkpointfile import Memory
from companion.engine.engine import Engine, Options
from companion.engine.reload import Incoming, Reloading, Saved
from companion.link.messages import Snapshot
from companion.setlist import SetList
from companion.setlist.reading import read_set_list, with_controls

PORT = "tide drum"
TICK_NS = 20_833_333
BAR, PHRASE = 96, 192
SET = """\
set: Tidewater
instruments:
  drums: {channel: 10}
patterns:
  slack water: {phrase: 2 bars}
  ebb line: {phrase: 2 bars}
songs:
  - song: Slack water
    parts:
      - {pattern: slack water, on: drums, program: 1, phrases: 2}
      - {pattern: ebb line, on: drums, program: 2}
"""
PAD = "tide pad"
CONTROLS = "controls:\n  - {press: {note: 60, channel: 16}, wish: fill}\n"
MORE = SET.replace("songs:\n", "songs:\n  - {song: Neap, parts: [{pattern: ebb line}]}\n")
BAD = SET.replace("phrases: 2", "phrases: soon").replace("channel: 10", "channel: 17")


def read(path: Path, controls: Path | None = None) -> SetList:
    """As the engine's child process reads it."""
    setlist = read_set_list(path)
    return setlist if controls is None else with_controls(setlist, controls)


class Desk:
    """Looks at a file by hand."""

    def __init__(self, folder: Path, controls: Path | None = None) -> None:
        self.path = folder / "tidewater.yaml"
        self.path.write_text(SET)
        self.taken: list[Incoming] = []
        self.reads = 0
        self.changes = 0
        saved = Saved(self.path, controls)
        self.reloading = Reloading(saved, self.taken.append, self.changed, self.load)

    def load(self, path: Path, controls: Path | None = None) -> SetList:
        self.reads += 1
        return read(path, controls)

    def changed(self) -> None:
        self.changes += 1

    def save(self, text: str) -> None:
        """As editors do: a new file in the place of the old one."""
        new = self.path.with_suffix(".new")
        new.write_text(text)
        os.replace(new, self.path)

    def looks(self, times: int = 2) -> None:
        for _ in range(times):
            self.reloading.look()


def test_a_file_that_is_left_alone_is_never_read_again(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.looks(10)
    assert (desk.reads, desk.taken) == (0, [])


def test_a_whole_file_is_handed_over_once_with_its_digest(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.save(MORE)
    desk.looks(10)
    (incoming,) = desk.taken
    assert incoming.setlist.songs[0].title == "Neap"
    assert desk.reloading.trouble == ""
    desk.save(SET)
    desk.looks()
    assert len(desk.taken) == 2
    assert desk.taken[1].digest != incoming.digest


def test_a_file_still_being_written_is_waited_for(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    for end in range(len(SET), len(MORE) + 1, 8):
        with open(desk.path, "w") as file:
            file.write(MORE[:end])
        desk.looks(1)
    assert desk.reads == 0
    desk.path.write_text(MORE)
    desk.looks()
    assert len(desk.taken) == 1


def test_a_broken_file_is_told_where_and_why_and_a_mended_one_clears_it(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.save(BAD)
    desk.looks(10)
    assert desk.reads == 1
    assert desk.taken == []
    said = "the set as it was plays on: tidewater.yaml:3:20: "
    assert desk.reloading.trouble.startswith(said)
    assert desk.reloading.trouble.endswith(", and 1 more")
    assert desk.changes == 1
    # Back as it was: nothing to take over, nothing wrong.
    desk.save(SET)
    desk.looks()
    assert (desk.taken, desk.reloading.trouble, desk.changes) == ([], "", 2)
    desk.save(BAD)
    desk.looks()
    desk.save(MORE)
    desk.looks()
    assert (len(desk.taken), desk.reloading.trouble) == (1, "")


def test_a_file_that_vanishes_is_told_and_comes_back(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.path.unlink()
    desk.looks()
    assert desk.reloading.trouble == "the set as it was plays on: tidewater.yaml cannot be read"
    desk.save(SET)
    desk.looks()
    assert (desk.taken, desk.reloading.trouble) == ([], "")


def test_touched_and_not_changed_is_not_read(tmp_path: Path) -> None:
    desk = Desk(tmp_path)
    desk.save(SET)
    desk.looks(5)
    assert desk.reads == 0


def test_new_controls_count_as_much_as_a_new_set(tmp_path: Path) -> None:
    controls = tmp_path / "pads.yaml"
    controls.write_text("controls:\n  - {press: note 61, wish: next}\n")
    desk = Desk(tmp_path, controls)
    controls.write_text("controls:\n  - {press: note 62, wish: next}\n")
    desk.looks()
    (incoming,) = desk.taken
    assert [b.press.address.number for b in incoming.setlist.controls] == [62]


# -- in the engine -------------------------------------------------------------------------------


class Night:
    """An engine fed by hand, and its file."""

    def __init__(self, folder: Path, memory: Memory | None = None) -> None:
        self.path = folder / "tidewater.yaml"
        self.path.write_text(SET + CONTROLS)
        saved = Saved(self.path)
        self.engine = Engine(read(self.path), Options(), None, memory, saved=saved)
        reloading = self.engine._saving
        assert reloading is not None
        reloading._load = read
        self.reloading = reloading
        self.now_ns = 10**9
        self.engine.hear(PORT, self.now_ns, (0xFA,))

    def clock(self, times: int) -> Snapshot:
        for _ in range(times):
            self.now_ns += TICK_NS
            self.engine.hear(PORT, self.now_ns, (0xF8,))
        return self.engine.snapshot()

    def save(self, text: str) -> Snapshot:
        self.path.write_text(text)
        self.reloading.look()
        self.reloading.look()
        return self.engine.snapshot()


def test_saved_in_the_middle_of_a_phrase_it_comes_with_the_boundary(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.clock(100)
    seen = night.save(MORE)
    assert seen.notice == "the saved set list is whole: it comes with the next boundary"
    assert (seen.part, seen.parts, seen.tick) == (1, 2, 99)
    seen = night.clock(PHRASE - 100)
    assert (seen.part, seen.parts, seen.tick) == (1, 2, PHRASE - 1)
    seen = night.clock(1)
    assert (seen.part, seen.parts, seen.tick, seen.song) == (2, 3, PHRASE, "Slack water")
    assert seen.sure
    assert seen.notice == "the set list is the saved one now"
    seen = night.clock(PHRASE)
    assert (seen.part, seen.tick) == (3, 0)


def test_a_broken_one_is_told_on_the_screen_and_the_old_one_plays_on(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.clock(100)
    seen = night.save(BAD)
    assert any("tidewater.yaml:3:20: " in trouble.text for trouble in seen.troubles)
    seen = night.clock(2 * PHRASE)
    assert (seen.part, seen.parts, seen.tick) == (2, 2, 99)
    assert any("plays on" in trouble.text for trouble in seen.troubles)


def test_while_nothing_runs_it_comes_at_once(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.clock(100)
    night.engine.hear(PORT, night.now_ns, (0xFC,))
    night.save(MORE)
    night.engine.hear(PORT, night.now_ns, (0xFE,))
    seen = night.engine.snapshot()
    assert (seen.part, seen.parts, seen.state) == (2, 3, "stopped")


def test_where_the_running_part_is_gone_it_waits_for_another(tmp_path: Path) -> None:
    lacking = SET.replace("song: Slack water", "song: Spring tide", 1) + (
        "  - {song: Neap, parts: [{pattern: slack water}]}\n"
    )
    night = Night(tmp_path)
    night.clock(10)
    seen = night.save(lacking)
    assert seen.notice == "the saved set list lacks this part: it comes after it"
    seen = night.clock(4 * PHRASE)
    assert (seen.parts, seen.song) == (2, "Slack water")


def test_the_kept_place_is_that_of_the_set_that_plays(tmp_path: Path) -> None:
    memory = Memory(tmp_path / "state", "tidewater.yaml", "digest of before")
    night = Night(tmp_path, memory)
    night.clock(10)
    night.save(MORE)
    assert memory.digest == "digest of before"
    night.clock(PHRASE)
    assert memory.digest not in ("", "digest of before")


@pytest.mark.parametrize("held", [True, False])
def test_what_is_held_and_known_lasts_until_it_is_let_go(tmp_path: Path, held: bool) -> None:
    night = Night(tmp_path)
    if held:
        night.engine.press(PAD, night.now_ns, (0x9F, 60, 100))
    night.clock(10)
    night.save(MORE + CONTROLS)
    seen = night.clock(PHRASE)
    assert (seen.parts, seen.fill) == (3, held)
    night.engine.press(PAD, night.now_ns, (0x8F, 60, 0))
    assert not night.clock(10).fill


def test_a_fill_whose_pad_the_saved_set_does_not_know_ends_with_the_old_one(tmp_path: Path) -> None:
    night = Night(tmp_path)
    night.engine.press(PAD, night.now_ns, (0x9F, 60, 100))
    night.clock(10)
    night.save(MORE)
    seen = night.clock(PHRASE)
    assert (seen.parts, seen.fill) == (3, False)
