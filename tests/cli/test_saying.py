"""What commands print for people, on a terminal narrower than their lines."""

from __future__ import annotations

import fcntl
import os
import struct
import subprocess
import sys
import termios
from pathlib import Path

from companion.cli.saying import broken

ROOT = Path(__file__).parents[2]
COLUMNS = 44


def on_a_terminal(*words: str) -> list[str]:
    """The lines that a command prints on a terminal of COLUMNS, as they were sent."""
    ours, theirs = os.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, COLUMNS, 0, 0))
    process = subprocess.Popen([sys.executable, "-m", "companion", *words], stdout=theirs, cwd=ROOT)
    os.close(theirs)
    said = b""
    try:
        while more := os.read(ours, 1 << 16):
            said += more
    except OSError:
        # So a terminal ends that nobody writes to any more.
        pass
    os.close(ours)
    assert process.wait(timeout=20) == 0
    return said.decode().split("\r\n")


def test_a_line_too_long_for_the_terminal_is_broken_between_words_and_goes_on_below() -> None:
    line = "    phrase of 8 passes: pattern 1 comes round after 60 passes and 15 phrases"
    pieces = broken(line, 40)
    assert all(len(each) <= 40 for each in pieces)
    assert " ".join(each.strip() for each in pieces) == line.strip()
    assert [len(each) - len(each.lstrip()) for each in pieces] == [4, 6, 6]
    assert broken(line, len(line)) == [line]
    assert broken("good      all is as it should be", 20, below=10)[1].startswith(" " * 10 + "it")


def test_what_is_to_be_copied_whole_is_never_broken() -> None:
    link = "http://" + "a-b" * 40
    assert link in [each.strip() for each in broken(f"see {link} there", 30)]


def test_a_command_fits_its_words_to_a_terminal_and_to_nothing_else() -> None:
    words = ("forecast", "setlists/tidewater-first-steps.yaml", "--part", "1")
    lines = on_a_terminal(*words)
    assert any(len(each) > COLUMNS // 2 for each in lines)
    assert all(len(each) <= COLUMNS for each in lines)
    piped = subprocess.run(
        [sys.executable, "-m", "companion", *words],
        cwd=ROOT, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert any(len(each) > COLUMNS for each in piped.splitlines())
    # The same words, in the same order.
    assert " ".join(lines).split() == piped.split()
