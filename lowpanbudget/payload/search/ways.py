"""All ways through what can be chosen: what is there, how many, which option, and bits that nobody knows."""

from collections.abc import Callable, Iterator
from random import Random
from typing import TypeVar

T = TypeVar("T")
_WORK = 250_000  # octets and codes that are looked at on all ways together, about half a second
_FIELD = 8  # what a field takes beside


class NotFollowed(Exception):
    """There are too many ways, or a field whose bits nothing here knows."""


class WayRefused(Exception):
    """A receiver refuses all messages that go this way."""


class Ways:
    """What was chosen on the way, to go another one after it; ``work`` is what is left to be done.

    ``random``: each choice begins with any, and there are so many ways that some alone are gone.
    """

    def __init__(self, work: list[int] | None = None, random: Random | None = None) -> None:
        self.work = [_WORK] if work is None else work
        self.is_drawn = random is not None
        self._random = random
        self._way: list[tuple[int, int, int]] = []  # first, how many after it, of how many
        self._at = 0

    def each(self, follow: Callable[["Ways"], T]) -> Iterator[T]:
        """Yield what comes of each way; one that is refused brings nothing."""
        more = True
        while more:
            self._at = 0
            try:
                made = follow(self)
            except WayRefused:
                pass
            else:
                yield made
            more = self._is_advanced()

    def choose(self, count: int) -> int:
        """Return one of a number of choices, another one on each way."""
        if self._at == len(self._way):
            first = self._random.randrange(self._random.randrange(count) + 1) if self._random else 0
            self._way.append((first, 0, count))  # smaller ones more often
        first, more, _count = self._way[self._at]
        self._at += 1
        return (first + more) % count

    def worked(self, cost: int = _FIELD) -> None:
        """Count what was looked at: octets or codes, or a field."""
        self.work[0] -= cost
        if self.work[0] < 0:
            raise NotFollowed

    def _is_advanced(self) -> bool:
        while self._way:
            first, more, count = self._way.pop()
            if more + 1 < count:
                self._way.append((first, more + 1, count))
                return True
        return False
