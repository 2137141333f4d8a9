"""Paper and pictures: pass maps, the cue sheet. What is shown here is computed in the core.

`draw` gives a map as lines for a terminal, `save` puts it into a picture file, or raises
`PictureError` with what to do. `cue_sheet` is what stands on paper as values, `as_object` the same
for programs, `render` one HTML page of it, to be printed by any browser.
"""

from companion.sheet.cuesheet import as_object, cue_sheet
from companion.sheet.page import PAPERS, pages, render
from companion.sheet.passmap import PictureError, draw, save

__all__ = [
    "PAPERS",
    "PictureError",
    "as_object",
    "cue_sheet",
    "draw",
    "pages",
    "render",
    "save",
]
