"""Port names against globs, with no driver."""

from __future__ import annotations

import pytest

from companion.engine.ports import Input, Output, _names
from companion.follow.portnames import (
    choose_output,
    device,
    lasting_glob,
    matches,
    plain_name,
    told_apart,
)
from companion.setlist import text

NAMES = ["Midi Through:Midi Through Port-0 14:0", "Tide Drum:Tide Drum MIDI 1 24:0", "sampler:in"]


@pytest.mark.parametrize(
    ("glob", "name", "expected"),
    [
        ("*drum*", NAMES[1], True),
        ("*DRUM*", NAMES[1], True),
        ("drum", NAMES[1], True),
        ("*drum*", NAMES[2], False),
        ("tide drum:tide drum midi 1", NAMES[1], True),
        ("tide ?rum*", NAMES[1], True),
        ("*MIDI 1", NAMES[1], True),
        ("[st]*", NAMES[2], True),
    ],
)
def test_globs_match_names(glob: str, name: str, expected: bool) -> None:
    assert matches(glob, name) is expected


def test_ports_of_one_name_are_told_apart() -> None:
    assert told_apart(["drum", "pad", "drum", "drum"]) == ["drum", "pad", "drum #2", "drum #3"]
    assert told_apart(["drum #2", "drum", "drum"]) == ["drum #2", "drum", "drum #3"]
    assert told_apart(NAMES) == NAMES
    # Whatever matches the one matches the other; each has its own way back.
    for glob in ("drum", "*drum", "d*m"):
        assert matches(glob, "drum #2")
    twins = ["drum", "drum #2"]
    assert choose_output(twins, "*drum", None, "drum #2") == "drum #2"
    assert choose_output(twins, "*drum", None, None) == "drum"


class Twins:
    """A driver's client that sees two instruments of one make."""

    def __init__(self) -> None:
        self.opened: list[int] = []

    def get_ports(self) -> list[str]:
        return ["drum", "companion:port", "drum"]

    def open_port(self, number: int, name: str) -> None:
        self.opened.append(number)

    def set_callback(self, callback: object) -> None:
        pass

    def send_message(self, message: object) -> None:
        pass


def test_each_of_two_ports_of_one_name_is_opened_once() -> None:
    client = Twins()
    assert _names(client) == ["drum", "drum #2"]
    for name in _names(client):
        Input(client, name, lambda *_: None)
    Output(client, "drum #2")
    assert client.opened == [0, 2, 2]


def test_a_port_that_comes_back_under_another_number_has_the_same_plain_name() -> None:
    assert plain_name("Tide Drum:Tide Drum MIDI 1 24:0") == plain_name(
        "Tide Drum:Tide Drum MIDI 1 28:0"
    )


@pytest.mark.parametrize(
    ("heard", "told"),
    [
        ("Tide Drum:Tide Drum MIDI 1 24:0", "Tide Drum:Tide Drum MIDI 2 24:1"),
        # JACK numbers clients of one name; bridges from ALSA come before the device.
        ("tide drum:out", "tide drum-01:in"),
        ("a2j:Tide Drum [24] (capture): MIDI 1", "a2j:Tide Drum [24] (playback): MIDI 1"),
    ],
)
def test_both_ends_of_one_device_are_known_as_such(heard: str, told: str) -> None:
    assert device(heard) == device(told) == "tide drum"
    assert device(heard) != device("a2j:Harp [28] (playback): MIDI 1")


def test_a_bridge_numbers_clients_too() -> None:
    before, after = (f"a2j:Tide Drum [{number}] (capture): MIDI 1" for number in (24, 28))
    assert plain_name(before) == plain_name(after)


def test_the_set_lists_glob_decides() -> None:
    assert choose_output(NAMES, "*drum*", None, None) == NAMES[1]
    assert choose_output(NAMES, "*harp*", None, None) is None


def test_of_two_outputs_that_match_one_is_told_and_that_is_the_clocks() -> None:
    both = ["Tide Drum:Tide Drum MIDI 1 24:0", "Old Tide Drum:Old Tide Drum MIDI 1 28:0"]
    assert choose_output(both, "*drum*", None, both[1]) == both[1]
    assert choose_output(both, "*drum*", None, "Tide Pad:Tide Pad MIDI 1 32:0") == both[0]


def test_the_command_line_is_the_stronger() -> None:
    assert choose_output(NAMES, "*drum*", "sampler*", None) == "sampler:in"
    assert choose_output(NAMES, "*drum*", "*i*", None) == NAMES[1]
    assert choose_output(NAMES, "*drum*", "nothing", None) is None


def test_any_port_means_the_device_whose_clock_is_followed() -> None:
    assert choose_output(NAMES, None, None, "Tide Drum:Tide Drum MIDI 1 24:0") == NAMES[1]
    assert choose_output(NAMES, None, None, "sampler:out") == "sampler:in"
    assert choose_output(NAMES, None, None, None) == NAMES[0]
    assert choose_output([], None, None, None) is None


@pytest.mark.parametrize(
    ("name", "again", "beside"),
    [
        ("Tide:Tide Pad MIDI 1 24:0", "Tide:Tide Pad MIDI 1 129:0", "Tide:Tide Pad MIDI 10"),
        ("tide pad:out", "tide pad-02:out", "tide pad:out 2"),
        ("tide pad-01:out", "tide pad:out", "old tide pad-01:out"),
        ("a2j:Tide [24] (capture): MIDI 1", "a2j:Tide [31] (capture): MIDI 1", "a2j:Ebb: MIDI 1"),
        ("Tide Pad MIDI 1", "Tide Pad MIDI 1", "Tide Pad MIDI 11"),
        ("pad [left]*?:out", "pad [left]*?-01:out", "pad l:out"),
        # What a set list would read otherwise, or not at all, is left open.
        (" pad  a\x07:out\ufffd ", " pad  a\x07:out\ufffd ", "pad a:out"),
    ],
)  # fmt: skip
def test_a_glob_for_a_port_lasts(name: str, again: str, beside: str) -> None:
    glob = lasting_glob(name)
    assert matches(glob, name)
    assert matches(glob, again)
    assert not matches(glob, beside)
    assert text.words(glob) == glob


def test_a_glob_lasts_where_every_name_ends_in_its_place_in_the_list() -> None:
    glob = lasting_glob("Tide Pad 3", numbered=True)
    assert (glob, matches(glob, "Tide Pad 11"), matches(glob, "Tide Keys 3")) == (
        "Tide Pad *",
        True,
        False,
    )
