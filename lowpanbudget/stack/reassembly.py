"""Fragments put together again: frames and their times go in, events come out. No clock, no input or output.

RFC 4944 section 5.3: fragments of one datagram share link source, link destination, size and tag; an overlap that
differs in size or offset discards what was collected; the timer of at most 60 s starts with the first fragment.

RFC 8931: recoverable fragments share the link addresses and the tag. What they make up is compressed: it is expanded
once it is whole, between the link addresses of the frames that brought it.
"""

from collections.abc import Mapping
from ipaddress import IPv6Address
from typing import Any

from lowpanbudget.arguments import is_quantity, whole_number
from lowpanbudget.env import Env
from lowpanbudget.errors import RequestError, repeated
from lowpanbudget.layers.lowpan.addresses import UnknownContext, UnknownRoot
from lowpanbudget.layers.lowpan.fragment import CITE, TIMEOUT_S, Fragment, HeadersCut
from lowpanbudget.layers.lowpan.mesh import Mesh
from lowpanbudget.layers.lowpan.recovery import Rfrag, RfragAck
from lowpanbudget.shown import showing
from lowpanbudget.stack.absorbed import AbsorbedDatagrams, expanded
from lowpanbudget.stack.collected import Collected
from lowpanbudget.stack.events import Complete, Event, Ignored, discarded, timed_out
from lowpanbudget.stack.fed import check_time, no_frame
from lowpanbudget.stack.fragment_key import FragmentKey, KeyFields, fields_of
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.held import HeldDatagrams
from lowpanbudget.stack.pieces import (
    Fate,
    FragmentArrival,
    FragmentedDatagram,
    Pieces,
    SentFragment,
    sent_fragment,
)
from lowpanbudget.stack.sent import SentDatagrams

_UNREAD = UnknownContext | UnknownRoot | HeadersCut
_LAST_UNREAD = "the last fragment of a datagram that cannot be read"
_MOST = 1 << 32  # datagrams: no memory holds more
_LATE = 2  # time-outs that a sender may pause: what goes on later is taken for another datagram; our choice


class Reassembler:
    """Collects fragments of many datagrams at once, in bounded memory.

    At most ``max_datagrams`` are open and ``max_octets`` held; beyond that the oldest of the sender that has most open
    is given up. Of what was sent, twice as many datagrams are known, of at most 256 fragments each. Times come from the
    frames. ``contexts``, ``root`` and ``rpi_type`` (as in ``Env``) expand what recoverable fragments bring. Raises
    ``RequestError`` for a time-out over 60 s or bounds below one.
    """

    __slots__ = (
        "_absorbed", "_arrival", "_env", "_max_datagrams", "_max_octets", "_open", "_sent", "_timeout_s",
    )  # fmt: skip
    __repr__ = showing("timeout_s", "held")

    def __init__(
        self,
        contexts: Mapping[int, Any] | None = None,
        timeout_s: float = TIMEOUT_S,
        max_datagrams: int = 256,
        max_octets: int = 1 << 20,
        root: IPv6Address | str | None = None,
        rpi_type: int = 0x63,
    ) -> None:
        if not is_quantity(timeout_s) or not 0 < timeout_s <= TIMEOUT_S:
            raise RequestError(
                f"a time-out of {repeated(timeout_s)} s is not in 0 to {TIMEOUT_S} s", cite=CITE
            )
        max_datagrams = whole_number(max_datagrams, "max_datagrams", 1, _MOST)
        max_octets = whole_number(max_octets, "max_octets", 1)
        self._env = Env(contexts=contexts, root=root, rpi_type=rpi_type)
        self._timeout_s = timeout_s
        self._max_datagrams = max_datagrams
        self._max_octets = max_octets
        self._arrival: FragmentArrival | None = None
        # whole ones among them
        self._sent = SentDatagrams(2 * max_datagrams, _LATE * timeout_s, timeout_s)
        self._open: HeldDatagrams[Pieces | Collected] = HeldDatagrams()
        self._absorbed = AbsorbedDatagrams()

    @property
    def timeout_s(self) -> float:
        """Return how long a datagram may take, in seconds from its first fragment."""
        return self._timeout_s

    @property
    def arrival(self) -> FragmentArrival | None:
        """Return the fragment in the frame that was fed last, and what its datagram was sent in; None for others.

        It goes on with the next frames: read it before.
        """
        return self._arrival

    def renew(self, env: Env) -> None:
        """Expand with these surroundings from now on."""
        self._env = Env.of(env)

    @property
    def held(self) -> int:
        """Return how many octets of datagrams are kept at the moment."""
        return self._absorbed.octets + self._open.octets

    def feed(self, frame: Frame, time_s: float = 0.0, mark: object = None) -> list[Event]:
        """Return the events that this frame causes, time-outs of others first.

        ``frame`` comes from ``decode_frame``, ``time_s`` is when it was heard, in seconds from any start. A ``mark`` is
        kept with a fragment, and given back with what becomes of it. Raises ``RequestError`` for what is neither.
        """
        if not isinstance(frame, Frame):
            raise no_frame(frame)
        check_time(time_s)
        fragment = frame.fragment
        if isinstance(fragment, Fragment) and frame.fault is None:
            octets = frame.fragment_octets
            sent = sent_fragment(fragment.offset, octets, time_s, mark, first=fragment.first)
            return self._put_in(fields_of(frame, fragment), sent, octets, frame)
        self._arrival = None
        events = self._expire(time_s)
        if frame.fault is not None:
            events.append(Ignored(f"the frame has a fault: {frame.fault}"))
            events += self._begin_unread(frame, time_s, mark)
        elif isinstance(fragment, Rfrag):
            events += self._recover(frame, fragment, time_s, mark)
        else:
            ack = next((layer for layer in frame.layers if isinstance(layer, RfragAck)), None)
            if frame.datagram is None and ack is not None:
                events.append(self._acknowledged(frame, ack))
            elif frame.datagram is None:
                events.append(Ignored("the frame holds no datagram and no fragment"))
            else:
                events.append(Complete(frame.datagram, None, 1, time_s, time_s))
        return events

    def marks(self, frame: Frame) -> list[Any]:
        """Return the marks of the open datagram that a frame's fragment belongs to; none for another frame."""
        if not isinstance(frame, Frame):
            raise no_frame(frame)
        if frame.fragment is None:
            return []
        return self._marks_of(fields_of(frame, frame.fragment))

    def _marks_of(self, key: KeyFields) -> list[Any]:
        """Return the marks of the open datagram with the fields of a key; none where there is none."""
        entry = self._open.get(key)
        return [] if entry is None else entry.marks

    def expired(self, time_s: float) -> list[FragmentedDatagram]:
        """Return what was not sent in full, once its sender has been silent for a time-out; each datagram once."""
        check_time(time_s)
        return self._sent.expire(time_s - self._timeout_s)

    def close(self, time_s: float | None = None) -> list[Event]:
        """Return a ``Discarded`` for each datagram that is still open, and forget them.

        Where the input is known to have gone on until ``time_s``, it is a ``TimedOut`` for those whose time was over.
        """
        if time_s is not None:
            check_time(time_s)
        events: list[Event] = [] if time_s is None else list(self._expire(time_s))
        events += [
            discarded(key, entry, "the input ended before the datagram was whole")
            for key, entry in self._open.items()
        ]
        self._open = HeldDatagrams()
        return events

    def _expire(self, time_s: float) -> list[Event]:
        self._absorbed.expire(time_s)
        over = self._open.expire(time_s, self._timeout_s)
        return [timed_out(key, entry) for key, entry in over] if over else []

    def _is_late(self, like: Frame, datagram: FragmentedDatagram, time_s: float) -> bool:
        """Return whether a mesh passes on what a datagram had that became whole not long ago: tags are used again."""
        past_s = time_s - datagram.fragments[-1].time_s
        is_over = datagram.fate is Fate.WHOLE and past_s <= self._timeout_s
        return is_over and any(isinstance(one, Mesh) for one in like.layers)

    def _put_in(
        self, key: KeyFields, sent: SentFragment, octets: bytes, like: Frame
    ) -> list[Event]:
        """Return the events that a fragment of a frame ``like`` this one causes, time-outs of others first."""
        start, time_s, mark = sent.start, sent.time_s, sent.mark
        events, alike = self._expire(time_s), False
        entry = self._open.get(key)
        meets = isinstance(entry, Pieces) and start < entry.reach
        if meets and isinstance(entry, Pieces):
            piece = entry.pieces.get(start)
            alike = piece is not None and len(piece) == len(octets)
            if alike and piece != octets:
                # the same place with other octets: no copy, and nothing of the two belongs together
                reason = "other octets at the same place: another datagram under its tag, or a damaged copy"
                events.append(discarded(key, entry, reason, contradicted=True))
                self._sent.replace(entry.sent)
                entry = None
        self._arrival = arrival = self._sent.arrive(key, sent)
        datagram = arrival.datagram
        if isinstance(entry, Pieces):
            if entry.sent.fate is Fate.OVERLAPPING:
                entry.sent = datagram  # what is held goes on with it
            if alike:
                return [*events, Ignored(f"a duplicate of the fragment at octet {start}")]
            less = entry.overlap(start, sent.end) if meets else 0
            self._open.octets -= less or 0
            if less is None:
                reason = f"the fragment at octet {start} overlaps another with a different extent"
                events.append(discarded(key, entry, reason, contradicted=True))
                entry = None
                self._sent.end(datagram, Fate.OVERLAPPING)
        elif arrival.repeated and self._is_late(like, datagram, time_s):
            # a mesh passes each on, after those behind it: held, they would stand in the way of the next under this tag
            return [*events, Ignored(f"a fragment at octet {start} of a datagram that is whole")]
        if not isinstance(entry, Pieces):
            entry = Pieces(datagram, time_s)
            self._open.begin(key, entry)
        entry.keep(start, octets)
        self._open.octets += len(octets)
        if mark is not None:
            entry.marks.append(mark)
        if sent.first:
            entry.first = like
        entry.checksum_elided |= like.checksum_elided
        is_whole = entry.is_whole
        # where the time ran out in between, or the first could not be read, more was sent than is held
        if is_whole or (len(datagram.fragments) > len(entry.pieces) and datagram.is_whole):
            self._sent.end(datagram, Fate.WHOLE)
        if datagram.fate is Fate.WHOLE and datagram.begins_unread:
            self._open.end(key)
            return [*events, Ignored(_LAST_UNREAD)]
        if is_whole:
            self._open.end(key)
            told = len(entry.pieces), entry.started_s, time_s, tuple(entry.marks)
            events.append(Complete(entry.datagram(), datagram.key, *told))
        if self.held > self._max_octets or len(self._open) > self._max_datagrams:
            events += self._shed(key)
        return events

    def _begin_unread(self, frame: Frame, time_s: float, mark: object) -> list[Event]:
        """Note that a datagram begins that cannot be read; what goes on with it says whether it was sent."""
        fragment = next((one for one in frame.layers if isinstance(one, Fragment | Rfrag)), None)
        about = None if frame.fault is None else frame.fault.about
        if fragment is None or not fragment.first or not isinstance(about, _UNREAD):
            return []
        if isinstance(fragment, Rfrag):
            return self._recover(frame, fragment, time_s, mark)
        key, sent = fields_of(frame, fragment), SentFragment(0, 0, time_s, True, mark)
        self._arrival = arrival = self._sent.arrive(key, sent)
        datagram = arrival.datagram
        if datagram.is_whole:
            self._sent.end(datagram, Fate.WHOLE)
            self._open.end(key)
            return []
        entry = self._open.get(key)
        if entry is None:
            entry = Pieces(datagram, time_s)
            self._open.begin(key, entry)
        if mark is not None and not arrival.repeated:
            entry.marks.append(mark)
        return self._shed(key)

    def _recover(self, frame: Frame, fragment: Rfrag, time_s: float, mark: object) -> list[Event]:
        """Add a recoverable fragment; one that contradicts what is there ends that, as an overlap does above."""
        key = fields_of(frame, fragment)
        octets = frame.fragment_octets or (frame.payload or b"")[-fragment.length :]
        if fragment.abort:
            return [self._abort(key, "the sender aborted the datagram")]
        if self._absorbed.absorbs(key, fragment, octets):
            return [Ignored(f"fragment {fragment.sequence} of a datagram that is whole already")]
        events: list[Event] = []
        entry = self._open.get(key)
        if isinstance(entry, Collected):
            if entry.holds(fragment, octets):
                return [Ignored(f"a duplicate of fragment {fragment.sequence}")]
            if reason := entry.contradiction(fragment, octets):
                events.append(discarded(key, entry, reason, contradicted=True))
                entry = None
        if not isinstance(entry, Collected):
            entry = Collected(time_s, follows=bool(events), copies=self._absorbed.digests(key))
            self._open.begin(key, entry)
        before = entry.received
        entry.add(fragment, octets)
        entry.unread |= frame.fault is not None
        self._open.octets += entry.received - before
        if mark is not None:
            entry.marks.append(mark)
        compressed = entry.compressed()
        if compressed is not None:
            self._open.end(key)
            self._absorbed.add(key, entry, time_s)
            whole = expanded(frame, compressed, self._env)
            if entry.unread:
                events.append(Ignored(_LAST_UNREAD))
            elif isinstance(whole, str):
                events.append(discarded(key, entry, whole))
            else:
                told = (len(entry.parts), entry.started_s, time_s, tuple(entry.marks))
                events.append(Complete(whole, FragmentKey(*key), *told, entry.follows))
        return events + self._shed(key)

    def _abort(self, key: KeyFields, reason: str) -> Event:
        entry = self._open.end(key)
        if entry is None:
            return Ignored(f"{reason}, of which nothing was held")
        return discarded(key, entry, reason)

    def _acknowledged(self, frame: Frame, ack: RfragAck) -> Event:
        """Return what an acknowledgement, on its way back to the sender, changes: a NULL bitmap aborts."""
        if ack.aborted:
            key = FragmentKey.answered(frame, ack).fields
            return self._abort(key, "the receiver aborted the datagram")
        return Ignored("an acknowledgement of fragments")

    def _shed(self, newest: KeyFields) -> list[Event]:
        events: list[Event] = []
        self._absorbed.shed(self._max_datagrams, self._max_octets - self._open.octets)
        while len(self._open) > self._max_datagrams or self.held > self._max_octets:
            key = self._open.first_to_go(newest)
            entry = self._open.end(key)
            if entry is None:
                break
            reason = "too many datagrams or octets were open"
            events.append(discarded(key, entry, reason, for_room=True))
            if isinstance(entry, Pieces):
                self._sent.give_up(entry.sent)
        return events
