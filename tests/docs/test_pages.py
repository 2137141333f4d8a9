"""The pages for people: every command in them is run, every piece of a set list checked.

A fenced block may have words before it in a comment: `lasting` for commands that go on until they
are ended, `engine` where one is to run beside, `midi` where an instrument is to be there.
"""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import pytest
import yaml

from companion.cli.main import cli
from companion.setlist.reading import read_text
from tests.cli.conftest import Program, program
from tests.docs.reference import PAGE, reference
from tests.midi.players import Stage, until

__all__ = ["program"]

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]
# What a command says within this time shows that it goes on.
LASTS_S = 1.5
# The tests do nothing to the network, and do not wait as long as people.
STAND_INS = {"--host 0.0.0.0": "--host 127.0.0.1 --port 0", "--seconds 10": "--seconds 2"}


@dataclass(frozen=True)
class Block:
    """A fenced block with commands: its lines, and the words in the comment before it."""

    lines: tuple[str, ...]
    words: frozenset[str]


def blocks(page: Path) -> list[Block]:
    """The blocks of a page that have commands of ours in them."""
    found = []
    pattern = r"(?:<!-- ([a-z, ]+) -->\n)?^```([a-z]*)\n(.*?)^```$"
    for match in re.finditer(pattern, page.read_text("utf-8"), re.DOTALL | re.MULTILINE):
        lines = [line for line in match[3].splitlines() if re.match(r"companion |eval ", line)]
        if lines and not match[2]:
            found.append(Block(tuple(lines), frozenset((match[1] or "").split(", "))))
    return found


class Reader:
    """Somebody who types what a page says, in one folder, in bash."""

    def __init__(self, folder: Path, environment: dict[str, str]) -> None:
        self.folder = folder
        # The name by which people call it: completion goes by that.
        scripts = str(Path(sys.executable).parent)
        self.environment = environment | {
            "PATH": os.pathsep.join([scripts, environment["PATH"]]),
            "TERM": "xterm-256color",
        }
        (folder / "pads.yaml").write_text("controls: [{press: note 36, wish: next}]\n")

    def types(self, line: str) -> subprocess.CompletedProcess[str]:
        """Run a line to its end."""
        return subprocess.run(
            ["bash", "-c", line],
            capture_output=True,
            text=True,
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            timeout=30,
            check=False,
        )

    def begins(self, line: str) -> None:
        """Run in a terminal what goes on; it must say something, and not end by itself."""
        ours, theirs = os.openpty()
        process = subprocess.Popen(
            ["bash", "-c", f"exec {line}"],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=self.folder,
            env=self.environment,
            start_new_session=True,
        )
        os.close(theirs)
        said = b""
        deadline, until_ = time.monotonic() + 20, None
        try:
            while time.monotonic() < (until_ or deadline):
                if select.select([ours], [], [], 0.1)[0]:
                    try:
                        said += os.read(ours, 1 << 16)
                    except OSError:
                        break
                if said and until_ is None:
                    until_ = time.monotonic() + LASTS_S
            assert process.poll() is None, f"{line} ended: {said.decode(errors='replace')}"
            assert said, f"{line} said nothing"
        finally:
            # The window is closed; what has no screen is ended as people do.
            os.close(ours)
            process.send_signal(signal.SIGINT)
            process.wait(timeout=10)


def follow(reader: Reader, page: str, *, midi: bool) -> None:
    """Type all the blocks of a page that need MIDI, or those that do not."""
    if not (reader.folder / "my-set.yaml").exists() and (midi or page != "first-hour.md"):
        assert reader.types("companion new my-set.yaml").returncode == 0
    for block in blocks(ROOT / "docs" / page):
        if ("midi" in block.words) != midi:
            continue
        engine = None
        if "engine" in block.words:
            line = "companion engine my-set.yaml --internal-clock"
            engine = subprocess.Popen(
                ["bash", "-c", f"exec {line}"],
                cwd=reader.folder,
                env=reader.environment,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            until(lambda: reader.types("companion status").returncode == 0, "an engine")
        try:
            for written in block.lines:
                line = written
                for theirs, ours in STAND_INS.items():
                    line = line.replace(theirs, ours)
                if "lasting" in block.words:
                    reader.begins(line)
                    reader.types("companion stop") if engine is None else None
                else:
                    done = reader.types(line)
                    refused = "tell" in line and done.returncode == 1
                    assert done.returncode == 0 or refused, (line, done.stdout, done.stderr)
        finally:
            if engine is not None:
                reader.types("companion stop")
                engine.kill()
                engine.wait()


@pytest.mark.skipif(sys.platform == "win32", reason="types into bash")
@pytest.mark.parametrize("page", ["first-hour.md", "how-to.md"])
def test_the_commands_of_a_page_do_what_it_says(program: Program, page: str) -> None:
    assert len(blocks(ROOT / "docs" / page)) > 3
    follow(Reader(program.folder, program.environment), page, midi=False)


@pytest.mark.parametrize("page", ["first-hour.md", "how-to.md"])
def test_the_commands_that_need_an_instrument_do_too(stage: Stage, page: str) -> None:
    drum = stage.drum()
    drum.do("start")
    follow(Reader(stage.folder, stage.environment), page, midi=True)


def test_the_reference_is_what_the_commands_say() -> None:
    # If not: python -m tests.docs.reference
    assert PAGE.read_text("utf-8") == reference()


def mentioned() -> list[tuple[str, str]]:
    """Every command of ours that a page names, in a block or within its lines."""
    found = []
    for page in PAGES:
        text = page.read_text("utf-8")
        for match in re.finditer(r"`(companion [a-z][^`]*)`|^(companion .*)$", text, re.MULTILINE):
            found.append((page.name, match[1] or match[2]))
    return found


@pytest.mark.parametrize(("page", "line"), mentioned())
def test_what_a_page_names_is_there(page: str, line: str) -> None:
    words = line.replace("\n", " ").split()[1:]
    command: click.Command = cli
    while isinstance(command, click.Group):
        if command is not cli and not (words and words[0].isalpha()):
            # A group does something by itself too.
            break
        assert words[0] in command.commands, line
        command = command.commands[words.pop(0)]
    options = {name for each in command.params for name in each.opts}
    for word in words:
        if re.match(r"--?[a-z]", word):
            assert re.split(r"[=,`.)]", word)[0] in options | {"--help"}, line


# A set into which the pieces of the pages fit, and where a piece with that key belongs.
SET: dict[str, Any] = {
    "set": "Tidewater",
    "instruments": {"drums": {}, "sampler": {}},
    "patterns": {"slack water": {"tracks": {"bell": {"steps": {1: "always"}}}}},
    "songs": [{"song": "Slack water", "parts": [{"pattern": "slack water", "on": "drums"}]}],
}
WHERE = {"change": "instrument", "recount": "instrument", "also": "part"}


def pieces() -> list[str]:
    text = (ROOT / "docs" / "how-to.md").read_text("utf-8")
    return re.findall(r"^```yaml\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)


@pytest.mark.parametrize("piece", pieces())
def test_a_piece_of_a_set_list_passes_the_check(piece: str) -> None:
    # As text throughout: `on` is a word here, and a truth to this reader.
    parts: dict[str, Any] = yaml.load(piece, Loader=yaml.BaseLoader)
    document = yaml.load(yaml.dump(SET), Loader=yaml.BaseLoader)
    places = {
        "instrument": document["instruments"]["drums"],
        "part": document["songs"][0]["parts"][0],
    }
    for key, value in parts.items():
        places.get(WHERE.get(key, ""), document)[key] = value
    read_text(yaml.dump(document), "tidewater.yaml")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\((?!https?:)([^)#]+)", page.read_text("utf-8")):
        assert (page.parent / target).exists() or (ROOT / target).exists(), target
