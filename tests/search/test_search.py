"""The follower, searched: every short sequence of events, over states, and the merging of these."""

from __future__ import annotations

from random import Random

import pytest

from companion.follow import Follower
from tests.nightly import one_in
from tests.search.nights import play, told
from tests.search.search import ALPHABET, TOYS, Merged, random_sequence, search, story, unlike
from tests.search.stage import words_of

# The one that is searched four deep in 15 s, the others two deep; four deep they take a minute
# at most, by night.
BY_DAY = "ignores"


def searched(name: str, depth: int, workers: int) -> None:
    """Search one toy set, and tell the first failing sequence as a story."""
    book = TOYS[name]
    found = search(book, Follower, depth, workers=workers, most_charges=1)
    print(f"{name}: depth {depth}, {found}")
    if found.charges:
        pytest.fail(story(book, Follower, found.charges[0][0]))


def alike(name: str, count: int, length: int) -> None:
    """Play random sequences without merging, and hold them against the states of the search."""
    merged = Merged(TOYS[name], Follower)
    rng = Random(13)
    for _ in range(count):
        events = random_sequence(rng, TOYS[name], Follower, ALPHABET, length)
        found = unlike(merged, events)
        assert not found, f"{'; '.join(map(words_of, events))}: {found}"


@pytest.mark.parametrize("name", [name for name in TOYS if name != BY_DAY])
def test_every_sequence_of_two_events_is_right_or_unsure(name: str) -> None:
    searched(name, 2, workers=1)


def test_every_sequence_of_four_events_is_right_or_unsure_by_day() -> None:
    searched(BY_DAY, 4, workers=1)


@pytest.mark.nightly
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", TOYS)
def test_every_sequence_of_four_events_is_right_or_unsure(name: str) -> None:
    searched(name, 4, workers=2)


def test_random_sequences_are_what_the_search_takes_them_for() -> None:
    alike("names", 200, 7)


@pytest.mark.parametrize("seed", one_in(3, range(12)))
def test_a_foreign_night(seed: int) -> None:
    fate = play(Follower, seed)
    assert not fate.charge, told(Follower, fate)


@pytest.mark.nightly
@pytest.mark.timeout(8 * 3600)
@pytest.mark.parametrize("name", TOYS)
def test_every_sequence_of_seven_events_is_right_or_unsure(name: str) -> None:
    searched(name, 7, workers=2)


@pytest.mark.nightly
@pytest.mark.timeout(8 * 3600)
@pytest.mark.parametrize("name", TOYS)
def test_twenty_thousand_random_sequences_are_what_the_search_takes_them_for(name: str) -> None:
    alike(name, 20_000 // len(TOYS) + 1, 7)
