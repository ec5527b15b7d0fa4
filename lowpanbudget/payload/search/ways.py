"""All ways through what can be chosen: what is there, how many, which option, and bits that nobody knows."""

from collections.abc import Callable, Iterator
from typing import TypeVar

T = TypeVar("T")
_WORK = 250_000  # octets and codes that are looked at on all ways together, about half a second
_FIELD = 8  # what a field takes beside


class NotFollowed(Exception):
    """There are too many ways, or a field whose bits nothing here knows."""


class WayRefused(Exception):
    """A receiver refuses all messages that go this way."""


class Ways:
    """What was chosen on the way, to go another one after it; ``work`` is what is left to be done."""

    def __init__(self, work: list[int] | None = None) -> None:
        self.work = [_WORK] if work is None else work
        self._way: list[tuple[int, int]] = []
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
            self._way.append((0, count))
        self._at += 1
        return self._way[self._at - 1][0]

    def worked(self, cost: int = _FIELD) -> None:
        """Count what was looked at: octets or codes, or a field."""
        self.work[0] -= cost
        if self.work[0] < 0:
            raise NotFollowed

    def _is_advanced(self) -> bool:
        while self._way:
            chosen, count = self._way.pop()
            if chosen + 1 < count:
                self._way.append((chosen + 1, count))
                return True
        return False
