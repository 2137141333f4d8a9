"""What `status` says for people of a snapshot."""

from __future__ import annotations

import pytest

from companion.cli.ask import status_lines
from companion.link.messages import Snapshot


@pytest.mark.parametrize(
    ("snapshot", "said"),
    [
        (Snapshot(0, sending=True), "program changes go out"),
        (Snapshot(0, sending=True, sure=False, doubt="x"), "nothing is sent while unsure"),
        (Snapshot(0, sending_note="disarmed"), "not sending: disarmed"),
        (Snapshot(0, sure=False, doubt="x", sending_note="disarmed"), "not sending: disarmed"),
    ],
)
def test_whether_anything_is_sent(snapshot: Snapshot, said: str) -> None:
    assert status_lines(snapshot)[4] == said
