"""One engine at a time, and its address for the user's own eyes."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import given
from hypothesis import strategies as st

from companion.link.endpoint import (
    FILE_NAME,
    LOCK_NAME,
    AlreadyRunning,
    EngineLock,
    NoEngine,
    find_endpoint,
)
from companion.link.folders import folders, is_own, state_folder
from companion.link.messages import PROTOCOL, LinkError
from tests.disk import Disk, given_away
from tests.link.link_peers import steady

posix = pytest.mark.skipif(os.name != "posix", reason="modes are POSIX")

HOLDER = """
import sys, time
from pathlib import Path
from companion.link.endpoint import EngineLock
lock = EngineLock(Path(sys.argv[1]))
lock.acquire()
lock.publish(4711, "token", "Tidewater")
print("ready", flush=True)
time.sleep(600)
"""


def hold(folder: Path) -> subprocess.Popen[str]:
    """Another process that is the engine."""
    child = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    return child


def test_a_client_finds_what_the_engine_published(tmp_path: Path) -> None:
    with EngineLock(tmp_path) as lock:
        lock.publish(4711, "token", "Tidewater")
        found = find_endpoint(tmp_path)
        assert (found.port, found.token, found.set_name) == (4711, "token", "Tidewater")
        assert (found.pid, found.version) == (os.getpid(), PROTOCOL)
        assert "token" not in repr(found)
        lock.publish(4711, "token", "Tidewater, second night")
        assert find_endpoint(tmp_path).set_name == "Tidewater, second night"
    with pytest.raises(NoEngine):
        find_endpoint(tmp_path)


@posix
def test_only_the_user_can_read_it_whatever_the_umask(tmp_path: Path) -> None:
    folder = tmp_path / "state" / "companion"
    before = os.umask(0)
    try:
        with EngineLock(folder) as lock:
            lock.publish(4711, "token")
            assert stat.S_IMODE(folder.stat().st_mode) == 0o700
            assert stat.S_IMODE((folder / FILE_NAME).stat().st_mode) == 0o600
            assert stat.S_IMODE((folder / LOCK_NAME).stat().st_mode) == 0o600
            assert sorted(p.name for p in folder.iterdir()) == [FILE_NAME, LOCK_NAME]
    finally:
        os.umask(before)


@posix
def test_a_file_planted_in_its_way_is_not_written_through(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_text("untouched")
    (tmp_path / (FILE_NAME + ".new")).symlink_to(elsewhere)
    (tmp_path / FILE_NAME).symlink_to(elsewhere)
    with EngineLock(tmp_path) as lock:
        lock.publish(4711, "token")
        assert find_endpoint(tmp_path).port == 4711
    assert elsewhere.read_text() == "untouched"


def test_the_folder_follows_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COMPANION_STATE_DIR", str(tmp_path / "mine"))
    assert state_folder() == tmp_path / "mine"
    with EngineLock() as lock:
        lock.publish(1, "token")
        assert find_endpoint() == find_endpoint(tmp_path / "mine")


@pytest.mark.skipif(sys.platform != "linux", reason="XDG is for Linux")
def test_the_systems_folder_is_the_xdg_state_folder_and_is_made_private(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # XDG Base Directory Specification: $XDG_STATE_HOME holds state of the user's own.
    monkeypatch.delenv("COMPANION_STATE_DIR", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert state_folder() == tmp_path / "companion"
    (tmp_path / "companion").mkdir(mode=0o755)
    with EngineLock():
        assert stat.S_IMODE((tmp_path / "companion").stat().st_mode) == 0o700


def test_a_second_engine_is_refused_and_told_of_the_first(tmp_path: Path) -> None:
    with EngineLock(tmp_path) as lock:
        lock.publish(4711, "token", "Tidewater")
        with pytest.raises(AlreadyRunning, match=f"Tidewater.*{os.getpid()}"):
            EngineLock(tmp_path).acquire()
        assert find_endpoint(tmp_path).port == 4711
    with EngineLock(tmp_path):
        pass


def test_an_engine_that_has_not_said_where_it_is_refuses_a_second_too(tmp_path: Path) -> None:
    with EngineLock(tmp_path), pytest.raises(AlreadyRunning):
        EngineLock(tmp_path).acquire()


@posix
def test_a_killed_engine_leaves_a_file_but_no_lock(tmp_path: Path) -> None:
    child = hold(tmp_path)
    assert find_endpoint(tmp_path).pid == child.pid
    with pytest.raises(AlreadyRunning, match=str(child.pid)):
        EngineLock(tmp_path).acquire()
    child.send_signal(signal.SIGKILL)
    child.communicate()
    assert (tmp_path / FILE_NAME).exists()
    with pytest.raises(NoEngine, match="ended without saying so"):
        find_endpoint(tmp_path)
    with EngineLock(tmp_path) as lock:
        with pytest.raises(NoEngine):
            find_endpoint(tmp_path)
        lock.publish(4712, "token")
        assert find_endpoint(tmp_path).port == 4712


def test_no_folder_is_no_engine(tmp_path: Path) -> None:
    with pytest.raises(NoEngine, match="no engine is running"):
        find_endpoint(tmp_path / "nowhere")
    assert not (tmp_path / "nowhere").exists()


def test_a_client_that_is_just_looking_does_not_keep_an_engine_from_starting(
    tmp_path: Path,
) -> None:
    # Looking takes the lock for a moment; this look is a long one.
    look = FileLock(tmp_path / LOCK_NAME, thread_local=False)
    look.acquire()
    done = threading.Timer(0.05, look.release)
    done.start()
    with EngineLock(tmp_path) as lock:
        lock.publish(4711, "token")
        assert find_endpoint(tmp_path).port == 4711
    done.join()


def test_an_engine_of_another_version_is_named_as_such(tmp_path: Path) -> None:
    with EngineLock(tmp_path):
        for body in ({"version": PROTOCOL + 1}, {"version": PROTOCOL + 1, "port": "pipe"}):
            (tmp_path / FILE_NAME).write_text(json.dumps(body))
            with pytest.raises(LinkError, match="another version") as caught:
                find_endpoint(tmp_path)
            assert not isinstance(caught.value, NoEngine)


@steady
@given(
    st.binary(max_size=80)
    | st.dictionaries(
        st.sampled_from(["port", "token", "pid", "version", "set_name"]),
        st.none() | st.integers() | st.text(max_size=3) | st.just(PROTOCOL),
    ).map(lambda body: json.dumps(body).encode())
)
def test_a_spoiled_file_is_only_ever_a_link_error(tmp_path: Path, text: bytes) -> None:
    with EngineLock(tmp_path):
        (tmp_path / FILE_NAME).write_bytes(text)
        with contextlib.suppress(LinkError):
            found = find_endpoint(tmp_path)
            assert 0 < found.port < 65536


def test_only_the_holder_of_the_lock_may_publish(tmp_path: Path) -> None:
    lock = EngineLock(tmp_path)
    with pytest.raises(LinkError):
        lock.publish(4711, "token")
    with lock:
        pass
    lock.release()
    with pytest.raises(LinkError):
        lock.publish(4711, "token")
    assert not (tmp_path / FILE_NAME).exists()


@posix
@pytest.mark.parametrize("how", ["for others", "another user's"])
def test_a_folder_others_can_write_to_is_left_alone_and_the_next_is_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    shared = tmp_path / "shared"
    with EngineLock(shared) as planting:
        planting.publish(4711, "planted")
        body = (shared / FILE_NAME).read_bytes()
    (shared / FILE_NAME).write_bytes(body)
    given_away(shared) if how == "another user's" else shared.chmod(0o777)
    before = sorted(shared.iterdir())
    with pytest.raises(NoEngine, match=r"left alone"):
        find_endpoint(shared)
    with EngineLock(shared) as lock:
        assert str(shared) in lock.trouble
        lock.publish(4712, "token")
        assert find_endpoint(shared).port == 4712
    assert sorted(shared.iterdir()) == before
    assert (shared / FILE_NAME).read_bytes() == body


def test_a_file_where_the_folder_should_be_is_one_plain_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(LinkError, match="folder") as caught:
            EngineLock(folder).acquire()
        assert "\n" not in str(caught.value)
        with pytest.raises(NoEngine):
            find_endpoint(folder)


@pytest.fixture
def disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Disk:
    """The disk of a state folder that has been used before; the spares are elsewhere."""
    runtime = tmp_path / "run"
    runtime.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    folder = tmp_path / "state"
    with EngineLock(folder) as lock:
        lock.publish(1, "token")
    return Disk(folder, monkeypatch)


linux = pytest.mark.skipif(sys.platform != "linux", reason="the spare follows XDG")


@linux
@pytest.mark.parametrize("becomes", [Disk.becomes_full, Disk.becomes_read_only])
def test_where_nothing_can_be_written_the_engine_is_found_in_a_spare_folder(
    disk: Disk, becomes: Callable[[Disk], None]
) -> None:
    becomes(disk)
    with EngineLock(disk.folder) as lock:
        lock.publish(4711, "token", "Tidewater")
        found = find_endpoint(disk.folder)
        assert (found.port, found.token, found.set_name) == (4711, "token", "Tidewater")
        spare = folders(disk.folder)[1]
        assert stat.S_IMODE(spare.stat().st_mode) == 0o700
        assert stat.S_IMODE((spare / FILE_NAME).stat().st_mode) == 0o600
        for _ in range(2):
            with pytest.raises(AlreadyRunning, match="Tidewater"):
                EngineLock(disk.folder).acquire()
            # It stays the only one when there is room again.
            disk.is_well_again()
    with pytest.raises(NoEngine):
        find_endpoint(disk.folder)


@linux
@pytest.mark.parametrize("becomes", [Disk.becomes_full, Disk.becomes_read_only])
def test_an_engine_is_the_only_one_though_its_disk_fails_later(
    disk: Disk, becomes: Callable[[Disk], None]
) -> None:
    child = hold(disk.folder)
    becomes(disk)
    with pytest.raises(AlreadyRunning):
        EngineLock(disk.folder).acquire()
    assert find_endpoint(disk.folder).pid == child.pid
    child.kill()
    child.communicate()
    # What it left can neither be locked nor taken away, and is no engine.
    with pytest.raises(NoEngine):
        find_endpoint(disk.folder)
    with EngineLock(disk.folder) as lock:
        lock.publish(4712, "token")
        assert find_endpoint(disk.folder).port == 4712


@linux
def test_a_disk_that_fills_up_between_lock_and_address(disk: Disk) -> None:
    with EngineLock(disk.folder) as lock:
        disk.becomes_full()
        lock.publish(4711, "token")
        assert find_endpoint(disk.folder).port == 4711
        disk.is_well_again()
        with pytest.raises(AlreadyRunning):
            EngineLock(disk.folder).acquire()


@linux
@pytest.mark.parametrize("how", ["a link", "for others"])
def test_a_spare_folder_of_somebody_elses_is_neither_read_nor_written(
    disk: Disk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    # Where everybody can write, somebody may have been quicker.
    monkeypatch.setattr("companion.link.folders._spare_roots", lambda: [tmp_path / "run"])
    spare = folders(disk.folder)[1]
    theirs = tmp_path / "theirs" if how == "a link" else spare
    theirs.mkdir(mode=0o700 if how == "a link" else 0o755)
    if how == "a link":
        spare.symlink_to(theirs)
    child = hold(theirs)
    disk.becomes_full()
    with pytest.raises(NoEngine):
        find_endpoint(disk.folder)
    before = sorted(theirs.iterdir())
    with pytest.raises(LinkError, match="no space left"):
        EngineLock(disk.folder).acquire()
    assert sorted(theirs.iterdir()) == before
    child.kill()
    child.communicate()


@posix
def test_a_folder_of_another_user_is_not_ones_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tmp_path.chmod(0o700)
    assert is_own(tmp_path)
    uid = os.getuid()
    monkeypatch.setattr(os, "getuid", lambda: uid + 1)
    assert not is_own(tmp_path)


@linux
def test_an_engine_that_took_the_spare_folder_just_now_is_the_only_one(
    disk: Disk, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk.becomes_full()
    with EngineLock(disk.folder):
        # Whoever looked before it took the lock saw it free.
        monkeypatch.setattr("companion.link.endpoint._lock_is_free", lambda path: True)
        with pytest.raises(AlreadyRunning):
            EngineLock(disk.folder).acquire()


@posix
def test_a_full_disk_is_one_plain_line_and_leaves_the_old_address(tmp_path: Path) -> None:
    # A limit on file size fails a write as a full disk does, and needs no disk to fill.
    script = (
        "import resource, sys\nfrom pathlib import Path\n"
        "from companion.link.endpoint import EngineLock\n"
        "from companion.link.messages import LinkError\n"
        "lock = EngineLock(Path(sys.argv[1]))\nlock.acquire()\nlock.publish(4711, 'token')\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))\n"
        "try:\n    lock.publish(4712, 'token')\n"
        "except LinkError as error:\n"
        "    print(error)\n    print(sorted(p.name for p in Path(sys.argv[1]).iterdir()))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=True
    )
    said, left = done.stdout.splitlines()
    assert said.startswith(f"cannot write {tmp_path / FILE_NAME}: ")
    assert left == str([FILE_NAME, LOCK_NAME])
    for spare in folders(tmp_path)[1:]:
        shutil.rmtree(spare, ignore_errors=True)
