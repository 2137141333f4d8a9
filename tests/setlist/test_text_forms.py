"""Spans, times of cues, meters and shares as a musician writes them."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.counting import Meter
from companion.setlist import BadText, Span, Unit, When, WhenKind, text

ALL = (Unit.STEPS, Unit.BEATS, Unit.BARS, Unit.PASSES, Unit.PHRASES, Unit.MILLISECONDS)


@pytest.mark.parametrize("unit", ALL)
@pytest.mark.parametrize("count", [1, 2, 120])
def test_a_span_reads_as_it_is_said(unit: Unit, count: int) -> None:
    assert text.span(str(Span(count, unit)), ALL) == Span(count, unit)


@pytest.mark.parametrize(
    ("said", "span"),
    [
        ("1 bars", Span(1, Unit.BARS)),
        ("2 bar", Span(2, Unit.BARS)),
        (" 8  PASSES ", Span(8, Unit.PASSES)),
        ("120ms", Span(120, Unit.MILLISECONDS)),
        ("3 milliseconds", Span(3, Unit.MILLISECONDS)),
    ],
)
def test_a_span_written_loosely(said: str, span: Span) -> None:
    assert text.span(said, ALL) == span


@pytest.mark.parametrize(
    ("said", "right"),
    [
        ("2 barz", "did you mean `2 bars`?"),
        ("1 bear", "did you mean `1 bar`?"),
        ("8", "write `8 bars` or `8 passes`"),
        ("bar", "write `1 bar`"),
        ("0 bars", "from 1 to 9999"),
        ("99999 bars", "from 1 to 9999"),
        ("1.5 bars", "write a whole number of"),
        ("-1 bars", "write a whole number of"),
        ("2 ms", "write a whole number of steps, beats, bars or passes"),
        ("", "write a whole number of"),
        ("٣ bars", "write a whole number of"),
        ("9" * 5000 + " bars", "from 1 to 9999"),
    ],
)
def test_a_span_that_is_none(said: str, right: str) -> None:
    with pytest.raises(BadText) as caught:
        text.span(said, text.PHRASE_UNITS)
    assert right in caught.value.right


@pytest.mark.parametrize(
    ("said", "when"),
    # The set-list page's list of times.
    [
        ("start", When(WhenKind.START)),
        ("End", When(WhenKind.END)),
        ("pass 5", When(WhenKind.NTH, Span(5, Unit.PASSES))),
        ("phrase 2", When(WhenKind.NTH, Span(2, Unit.PHRASES))),
        ("bar 9", When(WhenKind.NTH, Span(9, Unit.BARS))),
        ("last 2 passes", When(WhenKind.LAST, Span(2, Unit.PASSES))),
        ("last 4 bars", When(WhenKind.LAST, Span(4, Unit.BARS))),
        ("last 1 phrases", When(WhenKind.LAST, Span(1, Unit.PHRASES))),
        ("last bar", When(WhenKind.LAST, Span(1, Unit.BARS))),
        ("last pass", When(WhenKind.LAST, Span(1, Unit.PASSES))),
        ("last phrase", When(WhenKind.LAST, Span(1, Unit.PHRASES))),
        ("last 2 beats", When(WhenKind.LAST, Span(2, Unit.BEATS))),
    ],
)
def test_when_a_cue_is_due(said: str, when: When) -> None:
    assert text.at(said) == when


@pytest.mark.parametrize(
    ("said", "right"),
    [
        ("strat", "did you mean `start`?"),
        ("passs 5", "did you mean `pass 5`?"),
        ("bar 0", "count from 1"),
        ("last 2 barz", "did you mean `last 2 bars`?"),
        ("noon", "write `start`, `end`, `pass 5`"),
    ],
)
def test_a_time_that_is_none(said: str, right: str) -> None:
    with pytest.raises(BadText) as caught:
        text.at(said)
    assert right in caught.value.right


def test_how_often_a_cue_comes() -> None:
    assert text.every("phrase") == Span(1, Unit.PHRASES)
    assert text.every("Bar") == Span(1, Unit.BARS)
    assert text.every("pass") == Span(1, Unit.PASSES)
    assert text.every("4 passes") == Span(4, Unit.PASSES)
    assert text.from_pass("pass 3") == 3
    with pytest.raises(BadText, match="no pass"):
        text.from_pass("3")


def test_meters() -> None:
    assert text.meter("7/8") == Meter(7, 8)
    assert text.meter(" 64 / 32 ") == Meter(64, 32)
    for said in ("4/3", "0/4", "65/4", "4", "4/0", "four/4"):
        with pytest.raises(BadText, match="no meter"):
            text.meter(said)


@pytest.mark.parametrize("said", ["1 in 4", "25%", "25 %", "1/4", "0.25"])
def test_a_share_in_all_its_forms(said: str) -> None:
    assert text.rate(said) == Fraction(1, 4)


@pytest.mark.parametrize("said", ["0", "0%", "101%", "2", "1 in 0", "3 in 2", "often", "1e-3"])
def test_a_share_that_is_none(said: str) -> None:
    with pytest.raises(BadText, match="no share"):
        text.rate(said)


def test_names_and_texts_cannot_command_a_terminal() -> None:
    """An escape in a quoted text would otherwise reach every screen."""
    for said in ("tide\x1b[2J", "tide\u202e", "tide\x9b1m", "ti\x00de"):
        with pytest.raises(BadText, match="control character U"):
            text.name(said)
        with pytest.raises(BadText, match="control character U"):
            text.words(said)
    assert text.words("open the filter\n  slowly\n") == "open the filter slowly"
    assert text.name("grève à marée, 潮") == "grève à marée, 潮"
    for said in ("", "  ", " ebb", "x" * 101):
        with pytest.raises(BadText):
            text.name(said)


FORMS: list[Callable[[str], object]] = [
    text.at,
    text.every,
    text.from_pass,
    text.meter,
    text.rate,
    text.step_ticks,
    text.truth,
    text.name,
    text.words,
    lambda said: text.span(said, ALL),
    lambda said: text.whole(said, 0, 127),
    lambda said: text.decimal(said, 20, 400),
    lambda said: text.choice(said, "pattern end", "at once"),
]


@given(
    st.sampled_from(FORMS),
    st.text(max_size=40) | st.text(alphabet="0123456789 ./%inbarspteLl", max_size=40),
)
def test_any_text_is_read_or_refused_in_words(form: Callable[[str], object], said: str) -> None:
    try:
        form(said)
    except BadText as error:
        bad = error
    else:
        return
    assert bad.wrong
    assert bad.right
