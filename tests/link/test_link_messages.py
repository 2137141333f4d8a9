"""Every message survives the line, and nothing but BadMessage comes of a bad one."""

from __future__ import annotations

import json
from dataclasses import fields
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

import companion
from companion.link.messages import (
    MAP_LINE,
    MAX_OVERVIEW,
    PLAN_LINE,
    PROTOCOL,
    BadMessage,
    Coming,
    Later,
    LayerView,
    MapRow,
    Misfit,
    PatternMap,
    PlanPart,
    PlanSong,
    ProgramView,
    SetPlan,
    Snapshot,
    TrackView,
    Trouble,
    UnknownWish,
    WhyNot,
    decode_hello,
    decode_map,
    decode_plan,
    decode_snapshot,
    decode_wish,
    encode_hello,
    encode_map,
    encode_plan,
    encode_snapshot,
    encode_wish,
    level,
)
from companion.wishes import WISHES, Ask, Wish
from tests.link.link_peers import steady, tidewater

# UTF-8 cannot carry half a surrogate pair (RFC 3629, section 3).
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
COUNT = st.integers(-(1 << 63), (1 << 63) - 1)
KINDS: dict[str, st.SearchStrategy[Any]] = {
    "str": TEXT,
    "Count": COUNT,
    "int": COUNT,
    "bool": st.booleans(),
    "float": st.floats(allow_nan=False, allow_infinity=False),
    "bool | None": st.none() | st.booleans(),
    "Count | None": st.none() | COUNT,
    "tuple[str, ...]": st.lists(TEXT, max_size=3).map(tuple),
    "tuple[tuple[Count, Count], ...]": st.lists(st.tuples(COUNT, COUNT), max_size=3).map(tuple),
    "tuple[Count, ...]": st.lists(COUNT, max_size=3).map(tuple),
}


def values(kind: type, **given_: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Any value of one of the frozen classes, each field by its declared kind."""
    free = {f.name: KINDS[str(f.type)] for f in fields(kind) if f.name not in given_}
    return st.builds(kind, **free, **given_)


SNAPSHOTS = values(
    Snapshot,
    coming=st.lists(values(Coming), max_size=3).map(tuple),
    tracks=st.lists(values(TrackView), max_size=3).map(tuple),
    misfits=st.lists(values(Misfit), max_size=3).map(tuple),
    troubles=st.lists(values(Trouble), max_size=3).map(tuple),
    refused=st.lists(values(WhyNot), max_size=3).map(tuple),
    later=st.lists(values(Later), max_size=3).map(tuple),
    layers=st.lists(values(LayerView), max_size=3).map(tuple),
    wants=st.lists(values(ProgramView), max_size=3).map(tuple),
)
PLANS = values(
    SetPlan,
    songs=st.lists(values(PlanSong), max_size=3).map(tuple),
    parts=st.lists(values(PlanPart), max_size=3).map(tuple),
)
MAPS = values(PatternMap, rows=st.lists(values(MapRow), max_size=3).map(tuple))
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
    max_leaves=12,
)
DECODERS = (decode_hello, decode_wish, decode_snapshot, decode_plan, decode_map)


@steady
@given(SNAPSHOTS)
def test_any_snapshot_comes_back_as_it_was(snapshot: Snapshot) -> None:
    line = encode_snapshot(snapshot)
    assert decode_snapshot(line) == snapshot
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")


@steady
@given(PLANS)
def test_any_plan_comes_back_as_it_was(plan: SetPlan) -> None:
    line = encode_plan(plan)
    assert decode_plan(line) == plan
    assert line.startswith(PLAN_LINE)
    assert line.count(b"\n") == 1


@steady
@given(MAPS)
def test_any_map_comes_back_as_it_was(pattern_map: PatternMap) -> None:
    line = encode_map(pattern_map)
    assert decode_map(line) == pattern_map
    assert line.startswith(MAP_LINE)
    assert line.count(b"\n") == 1


def test_an_overview_that_a_screen_would_wait_for_does_not_go_out() -> None:
    long = "low tide " * (MAX_OVERVIEW // 9)
    with pytest.raises(BadMessage):
        encode_plan(SetPlan(long))
    with pytest.raises(BadMessage):
        encode_map(PatternMap(1, long))


@pytest.mark.parametrize(
    ("chance", "sign"),
    # Eighths, rounded up; never and always have signs of their own. Ours, no source.
    [(0, "0"), (1e-9, "1"), (0.125, "1"), (0.25, "2"), (0.3, "3"), (0.5, "4"), (0.999, "8")],
)
def test_a_chance_is_told_in_eighths(chance: float, sign: str) -> None:
    assert level(chance) == sign
    assert level(1) == "9"


SAID = [*(wish for wish in WISHES if wish.ask is not Ask.FILL), Wish(Ask.PART, part=12)]


@pytest.mark.parametrize("wish", SAID, ids=str)
def test_a_wish_comes_back_as_it_was(wish: Wish) -> None:
    line = encode_wish(wish)
    assert json.loads(line)["wish"] == str(wish)
    assert decode_wish(line) == wish


@steady
@given(st.sampled_from([str(wish) for wish in SAID]), TEXT.filter(str.strip))
def test_no_wish_with_a_word_more_is_taken_for_the_one_without(words: str, more: str) -> None:
    line = json.dumps({"wish": f"{words} {more}"}).encode()
    with pytest.raises(UnknownWish):
        decode_wish(line)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"wish": "align galaxy"}, "align galaxy"),
        ({"wish": "stop softly"}, "stop softly"),
        ({"wish": "encore"}, "encore"),
        ({"wish": ""}, ""),
        ({"wish": "back"}, "back"),
        ({"wish": "align bar", "by": 3}, "align bar by"),
        ({"wish": "align", "unit": "bar"}, "align unit"),
        ({"wish": "part -1"}, "part -1"),
        ({"wish": "part 3.5"}, "part 3.5"),
        ({"wish": "part \u00b3"}, "part \u00b3"),
        ({"wish": "part"}, "part"),
        # Only a key that is held can ask for it.
        ({"wish": "fill"}, "fill"),
    ],
)
def test_a_wish_with_a_word_that_is_new_is_refused_whole(
    said: dict[str, object], words: str
) -> None:
    with pytest.raises(UnknownWish) as refused:
        decode_wish(json.dumps({**said, "program": "9.7"}).encode())
    assert str(refused.value) == (
        f"refused: {words!r} is no wish that version {companion.__version__} knows; "
        "it came from version 9.7"
    )


@steady
@given(TEXT)
def test_a_hello_carries_version_and_token(token: str) -> None:
    assert decode_hello(encode_hello(token)) == (PROTOCOL, token)


def test_what_comes_back_has_the_kinds_it_was_declared_with() -> None:
    said = {"at_ns": 1, "tempo": 118, "coming": [], "troubles": [{"kind": "disk", "text": "a"}]}
    back = decode_snapshot(json.dumps({"snapshot": said}).encode())
    assert type(back.tempo) is float
    assert back.troubles == (Trouble("disk", "a"),)
    assert hash(back) == hash(Snapshot(1, tempo=118.0, troubles=(Trouble("disk", "a"),)))


def test_fields_of_a_newer_engine_are_passed_over() -> None:
    message = json.loads(encode_snapshot(tidewater(96)))
    message["mood"] = "calm"
    message["snapshot"]["swell"] = {"height": 3}
    message["snapshot"]["coming"][0]["colour"] = [1, 2, 3]
    message["snapshot"]["tracks"][0]["level"] = 0.5
    back = decode_snapshot(json.dumps(message).encode())
    assert back.tick == 96
    assert back.coming[0].track == "low drum"
    assert [t.name for t in back.tracks] == ["low drum", "shaker"]


@steady
@given(st.binary(max_size=200))
@example(b"")
@example(b"\xff\xfe")
@example(b"9" * 5000)
@example(b"[" * 100_000)
@example(b'{"snapshot":' * 20_000)
@example(b'{"wish":"\\ud800"}')
@example(b'{"wish":["next"]}')
@example(b'{"snapshot":{"at_ns":1e999}}')
def test_bytes_that_are_no_message_are_bad_messages(line: bytes) -> None:
    for decode in DECODERS:
        with pytest.raises(BadMessage):
            decode(line)


@steady
@given(JSON)
def test_any_other_json_is_a_bad_message(content: object) -> None:
    line = json.dumps(content).encode()
    for decode in DECODERS:
        with pytest.raises(BadMessage):
            decode(line)


@pytest.mark.parametrize("line", [None, 5, ["x"], memoryview(b"{}"), bytearray(b"\xff")])
def test_what_is_no_line_at_all_is_a_bad_message(line: Any) -> None:
    for decode in DECODERS:
        with pytest.raises(BadMessage):
            decode(line)


@steady
@given(st.data())
def test_one_field_of_another_kind_spoils_a_snapshot_or_fits_its_kind(data: st.DataObject) -> None:
    message = json.loads(encode_snapshot(tidewater(96)))
    body = message["snapshot"]
    where = data.draw(st.sampled_from([body, body["coming"][0], body["tracks"][0]]))
    kind = {id(body): Snapshot, id(body["coming"][0]): Coming}.get(id(where), TrackView)
    name = data.draw(st.sampled_from([f.name for f in fields(kind)]))
    where[name] = data.draw(JSON)
    try:
        back = decode_snapshot(json.dumps(message).encode())
    except BadMessage:
        return
    # Whatever gets through can be drawn: it encodes again to the same value.
    assert decode_snapshot(encode_snapshot(back)) == back


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("at_ns", None),
        ("at_ns", True),
        ("tick", 1.0),
        ("tick", 1 << 63),
        ("tempo", "118"),
        ("tempo", float("nan")),
        ("tempo", float("inf")),
        ("sure", 1),
        ("song", None),
        ("song", "\ud83d"),
        ("change_ticks", "soon"),
        ("coming", None),
        ("coming", {}),
        ("coming", "abc"),
        ("coming", [[]]),
        ("coming", [{"kind": "step", "text": "no tick"}]),
        ("coming", [{"tick": 1, "kind": "step", "text": "", "tracks": "low drum"}]),
        ("coming", [{"tick": 1, "kind": "step", "text": "", "tracks": [1]}]),
        ("tracks", [{"name": "shaker"}]),
        ("tracks", [{"name": "shaker", "muted": None}]),
        ("troubles", "abc"),
        ("troubles", [None]),
        ("troubles", ["the disk is full"]),
        ("refused", [{"wish": "next", "kind": 1, "words": ""}]),
    ],
)
def test_a_field_of_the_wrong_kind_is_a_bad_message(name: str, content: object) -> None:
    line = json.dumps({"snapshot": {"at_ns": 1, name: content}}).encode()
    with pytest.raises(BadMessage):
        decode_snapshot(line)


def test_a_snapshot_without_its_time_is_a_bad_message() -> None:
    with pytest.raises(BadMessage, match="at_ns"):
        decode_snapshot(b'{"snapshot":{}}')


def test_a_fill_cannot_be_asked_for_in_passing() -> None:
    with pytest.raises(BadMessage):
        encode_wish(Wish(Ask.FILL))


def test_a_port_name_that_is_no_text_still_goes_out() -> None:
    # An operating system hands such bytes on as half surrogate pairs (PEP 383).
    odd = b"dr\xfcms".decode("utf-8", "surrogateescape")
    assert decode_snapshot(encode_snapshot(Snapshot(1, clock_port=odd))).clock_port == "dr?ms"


def test_a_tempo_that_is_no_number_does_not_go_out() -> None:
    with pytest.raises(ValueError, match="float"):
        encode_snapshot(Snapshot(1, tempo=float("nan")))
