"""Which tracks are muted as the instrument has them, and which are not as planned.

Pure. How sure that is, and which of them are worth a word, is the engine's to say.
"""

from __future__ import annotations

from companion.link.messages import TrackView


def is_muted(track: TrackView) -> bool:
    """Whether the instrument has the track muted, by plan while nobody knows."""
    return track.muted if track.heard_muted is None else track.heard_muted


def is_unplanned(track: TrackView) -> bool:
    """Whether the track is known to be muted though planned to sound, or the other way round."""
    return is_muted(track) != track.muted
