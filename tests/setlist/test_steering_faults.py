"""What cannot steer: each slip and what the musician then reads, where."""
# ruff: noqa: E501 (tables, one case a line)

from __future__ import annotations

import pytest

from tests.setlist.sheets import edited, faults
from tests.setlist.test_steering import TIDE

PRESS = '{note: 60, channel: 16, port: "*pad*"}'
CHANNEL = "take another, or tell them apart by `channel`, `port` or `long`"
PORT = "take another, or write the `port` of both, if the pad or pedal has its own"

ONE_FAULT = [
    # Notes of tracks.
    ("note: 36", "note: 128", "26:24: `128` will not do here; write a whole number from 0 to 127"),
    ("note: 36", "note: C1", "26:24: `C1` will not do here; write a whole number from 0 to 127"),
    ("note: 36", "note: ", "26:18: nothing is written here; write a value, or leave the key out"),
    ("note: 36", "note: [36]", "26:24: keys belong here"),
    ("number: 42, ", "", "27:16: `note` needs `number`; write `number:` and the note's number"),
    ("channel: 12", "channel: 17", "27:44: `17` will not do here; write a whole number from 1 to 16"),
    ("number: 42", "nomber: 42", "27:23: `note` has no key `nomber`; did you mean `number`?"),
    ("note: 36, ", "channel: 3, ", "26:18: a track has no key `channel`; it belongs under `note`"),
    # What the instrument tells.
    ("tells:", "tell:", "6:5: an instrument has no key `tell`; did you mean `tells`?"),
    ("    tells:\n", "    fill: 3\n    tells:\n", "6:5: an instrument has no key `fill`; it belongs under `tells`"),
    ("fill: {controller: 80}", "fill: {}", "7:7: no message is named here; add `note` or `controller`"),
    ("fill: {controller: 80}", "fill: 80", "7:13: `80` names no message that will do here"),
    ("fill: {controller: 80}", "fill: program 3", "7:13: `program 3` names no message that will do here; write it like `note 60` or `controller 60`"),
    ("fill: {controller: 80}", "fill: {controller: 80, note: 3}", "7:30: `note` and `controller` are two messages; keep one of them"),
    ("controller: 80", "controller: 0", "7:26: controller 0 cannot be used here; bank changes use it; take another, from 1 to 119"),
    ("controller: 80", "controller: 32", "7:26: controller 32 cannot be used here"),
    ("controller: 80", "controller: 123", "7:26: controller 123 cannot be used here; it silences or resets a whole channel"),
    ("controller: 80", "controller: 128", "7:26: `128` will not do here"),
    ("muted_at: low", "muted_at: lo", "9:44: `lo` will not do here; did you mean `low`?"),
    ("Shaker:", "shakr:", "9:9: no pattern has a track `shakr`; did you mean `shaker`?"),
    ("toggle: true}\n    send", "toggle: true, muted_at: low}\n    send", "11:46: a toggle says only that the state turns round, not which it is"),
    # Mutes to send.
    ("{controller: 21}", "{}", "13:7: a mute needs `controller`; write `controller:` and its number, from 1 to 119"),
    ("muted: 0, sounding: 100", "muted: 9, sounding: 9", "14:67: muted and sounding have the same value 9; give them two different values"),
    ("muted: 0, sounding: 100", "muted: 0", "14:54: muted and sounding have the same value 0"),
    ("controller: 22, channel: 11", "controller: 21", "14:30: controller 21 mutes `shaker` already; take another controller or channel"),
    # Presses.
    (f"press: {PRESS}, ", "", "17:5: an entry of `controls` needs `press`"),
    (", wish: next", "", "17:5: an entry of `controls` needs `wish`; write `wish:` and what is asked for, such as `next`"),
    ("wish: next", "wish: ", "17:53: nothing is written after `wish:`"),
    ("wish: next", "wish: nexxt", "17:59: `nexxt` is no wish; did you mean `next`?"),
    ("wish: next", "wish: part 3", "17:59: there is no part 3; write `part 1` to `part 2`"),
    ("note: 60, ", "", "17:6: no message is named here; add `note`, `controller` or `program`"),
    ("note: 60, ", "note: 60, program: 3, ", "17:24: `note` and `program` are two messages; keep one of them"),
    ("note: 60, ", "note: 60, programs_from: 1, ", "17:24: `programs_from` goes with `program` only; leave it out"),
    ("note: 60, ", "note: 60, toggle: yes, ", "17:24: only a controller can be a toggle, not a note; leave `toggle` out"),
    ("wish: stay}", "wish: stay, long: true}", "19:57: an entry of `controls` has no key `long`; it belongs under `press`"),
    ("toggle: true}, wish", "toggle: true, long: true}, wish", "19:44: a toggle has no long press"),
    ("program: 128", "program: 0", "20:23: there is no program 0; programs go from 1 to 128 here"),
    ("programs_from: 0", "programs_from: 0, long: yes", "21:44: a program change has no long press"),
    ("program: 0, programs_from: 0", "program: 128, programs_from: 0", "21:23: there is no program 128; programs go from 0 to 127 here"),
    ("controller 65", "program 65", "22:31: a program change cannot be held, as a fill must be; use a note"),
    ("controller 65", "{controller: 65, long: true}", "22:49: a fill is held from the first moment, so its press cannot be a long one"),
    ("controller 65", "control 65", "22:13: `control 65` names no message that will do here; write it like `note 60`, `controller 60` or `program 60`"),
    ("controls:\n", "control:\n", "16:1: a set list has no key `control`; did you mean `controls`?"),
    # Presses that are not clear.
    ("controller 65", "controller 64", f"22:13: controller 64 asks for `stay` already, on line 19; {CHANNEL}"),
    ("controller 65", "{note: 60, channel: 16, port: '*PAD*'}", f"22:20: note 60 on channel 16 asks for `next` already, on line 17; {CHANNEL}"),
    ("controller 65, wish: fill", "{program: 128, channel: 5}, wish: undo", f"22:23: this program asks for `part 2` already, on line 20; {CHANNEL}"),
    # Whoever names a port comes first, and then whoever names a channel.
    ("controller 65", "{note: 60, channel: 16}", None),
    ("controller 65", "{note: 60, port: '*pad*'}", None),
    ("controller 65, wish: fill", "note 61, wish: undo", None),
    ("controller 65, wish: fill", "note 61, wish: fill", "22:13: note 61 asks for `align phrase` already, on line 18"),
    ("controller 65", "note 60", None),
    ("controller 65", "{note: 60, channel: 15}", None),
    ("controller 65", "{note: 60, channel: 16, port: '*pedal*'}", None),
    # Presses that the music makes.
    ("controller 65", "note 36", f"22:13: note 36 on channel 10 is what `low drum` plays; {PORT}"),
    ("controller 65", "{note: 36, channel: 3}", f"22:20: note 36 on channel 3 is what `low drum` plays; {PORT}"),
    ("controller 65", "{note: 36, channel: 4}", None),
    ("controller 65", "{note: 36, port: '*pad*'}", None),
    ("controller 65", "{note: 36, port: drum}", f"22:20: note 36 on channel 10 is what `low drum` plays; {PORT}"),
    ("controller 65, wish: fill", "program 7, wish: undo", f"22:13: this program is how `drums` tells its pattern; {PORT}"),
    ("controller 65, wish: fill", "{program: 7, channel: 3}, wish: undo", f"22:23: this program is how `sampler` tells its pattern; {PORT}"),
    ("controller 65, wish: fill", "{program: 7, port: '*pad*'}, wish: undo", None),
    ("controller 65", "{note: 42, channel: 12, port: '*drum*'}", f"22:20: note 42 on channel 12 is what `shaker` plays; {PORT}"),
    ("controller 65", "controller 80", "22:13: controller 80 on channel 10 is how `drums` tells of a fill"),
    ("controller 65", "note 12", "22:13: note 12 on channel 16 is how `drums` tells of a mute"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), ONE_FAULT, ids=lambda text: str(text)[:40])
def test_one_slip_makes_one_fault(old: str, new: str, said: str | None) -> None:
    found = faults(edited(TIDE, (old, new)))
    if said is None:
        assert found == []
    else:
        assert [fault for fault in found if fault.startswith(said)], found
        assert len(found) == 1, found


def test_the_example_itself_has_none() -> None:
    assert faults(TIDE) == []


def test_an_instrument_on_any_port_may_be_on_the_pads() -> None:
    anywhere = edited(TIDE, ('port: "*drum*"\n', "recount: true\n"))
    assert faults(anywhere) == []
    assert faults(edited(anywhere, ("controller 65", "{note: 36, port: '*pad*'}"))) == [
        f"22:20: note 36 on channel 10 is what `low drum` plays; {PORT}"
    ]


def test_several_slips_come_at_once() -> None:
    text = edited(
        TIDE,
        ("controller: 80", "controler: 80"),
        ("Shaker:", "Shakr:"),
        ("note: 60", "note: 600"),
        ("wish: stay", "wish: stya"),
        ("note: 36", "note: -1"),
    )
    assert [int(fault.split(":")[0]) for fault in faults(text)] == [7, 9, 17, 19, 26]


def test_a_channel_with_a_fault_makes_no_clash() -> None:
    text = edited(TIDE, ("channel: 10", "channel: 0"), ("controller 65", "{note: 36, channel: 1}"))
    assert [fault.split(":")[0] for fault in faults(text)] == ["5"]


def test_a_bank_of_controls_has_an_end() -> None:
    many = "".join(
        f"  - {{press: {{note: {n % 99}, port: pad {n}}}, wish: next}}\n" for n in range(257)
    )
    text = edited(TIDE, ("controls:\n", "controls:\n" + many))
    assert faults(text) == ["16:1: there are 263 controls; use at most 256"]
