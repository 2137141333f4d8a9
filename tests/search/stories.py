"""The stories: short nights in which a count was once sure and wrong, told as events.

A lead of a beat, patterns of one bar and phrases of two, unless said. The judge of `box` decides:
right or unsure, nothing late, twice or unasked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tests.search.box import Book, Kind, Part
from tests.search.stage import Event

WATERS = Book((Part(0), Part(1), Part(2, phrases=None)))
BAR_LEAD = replace(WATERS, lead="4 beats", lead_ticks=96)
MS_LEAD = replace(WATERS, lead="30 ms", lead_ticks=2)
AT_ONCE = replace(WATERS, lead="5 ms", lead_ticks=1, kind=Kind(at_once=True))
ECHOES = replace(WATERS, kind=Kind(echoes=True))
SILENT = replace(WATERS, kind=Kind(names=False))
NOTES = replace(WATERS, kind=Kind(names=False, notes=True, ignores=True))
HALF_BARS = Book(
    (Part(0, 48, 2, 2), Part(15, 96, 2, 2), Part(8, 72, 3, None)),
    "1 steps",
    6,
    Kind(notes=True, ignores=True),
)
THREE_BEATS = Book(
    (Part(8, 192, 2, 2), Part(12, 72, 1, 1), Part(8, 192, 2, None)),
    "10 steps",
    60,
    Kind(names=False, notes=True, idle_clock=True, ignores=True),
    tempo=None,
)
BEATS = Book((Part(0, 24, 1, 1), Part(1, 24, 1, None)), "2 steps", 12, Kind(names=False))
BEATS_NAMED = replace(BEATS, kind=Kind())
TELLS = replace(
    WATERS,
    parts=(Part(0, phrases=4), Part(1), Part(2, phrases=None)),
    kind=Kind(tells_bars=True),
)


@dataclass(frozen=True)
class Story:
    """A story, what must be sure at its end (part, or None for right or unsure)."""

    name: str
    book: Book
    events: tuple[Event, ...]
    sure_in: int | None = None
    sends: int | None = None


START: Event = ("start",)
STOP: Event = ("stop",)
DISARM: Event = ("wish", "disarm")
ARM: Event = ("wish", "arm")
NEXT: Event = ("wish", "next")
NOW: Event = ("wish", "now")


def ticks(count: int) -> Event:
    """So many ticks."""
    return ("ticks", count)


def choose(part: int) -> Event:
    """A pattern is chosen on the instrument."""
    return ("choose", part)


def _picked_and_taken_back() -> list[Story]:
    found = []
    for name, book in (("", WATERS), (" that echoes", ECHOES)):
        found.append(
            Story(
                f"1 picked and taken back within two seconds of our change, on an instrument{name}",
                book,
                (START, ticks(217), choose(3), ticks(24), choose(2), ticks(300)),
            )
        )
    for back in (1, 2):
        found.append(
            Story(
                f"1 between change and boundary pattern 3 is picked, and then {back}",
                BAR_LEAD,
                (START, ticks(100), choose(3), ticks(25), choose(back), ticks(300)),
            )
        )
    return found


def _disarmed_about_a_boundary() -> list[Story]:
    def about(book: Book, off: int, on: int, then: Event) -> tuple[Event, ...]:
        return (START, ticks(193 - off), DISARM, ticks(off - on), ARM, then, ticks(300))

    rest = ticks(1)
    return [
        Story("2 disarmed 40 ticks ahead, armed 20 ahead", WATERS, about(WATERS, 40, 20, rest)),
        Story("2 the same, silent", SILENT, about(SILENT, 40, 20, rest)),
        Story("2 armed 8 ahead, less than half the lead", SILENT, about(SILENT, 40, 8, rest)),
        Story(
            "2 disarmed for a bar, armed 8 ahead, when the hand may have changed it",
            SILENT,
            (START, ticks(90), DISARM, ticks(80), choose(2), ticks(14), ARM, ticks(300)),
        ),
        Story("2 a lead of a bar, armed two beats ahead", BAR_LEAD, about(BAR_LEAD, 120, 48, rest)),
        Story("2 a lead of a bar, armed a beat ahead", BAR_LEAD, about(BAR_LEAD, 120, 24, rest)),
        Story(
            "2 stopped: disarm, next, arm, start",
            WATERS,
            (START, ticks(50), STOP, ticks(9), DISARM, NEXT, ticks(9), ARM, START, ticks(300)),
        ),
        Story(
            "2 before the first start: disarm, next, arm, start",
            WATERS,
            (DISARM, NEXT, ARM, START, ticks(300)),
        ),
        Story(
            "2 stopped: disarm, next, the hand takes it, arm, start",
            WATERS,
            (START, ticks(50), STOP, DISARM, NEXT, choose(2), ARM, START, ticks(300)),
        ),
    ]


def _it_stays() -> list[Story]:
    return [
        Story(
            "3 the instrument stays on 1; stop, start",
            WATERS,
            (START, ticks(180), ("stays",), ticks(4), STOP, ticks(9), START, ticks(420)),
        ),
        Story(
            "3 it says so after the stop",
            WATERS,
            (START, ticks(180), STOP, ticks(9), ("stays",), ticks(9), START, ticks(420)),
        ),
        Story(
            "3 it says so before the boundary, and plays on",
            WATERS,
            (START, ticks(180), ("stays",), ticks(420)),
        ),
        Story(
            "6 the instrument stays; killed before the boundary",
            WATERS,
            (START, ticks(175), ("stays",), ("kill", 0.1), ticks(300)),
        ),
        Story(
            "6 the same, away past the boundary",
            WATERS,
            (START, ticks(175), ("stays",), ("kill", 0.6), ticks(300)),
        ),
        Story(
            "6 killed, stays, killed",
            WATERS,
            (START, ticks(175), ("kill", 0.1), ("stays",), ("kill", 0.1), ticks(300)),
        ),
    ]


def _chosen_behind_lost_ticks() -> list[Story]:
    return [
        Story(
            f"4 {lost} ticks before and after the end of a pass are lost, then 2 is chosen",
            WATERS,
            (START, ticks(91), ("lost", lost), choose(2), ticks(300)),
        )
        for lost in (4, 5, 6, 7, 10)
    ]


def _killed() -> list[Story]:
    return [
        Story(
            "5 killed while stopped, and start is pressed before it is back",
            WATERS,
            (START, ticks(50), STOP, ("kill", 40.0, START), ticks(300)),
        ),
        Story(
            "5 the same, with another pattern",
            WATERS,
            (START, ticks(50), STOP, ("kill", 40.0, choose(2), START), ticks(300), STOP, START),
        ),
        Story(
            "5 killed while stopped, another pattern is chosen, start",
            WATERS,
            (START, ticks(50), STOP, ("kill", 40.0, choose(3)), ticks(3), START, ticks(300)),
        ),
        *(
            Story(
                f"9 go now, killed 5 ms later, {name}",
                book,
                (START, ticks(150), NOW, ("wait", 5), ("kill", 0.5), ticks(300)),
            )
            for name, book in (("at once", AT_ONCE), ("at the pattern's end", WATERS))
        ),
        *(
            Story(
                f"9 killed just {when} a change leaves, {name}",
                book,
                (START, ticks(100), ("die", when, 0.3), ticks(400)),
            )
            for when in ("before", "after")
            for name, book in (("", WATERS), ("at once", AT_ONCE), ("lead in ms", MS_LEAD))
        ),
        *(
            Story(
                f"9 killed just {when} a part chosen while stopped leaves",
                WATERS,
                (START, ticks(100), STOP, NEXT, ("kill", 0.5), START, ticks(400)),
            )
            for when in ("after",)
        ),
    ]


def _late_sends() -> list[Story]:
    return [
        Story(
            f"7 a lead of 30 ms; {word} is heard while a change waits for its time",
            MS_LEAD,
            (START, ticks(191), *then, ("wait", 60), START, ticks(100)),
        )
        for word, then in (("stop", (STOP,)), ("start", (START,)), ("both", (STOP, START)))
    ]


def _aligned_after_an_estimate() -> list[Story]:
    return [
        Story(
            f"8 in doubt, killed, {away} s away at {tempo} of the tempo, align on the one",
            WATERS,
            (
                START,
                ticks(250),
                *doubt,
                ("tempo", tempo),
                ("kill", away),
                ticks(5),
                ("align",),
                ticks(99),
            ),
        )
        for away in (9.0, 14.0)
        for tempo in (1.007, 0.993)
        for doubt in ((("silence", 3.0),), (choose(2), ("silence", 2.5)), (("kill", 3.0),))
    ]


def _positions() -> list[Story]:
    found = []
    for to in (8, 16, 32, 48):
        jump: tuple[Event, ...] = (ticks(50), ("position", to), ticks(300))
        found += [
            Story(
                f"10 it tells each bar, is confirmed, and jumps to sixteenth {to}",
                TELLS,
                (START, ticks(150), ("silence", 2.5), ticks(9), ("align",), *jump),
            ),
            Story(
                f"10 it tells each bar and jumps to sixteenth {to}",
                TELLS,
                (START, ticks(150), *jump),
            ),
        ]
    return found


def _unheard() -> list[Story]:
    meanwhile: tuple[Event, ...] = (choose(3), START)
    rest: tuple[Event, ...] = (ticks(50), STOP, ticks(9), START, ticks(300))
    return [
        Story(
            "11 the cable is out for 4 s",
            WATERS,
            (START, ticks(50), ("silence", 4.0, *meanwhile), *rest),
        ),
        Story(
            "11 the port is gone for 4 s",
            WATERS,
            (START, ticks(50), ("gone", 4.0, *meanwhile), *rest),
        ),
        Story(
            "11 the engine is away for 11 s",
            WATERS,
            (START, ticks(50), ("kill", 11.0, *meanwhile), *rest),
        ),
        Story(
            "11 the cable is out, another pattern is chosen, and only start is heard",
            WATERS,
            (START, ticks(50), ("silence", 4.0, choose(3)), START, ticks(300)),
        ),
    ]


def _searched() -> list[Story]:
    """What the search has found."""
    stay, undo = ("wish", "stay"), ("wish", "undo")
    return [
        Story("stay, then align", BEATS, (START, stay, ("align",), ticks(40))),
        Story("stay, align later", WATERS, (START, ticks(50), stay, ("align",), ticks(300))),
        Story("align, a jump, undo", BEATS, (START, ("align",), ("position", 3), undo)),
        Story(
            "align, a change is sent, undo", BEATS, (START, ("align",), ticks(13), undo, ticks(40))
        ),
        Story(
            "disarmed before the first tick of a part of a beat",
            BEATS,
            (START, DISARM, ticks(4), ("align",)),
        ),
        Story(
            "changed by hand before the first tick of its last pass, and started again",
            BEATS,
            (START, DISARM, choose(2), START),
        ),
        Story("at once, chosen before the first tick", AT_ONCE, (START, choose(2), ticks(9))),
        Story(
            "at once, chosen before the first tick, and moved twice",
            AT_ONCE,
            (START, choose(2), ("position", 3), ("position", 3)),
        ),
        Story(
            "its change is ignored, and the engine killed before the notes of a pass told",
            HALF_BARS,
            (START, ticks(188), ("ignore",), ticks(8), ("kill", 4.783), ticks(97)),
        ),
        Story(
            "its change did not leave, and is not made by hand when disarmed for more than a beat",
            BAR_LEAD,
            (START, ("fail",), ticks(99), DISARM, ticks(99)),
        ),
        Story(
            "stopped with a change waiting that is forgotten, confirmed, and the same is chosen",
            WATERS,
            (START, ticks(180), ("stop", "drops"), ("confirm",), choose(2)),
        ),
        Story(
            "chosen, started again and forgotten",
            BEATS_NAMED,
            (START, choose(2), ("start", "drops"), ticks(47), START),
        ),
        Story(
            "joined, stopped, and another pattern is started while the engine is away",
            BEATS_NAMED,
            (("continue",), STOP, choose(1), ("kill", 12.0, choose(2), START), START),
        ),
        Story(
            "chosen before anything, killed, confirmed, moved and set going",
            BEATS_NAMED,
            (choose(2), ("kill", 12.0), ("confirm",), ("position", 3), ("continue",)),
        ),
        Story(
            "an ignored change shows by the instrument's word",
            replace(BEATS, kind=Kind(names=False, ignores=True)),
            (START, ticks(13), ("ignore",), ticks(60)),
        ),
    ]


def _by_night() -> list[Story]:
    """What foreign nights have found."""
    at_once = replace(AT_ONCE, parts=(Part(0, 48, 1, 1), Part(11, 48, 4, None)))
    shared = Book(
        (Part(0, 96, 3, 1), Part(0, 96, 3, 3), Part(5, 96, 4, None)),
        "7 steps",
        42,
        Kind(notes=True, ignores=True),
        tempo=None,
    )
    bars = Book(
        (Part(1, 24, 1, 3), Part(9, 96, 4, 3), Part(3, 72, 1, 2), Part(7, 24, 3, None)),
        "2 steps",
        12,
        Kind(tells_bars=True),
        tempo=None,
    )
    by_hand = replace(WATERS, parts=(Part(0, 48, 2, 3), Part(1, 72, 3, 1), Part(2, phrases=None)))
    quick = replace(
        BEATS_NAMED,
        parts=(Part(0, 72, 1, 1), Part(8, 192, 3, 2), Part(7, 24, 3, 2), Part(13)),
    )
    return [
        Story(
            "by ear, it ignores its change into a part of three beats, and plays on behind it",
            THREE_BEATS,
            (START, ticks(709), ("ignore",), ticks(445)),
        ),
        Story(
            "a change fails, and it is killed twice before anything plays on",
            replace(BAR_LEAD, kind=Kind(ignores=True, idle_clock=True)),
            (
                ("fail",),
                START,
                ("stop", "keeps"),
                ("wish", "next pass"),
                ("continue",),
                STOP,
                ("kill", 8.0),
                ticks(30),
                ("kill", 9.7),
            ),
        ),
        Story(
            "chosen, started, and moved twice, to before where the other part began",
            Book((Part(4, 96, 3, 1), Part(9, 48, 4, None)), "30 ms", 2, Kind(echoes=True)),
            (
                START,
                ticks(289),
                choose(1),
                ("start", "drops"),
                ("align",),
                ("align",),
                ("position", 0),
                ("position", 4),
                START,
            ),
        ),
        Story(
            "two ticks lost before the one, and the word falls on it",
            quick,
            (START, ("align",), NOW, START, ticks(382), ("lost", 2), ("align",), ticks(4)),
        ),
        Story(
            "told while it stands within its part, killed, and played on there",
            replace(AT_ONCE, kind=Kind(at_once=True, names=False, takes_at_once=False)),
            (("position", 8), NOW, ("kill", 1.602173), ("continue",), ("confirm",), ticks(49)),
        ),
        Story(
            "told while it stands still, it says what it still plays, and is changed by hand",
            replace(SILENT, kind=Kind(echoes=True, names=False, takes_at_once=False)),
            (START, STOP, NOW, ("stays",), DISARM, START, ticks(193)),
        ),
        Story(
            "it named what was chosen before the start, and then what it plays already",
            Book(
                (Part(12, 96, 1, 3), Part(14, 72, 3, None)),
                "1 steps",
                6,
                Kind(takes_at_once=False, ignores=True),
                tempo=None,
            ),
            (
                choose(2),
                START,
                ticks(1),
                ("align",),
                ("wish", "part 1"),
                ticks(240),
                ("align",),
                DISARM,
                ticks(72),
                choose(1),
                ("align",),
            ),
        ),
        Story(
            "moved while a change waits for its time",
            replace(AT_ONCE, parts=(Part(13, 192, 1, 2), Part(8, 48, 4, None))),
            (START, NEXT, ticks(189), ("wait", 65.0), ("position", 186), ticks(1), START),
        ),
        Story(
            "changed by hand, and wished otherwise a tick before it comes",
            replace(SILENT, parts=(Part(6, 96, 1, 1), Part(10, 96, 1, 2), Part(5, phrases=None))),
            (START, DISARM, ticks(96), ("wish", "next pass"), ticks(1)),
        ),
        Story("at once, wished for before the first tick", at_once, (START, NOW, ticks(1))),
        Story(
            "an ignored change, where notes leave it open",
            shared,
            (START, ticks(769), ("align",), ticks(246), ("ignore",), ticks(235)),
        ),
        Story(
            "chosen behind a kill just after a start, and a bar is told",
            bars,
            (START, ticks(3), ("kill", 1.403221), choose(4), ticks(32)),
        ),
        Story(
            "by hand, in the ticks that are lost before the boundary",
            by_hand,
            (choose(2), START, DISARM, ticks(212), ("lost", 3), ticks(5)),
        ),
        Story(
            "a few ticks lost, one heard, and stopped",
            replace(SILENT, parts=(Part(5, 24, 3, 1), Part(6, 96, 3, 2), Part(7, phrases=None))),
            (START, ticks(25), ("lost", 3), ticks(1), STOP, ("continue",)),
        ),
        Story(
            "at once, chosen away and back between two ticks",
            replace(AT_ONCE, parts=(Part(0, 96, 1, 2), Part(11, 96, 4, None))),
            (choose(2), START, ticks(5), choose(1), choose(2), ticks(1)),
        ),
        Story(
            "killed with one tick heard, and no tempo known",
            replace(AT_ONCE, tempo=None, kind=Kind(at_once=True, names=False)),
            (START, ("align",), ticks(2), ("kill", 0.267142), ticks(63)),
        ),
        Story(
            "one that never says what is chosen on it says that it stays, and is changed by hand",
            Book(
                (Part(2, 192, 3, 1), Part(8, 96, 2, 3), Part(0, 72, 1, None)),
                "5 steps",
                30,
                Kind(names=False),
            ),
            (START, ticks(1), ("align",), ticks(930), ("stays",), DISARM, ticks(222)),
        ),
        Story(
            "an ignored change, started again before it has shown",
            Book(
                (Part(12, 72, 1, 2), Part(1, 96, 1, 2), Part(13, 192, 3, None)),
                "6 steps",
                36,
                Kind(names=False, ignores=True),
            ),
            (START, ticks(112), ("ignore",), ticks(69), START, ticks(38)),
        ),
        Story(
            "ignored by one that passes on what it gets",
            Book(
                (Part(7, 96, 4, 2), Part(4, 72, 2, 3), Part(3, 96, 2, None)),
                "1 steps",
                6,
                Kind(echoes=True, ignores=True),
            ),
            (START, ticks(1195), ("ignore",), ticks(44)),
        ),
        Story(
            "by hand, in lost ticks, and started again at once",
            by_hand,
            (DISARM, choose(2), START, ticks(208), ("lost", 7), ticks(1), START),
        ),
    ]


STORIES = [
    *_picked_and_taken_back(),
    *_disarmed_about_a_boundary(),
    *_it_stays(),
    *_chosen_behind_lost_ticks(),
    *_killed(),
    *_late_sends(),
    *_aligned_after_an_estimate(),
    *_positions(),
    *_unheard(),
    *_searched(),
    *_by_night(),
]

# What is plain must be sure, and the changes be made: a follower that doubts all is of no use.
PLAIN = [
    Story("a set from its start", WATERS, (START, ticks(600)), 3, 2),
    Story("a lead of a bar", BAR_LEAD, (START, ticks(600)), 3, 2),
    Story("a lead in ms", MS_LEAD, (START, ticks(600)), 3, 2),
    Story("an instrument that changes at once", AT_ONCE, (START, ticks(600)), 3, 2),
    Story("an instrument that echoes", ECHOES, (START, ticks(600)), 3, 2),
    Story("one that sends nothing but clock", SILENT, (START, ticks(600)), 3, 2),
    Story("one whose notes are heard", NOTES, (START, ticks(600)), 3, 2),
    Story("one that tells each bar", TELLS, (START, ticks(1100)), 3, 2),
    Story(
        "an ordinary stop, continue",
        WATERS,
        (START, ticks(100), STOP, ticks(50), ("continue",), ticks(250)),
        2,
        1,
    ),
    Story(
        "an ordinary stop, start",
        WATERS,
        (START, ticks(100), STOP, ticks(50), START, ticks(300)),
        2,
        1,
    ),
    Story("by ear, a part of three beats", THREE_BEATS, (START, ticks(1050)), 3, 2),
    Story("a few lost ticks", WATERS, (START, ticks(100), ("lost", 3), ticks(300)), 3, 2),
    Story("killed for half a second", WATERS, (START, ticks(60), ("kill", 0.5), ticks(330)), 3, 2),
    Story("2 is chosen on it", WATERS, (START, ticks(50), choose(2), ticks(150)), 2, 0),
    Story("next", WATERS, (START, ticks(300), ("wish", "stay"), NEXT, ticks(150)), 3, 2),
    Story(
        "a part chosen while stopped",
        WATERS,
        (START, ticks(50), STOP, NEXT, START, ticks(50)),
        2,
        1,
    ),
    Story("changed by hand, as planned", SILENT, (DISARM, START, ticks(600)), 3, 0),
]
