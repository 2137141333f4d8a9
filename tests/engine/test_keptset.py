"""The set list that is played, kept for whoever takes up the place of a killed engine."""

from __future__ import annotations

import os
import stat
import threading
from pathlib import Path

import pytest

from companion.engine import keptset
from companion.engine.keptset import find_kept, packed
from companion.engine.memory import Memory, this_moment
from companion.follow.place import Place, remember
from tests.builders import Rehearsal, SetBuilder, bar_pattern, three_parts


def keep(folder: Path, content: bytes) -> None:
    (folder / keptset.FILE_NAME).write_bytes(content)


def place() -> Place:
    return remember(Rehearsal(three_parts()).start().clock(30).follower, 10**9)


def kept_soon(folder: Path, digest: str) -> None:
    """Wait until the set of that digest is kept."""
    done = threading.Event()
    for _ in range(500):
        found = find_kept([folder], "tidewater.yaml")
        if found is not None and found[1] == digest:
            return
        done.wait(0.01)
    raise AssertionError("never kept")


def test_it_comes_back_as_it_was(tmp_path: Path) -> None:
    keep(tmp_path, packed(three_parts(), "tidewater.yaml", "digest"))
    assert find_kept([tmp_path], "tidewater.yaml") == (three_parts(), "digest")
    assert find_kept([tmp_path], "other.yaml") is None


@pytest.mark.parametrize(
    "spoilt",
    [
        lambda body: b"",
        lambda body: body[: len(body) // 2],
        lambda body: body.replace(b'"version": "', b'"version": "9', 1),
        lambda body: body.split(b"\n", 1)[0] + b"\n",
        lambda body: b"no json\n" + body,
        lambda body: body.split(b"\n", 1)[0] + b"\nno pickle",
    ],
)
def test_half_of_it_or_that_of_another_version_is_none(tmp_path: Path, spoilt) -> None:  # type: ignore[no-untyped-def]
    keep(tmp_path, spoilt(packed(three_parts(), "tidewater.yaml", "digest")))
    assert find_kept([tmp_path], "tidewater.yaml") is None


def test_no_file_is_none(tmp_path: Path) -> None:
    assert find_kept([tmp_path], "tidewater.yaml") is None


def test_the_memory_keeps_the_set_it_plays_for_this_user_alone(tmp_path: Path) -> None:
    memory = Memory(tmp_path, "tidewater.yaml", "first")
    memory.start()
    memory.play(three_parts(), "first")
    kept_soon(tmp_path, "first")
    mode = (tmp_path / keptset.FILE_NAME).stat().st_mode
    assert stat.S_IMODE(mode) == 0o600
    other = SetBuilder().part(bar_pattern("neap")).build()
    memory.play(other, "second")
    kept_soon(tmp_path, "second")
    assert find_kept([tmp_path], "tidewater.yaml") == (other, "second")
    memory.close(forget=True)
    assert list(tmp_path.iterdir()) == []


def test_a_place_belongs_to_the_set_that_was_played_when_it_was_noted(tmp_path: Path) -> None:
    memory = Memory(tmp_path, "tidewater.yaml", "first")
    # Noted, not written yet, and then another set takes over.
    memory.note(place())
    memory.play(three_parts(), "second")
    memory.start()
    kept_soon(tmp_path, "second")
    memory.close(forget=False)
    assert Memory(tmp_path, "tidewater.yaml", "second").find(this_moment()) is None


@pytest.mark.parametrize("later", ["state", "spare"])
def test_of_two_that_were_kept_the_later_counts(tmp_path: Path, later: str) -> None:
    state, spare = tmp_path / "state", tmp_path / "spare"
    for number, folder in enumerate((state, spare)):
        folder.mkdir(mode=0o700)
        (folder / keptset.FILE_NAME).write_bytes(
            packed(three_parts(), "tidewater.yaml", folder.name)
        )
        moment = 1_700_000_000 + (10 if folder.name == later else number)
        os.utime(folder / keptset.FILE_NAME, (moment, moment))
    assert find_kept([state, spare], "tidewater.yaml") == (three_parts(), later)
