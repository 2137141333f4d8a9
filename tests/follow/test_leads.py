"""When a change is to leave, and until when it may: leads in ticks and milliseconds, hurried."""

from __future__ import annotations

import random

import pytest

from companion.follow.conductor import Send
from companion.setlist import SetList, Span, Unit
from tests.builders import TICK_NS, Rehearsal, SetBuilder, bar_pattern

MS = 1_000_000
END = 192


def tides(lead: Span, *, at_once: bool) -> SetList:
    """Two parts of two bars on a sampler."""
    builder = SetBuilder().instrument("sampler", at_once=at_once, lead=lead)
    builder.part(bar_pattern(), on="sampler", program=1)
    return builder.part(bar_pattern("ebb line"), on="sampler", program=2, phrases=None).build()


def handed_out(setlist: SetList, jitter_ms: float = 0.0, seed: int = 1) -> tuple[Send, int, int]:
    """The first change, when it was handed out, and when its boundary is due."""
    rng, on_stage = random.Random(seed), Rehearsal(setlist).start()
    begin_ns = on_stage.now_ns + TICK_NS
    for tick in range(END + 1):
        # No clock arrives before it was sent.
        on_stage.now_ns = begin_ns + tick * TICK_NS + round(rng.uniform(0, jitter_ms) * MS)
        on_stage.hear(0xF8)
        if on_stage.sent:
            return on_stage.sent[0][1], on_stage.now_ns, begin_ns + END * TICK_NS
    raise AssertionError("never handed out")


@pytest.mark.parametrize("jitter_ms", [0.0, 1.0])
@pytest.mark.parametrize("lead_ms", [5, 20, 30, 100])
def test_it_leaves_so_long_before_the_boundary_however_unsteady_the_tick(
    lead_ms: int, jitter_ms: float
) -> None:
    # An even delay of up to 1 ms is half a millisecond on average: so much later all arrives.
    lead = Span(lead_ms, Unit.MILLISECONDS)
    for seed in range(5):
        send, heard_ns, boundary_ns = handed_out(tides(lead, at_once=True), jitter_ms, seed)
        off_ns = boundary_ns - lead_ms * MS - send.at_ns
        assert abs(off_ns) < (0.01 + jitter_ms) * MS
        # It never waits longer than a tick.
        assert 0 <= send.at_ns - heard_ns <= TICK_NS * 1.01


def test_a_lead_in_beats_leaves_with_its_tick() -> None:
    send, heard_ns, _ = handed_out(tides(Span(1, Unit.BEATS), at_once=False))
    assert send.at_ns == heard_ns


def test_what_is_wished_for_right_now_does_not_wait_for_a_lead() -> None:
    on_stage = Rehearsal(tides(Span(5, Unit.MILLISECONDS), at_once=True)).start().clock(60)
    on_stage.now_ns += 3 * MS
    (send,) = on_stage.follower.wish("now", on_stage.now_ns)
    assert send.at_ns == on_stage.now_ns


@pytest.mark.parametrize("after", [0.02, 0.3, 0.49, 0.51, 0.7, 0.98])
def test_what_is_wished_for_right_now_has_time_to_leave_anywhere_between_two_clocks(
    after: float,
) -> None:
    """Whoever lets it out needs some time for it, however near the next clock is."""
    on_stage = Rehearsal(tides(Span(0, Unit.STEPS), at_once=True)).start().clock(60)
    on_stage.now_ns += round(after * TICK_NS)
    (send,) = on_stage.follower.wish("now", on_stage.now_ns)
    # It takes effect with the next clock, and is late from an eighth of a beat after that on.
    assert send.latest_ns - on_stage.now_ns >= 3 * TICK_NS


@pytest.mark.parametrize(
    ("lead", "at_once", "left"),
    [
        # Half its lead before the boundary it is too late for an instrument that waits: a beat is
        # 24 ticks; 100 ms are 4.8 ticks at 120 beats a minute.
        (Span(1, Unit.BEATS), False, 12),
        (Span(100, Unit.MILLISECONDS), False, 2.4),
        # One that changes at once, its lead under a tick: an eighth of a beat after it.
        (Span(0, Unit.STEPS), True, -3),
        (Span(5, Unit.MILLISECONDS), True, -3),
    ],
)
def test_until_when_it_may_leave(lead: Span, at_once: bool, left: float) -> None:
    send, _, boundary_ns = handed_out(tides(lead, at_once=at_once))
    assert isinstance(send, Send)
    assert (boundary_ns - send.latest_ns) / TICK_NS == pytest.approx(left, abs=0.3)


def test_hurried_it_may_leave_until_half_of_what_was_left() -> None:
    on_stage = Rehearsal(tides(Span(1, Unit.BEATS), at_once=False)).start().clock(70)
    (send,) = on_stage.follower.wish("now", on_stage.now_ns)
    # Twenty-seven ticks are left of the bar.
    assert isinstance(send, Send)
    assert (send.at_ns, send.ticks_left) == (on_stage.now_ns, 27)
    assert (send.latest_ns - on_stage.now_ns) / TICK_NS == pytest.approx(13.5, abs=0.1)


@pytest.mark.parametrize("lead", [Span(100, Unit.MILLISECONDS), Span(1, Unit.STEPS)])
def test_told_ahead_in_each_pass_an_instrument_that_changes_at_once_stays_sure(lead: Span) -> None:
    """A world in which one change was ignored takes the next one on the same boundary as all."""
    builder = SetBuilder().instrument("sampler", at_once=True, lead=lead)
    for program in range(20):
        builder.part(bar_pattern(phrase_bars=1), on="sampler", program=program)
    on_stage = Rehearsal(builder.build()).start()
    for _ in range(20):
        on_stage.clock(96)
        assert on_stage.conductor.sure, on_stage.conductor.standing().doubt
    assert on_stage.programs == [*range(1, 20)]
    assert on_stage.where == (20, 95)
