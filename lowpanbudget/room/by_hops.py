"""The room of a flow by its number of hops, each really encoded, and where it ends."""

from collections.abc import Iterable

from lowpanbudget.arguments import several
from lowpanbudget.declared import as_whole
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.errors import LowpanError, RequestError, repeated
from lowpanbudget.room.measure import room_of
from lowpanbudget.values import dataclass

MOST_HOPS = 254  # of a flow in a design file


@dataclass(frozen=True, slots=True)
class HopRoom:
    """The room of a flow over so many ``hops``: on the ``first`` and, where there are several, on a ``forwarded`` one.

    Octets in one frame; below 0, by how many the headers alone are over. Both are None, and ``refused`` says why, where
    the flow cannot go so far.
    """

    hops: int
    first: int | None
    forwarded: int | None
    refused: str = ""

    @property
    def room(self) -> int | None:
        """Return the room on the worst hop; None where the flow cannot go so far."""
        if self.first is None or self.forwarded is None:
            return self.first
        return min(self.first, self.forwarded)


@dataclass(frozen=True, slots=True)
class RoomByHops:
    """The rooms of a flow by its number of hops; ``hops`` is the design's own.

    ``deepest``: the most hops with room for an octet, of at most 254; None where there is none on a single one. ``end``
    is what one hop more would have, None where 254 hops are not the end.
    """

    flow: str
    direction: str
    hops: int
    rooms: tuple[HopRoom, ...]
    deepest: int | None
    end: HopRoom | None


def room_by_hops(design: Design, hops: Iterable[int], flow: str | None = None) -> list[RoomByHops]:
    """Return a ``RoomByHops`` for the flow of this name, or for each, over these numbers of hops.

    A source route grows and shrinks with the hops, over routers with stand-in addresses. Raises ``RequestError`` for
    what is no design, a flow that it does not have, and numbers of hops that no flow can have, or none.
    """
    design = Design.of(design)
    hint = f"Give numbers from 1 to {MOST_HOPS}"
    given = []
    for one in several(hops, "hops"):
        number = as_whole(one)
        if number is None or not 1 <= number <= MOST_HOPS:
            raise RequestError(f"{repeated(one)} is no number of hops", hint=hint)
        given.append(number)
    if not given:
        raise RequestError("there is no number of hops", hint=hint)
    asked = tuple(dict.fromkeys(given))
    flows = design.flows if flow is None else (design.flow(flow),)
    return [_by_hops(design, one, asked) for one in flows]


def _by_hops(design: Design, flow: Flow, asked: tuple[int, ...]) -> RoomByHops:
    rooms = tuple(_over(design, flow, hops) for hops in asked)
    deepest, beyond = 0, MOST_HOPS + 1
    for one in rooms:  # what is known already: more hops never leave more
        if one.room is not None and one.room > 0:
            deepest = max(deepest, one.hops)
        else:
            beyond = min(beyond, one.hops)
    while beyond - deepest > 1:
        # what ends soon is found soon
        middle = min(2 * deepest + 1, (deepest + beyond) // 2) if deepest else 1
        room = _over(design, flow, middle).room
        if room is not None and room > 0:
            deepest = middle
        else:
            beyond = middle
    end = None if beyond > MOST_HOPS else _over(design, flow, beyond)
    return RoomByHops(flow.name, flow.direction, flow.hops, rooms, deepest or None, end)


def _over(design: Design, flow: Flow, hops: int) -> HopRoom:
    try:
        rooms = {path.hop.name: room_of(path) for path in design.paths(flow.with_hops(hops))}
    except LowpanError as error:
        return HopRoom(hops, None, None, error.message)
    first = rooms.pop(FIRST)
    return HopRoom(hops, first, min(rooms.values(), default=None))
