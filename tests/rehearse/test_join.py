"""A rehearsal of being lost: the virtual instrument plays already, and is to be found by ear."""

from __future__ import annotations

from tests.rehearse.hall import Opened

DIGITS = '2: pass 2 of 2, 3: "pass 3, 4 of 4", 6: "pass 5, 6, 7, 8 of 8"'
# Two tracks tell the pass, in binary.
NIGHT = f"""\
set: Tidewater
instruments:
  drums: {{port: "*drum*", channel: 10}}
patterns:
  slack water:
    length: 8
    phrase: 8 passes
    tracks:
      low drum: {{note: 36, steps: {{1: always, 5: always, {DIGITS}}}}}
      shaker: {{note: 42, steps: {{1: always, 4: always, {DIGITS}}}}}
songs:
  - song: Slack water
    parts:
      - {{pattern: slack water, on: drums, program: 12, phrases: 1}}
"""
PLAIN = NIGHT.replace(f", {DIGITS}", "")


def test_it_is_found_and_told_how_long_that_took(opened: Opened) -> None:
    found = 0
    for seed in range(12):
        hall = opened(NIGHT, seed=seed, join=True)
        assert hall.look().state in ("waiting", "ready")
        hall.until_over(1000)
        joined = hall.rehearsing.joined
        assert joined is not None
        if joined.after is None:
            assert "not found before its end" in joined.told(hall.engine._follower.setlist)
            # Only where too little of the part was left to be heard.
            assert joined.tick > 384 - 240
            continue
        found += 1
        assert joined.right
        assert 0 < joined.after <= 240
        assert joined.told(hall.engine._follower.setlist).endswith("bars, and right")
    assert found >= 4


def test_where_a_screen_watches_it_plays_on_from_there(opened: Opened) -> None:
    for seed in range(12):
        hall = opened(NIGHT, seed=seed, join=True, stays=True)
        while hall.rehearsing.joined.after is None and hall.rehearsing.joined.last == "":  # type: ignore[union-attr]
            hall.tick()
        if hall.rehearsing.joined.after is not None:  # type: ignore[union-attr]
            break
    before = hall.look().tick
    hall.tick(5)
    seen = hall.look()
    assert (seen.state, seen.sure, seen.tick) == ("running", True, before + 5)


def test_what_cannot_be_found_is_not_found(opened: Opened) -> None:
    hall = opened(PLAIN, seed=1, join=True)
    hall.until_over(1000)
    joined = hall.rehearsing.joined
    assert joined is not None
    assert joined.after is None


def test_the_screen_says_what_is_heard_so_far(opened: Opened) -> None:
    hall = opened(NIGHT, seed=3, join=True)
    said = set()
    while not hall.rehearsing.over:
        hall.tick()
        said.add(hall.look().doubt)
    assert any(words.startswith("listening: slack water") for words in said)
