"""The state file: safe, private, and never in the way of the show."""

from __future__ import annotations

import json
import os
import random
import stat
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from companion.engine import keptset
from companion.engine.memory import (
    FILE_NAME,
    KEPT_NAME,
    OLD_NS,
    Memory,
    Now,
    encode,
    this_moment,
)
from companion.follow.place import Place, remember
from tests.builders import Rehearsal, three_parts
from tests.engine.waiting import until

SECOND = 1_000_000_000
NOW = Now("boot", 500 * SECOND, 1_700_000_000 * SECOND)


def a_place() -> Place:
    on_stage = Rehearsal(three_parts(recount=False)).start().clock(250)
    return remember(on_stage.follower, on_stage.now_ns)


def memory(folder: Path, digest: str = "digest") -> Memory:
    return Memory(folder, "tidewater.yaml", digest)


def later(seconds: float, *, asleep: float = 0.0, boot: str = "boot", set_by: float = 0.0) -> Now:
    """So many seconds later, some of them asleep; `set_by` is how far the wall clock was set."""
    return Now(
        boot,
        NOW.monotonic_ns + round((seconds - asleep) * SECOND),
        NOW.wall_ns + round((seconds + set_by) * SECOND),
    )


def test_what_is_written_is_found_again_to_the_last_figure(tmp_path: Path) -> None:
    place = a_place()
    assert len(place.stretches) == 2
    memory(tmp_path).write(place, NOW)
    found = memory(tmp_path).find(later(2))
    assert found is not None
    assert found.place == place
    assert found.trusted


@pytest.mark.parametrize(("asleep", "boot"), [(0.0, "boot"), (3.0, "boot"), (495.0, "another")])
def test_the_night_goes_on_since_its_first_start(tmp_path: Path, asleep: float, boot: str) -> None:
    before = memory(tmp_path)
    before.started_ns = NOW.monotonic_ns - 60 * SECOND
    before.write(a_place(), NOW)
    again = later(5, asleep=asleep, boot=boot)
    found = memory(tmp_path).find(again)
    assert found is not None
    assert again.monotonic_ns - found.started_ns == 65 * SECOND


def test_a_set_that_was_not_started_has_not_begun(tmp_path: Path) -> None:
    memory(tmp_path).write(a_place(), NOW)
    found = memory(tmp_path).find(later(5))
    assert found is not None
    assert found.started_ns == 0


def test_nobody_else_can_read_it(tmp_path: Path) -> None:
    before = os.umask(0)
    try:
        memory(tmp_path).write(a_place(), NOW)
    finally:
        os.umask(before)
    for name in (FILE_NAME, KEPT_NAME):
        assert stat.S_IMODE((tmp_path / name).stat().st_mode) == 0o600
    assert len(list(tmp_path.iterdir())) == 2


def test_a_place_in_another_set_or_of_long_ago_is_none(tmp_path: Path) -> None:
    memory(tmp_path).write(a_place(), NOW)
    assert memory(tmp_path, "another digest").find(later(2)) is None
    assert memory(tmp_path).find(later(OLD_NS / SECOND)) is not None
    assert memory(tmp_path).find(later(OLD_NS / SECOND + 1)) is None
    assert memory(tmp_path).find(later(-5)) is None


@pytest.mark.parametrize(
    ("now", "age_s"),
    [
        (later(30, boot="another boot", asleep=525), 30),
        (later(30, asleep=20), 30),
        # A wall clock that was set back or forth: then the one that only goes on.
        (later(30, set_by=-20), 30),
    ],
)
def test_a_place_by_clocks_that_parted_is_an_estimate(
    now: Now, age_s: float, tmp_path: Path
) -> None:
    place = a_place()
    assert place.line is not None
    memory(tmp_path).write(place, NOW)
    found = memory(tmp_path).find(now)
    assert found is not None
    assert not found.trusted
    assert found.place.line is not None
    before = NOW.monotonic_ns - place.line.tick_ns
    assert now.monotonic_ns - found.place.line.tick_ns == before + age_s * SECOND


def test_the_fresher_of_two_files_counts_and_one_is_enough(tmp_path: Path) -> None:
    old = a_place()
    writing = memory(tmp_path)
    writing.write(old, NOW)
    writing.write(replace(old, tick=old.tick + 5), later(1))
    found = memory(tmp_path).find(later(2))
    assert found is not None
    assert found.place.tick == old.tick + 5
    # As after a power cut: the one that was not yet on the disk is empty.
    (tmp_path / FILE_NAME).write_bytes(b"")
    found = memory(tmp_path).find(later(2))
    assert found is not None
    assert found.place.tick == old.tick


@pytest.mark.parametrize("set_by", [-3600.0, -2.0, 3600.0])
def test_a_wall_clock_that_was_set_while_it_played_changes_nothing(
    set_by: float, tmp_path: Path
) -> None:
    place, writing = a_place(), memory(tmp_path)
    writing.write(replace(place, tick=1), NOW)
    writing.write(replace(place, tick=2), later(3, set_by=set_by))
    found = memory(tmp_path).find(later(5, set_by=set_by))
    assert found is not None
    assert (found.place.tick, found.trusted) == (2, True)


def test_the_kept_file_is_written_when_it_matters(tmp_path: Path) -> None:
    place, writing = a_place(), memory(tmp_path)

    def kept() -> int:
        tick = json.loads((tmp_path / KEPT_NAME).read_bytes())["tick"]
        assert isinstance(tick, int)
        return tick

    writing.write(replace(place, tick=1), NOW)
    writing.write(replace(place, tick=2), later(1))
    assert kept() == 1
    writing.write(replace(place, tick=3, armed=False), later(2))
    assert kept() == 3
    writing.write(replace(place, tick=4, armed=False), later(13))
    assert kept() == 4


def wreck(rng: random.Random, body: dict[str, Any]) -> bytes:
    """A state file with something wrong in it."""
    kind = rng.randrange(4)
    if kind == 0:
        whole = json.dumps(body).encode()
        return whole[: rng.randrange(len(whole))]
    if kind == 1:
        return rng.randbytes(rng.randrange(2000))
    key = rng.choice(sorted(body))
    if kind == 2:
        del body[key]
    else:
        body[key] = rng.choice([None, "tide", -1, 1.5, [], {}, [[]], True, float("nan"), 10**30])
    return json.dumps(body).encode()


def test_a_wrecked_file_is_none_and_never_a_crash(tmp_path: Path) -> None:
    rng = random.Random(11)
    place = a_place()
    for _ in range(400):
        body = json.loads(encode(place, "tidewater.yaml", "digest", NOW))
        (tmp_path / FILE_NAME).write_bytes(wreck(rng, body))
        found = memory(tmp_path).find(later(2))
        if found is not None and found.place.line is not None:
            assert found.place.line.period_ns >= 1


def test_an_engine_that_ended_well_leaves_nothing(tmp_path: Path) -> None:
    writing = memory(tmp_path)
    writing.start()
    writing.note(a_place())
    until((tmp_path / KEPT_NAME).exists, "the place is written")
    writing.close(forget=True)
    assert list(tmp_path.iterdir()) == []


def test_one_that_did_not_leaves_its_place(tmp_path: Path) -> None:
    writing = memory(tmp_path)
    writing.start()
    writing.note(a_place())
    until((tmp_path / KEPT_NAME).exists, "the place is written")
    writing.close(forget=False)
    found = memory(tmp_path).find(this_moment())
    assert found is not None
    assert found.place == a_place()


def test_a_folder_that_cannot_be_written_to_is_a_trouble_and_no_more(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    writing = Memory(folder, "tidewater.yaml", "digest")
    writing.start()
    writing.note(a_place())
    until(lambda: writing.trouble, "a trouble")
    assert "cannot be kept safe" in writing.trouble
    # Once it is there again, all is well.
    folder.mkdir()
    writing.note(a_place())
    until(lambda: not writing.trouble, "no trouble")
    assert memory(folder).find(this_moment()) is not None
    writing.close(forget=True)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full disk to be had")
def test_a_full_disk_is_a_trouble_and_the_old_place_stays(tmp_path: Path) -> None:
    writing = memory(tmp_path)
    writing.write(replace(a_place(), tick=7), NOW)
    fresh = tmp_path / (FILE_NAME + ".new")
    fresh.symlink_to("/dev/full")
    with pytest.raises(OSError, match="No space"):
        writing.write(replace(a_place(), tick=8), later(1))
    fresh.unlink()
    found = memory(tmp_path).find(later(2))
    assert found is not None
    assert found.place.tick == 7


def test_a_disk_that_is_full_has_a_spare_stand_in(tmp_path: Path) -> None:
    folder, spare = tmp_path / "state", tmp_path / "spare"
    folder.mkdir()
    writing = Memory(folder, "tidewater.yaml", "digest", [spare])
    writing.write(replace(a_place(), tick=7), this_moment())
    for name in (FILE_NAME, KEPT_NAME, keptset.FILE_NAME):
        (folder / f"{name}.new").symlink_to("/dev/full")
    writing.start()
    writing.play(three_parts(), "digest")
    writing.note(replace(a_place(), tick=8))
    until(lambda: "power cut" in writing.trouble, "a trouble")
    assert "no space left" in writing.trouble

    another = Memory(folder, "tidewater.yaml", "digest", [spare])
    until(lambda: tick_of(another) == 8, "the later place")
    assert keptset.find_kept([folder, spare], "tidewater.yaml") == (three_parts(), "digest")
    # In a folder that others can write to anything may stand.
    spare.chmod(0o755)
    assert tick_of(another) == 7
    assert keptset.find_kept([folder, spare], "tidewater.yaml") is None
    spare.chmod(0o700)

    for name in (FILE_NAME, KEPT_NAME, keptset.FILE_NAME):
        (folder / f"{name}.new").unlink()
    writing.note(replace(a_place(), tick=9))
    until(lambda: not writing.trouble, "no trouble")
    assert tick_of(another) == 9
    # What had to stand in the spare has reached the disk.
    assert keptset.find_kept([folder], "tidewater.yaml") == (three_parts(), "digest")
    writing.close(forget=True)
    assert [*folder.iterdir(), *spare.iterdir()] == []


def tick_of(reading: Memory) -> int | None:
    found = reading.find()
    return None if found is None else found.place.tick
