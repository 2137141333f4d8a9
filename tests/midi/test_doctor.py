"""`companion doctor` over JACK: what it measures of a clock that is not ours, and what it sends."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.midi import attempts, foreign, jack
from tests.midi.foreign import BPM, PROGRAM, transport
from tests.midi.players import Stage
from tests.midi.sets import THREE_PARTS

Found = dict[str, Any]


@pytest.fixture
def clock(stage: Stage) -> Iterator[None]:
    """The clock of a transport that stands still."""
    with foreign.clock(stage):
        yield


def findings(said: str, kind: str, about: str = "") -> list[Found]:
    """The findings of that kind with `about` in what they are about."""
    document = json.loads(said)
    assert document["version"] == 1
    assert document["ready"] == (not any(f["level"] == "fault" for f in document["findings"]))
    for each in document["findings"]:
        assert set(each) >= {"kind", "level", "about", "text", "do", "measured"}
    return [f for f in document["findings"] if f["kind"] == kind and about in f["about"]]


@foreign.needed
@pytest.mark.usefixtures("clock")
def test_a_foreign_clock_is_measured_and_found_to_stop_with_its_transport(stage: Stage) -> None:
    transport(stage, "stop", "locate 0", "play")
    witness = stage.witness("mclk_out")
    asked = stage.begin(
        "doctor", "--api", "jack", "--in", f"*{PROGRAM}*", "--seconds", "5", "--json"
    )
    time.sleep(3.5)
    transport(stage, "stop")
    said = asked.ends(status=0)
    (found,) = findings(said, "clock")
    measured = found["measured"]
    # At the tempo it was told (--bpm), in frames of a server that a busy machine may hold up: to
    # what another listener made of the same seconds, and all its ticks there.
    assert abs(measured["bpm"] - BPM) < 3
    assert abs(measured["bpm"] - witness.verdict()["rate"] * 60 / 24) < 1
    assert measured["lost"] == 0
    assert measured["jitter_ms"] < 3
    (found,) = findings(said, "transport")
    assert found["measured"]["stops"] == 1
    assert found["measured"]["clock_while_stopped"] is False


def test_a_clock_that_goes_on_while_stopped_is_found_out(stage: Stage) -> None:
    drum = stage.drum("--idle-clock")
    drum.do("start")
    asked = stage.begin("doctor", "--api", "jack", "--in", "*drum*", "--seconds", "4", "--json")
    time.sleep(2.5)
    drum.do("stop")
    (found,) = findings(asked.ends(status=0), "transport")
    assert found["measured"]["clock_while_stopped"] is True


def test_nothing_is_sent_unless_asked_for_and_then_what_comes_back_is_told(stage: Stage) -> None:
    drum = stage.drum("--echo", "--program", "13")
    drum.do("start")
    path = stage.write(THREE_PARTS)
    words = ("doctor", path, "--api", "jack", "--seconds", "2", "--json")
    checked = stage.begin(*words)
    said = checked.ends(status=0)
    assert drum.messages == []
    assert "--send" in findings(said, "change")[0]["do"]
    assert findings(said, "port", "drums")[0]["level"] == "good"
    (lead,) = [f for f in findings(said, "set") if f["about"] == "drums"]
    # A beat at 150 a minute is 400 ms, of which half is to spare.
    assert lead["level"] == "good"
    assert lead["measured"]["room_ms"] == pytest.approx(200, rel=0.25)
    sent = findings(stage.begin(*words, "--send").ends(status=0), "change", "drums")
    # Program 12 on the display is 11 on the wire, on channel 10.
    assert drum.messages == [[0xC9, 11]]
    assert sent[0]["level"] == "good"
    assert 0 < sent[0]["measured"]["echo_ms"] < 500


def test_what_is_missing_for_a_set_makes_it_not_ready(stage: Stage) -> None:
    path = stage.write(THREE_PARTS)
    done = stage.run("doctor", path, "--api", "jack", "--seconds", "0.5", "--json")
    assert done.returncode == 1
    faults = [f for f in json.loads(done.stdout)["findings"] if f["level"] == "fault"]
    assert "drums" in [f["about"] for f in faults if f["kind"] == "port"]
    assert all(f["do"] for f in faults)


@foreign.needed
def test_periods_longer_than_a_tick_are_said_and_the_count_is_never_sure(tmp_path: Path) -> None:
    with attempts.server(jack.COARSE) as name:
        stage = Stage(tmp_path, jack.environment(name))
        try:
            with foreign.clock(stage):
                transport(stage, "stop", "locate 0")
                stage.engine(THREE_PARTS, "--in", f"*{PROGRAM}*")
                transport(stage, "play")
                asked = stage.begin("doctor", "--api", "jack", "--seconds", "4", "--json")
                said = asked.ends(status=1)
                (found,) = findings(said, "clock", PROGRAM)
                assert found["level"] == "fault"
                assert "blocks of 21 ms" in found["text"]
                assert "jack_bufsize 256" in found["do"]
                (found,) = findings(said, "midi")
                assert found["measured"]["block_ms"] == pytest.approx(1024 / 48, abs=0.01)
                status = stage.status()
                assert status["state"] == "running"
                assert not status["sure"]
                assert "blocks of 21 ms" in status["doubt"]
        finally:
            stage.close()
