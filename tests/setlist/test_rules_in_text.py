"""Play rules as a musician writes them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from companion.counting import ALWAYS, Cycle, If, Rule
from companion.setlist import BadText
from companion.setlist.text import parse_rule

TRACKS = ["low drum", "shaker", "bell, high"]


@pytest.mark.parametrize(
    ("text", "rule"),
    # The set-list page's table of terms.
    [
        ("always", ALWAYS),
        ("pass 1 of 4", Rule(cycles=(Cycle(1, 4),))),
        ("pass 128 of 128", Rule(cycles=(Cycle(128, 128),))),
        ("not pass 2 of 3", Rule(cycles=(Cycle(2, 3, negated=True),))),
        ("chance 60%", Rule(chances=(Fraction(3, 5),))),
        ("chance 12.5%", Rule(chances=(Fraction(1, 8),))),
        ("chance 1 in 3", Rule(chances=(Fraction(1, 3),))),
        ("chance 0%", Rule(chances=(Fraction(0),))),
        ("first pass", Rule(first=True)),
        ("after first pass", Rule(first=False)),
        ("fill", Rule(fill=True)),
        ("no fill", Rule(fill=False)),
        ("if last played", Rule(conditions=(If(None, True),))),
        ("if last silent", Rule(conditions=(If(None, False),))),
        ("if low drum played", Rule(conditions=(If("low drum", True),))),
        ("if shaker silent", Rule(conditions=(If("shaker", False),))),
        ("if bell, high played, fill", Rule(fill=True, conditions=(If("bell, high", True),))),
        (
            "pass 3 of 3, chance 50%",
            Rule(cycles=(Cycle(3, 3),), chances=(Fraction(1, 2),)),
        ),
        (
            "if shaker played, if last silent",
            Rule(conditions=(If("shaker", True), If(None, False))),
        ),
        ("chance 50%, chance 50%", Rule(chances=(Fraction(1, 2), Fraction(1, 2)))),
        ("always, fill", Rule(fill=True)),
        ("fill, no fill", Rule(impossible=True)),
        ("first pass, after first pass", Rule(impossible=True)),
        (
            "if last played, if last silent",
            Rule(conditions=(If(None, True), If(None, False)), impossible=True),
        ),
    ],
)
def test_every_term(text: str, rule: Rule) -> None:
    assert parse_rule(text, TRACKS) == rule


@pytest.mark.parametrize(
    ("loose", "exact"),
    [
        ("  PASS  1   of 4 ,chance 50 %", "pass 1 of 4, chance 50%"),
        ("Chance60%", "chance 60%"),
        ("If  Low  Drum  Played", "if low drum played"),
        ("NO FILL", "no fill"),
    ],
)
def test_capitals_and_spaces_do_not_matter(loose: str, exact: str) -> None:
    assert parse_rule(loose, TRACKS) == parse_rule(exact, TRACKS)


@pytest.mark.parametrize(
    ("text", "offset", "said"),
    [
        ("pas 1 of 4", 0, "did you mean `pass 1 of 4`?"),
        ("1:4", 0, "write `pass 1 of 4`"),
        ("4th pass", 0, "write `pass 4 of 4`"),
        (
            "pass 4 of 4 chance 50%",
            0,
            "put commas between the terms: `pass 4 of 4, chance 50%`",
        ),
        (
            "fill, not pass 4 of 4 and chance 1 in 2 and if last played",
            6,
            "put commas between the terms: `not pass 4 of 4, chance 1 in 2, if last played`",
        ),
        ("pass 1 of 4 or fill", 0, "did you mean `pass 1 of 4`?"),
        ("3/4", 0, "write `pass 3 of 4`"),
        ("fill, 2:3", 6, "write `pass 2 of 3`"),
        ("60%", 0, "write `chance 60%`"),
        ("chance 60", 0, "write `chance 60%`"),
        ("1 in 3", 0, "write `chance 1 in 3`"),
        ("every 4th pass", 0, "write `pass 4 of 4`"),
        ("pass 5 of 4", 0, "the first number is from 1 to 4"),
        ("pass 0 of 4", 0, "the first number is from 1 to 4"),
        ("pass 1 of 129", 0, "a rule can count to 128 passes"),
        ("chance 101%", 0, "write 0% to 100%"),
        ("chance 4 in 3", 0, "write it like `chance 1 in 3`"),
        ("chance 1 in 0", 0, "write it like `chance 1 in 3`"),
        ("5:4", 0, "write `always`, `pass 1 of 4`"),
        ("pass 7", 0, "write `pass 7 of 16`"),
        ("chance 500", 0, "write `always`, `pass 1 of 4`, `chance 50%`"),
        ("fill, chance 12,5%", 13, "write it with a point: `12.5%`"),
        ("allways", 0, "did you mean `always`?"),
        ("first", 0, "write `first pass`"),
        ("no fil", 0, "did you mean `no fill`?"),
        ("if shakr played", 0, "did you mean `shaker`?"),
        ("if drone played", 0, "write `last` or `low drum`, `shaker`"),
        ("if shaker plays", 0, "did you mean `if shaker played`?"),
        ("pass 1 of 4,", 12, "write a term on each side of a comma"),
        (", fill", 0, "write a term on each side of a comma"),
        ("", 0, "write a term"),
        ("when the moon is full", 0, "write `always`, `pass 1 of 4`, `chance 50%`"),
        ("pass ² of 4", 0, "pass"),
        ("pass 1 of " + "9" * 5000, 0, "a rule can count to 128 passes"),
        ("chance 0." + "0" * 5000 + "1%", 0, "write 0% to 100%"),
        (", ".join(["fill"] * 40), 0, "use at most 32"),
    ],
)
def test_a_bad_term_is_named_with_what_would_be_right(text: str, offset: int, said: str) -> None:
    with pytest.raises(BadText) as caught:
        parse_rule(text, TRACKS)
    assert caught.value.offset == offset
    assert said in caught.value.right


@st.composite
def rules(draw: st.DrawFn) -> Rule:
    """Any rule that can be written, without contradictions."""
    n = st.integers(1, 128)
    cycles = draw(
        st.lists(
            n.flatmap(lambda n: st.builds(Cycle, st.integers(1, n), st.just(n), st.booleans())),
            unique=True,
            max_size=4,
        )
    )
    chances = draw(st.lists(st.integers(0, 1000).map(lambda m: Fraction(m, 1000)), max_size=2))
    tracks = draw(st.lists(st.sampled_from([None, *TRACKS]), unique=True, max_size=3))
    return Rule(
        tuple(cycles),
        tuple(chances),
        draw(st.sampled_from([None, True, False])),
        draw(st.sampled_from([None, True, False])),
        tuple(If(track, draw(st.booleans())) for track in tracks),
    )


def spoken(rule: Rule) -> str:
    """The rule in the words of the set-list page, written apart from the reader."""
    terms = [str(cycle) for cycle in rule.cycles]
    terms += [f"chance {float(chance * 100):.1f}%" for chance in rule.chances]
    terms += [
        {True: "first pass", False: "after first pass"}[f] for f in [rule.first] if f is not None
    ]
    terms += [{True: "fill", False: "no fill"}[f] for f in [rule.fill] if f is not None]
    terms += [str(condition) for condition in rule.conditions]
    return ", ".join(terms) or "always"


@given(rules())
def test_what_a_rule_says_reads_back_as_that_rule(rule: Rule) -> None:
    assert parse_rule(spoken(rule), TRACKS) == rule


@given(st.text(max_size=80) | st.text(alphabet="pas of,in%chnelto 0123456789.:", max_size=80))
def test_any_text_is_a_rule_or_a_plain_fault(text: str) -> None:
    try:
        parse_rule(text, TRACKS)
    except BadText as error:
        bad = error
    else:
        return
    assert bad.wrong
    assert bad.right
    assert 0 <= bad.offset <= len(text)
