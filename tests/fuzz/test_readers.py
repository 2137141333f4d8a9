"""Whatever a stranger hands in, each reader takes it or says what is wrong: nothing else comes out.

A moment for each reader in every run, a minute in CI, an hour with `-m nightly`.
`COMPANION_FUZZ_SECONDS` sets the time for each, `COMPANION_FUZZ_SEED` plays a run again; seed and
number of inputs are printed, and the seed stands in the failure.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from companion.cli.web import MOST_CELLS, clamped
from companion.engine.checkpointfile import KEPT_NAME, VERSION, Memory, Now, sealed
from companion.engine.ports import DriverTime
from companion.follow.follower import Follower
from companion.link.messages import (
    BadMessage,
    decode_hello,
    decode_map,
    decode_plan,
    decode_snapshot,
    decode_wish,
)
from companion.setlist import SetListError
from companion.setlist.faults import MOST_FAULTS
from companion.setlist.loading import packed, unpacked
from companion.setlist.reading import read_controls, read_text
from tests.builders import PORT, TICK_NS, Rehearsal, three_parts
from tests.cli.conftest import GOOD

SECONDS = float(os.environ.get("COMPANION_FUZZ_SECONDS", "0.5"))
SEED = int(os.environ.get("COMPANION_FUZZ_SEED", "0")) or random.SystemRandom().randrange(
    1, 1 << 32
)
NIGHTLY_S = 3600.0
SETS = [path.read_text() for path in (Path(__file__).parents[2] / "setlists").glob("*.yaml")]
SETS.append(GOOD)
PAD = (
    "controls:\n  - {press: note 60, wish: next}\n  - {press: {controller: 20}, wish: align bar}\n"
)
# All that makes a night: layers, blocks, a stop, steps together, several passes, places inside.
NIGHT = """
set: Tidewater
curfew: 23:30
first: send
instruments:
  box: {channel: 1, change: {send_before: 1 bar}}
  pads: {channel: 2, change: {takes_effect: at once, send_before: 30 ms}}
patterns:
  slack water:
    tracks:
      low drum: {note: 36, steps: {"1, 5, 9-12": "not pass 2, 4 of 4", 16: "pass 1, 3 of 4"}}
  drone: {length: 12, tracks: {swell: {note: 50, steps: {1: pass 3 of 5, 7: always}}}}
songs:
  - song: Slack water
    on: box
    also: [{on: pads, program: 4}]
    notes: "D minor; pads low light"
    then: stop
    parts:
      - {pattern: slack water, name: Calm, program: 1, phrases: 2,
         with: [{pattern: drone, on: pads, program: 3}],
         cues: [{at: bar 5 beat 3, mute: low drum}, {at: pass 2 step 9, say: "look up"}]}
      - repeat: 3
        parts:
          - {pattern: slack water, program: 2, phrases: 1, with: [{pattern: drone, on: pads}]}
          - {pattern: slack water, name: Ebb, about: 4 phrases, also: [{on: pads, program: 5}],
             with: [{pattern: drone, on: pads, again: true}]}
"""
SETS.append(NIGHT)
PADS_SETS = (GOOD + PAD, NIGHT + PAD)
WORDS = (
    "set: song: songs: parts: pattern: pass chance 50% of if last \x00 \u202e - [ ] { } & * ! | > "
    "with: also: repeat: then: stop name: about: curfew: 23:30 again: first: bar 5 beat 3 1-4"
)
NOW = Now("boot", 500 * 10**9, 1_700_000_000 * 10**9)


def mutated(texts: list[str]) -> st.SearchStrategy[str]:
    """One of the texts, with pieces of it and of others cut out, doubled and put in elsewhere."""
    piece = st.sampled_from(WORDS.split(" ")) | st.text(max_size=8) | st.just("\n")
    edit = st.tuples(st.floats(0, 1), st.integers(0, 40), piece, st.booleans())

    def made(text: str, edits: list[tuple[float, int, str, bool]]) -> str:
        for where, length, new, doubles in edits:
            at = round(where * len(text))
            cut = text[at : at + length]
            text = text[:at] + (cut * 2 if doubles else new) + text[at + length :]
        return text

    return st.builds(made, st.sampled_from(texts), st.lists(edit, min_size=1, max_size=6))


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=10,
)


def a_set_list(text: str) -> None:
    try:
        setlist = read_text(text, "tide.yaml")
    except SetListError as error:
        wrong = error
    else:
        # What the reader takes comes whole through what it is kept and handed on in.
        assert unpacked(packed(setlist)) == setlist
        return
    assert 1 <= len(wrong.faults) <= MOST_FAULTS
    assert len(str(wrong).split("\n")) == len(wrong.faults) + bool(wrong.more)


def controls(text: str, folder: Path) -> None:
    file = folder / "pad.yaml"
    file.write_text(text, encoding="utf-8", errors="replace")
    with contextlib.suppress(SetListError):
        read_controls(file, three_parts())


def state(change: tuple[list[int], Any], folder: Path) -> None:
    """A kept place in which anything stands anywhere, its checksum right all the same."""
    on_stage = Rehearsal(three_parts()).start().clock(200).ask("align bar").clock(20)
    kept = on_stage.follower.checkpoint(on_stage.now_ns)
    body = json.loads(json.dumps({"kept": kept})) | {
        "version": VERSION,
        "number": 1,
        "started_ns": 0,
        "boot": NOW.boot,
        "monotonic_ns": NOW.monotonic_ns,
        "wall_ns": NOW.wall_ns,
        "file": "",
        "set": "digest",
    }
    way, value = change
    put_somewhere(body, way, value)
    (folder / KEPT_NAME).write_bytes(sealed(json.dumps(body).encode()))
    later = Now("boot", NOW.monotonic_ns + 10**9, NOW.wall_ns + 10**9)
    found = Memory(folder, "", "digest", moment=lambda: later).find()
    if found is None:
        return
    try:
        follower = Follower.resume(three_parts(), found.kept, later.monotonic_ns)
    except (ValueError, TypeError, KeyError):
        return
    for tick in range(3):
        follower.hear(PORT, later.monotonic_ns + tick * TICK_NS, (0xF8,))
    follower.status()


def put_somewhere(tree: Any, way: list[int], value: Any) -> None:
    """Put `value` in the place of what lies at the end of a way through lists and objects."""
    for step in way:
        keys = sorted(tree) if isinstance(tree, dict) else range(len(tree))
        key = keys[step % len(keys)]
        if step == way[-1] or not isinstance(tree[key], dict | list) or not tree[key]:
            tree[key] = value
            return
        tree = tree[key]


def kept_set(body: bytes) -> None:
    try:
        unpacked(body)
    except ValueError:
        return


def link_line(line: bytes) -> None:
    for decode in (decode_hello, decode_wish, decode_snapshot, decode_plan, decode_map):
        try:
            decode(line)
        except BadMessage:
            continue


def web_query(size: tuple[int, int]) -> None:
    columns, rows = clamped(*size)
    assert columns >= 1
    assert rows >= 1
    assert columns * rows <= MOST_CELLS


def midi(night: tuple[str, list[tuple[int, list[int], float]]]) -> None:
    """Bytes as no instrument sends them, on two ports, between clocks and wishes."""
    text, messages = night
    follower, clock, now_ns = Follower(read_text(text, "tide.yaml")), DriverTime(), 10**9
    for port, message, delta_s in messages:
        now_ns += round(abs(delta_s) * 1e9) + 1
        t_ns = clock.stamp(delta_s, now_ns, joined=not message)
        assert t_ns <= now_ns
        for send in follower.hear(f"tide {port}", t_ns, message, now_ns):
            assert send.latest_ns >= now_ns
        follower.passed(now_ns)
        assert follower.standing().tick >= 0


MESSAGE = st.sampled_from(
    [
        *([0xF8], [0xFA], [0xFB], [0xFC], [0xFE], [0xFF], [0xF2, 4, 0]),
        *([0xC9, 1], [0xC1, 2], [0x99, 36, 100], [0x91, 50, 100], [0x90, 36, 100]),
    ]
) | st.lists(st.integers(0, 255), max_size=5)
DELTA_S = st.sampled_from([0.0, 0.02, 0.0208]) | st.floats(-1, 5)
SIZES = st.integers(-(1 << 70), 1 << 70)
WAYS = st.lists(st.integers(0, 1000), min_size=1, max_size=7)

READERS: dict[str, tuple[Callable[..., None], st.SearchStrategy[Any]]] = {
    "set list": (a_set_list, mutated(SETS)),
    "controls": (controls, mutated([PAD])),
    "state": (state, st.tuples(WAYS, JSON | st.integers(-5, 500))),
    "kept set": (
        kept_set,
        mutated([packed(three_parts()).decode()]).map(lambda text: text.encode("utf-8", "replace")),
    ),
    "link line": (
        link_line,
        st.binary(max_size=200)
        | JSON.map(lambda value: json.dumps(value).encode())
        | mutated(['{"wish":"align","unit":"bar","program":"1"}', '{"snapshot":{"at_ns":1}}']).map(
            lambda text: text.encode("utf-8", "replace")
        ),
    ),
    "web query": (web_query, st.tuples(SIZES, SIZES)),
    "MIDI bytes": (
        midi,
        st.tuples(
            st.sampled_from(PADS_SETS),
            st.lists(st.tuples(st.integers(0, 1), MESSAGE, DELTA_S), max_size=60),
        ),
    ),
}


def run(name: str, seconds: float, folder: Path) -> int:
    """Hand inputs to a reader for so long; how many there were."""
    read, inputs = READERS[name]
    words = (folder,) if read in (controls, state) else ()
    deadline, count, number = time.monotonic() + seconds, 0, SEED

    while time.monotonic() < deadline:

        @seed(number)
        @settings(
            max_examples=200,
            deadline=None,
            database=None,
            phases=(Phase.generate, Phase.shrink),
            suppress_health_check=list(HealthCheck),
            print_blob=False,
        )
        @given(inputs)
        def fuzz(value: Any) -> None:
            nonlocal count
            count += 1
            read(value, *words)

        try:
            fuzz()
        except BaseException as error:
            error.add_note(f"{name}: COMPANION_FUZZ_SEED={number} plays it again")
            raise
        number += 1
    # Of two at work only this goes through to whoever looks on.
    print(f"{name}: {count} inputs in {seconds:g} s, seed {SEED}", file=sys.stderr, flush=True)
    return count


@pytest.mark.timeout(SECONDS + 110)
@pytest.mark.parametrize("name", READERS)
def test_whatever_comes_in_is_taken_or_said_to_be_wrong(
    name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    with capfd.disabled():
        assert run(name, SECONDS, tmp_path) >= 200


@pytest.mark.nightly
@pytest.mark.timeout(NIGHTLY_S + 600)
@pytest.mark.parametrize("name", READERS)
def test_whatever_comes_in_for_an_hour(
    name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    seconds = float(os.environ.get("COMPANION_FUZZ_SECONDS", NIGHTLY_S))
    with capfd.disabled():
        assert run(name, seconds, tmp_path) >= 200
