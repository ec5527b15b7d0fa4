"""Why a transport checksum does not match: the reading of the datagram that makes it valid, by trying.

A checksum covers addresses that 6LoWPAN does not carry, so it remembers what the sender believed they were. Every
reading is tried on one side alone first, then the same on both; 16 bits match by chance once in 65535, so the few
readings that there are make a match strong, and the same reading in a second frame makes it certain.
"""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.errors import WireError
from lowpanbudget.findings.guesses import (
    CONTEXT,
    NO_READING,
    ROUTE,
    Segment,
    Try,
    guesses_of,
    other_destinations,
    with_options,
)
from lowpanbudget.findings.scene import Known, Whole
from lowpanbudget.layers.internet import chain, ipv6


class Reading(NamedTuple):
    """The reading that makes a checksum valid: its ``kind``, in words, and the addresses of the pseudo-header.

    ``carried`` and ``computed`` are the checksums; ``tried`` how many readings were, ``matches`` how many fit.
    """

    kind: str
    text: str
    source: IPv6Address
    destination: IPv6Address
    carried: int
    computed: int
    tried: int
    matches: int = 1


def segment_of(datagram: bytes) -> Segment | None:
    """Return the last UDP or ICMPv6 message of a datagram; None when there is none that can be read."""
    last = None
    try:
        for found in chain.walk(datagram):
            if found.kind in {ipv6.UDP, ipv6.ICMPV6}:
                last = found
            elif found.kind == ipv6.FRAGMENT:
                return None
    except WireError:
        return None
    if last is None:
        return None
    place = 6 if last.kind == ipv6.UDP else 2
    octets = datagram[last.offset :]
    if len(octets) < place + 2:
        return None
    blank = octets[:place] + b"\0\0" + octets[place + 2 :]
    carried = int.from_bytes(octets[place : place + 2], "big")
    return Segment(last.kind, blank, carried, last.offset, last.source, last.destination)


def _sum(segment: Segment, source: IPv6Address, destination: IPv6Address) -> int:
    value = ipv6.transport_checksum(source, destination, segment.kind, segment.octets)
    return value or 0xFFFF if segment.kind == ipv6.UDP else value


def mismatch(datagram: bytes) -> tuple[int, int] | None:
    """Return the checksum that a datagram carries and the right one, when they differ."""
    segment = segment_of(datagram)
    if segment is None:
        return None
    right = _sum(segment, segment.source, segment.destination)
    return None if right == segment.carried else (segment.carried, right)


def explain(whole: Whole, known: Known) -> Reading | None:
    """Return the reading that makes the datagram's checksum valid.

    Its kind is ``NO_READING`` when none does, or when several different ones do. None: the checksum is right, or there
    is none.
    """
    segment = segment_of(whole.octets)
    if segment is None:
        return None
    computed = _sum(segment, segment.source, segment.destination)
    if computed == segment.carried or (segment.kind == ipv6.UDP and segment.carried == 0):
        return None
    tried = 0
    found: list[list[Reading]] = []
    for level in (_one_side(whole, known, segment), _both_sides(whole, known, segment)):
        matches = []
        for kind, text, source, destination, value in level:
            tried += 1
            if value == segment.carried:
                matches.append(
                    Reading(kind, text, source, destination, segment.carried, computed, 0)
                )
        found.append(matches)
    simplest = found[0] or found[1]
    none = Reading(
        NO_READING, "no reading makes the checksum right", segment.source, segment.destination,
        segment.carried, computed, tried, 0,
    )  # fmt: skip
    if not simplest:
        return none
    kinds = {one.kind for one in simplest}
    alike = [one for one in (*found[0], *found[1]) if len(kinds) > 1 or one.kind in kinds]
    texts = list(dict.fromkeys(one.text for one in alike))
    if len(kinds) > 1:
        text = f"several readings make the checksum right: {' or '.join(texts)}"
        return none._replace(text=text, matches=len(texts))
    text = " or ".join(texts[:3])
    return simplest[0]._replace(text=text, tried=tried, matches=len(texts))


def _one_side(whole: Whole, known: Known, segment: Segment) -> Iterator[Try]:
    """Yield the readings that change one thing."""
    source, destination = segment.source, segment.destination
    shared = _same_context(whole)
    for guess in guesses_of(whole, known, source, "source"):
        if shared and guess.kind == CONTEXT:
            continue
        text = f"the source is {guess.address} ({guess.text})"
        yield (
            guess.kind,
            text,
            guess.address,
            destination,
            _sum(segment, guess.address, destination),
        )
    for guess in guesses_of(whole, known, destination, "destination"):
        if shared and guess.kind == CONTEXT:
            continue
        text = f"the destination is {guess.address} ({guess.text})"
        yield guess.kind, text, source, guess.address, _sum(segment, source, guess.address)
    for other in other_destinations(whole, segment):
        text = f"the pseudo-header holds {other}, not {destination}"
        yield ROUTE, text, source, other, _sum(segment, source, other)
    yield from with_options(whole, segment)


def _same_context(whole: Whole) -> bool:
    """Return whether both addresses lean on one context: then it has one prefix for both."""
    if whole.iphc is None:
        return False
    source, destination = whole.iphc.contexts
    return source is not None and source == destination


def _both_sides(whole: Whole, known: Known, segment: Segment) -> Iterator[Try]:
    """Yield the readings that change the same thing about both addresses."""
    ends = list(guesses_of(whole, known, segment.destination, "destination"))
    for one in guesses_of(whole, known, segment.source, "source"):
        for other in ends:
            if (one.kind, one.text) == (other.kind, other.text):
                text = f"the addresses are {one.address} and {other.address} ({one.text})"
                value = _sum(segment, one.address, other.address)
                yield one.kind, text, one.address, other.address, value
