"""`companion sheet`: the set on paper, as one file that any browser prints."""

from __future__ import annotations

import hashlib
from datetime import date
from pathlib import Path

import click

from companion.cli.exits import Refused
from companion.cli.forecast import read
from companion.cli.saying import in_reach, say, say_json
from companion.sheet import as_object, cue_sheet, pages, render

ENDINGS = (".html", ".htm")
# Enough of the file's hash for a person to compare, too much to meet another by chance.
DIGITS = 8


@in_reach()
def sheet(set_file: Path, file: Path | None, paper: str | None, as_json: bool) -> None:
    """Write the cue sheet into `file`, which is replaced. Raises Refused if that cannot be done.

    Raises UsageError if it is to go nowhere.
    """
    if file is None and not as_json:
        raise click.UsageError("say where it goes: -o FILE.html")
    if file is not None and file.suffix.lower() not in ENDINGS:
        raise Refused(f"{file} does not end in .html; the sheet is a page for a browser")
    setlist = read(set_file)
    # Windows puts other line ends into the same text.
    digest = hashlib.sha256(set_file.read_bytes().replace(b"\r\n", b"\n")).hexdigest()[:DIGITS]
    made = cue_sheet(setlist, digest, date.today().isoformat())
    count = len(pages(made, paper))
    if file is not None:
        try:
            file.write_text(render(made, paper), encoding="utf-8")
        except OSError as error:
            raise Refused(f"{file}: {error.strerror or error}") from error
    if as_json:
        say_json(as_object(made) | {"pages": count})
        return
    what = f"{count} page{'' if count == 1 else 's'}"
    say(f"{file}: {what}, file {digest}. Open it in a browser and print it, without margins added.")
