"""The count on clocks recorded over JACK from programs that are not ours: `recorded/README.md`."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.bench_count import judged, ours
from tests.follow.recordings import Recording, recordings


@pytest.mark.parametrize("recording", recordings(), ids=lambda recording: recording.name)
def test_a_recorded_clock_is_counted_and_known_to_be(recording: Recording) -> None:
    told = ours(recording.t_ns)
    sums = judged(told, recording.off(told.ticks))
    assert sums.one == sums.more == 0
    assert sums.worst_end == 0
    assert sums.sure >= 0.98 * sums.heard


def test_the_latest_tick_that_a_message_can_be_is_found_in_a_bunch() -> None:
    one = next(each for each in recordings() if each.name == "steady-122-one-core-busy")
    bunch = np.flatnonzero(one.sent == 564)
    # Three came when 564 had been sent, then two when 565 had: the five from 561 on.
    assert one.tick[bunch[0] - 1 : bunch[-1] + 3].tolist() == [560, 561, 562, 563, 564, 565]
