"""Slot numbers that beacons tell: which stand still, fall, or are not of one time; times that decide are our choice."""

import pytest
from findings.air import FAR_NODE, FAR_ROOT, Capture, names
from findings.cases_link import beacon

STILL, BACK, APART = "slot-number-stands-still", "slot-number-went-back", "slot-numbers-disagree"


def told(*beacons: tuple[float, int, bytes]) -> list[str]:
    """The findings about beacons: when each comes, its slot number and its node."""
    frames = [
        (time_s, beacon(number, slot, node))
        for number, (time_s, slot, node) in enumerate(beacons, 1)
    ]
    found = names(Capture(list(frames)).followed())
    return [name for name in found if name in {STILL, BACK, APART}]


@pytest.mark.parametrize(
    ("beacons", "is_told"),
    [
        # a hundred slots of 10 ms
        (((0.0, 100), (1.0, 100)), True),
        (((0.0, 100), (0.9, 100)), False),
        # it went on meanwhile, and the number is that of half a second ago
        (((0.0, 100), (1.0, 200), (1.5, 200)), False),
        (((0.0, 100), (1.0, 200), (2.0, 200)), True),
        # of two that stand still the second is counted from its own first
        (((0.0, 100), (0.5, 100), (1.0, 150), (1.5, 150)), False),
    ],
)
def test_a_number_that_stands_still(
    beacons: tuple[tuple[float, int], ...], *, is_told: bool
) -> None:
    of_one = [(time_s, slot, FAR_ROOT) for time_s, slot in beacons]
    assert (STILL in told(*of_one)) is is_told
    # each node has its own
    of_two = [
        (time_s, slot, (FAR_ROOT, FAR_NODE)[n % 2]) for n, (time_s, slot) in enumerate(beacons)
    ]
    assert STILL not in told(*of_two)


@pytest.mark.parametrize(
    ("beacons", "is_told"),
    [
        (((0.0, 1000), (1.0, 900)), True),
        (((0.0, 1000), (1.0, 1000)), False),
        # of those that came at one time, or by a clock that was put back, nobody can tell the order
        (((1.0, 1000), (1.0, 900)), False),
        (((1.0, 1000), (0.5, 900)), False),
        # against the last one, and not the first
        (((0.0, 1000), (1.0, 1100), (2.0, 1050)), True),
    ],
)
def test_a_number_that_falls(beacons: tuple[tuple[float, int], ...], *, is_told: bool) -> None:
    assert (BACK in told(*((time_s, slot, FAR_ROOT) for time_s, slot in beacons))) is is_told


def turns(*, off: int = 0, slot_s: float = 0.01, after_s: float = 0.5, many: int = 8) -> list[str]:
    """Beacons of two nodes in turn, each every second; the other counts so much further, in its own slots."""
    sent = []
    for n in range(many):
        sent.append((1.0 * n, 1000 + 100 * n, FAR_ROOT))
        time_s = n + after_s
        sent.append((time_s, 1000 + off + round(time_s / slot_s), FAR_NODE))
    return told(*sent)


@pytest.mark.parametrize(
    ("off", "slot_s", "is_told"),
    [
        (0, 0.01, False),
        # a second, and a twentieth of the time between both: 102.5 slots behind half a second
        (102, 0.01, False),
        (104, 0.01, True),
        (-104, 0.01, True),
        # slots of another length are told by that
        (900, 0.0108, False),
        (900, 0.0104, True),
    ],
)
def test_numbers_that_are_not_of_one_time(off: int, slot_s: float, *, is_told: bool) -> None:
    assert (APART in turns(off=off, slot_s=slot_s)) is is_told
