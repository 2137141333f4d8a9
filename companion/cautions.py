"""What may hurt, in one place: light, sound, danger, driving. All our texts take it from here.

No text promises a level of sound that is safe: nobody can.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """A caution: its head, one sentence for where there is little room, and what else to know."""

    head: str
    brief: str
    more: str = ""

    def __str__(self) -> str:
        return " ".join(filter(None, (f"{self.head}: {self.brief}", self.more)))


CAUTIONS = (
    Caution(
        "Sound",
        "a program change or an unmute can be far louder than what went before.",
        "Check levels at low volume, and protect your hearing.",
    ),
    Caution(
        "Light",
        "nothing on the screen flashes more than three times a second; --calm stops the pulse.",
        "WCAG 2.2, 2.3.1 and 2.3.2, the second of which allows no more of any size.",
    ),
    Caution(
        "Danger",
        "never let this tool drive anything that can hurt.",
        "No pyrotechnics, lasers, moving rigs or stage machinery. Those belong to licensed "
        "practice, with their own interlocks, under local rules.",
    ),
    Caution("Driving", "do not operate it while driving or working at height."),
)

# One line for whoever starts something that may send.
ON_STARTING = (
    "Cautions: changes and unmutes can be loud; nothing flashes over 3 times a second (--calm: no "
    "pulse); drive nothing that can hurt; not while driving or at height."
)
