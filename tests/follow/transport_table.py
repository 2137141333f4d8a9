"""The transport's table as docs/faults.md has it. Run: python -m tests.follow.transport_table"""

from __future__ import annotations

from companion.follow.transport import TABLE, Signal, State


def table() -> str:
    """Markdown: a row for each state and signal that does anything, in the table's order."""
    lines = ["| state | hears | becomes | effect |", "| --- | --- | --- | --- |"]
    for state in State:
        for signal in Signal:
            leads_to, effect = TABLE[state, signal]
            lines.append(f"| {state.value} | {signal.value} | {leads_to.value} | {effect.value} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(table(), end="")
