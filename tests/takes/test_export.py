"""What other programs read in an exported take, and what was true of the instrument."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
from pathlib import Path

import mido
import numpy as np
import pytest
import symusic

from companion.takes.export import export, heard, play_again, read_clock
from companion.takes.store import Store, TakesError
from tests.builders import SetBuilder, bar_pattern, three_parts
from tests.takes.studio import PORT, Studio

# The General MIDI drum map's bass drum and low tom stand for two tracks, on channel 10.
DRUM, TOM = 36, 41


def sounds(tick: int) -> list[tuple[int, int]]:
    """A note on each beat, another on each third sixteenth."""
    found = [(9, DRUM)] if tick % 24 == 0 else []
    return [*found, (9, TOM)] if tick % 18 == 0 else found


def exported(studio: Studio, ending: str, folder: Path) -> Path:
    path = folder / f"take{ending}"
    with Store(studio.folder) as store:
        export(store, store.take(studio.take), path)
    return path


@pytest.fixture
def played(tmp_path: Path) -> Studio:
    """Three parts of two bars, the last one for two bars more, at 118 beats a minute."""
    studio = Studio(three_parts(port="*drum*", channel=9), tmp_path / "data", bpm=118.0)
    return studio.start().clocks(4 * 192, sounds).stop().end()


def at(events: list[tuple[int, object]]) -> list[int]:
    return [tick for tick, _ in events]


def test_mido_finds_markers_on_the_bars_tempo_and_notes(played: Studio, tmp_path: Path) -> None:
    file = mido.MidiFile(exported(played, ".mid", tmp_path))
    assert (file.type, file.ticks_per_beat) == (1, 480)
    first, notes = file.tracks
    now, markers, tempi = 0, [], []
    for each in first:
        now += each.time
        if each.type == "marker":
            markers.append((now, each.text))
        elif each.type == "set_tempo":
            tempi.append((now, mido.tempo2bpm(each.tempo)))
    # Two bars of 4/4 are eight quarters of 480.
    assert markers == [(0, "1 slack water"), (3840, "2 ebb line"), (7680, "3 spring tide")]
    assert tempi[0][0] == 0
    assert all(abs(bpm - 118.0) < 0.01 for _, bpm in tempi)
    now, onsets = 0, []
    for each in notes:
        now += each.time
        if each.type == "note_on" and each.velocity:
            onsets.append((now / 20, each.channel, each.note))
    assert notes.name == "drums"
    assert len(onsets) == len(played.played)
    for (tick, *note), (true, *same) in zip(onsets, played.played, strict=True):
        assert note == same
        assert abs(tick - true) <= 1


def test_midicsv_reads_the_same(played: Studio, tmp_path: Path) -> None:
    program = shutil.which("midicsv")
    if program is None:
        pytest.skip("Debian's midicsv is not here")
    path = exported(played, ".mid", tmp_path)
    told = subprocess.run([program, path], capture_output=True, text=True, check=True).stdout
    rows = list(csv.reader(told.splitlines(), skipinitialspace=True))
    assert rows[0][2:] == ["Header", "1", "2", "480"]
    markers = [(int(row[1]), row[3]) for row in rows if row[2] == "Marker_t"]
    assert markers == [(0, "1 slack water"), (3840, "2 ebb line"), (7680, "3 spring tide")]
    tempi = [60e6 / int(row[3]) for row in rows if row[2] == "Tempo"]
    assert tempi
    assert all(abs(bpm - 118.0) < 0.01 for bpm in tempi)
    onsets = [int(row[1]) / 20 for row in rows if row[2] == "Note_on_c" and row[5] != "0"]
    true = np.array([tick for tick, _, _ in played.played])
    assert np.max(np.abs(np.array(onsets) - true)) <= 1


def test_symusic_reads_the_same(played: Studio, tmp_path: Path) -> None:
    score = symusic.Score(exported(played, ".mid", tmp_path))
    assert score.ticks_per_quarter == 480
    assert [(m.time, m.text) for m in score.markers] == [
        (0, "1 slack water"),
        (3840, "2 ebb line"),
        (7680, "3 spring tide"),
    ]
    assert all(abs(tempo.qpm - 118.0) < 0.01 for tempo in score.tempos)
    notes = sorted((note.time, note.pitch) for track in score.tracks for note in track.notes)
    true = sorted((tick, note) for tick, _, note in played.played)
    assert [pitch for _, pitch in notes] == [note for _, note in true]
    assert max(abs(time / 20 - tick) for (time, _), (tick, _) in zip(notes, true, strict=True)) <= 1


def test_the_tempo_of_a_bar_is_within_the_bound_for_a_jittery_clock(tmp_path: Path) -> None:
    # Cramer-Rao for a line in white noise, N ticks in a row: 12 s^2 / (N (N^2 - 1)) (Kay 1993);
    # a half-normal delay of scale 1 has the variance 1 - 2 / pi.
    jitter_ns, bars = 1_000_000, 300
    part = SetBuilder().part(bar_pattern("slack water", 4), phrases=None).build()
    studio = Studio(part, tmp_path, bpm=122.0, jitter_ns=jitter_ns)
    studio.start().clocks(96 * bars + 1).end()
    with Store(tmp_path) as store:
        bpm = np.array([each.body["bpm"] for each in store.events(studio.take, ("bar",))])
        jitter = np.array([each.body["jitter_ms"] for each in store.events(studio.take, ("bar",))])
    assert len(bpm) == bars
    s = jitter_ns / 1e9 * np.sqrt(1 - 2 / np.pi)
    period = 60 / (24 * 122.0)
    bound = np.sqrt(12 * s**2 / (96 * (96**2 - 1))) / period * 122.0
    off = np.sqrt(np.mean((bpm - 122.0) ** 2))
    # The error of such a root mean square over 300 bars is 4 percent.
    assert off < 1.15 * bound
    assert np.median(jitter) == pytest.approx(1e3 * s, rel=0.1)


def test_ticks_that_were_held_up_do_not_bend_the_tempo(tmp_path: Path) -> None:
    part = SetBuilder().part(bar_pattern("slack water", 4), phrases=None).build()
    studio = Studio(part, tmp_path, bpm=120.0, jitter_ns=200_000).start()
    for _ in range(40):
        studio.clocks(95)
        # One in each bar comes 12 ms late.
        studio.due_ns += 12_000_000
        studio.clocks(1)
        studio.due_ns -= 12_000_000
    studio.clocks(1).end()
    with Store(tmp_path) as store:
        bpm = [each.body["bpm"] for each in store.events(studio.take, ("bar",))]
    assert len(bpm) == 40
    assert max(abs(each - 120.0) for each in bpm) < 0.05


def test_a_take_is_played_through_the_follower_again_and_counts_the_same(tmp_path: Path) -> None:
    setlist = three_parts(port="*drum*", channel=9)
    studio = Studio(setlist, tmp_path / "data", jitter_ns=1_500_000)
    studio.clocks(5).start().clocks(300, sounds)
    # A silence in which some are lost, one that comes late, a stop and a go on.
    studio.tick += 7
    studio.due_ns += 7 * studio.period_ns
    studio.clocks(100, sounds)
    studio.due_ns += 15_000_000
    studio.clocks(1)
    studio.due_ns -= 15_000_000
    studio.clocks(60).stop().clocks(30).go_on().clocks(200, sounds).start().clocks(50).end()
    path = exported(studio, ".clock", tmp_path)
    arrived = read_clock(path.read_text())
    assert arrived[0] == (0, b"\xf8", -1)
    told = [count for _, _, count in arrived]
    assert list(play_again(setlist, arrived, port=PORT)) == told
    # Before a start and while stopped nothing is counted.
    assert told[:6] == [-1] * 6
    assert max(told) == 467


def test_what_a_person_says_of_the_count_moves_no_marker(tmp_path: Path) -> None:
    studio = Studio(three_parts(port="*drum*", channel=9), tmp_path / "data", bpm=118.0)
    studio.start().clocks(192 + 50, sounds)
    # What has been heard by then is 242 ticks; the part begins anew, and goes on where it was.
    studio.wish("align")
    studio.clocks(30, sounds)
    studio.wish("undo")
    studio.clocks(20, sounds).stop().end()
    file = mido.MidiFile(exported(studio, ".mid", tmp_path))
    now, markers = 0, []
    for each in file.tracks[0]:
        now += each.time
        if each.type == "marker":
            markers.append((now / 20, each.text))
    assert [text for _, text in markers] == ["1 slack water", *["2 ebb line"] * 3]
    # The tick at which it was said, or the one after it.
    for (tick, _), true in zip(markers, (0, 192, 242, 272), strict=True):
        assert true - 1 <= tick <= true
    now, onsets = 0, []
    for each in file.tracks[1]:
        now += each.time
        if each.type == "note_on" and each.velocity:
            onsets.append(now / 20)
    assert all(
        abs(tick - true) <= 1 for tick, (true, _, _) in zip(onsets, studio.played, strict=True)
    )


def test_the_lines_of_an_export_are_the_events(played: Studio, tmp_path: Path) -> None:
    lines = [json.loads(each) for each in exported(played, ".jsonl", tmp_path).open()]
    assert all(set(each) >= {"at_s", "tick", "part", "kind"} for each in lines)
    assert [each["at_s"] for each in lines] == sorted(each["at_s"] for each in lines)
    kinds = [each["kind"] for each in lines]
    assert kinds.count("bar") == 8
    assert (kinds[0], kinds[-1]) == ("start", "stop")
    boundaries = [each for each in lines if each["kind"] == "boundary"]
    assert [(e["part"], e["planned_ticks"], e["played_ticks"]) for e in boundaries] == [
        (1, 192, 192),
        (2, 192, 192),
    ]
    # A beat ahead of the boundary: programs 2 and 3 on the wire, on channel 10.
    sent = [each for each in lines if each["kind"] == "sent"]
    assert [(e["instrument"], e["bytes"], e["tick"], e["due_tick"]) for e in sent] == [
        ("drums", "c902", 168, 192),
        ("drums", "c903", 168, 192),
    ]
    with exported(played, ".csv", tmp_path).open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["kind"] for row in rows] == kinds
    assert [float(row["bpm"]) for row in rows if row["bpm"]] == [
        each["bpm"] for each in lines if each["kind"] == "bar"
    ]


def test_the_notes_of_a_take_are_had_for_learning(played: Studio) -> None:
    found = heard(None, played.folder)
    notes = [each for each in found.messages if each.message[0] == 0x99]
    assert [int(each.tick) for each in notes] == [tick for tick, _, _ in played.played]
    sent = [each for each in found.messages if each.sent]
    assert [(each.port, each.message) for each in sent] == [
        ("drums", b"\xc9\x02"),
        ("drums", b"\xc9\x03"),
    ]
    assert [round(each.tick) for each in sent] == [168, 360]
    assert found.starts == (0,)
    assert found.ticks == 768
    assert found.bpm == pytest.approx(118.0, abs=0.01)


def test_a_file_that_cannot_be_written_leaves_nothing_behind(
    played: Studio, tmp_path: Path
) -> None:
    for ending in (".mid", ".csv"):
        with pytest.raises(TakesError, match="no such file"):
            exported(played, ending, tmp_path / "nowhere")
    with pytest.raises(TakesError, match="its ending should be one of"):
        exported(played, ".wav", tmp_path)
