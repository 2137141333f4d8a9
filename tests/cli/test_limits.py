"""What comes from a stranger's file or port: shown and not obeyed, and never without an end."""

from __future__ import annotations

import json
import os
import unicodedata
from pathlib import Path

import pytest

from companion.cli.forecast import MOST_EVENTS, MOST_LINES
from companion.link.messages import Coming, Snapshot, TrackView, Trouble
from companion.printable import all_printable, printable
from companion.setlist.faults import MOST_FAULTS
from tests.cli.conftest import GOOD, Program

# Clears the terminal, a C1 control, a bidirectional override, and a line of its own.
NASTY = "tide\x1b[2J\x9b31m\u202eebb\nset.yaml:1:1: forged; line"
PATTERN = """\
set: Tidewater
patterns:
  neap:
    phrase: PHRASE
    tracks: {bell: {steps: {1: pass 1 of 4, 9: chance 50%}}}
songs:
  - song: Neap
    parts:
"""


def is_plain(text: str) -> bool:
    """Whether nothing in it is obeyed (Unicode: control, format, surrogate, line and paragraph)."""
    return not any(
        unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") for c in text if c != "\n"
    )


@pytest.mark.parametrize("code", [*range(0x20), *range(0x7F, 0xA0), *range(0x202A, 0x202F), 0x2028])
def test_whatever_a_terminal_obeys_is_shown_as_such(code: int) -> None:
    shown = printable(f"tide{chr(code)}ebb")
    assert is_plain(shown)
    assert "\n" not in shown
    assert shown.startswith("tide\\")


def test_what_a_screen_is_told_is_made_plain_in_every_part_of_it() -> None:
    plain = Snapshot(1, coming=(Coming(1, "step", "bell"),), tracks=(TrackView("bell", False),))
    assert all_printable(plain) is plain
    odd = Snapshot(
        1,
        clock_port=NASTY,
        coming=(Coming(1, "step", NASTY),),
        troubles=(Trouble("disk", NASTY, NASTY),),
    )
    made = all_printable(odd)
    texts = [made.clock_port, made.coming[0].text, made.troubles[0].text, made.troubles[0].short]
    assert texts == [printable(NASTY)] * 4


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize("text", [GOOD, "set: Tidewater\n", ""])
def test_a_files_name_cannot_forge_a_line_or_steer_the_terminal(
    program: Program, text: str, as_json: bool
) -> None:
    path = program.write(f"{NASTY.replace('/', '')}.yaml", text)
    done = program.run("check", path, *(["--json"] if as_json else []))
    for said in (done.stdout, done.stderr):
        assert is_plain(said)
        assert not any(line.startswith("set.yaml:1:1: forged") for line in said.splitlines())
    if as_json:
        assert json.loads(done.stdout)["files"][0]["file"] == str(path)


def test_a_file_of_control_characters_has_a_hundred_faults_and_a_count(program: Program) -> None:
    path = program.write("odd.yaml", "set: Tidewater\n" + "\x01" * 400_000)
    done = program.run("check", path)
    *faults, rest = done.stderr.splitlines()
    assert len(faults) == MOST_FAULTS
    assert rest == f"{path}: and {400_000 - MOST_FAULTS} more faults"
    found = json.loads(program.run("check", path, "--json").stdout)["files"][0]
    assert (len(found["faults"]), found["more_faults"]) == (MOST_FAULTS, 400_000 - MOST_FAULTS)
    # The same from the child that reads for the engine.
    assert program.run("engine", "--internal-clock", path).stderr.splitlines()[-1] == rest


def test_many_faults_of_an_ordinary_kind_are_cut_too(program: Program) -> None:
    text = GOOD + "".join(f"      - {{pattern: neap {n}}}\n" for n in range(300))
    *_, rest = program.run("check", program.write("set.yaml", text)).stderr.splitlines()
    assert rest.endswith(": and 200 more faults")


@pytest.mark.parametrize("command", [["check"], ["forecast"], ["engine", "--internal-clock"]])
def test_a_pipe_is_no_set_list_and_nobody_waits_for_it(
    program: Program, command: list[str]
) -> None:
    pipe = program.folder / "pipe.yaml"
    os.mkfifo(pipe)
    done = program.run(*command, pipe)
    assert done.returncode == 1
    assert done.stderr == f"{pipe}:1:1: this is a pipe or a device; name a set-list file\n"


def long_part(program: Program) -> Path:
    text = PATTERN.replace("PHRASE", "9999 passes") + "      - {pattern: neap, phrases: 9999}\n"
    return program.write("long.yaml", text)


def test_a_part_of_a_hundred_million_passes_is_foretold_in_part_and_that_is_said(
    program: Program,
) -> None:
    done = program.run("forecast", long_part(program))
    assert done.returncode == 0
    lines = done.stdout.rstrip().splitlines()
    assert lines[-1] == f"  and more than {MOST_EVENTS} events besides; ask for fewer --passes"
    assert len(lines) < MOST_LINES + 20
    refused = program.run("forecast", long_part(program), "--json")
    assert (refused.returncode, refused.stdout) == (1, "")
    assert "ask for one, --part N, and for fewer --passes" in refused.stderr
    few = program.run("forecast", long_part(program), "--passes", "9", "--json")
    assert few.returncode == 0


def test_twenty_thousand_parts_are_no_set_list(program: Program) -> None:
    parts = "      - {pattern: neap, phrases: 1}\n" * 20_000
    path = program.write("endless.yaml", PATTERN.replace("PHRASE", "8 passes") + parts)
    refused = program.run("check", path)
    assert refused.returncode == 1
    assert "20000 parts; a set list has at most 2000" in refused.stderr
    assert refused.stderr.count("\n") == 1


def test_of_very_many_parts_some_are_foretold_and_the_rest_is_counted(
    program: Program,
) -> None:
    parts = "      - {pattern: neap, phrases: 1}\n" * 2_000
    path = program.write("many.yaml", PATTERN.replace("PHRASE", "8 passes") + parts)
    lines = program.run("forecast", path).stdout.rstrip().splitlines()
    told = sum(line.startswith("Part ") for line in lines)
    assert lines[-1].startswith("and ")
    assert lines[-1].endswith("more parts; see one of them with --part N")
    assert 100 < told < 1000
    refused = program.run("forecast", path, "--json")
    assert (refused.returncode, refused.stdout) == (1, "")
    assert refused.stderr.count("\n") == 1
