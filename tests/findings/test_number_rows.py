"""Two devices with one short address are told by the two rows of their frame numbers, and no node alone is."""

from collections.abc import Iterable
from random import Random

import pytest
from findings import air
from findings.air import Capture

from lowpanbudget import audit, measure

NAME = "address-of-two-devices"


def numbered(numbers: Iterable[int]) -> Capture:
    """Readings of one address with these frame numbers, each of other contents."""
    frames = [
        (1.0 + 15 * at, air.frame(air.datagram(bytes([at & 0xFF, number])), number))
        for at, number in enumerate(numbers)
    ]
    return Capture([*frames])


def two(each: int = 1, count: int = 40, first: int = 250, second: int = 77) -> list[int]:
    """Two rows in turns: so many of the first, and then one of the second."""
    found: list[int] = []
    for at in range(count):
        found += [(first + at * each + more) & 0xFF for more in range(each)]
        found.append((second + at) & 0xFF)
    return found


def told(capture: Capture) -> list[tuple[str, str, int]]:
    found = audit(list(capture.records()), contexts=air.CONTEXTS).findings
    return [(one.severity.word, one.subject, one.count) for one in found if one.name == NAME]


@pytest.mark.parametrize("each", [1, 3])
def test_two_rows_in_turns_are_two_senders(each: int) -> None:
    """Of 40 turns to either row the 8th to the second that goes on shows it, which is its 9th frame; 31 follow."""
    capture = numbered(two(each))
    ((severity, subject, count),) = told(capture)
    assert (severity, subject) == ("risk", "0x0017")
    assert count >= 31
    found = measure(list(capture.records()), contexts=air.CONTEXTS)
    (line,) = [one for one in found.unknown if "two rows" in one]
    assert line.startswith("The frames of 0x0017 are numbered in two rows")


def reset() -> list[int]:
    """A node that begins anew each ten frames, at the same number."""
    return [at for _ in range(12) for at in range(10)]


def lossy() -> list[int]:
    chance = Random(4)
    return [at & 0xFF for at in range(600) if chance.random() < 0.5]


def late() -> list[int]:
    """Each second frame comes behind the one after it."""
    return [at ^ 1 for at in range(120)]


def anywhere() -> list[int]:
    """Numbers that count nothing."""
    chance = Random(7)
    return [chance.randrange(256) for _ in range(600)]


@pytest.mark.parametrize("numbers", [reset(), lossy(), late(), anywhere(), two(count=7)])
def test_one_sender_is_none_of_two(numbers: list[int]) -> None:
    capture = numbered(numbers)
    assert told(capture) == []
    assert not [
        one
        for one in measure(list(capture.records()), contexts=air.CONTEXTS).unknown
        if "two rows" in one
    ]
