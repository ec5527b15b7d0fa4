"""What was learned from some octets, found again for others that differ only where nothing depends on it.

A decoder reads from left to right and decides by what it reads. Octets on which no decision hangs (a sequence number,
a frame counter, a checksum, a payload) are *free*: two texts that agree in all others are read in the same way. So one
decoding serves all frames of a flow, and the frames of a capture are few kinds.
"""

from collections.abc import Iterable
from operator import itemgetter
from typing import Generic, TypeVar

from lowpanbudget.bits import Place

Value = TypeVar("Value")
MOST = 1024  # values in each of two generations; what was not asked for in one is forgotten
_MOST_MASKS = 24  # for one beginning


class Mask:
    """Which octets count: those in the ranges ``kept``; and the length, or whether there are any from ``tail`` on."""

    __slots__ = ("counting", "kept", "number", "tail")

    def __init__(self, number: int, kept: tuple[tuple[int, int], ...], tail: int | None) -> None:
        self.number, self.kept, self.tail = number, kept, tail
        self.counting = itemgetter(*[slice(start, end) for start, end in kept])

    def key(self, extra: object, octets: bytes) -> tuple[object, ...]:
        """Return what texts that are read alike have in common."""
        tail = self.tail
        count = len(octets) if tail is None else len(octets) > tail
        return self.number, extra, count, self.counting(octets)


def kept_ranges(free: Iterable[Place], octets: int) -> tuple[tuple[int, int], ...]:
    """Return the ranges of so many octets that are at none of the free places, which stand in order."""
    kept, at = [], 0
    for place in free:
        if place.start > at:
            kept.append((at, place.start))
        at = place.end
    if octets > at or not kept:
        kept.append((at, max(octets, at)))
    return tuple(kept)


class Memo(Generic[Value]):
    """Values by the octets they were learned from, in bounded memory.

    The first two octets must never be free. ``extra`` is what else the value depends on.
    """

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._masks: dict[bytes, list[Mask]] = {}
        self._young: dict[tuple[object, ...], Value] = {}
        self._old: dict[tuple[object, ...], Value] = {}

    def get(self, octets: bytes, extra: object = None) -> Value | None:
        """Return the value of octets that are read alike, or None."""
        young, old, length = self._young, self._old, len(octets)
        for mask in self._masks.get(octets[:2], ()):
            tail = mask.tail  # this is its key, without a call for every frame
            count = length if tail is None else length > tail
            key = mask.number, extra, count, mask.counting(octets)
            value = young.get(key)
            if value is not None:
                return value
            if old and (value := old.get(key)) is not None:
                self._store(key, value)
                return value
        return None

    def put(
        self,
        octets: bytes,
        free: Iterable[Place],
        value: Value,
        extra: object = None,
        tail: int | None = None,
    ) -> None:
        """Keep a value that depends on all octets but those at the ``free`` places, which stand in order.

        It also depends on their number; with ``tail`` only on whether there are any from there on.
        """
        kept = kept_ranges(free, len(octets))
        masks = self._masks.setdefault(octets[:2], [])
        mask = next((mask for mask in masks if (mask.kept, mask.tail) == (kept, tail)), None)
        if mask is None:
            if len(masks) >= _MOST_MASKS:
                return
            mask = Mask(len(masks), kept, tail)
            masks.append(mask)
            if len(self._masks) > self._most:
                self.clear()
                return
        self._store(mask.key(extra, octets), value)

    def clear(self) -> None:
        """Forget everything."""
        self._masks.clear()
        self._young.clear()
        self._old.clear()

    def _store(self, key: tuple[object, ...], value: Value) -> None:
        if len(self._young) >= self._most:
            self._old, self._young = self._young, {}
        self._young[key] = value


class Regulars:
    """Tells which kinds of frames are worth to be remembered: all, or those that come a second time.

    Where most frames are of a kind that never came before, remembering each costs more than it saves. ``again`` are the
    frames that were known, for others to count.
    """

    def __init__(self, most: int = MOST) -> None:
        self.again = 0
        self._most = most
        self._new = 0
        self._once: set[int] | None = None  # marks of those that came once, where most do

    def is_worth(self, mark: object) -> bool:
        """Return whether a frame that was not known is to be remembered; what it has in common with its like says."""
        self._new += 1
        if self._new >= self._most:
            self._once = set() if self.again < self._new else None
            self._new = self.again = 0
        if self._once is None or hash(mark) in self._once:
            return True
        self._once.add(hash(mark))
        return False
