"""A change must be sent inside the pass that ends on the boundary; parts must end with a pass."""

from __future__ import annotations

import pytest

from tests.setlist.sheets import TWO_SONGS, edited, faults

LEAD = "{send_before: 1 beat}"


@pytest.mark.parametrize(
    "lead", ["1 step", "16 steps", "4 beats", "1 bar", "1 pass", "30 ms", "2000 ms"]
)
def test_a_lead_inside_the_outgoing_pass_is_in_time(lead: str) -> None:
    """One pass of slack water is 96 ticks, 2 s at 120 beats a minute (24 clocks to the quarter)."""
    assert faults(edited(TWO_SONGS, (LEAD, f"{{send_before: {lead}}}"))) == []


@pytest.mark.parametrize("lead", ["17 steps", "5 beats", "2 bars", "2 passes", "2001 ms"])
def test_a_lead_longer_than_the_outgoing_pass_comes_a_pass_early(lead: str) -> None:
    assert faults(edited(TWO_SONGS, (LEAD, f"{{send_before: {lead}}}"))) == [
        f"5:27: `drums` is to be told {lead} ahead, but a pass of `slack water` is shorter: the "
        "change would be taken a pass too early; give `drums` a `send_before:` of at most "
        "`15 steps`"
    ]


def test_a_lead_shorter_than_a_clock_tick_comes_too_late() -> None:
    """A tick at 120 beats a minute lasts 20.8 ms (60 / (120 x 24) s)."""
    assert faults(edited(TWO_SONGS, (LEAD, "{send_before: 21 ms}"))) == []
    assert faults(edited(TWO_SONGS, (LEAD, "{send_before: 20 ms}"))) == [
        "5:27: 20 ms before the boundary is too little to come before it at all; "
        "write at least `1 step`"
    ]


def test_a_lead_in_ms_is_judged_at_the_outgoing_songs_tempo() -> None:
    """At 60 beats a minute the same pass lasts 4 s; with no tempo it is judged at 120."""
    slow = edited(TWO_SONGS, ("tempo: 120", "tempo: 60"), (LEAD, "{send_before: 3000 ms}"))
    assert faults(slow) == []
    unknown = edited(TWO_SONGS, ("    tempo: 120\n", ""), (LEAD, "{send_before: 3000 ms}"))
    assert len(faults(unknown)) == 1


def test_the_default_lead_of_a_beat_may_be_too_long_for_a_very_short_pattern() -> None:
    text = edited(
        TWO_SONGS,
        (f"    change: {LEAD}\n", ""),
        ("  slack water:\n", "  slack water:\n    length: 3\n"),
        ("phrase: 2 bars", "phrase: 8 passes"),
    )
    assert faults(text) == [
        "25:45: `drums` is to be told 1 beat ahead, but a pass of `slack water` is shorter: the "
        "change would be taken a pass too early; give `drums` a `send_before:` of at most `2 steps`"
    ]


def test_the_lead_counts_in_the_outgoing_part_even_across_songs() -> None:
    """The drums come back in the second song, out of neap, whose pass is 72 ticks: 12 steps."""
    back = ("on: sampler, program: 5", "on: drums, program: 5")
    assert faults(edited(TWO_SONGS, back, (LEAD, "{send_before: 12 steps}"))) == []
    found = faults(edited(TWO_SONGS, back, (LEAD, "{send_before: 13 steps}")))
    assert len(found) == 1
    assert "a pass of `neap` is shorter" in found[0]
    assert "`11 steps`" in found[0]


def test_the_first_part_and_an_instrument_that_changes_at_once_wait_for_nothing() -> None:
    alone = edited(
        TWO_SONGS,
        (LEAD, "{send_before: 64 bars}"),
        ("      - {pattern: neap, on: drums, program: 2, phrases: 2}\n", ""),
    )
    assert faults(alone) == []
    at_once = ("takes_effect: at once", "takes_effect: at once, send_before: 64 bars")
    assert faults(edited(TWO_SONGS, at_once)) == []


def test_a_further_instrument_is_judged_too() -> None:
    text = edited(
        TWO_SONGS,
        ("takes_effect: at once", "send_before: 5 beats"),
        ("program: 2,", "program: 2, also: [{on: sampler, program: 0}],"),
        ("{pattern: slack water, on: sampler, program: 5}", "{pattern: slack water}"),
    )
    assert [fault.split(";")[0][:47] for fault in faults(text)] == [
        "8:45: `sampler` is to be told 5 beats ahead, bu"
    ]


def test_a_part_must_end_with_a_pass_if_its_successor_waits_for_one() -> None:
    """Two phrases of 5 beats are 240 ticks, two and a half passes of 96."""
    text = edited(TWO_SONGS, ("phrase: 2 bars", "phrase: 5 beats"))
    assert faults(text) == [
        "11:13: part 1 ends after 2 phrases of 1 bar and 1 beat, which is inside a pass of 1 bar, "
        "but `drums` changes only at the end of one; give `slack water` a phrase of `1 pass` or "
        "`2 passes`"
    ]
    assert faults(text.replace("phrases: 2}", "phrases: 4}")) == []


def test_the_pattern_is_named_where_it_has_no_phrase_of_its_own() -> None:
    """Eight bars of 4/4 are 768 ticks, not a whole number of passes of 5 sixteenths."""
    text = edited(TWO_SONGS, ("    phrase: 2 bars\n", "    length: 5\n"))
    found = faults(text)
    assert len(found) == 1
    assert found[0].startswith(
        "10:3: part 1 ends after 2 phrases of 8 bars, which is inside a pass of 1 beat and 1 step"
    )
    assert "`25 passes` or `26 passes`" in found[0]


def test_no_planned_end_or_no_change_to_wait_for_is_no_fault() -> None:
    odd = ("phrase: 2 bars", "phrase: 5 beats")
    assert faults(edited(TWO_SONGS, odd, ("program: 1, phrases: 2", "program: 1"))) == []
    assert faults(edited(TWO_SONGS, odd, ("program: 2, ", ""))) == []
