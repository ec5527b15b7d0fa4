"""Datagrams in several frames of which not all came over their first link: sent, and not arrived unless that was told.

The first part names the flow. A message that counts itself is missing among the numbers: there such a datagram takes
the place of one, and none beside them.
"""

from bisect import bisect
from collections import OrderedDict
from collections.abc import Collection, Iterable, Iterator, Sequence

from lowpanbudget.capture.beginnings import Piece
from lowpanbudget.capture.crossings import Crossing, HeardFrame
from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.capture.recent import Recent
from lowpanbudget.deployment.flows_seen import FlowJourneys
from lowpanbudget.deployment.journeys import SECOND, WAY_S, Journey, Tries
from lowpanbudget.deployment.unread import filled
from lowpanbudget.values import dataclass, field

MOST_OPEN = 512
_MOST_SENDERS = 4096
_MOST_PARTS = 64  # of one datagram, sent again ones among them


@dataclass(slots=True, eq=False)
class BegunDatagram:
    """A datagram on one link: the first part, which names its flow, and the last one heard.

    ``of`` is what all its parts have in common, ``parts`` are the frames that bring them. ``is_whole``: all of it was
    heard here in time, ``is_over``: nothing more is to come; ``is_told``: its receiver said that all came.
    """

    of: object = None
    crossing: Crossing | None = None
    number: int = 0
    first: Tries | None = None
    last: Tries | None = None
    last_ns: int | None = None
    is_whole: bool = False
    is_over: bool = False
    is_told: bool = False
    parts: list[Tries] = field(default_factory=list)

    def hear(self, frame: HeardFrame, piece: Piece | None, tries: Tries | None) -> None:
        """Take a part."""
        self.last_ns = frame.time_ns
        self.last = tries or self.last
        if tries is not None and len(self.parts) < _MOST_PARTS:
            self.parts.append(tries)
        if piece is None:
            return
        self.is_whole |= piece.is_whole
        self.is_over = piece.is_over
        if self.crossing is None and piece.begins is not None:
            self.crossing, self.number, self.first = piece.begins, frame.number, tries

    def is_past(self, now_ns: int | None) -> bool:
        """Return whether nothing more of it comes."""
        if now_ns is None or self.last_ns is None:
            return self.is_over
        return self.is_over or now_ns - self.last_ns > WAY_S * SECOND

    def journey(self) -> Journey | None:
        """Return its way, which ends here; None for one that is whole, or of which nothing tells whose it is.

        It has no ``left`` where it was heard further on.
        """
        crossing, first = self.crossing, self.first
        if crossing is None or first is None or self.is_whole or first.is_old:
            return None
        found = Journey(crossing, first.first_ns, self.number, tried=tuple(self.parts))
        if crossing.at_origin:
            found.left, found.left_limit = first, crossing.hop_limit
            found.left_mesh = crossing.mesh_left
        found.limits.add(crossing.left)
        found.last, found.last_left, found.seen_ns = self.last, crossing.left, self.last_ns
        found.is_stopped, found.is_told = True, self.is_told and crossing.at_end
        return found


class StoppedSeen:
    """Collects them, up to ``most``, in the order in which they ended."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._open = OrderedDict[object, BegunDatagram]()
        self._latest = Recent[bytes, Tries](_MOST_SENDERS)
        self._found: list[Journey] = []
        self.further: list[Journey] = []  # not whole on a later link, by when that was over
        self.beyond = 0

    def hear(self, frame: HeardFrame, piece: Piece | None, tries: Tries | None) -> None:
        """Take a frame, what it brings of a datagram, and its tries where it is sent the first time."""
        if tries is not None and tries.sequence is not None:
            self._latest.renew(tries.sender, tries)
        if piece is None or piece.key is None:
            return
        begun = self._open.get(piece.key)
        if begun is None or begun.of is not piece.of:
            if begun is not None:
                self.end(self._open.pop(piece.key))
            begun = self._open[piece.key] = BegunDatagram(piece.of)
            if len(self._open) > MOST_OPEN:
                self.end(self._open.popitem(last=False)[1])
        begun.hear(frame, piece, tries)

    def end(self, begun: BegunDatagram) -> None:
        """Take a datagram of which nothing more comes."""
        journey = begun.journey()
        if journey is not None and journey.left is not None:
            self.add((journey,))
        elif journey is not None and len(self.further) < self._most:
            self.further.append(journey)

    def add(self, journeys: Iterable[Journey]) -> None:
        """Take ways that end where not all of a datagram was heard."""
        for journey in journeys:
            if len(self._found) < self._most:
                self._found.append(journey)
            else:
                self.beyond += 1

    def journeys(self, last_ns: int | None, answering: Collection[bytes]) -> list[Journey]:
        """Return all that ended before ``last_ns``, by when they were heard; ``answering`` are heard to acknowledge.

        Of those nobody acknowledges, or whose frames are not numbered, or behind which their sender was heard no more,
        nobody knows how they went on.
        """
        for begun in self._open.values():
            if begun.is_past(last_ns):
                self.end(begun)
        self._open.clear()
        self.judge(self._found, answering)
        return sorted(self._found, key=lambda one: one.number)

    def judge(self, journeys: Iterable[Journey], answering: Collection[bytes]) -> None:
        """Note of those that stopped whether it is known how they went on."""
        for one in journeys:
            last = one.last
            one.is_unsure = one.is_stopped and (
                last is None
                or last.receiver not in answering
                or last.sequence is None
                or self._latest.get(last.sender) is last
            )


def with_stopped(
    groups: Sequence[FlowJourneys], stopped: Sequence[Journey]
) -> tuple[list[FlowJourneys], int]:
    """Return the flows with these datagrams among theirs, and how many may be of several messages: they are left out.

    One that was heard whole further on was only not heard whole on its first link: it left there, and counts once.
    """
    found, unknown = list(groups), 0
    for flow, ours in _by_flow(stopped):
        places = [place for place, group in enumerate(found) if group.flow == flow]
        left = _without_later([found[place] for place in places], ours)
        if not left:
            continue
        if not places:
            found.append(FlowJourneys(flow, None, left, [one.is_told for one in left], None, 0))
            continue
        sizes = {one.crossing.size for one in left}
        for size in sorted(sizes):
            those = [one for one in left if one.crossing.size == size]
            place = _place_of(found, places, size)
            if place is None:
                unknown += len(those)
            else:
                found[place] = _joined(found[place], those)
    return found, unknown


def _by_flow(journeys: Sequence[Journey]) -> Iterator[tuple[FlowKey, list[Journey]]]:
    flows: dict[FlowKey, list[Journey]] = {}
    for one in journeys:
        flows.setdefault(one.crossing.flow, []).append(one)
    yield from flows.items()


def _without_later(groups: Sequence[FlowJourneys], stopped: Sequence[Journey]) -> list[Journey]:
    """Return those that were not heard later either; those that were are told as left there."""
    later = sorted(
        (one for group in groups for one in group.journeys if one.left is None),
        key=lambda one: one.number,
    )
    left = []
    for one in stopped:
        place = next((at for at, other in enumerate(later) if _is_of(one, other)), None)
        if place is None:
            left.append(one)
            continue
        other = later.pop(place)
        other.left = one.left
        other.left_limit, other.left_mesh = one.left_limit, one.left_mesh
    return left


def _is_of(stopped: Journey, later: Journey) -> bool:
    """Return whether a datagram that was heard further on alone may be one that began here."""
    one, other = stopped.crossing, later.crossing
    if one.application != other.application or other.left >= one.left:
        return False
    if later.number < stopped.number:
        return False
    if stopped.heard_ns is None or later.heard_ns is None:
        return True
    return 0 <= later.heard_ns - stopped.heard_ns <= WAY_S * SECOND


def _place_of(groups: Sequence[FlowJourneys], places: Sequence[int], size: int) -> int | None:
    """Return which of these groups has datagrams of this size, the only one if none has; None where several may."""
    alike = [
        place
        for place in places
        if any(one.crossing.size == size for one in groups[place].journeys)
    ]
    found = alike or places
    if len(found) > 1:  # what nobody could read may be of any message
        found = [place for place in found if groups[place].message is not None]
    return found[0] if len(found) == 1 else None


def _joined(group: FlowJourneys, stopped: Sequence[Journey]) -> FlowJourneys:
    """Return a group with such datagrams among its own, each with what the design says of those."""
    like = group.journeys[0].crossing
    for one in stopped:
        one.crossing = one.crossing._replace(
            flow_name=like.flow_name,
            down=like.down,
            message=like.message,
            application=next(
                (
                    other.crossing.application
                    for other in group.journeys
                    if other.crossing.size == one.crossing.size
                ),
                one.crossing.application,
            ),
        )
    more = FlowJourneys(
        group.flow, group.message, list(stopped), [one.is_told for one in stopped], None, 0
    )
    if group.numbers is not None:
        whole, left = filled(group, more)
        last = group.journeys[-1].number
        behind = () if left is None else (one for one in left.journeys if one.number > last)
        return whole._replace(begun=(*group.begun, *behind))
    journeys, arrived = list(group.journeys), list(group.arrived)
    for one in stopped:
        at = bisect(journeys, one.number, key=lambda journey: journey.number)
        journeys.insert(at, one)
        arrived.insert(at, one.is_told)
    return group._replace(journeys=journeys, arrived=arrived)
