"""A file of controls: what a learned press makes of it, and how the commands take it."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest

from companion.cli.bind import (
    Change,
    LearnedBinding,
    bind_object,
    in_words,
    read_control_file,
    report_lines,
    written_line,
)
from companion.cli.exits import Refused
from companion.cli.live import engine_arguments
from companion.setlist import Address, Binding, Kind, Press, SetListError
from companion.setlist.edit import NoRoom
from companion.setlist.reading import read_controls, read_text
from companion.wishes import Ask, Wish
from tests.cli.conftest import GOOD, Program

PORT = "tide pad:tide pad out"
GLOB = "tide pad*:tide pad out"
OTHER = "  - {press: {controller: 9, channel: 2}, wish: arm}\n"


def press(number: int = 60, *, long: bool = False, toggle: bool = False) -> Press:
    kind = Kind.CONTROLLER if toggle else Kind.NOTE
    return Press(Address(kind, number, 0), GLOB, long, toggle)


def bound(wish: Ask, **how: bool) -> Binding:
    return Binding(press(**how), Wish(wish))


def put(file: Path, new: Binding) -> Change:
    """Write a binding as `companion bind` does once the press is learned."""
    controls = read_control_file(file)
    change = controls.with_one(new, PORT)
    if change.rival is None:
        controls.write(change)
        assert set(read_controls(file)) == set(change.bindings)
    return change


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "pads.yaml"


def test_a_file_that_is_not_there_is_made(file: Path) -> None:
    put(file, bound(Ask.NEXT))
    assert file.read_text().endswith(
        f'controls:\n  - {{press: {{note: 60, channel: 1, port: "{GLOB}"}}, wish: next}}\n'
    )
    assert [each.name for each in file.parent.iterdir()] == ["pads.yaml"]


def test_the_same_press_gets_another_wish_and_all_else_stays(file: Path) -> None:
    mine = f"  - press: {{note: 60, port: '{GLOB.upper()}', channel: 1}} # mine\n    wish: stay\n"
    file.write_text(f"# top\ncontrols:\n{OTHER}{mine}# end\n")
    change = put(file, bound(Ask.NEXT))
    assert change.instead is not None
    assert change.instead.wish == Wish(Ask.STAY)
    assert file.read_text() == f"# top\ncontrols:\n{OTHER}{mine}# end\n".replace("stay", "next")


def test_what_stands_there_already_is_left_as_it_is(file: Path) -> None:
    put(file, bound(Ask.NEXT))
    change = read_control_file(file).with_one(bound(Ask.NEXT), PORT)
    assert (change.text, change.instead) == (file.read_text(), bound(Ask.NEXT))


def test_a_switch_that_was_taken_for_a_pedal_is_written_anew(file: Path) -> None:
    file.write_text(
        f'controls:\n{OTHER}  - {{press: {{controller: 60, channel: 1, port: "{GLOB}"}}, '
        "wish: stay} # foot\n"
    )
    put(file, bound(Ask.NEXT, toggle=True))
    assert file.read_text() == (
        f'controls:\n{OTHER}  - {{press: {{controller: 60, channel: 1, port: "{GLOB}", '
        "toggle: true}, wish: next} # foot\n"
    )


def test_a_short_and_a_long_press_share_a_pad(file: Path) -> None:
    put(file, bound(Ask.NEXT))
    change = put(file, bound(Ask.NOW, long=True))
    assert change.instead is None
    assert set(read_controls(file)) == {bound(Ask.NEXT), bound(Ask.NOW, long=True)}


def test_a_fill_shares_its_pad_with_no_long_press(file: Path) -> None:
    put(file, bound(Ask.NOW, long=True))
    before = file.read_text()
    assert put(file, bound(Ask.FILL)).rival == bound(Ask.NOW, long=True)
    assert file.read_text() == before


def test_a_wider_press_stays_and_comes_after(file: Path) -> None:
    file.write_text("controls:\n  - {press: note 60, wish: stay}\n")
    change = put(file, bound(Ask.NEXT))
    assert change.behind is not None
    assert change.behind.wish == Wish(Ask.STAY)
    assert len(read_controls(file)) == 2


def test_a_glob_for_several_pads_comes_after_too(file: Path) -> None:
    wide = '  - {press: {note: 60, channel: 1, port: "*pad*"}, wish: stay}\n'
    file.write_text(f"controls:\n{OTHER}{wide}")
    put(file, bound(Ask.NEXT))
    # Of two that name port and channel, the first is obeyed.
    assert [each.wish.ask for each in read_controls(file)] == [Ask.ARM, Ask.NEXT, Ask.STAY]


def test_line_ends_byte_order_mark_and_rights_stay(file: Path) -> None:
    file.write_bytes(b"\xef\xbb\xbfcontrols:\r\n  - {press: note 3, wish: arm}\r\n")
    file.chmod(0o640)
    put(file, bound(Ask.NEXT))
    assert file.read_bytes().startswith(b"\xef\xbb\xbfcontrols:\r\n  - {press: note 3, wish: arm}")
    assert file.read_bytes().count(b"\r\n") == file.read_bytes().count(b"\n") == 3
    assert stat.S_IMODE(file.stat().st_mode) == 0o640


def test_a_file_behind_a_link_is_changed_and_the_link_stays(file: Path) -> None:
    real = file.with_name("real.yaml")
    real.write_text("controls:\n" + OTHER)
    file.symlink_to(real)
    put(file, bound(Ask.NEXT))
    assert file.is_symlink()
    assert len(read_controls(real)) == 2


def test_a_link_that_leads_nowhere_yet_gets_its_file(file: Path) -> None:
    file.symlink_to("real.yaml")
    put(file, bound(Ask.NEXT))
    assert file.is_symlink()
    assert read_controls(file.with_name("real.yaml")) == (bound(Ask.NEXT),)


def test_what_another_entry_refers_to_stays_what_it_was(file: Path) -> None:
    shared = f'  - press: &p {{note: 60, channel: 1, port: "{GLOB}"}}\n    wish: &w stay\n'
    file.write_text(f"controls:\n{shared}  - {{press: note 3, wish: *w}}\n")
    put(file, bound(Ask.NEXT))
    assert [each.wish.ask for each in read_controls(file)] == [Ask.NEXT, Ask.STAY]


def test_what_would_not_come_out_right_is_not_written(file: Path) -> None:
    first = f'  - &one {{press: {{note: 60, channel: 1, port: "{GLOB}"}}, wish: stay}}\n'
    file.write_text(f"controls:\n{first}  - {{<<: *one, press: note 3}}\n")
    before = file.read_text()
    controls = read_control_file(file)
    change = controls.with_one(bound(Ask.NEXT), PORT)
    with pytest.raises(NoRoom):
        controls.write(change)
    assert file.read_text() == before
    assert len(list(file.parent.iterdir())) == 1


def test_one_more_than_a_file_may_have_is_refused(file: Path) -> None:
    pads = "".join(f"  - {{press: {{note: {n % 128}, channel: {n // 128 + 2}}}, wish: arm}}\n"
                   for n in range(256))  # fmt: skip
    file.write_text("controls:\n" + pads)
    controls = read_control_file(file)
    with pytest.raises(Refused, match="has 256 controls already"):
        controls.write(controls.with_one(bound(Ask.NEXT), PORT))
    assert len(read_controls(file)) == 256


def test_a_faulty_file_is_not_added_to(file: Path) -> None:
    file.write_text("controls:\n  - {press: note 60, wish: nxt}\n")
    with pytest.raises(SetListError) as caught:
        read_control_file(file)
    assert str(caught.value).startswith(f"{file}:2:28: `nxt` is no wish")


def test_what_is_said_of_a_binding() -> None:
    tide = read_text(
        GOOD
        + f'controls:\n  - {{press: {{program: 5, channel: 1, port: "{GLOB}"}}, wish: part 2}}\n',
        "tide.yaml",
    )
    (own,) = tide.controls
    new = Binding(own.press, Wish(Ask.NUDGE_FORWARD, "phrase"))
    wide = Binding(Press(Address(Kind.PROGRAM, 4)), Wish(Ask.STAY))
    learned = LearnedBinding(new, "tide pad:tide pad out", Change("", (), own, wide))
    assert report_lines(learned, tide) == [
        "program 5 on channel 1 from tide pad:tide pad out asks for `nudge forward a phrase` now, "
        "no longer for `part 2`.",
        "It comes before program 5, which asks for `stay`.",
        "In Tidewater it asked for `part 2`; the file wins.",
    ]
    assert written_line(Path("pads.yaml")).endswith("companion play SET --controls pads.yaml")
    assert bind_object(learned, Path("pads.yaml")) == {
        "version": 1,
        "file": "pads.yaml",
        "press": {"program": 5, "channel": 1, "port": GLOB, "long": False, "toggle": False},
        "wish": "nudge forward a phrase",
        "instead_of": "part 2",
    }
    assert in_words(press(long=True), None) == "note 60 on channel 1, held,"
    assert in_words(press(toggle=True), None) == "controller 60 on channel 1 (127 and 0 by turns)"


# -- the commands ----------------------------------------------------------------------------


def test_a_screen_hands_the_file_on_to_its_engines() -> None:
    words = engine_arguments(
        in_glob="drum",
        out_glob=None,
        api=None,
        no_send=True,
        controls=Path("pads.yaml"),
        no_take=True,
    )
    assert words == ["--in", "drum", "--controls", "pads.yaml", "--no-send", "--no-take"]


def test_check_reads_the_file_against_every_set(program: Program, good: Path) -> None:
    noted = GOOD.replace("low drum: {", "low drum: {note: 36, ")
    other = program.write("other.yaml", noted + "controls: [{press: note 61, wish: stay}]\n")
    pads = program.write(
        "pads.yaml",
        "controls:\n  - {press: note 36, wish: nxt}\n  - {press: note 36, wish: part 3}\n",
    )
    done = program.run("check", good, other, "--controls", pads)
    assert done.returncode == 1
    lines = done.stderr.splitlines()
    assert lines[0].startswith(f"{pads}:2:28: `nxt` is no wish; did you mean `next`?")
    assert f"{pads}:3:28: for {good}: there is no part 3; write `part 1` to `part 2`" in lines
    assert f"{pads}:3:28: for {other}: there is no part 3; write `part 1` to `part 2`" in lines
    pads.write_text("controls:\n  - {press: note 36, wish: next}\n")
    done = program.run("check", good, other, "--controls", pads, "--json")
    (fault,) = json.loads(done.stdout)["files"][2]["faults"]
    assert (done.returncode, fault["line"]) == (1, 2)
    assert fault["wrong"].startswith(f"for {other}: note 36 on channel 10 is what `low drum` plays")
    pads.write_text("controls:\n  - {press: note 61, wish: next}\n")
    done = program.run("check", other, "--controls", pads)
    assert done.returncode == 0
    assert (
        done.stdout.splitlines()[-1] == f"{pads}: no faults; 1 control, instead of 1 of Tidewater"
    )


def test_an_engine_does_not_start_on_a_faulty_file(program: Program, good: Path) -> None:
    pads = program.write("pads.yaml", "controls:\n  - {press: note 36, wish: part 3}\n")
    for command in ("engine", "play"):
        done = program.run(command, good, "--controls", pads)
        assert (done.returncode, done.stdout) == (1, "")
        assert done.stderr.splitlines() == [
            f"{pads}:2:28: there is no part 3; write `part 1` to `part 2`"
        ]
    done = program.run("engine", good, "--controls", "no-pads.yaml")
    assert done.stderr.startswith("no-pads.yaml:1:1: there is no such file")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["nxt", "-o", "pads.yaml"], 2, "`nxt` is no wish; did you mean `next`?"),
        (["fill", "--long", "-o", "pads.yaml"], 2, "a fill is held from the first moment"),
        (["next"], 2, "'-o' / '--controls'"),
        (["next", "-o", "no/pads.yaml"], 1, "companion: there is no folder /"),
        (["next", "-o", "."], 1, ".:1:1: this is a folder"),
        (["next", "-o", "/dev/null"], 1, "companion: /dev/null is no file"),
        (["next", "-o", "tidewater.yaml"], 1, "a file of controls has no key `set`"),
        (["part", "3", "-o", "pads.yaml", "--set", "tidewater.yaml"], 1, "there is no part 3 in"),
        (["next", "-o", "pads.yaml", "--set", "ebb.yaml"], 1, "ebb.yaml:1:1: there is no such"),
        (["next", "-o", "pads.yaml", "--api", "jack"], 1, "the MIDI system 'jack' does not answer"),
        (["next", "-o", "pads.yaml", "--api", "winmm"], 1, "there is no MIDI system 'winmm' here"),
    ],
)
def test_bind_says_what_is_in_its_way(
    program: Program, good: Path, words: list[str], status: int, said: str
) -> None:
    before = good.read_bytes()
    done = program.run("bind", *words)
    assert (done.returncode, done.stdout) == (status, "")
    assert said in done.stderr
    assert not (program.folder / "pads.yaml").exists()
    assert good.read_bytes() == before
