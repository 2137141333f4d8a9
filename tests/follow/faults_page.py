"""The transport's table in docs/faults.md, from the table itself.

Run: python -m tests.follow.faults_page
"""

from __future__ import annotations

from pathlib import Path

from companion.follow.transport import TABLE, Effect, Signal, State

PAGE = Path(__file__).parents[2] / "docs" / "faults.md"
BEGIN, END = "<!-- transport table: begin -->", "<!-- transport table: end -->"


def transport_table() -> str:
    """States across, signals down; in each cell the next state and what becomes of the count."""
    lines = [
        "| signal | " + " | ".join(state.value for state in State) + " |",
        "| --- |" + " --- |" * len(State),
    ]
    for signal in Signal:
        cells = []
        for state in State:
            leads_to, effect = TABLE[state, signal]
            said = "" if effect is Effect.IGNORE else f": {effect.value}"
            cells.append(f"{leads_to.value}{said}")
        lines.append(f"| {signal.value} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def with_table(page: str) -> str:
    """The page with the table as it is now."""
    before, rest = page.split(BEGIN)
    return f"{before}{BEGIN}\n{transport_table()}\n{END}{rest.split(END)[1]}"


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
