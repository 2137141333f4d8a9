"""A binding put into the text of a file of controls: what was there stays, comments and all."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from companion.setlist import Address, Binding, Kind, Press
from companion.setlist.edit import NoRoom, added, entry, fresh, is_empty, replaced, rewished
from companion.setlist.reading import read_controls
from companion.wishes import WISHES, Ask, Wish

BOUND = [*(wish for wish in WISHES if wish.ask is not Ask.STOP), Wish(Ask.PART, part=12)]
PAD = Binding(Press(Address(Kind.NOTE, 61, 15), "tide pad*:tide pad out"), Wish(Ask.STAY))
LINE = '{press: {note: 61, channel: 16, port: "tide pad*:tide pad out"}, wish: stay}'
FIRST = Binding(Press(Address(Kind.NOTE, 60)), Wish(Ask.NEXT))


def reads(tmp_path: Path, text: str) -> tuple[Binding, ...]:
    file = tmp_path / "pads.yaml"
    file.write_text(text, encoding="utf-8", newline="")
    return read_controls(file)


def test_a_new_file_says_what_it_is_for(tmp_path: Path) -> None:
    text = fresh(PAD)
    assert text.startswith("# Presses on pads, pedals and keys")
    assert text.endswith(f"controls:\n  - {LINE}\n")
    assert reads(tmp_path, text) == (PAD,)


@pytest.mark.parametrize("wish", BOUND, ids=str)
def test_every_wish_can_be_bound_and_is_read_again(wish: Wish, tmp_path: Path) -> None:
    assert {each.ask for each in BOUND} == set(Ask) - {Ask.STOP}
    binding = Binding(PAD.press, wish)
    assert reads(tmp_path, fresh(binding)) == (binding,)


@pytest.mark.parametrize(
    ("press", "said"),
    [
        # Displays count programs from 1, the wire from 0.
        (Press(Address(Kind.PROGRAM, 0, 0), "pad"), '{program: 1, channel: 1, port: "pad"}'),
        (Press(Address(Kind.PROGRAM, 127)), "{program: 128}"),
        (Press(Address(Kind.CONTROLLER, 64), toggle=True), "{controller: 64, toggle: true}"),
        (Press(Address(Kind.NOTE, 0, 3), long=True), "{note: 0, channel: 4, long: true}"),
    ],
)
def test_each_kind_of_press_is_read_again(press: Press, said: str, tmp_path: Path) -> None:
    binding = Binding(press, Wish(Ask.NOW))
    assert entry(binding) == f"{{press: {said}, wish: now}}"
    assert reads(tmp_path, fresh(binding)) == (binding,)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("", f"controls:\n  - {LINE}\n"),
        ("# the pad on the left", f"# the pad on the left\ncontrols:\n  - {LINE}\n"),
        ("controls:  # none\n\n# end\n", f"controls:  # none\n  - {LINE}\n\n# end\n"),
        ("controls: [] # none\n", f"controls: [{LINE}] # none\n"),
        (
            "controls: [{press: note 60, wish: next}] # one\n",
            f"controls: [{{press: note 60, wish: next}}, {LINE}] # one\n",
        ),
        (
            "# top\ncontrols:\n- press: note 60\n  wish: next  # left\n\n# end\n",
            f"# top\ncontrols:\n- press: note 60\n  wish: next  # left\n- {LINE}\n\n# end\n",
        ),
        (
            "controls:\n    -\n      wish: next\n      press: {note:\n        60}",
            f"controls:\n- wish: next\n  press: {{note: 60}}\n- {LINE}",
        ),
        (
            "controls:\r\n  - {press: note 60, wish: next}\r\n",
            f"controls:\r\n  - {{press: note 60, wish: next}}\r\n  - {LINE}\r\n",
        ),
    ],
)
def test_one_more_is_put_after_the_last(before: str, after: str, tmp_path: Path) -> None:
    assert is_empty(before) == ("60" not in before and "[" not in before)
    assert added(before, PAD) == after
    assert reads(tmp_path, after) == ((FIRST, PAD) if "60" in before else (PAD,))


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (
            "controls:\n  # wide\n  - press: note 60\n    wish: next\n",
            f"controls:\n  # wide\n  - {LINE}\n  - press: note 60\n    wish: next\n",
        ),
        (
            "controls: [{press: note 60, wish: next}]",
            f"controls: [{LINE}, {{press: note 60, wish: next}}]",
        ),
    ],
)
def test_one_more_can_be_put_before_another(before: str, after: str, tmp_path: Path) -> None:
    assert added(before, PAD, 0) == after
    assert reads(tmp_path, after) == (PAD, FIRST)


TWO = """\
controls:
  # left
  - press: {note: 60, port: '*Pad*'}  # soft
    wish: 'next'   # often

  - {wish: arm, press: controller 20}  # right
"""


def test_a_wish_is_replaced_and_nothing_else(tmp_path: Path) -> None:
    wish = Wish(Ask.NUDGE_BACK, "phrase")
    # A longer text pushes its comment to the right.
    assert rewished(TWO, 0, wish) == TWO.replace("'next'  ", "'nudge back a phrase'")
    assert rewished(TWO, 1, wish) == TWO.replace(
        "arm, press: controller 20} ", "nudge back a phrase, press: controller 20}"
    )


def test_a_binding_is_replaced_as_a_whole(tmp_path: Path) -> None:
    assert replaced(TWO, 1, PAD) == TWO.replace("{wish: arm, press: controller 20} ", LINE)
    first = replaced(TWO, 0, PAD)
    assert first.startswith(f"controls:\n  # left\n  - {LINE} # often\n\n  - {{wish: arm")
    assert reads(tmp_path, first)[0] == PAD


@pytest.mark.parametrize("text", ["controls: ~\n", "- a list\n", "other: 3\n", "controls: none\n"])
def test_where_there_is_no_list_there_is_no_room(text: str) -> None:
    assert not is_empty(text)
    with pytest.raises(NoRoom):
        added(text, PAD)


def test_broken_text_is_not_taken_for_an_empty_one() -> None:
    assert not is_empty("controls: [")


COMMENTS = st.sampled_from(["", "  # a - b: [c]", " # 'quoted", "   # {"])
SPACES = st.integers(0, 4)


@given(
    indent=SPACES,
    notes=st.lists(st.tuples(st.integers(0, 127), COMMENTS, st.booleans()), min_size=1, max_size=4),
    end_of_line=st.sampled_from(["\n", "\r\n"]),
    tail=st.sampled_from(["", "\n", "\n\n# - tail\n"]),
)
def test_whatever_the_layout_each_line_that_was_there_stays(
    indent: int, notes: list[tuple[int, str, bool]], end_of_line: str, tail: str
) -> None:
    lines = ["controls:"]
    for note, comment, wide in notes:
        dash = " " * indent + "- "
        if wide:
            lines += [f"{dash}press: note {note}{comment}", " " * (indent + 2) + "wish: next"]
        else:
            lines.append(f"{dash}{{press: note {note}, wish: next}}{comment}")
    text = end_of_line.join(lines) + tail.replace("\n", end_of_line)
    now = added(text, PAD)
    assert text.splitlines() == [line for line in now.splitlines() if "tide pad" not in line]
    assert [*yaml.safe_load(text)["controls"], yaml.safe_load(LINE)] == yaml.safe_load(now)[
        "controls"
    ]
