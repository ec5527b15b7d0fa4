"""Secured frames that come again: a higher counter between, to the same receiver, tells a replay from a retry."""

import pytest
from findings import air
from findings.air import Capture, names


def sent(*counters: int, step_s: float = 2.0) -> Capture:
    """Frames from one node to another with these counters; what has the same counter has the same octets."""
    frames = [air.secured(b"%d" % counter, counter, counter) for counter in counters]
    return Capture([(1 + step_s * n, octets) for n, octets in enumerate(frames)])


@pytest.mark.parametrize(
    ("counters", "told"),
    [
        ((10, 11, 10), True),
        ((10, 10), False),  # a retry
        # it came before the first of them, as captures of several receivers have it
        ((11, 10, 10), False),
        # it was sent before them, whenever it was heard: its counter is lower
        ((10, 9, 10), False),
        ((10, 9, 11, 10), True),
    ],
)
def test_what_comes_between_tells_a_replay(counters: tuple[int, ...], *, told: bool) -> None:
    """IEEE 802.15.4: the frame counter of a sender only grows (from memory: clause 9.2.2)."""
    assert ("frame-replayed" in names(sent(*counters).followed())) is told
