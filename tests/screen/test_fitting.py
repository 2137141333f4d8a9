"""What a narrow screen says where there is no room for all: nothing is lost without a word."""

from __future__ import annotations

import pytest

from companion.link.messages import Coming, Trouble
from companion.screen.canvas import cut
from companion.screen.extrapolation import Stage
from companion.screen.reading import read
from companion.screen.sentences import Entry
from companion.screen.stage import draw_agenda, draw_alarms, fold_entry
from tests.screen.stage import slack_water

DUE = (
    Coming(768, "change", "change to ebb line", "program 13 goes to drums", part=2, outcome="open"),
    Coming(
        768, "change", "change to ebb line", "program 1 goes to sampler", part=2, outcome="open"
    ),
    Coming(768, "cue", "mute low drum and shaker", do="mute", tracks=("low drum", "shaker")),
    Coming(768, "cue", "breathe, look up", do="say"),
)


BY_HAND = (*DUE[2:], *DUE[:2])


def action(due: tuple[Coming, ...] = DUE, **changes: object) -> Entry:
    return read(slack_water(700, coming=due, **changes), 0).action


def test_a_change_that_goes_by_itself_to_two_instruments_is_one_line_of_the_agenda() -> None:
    reading = read(slack_water(700, coming=DUE), 0)
    assert reading.action.text == "mute low drum and shaker; breathe, look up"
    assert [entry.text for entry in reading.agenda] == ["change to ebb line"]


def test_a_change_to_be_made_on_two_instruments_is_one_change() -> None:
    assert action(BY_HAND, sending=False).text == (
        "mute low drum and shaker; breathe, look up; "
        "change to ebb line: program 13 goes to drums, program 1 goes to sampler"
    )


@pytest.mark.parametrize(
    ("width", "height", "lines"),
    [
        (
            60,
            2,
            ["At the boundary: mute low drum and shaker; breathe, look up;", "change to ebb line"],
        ),
        (36, 2, ["At the boundary: mute low drum and", "shaker; breathe, look up; and 1 more"]),
        (60, 1, ["At the boundary: mute low drum and shaker; and 2 more"]),
        # Not even the first finds room: dots say so.
        (40, 1, ["At the boundary: mute low d…; and 2 more"]),
    ],
)
def test_with_less_room_fewer_words_and_then_the_number_of_what_is_left_out(
    width: int, height: int, lines: list[str]
) -> None:
    assert fold_entry(action(BY_HAND, sending=False), width, height) == lines


def test_with_room_for_all_all_is_said() -> None:
    assert " ".join(fold_entry(action(), 76, 2)) == f"At the boundary: {action().text}"


@pytest.mark.parametrize(
    "changes", [{"sending": False}, {"sure": False, "doubt": "joined in the middle"}]
)
def test_a_change_that_may_need_a_hand_keeps_its_program_and_its_place(
    changes: dict[str, object],
) -> None:
    entry = action(DUE[::-1], **changes)
    said = "change to ebb line: program 1 goes to sampler, program 13 goes to drums"
    assert entry.brief == ("breathe, look up", "mute low drum and shaker", said)
    assert entry.briefest[-1] == "change to ebb line"


@pytest.mark.parametrize(
    ("outcome", "text", "how"),
    [
        ("missed", "program 13 was not sent to drums", "ebb line does not come by itself"),
        ("hand", "change to ebb line by hand", "program 13 on drums"),
    ],
)
def test_a_change_that_did_not_go_out_stands_first_and_whole(
    outcome: str, text: str, how: str
) -> None:
    missed = Coming(768, "change", text, how, program=13, part=2, outcome=outcome)
    assert action((missed, DUE[2])).brief == (f"{text}: {how}", "mute low drum and shaker")


def test_a_colon_in_the_performer_s_own_words_parts_nothing() -> None:
    said = tuple(Coming(768, "cue", text, do="say") for text in ("solo: Ada", "solo: Bo"))
    assert action(said).brief == ("solo: Ada", "solo: Bo")


def test_what_will_not_be_heard_gives_way_to_what_will() -> None:
    silent = [
        Coming(t, "step", "gull, step 3", "muted by then", muted=True) for t in (710, 730, 750)
    ]
    reading = read(slack_water(700, coming=(*silent, *DUE[2:], Coming(900, "cue", "later"))), 0)
    assert [entry.text for entry in reading.agenda] == [c.sentence for c in silent] + ["later"]
    rows = ["".join(text for text, _ in row) for row in draw_agenda(reading, 80, 2)]
    assert [row[15:] for row in rows] == ["gull, step 3, muted by then", "later"]
    assert "later" in "".join(text for row in draw_agenda(reading, 80, 1) for text, _ in row)


def test_a_trouble_with_no_room_leaves_out_its_brackets_and_not_what_to_do() -> None:
    trouble = Trouble(
        "port",
        "no MIDI input matches '*drum*' (there is tide sampler:out): plug the instrument in",
        "no MIDI input matches '*drum*': plug the instrument in",
    )
    alarms = read(slack_water(700, troubles=(trouble,)), 0).alarms
    (row,) = draw_alarms(alarms, 80, 1)
    said = "".join(text for text, _ in row).strip()
    assert said == "TROUBLE: No MIDI input matches '*drum*': plug the instrument in."
    rows = draw_alarms(alarms, 80, 2)
    assert "tide sampler" in "".join(text for row in rows for text, _ in row)


def test_a_number_that_is_cut_is_no_other_number() -> None:
    assert cut("change by hand: program 113 on drums", 27) == "change by hand: program …"
    assert cut("change by hand: program 113 on drums", 28) == "change by hand: program 113…"


def test_an_entry_with_nothing_to_leave_out_is_cut_with_dots() -> None:
    assert fold_entry(Entry("", "press play", Stage.FAR, False), 9, 1) == ["press pl…"]
