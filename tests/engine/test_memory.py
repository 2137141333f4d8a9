"""The engine's memory: safe, private, and never in the way of the show."""

from __future__ import annotations

import copy
import json
import os
import random
import stat
from pathlib import Path
from typing import Any

import pytest

from companion.engine import checkpointfile
from companion.engine.checkpointfile import (
    KEPT_NAME,
    OLD_NS,
    PAGE_NAME,
    Found,
    Memory,
    Now,
    sealed,
    unsealed,
)
from companion.follow.follower import Follower
from tests.builders import TICK_NS, Rehearsal, three_parts
from tests.disk import Disk, given_away
from tests.engine.waiting import until

SECOND = 1_000_000_000


class Clocks:
    """The clocks of a computer."""

    def __init__(self) -> None:
        self.now = Now("boot", 500 * SECOND, 1_700_000_000 * SECOND)

    def __call__(self) -> Now:
        return self.now

    def later(
        self, seconds: float, *, asleep: float = 0.0, boot: str = "boot", set_by: float = 0.0
    ) -> None:
        """So many seconds go by, some of them asleep; `set_by` is how the wall clock is set."""
        self.now = Now(
            boot,
            self.now.monotonic_ns + round((seconds - asleep) * SECOND),
            self.now.wall_ns + round((seconds + set_by) * SECOND),
        )


class Desk:
    """A folder, the clocks, and one engine's memory after the other."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clocks = Clocks()
        self.memories: list[Memory] = []

    def memory(self, digest: str = "digest", *spares: Path) -> Memory:
        memory = Memory(self.folder, "tidewater.yaml", digest, spares, self.clocks)
        self.memories.append(memory)
        return memory

    def begun(self) -> Memory:
        memory = self.memory()
        memory.start()
        return memory

    def kept(self, tick: int = 250) -> dict[str, Any]:
        """Where a follower stands that has heard its tick `tick` just now."""
        on_stage = Rehearsal(three_parts(recount=False))
        on_stage.now_ns = self.clocks.now.monotonic_ns - (tick + 1) * TICK_NS
        return on_stage.start().clock(tick + 1).follower.checkpoint(on_stage.now_ns)

    def killed(self, kept: dict[str, Any] | None = None) -> dict[str, Any]:
        """An engine keeps that, and is killed; what it kept."""
        memory, kept = self.begun(), kept or self.kept()
        memory.note(kept)
        until((self.folder / KEPT_NAME).exists, "it is on the disk")
        memory.close(forget=False)
        return kept

    def found(self, digest: str = "digest") -> Found | None:
        return self.memory(digest).find()

    @property
    def tick(self) -> int | None:
        """The tick of what is found, None if nothing is."""
        found = self.memories[-1].find()
        return None if found is None else int(found.kept["count"]["ticks"])

    def close(self) -> None:
        for memory in self.memories:
            memory.close(forget=False)


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    desk = Desk(tmp_path)
    yield desk
    desk.close()


def on_disk(folder: Path) -> int:
    """The tick that is safe from a power cut."""
    return int(json.loads(unsealed((folder / KEPT_NAME).read_bytes()))["kept"]["count"]["ticks"])


def test_what_is_kept_is_found_again_to_the_last_figure(desk: Desk) -> None:
    kept = desk.killed()
    desk.clocks.later(2)
    found = desk.found()
    assert found is not None
    assert found.kept == json.loads(json.dumps(kept))
    assert found.trusted


@pytest.mark.parametrize(("asleep", "boot"), [(0.0, "boot"), (3.0, "boot"), (495.0, "another")])
def test_the_night_goes_on_since_its_first_start(desk: Desk, asleep: float, boot: str) -> None:
    before = desk.begun()
    before.started_ns = desk.clocks.now.monotonic_ns - 60 * SECOND
    before.note(desk.kept())
    desk.clocks.later(5, asleep=asleep, boot=boot)
    found = desk.found()
    assert found is not None
    assert desk.clocks.now.monotonic_ns - found.started_ns == 65 * SECOND


def test_a_set_that_was_not_started_has_not_begun(desk: Desk) -> None:
    desk.killed()
    desk.clocks.later(5)
    found = desk.found()
    assert found is not None
    assert found.started_ns == 0


def test_nobody_else_can_read_it(desk: Desk) -> None:
    before = os.umask(0)
    try:
        desk.killed()
    finally:
        os.umask(before)
    for name in (PAGE_NAME, KEPT_NAME):
        assert stat.S_IMODE((desk.folder / name).stat().st_mode) == 0o600
    assert len(list(desk.folder.iterdir())) == 2


def test_a_place_in_another_set_or_of_long_ago_is_none(desk: Desk) -> None:
    desk.killed()
    desk.clocks.later(2)
    assert desk.found("another digest") is None
    desk.clocks.later(OLD_NS / SECOND - 2)
    assert desk.found() is not None
    desk.clocks.later(1)
    assert desk.found() is None
    desk.clocks.later(-OLD_NS / SECOND - 6)
    assert desk.found() is None


@pytest.mark.parametrize(
    "gone_by",
    [
        {"boot": "another boot", "asleep": 525},
        {"asleep": 20},
        # A wall clock that was set back or forth: then the one that only goes on.
        {"set_by": -20},
    ],
)
def test_a_place_by_clocks_that_parted_is_an_estimate(gone_by: dict[str, Any], desk: Desk) -> None:
    kept, before = desk.killed(), desk.clocks.now.monotonic_ns
    desk.clocks.later(30, **gone_by)
    found, now_ns = desk.found(), desk.clocks.now.monotonic_ns
    assert found is not None
    assert not found.trusted
    # Its times are as long ago as it was.
    assert now_ns - found.kept["at_ns"] == before - kept["at_ns"] + 30 * SECOND
    follower = Follower.resume(three_parts(recount=False), found.kept, now_ns)
    ago_ns = now_ns - follower.conductor.ticks.time_of(250)
    assert ago_ns == pytest.approx(30 * SECOND, abs=1_000_000)


def test_of_what_a_kill_and_a_power_cut_leave_the_fresher_counts(desk: Desk) -> None:
    writing = desk.begun()
    writing.note(desk.kept(150))
    until((desk.folder / KEPT_NAME).exists, "it is on the disk")
    desk.clocks.later(1)
    for tick in (155, 160, 165):
        writing.note(desk.kept(tick))
        assert desk.tick == tick
    page = (desk.folder / PAGE_NAME).read_bytes()
    # As after a power cut: the page is empty, or not what was written.
    for wrecked in (b"", bytes(len(page)), page.replace(b"count", b"mount")):
        (desk.folder / PAGE_NAME).write_bytes(wrecked)
        assert desk.found() is not None
        assert desk.tick == 150


def test_half_a_note_leaves_the_one_before(desk: Desk) -> None:
    writing = desk.begun()
    for tick in (150, 155):
        writing.note(desk.kept(tick))
        desk.clocks.later(0.1)
    writing.close(forget=False)
    page = bytearray((desk.folder / PAGE_NAME).read_bytes())
    at = page.rindex(b'"ticks":155')
    # Killed as it was writing the second: the rest of its half is what stood there.
    page[at : at + 4000] = bytes(4000)
    (desk.folder / PAGE_NAME).write_bytes(page)
    assert desk.found() is not None
    assert desk.tick == 150


def test_a_kept_place_with_a_number_beyond_all_is_none(desk: Desk) -> None:
    writing = desk.begun()
    writing.note(desk.kept(150))
    kept = desk.folder / KEPT_NAME
    until(kept.exists, "it is on the disk")
    writing.close(forget=False)
    (desk.folder / PAGE_NAME).unlink(missing_ok=True)
    assert desk.found() is not None
    body = checkpointfile.unsealed(kept.read_bytes())
    endless = body.replace(b'"started_ns":0', b'"started_ns":1e999')
    assert endless != body
    kept.write_bytes(checkpointfile.sealed(endless))
    assert desk.found() is None


@pytest.mark.parametrize("set_by", [-3600.0, -2.0, 3600.0])
def test_a_wall_clock_that_was_set_while_it_played_changes_nothing(
    set_by: float, desk: Desk
) -> None:
    writing = desk.begun()
    writing.note(desk.kept(100))
    desk.clocks.later(3, set_by=set_by)
    writing.note(desk.kept(150))
    desk.clocks.later(2)
    found = desk.found()
    assert found is not None
    assert (desk.tick, found.trusted) == (150, True)


def test_the_disk_is_written_when_it_matters(desk: Desk) -> None:
    writing, disk = desk.begun(), desk.folder / KEPT_NAME
    writing.note(desk.kept(100))
    until(disk.exists, "it is on the disk")
    desk.clocks.later(1)
    writing.note(desk.kept(148))
    assert on_disk(desk.folder) == 100
    # Another part.
    desk.clocks.later(1)
    writing.note(desk.kept(200))
    until(lambda: on_disk(desk.folder) == 200, "the other part is on the disk")
    # Ten seconds.
    desk.clocks.later(11)
    writing.note(desk.kept(210))
    until(lambda: on_disk(desk.folder) == 210, "the later place is on the disk")


def wreck(rng: random.Random, body: dict[str, Any]) -> bytes:
    """A file with something wrong in it."""
    kind = rng.randrange(4)
    if kind == 0:
        whole = json.dumps(body).encode()
        return whole[: rng.randrange(len(whole))]
    if kind == 1:
        return rng.randbytes(rng.randrange(2000))
    within, body = body, copy.deepcopy(body)
    within = body
    while True:
        key = rng.choice(sorted(within))
        if not isinstance(within[key], dict) or rng.random() < 0.3:
            break
        within = within[key]
    if kind == 2:
        del within[key]
    else:
        within[key] = rng.choice(
            [None, "tide", -1, 1.5, [], {}, [[]], True, float("nan"), 10**30, 1 << 80]
        )
    return json.dumps(body).encode()


def test_a_wrecked_file_is_no_place_and_never_a_crash(desk: Desk) -> None:
    rng = random.Random(11)
    desk.killed()
    (desk.folder / PAGE_NAME).unlink()
    body = json.loads(unsealed((desk.folder / KEPT_NAME).read_bytes()))
    desk.clocks.later(2)
    resumed = 0
    for _ in range(400):
        (desk.folder / KEPT_NAME).write_bytes(sealed(wreck(rng, body)))
        found = desk.found()
        if found is None:
            continue
        try:
            follower = Follower.resume(
                three_parts(recount=False), found.kept, desk.clocks.now.monotonic_ns
            )
        except (ValueError, TypeError, KeyError, IndexError):
            # What the engine takes for no checkpoint.
            continue
        follower.hear("tide drum", desk.clocks.now.monotonic_ns, b"\xf8")
        resumed += 1
    assert resumed


def test_an_engine_that_ended_well_leaves_nothing(desk: Desk) -> None:
    writing = desk.begun()
    writing.note(desk.kept())
    until((desk.folder / KEPT_NAME).exists, "the place is written")
    writing.close(forget=True)
    assert list(desk.folder.iterdir()) == []


def test_a_folder_that_cannot_be_written_to_is_a_trouble_and_no_more(desk: Desk) -> None:
    desk.folder = desk.folder / "state"
    writing = desk.begun()
    assert "cannot be kept safe from a crash" in writing.trouble
    writing.note(desk.kept(100))
    until(lambda: "cannot be kept safe" in writing.trouble, "a trouble")
    # Once it is there again, all is well.
    desk.folder.mkdir()
    desk.clocks.later(20)
    writing.note(desk.kept(150))
    # The one before may be written first, now that it can be.
    until(lambda: desk.tick == 150, "the latest place")
    until(lambda: not writing.trouble, "no trouble")
    writing.close(forget=True)


def test_a_disk_that_is_full_has_a_spare_stand_in(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    spare = desk.folder / "spare"
    desk.folder = desk.folder / "state"
    desk.folder.mkdir()
    desk.killed(desk.kept(70))
    disk = Disk(desk.folder, monkeypatch)
    disk.becomes_full()
    desk.clocks.later(1)
    writing = desk.memory("digest", spare)
    writing.start()
    writing.play(three_parts(), "digest")
    writing.note(desk.kept(80))
    until(lambda: "power cut" in writing.trouble, "a trouble")
    assert "no space left" in writing.trouble
    assert desk.tick == 80
    until((spare / KEPT_NAME).exists, "the later place")
    assert checkpointfile.find_kept([desk.folder, spare], "tidewater.yaml") == (
        three_parts(),
        "digest",
    )
    # In a folder that others can write to anything may stand.
    spare.chmod(0o755)
    assert desk.tick == 70
    assert checkpointfile.find_kept([desk.folder, spare], "tidewater.yaml") is None
    spare.chmod(0o700)

    disk.is_well_again()
    desk.clocks.later(20)
    writing.note(desk.kept(90))
    until(lambda: not writing.trouble, "no trouble")
    assert on_disk(desk.folder) == 90
    # What had to stand in the spare has reached the disk.
    assert checkpointfile.find_kept([desk.folder], "tidewater.yaml") == (three_parts(), "digest")
    writing.close(forget=True)
    assert [*desk.folder.iterdir(), *spare.iterdir()] == []


def test_no_figure_that_was_changed_on_the_disk_is_gone_on_with(desk: Desk) -> None:
    rng = random.Random(13)
    desk.killed()
    desk.clocks.later(2)
    (desk.folder / PAGE_NAME).unlink()
    file = desk.folder / KEPT_NAME
    whole = file.read_bytes()
    figures = [at for at, byte in enumerate(whole) if chr(byte).isdigit()]
    for _ in range(300):
        changed = bytearray(whole)
        for at in rng.sample(figures, rng.randint(1, 3)):
            changed[at] = rng.choice([figure for figure in b"0123456789" if figure != whole[at]])
        file.write_bytes(changed)
        assert desk.found() is None


@pytest.mark.parametrize("name", [PAGE_NAME, KEPT_NAME])
@pytest.mark.parametrize("what", ["folder", "file", "file for others", "link"])
def test_a_place_that_somebody_else_may_have_written_is_none(
    tmp_path: Path, what: str, name: str
) -> None:
    desk, folder = Desk(tmp_path / "state"), tmp_path / "state"
    folder.mkdir(mode=0o700)
    desk.killed()
    desk.clocks.later(2)
    file = folder / name
    (folder / ({PAGE_NAME, KEPT_NAME} - {name}).pop()).unlink()
    assert desk.found() is not None
    if what == "file for others":
        file.chmod(0o622)
    elif what == "link":
        file.rename(tmp_path / "elsewhere")
        file.symlink_to(tmp_path / "elsewhere")
    else:
        given_away(folder if what == "folder" else file)
    assert desk.found() is None
    # And nobody is kept waiting by a pipe that nobody writes into.
    file.unlink()
    os.mkfifo(file)
    assert desk.found() is None


def test_a_folder_of_somebody_elses_is_not_written_to_and_that_is_told(desk: Desk) -> None:
    spare = desk.folder / "spare"
    desk.folder = desk.folder / "state"
    desk.folder.mkdir(mode=0o700)
    given_away(desk.folder)
    writing = desk.memory("digest", spare)
    writing.start()
    writing.note(desk.kept())
    until(lambda: f"{desk.folder} is another user's" in writing.trouble, "a trouble")
    assert desk.tick == 250
    assert list(desk.folder.iterdir()) == []
    writing.close(forget=True)
