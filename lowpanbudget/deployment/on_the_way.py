"""Where messages wait on their way, and where those are lost that do not arrive: at the hop where that happens."""

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import NamedTuple

from lowpanbudget.capture.follow.flows import FlowKey
from lowpanbudget.deployment.journeys import SECOND, WAY_S, Journey
from lowpanbudget.shown import shown_named


class RelayWait(NamedTuple):
    """How long messages waited in a node that sent them on, in seconds, in the middle of so many."""

    node: bytes
    median_s: float
    messages: int

    def __repr__(self) -> str:
        return shown_named(self, "node")


class LostOnLink(NamedTuple):
    """Messages that did not arrive, as far as heard here, and were heard last from ``sender`` to ``receiver``.

    ``taken`` so many of them that node has, by its acknowledgement or as the other tried no more: it kept them, or sent
    them on unheard. Of a message in several frames it is the one that went no further.
    """

    sender: bytes
    receiver: bytes
    messages: int
    taken: int = 0

    def __repr__(self) -> str:
        return shown_named(self, "sender", "receiver")


def lost_seen(
    journeys: Sequence[Journey],
    arrived: Sequence[bool],
    answering: Collection[bytes],
    most_tries: int,
) -> list[LostOnLink]:
    """Return where messages were heard last that did not arrive, the most first; ``answering`` nodes acknowledge."""
    links: dict[tuple[bytes, bytes], list[bool]] = defaultdict(list)
    for one, is_in in zip(journeys, arrived, strict=True):
        stop = one.stop(answering, most_tries)
        if stop is not None and not is_in and not (one.at_end and one.sum_wrong):
            links[stop.sender, stop.receiver].append(stop.was_taken(answering, most_tries))
    return _in_order(LostOnLink(*link, len(taken), sum(taken)) for link, taken in links.items())


def lost_together(flows: Sequence[Sequence[LostOnLink]]) -> list[LostOnLink]:
    """Return the same of several flows together."""
    links: dict[tuple[bytes, bytes], LostOnLink] = {}
    for one in (one for flow in flows for one in flow):
        known = links.get(one[:2], one._replace(messages=0, taken=0))
        messages, taken = known.messages + one.messages, known.taken + one.taken
        links[one[:2]] = known._replace(messages=messages, taken=taken)
    return _in_order(links.values())


def _in_order(links: Iterable[LostOnLink]) -> list[LostOnLink]:
    """Return links, those with the most messages first."""
    return sorted(links, key=lambda one: (-one.messages, one))


def stopped_further(
    flows: Sequence[tuple[FlowKey, Sequence[Journey], Sequence[bool]]], further: Sequence[Journey]
) -> None:
    """Note of ways that ended where not all of a datagram came over a later link: it was lost there.

    Fragments that are forwarded one by one come as far as they come (RFC 8930, RFC 8931). Such a link is of the last
    datagram of its flow and size before it; of several the first one counts.
    """
    by_flow: dict[tuple[FlowKey, int], list[tuple[int, Journey, bool]]] = defaultdict(list)
    for flow, journeys, arrived in flows:
        for one, is_in in zip(journeys, arrived, strict=True):
            if one.heard_ns is not None:
                by_flow[flow, one.crossing.size].append((one.heard_ns, one, is_in))
    for ways in by_flow.values():
        ways.sort(key=lambda way: way[0])
    first: dict[int, Journey] = {}
    for one in further:
        if one.heard_ns is None:
            continue
        ways = by_flow.get((one.crossing.flow, one.crossing.size), [])
        place = bisect_right(ways, one.heard_ns, key=lambda way: way[0]) - 1
        if place < 0:
            continue
        heard_ns, journey, is_in = ways[place]
        is_near = one.heard_ns - heard_ns <= WAY_S * SECOND
        if is_in or journey.at_end or not is_near or one.last_left >= journey.last_left:
            continue
        known = first.get(id(journey))
        if known is None or one.last_left > known.last_left:
            first[id(journey)] = one
            journey.tried = one.tried


def by_flow(
    journeys: list[Journey],
) -> Iterator[tuple[tuple[FlowKey, str | None], list[Journey]]]:
    """Yield the journeys of each flow and message, in their order."""
    groups: dict[tuple[FlowKey, str | None], list[Journey]] = {}
    for one in journeys:
        groups.setdefault((one.crossing.flow, one.crossing.message), []).append(one)
    yield from groups.items()
