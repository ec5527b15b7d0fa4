"""Frames that say again what was said: retransmissions, and copies under another number.

A retransmission keeps its sequence number (IEEE 802.15.4-2015 clause 6.7.4.3, from memory). The same contents under
another number within the time of retries are a copy that a receiver takes for news.
"""

from collections import deque
from typing import NamedTuple

from lowpanbudget.capture.recent import Recent

MOST_SOURCES = 4096
DEPTH = 8  # frames of a source that are remembered
# how long retries of one frame may last, with a slot schedule too, and copies under another number; our choice
REPEAT_NS, COPY_NS = 8 * 10**9, 10**9


class Seen(NamedTuple):
    """A frame of a source: ``contents`` is the hash of what must agree."""

    number: int
    time_ns: int | None
    sequence: int | None
    contents: int


class Again(NamedTuple):
    """The number of the frame that this one repeats, and of the one whose contents it has under another sequence."""

    repeats: int | None = None
    copies: int | None = None


_NO = Again()
_new = tuple.__new__


class Repeats:
    """Remembers the last frames of each source, of so many sources that were heard last."""

    def __init__(self) -> None:
        self._sources = Recent[bytes, deque[Seen]](MOST_SOURCES)

    def see(
        self, source: bytes, number: int, time_ns: int | None, sequence: int | None, contents: bytes
    ) -> Again:
        """Return what a frame repeats; ``contents`` is what must agree: addresses and payload."""
        seen = self._sources.get(source)
        mark = hash(contents)
        entry = _new(Seen, (number, time_ns, sequence, mark))
        if seen is None:
            self._sources[source] = deque((entry,), DEPTH)
            return _NO
        again = _NO
        for other in reversed(seen):
            if other.contents != mark:
                continue
            past = None
            if time_ns is not None and other.time_ns is not None:
                past = time_ns - other.time_ns
            if other.sequence == sequence and sequence is not None:
                if past is None or 0 <= past <= REPEAT_NS:
                    return Again(repeats=other.number)
            elif past is not None and 0 <= past <= COPY_NS:
                again = Again(copies=other.number)
                break
        seen.append(entry)
        self._sources.move_to_end(source)
        return again
