"""A review as one page of HTML with pictures: nothing outside is needed, and it prints well.

Pictures are drawn by matplotlib as SVG and stand in the page; all text is escaped. Both libraries
are imported only to make a page.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from typing import Any

from companion.printable import printable
from companion.setlist import Span
from companion.takes import words
from companion.takes.export import Progress, silent
from companion.takes.score import WITHIN, Review

# Okabe and Ito, Color Universal Design, 2008: blue for what is as planned, vermillion for what is
# not. Shapes tell the two apart as well, for grey prints.
PLAIN, AMISS, QUIET = "#0072B2", "#D55E00", "#767676"
# More parts or cues than so many are drawn without their names.
MOST_NAMES = 40

_PAGE = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>
:root { color-scheme: light; }
body { font: 16px/1.45 system-ui, sans-serif; color: #16191c; background: #fff;
  max-width: 62rem; margin: 0 auto; padding: 1.5rem; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .4rem; break-after: avoid; }
p { margin: .2rem 0; }
.note { font-style: italic; }
figure { margin: .6rem 0; break-inside: avoid; }
figure svg { width: 100%; height: auto; display: block; }
figcaption { color: #45494d; font-size: .9rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
thead { display: table-header-group; }
th, td { text-align: left; padding: .2rem .6rem .2rem 0; border-bottom: 1px solid #c9cdd1;
  vertical-align: top; }
tr { break-inside: avoid; }
tr.amiss td { font-weight: 600; }
@page { size: auto; margin: 15mm; }
@media print { body { padding: 0; max-width: none; font-size: 10.5pt; } }
</style>
</head>
<body>
<h1>{{ title }}</h1>
{% for line in summary %}<p>{{ line }}</p>
{% endfor %}{% if note %}<p class="note">{{ note }}</p>
{% endif %}{% for section in sections %}<h2>{{ section.title }}</h2>
{% if section.picture %}<figure role="img" aria-label="{{ section.caption }}">
{{ section.picture | safe }}
<figcaption>{{ section.caption }}</figcaption>
</figure>
{% endif %}{% if section.rows %}<table>
<thead><tr>{% for name in section.columns %}<th scope="col">{{ name }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in section.rows %}<tr{% if loop.index0 in section.amiss %} class="amiss"{% endif %}>\
{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</tbody>
</table>
{% elif not section.picture %}<p>{{ section.none }}</p>
{% endif %}{% endfor %}</body>
</html>
"""


def page(found: Review, within: Span = WITHIN, progress: Progress = silent) -> str:
    """The whole page."""
    from jinja2 import Environment

    sections = []
    makers = (_parts, _cues, _tempo, _transitions, _doubts)
    for done, make in enumerate(makers):
        progress(done, len(makers))
        sections.append(make(found, within))
    environment = Environment(autoescape=True, trim_blocks=False, keep_trailing_newline=True)
    made = environment.from_string(_PAGE).render(
        title=words.headline(found),
        summary=words.summary(found),
        note=words.note(found),
        sections=sections,
    )
    progress(len(makers), len(makers))
    return made


def _section(
    title: str,
    columns: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    none: str,
    picture: str = "",
    caption: str = "",
    amiss: Sequence[int] = (),
) -> dict[str, Any]:
    return {
        "title": title,
        "columns": columns,
        "rows": rows,
        "none": none,
        "picture": picture,
        "caption": caption,
        "amiss": set(amiss),
    }


def _parts(found: Review, _: Span) -> dict[str, Any]:
    rows = [words.part_row(each) for each in found.parts]
    picture = ""
    if found.parts:
        picture = _drawn("parts", (8, 0.9 + 0.28 * len(found.parts)), 1, _draw_parts(found))
    return _section(
        "Parts, planned and played",
        words.PARTS,
        rows,
        none="Nothing was played.",
        picture=picture if len(found.parts) <= MOST_NAMES else "",
        caption="Bars of each part: the full bar is what was played, the mark what was planned.",
        amiss=[n for n, each in enumerate(rows) if each[-1]],
    )


def _draw_parts(found: Review) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        parts = found.parts[:MOST_NAMES]
        at = range(len(parts))
        bars = [each.ticks["bar"] for each in parts]
        played = [each.played_ticks / bar for each, bar in zip(parts, bars, strict=True)]
        axes.barh(at, played, height=0.55, color=PLAIN)
        for y, (each, bar) in enumerate(zip(parts, bars, strict=True)):
            if each.planned_ticks is not None:
                planned = each.planned_ticks / bar
                off = each.planned_ticks != each.played_ticks
                colour = AMISS if off else "black"
                axes.plot([planned, planned], [y - 0.42, y + 0.42], color=colour, linewidth=2.5)
        names = [f"{each.part} {printable(each.name)}"[:28] for each in parts]
        axes.set_yticks(list(at), names)
        axes.set_ylim(len(parts) - 0.4, -0.6)
        axes.set_xlim(0, None)
        axes.set_xlabel("bars")

    return draw


def _cues(found: Review, within: Span) -> dict[str, Any]:
    rows = words.cue_rows(found)
    late = [each for each in found.cues if each.late_ms is not None]
    picture = _drawn("cues", (8, 2.6), 1, _draw_cues(found)) if late else ""
    return _section(
        "Cues, due and done",
        words.CUES,
        rows,
        none="No cue fell due.",
        picture=picture,
        caption="How late each cue was done, in ms; above the line is late. A cross at the foot is "
        f"a cue that was not done within {within}.",
        amiss=[n for n, each in enumerate(rows) if each[4] in ("missed", "not planned")],
    )


def _draw_cues(found: Review) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        done = [
            (each.at_ns / 60e9, each.late_ms) for each in found.cues if each.late_ms is not None
        ]
        axes.axhline(0, color="black", linewidth=1)
        axes.plot(*zip(*done, strict=True), "o", color=PLAIN, markersize=4)
        missed = [each.at_ns / 60e9 for each in found.cues if not each.hit and each.audible]
        low = min(min(late for _, late in done), 0.0)
        axes.plot(missed, [low] * len(missed), "x", color=AMISS, markersize=7)
        axes.set_xlabel("minutes")
        axes.set_ylabel("ms late")

    return draw


def _tempo(found: Review, _: Span) -> dict[str, Any]:
    picture = _drawn("tempo", (8, 3.6), 2, _draw_tempo(found)) if found.bars else ""
    return _section(
        "Tempo and jitter",
        (),
        (),
        none="No whole bar was heard.",
        picture=picture,
        caption="Beats a minute bar by bar, and how unsteadily the clock came, in ms. What is "
        "shaded was unsure.",
    )


def _draw_tempo(found: Review) -> Callable[[Any], None]:
    def draw(axes: Any) -> None:
        over, under = axes
        at = [each.at_ns / 60e9 for each in found.bars]
        over.plot(at, [each.body["bpm"] for each in found.bars], color=PLAIN, linewidth=1.2)
        under.plot(at, [each.body["jitter_ms"] for each in found.bars], color=PLAIN, linewidth=1.2)
        for each in found.doubts:
            end_ns = each.at_ns + each.body["seconds"] * 1e9
            for one in (over, under):
                one.axvspan(each.at_ns / 60e9, end_ns / 60e9, color=AMISS, alpha=0.25, linewidth=0)
        for part in found.parts:
            over.axvline(part.at_ns / 60e9, color=QUIET, linewidth=0.6)
        over.set_ylabel("beats a minute")
        over.ticklabel_format(useOffset=False)
        under.set_ylabel("jitter, ms")
        under.set_ylim(0, None)
        under.set_xlabel("minutes")

    return draw


def _transitions(found: Review, _: Span) -> dict[str, Any]:
    return _section(
        "Transitions, over takes",
        words.TRANSITIONS,
        [words.transition_row(each) for each in found.transitions],
        none="No part led to another.",
    )


def _doubts(found: Review, _: Span) -> dict[str, Any]:
    rows = [words.doubt_row(each) for each in found.doubts]
    rows += [words.fault_row(each) for each in found.faults]
    return _section(
        "What went unsure, what went wrong, what to remember",
        words.DOUBTS,
        [*rows, *words.mark_rows(found)],
        none="Nothing.",
    )


def _drawn(name: str, size: tuple[float, float], under: int, draw: Callable[[Any], None]) -> str:
    """A picture as an element to stand in a page; its names are its own there."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    # What a name holds is no formula.
    with matplotlib.rc_context(
        {"text.parse_math": False, "svg.hashsalt": name, "font.size": 9, "axes.spines.top": False}
    ):
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure.subplots(under, 1, sharex=under > 1))
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return _inlined(name, out.getvalue())


def _inlined(name: str, svg: str) -> str:
    """Only the element itself, without what is said about it, its names made unlike others'."""
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = re.sub(r'href="#', f'href="#{name}-', svg)
    return re.sub(r"url\(#", f"url(#{name}-", svg)


__all__ = ["page"]
