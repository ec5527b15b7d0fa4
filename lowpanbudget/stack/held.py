"""What a receiver holds of datagrams that are not whole: how many octets in all, and whose time is over first.

Nothing here costs more for being asked while much is held: octets are summed as they come and go, and the next one to
run out stands at the head of a heap. Times may go back: a datagram is as old as the frame that began it.
"""

from collections import OrderedDict
from collections.abc import Callable, Iterator
from heapq import heapify, heappop, heappush
from typing import Generic, Protocol, TypeVar

from lowpanbudget.stack.fragment_key import KeyFields


class Held(Protocol):
    """What is held of one datagram."""

    started_s: float

    @property
    def received(self) -> int:
        """Return its octets."""


Entry = TypeVar("Entry", bound=Held)
_SPARE = 64  # entries of the heap that nothing is held for any more, beside as many as are


class HeldDatagrams(Generic[Entry]):
    """Datagrams by key, in the order in which they began; ``octets`` are those of all of them."""

    def __init__(self) -> None:
        self.octets = 0
        self._entries: OrderedDict[KeyFields, tuple[int, Entry]] = OrderedDict()
        self._ages: list[tuple[float, int, KeyFields]] = []
        self._by_sender: dict[bytes | None, int] = {}  # how many each has open
        self._begun = 0

    def __len__(self) -> int:
        return len(self._entries)

    def __iter__(self) -> Iterator[KeyFields]:
        return iter(self._entries)

    def get(self, key: KeyFields) -> Entry | None:
        """Return what is held for a key, or None."""
        found = self._entries.get(key)
        return None if found is None else found[1]

    def items(self) -> Iterator[tuple[KeyFields, Entry]]:
        """Yield all that is held, in the order in which it began."""
        for key, (_, entry) in self._entries.items():
            yield key, entry

    def begin(self, key: KeyFields, entry: Entry) -> None:
        """Hold an entry, in place of another one of its key; who adds octets to it counts them in ``octets``."""
        if key in self._entries:
            self.end(key)
        self._begun += 1
        self._entries[key] = (self._begun, entry)
        self._by_sender[key[0]] = self._by_sender.get(key[0], 0) + 1
        self.octets += entry.received
        if len(self._ages) > 2 * len(self._entries) + _SPARE:
            self._ages = [
                (held.started_s, number, other) for other, (number, held) in self._entries.items()
            ]
            heapify(self._ages)
        else:
            heappush(self._ages, (entry.started_s, self._begun, key))

    def end(self, key: KeyFields) -> Entry | None:
        """Return what was held for a key, and hold it no longer."""
        found = self._entries.pop(key, None)
        if found is None:
            return None
        self.octets -= found[1].received
        left = self._by_sender.pop(key[0]) - 1
        if left:
            self._by_sender[key[0]] = left
        elif not self._entries:
            self._ages.clear()
        return found[1]

    def first_to_go(self, newest: KeyFields) -> KeyFields:
        """Return which to give up for room: the oldest of the sender with most, and the newest only if it is alone.

        So who begins many and ends none loses those, and not what others are sending.
        """
        most = max(self._by_sender.values())
        others = (key for key in self._entries if key != newest)
        return next((key for key in others if self._by_sender[key[0]] == most), newest)

    def sort(self, began: Callable[[Entry], int]) -> None:
        """Put entries into the order that ``began`` tells, where some came here after others that began later."""
        ordered = sorted(self._entries.items(), key=lambda one: began(one[1][1]))
        self._entries = OrderedDict(
            (key, (at, held)) for at, (key, (_, held)) in enumerate(ordered)
        )
        self._begun = len(ordered)
        self._ages = [(held.started_s, at, key) for key, (at, held) in self._entries.items()]
        heapify(self._ages)

    def expire(self, time_s: float, timeout_s: float) -> list[tuple[KeyFields, Entry]]:
        """Return those whose time-out is over at a time, in the order in which they began; hold them no longer."""
        if not self._ages or time_s - self._ages[0][0] <= timeout_s:
            return []
        old = []
        while self._ages and time_s - self._ages[0][0] > timeout_s:
            _, number, key = heappop(self._ages)
            found = self._entries.get(key)
            if found is not None and found[0] == number:
                self.end(key)
                old.append((number, key, found[1]))
        return [(key, entry) for _, key, entry in sorted(old, key=lambda one: one[0])]
