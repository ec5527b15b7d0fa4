"""The loops with the arrays that they run over: compiled ones over numpy's, or as they are over lists."""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from lowpanbudget.capture.columns import kernel, walk, words

Octets = bytes | bytearray | memoryview


class Loops(NamedTuple):
    """The loops, and what makes their arrays: so many numbers of a value, so many octets; of given ones."""

    count: Callable[..., int]
    walk_pcap: Callable[..., int]
    walk_pcapng: Callable[..., int]
    digest: Callable[..., int]
    numbers: Callable[[int, int], Any]
    octets: Callable[[int], Any]
    of_numbers: Callable[[Sequence[int]], Any]
    of_octets: Callable[[Octets], Any]


def as_they_are() -> Loops:
    """Return the loops not compiled: slow, and with each place checked that they read or write."""
    return Loops(
        kernel.count, walk.walk_pcap, walk.walk_pcapng, words.digest,
        lambda many, value: [value] * many, bytearray, list, bytes,
    )  # fmt: skip
