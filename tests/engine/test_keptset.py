"""The set list that is played, kept for whoever takes up the place of a killed engine."""

from __future__ import annotations

import json
import os
import pickle
import stat
import threading
from pathlib import Path
from typing import Any

import pytest

from companion.engine import checkpointfile
from companion.engine.checkpointfile import Memory, find_kept, packed, sealed
from tests.builders import Rehearsal, SetBuilder, bar_pattern, three_parts
from tests.disk import given_away


def keep(folder: Path, content: bytes) -> None:
    (folder / checkpointfile.SET_NAME).write_bytes(sealed(content))


def place() -> dict[str, Any]:
    return Rehearsal(three_parts()).start().clock(30).follower.checkpoint(10**9)


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
        lambda body: body.split(b"\n", 1)[0] + b"\nno set",
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
    mode = (tmp_path / checkpointfile.SET_NAME).stat().st_mode
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
    assert Memory(tmp_path, "tidewater.yaml", "second").find() is None


@pytest.mark.parametrize("later", ["state", "spare"])
def test_of_two_that_were_kept_the_later_counts(tmp_path: Path, later: str) -> None:
    state, spare = tmp_path / "state", tmp_path / "spare"
    for number, folder in enumerate((state, spare)):
        folder.mkdir(mode=0o700)
        keep(folder, packed(three_parts(), "tidewater.yaml", folder.name))
        moment = 1_700_000_000 + (10 if folder.name == later else number)
        os.utime(folder / checkpointfile.SET_NAME, (moment, moment))
    assert find_kept([state, spare], "tidewater.yaml") == (three_parts(), later)


class Planted:
    """What runs when it is unpickled (pickle: the reduce protocol of the Python library)."""

    def __init__(self, trace: Path) -> None:
        self._trace = trace

    def __reduce__(self) -> object:
        return Path.write_text, (self._trace, "ran")


@pytest.mark.parametrize("whose", ["own", "another user's"])
def test_nothing_that_stands_in_it_is_ever_run(tmp_path: Path, whose: str) -> None:
    folder, trace = tmp_path / "state", tmp_path / "trace"
    folder.mkdir(mode=0o700)
    head = packed(three_parts(), "tidewater.yaml", "digest").split(b"\n")[0]
    planted = head + b"\n" + pickle.dumps(Planted(trace))
    for content in (planted, sealed(planted)):
        (folder / checkpointfile.SET_NAME).write_bytes(content)
        if whose == "another user's":
            given_away(folder / checkpointfile.SET_NAME)
            given_away(folder)
        assert find_kept([folder], "tidewater.yaml") is None
        assert not trace.exists()


@pytest.mark.parametrize("word", ["os.system", "eval", "SetListError", "Path", "type"])
def test_a_line_makes_nothing_but_what_sets_are_made_of(tmp_path: Path, word: str) -> None:
    body = packed(three_parts(), "tidewater.yaml", "digest")
    keep(tmp_path, body + b"\n" + json.dumps([word, "true"]).encode())
    assert find_kept([tmp_path], "tidewater.yaml") is None


def test_a_set_of_another_users_is_none_in_a_folder_of_ones_own(tmp_path: Path) -> None:
    keep(tmp_path, packed(three_parts(), "tidewater.yaml", "digest"))
    given_away(tmp_path / checkpointfile.SET_NAME)
    assert find_kept([tmp_path], "tidewater.yaml") is None
