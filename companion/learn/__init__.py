"""Learns patterns by listening: grids, lengths and play rules from notes, and a set list drafted.

`heard` says what was heard, `learner.learn` what it comes to, `draft` writes it down; `rules` has
the model and its one table of priors. Pure but for the reading of a file.
"""

from __future__ import annotations

import os

# The products are small: threads would cost more than they save, and take cores from the music.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
