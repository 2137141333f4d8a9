"""The eleven stories of counts that were sure and wrong, and plain nights that must be sure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from companion.follow import Follower, belief
from companion.follow.belief import Belief, Heard
from companion.follow.conductor import Conductor
from companion.setlist import SetList
from tests.search.search import charge_of, replay, story
from tests.search.stage import Charged
from tests.search.stories import PLAIN, STORIES, Story


@pytest.mark.parametrize("told", STORIES, ids=lambda told: told.name)
def test_right_or_unsure_and_nothing_sent_late_twice_or_unasked(told: Story) -> None:
    try:
        replay(told.book, Follower, told.events, keeps=True)
    except Charged:
        pytest.fail(story(told.book, Follower, told.events, keeps=True))


@pytest.mark.parametrize("told", PLAIN, ids=lambda told: told.name)
def test_what_is_plain_is_sure_and_the_changes_are_made(told: Story) -> None:
    stage = replay(told.book, Follower, told.events, keeps=True)
    status = stage.follower.status()
    assert (status.sure, status.part, stage.sends) == (True, told.sure_in, told.sends), story(
        told.book, Follower, told.events, keeps=True
    )


# -- the faults, put back one by one ---------------------------------------------------------------

Fault = Callable[[pytest.MonkeyPatch], None]
_named, _jumped, _keep = belief.named, belief.jumped, Conductor.keep


def _hearing(heard: Callable[[Belief, SetList, Heard], Belief]) -> Fault:
    return lambda patch: patch.setattr(belief, "named", heard)


def _with(where: object, name: str, answer: object) -> Fault:
    return lambda patch: patch.setattr(where, name, lambda *_, **__: answer)


def _takes_no_echo(worlds: Belief, setlist: SetList, heard: Heard) -> Belief:
    return worlds if heard.ours else _named(worlds, setlist, heard)


def _counts_once(worlds: Belief, setlist: SetList, heard: Heard) -> Belief:
    return _named(worlds, setlist, replace(heard, high=heard.low))


def _deaf(worlds: Belief, setlist: SetList, heard: Heard) -> Belief:
    return worlds


def _never_out(self: Conductor, now_ns: int) -> dict[str, Any]:
    kept = _keep(self, now_ns)
    return kept | {"situation": kept["situation"] | {"out": []}}


def _regular(
    worlds: Belief, setlist: SetList, ticks: int, count: int, repeats: bool | None
) -> Belief:
    return _jumped(worlds, setlist, ticks, count, True)


FAULTS: dict[str, tuple[str, Fault]] = {
    "what we sent lately is always an echo": ("1 ", _hearing(_takes_no_echo)),
    "armed again, no hand has changed it": ("2 ", _with(Conductor, "_handed_back", False)),
    "its word that it stays is not heard": ("3 ", _hearing(_deaf)),
    "a word is heard at one count only": ("4 ", _hearing(_counts_once)),
    "nobody starts it while nobody listens": ("5 ", _with(Conductor, "unseen", None)),
    "its word is forgotten by a kill": ("6 ", _hearing(_deaf)),
    "what waits for its time leaves all the same": ("7 ", _with(Follower, "keeps", True)),
    "the beat is always known": ("8 ", _with(Conductor, "_keeps_beat", True)),
    "what is out is not kept": ("9 ", lambda patch: patch.setattr(Conductor, "keep", _never_out)),
    "each position is its regular word": (
        "10 ",
        lambda patch: patch.setattr(belief, "jumped", _regular),
    ),
    "nobody chooses while nobody listens": ("11 ", _with(Conductor, "unseen", None)),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_that_is_put_back_is_found(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    number, fault = FAULTS[name]
    fault(monkeypatch)
    told = [each for each in STORIES if each.name.startswith(number)]
    assert any(charge_of(each.book, Follower, each.events, keeps=True) for each in told)
