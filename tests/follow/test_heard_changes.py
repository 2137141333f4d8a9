"""Whether an instrument took its change: told from its notes, or from its own word.

The instrument is `NoisyDrum`, which reads the rules by itself and knows nothing of the listeners.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from companion.setlist import Instrument, SetList
from tests.builders import Rehearsal, SetBuilder
from tests.follow.noisy import BAR, EBB, NOTES, PHRASE, SLACK, WRITTEN, NoisyDrum


def tide(*, notes: bool = True, parts: int = 2) -> SetList:
    book = SetBuilder().part(SLACK, program=1, phrases=1)
    book.part(EBB, program=2, phrases=None if parts == 2 else 1)
    if parts == 3:
        book.part(EBB, program=3, phrases=None)
    drums = {"drums": Instrument("drums", channel=9)}
    return replace(book.build(), instruments=drums, notes=WRITTEN if notes else {})


class Band(Rehearsal):
    """Follower and listener fed by an instrument that plays and changes its patterns."""

    def __init__(self, setlist: SetList, *, obeys: bool = True) -> None:
        super().__init__(setlist)
        self.obeys = obeys
        self.played, self.song, self.began = SLACK, -1, 0
        self.start()

    def plays(self, ticks: int) -> Band:
        for _ in range(ticks):
            self.song += 1
            if self.song == PHRASE and self.obeys:
                self.played, self.began = EBB, self.song
            self.clock()
            tick = self.song - self.began
            drum = NoisyDrum(self.played, NOTES, 1, lost=0, stray=0, swing=0)
            for _, channel, note in drum.play(tick + 1, tick):
                self.hear(0x90 | channel, note, 100)
        return self

    @property
    def trouble(self) -> str:
        return self.follower.ignored


def test_an_instrument_that_takes_its_change_is_left_alone() -> None:
    on_stage = Band(tide()).plays(PHRASE + 2 * BAR)
    assert on_stage.where == (2, 2 * BAR - 1)
    assert on_stage.conductor.sure
    assert on_stage.trouble == ""


@pytest.mark.parametrize("notes", [True, False])
def test_a_change_that_was_ignored_is_reported_if_notes_show_it(notes: bool) -> None:
    on_stage = Band(tide(notes=notes), obeys=False).plays(PHRASE + BAR)
    assert on_stage.programs == [2]
    assert on_stage.where[0] == 2
    if not notes:
        # Nobody can tell.
        assert on_stage.conductor.sure
        return
    assert not on_stage.conductor.sure
    assert on_stage.conductor.doubt == "drums did not take program 3 and plays on as before"
    assert on_stage.follower.status().help == "choose program 3 on drums, and c makes it right"
    # The doubt says so already; nothing says otherwise beside it.
    assert on_stage.trouble in ("", on_stage.conductor.doubt)
    on_stage.follower.wish("confirm", on_stage.now_ns)
    assert on_stage.conductor.sure
    assert on_stage.trouble == ""


def test_after_one_that_was_ignored_nothing_is_sent_until_a_person_has_put_it_right() -> None:
    on_stage = Band(tide(parts=3), obeys=False).plays(2 * PHRASE + BAR)
    assert on_stage.programs == [2]
    assert not on_stage.conductor.sure
    assert on_stage.where[0] == 2
    # The performer changes it by hand, and says so.
    on_stage.played, on_stage.obeys = EBB, True
    on_stage.follower.wish("confirm", on_stage.now_ns)
    on_stage.plays(PHRASE)
    assert on_stage.programs == [2, 3]
    assert on_stage.where[0] == 3
    assert on_stage.conductor.sure


def test_its_own_word_that_it_plays_the_old_one_is_enough() -> None:
    on_stage = Band(tide(notes=False), obeys=False).plays(PHRASE + 10)
    assert on_stage.conductor.sure
    on_stage.hear(0xC9, 1)
    standing = on_stage.conductor.standing()
    assert not standing.sure
    assert standing.part.number == 2
    assert standing.doubt == "drums may be on ebb line or slack water"
    assert standing.help == "choose program 3 on drums, or press c if it plays ebb line"


def test_one_that_says_it_stays_before_the_boundary_is_believed() -> None:
    on_stage = Band(tide(notes=False), obeys=False).plays(PHRASE - 10)
    on_stage.hear(0xC9, 1)
    standing = on_stage.conductor.standing()
    assert standing.sure
    assert standing.notice == "drums says that it stays on program 2"
    assert standing.end == 2 * PHRASE
    on_stage.plays(12)
    assert on_stage.where == (1, PHRASE + 1)
    assert on_stage.conductor.sure


def test_the_echo_of_our_own_change_is_no_word_of_the_instrument() -> None:
    on_stage = Band(tide(notes=False)).plays(PHRASE - 10)
    on_stage.hear(0xC9, 2)
    on_stage.plays(20)
    assert on_stage.where[0] == 2
    assert on_stage.conductor.sure


def test_an_old_pattern_chosen_again_after_the_new_one_played_is_followed() -> None:
    on_stage = Band(tide()).plays(PHRASE + 60)
    on_stage.hear(0xC9, 1)
    assert on_stage.conductor.sure
    assert on_stage.conductor.notice == "drums goes to part 1 at the end of this pass"
