"""What addresses and octets a checksum may have been computed over, other than the restored ones."""

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


class Guess(NamedTuple):
    """Another address that one may have stood for: the kind of reading, and why."""

    kind: str
    text: str
    address: IPv6Address


class Segment(NamedTuple):
    """What a checksum covers: the upper layer's octets with a blank checksum, and what stands before it."""

    kind: int
    octets: bytes
    carried: int
    at: int
    source: IPv6Address
    destination: IPv6Address


Try = tuple[str, str, IPv6Address, IPv6Address, int]


def guesses_of(whole: Whole, known: Known, address: IPv6Address, side: str) -> Iterator[Guess]:
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
) -> Iterator[Guess]:
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
                yield Guess(OLD_RULE, text, IPv6Address(prefix | old))
            kept = pan << 48 | iid
            if kept not in {old, iid}:
                yield Guess(
                    OLD_RULE, "identifiers with the PAN ID as it is", IPv6Address(prefix | kept)
                )
    flipped = iid ^ UNIVERSAL_LOCAL
    text = "the universal/local bit the other way round"
    yield Guess(UNIVERSAL, text, IPv6Address(prefix | flipped))
    if link is not None and len(link) == 8 and inline == 0 and link != link[::-1]:
        turned = link[::-1]
        text = "the extended address in reversed octet order"
        backwards = interface_identifier(turned) or 0
        yield Guess(REVERSED, text, IPv6Address(prefix | backwards))
        yield Guess(REVERSED, text, IPv6Address(prefix | int.from_bytes(turned, "big")))


def _prefixes(
    contexts: Contexts, known: Known, address: IPv6Address, number: int | None
) -> Iterator[Guess]:
    """Yield the address under each other context and under each /64 that has been seen."""
    value, mine = int(address), None if number is None else contexts.get(number)
    tried = {value}
    named = "no context, fe80::/64" if number is None else f"context {number}"
    for other, context in contexts.items():
        candidate = context.value | (value & IID_MASK & ~context.mask)
        if candidate not in tried:
            tried.add(candidate)
            text = f"{named} read as {context.prefix}, here context {other}"
            yield Guess(CONTEXT, text, IPv6Address(candidate))
    if mine is not None and mine.mask & IID_MASK:
        return  # a context that covers identifiers has no other /64
    for prefix in (*known.prefixes, LINK_LOCAL.value >> 64):
        candidate = prefix << 64 | value & IID_MASK
        if candidate not in tried:
            tried.add(candidate)
            text = f"{named} read as {IPv6Address(prefix << 64)}/64"
            yield Guess(CONTEXT, text, IPv6Address(candidate))


def other_destinations(whole: Whole, segment: Segment) -> Iterator[IPv6Address]:
    """Yield the destinations that headers before the segment name, other than the right one; each once."""
    yield from dict.fromkeys(_other_destinations(whole, segment))


def _other_destinations(whole: Whole, segment: Segment) -> Iterator[IPv6Address]:
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


def with_options(whole: Whole, segment: Segment) -> Iterator[Try]:
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
