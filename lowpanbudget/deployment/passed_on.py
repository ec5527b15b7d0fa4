"""Datagrams whose parts are passed on one by one, each followed from its first link to its last: counted once.

Of one datagram parts are on several links at once. It arrived where all of them came over a last link, whichever; what
did not come there was lost where it was heard last.
"""

from collections import OrderedDict
from collections.abc import Collection, Hashable, Iterable
from typing import NamedTuple

from lowpanbudget.capture.crossings import Crossing, HeardFrame
from lowpanbudget.capture.passed_parts import PassedPart
from lowpanbudget.deployment.journeys import SECOND, WAY_S, Journey, Tries
from lowpanbudget.values import dataclass, field

MOST_OPEN = 4096
_MOST_CROSSED = 2048  # links of the parts of one datagram, retries of its sender among them


class PartCrossed(NamedTuple):
    """A part on one link, and the frame that brought it there."""

    part: PassedPart
    tries: Tries
    number: int

    @property
    def link(self) -> tuple[bytes, bytes, int]:
        """Return sender, receiver, and the hops left."""
        return self.tries.sender, self.tries.receiver, self.part.left


@dataclass(slots=True, eq=False)
class PassedDatagram:
    """A datagram by what was heard of it: ``crossed`` are its parts on links, in their order.

    ``content`` is all that it holds, where its parts were heard on any links; ``begins`` what its first part tells.
    ``is_told``: who it is for said that all came.
    """

    size: int | None = None
    content: Crossing | None = None
    begins: Crossing | None = None
    last_ns: int | None = None
    is_told: bool = False
    crossed: list[PartCrossed] = field(default_factory=list)
    _places: dict[int, tuple[int, int]] = field(default_factory=dict)

    def fits(self, part: PassedPart) -> bool:
        """Return whether a part says what was said there before, and reaches into no other."""
        known = self._places.get(part.start)
        if known is not None:
            return known == (part.end, part.digest)
        if part.size is not None and self.size not in (None, part.size):
            return False
        return all(end <= part.start or part.end <= at for at, (end, _) in self._places.items())

    def takes(self, new: PartCrossed, *, copied: bool) -> bool:
        """Return whether a part is its own and not of another under its tag, of which this would be the second time.

        Who sends a whole datagram once more begins another, but with parts that are asked for again.
        """
        part = new.part
        if not self.fits(part):
            return False
        if not any(one.link == new.link and one.part.start == part.start for one in self.crossed):
            return True
        if part.recovers and not self.is_over:
            return True
        on_link = [one for one in self.crossed if one.link == new.link]
        return copied or not (part.start == 0 or self.covers(on_link))

    @property
    def was_whole(self) -> bool:
        """Return whether all of it was heard so many hops before its end, or there."""
        levels = {one.part.left for one in self.crossed}
        on_each = ([one for one in self.crossed if one.part.left == left] for left in levels)
        return self.is_over or any(map(self.covers, on_each))

    @property
    def is_over(self) -> bool:
        """Return whether all of it came to its end, as heard here or as that said."""
        return self.is_told or self.covers(one for one in self.crossed if one.part.is_on_last)

    def came_to(self, new: PartCrossed) -> bool:
        """Return whether the same part was heard on its way to who sends it now."""
        return any(
            one.part.start == new.part.start and one.tries.receiver == new.tries.sender
            for one in self.crossed
        )

    def add(self, new: PartCrossed) -> None:
        """Take a part on a link."""
        part = new.part
        self.size = self.size if part.size is None else part.size
        self.begins = self.begins or part.begins
        self._places[part.start] = part.end, part.digest
        if len(self.crossed) < _MOST_CROSSED:
            self.crossed.append(new)

    def covers(self, crossed: Iterable[PartCrossed]) -> bool:
        """Return whether these parts are all of it."""
        at = 0
        for start, end in sorted({(one.part.start, one.part.end) for one in crossed}):
            if start > at:
                return False
            at = max(at, end)
        return self.size is not None and at >= self.size

    def is_past(self, now_ns: int | None) -> bool:
        """Return whether nothing more of it comes."""
        return (
            now_ns is not None
            and self.last_ns is not None
            and now_ns - self.last_ns > WAY_S * SECOND
        )

    # --- its way ------------------------------------------------------------------------------------------

    def journey(self, answering: Collection[bytes]) -> Journey | None:
        """Return its way; None where nothing tells whose it is, or where it was heard neither whole nor at its origin.

        ``answering`` are heard to acknowledge.
        """
        crossing = self.content or self.begins
        first = [one for one in self.crossed if one.part.is_on_first]
        last = [one for one in self.crossed if one.part.is_on_last]
        levels, is_whole = {one.part.left for one in self.crossed}, self.was_whole
        if crossing is None or not (first or is_whole) or self.crossed[0].tries.is_old:
            return None
        began = self.crossed[0]
        found = Journey(crossing, began.tries.first_ns, began.number)
        if first:
            found.left, found.left_limit = first[0].tries, crossing.hop_limit
            found.left_mesh = first[0].part.left
        inner, outer, _ = crossing.left
        found.limits = {(inner, outer, left) for left in levels}
        found.headers = {crossing.inner_limit}
        found.is_told, found.seen_ns = self.is_told, self.last_ns
        found.sum_wrong = crossing.sum_right is False
        found.at_end = self.covers(last)
        if found.at_end:
            self._ends(found, last)
        else:
            self._stops(found, answering)
        ends = last if found.at_end else self.crossed
        found.last_left = inner, outer, min(one.part.left for one in ends)
        found.is_stopped = not is_whole
        return found

    def _ends(self, journey: Journey, last: list[PartCrossed]) -> None:
        """Tell which frames brought it to its end, each part in the one that was acknowledged."""
        best: dict[int, PartCrossed] = {}
        came: dict[int, PartCrossed] = {}
        for one in last:
            came.setdefault(one.part.start, one)
            before = best.get(one.part.start)
            if before is None or (one.tries.answers and not before.tries.answers):
                best[one.part.start] = one
        journey.parts = tuple(one.tries for one in best.values())
        (*_, end) = came.values()
        journey.last = end.tries
        self._waits(journey, end)

    def _waits(self, journey: Journey, end: PartCrossed) -> None:
        """Tell how long the part that came last was in each node on the way."""
        way = [one for one in self.crossed if one.part.start == end.part.start]
        for one in way:
            came = next((other for other in way if other.tries.receiver == one.tries.sender), None)
            if came is None or came.tries.end_ns is None or one.tries.first_ns is None:
                continue
            if one.tries.first_ns >= came.tries.end_ns:
                journey.waits.append((one.tries.sender, one.tries.first_ns - came.tries.end_ns))

    def _stops(self, journey: Journey, answering: Collection[bytes]) -> None:
        """Tell where parts were heard last that did not come to its end: first one that nobody took there."""
        ended = {one.part.start for one in self.crossed if one.part.is_on_last}
        furthest: dict[int, PartCrossed] = {}
        for one in self.crossed:
            before = furthest.get(one.part.start)
            if before is None or one.part.left <= before.part.left:
                furthest[one.part.start] = one
        lost = [one for start, one in furthest.items() if start not in ended]
        lost = sorted(lost or furthest.values(), key=lambda one: -one.part.left)
        taken = [one for one in lost if one.tries.was_taken(answering)]
        stop = next((one for one in lost if one not in taken), lost[0])
        journey.parts, journey.last = tuple(one.tries for one in lost), stop.tries
        journey.goes_on, journey.runs_out = stop.part.goes_on, stop.part.runs_out


class PassedOn:
    """Follows them, in bounded memory; hands on those that are over, up to ``most``.

    ``answering`` are heard to acknowledge: they become more as frames are heard.
    """

    def __init__(self, most: int, answering: Collection[bytes]) -> None:
        self._most, self._answering = most, answering
        self._open = OrderedDict[Hashable, list[PassedDatagram]]()
        self._known: list[Journey] = []
        self._begun: list[Journey] = []  # of which nothing but the beginning is known
        self.beyond = 0

    def hear(self, frame: HeardFrame, part: PassedPart, tries: Tries | None) -> bool:
        """Take a part in a frame that is sent the first time; return whether all of it was heard on this link now.

        The crossing of the frame is what the datagram holds, where its parts are all here.
        """
        self._end_before(frame.time_ns)
        if tries is None:
            return False
        new = PartCrossed(part, tries, frame.number)
        known = self._open.setdefault(part.key, [])
        mine = [one for one in known if one.takes(new, copied=frame.copies is not None)]
        datagram = next((one for one in mine if one.came_to(new)), mine[-1] if mine else None)
        if datagram is None:
            datagram = PassedDatagram()
            known.append(datagram)
        datagram.add(new)
        datagram.last_ns = frame.time_ns
        datagram.content = datagram.content or frame.crossing
        self._open.move_to_end(part.key)
        if len(self._open) > MOST_OPEN:
            self._end(self._open.popitem(last=False)[1])
        return datagram.covers(one for one in datagram.crossed if one.link == new.link)

    def told(self, key: Hashable) -> None:
        """Take that the last datagram under a key came as a whole, as its receiver says."""
        for datagram in self._open.get(key, ())[-1:]:
            datagram.is_told = True

    def _end_before(self, now_ns: int | None) -> None:
        while self._open:
            key, datagrams = next(iter(self._open.items()))
            if not all(one.is_past(now_ns) for one in datagrams):
                return
            self._end(self._open.pop(key))

    def _end(self, datagrams: list[PassedDatagram]) -> None:
        for one in datagrams:
            journey = one.journey(self._answering)
            if journey is None:
                continue
            if len(self._known) + len(self._begun) >= self._most:
                self.beyond += 1
            else:
                (self._begun if one.content is None else self._known).append(journey)

    def journeys(self, last_ns: int | None) -> tuple[list[Journey], list[Journey]]:
        """Return the ways of all, and those of which nothing but the beginning is known.

        Of what may still have gone on behind ``last_ns``, without coming whole anywhere, nothing is told.
        """
        open_now = [one for datagrams in self._open.values() for one in datagrams]
        self._end([one for one in open_now if one.is_past(last_ns) or one.was_whole])
        self._open.clear()
        return [*_once(self._known)], self._begun


def _once(journeys: Iterable[Journey]) -> Iterable[Journey]:
    """Yield each message once that counts itself, in the order heard: its sender may say it again under another tag."""
    said: dict[int, Journey] = {}
    found = []
    for one in sorted(journeys, key=lambda journey: journey.number):
        before = said.get(one.crossing.mark)
        if one.crossing.own_number is None or before is None or not _is_again(before, one):
            found.append(one)
            said[one.crossing.mark] = one
            continue
        before.again += 1
        if one.left is not None:
            before.left_again += 1
            if before.left_again == 1:
                before.again_number, before.again_ns = one.number, one.heard_ns
        before.seen_ns = one.seen_ns
        if one.at_end and not before.at_end:
            before.at_end, before.is_stopped = True, False
            before.last, before.parts, before.last_left = one.last, one.parts, one.last_left
            before.waits, before.limits = one.waits, before.limits | one.limits
        before.is_told |= one.is_told
    return found


def _is_again(before: Journey, now: Journey) -> bool:
    if before.seen_ns is None or now.heard_ns is None:
        return True
    return now.heard_ns - before.seen_ns <= WAY_S * SECOND
