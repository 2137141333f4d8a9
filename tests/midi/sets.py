"""Set lists for the rehearsals on real MIDI: short passes, so that a whole part takes seconds.

Short rather than fast: at 150 beats a minute a clock comes every 16.7 ms, and a busy computer that
hands one on some milliseconds late is not taken for one that loses clocks.
"""

from __future__ import annotations

# Clocks, 24 to a quarter note: passes of eight sixteenths, two of them to a phrase.
PASS, PHRASE, BEAT = 48, 96, 24

# Programs 12, 13 and 14 on the display are 11, 12 and 13 on the wire. A sixteenth is six clocks, so
# passes of 8, 6 and 8 sixteenths are 48, 36 and 48. The first part lasts two of them, the second
# four.
LENGTHS = '{"11": 48, "12": 36, "13": 48}'
DRUM = ("--program", "11", "--lengths", LENGTHS)
FIRST_PASS, SECOND_PASS = 48, 36
FIRST_END = 2 * FIRST_PASS
SECOND_END = FIRST_END + 4 * SECOND_PASS
# Into the third part's second pass, which has no end: a third change would leave a beat before that
# is over.
PAST_ALL = SECOND_END + FIRST_END - BEAT + 2

# The instrument of most sets, and no more.
DRUMS = """\
set: Tidewater
instruments:
  drums:
    port: "*drum*"
    channel: 10
    change: {takes_effect: pattern end, send_before: 1 beat}
"""

THREE_PARTS = (
    DRUMS
    + """\
patterns:
  slack water:
    length: 8
    phrase: 2 passes
    tracks:
      low drum: {steps: {1: always, 5: always, 8: pass 2 of 4}}
  plank:
    length: 6
    phrase: 4 passes
    tracks:
      shaker: {steps: {1: always, 4: chance 50%}}
  ebb line:
    length: 8
    phrase: 2 passes
    tracks:
      bell: {steps: {5: pass 1 of 3}}
songs:
  - song: Slack water
    tempo: 150
    parts:
      - {pattern: slack water, on: drums, program: 12, phrases: 1}
      - {pattern: plank, on: drums, program: 13, phrases: 1}
      - {pattern: ebb line, on: drums, program: 14}
"""
)

# Bank 300 is 2 x 128 + 44: both halves of the bank select say something.
WITH_BANK = THREE_PARTS.replace("change: {", "change: {bank: 300, ")

OPEN_PART = THREE_PARTS.replace("program: 12, phrases: 1", "program: 12")

# The first part lasts ten passes: 480 clocks, 8 s.
LONG_FIRST_PART = THREE_PARTS.replace("program: 12, phrases: 1", "program: 12, phrases: 5")
LONG_FIRST_END = 5 * FIRST_END

TWO_INSTRUMENTS = """\
set: Tidewater
instruments:
  drums:
    port: "*drum in*"
    channel: 10
    change: {takes_effect: pattern end, send_before: 1 beat}
  sampler:
    port: "*sampler in*"
    channel: 3
    change: {programs_from: 0, takes_effect: at once}
clock: {from: drums}
patterns:
  slack water:
    length: 8
    phrase: 2 passes
    tracks:
      low drum: {steps: {1: always, 8: pass 4 of 4}}
songs:
  - song: Slack water
    tempo: 150
    parts:
      - {pattern: slack water, on: drums, program: 12, phrases: 1}
      - pattern: slack water
        on: drums
        program: 13
        also: [{on: sampler, program: 7}]
        phrases: 1
      - {pattern: slack water, on: sampler, program: 8}
"""
