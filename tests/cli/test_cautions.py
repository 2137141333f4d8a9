"""Light, sound, danger and driving are said where they are met, in the words of one place."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from companion.cautions import CAUTIONS, ON_STARTING
from companion.cli import live, serve
from companion.cli.awake import Awake
from companion.cli.main import cli

ROOT = Path(__file__).parents[2]


def test_there_are_four() -> None:
    assert [caution.head for caution in CAUTIONS] == ["Sound", "Light", "Danger", "Driving"]


def test_help_carries_all_of_them() -> None:
    said = " ".join(CliRunner().invoke(cli, ["--help"]).output.split())
    for caution in CAUTIONS:
        assert str(caution) in said


def test_the_engine_says_one_line_of_them_once_it_runs(capsys: pytest.CaptureFixture[str]) -> None:
    serve._say_ready("Tidewater", Path("set.yaml"), as_json=False)
    ready, cautions = capsys.readouterr().out.splitlines()
    assert ready.startswith("Following Tidewater.")
    assert cautions == ON_STARTING


def test_so_does_play_before_the_screen_opens(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shown: list[str] = []
    monkeypatch.setattr(live, "_spawn", lambda *_: None)
    monkeypatch.setattr(live, "_wait_until_ready", lambda *_: None)
    monkeypatch.setattr(live, "Supervisor", lambda *_: None)
    # Whether this computer can be kept awake is another line, and another test's.
    monkeypatch.setattr(Awake, "trouble", "")
    monkeypatch.setattr(live, "show", lambda **_: shown.append(capsys.readouterr().err))
    live.demo(calm=False, light=False)
    assert shown == [ON_STARTING + "\n"]


def test_the_one_line_speaks_of_all_four() -> None:
    for word in ("loud", "flashes", "hurt", "driving"):
        assert word in ON_STARTING


SHIPPED = [f"setlists/{file.name}" for file in sorted((ROOT / "setlists").glob("*.yaml"))]


@pytest.mark.parametrize("file", ["docs/setlist.md", *SHIPPED])
def test_beside_program_and_unmute_stands_what_loudness_means(file: str) -> None:
    assert "louder than what went before" in (ROOT / file).read_text(encoding="utf-8")
