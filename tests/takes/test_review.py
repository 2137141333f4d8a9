"""How a take is shown: the score of what is heard, transitions over takes, view, page, set list."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from companion.follow.notes import TrackState
from companion.screen.theme import DARK, LIGHT
from companion.setlist import Action, Cue, Span, Unit, When, WhenKind
from companion.setlist.reading import read_text
from companion.takes import words
from companion.takes.asplayed import as_played, write_new
from companion.takes.report import page
from companion.takes.score import Review, Transition, review
from companion.takes.store import Store, TakesError
from companion.takes.story import Moment
from companion.takes.view import PAGES, ReviewApp
from tests.takes.studio import Studio
from tests.takes.test_score import PHRASE, perform, reviewed, tidewater

SET = """\
# Of our own.
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10}  # the only one
patterns:
  slack water: {phrase: 1 bar, tracks: {shaker: {steps: {1: always}}}}
  ebb line: {phrase: 1 bar, tracks: {shaker: {steps: {2: always}}}}
  spring tide: {phrase: 1 bar, tracks: {shaker: {steps: {3: always}}}}
songs:
  - song: Slack water
    tempo: 120
    parts:
      - {pattern: slack water, on: drums, program: 1, phrases: 4}
      - pattern: ebb line
        on: drums
        program: 2
        cues: [{at: start, mute: shaker}, {every: phrase, say: breathe}]
  - song: Ebb
    parts:
      - {pattern: spring tide, on: drums, program: 3, phrases: 2}
"""


def at_phrase(n: int, action: Action, *tracks: str) -> Cue:
    return Cue(When(WhenKind.NTH, Span(n, Unit.PHRASES)), action, tracks)


def test_a_mute_is_heard_by_the_first_step_that_is_silent(tmp_path: Path) -> None:
    # The shaker plays each sixteenth; it is muted 8 ticks late and sounds again 2 steps early.
    cues = (at_phrase(3, Action.MUTE, "shaker"), at_phrase(5, Action.UNMUTE, "shaker"))
    studio = Studio(tidewater(1, 8, cues, tells=False), tmp_path)
    muted = range(2 * PHRASE + 8, 4 * PHRASE - 12)

    def sounds(tick: int) -> list[tuple[int, int]]:
        return [(9, 36)] if tick % 6 == 0 and tick not in muted else []

    studio.start().clocks(8 * PHRASE, sounds).end()
    mute, unmute = reviewed(studio).cues
    assert (mute.hit, mute.by, mute.due_tick, mute.done_tick) == (True, "heard", 192, 204)
    assert mute.late_steps == 2.0
    assert mute.late_ms == pytest.approx(250, abs=1)
    assert (unmute.hit, unmute.by, unmute.done_tick) == (True, "heard", 372)
    assert unmute.late_ms == pytest.approx(-250, abs=1)
    # The other track never sounded at all.
    assert [(each.do, each.tracks) for each in reviewed(studio).unplanned] == []


BESIDE = """\
set: Tidewater
instruments:
  drums: {port: "*drum*", channel: 10}
  pads: {port: "*pad*", channel: 3}
patterns:
  slack water: {phrase: 2 bars, tracks: {low drum: {note: 36, steps: {1: always}}}}
  drone: {length: 20, phrase: 1 pass, tracks: {hum: {note: 60, steps: {1: always}}}}
songs:
  - song: Slack water
    parts:
      - {pattern: slack water, on: drums, phrases: 1, with: [{pattern: drone, on: pads}]}
      - {pattern: slack water, name: on, on: drums, phrases: 1, with: [{pattern: drone, on: pads}]}
"""


def test_a_mute_of_a_layer_is_dated_by_the_layers_own_count(tmp_path: Path) -> None:
    # The hum sounds on each 120th tick of its own count, and not in part 2, which begins with 192:
    # there it should have sounded first at its tick 240.
    studio = Studio(read_text(BESIDE, "tidewater.yaml"), tmp_path)

    def sounds(tick: int) -> list[tuple[int, int]]:
        hum = [(2, 60)] if tick % 120 == 0 and tick < 192 else []
        return [(9, 36)] * (tick % 96 == 0) + hum

    studio.start().clocks(192 + 100, sounds)
    studio.write()
    conductor = studio.follower.conductor
    look = Moment(
        studio.now_ns,
        conductor.standing(),
        conductor.stretch,
        conductor.ticks.ticks,
        192,
        False,
        {"hum on pads": TrackState(True, 0.99)},
    )
    (mute,) = (each for each in studio.writer.story.hear(look) if each.kind == "mute")
    assert (mute.body["track"], mute.part, mute.tick) == ("hum on pads", 2, 240 - 192)
    studio.end()


def test_what_nobody_hears_is_done_by_word(tmp_path: Path) -> None:
    cues = (
        Cue(When(WhenKind.NTH, Span(2, Unit.PHRASES)), Action.SAY, text="open the filter"),
        Cue(When(WhenKind.NTH, Span(4, Unit.PHRASES)), Action.SAY, text="close it"),
    )
    studio = Studio(tidewater(1, 8, cues), tmp_path).start().clocks(PHRASE + 3)
    studio.wish("done")
    assert studio.follower.status().notice == "done: say open the filter"
    studio.clocks(PHRASE * 6).end()
    first, second = reviewed(studio).cues
    assert (first.by, first.done_tick, first.audible) == ("done", PHRASE + 2, False)
    assert (second.hit, second.late_ms) == (False, None)


@pytest.fixture(scope="module")
def practised(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[list[float]]]:
    """Eight takes of one transition, each less late than the one before; all latenesses in ms."""
    folder = tmp_path_factory.mktemp("practised")
    rng = np.random.default_rng(3)
    cues = (at_phrase(1, Action.MUTE, "shaker"), at_phrase(2, Action.UNMUTE, "shaker"))
    setlist = tidewater(2, 4, cues)
    late: list[list[float]] = []
    for take in range(8):
        studio = Studio(setlist, folder, seed=take, kind="rehearse")
        mine = rng.normal(150 - 15 * take, 20, 2)
        tick_ms = studio.period_ns / 1e6
        at = [4 * PHRASE + mine[0] / tick_ms, 5 * PHRASE + mine[1] / tick_ms]
        studio.start()
        perform(studio, 8 * PHRASE, [(at[0], "shaker", True), (at[1], "shaker", False)])
        studio.stop().end()
        late.append([float(mine[0])])
    return folder, late


def test_practice_shows_in_the_trend_of_a_transition(
    practised: tuple[Path, list[list[float]]],
) -> None:
    folder, late = practised
    with Store(folder) as store:
        for take in (1, 2, 8):
            found = review(store, store.take(take))
            # Both cues of part 2 are its own; nearest to the boundary lie both.
            (over,) = found.transitions
            assert (over.before, over.after, over.takes) == (1, 2, take)
    with Store(folder) as store:
        scores = [review(store, store.take(n + 1)).cues for n in range(8)]
    each = [
        (n, cue.late_ms)
        for n, cues in enumerate(scores)
        for cue in cues
        if cue.part == 2 and cue.late_ms is not None
    ]
    # By scipy, of what is within a phrase of the boundary: the second cue is a phrase after it.
    mine = [(n, ms) for n, ms in each if abs(ms - late[n][0]) < 1]
    assert len(mine) == 8
    line = stats.linregress([n for n, _ in mine], [ms for _, ms in mine])
    assert over.trend_ms_per_take == pytest.approx(line.slope, abs=0.01)
    assert over.mean_ms == pytest.approx(np.mean([ms for _, ms in mine]), abs=0.01)
    assert over.sd_ms == pytest.approx(np.std([ms for _, ms in mine], ddof=1), abs=0.01)
    assert line.slope < -5


def played(folder: Path) -> Studio:
    """Part 1 a phrase longer, part 2 for three, part 1 again for two, part 3 to its middle."""
    file = folder / "tidewater.yaml"
    file.write_text(SET)
    studio = Studio(read_text(SET, "tidewater.yaml"), folder / "data", set_file=file)
    studio.start().clocks(10)
    studio.wish("stay")
    studio.clocks(4 * PHRASE)
    studio.wish("next")
    studio.clocks(PHRASE * 3)
    studio.wish("part 1")
    studio.clocks(PHRASE)
    studio.wish("mark")
    studio.clocks(PHRASE + 20)
    studio.wish("part 3")
    studio.clocks(PHRASE + 40)
    return studio.stop().end()


def test_the_set_as_it_was_played_is_a_set_list(tmp_path: Path) -> None:
    studio = played(tmp_path)
    (tmp_path / "tidewater.yaml").write_text("set: Another by now\n")
    with Store(studio.folder) as store:
        text = as_played(store, store.take())
        parts = review(store, store.take()).parts
    again = read_text(text, "played.yaml")
    assert [each.title for each in again.songs] == ["Slack water", "Ebb"]
    assert [each.pattern.name for each in again.parts] == [
        "slack water", "ebb line", "slack water", "spring tide",
    ]  # fmt: skip
    lengths = [each.played_ticks / PHRASE for each in parts]
    assert [each.phrases for each in again.parts] == [max(round(n), 1) for n in lengths]
    assert lengths[:3] == [5, 3, 2]
    assert "# played: " in text
    assert "# the only one" in text
    assert len(again.parts[1].cues) == 2
    write_new(tmp_path / "played.yaml", text)
    with pytest.raises(TakesError, match="stays as it is"):
        write_new(tmp_path / "played.yaml", "")
    assert (tmp_path / "played.yaml").read_text() == text


class Page(HTMLParser):
    """What stands on a page: its tags with what they refer to, and its text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.ids: list[str] = []
        self.text = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("href", "src", "xlink:href") and value:
                self.links.append(value)
            if name == "id" and value:
                self.ids.append(value)

    def handle_data(self, data: str) -> None:
        self.text += data


NASTY = '<script>alert("x")</script> & $\\frac{1}{2}$ \x1b[31m'


def nasty(found: Review) -> Review:
    """The review of a set whose names and words a page might obey."""
    return replace(
        found,
        take=replace(found.take, set_name=NASTY, note=NASTY),
        parts=tuple(replace(each, name=NASTY) for each in found.parts),
        cues=tuple(replace(each, text=NASTY) for each in found.cues),
    )


def test_the_page_holds_all_it_needs_and_obeys_nothing(tmp_path: Path) -> None:
    studio = played(tmp_path)
    steps: list[tuple[int, int]] = []
    made = page(nasty(reviewed(studio)), progress=lambda done, of: steps.append((done, of)))
    found = Page(made)
    assert "script" not in found.tags
    assert found.tags.count("svg") == 3 or found.tags.count("svg") == 2
    assert len(found.ids) == len(set(found.ids))
    assert all(each.startswith("#") and each[1:] in found.ids for each in found.links)
    # No other address but the names of SVG's own spaces.
    assert set(re.findall(r"https?://[^\"' >]+", made)) <= {
        "http://www.w3.org/2000/svg",
        "http://www.w3.org/1999/xlink",
    }
    assert "\x1b" not in made
    assert '<script>alert("x")</script>' in found.text
    assert "@media print" in made
    assert steps[-1] == (5, 5)
    for text in ("Parts, planned and played", "Cues, due and done", "remembered: part 1"):
        assert text in made


def test_a_take_in_which_nothing_was_played_is_shown_too(tmp_path: Path) -> None:
    found = reviewed(Studio(tidewater(1, 2, ()), tmp_path).end())
    assert found.sure is None
    assert "Nothing was played." in Page(page(found)).text
    assert words.summary(found) == ["Nothing was played."]
    for each in PAGES:
        assert each.draw(found, 80, 20)
    with Store(tmp_path) as store, pytest.raises(TakesError, match="nothing was played"):
        as_played(store, store.take())


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (30, 10)])
async def test_the_view_shows_five_pages_and_turns_them(
    tmp_path: Path, size: tuple[int, int]
) -> None:
    app = ReviewApp(nasty(reviewed(played(tmp_path))), (DARK, LIGHT))

    def shown() -> str:
        width = app.size.width
        lines = app.screen._compositor.render_strips()
        assert all(line.cell_length == width for line in lines)
        return "\n".join(line.text for line in lines)

    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        first = shown()
        assert "Sure for" in first
        assert "\x1b" not in first
        seen = {first}
        for key in ("right", "3", "4", "5"):
            await pilot.press(key)
            await pilot.pause()
            seen.add(shown())
        assert len(seen) == 5
        assert "remembered: part 1" in shown() or size == (30, 10)
        await pilot.press("right")
        await pilot.pause()
        assert shown() == first
        await pilot.press("q")
    assert app.return_code == 0


def test_a_transition_is_told_in_words() -> None:
    row = words.transition_row(Transition(1, 2, 5, -12.4, 8.0, -3.25))
    assert row == ("1", "2", "5", "12 ms early", "8 ms", "3.2 ms earlier each")
