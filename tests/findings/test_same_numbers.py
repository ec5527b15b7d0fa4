"""Frames under a sequence number that was there before: how many, how far apart, and sealed ones that nobody opens."""

import pytest
from findings import air
from findings.air import Capture, names

STUCK = "sequence-number-stuck"
Timed = list[bytes | tuple[float, bytes]]


def sealed(step_s: float, many: int) -> Capture:
    """Frames under one number, each sealed under the next frame counter; of a key that the audit does not have."""
    # another node is heard long before
    frames: Timed = [(0.0, air.frame(air.datagram(), 1))]
    frames += [(100 + step_s * n, air.secured(b"reading %d" % n, 66, 1 + n)) for n in range(many)]
    return Capture(frames)


@pytest.mark.parametrize(
    ("step_s", "many", "told"),
    [
        (5.0, 5, True),
        (5.0, 4, False),
        (1.0, 5, True),
        # a try is secured anew (IEEE 802.15.4: each frame has a counter of its own); a second is our choice
        (0.2, 5, False),
        (0.9, 5, False),
    ],
)
def test_sealed_frames_under_one_number(step_s: float, many: int, *, told: bool) -> None:
    assert (STUCK in names(sealed(step_s, many).followed())) is told


def test_in_the_clear_contents_tell_however_soon() -> None:
    frames = [air.frame(air.datagram(b"%d" % n), 66) for n in range(5)]
    times = [1 + n / 10 for n in range(5)]
    assert STUCK in names(Capture(list(zip(times, frames, strict=True))).followed())
    # the last one is the one before it once more
    frames[4] = frames[3]
    assert STUCK not in names(Capture(list(zip(times, frames, strict=True))).followed())


@pytest.mark.parametrize("first", [0, 1])
def test_a_number_of_zero_is_one(first: int) -> None:
    frames = [air.frame(air.datagram(b"%d" % n), (first + n) % 2) for n in range(7)]
    (told,) = (one for one in Capture(list(frames)).followed() if one.name == STUCK)
    assert told.cause.endswith("take turns under two sequence numbers, 0 and 1")
    assert told.evidence[0] == "since frame 1"


def test_two_frames_in_turn_are_no_news() -> None:
    """Each has the contents that its number had before: somebody sends both again and again, far apart."""
    frames: Timed = [
        (1 + 600.0 * n, air.frame(air.datagram(b"%d" % (n % 2)), 65 + n % 2)) for n in range(12)
    ]
    assert STUCK not in names(Capture(frames).followed())


def test_turns_are_counted_anew_behind_another_number() -> None:
    """Four turns, a number of its own, and four more: five in a row are told (our choice)."""
    turns = [65, 66, 65, 66, 65, 66]
    frames = [air.frame(air.datagram(b"%d" % n), s) for n, s in enumerate([*turns, 67, *turns])]
    assert STUCK not in names(Capture(list(frames)).followed())


def test_without_a_number_nothing_is_stuck() -> None:
    """IEEE 802.15.4-2015: a frame of version 2 may leave it out (sequence number suppression)."""
    header = air.mac(None, version=2)
    frames = [air.encoded(header, air.payload(air.datagram(b"%d" % n))) for n in range(12)]
    assert STUCK not in names(Capture(list(frames)).followed())
