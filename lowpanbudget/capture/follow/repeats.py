"""Frames that say again what was said: retransmissions, and copies under another number.

A retransmission keeps its sequence number (IEEE 802.15.4-2015 clause 6.7.4.3, from memory). The same contents under
another number within the time of retries are a copy that a receiver takes for news: of a data frame to one node, with
contents that say something, that nobody was heard to acknowledge. Else a node only says again what it has to say.
"""

from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

from lowpanbudget.capture.follow.old_frames import OldFrames
from lowpanbudget.capture.follow.parts import REPEAT_NS, Copied
from lowpanbudget.capture.recent import Recent
from lowpanbudget.layers.link.mac import BROADCAST, FrameType, Mac
from lowpanbudget.layers.link.stations import Station, station_of

if TYPE_CHECKING:
    from lowpanbudget.capture.follow.sighting import Sighting
    from lowpanbudget.capture.follow.templates import Template
    from lowpanbudget.stack.frame import Frame

MOST_SOURCES = 4096
DEPTH = 8  # frames of a source that are remembered
# an acknowledgement comes within that: longer than at any rate, shorter than to the next frame of a number; our choice
ACK_WITHIN_NS = 100_000_000
# a MAC gives up long before: four tries of 8 ms each at 2.4 GHz (common practice, no source)
COPY_NS = 10**8
LEAST_COPY = 5  # octets; fewer are the same by chance; our choice


class Seen(NamedTuple):
    """A frame of a source: ``contents`` is the hash of what must agree; ``answered``: an acknowledgement was heard."""

    number: int
    time_ns: int | None
    sequence: int | None
    contents: int
    answered: bool = False


class LastFrames:
    """The last ``frames`` of a source, and of each what must agree, where one that repeats is looked for first."""

    __slots__ = ("contents", "frames")

    def __init__(self, frames: Iterable[Seen]) -> None:
        self.frames = deque(frames, DEPTH)
        self.contents = deque([one.contents for one in self.frames], DEPTH)


class Again(NamedTuple):
    """The number of the frame that this one repeats, and the frame whose contents it has under another sequence."""

    repeats: int | None = None
    copied: Copied | None = None


class _Alike(NamedTuple):
    """What frames that are alike have in common: their link ends, whether they acknowledge, may be copied, command."""

    source: Station | None
    destination: bytes
    is_answer: bool
    may_be_copied: bool
    is_command: bool


_NO = Again()
_new = tuple.__new__


def may_be_copied(mac: Mac | None) -> bool:
    """Return whether the same contents under another number make such a frame a copy, where they are long enough."""
    return (
        mac is not None and mac.frame_type == FrameType.DATA and mac.destination not in _TO_NOBODY
    )


_TO_NOBODY = {None, BROADCAST}


def is_sealed(mac: Mac, payload: bytes | None) -> bool:
    """Return whether the payload of a frame came encrypted, and is not known in the clear."""
    security = mac.security
    return payload is None and security is not None and security.protection.encrypted


def link_ends(frame: "Frame") -> tuple[Station | None, bytes]:
    """Return the station that sent a frame on this link, and whom to: the number of a frame is that of a hop.

    What a mesh below IPv6 passes on is no frame of its originator (RFC 4944 section 5.2).
    """
    mac = frame.mac
    return (None, b"") if mac is None else (station_of(mac), mac.destination or b"")


def _alike(template: "Template") -> _Alike:
    """Return what frames after a template have in common, and note it there."""
    example = template.example
    mac = example.mac
    is_answer = mac is not None and mac.frame_type == FrameType.ACKNOWLEDGEMENT
    is_command = mac is not None and mac.frame_type == FrameType.COMMAND
    made = _Alike(*link_ends(example), is_answer, may_be_copied(mac), is_command)
    template.facts[_Alike] = made
    return made


class Repeats:
    """Remembers the last frames of each source, of so many sources that were heard last."""

    def __init__(self) -> None:
        self._sources = Recent[Station, LastFrames](MOST_SOURCES)
        self._last: tuple[LastFrames, Seen] | None = None  # of all sources
        self._old = OldFrames()

    def of(self, sighting: "Sighting", template: "Template") -> Again:
        """Return what a frame repeats that is read after a template; note it, or what it acknowledges.

        What it says of old frames that somebody sent once more is noted with its sighting.
        """
        known, payload = template.facts.get(_Alike), sighting.payload
        alike = known if isinstance(known, _Alike) else _alike(template)
        source, destination, is_answer, copied, is_command = alike
        if is_answer:
            self.answer(sighting.sequence)
        if payload is None:
            mac, copied = template.example.mac, False
            if mac is not None and is_sealed(mac, payload):
                # nobody here reads it: the same octets, integrity code and all, say the same, and others nothing
                payload = sighting.octets[mac.header_length : sighting.end]
        elif len(payload) < LEAST_COPY:
            copied = False
        if source is None or not payload:
            return _NO
        record = sighting.record
        again = self.see(
            source, record.number, record.time_ns, sighting.sequence, payload + destination, copied=copied
        )  # fmt: skip
        if again is not _NO or sighting.sequence is None:
            return again
        if copied:
            settled = self._old.take(
                source, destination, sighting.sequence, sighting.octets, record
            )
            if settled is not None:  # as good as never
                sighting.settled = settled
        elif is_command:
            self._old.ask(source[1])
        return again

    def answer(self, sequence: int | None) -> None:
        """Take an acknowledgement: it is for the frame before it where that has its number."""
        last, self._last = self._last, None
        if last is None or last[1].sequence != sequence:
            return
        seen, entry = last
        frames = seen.frames
        for place, other in enumerate(frames):
            if other is entry:
                frames[place] = entry._replace(answered=True)

    def see(
        self, source: Station, number: int, time_ns: int | None, sequence: int | None, contents: bytes,
        *, copied: bool = True,
    ) -> Again:  # fmt: skip
        """Return what a frame repeats; ``contents`` is what must agree: addresses and payload.

        ``copied`` tells whether the same under another number would be a copy.
        """
        mark = hash(contents)
        if self.is_new(source, number, time_ns, sequence, mark):
            return _NO
        seen = self._sources.get(source)
        again = _NO
        if seen is None:
            entry = Seen(number, time_ns, sequence, mark)
            seen = self._sources[source] = LastFrames((entry,))
            self._last = seen, entry
            return _NO
        for other in reversed(seen.frames):
            if other.contents != mark:
                continue
            past = None
            if time_ns is not None and other.time_ns is not None:
                past = time_ns - other.time_ns
            if other.sequence == sequence and sequence is not None:
                if past is None or 0 <= past <= REPEAT_NS:
                    self._last = seen, other
                    return Again(repeats=other.number)
            elif past is not None and 0 <= past <= COPY_NS:
                if copied and not other.answered:
                    again = Again(copied=Copied(other.number, other.sequence, past))
                break
        self.is_new(source, number, time_ns, sequence, mark, is_seen=True)
        return again

    def is_new(
        self, source: Station, number: int, time_ns: int | None, sequence: int | None, mark: int,
        *, is_seen: bool = False,
    ) -> bool:  # fmt: skip
        """Note a frame that none of the last ones of its source is like; return False, with nothing noted, for another.

        ``mark`` is the hash of what must agree. ``is_seen``: it is noted all the same.
        """
        seen = self._sources.get(source)
        if seen is None or (mark in seen.contents and not is_seen):
            return False
        entry = _new(Seen, (number, time_ns, sequence, mark, False))
        seen.frames.append(entry)
        seen.contents.append(mark)
        self._last = seen, entry
        self._sources.move_to_end(source)
        return True
