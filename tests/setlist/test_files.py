"""Files that are no set list at all, how faults are shown, and reading in a child process."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from companion.setlist import Fault, SetList, SetListError, loading, nearest, quoted
from companion.setlist.loading import load_apart
from companion.setlist.reading import MAX_BYTES, read_set_list
from tests.setlist.sheets import TIDEWATER, TIDEWATER_FILE


def refused(path: Path) -> list[str]:
    with pytest.raises(SetListError) as here:
        read_set_list(path)
    with pytest.raises(SetListError) as apart:
        load_apart(path)
    assert apart.value.faults == here.value.faults
    assert apart.value.path == here.value.path == path
    return [fault.render("FILE") for fault in here.value.faults]


def written(tmp_path: Path, data: bytes) -> Path:
    file = tmp_path / "tide.yaml"
    file.write_bytes(data)
    return file


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    assert refused(tmp_path / "ebb.yaml") == [
        "FILE:1:1: there is no such file; check the name and the folder"
    ]


def test_a_folder(tmp_path: Path) -> None:
    assert refused(tmp_path) == ["FILE:1:1: this is a folder; name the set-list file in it"]


def test_a_name_below_a_file(tmp_path: Path) -> None:
    below = written(tmp_path, b"set: Ebb\n") / "tide.yaml"
    assert refused(below)[0].startswith("FILE:1:1: ")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="permissions do not bind here")
def test_a_file_one_may_not_read(tmp_path: Path) -> None:
    file = written(tmp_path, TIDEWATER.encode())
    file.chmod(stat.S_IWUSR)
    assert refused(file) == ["FILE:1:1: this file may not be read; allow yourself to read it"]


@pytest.mark.parametrize(
    "data", [b"", b"\n\n", b"# nothing yet\n", b"---\n", b"~\n", b"\xef\xbb\xbf"]
)
def test_an_empty_file(tmp_path: Path, data: bytes) -> None:
    assert refused(written(tmp_path, data)) == [
        "FILE:1:1: this set list is empty; start from a copy of one in `setlists/`"
    ]


@pytest.mark.parametrize("data", [b"just words\n", b"- a\n- b\n", b'"set: x"\n'])
def test_text_that_is_no_set_list(tmp_path: Path, data: bytes) -> None:
    assert refused(written(tmp_path, data)) == [
        "FILE:1:1: this is no set list; it begins with `set:` and the name of the set"
    ]


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    no_text = ["FILE:1:1: this is no text file; name a set list, which is text"]
    assert refused(written(tmp_path, b"MThd\x00\x00\x00\x06\x00\x01")) == no_text
    assert refused(written(tmp_path, b"\x7fELF\x00\xff\xfe")) == no_text
    assert refused(written(tmp_path, "set: Ebb\n".encode("utf-16"))) == no_text
    assert refused(written(tmp_path, "set: Ebb\n# gr\u00e8ve\n".encode("latin-1"))) == [
        "FILE:2:5: this is not UTF-8 text; save the file as UTF-8"
    ]


def test_a_file_that_is_too_long(tmp_path: Path) -> None:
    assert refused(written(tmp_path, b"#" * (MAX_BYTES + 1))) == [
        "FILE:1:1: this file is too long; a set list has at most 4 MB"
    ]


def test_a_device_without_end_is_not_read_to_its_end() -> None:
    if not Path("/dev/zero").exists():
        pytest.skip("no such device here")
    assert refused(Path("/dev/zero")) == [
        "FILE:1:1: this is a pipe or a device; name a set-list file"
    ]


@pytest.mark.parametrize("mark", ["\ufeff", ""])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_byte_order_marks_and_line_ends_of_every_system(
    tmp_path: Path, mark: str, end: str
) -> None:
    text = mark + TIDEWATER.replace("\n", end)
    assert read_set_list(written(tmp_path, text.encode())).name == "Tidewater"
    bad = text.replace("set: Tidewater", "sett: Tidewater").replace("channel: 10", "channel: 0")
    assert [fault.split(":")[1:3] for fault in refused(written(tmp_path, bad.encode()))] == [
        ["1", "1"],
        ["5", "14"],
    ]


def test_a_fault_is_one_line_and_says_file_line_and_column() -> None:
    fault = Fault(3, 7, "`x` is wrong", "write `y`")
    assert fault.render("my set.yaml") == "my set.yaml:3:7: `x` is wrong; write `y`"
    garbled = Fault(1, 1, "a\x1b[2Jb\n\u202ec", "d\x9b").render("e\x07\n.yaml")
    assert garbled.isprintable()
    assert garbled == "e\\x07\\n.yaml:1:1: a\\x1b[2Jb\\n\\u202ec; d\\x9b"


def test_a_long_piece_is_cut_and_an_odd_one_has_no_near_name() -> None:
    assert len(quoted("x" * 1000)) < 60
    assert nearest("SHAKR", ["low drum", "shaker"]) == "shaker"
    assert nearest("qq", ["low drum", "shaker"]) is None


def test_faults_come_sorted_each_once() -> None:
    late, early = Fault(9, 1, "b", "c"), Fault(2, 5, "a", "c")
    error = SetListError(Path("tide.yaml"), [late, early, late])
    assert error.faults == (early, late)
    assert str(error) == "tide.yaml:2:5: a; c\ntide.yaml:9:1: b; c"


def test_a_set_list_read_apart_is_the_same_and_leaves_the_reader_outside() -> None:
    code = (
        "import sys, pathlib\n"
        "from companion.setlist.loading import load_apart\n"
        f"assert load_apart(pathlib.Path({str(TIDEWATER_FILE)!r})).name == 'Tidewater'\n"
        "print(sorted({'yaml', 'pydantic'} & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
    apart = load_apart(TIDEWATER_FILE)
    assert isinstance(apart, SetList)
    assert apart == read_set_list(TIDEWATER_FILE)


def test_what_lies_in_the_performers_folder_is_not_taken_for_a_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("yaml.py", "pydantic.py", "pickle.py", "companion.py"):
        (tmp_path / name).write_text("raise SystemExit('not this one')\n")
    monkeypatch.chdir(tmp_path)
    assert load_apart(TIDEWATER_FILE).name == "Tidewater"


def reader(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str) -> None:
    """Let the child be a program that does `script` in place of reading."""
    program = tmp_path / "reader"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    monkeypatch.setattr(loading.sys, "executable", str(program))


@pytest.mark.skipif(os.name == "nt", reason="a shell script stands in for the child")
@pytest.mark.parametrize(
    ("script", "said"),
    [
        ("kill -9 $$", "its reader stopped in the middle"),
        ("exit 3", "its reader stopped in the middle"),
        ("echo nonsense", "its reader stopped in the middle"),
        ("exec sleep 60", "reading it took over 0.5 seconds"),
    ],
)
def test_a_child_that_fails_is_a_fault_and_no_traceback(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, said: str
) -> None:
    reader(tmp_path, monkeypatch, script)
    with pytest.raises(SetListError) as caught:
        load_apart(TIDEWATER_FILE, patience_seconds=0.5)
    assert [fault.wrong for fault in caught.value.faults] == [said]


def test_a_child_that_cannot_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loading.sys, "executable", "/nowhere/python")
    with pytest.raises(SetListError, match="its reader cannot be started"):
        load_apart(TIDEWATER_FILE)
