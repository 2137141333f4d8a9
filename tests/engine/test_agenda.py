"""The agenda: soonest first, the part that follows looked into, nothing urgent pushed out."""

from __future__ import annotations

from fractions import Fraction

import pytest

from companion.counting import Cycle, If, Meter, OutOfReach, Pattern, Rule, Step, Track, step_events
from companion.engine.snapshot import MOST_ITEMS, Agenda, Item, ItemKind, planned_mutes
from companion.setlist import Action, Cue, SetList, Span, Unit, When, WhenKind
from tests.builders import Rehearsal, SetBuilder, ask, bar_pattern


def rare_track(name: str = "shaker", k: int = 4, n: int = 4, number: int = 16) -> Track:
    return Track(name, 16, 6, (Step(number, Rule(cycles=(Cycle(k, n),))),))


def cue(action: Action, kind: WhenKind, span: Span | None = None, **more: object) -> Cue:
    return Cue(When(kind, span), action, **more)  # type: ignore[arg-type]


def tide_set() -> SetList:
    slack = bar_pattern("slack water", phrase_bars=4, tracks=(rare_track(), rare_track("bell", 1)))
    ebb = bar_pattern("ebb line", phrase_bars=4, tracks=(rare_track("conch", 1, 3, 1),))
    return (
        SetBuilder()
        .part(
            slack,
            program=1,
            phrases=2,
            cues=[
                cue(Action.MUTE, WhenKind.START, tracks=("shaker",)),
                cue(Action.UNMUTE, WhenKind.NTH, Span(3, Unit.PASSES), tracks=("shaker",)),
                cue(Action.FILL, WhenKind.LAST, Span(1, Unit.BARS), hold=Span(1, Unit.BARS)),
                cue(Action.SAY, WhenKind.EVERY, Span(1, Unit.PHRASES), text="open the filter"),
                cue(Action.RESTORE, WhenKind.END),
            ],
        )
        .part(
            ebb,
            program=2,
            phrases=1,
            cues=[cue(Action.MUTE, WhenKind.START, tracks=("conch",))],
        )
        .build()
    )


def coming(on_stage: Rehearsal) -> list[Item]:
    return Agenda(on_stage.conductor.setlist).coming(on_stage.conductor.standing())


def lines(items: list[Item]) -> list[tuple[int, str]]:
    return [
        (
            i.tick,
            i.event.track if i.event else i.cue.action.value if i.cue else f"part {i.part.number}",
        )
        for i in items
    ]


def test_the_whole_part_and_the_first_of_the_next_in_order() -> None:
    on_stage = Rehearsal(tide_set()).start().clock()
    assert lines(coming(on_stage)) == [
        (0, "mute"),
        (0, "say"),
        # Bell on step 16 of pass 1 and of pass 5, shaker on step 16 of passes 4 and 8.
        (90, "bell"),
        (192, "unmute"),
        (378, "shaker"),
        (384, "say"),
        (474, "bell"),
        (672, "fill"),
        (762, "shaker"),
        (768, "part 2"),
        (768, "restore"),
        # What is due on the next part's first tick is announced before the boundary.
        (768, "mute"),
        (768, "conch"),
    ]


def test_what_has_passed_is_gone_but_an_order_stays_for_a_beat() -> None:
    on_stage = Rehearsal(tide_set()).start().clock(192 + 24)
    assert lines(coming(on_stage))[0] == (192, "unmute")
    assert lines(coming(on_stage.clock()))[0] == (378, "shaker")


def test_a_part_with_an_open_end_has_no_end_cues() -> None:
    pattern = bar_pattern("slack water", phrase_bars=4)
    cues = [
        cue(Action.RESTORE, WhenKind.END),
        cue(Action.FILL, WhenKind.LAST, Span(1, Unit.BARS), hold=Span(1, Unit.BARS)),
    ]
    setlist = (
        SetBuilder()
        .part(pattern, program=1, phrases=None, cues=cues)
        .part(bar_pattern("ebb line"), program=2)
        .build()
    )
    on_stage = Rehearsal(setlist).start().clock(500)
    assert coming(on_stage) == []
    # Asked to go on, it has one: the coming boundary.
    ask(on_stage.conductor, "next")
    assert lines(coming(on_stage)) == [(672, "fill"), (768, "part 2"), (768, "restore")]


def test_many_rare_steps_never_push_out_what_is_to_be_done() -> None:
    tracks = tuple(
        Track(f"drop {t}", 16, 6, tuple(Step(n, Rule(cycles=(Cycle(1, 3),))) for n in range(1, 17)))
        for t in range(4)
    )
    pattern = bar_pattern("slack water", phrase_bars=8, tracks=tracks)
    late = cue(Action.SAY, WhenKind.NTH, Span(8, Unit.PASSES), text="breathe")
    on_stage = Rehearsal(SetBuilder().part(pattern, cues=[late]).build()).start().clock()
    items = coming(on_stage)
    assert len(items) == MOST_ITEMS
    assert [i.kind for i in items].count(ItemKind.CUE) == 1
    assert [i.tick for i in items] == sorted(i.tick for i in items)


def test_a_step_that_is_not_rare_enough_stays_off() -> None:
    pattern = bar_pattern("slack water", tracks=(rare_track("shaker", 1, 2),))
    setlist = SetBuilder().part(pattern).build()
    assert coming(Rehearsal(setlist).start().clock()) == []
    generous = SetList(
        setlist.name, setlist.songs, setlist.parts, setlist.instruments, rare=Fraction(1, 2)
    )
    # On step 16 of every second pass: 90, then 2 x 96 later each time.
    assert lines(coming(Rehearsal(generous).start().clock())) == [
        (90, "shaker"),
        (282, "shaker"),
        (474, "shaker"),
    ]


def test_what_nobody_can_work_out_leaves_the_rest_of_the_agenda() -> None:
    """Three short tracks look at each other in a circle; the screens had no snapshot at all."""

    def step(*conditions: If) -> tuple[Step, ...]:
        return (Step(1, Rule(conditions=conditions)),)

    circle = (
        Track("low drum", 4, 2, (Step(1),)),
        Track("shaker", 1, 2, step(If("bell", False), If(None, False))),
        Track("bell", 3, 2, step(If("low drum", False), If("shaker", True))),
    )
    pattern = Pattern("slack water", 1, 3, Meter(4, 4), 768, circle)
    with pytest.raises(OutOfReach):
        step_events(pattern, 0, 1)
    breathe = cue(Action.SAY, WhenKind.START, text="breathe")
    on_stage = Rehearsal(SetBuilder().part(pattern, cues=[breathe]).build()).start().clock()
    assert lines(coming(on_stage)) == [(0, "say")]


def test_mutes_by_plan() -> None:
    part = tide_set().parts[0]
    assert planned_mutes(part, 768, 0) == {"shaker"}
    assert planned_mutes(part, 768, 191) == {"shaker"}
    assert planned_mutes(part, 768, 192) == frozenset()


def test_the_later_of_two_mute_cues_stands() -> None:
    setlist = (
        SetBuilder()
        .part(
            bar_pattern("slack water", tracks=(rare_track(),)),
            phrases=None,
            cues=[
                cue(Action.MUTE, WhenKind.EVERY, Span(4, Unit.PASSES), tracks=("shaker",)),
                cue(Action.UNMUTE, WhenKind.EVERY, Span(6, Unit.PASSES), tracks=("shaker",)),
            ],
        )
        .build()
    )
    muted = [bool(planned_mutes(setlist.parts[0], None, 96 * (p - 1))) for p in range(1, 13)]
    # Muted on passes 4 and 8 and 12, sounding again on pass 6 and 12: at one tick file order rules.
    assert muted == [False] * 3 + [True, True, False, False] + [True] * 4 + [False]


def test_a_rare_step_of_a_track_that_will_be_muted_is_marked() -> None:
    pattern = bar_pattern("slack water", phrase_bars=8, tracks=(rare_track(),))
    cues = [cue(Action.MUTE, WhenKind.NTH, Span(5, Unit.PASSES), tracks=("shaker",))]
    on_stage = Rehearsal(SetBuilder().part(pattern, cues=cues).build()).start().clock()
    steps = [item for item in coming(on_stage) if item.kind is ItemKind.STEP]
    # On step 16 of passes 4, 8, 12 ...: the mute of pass 5 stands from tick 384 on.
    assert [(i.tick, i.muted) for i in steps[:3]] == [(378, False), (762, True), (1146, True)]


def test_a_fill_stays_for_as_long_as_it_is_held_whoever_comes_to_look() -> None:
    on_stage = Rehearsal(tide_set()).start().clock(672)
    fills = []
    for _ in range(96):
        on_stage.clock()
        fills.append([item.tick for item in coming(on_stage) if item.kind is ItemKind.FILL])
    # Seen from its own tick, 672, to the part's last; the next part begins with tick 768.
    assert fills == [[672]] * 96


def test_a_fill_in_the_middle_of_a_part_goes_a_beat_after_its_release() -> None:
    pattern = bar_pattern("slack water", phrase_bars=4)
    early = cue(Action.FILL, WhenKind.NTH, Span(2, Unit.BARS), hold=Span(2, Unit.BEATS))
    on_stage = Rehearsal(SetBuilder().part(pattern, phrases=4, cues=[early]).build()).start()
    # Pressed at tick 96, held for 48, and shown for a beat of 24 more.
    on_stage.clock(96 + 48 + 24)
    assert [item.tick for item in coming(on_stage)] == [96]
    on_stage.clock()
    assert coming(on_stage) == []


def test_a_step_stands_there_until_its_tick_is_over() -> None:
    # The bell plays on step 16 of the first pass: from tick 90, and a tick is all it has.
    on_stage = Rehearsal(SetBuilder().part(bar_pattern(tracks=(rare_track("bell", 1),))).build())
    shown = []
    on_stage.start()
    for _ in range(93):
        on_stage.clock()
        if any(item.tick == 90 for item in coming(on_stage) if item.kind is ItemKind.STEP):
            shown.append(on_stage.conductor.tick)
    assert shown[-1] == 90
