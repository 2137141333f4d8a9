"""When a silent connection is renewed: soon, then seldom, never while anything is heard."""

from __future__ import annotations

import itertools

from companion.engine.portkeeper import SELDOM_NS, SILENT_NS, SOON_NS, Ear, Renewal

SECOND = 1_000_000_000
# The keeper looks four times a second.
ROUND_NS = SECOND // 4


def ear(alias: str, heard_ns: int = 0) -> Ear:
    made = Ear(alias, lambda *_: None)
    made.heard_ns = heard_ns
    return made


def renewals(ears: dict[str, Ear], followed: str | None, from_ns: int, until_ns: int) -> list[int]:
    """When something was renewed, on one and the same keeper's rounds."""
    renewal = Renewal()
    return [t for t in range(from_ns, until_ns, ROUND_NS) if renewal.choose(ears, followed, t)]


def test_a_clock_that_ticks_is_left_alone() -> None:
    renewal, drum = Renewal(), ear("drum")
    for t in range(SECOND, 120 * SECOND, ROUND_NS):
        drum.heard_ns = t - 20_000_000
        assert renewal.choose({"drum": drum}, "drum", t) is None


def test_a_silent_clock_is_renewed_within_a_second_and_then_again_within_two() -> None:
    at = renewals({"drum": ear("drum", 100 * SECOND)}, "drum", 100 * SECOND, 160 * SECOND)
    assert at[0] <= 100 * SECOND + SILENT_NS + ROUND_NS
    gaps = [b - a for a, b in itertools.pairwise(at)]
    # Found within 2 s whenever it comes back: the promise on cables.
    assert max(gaps) + ROUND_NS <= 2 * SECOND
    assert min(gaps) >= SOON_NS


def test_an_old_silence_is_looked_into_seldom() -> None:
    at = renewals({"drum": ear("drum", 1 * SECOND)}, "drum", 500 * SECOND, 560 * SECOND)
    assert 10 <= len(at) <= 12
    assert min(b - a for a, b in itertools.pairwise(at)) >= SELDOM_NS


def test_every_new_silence_is_looked_into_at_once() -> None:
    renewal, drum = Renewal(), ear("drum", 10 * SECOND)
    assert renewal.choose({"drum": drum}, "drum", 10 * SECOND + SILENT_NS) == "drum"
    drum.heard_ns = 10 * SECOND + SILENT_NS + 1_000_000
    assert renewal.choose({"drum": drum}, "drum", 11 * SECOND + 1_000_000) == "drum"


def test_others_are_left_alone_while_one_is_followed() -> None:
    ears = {"drum": ear("drum", 100 * SECOND), "harp": ear("harp")}
    renewal = Renewal()
    assert renewal.choose(ears, "drum", 100 * SECOND + 1) is None


def test_before_anything_is_followed_the_silent_ones_take_turns() -> None:
    ears = {"drum": ear("drum"), "harp": ear("harp")}
    renewal = Renewal()
    chosen = [renewal.choose(ears, None, t) for t in range(10 * SECOND, 31 * SECOND, ROUND_NS)]
    assert [name for name in chosen if name] == ["drum", "harp", "drum", "harp", "drum"]


def test_the_system_is_asked_now_and_then_but_not_on_top_of_renewals() -> None:
    renewal = Renewal()
    asked = [t for t in range(10 * SECOND, 40 * SECOND, ROUND_NS) if renewal.probe(t)]
    assert len(asked) == 6
    drum = ear("drum", 50 * SECOND)
    assert renewal.choose({"drum": drum}, "drum", 51 * SECOND) == "drum"
    assert not renewal.probe(51 * SECOND + 1)


def test_a_connection_just_made_is_left_alone_for_a_while() -> None:
    drum = Ear("drum", lambda *_: None, opened_ns=100 * SECOND)
    at = renewals({"drum": drum}, None, 100 * SECOND, 106 * SECOND)
    assert at == [100 * SECOND + SELDOM_NS]
