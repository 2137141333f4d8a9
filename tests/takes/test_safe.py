"""What becomes of takes when an engine is killed, the power fails or the disk takes no more."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from companion.takes import store as stores
from companion.takes.export import heard, to_jsonl
from companion.takes.record import Recorder
from companion.takes.store import NAME, VERSION, DiskFull, NoTake, Store, Take, TakesError
from tests.builders import three_parts
from tests.takes.studio import Studio

ROOT = Path(__file__).parents[2]


def whole(folder: Path) -> None:
    """SQLite itself finds nothing amiss."""
    with sqlite3.connect(folder / NAME) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    db.close()


def content(folder: Path, take: int) -> tuple[Take, str, int]:
    """All of a take, to be held against itself."""
    with Store(folder) as store:
        found = store.take(take)
        arrived = sum(len(chunk) for chunk in store.arrivals(take))
        return found, to_jsonl(store, found), arrived


def earlier(folder: Path, ticks: int = 400) -> tuple[Take, str, int]:
    """A take that has ended well."""
    return content(folder, Studio(three_parts(), folder).start().clocks(ticks).end().take)


class Child:
    """A recorder in a process of its own."""

    def __init__(self, folder: Path, *words: str) -> None:
        command = [sys.executable, "-m", "tests.takes.recording", str(folder), *words]
        self.process = subprocess.Popen(
            command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        take, began_ns = self.process.stdout.readline().split()
        self.take, self.began_ns = int(take), int(began_ns)

    def kill(self) -> int:
        """Kill it; returns when, in ns from the beginning of its take."""
        killed_ns = time.monotonic_ns()
        self.process.kill()
        self.process.communicate()
        return killed_ns - self.began_ns

    def end(self) -> str:
        """End it as it should; returns what was not in order."""
        return self.process.communicate(timeout=20)[0].strip()


def killed(folder: Path, rng: random.Random, before: tuple[Take, str, int]) -> float:
    """Kill it in the middle of a take; returns the seconds that were lost."""
    child = Child(folder)
    time.sleep(rng.uniform(0.0, 1.6))
    killed_ns = child.kill()
    found, _, _ = content(folder, child.take)
    assert found.ended == "killed"
    with Store(folder) as store:
        latest = max((a[0] for chunk in store.arrivals(child.take) for a in chunk), default=0)
    whole(folder)
    assert content(folder, before[0].take) == before
    return (killed_ns - latest) / 1e9


@pytest.mark.parametrize("seed", range(2))
def test_a_kill_costs_less_than_a_second_and_no_earlier_take(tmp_path: Path, seed: int) -> None:
    # A second, and what a busy machine takes for a commit.
    assert killed(tmp_path, random.Random(seed), earlier(tmp_path)) < 1.5


@pytest.mark.nightly
@pytest.mark.timeout(1800)
def test_a_hundred_kills_cost_less_than_a_second_each(tmp_path: Path) -> None:
    before, rng = earlier(tmp_path), random.Random(100)
    lost = sorted(killed(tmp_path, rng, before) for _ in range(100))
    print(f"seconds lost by 100 kills: median {lost[50]:.2f}, most {lost[-1]:.2f}")
    # A second, and what a busy machine takes for a commit.
    assert lost[-1] < 1.5
    with Store(tmp_path) as store:
        assert len(store.takes()) == 101


def test_a_power_cut_leaves_what_was_committed(tmp_path: Path) -> None:
    # What a disk has at one moment: the WAL first, whose frames are in the file before it restarts.
    before = earlier(tmp_path)
    studio = Studio(three_parts(), tmp_path, jitter_ns=1e5).start()
    committed, copies = [0], []
    ended = threading.Event()
    rng = random.Random(4)

    def copy() -> None:
        while not ended.is_set():
            at, folder = committed[0], tmp_path / f"copy {len(copies)}"
            folder.mkdir()
            shutil.copyfile(tmp_path / f"{NAME}-wal", folder / f"{NAME}-wal")
            shutil.copyfile(tmp_path / NAME, folder / NAME)
            copies.append((folder, at))
            time.sleep(rng.uniform(0.0, 0.03))

    copier = threading.Thread(target=copy)
    copier.start()
    while len(copies) < 30:
        studio.clocks(24)
        studio.write()
        committed[0] = studio.tick + 1
    ended.set()
    copier.join()
    for number, (folder, at) in enumerate(copies):
        torn = number % 3 == 0
        if torn:
            # The last frames did not get there, and the one before them only in part.
            wal = folder / f"{NAME}-wal"
            os.truncate(wal, rng.randint(wal.stat().st_size // 2, wal.stat().st_size))
        whole(folder)
        assert content(folder, before[0].take) == before
        if torn:
            continue
        found, _, _ = content(folder, studio.take)
        assert found.ended == "killed"
        assert at <= found.clocks <= studio.tick + 1


def test_on_a_full_disk_recording_stops_and_the_show_goes_on(tmp_path: Path) -> None:
    before = earlier(tmp_path)
    # No file may grow beyond that (setrlimit(2), RLIMIT_FSIZE): a disk that takes no more.
    child = Child(tmp_path, "--most", str(300_000), "--notes", "60")
    time.sleep(4)
    assert child.process.poll() is None
    assert "recording stopped: the disk" in child.end()
    found, _, arrived = content(tmp_path, child.take)
    assert found.ended == "full"
    assert arrived > 1000
    whole(tmp_path)
    assert content(tmp_path, before[0].take) == before
    assert not list(tmp_path.glob("take-*"))


@pytest.fixture
def tiny(tmp_path: Path) -> Iterator[Path]:
    """A disk of 400 kB."""
    folder = tmp_path / "tiny"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", folder], capture_output=True
    )
    if mounted.returncode:
        pytest.skip("only root can make a tiny disk")
    yield folder
    subprocess.run(["umount", folder], check=True)


def play_on(studio: Studio) -> None:
    """Play as long as the disk takes it."""
    for _ in range(2000):
        studio.clocks(24, lambda _: [(9, n) for n in range(20)])
        studio.write()


def fill_up(path: Path) -> None:
    """Write until the disk takes no more."""
    with open(path, "wb", buffering=0) as file:
        while True:
            file.write(bytes(4096))


def test_a_disk_without_room_says_so_in_the_take(tiny: Path) -> None:
    before = earlier(tiny, 100)
    studio = Studio(three_parts(), tiny).start()
    with pytest.raises(DiskFull, match="the disk is full"):
        play_on(studio)
    # There is room for nothing but what was put aside.
    with pytest.raises(OSError, match="No space"):
        fill_up(tiny / "more")
    studio.writer.close(full=True)
    found, _, arrived = content(tiny, studio.take)
    assert found.ended == "full"
    assert arrived > 500
    (tiny / "more").unlink()
    whole(tiny)
    assert content(tiny, before[0].take) == before


def test_takes_on_a_full_disk_are_called_that_and_are_there_again_with_room(tiny: Path) -> None:
    before = earlier(tiny, 100)
    with pytest.raises(OSError, match="No space"):
        fill_up(tiny / "more")
    with pytest.raises(DiskFull, match="the disk is full"):
        content(tiny, 1)
    (tiny / "more").unlink()
    assert content(tiny, 1) == before


def test_nothing_is_recorded_into_a_file_that_is_not_ours(tmp_path: Path) -> None:
    (tmp_path / NAME).write_bytes(b"nothing of the kind" * 1000)
    recorder = Recorder(three_parts(), kind="play", set_file=Path("x"), folder=tmp_path)
    recorder.start()
    while not recorder.trouble:
        time.sleep(0.01)
    recorder.close()
    assert recorder.take is None
    assert recorder.trouble.startswith("no recording: ")
    assert "is damaged or no database of takes" in recorder.trouble
    assert (tmp_path / NAME).read_bytes() == b"nothing of the kind" * 1000


def test_a_foreign_database_is_left_alone(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / NAME) as db:
        db.execute("CREATE TABLE shells (name TEXT)")
    db.close()
    kept = (tmp_path / NAME).read_bytes()
    for make in (False, True):
        with pytest.raises(TakesError, match="not one of companion's"):
            Store(tmp_path, make=make)
    assert (tmp_path / NAME).read_bytes() == kept


def test_a_database_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    earlier(tmp_path)
    with sqlite3.connect(tmp_path / NAME) as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    db.close()
    with pytest.raises(TakesError, match="written by a newer version of companion"):
        Store(tmp_path)


def test_an_older_database_is_upgraded_on_a_copy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = earlier(tmp_path)
    old = (tmp_path / NAME).read_bytes()
    newer = stores.SCHEMA.replace(
        "note TEXT NOT NULL DEFAULT '',", "note TEXT NOT NULL DEFAULT '', mood TEXT DEFAULT 'calm',"
    )
    monkeypatch.setattr(stores, "SCHEMA", newer)
    monkeypatch.setattr(stores, "VERSION", VERSION + 1)
    assert content(tmp_path, 1) == before
    with sqlite3.connect(tmp_path / NAME) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION + 1,)
        assert db.execute("SELECT mood FROM takes").fetchall() == [("calm",)]
    db.close()
    whole(tmp_path)
    assert (tmp_path / f"{NAME}.version-{VERSION}").read_bytes() == old
    # And it goes on from there: numbers are never given twice.
    assert Studio(three_parts(), tmp_path).end().take == 2


def test_nothing_is_upgraded_while_somebody_records(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    studio = Studio(three_parts(), tmp_path).start().clocks(50)
    studio.write()
    monkeypatch.setattr(stores, "VERSION", VERSION + 1)
    with pytest.raises(TakesError, match="end the engine"):
        Store(tmp_path)
    studio.end()
    assert content(tmp_path, 1)[0].clocks == 50


def test_a_damaged_page_is_told_and_what_else_is_there_stays(tmp_path: Path) -> None:
    earlier(tmp_path)
    body = bytearray((tmp_path / NAME).read_bytes())
    body[100:4096] = os.urandom(3996)
    (tmp_path / NAME).write_bytes(body)
    with pytest.raises(TakesError, match="is damaged"):
        content(tmp_path, 1)
    assert (tmp_path / NAME).read_bytes() == bytes(body)


def test_no_takes_yet_is_no_fault_and_no_such_take_is_one(tmp_path: Path) -> None:
    with Store(tmp_path / "nowhere") as store:
        assert store.takes() == []
        with pytest.raises(NoTake, match="no takes yet"):
            store.take()
    assert not (tmp_path / "nowhere").exists()
    earlier(tmp_path)
    with Store(tmp_path) as store, pytest.raises(NoTake, match="there is no take 9"):
        store.take(9)
    with pytest.raises(NoTake):
        heard(9, tmp_path)


def test_a_take_is_deleted_with_all_it_had_and_the_room_is_given_back(tmp_path: Path) -> None:
    first = earlier(tmp_path)
    Studio(three_parts(), tmp_path).start().clocks(30_000).end()
    with Store(tmp_path) as store:
        size = store.size
        store.delete([2])
        assert [each.take for each in store.takes()] == [1]
        assert store.size < size / 2
        assert not store.events(2)
        assert store.chunks(2) == 0
    assert content(tmp_path, 1) == first
    running = Studio(three_parts(), tmp_path)
    with Store(tmp_path) as store, pytest.raises(TakesError, match="being recorded"):
        store.delete([1, running.take])
    assert content(tmp_path, 1) == first
    running.end()
