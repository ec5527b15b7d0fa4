"""Why a transport checksum does not match: the reading of the datagram that makes it valid, by trying.

A checksum covers addresses that 6LoWPAN does not carry, so it remembers what the sender believed they were. Every
reading is tried on one side alone first, then the same on both; 16 bits match by chance once in 65535, so the few
readings that there are make a match strong, and the same reading in a second frame makes it certain.
"""

from collections.abc import Iterator
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.env import (
    IID_MASK,
    SHORT_IID,
    UNIVERSAL_LOCAL,
    Contexts,
    interface_identifier,
    old_interface_identifier,
)
from lowpanbudget.errors import WireError
from lowpanbudget.findings.scene import Known, Whole
from lowpanbudget.layers.internet import chain, ipv6
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL

CONTEXT, OLD_RULE, UNIVERSAL, REVERSED, OPTION, ROUTE, NO_READING = (
    "context", "old rule", "universal bit", "reversed", "option", "route", "none",
)  # fmt: skip


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


class _Guess(NamedTuple):
    kind: str
    text: str
    address: IPv6Address


class _Segment(NamedTuple):
    """What a checksum covers: the upper layer's octets with a blank checksum, and what stands before it."""

    kind: int
    octets: bytes
    carried: int
    at: int
    source: IPv6Address
    destination: IPv6Address


def segment_of(datagram: bytes) -> _Segment | None:
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
    return _Segment(last.kind, blank, carried, last.offset, last.source, last.destination)


def _sum(segment: _Segment, source: IPv6Address, destination: IPv6Address) -> int:
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


_Try = tuple[str, str, IPv6Address, IPv6Address, int]


def _one_side(whole: Whole, known: Known, segment: _Segment) -> Iterator[_Try]:
    """Yield the readings that change one thing."""
    source, destination = segment.source, segment.destination
    shared = _same_context(whole)
    for guess in _guesses(whole, known, source, "source"):
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
    for guess in _guesses(whole, known, destination, "destination"):
        if shared and guess.kind == CONTEXT:
            continue
        text = f"the destination is {guess.address} ({guess.text})"
        yield guess.kind, text, source, guess.address, _sum(segment, source, guess.address)
    for other in _other_destinations(whole, segment):
        text = f"the pseudo-header holds {other}, not {destination}"
        yield ROUTE, text, source, other, _sum(segment, source, other)
    yield from _with_options(whole, segment)


def _same_context(whole: Whole) -> bool:
    """Return whether both addresses lean on one context: then it has one prefix for both."""
    if whole.iphc is None:
        return False
    source, destination = whole.iphc.contexts
    return source is not None and source == destination


def _both_sides(whole: Whole, known: Known, segment: _Segment) -> Iterator[_Try]:
    """Yield the readings that change the same thing about both addresses."""
    ends = list(_guesses(whole, known, segment.destination, "destination"))
    for one in _guesses(whole, known, segment.source, "source"):
        for other in ends:
            if (one.kind, one.text) == (other.kind, other.text):
                text = f"the addresses are {one.address} and {other.address} ({one.text})"
                value = _sum(segment, one.address, other.address)
                yield one.kind, text, one.address, other.address, value


def _guesses(whole: Whole, known: Known, address: IPv6Address, side: str) -> Iterator[_Guess]:
    """Yield other addresses that this one may have stood for, as far as it was not carried in full."""
    if whole.iphc is None:
        return
    index = 0 if side == "source" else 1
    row = whole.iphc.rows[side]
    # carried in full, unspecified or multicast; what routing headers changed is no longer this row's address
    if (
        row.inline == 16
        or row.family
        or (whole.iphc.header.source, whole.iphc.header.destination)[index] != address
    ):
        return
    link = (whole.link_source, whole.link_destination)[index]
    number = whole.iphc.contexts[index]
    if row.inline < 8:
        yield from _identifiers(whole, known, address, link, row.inline)
    yield from _prefixes(whole.contexts, known, address, number)


def _identifiers(
    whole: Whole, known: Known, address: IPv6Address, link: bytes | None, inline: int
) -> Iterator[_Guess]:
    prefix, iid = int(address) >> 64 << 64, int(address) & IID_MASK
    short = None
    if inline == 2 or (link is not None and len(link) == 2):
        short = (iid & 0xFFFF).to_bytes(2, "big")
    if short is not None and iid == SHORT_IID | int.from_bytes(short, "big"):
        pans = [pan for pan in (whole.pan_id, *known.pans) if pan is not None]
        for pan in dict.fromkeys(pans[:4]):
            old = old_interface_identifier(pan, short)
            text = "identifiers by RFC 4944 section 6, with the PAN ID"
            if old != iid:
                yield _Guess(OLD_RULE, text, IPv6Address(prefix | old))
            kept = pan << 48 | iid
            if kept not in {old, iid}:
                yield _Guess(
                    OLD_RULE, "identifiers with the PAN ID as it is", IPv6Address(prefix | kept)
                )
    flipped = iid ^ UNIVERSAL_LOCAL
    text = "the universal/local bit the other way round"
    yield _Guess(UNIVERSAL, text, IPv6Address(prefix | flipped))
    if link is not None and len(link) == 8 and inline == 0 and link != link[::-1]:
        turned = link[::-1]
        text = "the extended address in reversed octet order"
        backwards = interface_identifier(turned) or 0
        yield _Guess(REVERSED, text, IPv6Address(prefix | backwards))
        yield _Guess(REVERSED, text, IPv6Address(prefix | int.from_bytes(turned, "big")))


def _prefixes(
    contexts: Contexts, known: Known, address: IPv6Address, number: int | None
) -> Iterator[_Guess]:
    """Yield the address under each other context and under each /64 that has been seen."""
    value, mine = int(address), None if number is None else contexts.get(number)
    tried = {value}
    named = "no context, fe80::/64" if number is None else f"context {number}"
    for other, context in contexts.items():
        candidate = context.value | (value & IID_MASK & ~context.mask)
        if candidate not in tried:
            tried.add(candidate)
            text = f"{named} read as {context.prefix}, here context {other}"
            yield _Guess(CONTEXT, text, IPv6Address(candidate))
    if mine is not None and mine.mask & IID_MASK:
        return  # a context that covers identifiers has no other /64
    for prefix in (*known.prefixes, LINK_LOCAL.value >> 64):
        candidate = prefix << 64 | value & IID_MASK
        if candidate not in tried:
            tried.add(candidate)
            text = f"{named} read as {IPv6Address(prefix << 64)}/64"
            yield _Guess(CONTEXT, text, IPv6Address(candidate))


def _other_destinations(whole: Whole, segment: _Segment) -> Iterator[IPv6Address]:
    """Yield the destinations that headers before the segment name, other than the right one."""
    for found in _walked(whole.octets):
        if found.offset <= segment.at and found.destination != segment.destination:
            yield found.destination
    current = IPv6Address(whole.octets[24:40])
    if current != segment.destination:
        yield current
    for found in _walked(whole.octets):
        if found.kind != ipv6.ROUTING:
            continue
        # as if segments were left although none is
        header = bytearray(whole.octets[found.offset : segment.at])
        if len(header) >= 8 and header[3] == 0:
            header[3] = 1
            size = ipv6.extension_octets(ipv6.ROUTING, bytes(header), 0)
            last = chain.final_destination(bytes(header[:size]), found.destination)
            if last != segment.destination:
                yield last


def _walked(datagram: bytes) -> list[chain.Found]:
    try:
        return list(chain.walk(datagram))
    except WireError:
        return []


def _with_options(whole: Whole, segment: _Segment) -> Iterator[_Try]:
    """Yield the sums of a sender that counted extension headers in the pseudo-header or under the checksum."""
    source, destination = segment.source, segment.destination
    start = next((found.offset for found in _walked(whole.octets)), segment.at)
    if start >= segment.at:
        return
    ahead = whole.octets[start : segment.at]
    pseudo = source.packed + destination.packed
    for text, length, kind, covered in (
        ("the length in the pseudo-header counts the extension headers too", len(ahead), segment.kind, b""),
        ("the checksum covers the extension headers too", len(ahead), segment.kind, ahead),
        ("the checksum covers the extension headers, not counted in its length", 0, segment.kind, ahead),
        ("the pseudo-header names the extension header", 0, whole.octets[6], b""),
        ("the pseudo-header names and counts the extension header", len(ahead), whole.octets[6], b""),
    ):  # fmt: skip
        head = (len(segment.octets) + length).to_bytes(4, "big") + kind.to_bytes(4, "big")
        value = 0xFFFF - ipv6.ones_complement_sum(pseudo + head + covered + segment.octets)
        if segment.kind == ipv6.UDP and not value:
            value = 0xFFFF
        yield OPTION, text, source, destination, value
