"""On a terminal without block characters all is drawn in ASCII, one column for one."""

from __future__ import annotations

import pytest

from companion.printable import lacks_blocks
from companion.screen.app import make_app
from tests.screen.stage import Clock, Feed, slack_water

SIZES = [(80, 24), (200, 60), (40, 12)]


async def lines(plain: bool, size: tuple[int, int], *keys: str) -> list[str]:
    app = make_app(Feed(slack_water(100)), plain=plain, now_ns=Clock())
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        await pilot.press(*keys)
        await pilot.pause()
        found = []
        for strip in app.screen._compositor.render_strips():
            segments = list(strip)
            for line_filter in app.get_line_filters():
                segments = line_filter.apply(segments, app.screen.styles.background)
            found.append("".join(segment.text for segment in segments))
        return found


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("keys", [(), ("m",), ("l",)], ids=["stage", "map", "set"])
async def test_the_stage_is_drawn_in_ascii(size: tuple[int, int], keys: tuple[str, ...]) -> None:
    plain = await lines(True, size, *keys)
    assert "".join(plain).isascii()
    usual = await lines(False, size, *keys)
    assert not "".join(usual).isascii()
    # Nothing else is changed, and nothing moves.
    assert [len(line) for line in plain] == [len(line) for line in usual]
    for ours, theirs in zip(plain, usual, strict=True):
        for mine, other in zip(ours, theirs, strict=True):
            assert mine == other or not other.isascii()


@pytest.mark.parametrize(
    ("encoding", "terminal", "lacks"),
    [
        ("utf-8", "xterm-256color", False),
        ("UTF-8", "tmux-256color", False),
        ("utf-8", "linux", True),
        ("iso8859-1", "xterm", True),
        ("ascii", "xterm", True),
        (None, "xterm", True),
        ("no such thing", "xterm", True),
    ],
)
def test_which_terminals_those_are(encoding: str | None, terminal: str, lacks: bool) -> None:
    assert lacks_blocks(encoding, terminal) is lacks
