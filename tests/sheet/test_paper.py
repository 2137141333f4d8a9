"""The cue sheet as a browser prints it: headless Chromium makes the PDF, pypdf reads it."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from companion.cli.main import cli
from companion.setlist import SetList, load
from companion.setlist.reading import read_text
from companion.sheet import cue_sheet, pages, render
from tests.builders import SHIPPED
from tests.nightly import latin

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
printed_here = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")
# ISO 216 and ANSI/ASME Y14.1, in points of 1/72 inch.
POINTS = {"a4": (595, 842), "letter": (612, 792)}
# Both margins of a sheet are 10 mm and more.
MARGIN_POINTS = 25


@dataclass
class Page:
    """A page of a PDF: its text, and where that stands in points from the lower left corner."""

    width: float
    height: float
    text: str
    places: list[tuple[float, float]]

    def says(self, words: str) -> bool:
        """Whether the words stand on it, however the lines are broken."""
        return "".join(words.split()) in "".join(self.text.split())


def print_out(page: Path, folder: Path) -> list[Page]:
    """The pages of an HTML file as Chromium prints it, without a head or foot of its own."""
    pdf = folder / "sheet.pdf"
    assert CHROMIUM is not None
    subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={pdf}", page.as_uri()],
        check=True,
        capture_output=True,
        timeout=60,
    )  # fmt: skip
    found = []
    for page_ in PdfReader(pdf).pages:
        places: list[tuple[float, float]] = []

        def see(text: str, cm: Any, tm: Any, _: Any, __: Any, places: Any = places) -> None:
            if text.strip():
                # The text's own matrix, then the page's.
                x = tm[4] * cm[0] + tm[5] * cm[2] + cm[4]
                y = tm[4] * cm[1] + tm[5] * cm[3] + cm[5]
                places.append((x, y))

        text = page_.extract_text(visitor_text=see)
        box = page_.mediabox
        found.append(Page(float(box.width), float(box.height), text, places))
    return found


def assert_whole(found: list[Page], setlist: SetList) -> None:
    """Every page has its foot, nothing stands outside the margins, and none is nearly empty."""
    for number, page in enumerate(found, start=1):
        assert page.says(f"page {number} of {len(found)}"), page.text
        assert page.says(setlist.name)
        for x, y in page.places:
            assert MARGIN_POINTS <= x <= page.width - MARGIN_POINTS
            assert MARGIN_POINTS <= y <= page.height - MARGIN_POINTS
        heights = [y for _, y in page.places]
        # Down to the foot that stands on each; all above it takes more than half of the page.
        *body, _ = sorted({round(y) for y in heights}, reverse=True)
        assert body[0] - body[-1] > page.height / 2


@printed_here
@pytest.mark.parametrize(("path", "paper"), latin(SHIPPED, ["a4", "letter"]), ids=str)
def test_a_shipped_set_prints_as_a_running_order_and_a_page_a_song(
    path: Path, paper: str, tmp_path: Path
) -> None:
    file = tmp_path / "sheet.html"
    done = CliRunner().invoke(cli, ["sheet", str(path), "-o", str(file), "--paper", paper])
    assert done.exit_code == 0, done.output
    setlist = load(path)
    found = print_out(file, tmp_path)
    assert len(found) == 1 + len(setlist.songs)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()[:8]
    for page in found:
        assert (round(page.width), round(page.height)) == POINTS[paper]
        assert page.says(digest)
        assert page.says(date.today().isoformat())
    assert_whole(found, setlist)
    for part in setlist.parts:
        for page in (found[0], found[1 + part.song]):
            assert page.says(part.name)
        for change in part.changes:
            shown = setlist.instruments[change.instrument].shown(change.program)
            assert page.says(str(shown))
        for cue in part.cues:
            assert all(found[1 + part.song].says(track) for track in cue.tracks)
            assert found[1 + part.song].says(cue.text)


def crowded(parts: int) -> str:
    """A set with one song of many parts, long names, and letters that are as wide as high."""
    name = "slack water with everything that the tide leaves behind it on the flats, Übergröße"
    cues = "".join(
        f"\n          - {{at: bar {bar}, say: 'word {bar} of a long talk to the player'}}"
        for bar in range(1, 30)
    )
    steps = ", ".join(f"{step}: pass {step} of 40" for step in range(1, 41))
    patterns = "".join(
        f"  '{name} {at}':\n    length: 40\n    phrase: 8 passes\n"
        f"    tracks: {{a track of many words: {{steps: {{{steps}}}}}}}\n"
        for at in range(1, 4)
    )
    listed = "".join(
        f"      - pattern: '{name} {1 + at % 3}'\n        phrases: 4\n"
        f"        cues:{cues if at % 9 == 0 else ' []'}\n"
        for at in range(parts)
    )
    songs = f"songs:\n  - song: Slack water\n    parts:\n{listed}"
    return f"set: Tidewater\npatterns:\n{patterns}{songs}"


def many_songs(songs: int) -> str:
    """A set of many songs of a part each."""
    listed = "".join(
        f"  - song: Song {at} of the long night\n    parts: [{{pattern: ebb, phrases: 1}}]\n"
        for at in range(1, songs + 1)
    )
    return (
        "set: Tidewater\npatterns:\n  ebb: {tracks: {bell: {steps: {1: always}}}}\nsongs:\n"
        + listed
    )


@printed_here
@pytest.mark.parametrize(
    "paper", [None, *(pytest.param(each, marks=pytest.mark.nightly) for each in ("a4", "letter"))]
)
def test_as_many_pages_are_printed_as_were_laid_out(paper: str | None, tmp_path: Path) -> None:
    for text in (crowded(30), many_songs(70)):
        setlist = read_text(text, "tidewater.yaml")
        sheet = cue_sheet(setlist, "0123abcd", "2031-05-02")
        file = tmp_path / "sheet.html"
        file.write_text(render(sheet, paper), "utf-8")
        found = print_out(file, tmp_path)
        laid_out = pages(sheet, paper)
        assert len(found) == len(laid_out) > len(setlist.songs)
        everything = " ".join(page.text for page in found)
        whole = Page(0, 0, everything, [])
        assert all(whole.says(part.pattern.name) for part in setlist.parts)
        assert all(whole.says(cue.text) for part in setlist.parts for cue in part.cues)


def test_the_page_has_no_script_and_no_link_outside() -> None:
    text = render(cue_sheet(load(SHIPPED[0]), "0123abcd", "2031-05-02"))
    assert not re.search(r"<script|javascript:|https?://|url\(|@import|<link|<img|src=|href=", text)


def test_names_are_text_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "tidewater.yaml"
    path.write_text(
        many_songs(1).replace("Song 1", "<b>&amp;</b> <script>alert(1)</script>"), "utf-8"
    )
    text = render(cue_sheet(load(path), "", ""))
    assert "<script" not in text
    assert "&lt;b&gt;&amp;amp;&lt;/b&gt;" in text


def test_a_sheet_goes_into_a_page_and_never_over_the_set(tmp_path: Path) -> None:
    path = tmp_path / "tidewater.yaml"
    path.write_text(many_songs(1), "utf-8")
    run = CliRunner().invoke
    over = run(cli, ["sheet", str(path), "-o", str(path)], standalone_mode=False)
    assert over.exception is not None
    assert "does not end in .html" in str(over.exception)
    assert path.read_text("utf-8") == many_songs(1)
    assert run(cli, ["sheet", str(path)]).exit_code == 2
