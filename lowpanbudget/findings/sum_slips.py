"""What a sender may do otherwise that adds the same to all its checksums: mistakes with a name, and other ports.

A checksum adds up words (RFC 1071 section 1), so that any of them that is another one makes the same difference, and
another prefix may make any: what has a name, and adds just that, is told before it.
"""

from collections.abc import Collection, Iterator
from ipaddress import IPv6Address
from itertools import product
from typing import NamedTuple

from lowpanbudget.env import IID_MASK
from lowpanbudget.findings.sums import Differences
from lowpanbudget.layers.internet import ipv6, udp
from lowpanbudget.layers.lowpan.addresses import LINK_LOCAL
from lowpanbudget.stack.upper import APPLICATION_PORTS

_NAMES = {ipv6.UDP: "UDP", ipv6.ICMPV6: "ICMPv6"}
_MOST_PORTS = 8  # of those heard; with more, chance would find one; our choice
_LINK_LOCAL_WORDS = LINK_LOCAL.value >> 112


class SumSlip(NamedTuple):
    """A mistake in words, what it adds, from 0 to 0xfffe, and whose address it is about, if any.

    ``of_form``: a port that the form of the ports cannot hold.
    """

    adds: int
    text: str
    side: str = ""
    of_form: bool = False


def slips_beside(found: Differences, off: int, ports: Collection[int] = ()) -> tuple[SumSlip, ...]:
    """Return the mistakes that add so much to all; two together, one of them the link-local address, where none does.

    ``ports`` are those that were heard in the network: a sum may be made with one of them.
    """
    wanted, formulas, others = off % 0xFFFF, list(_formulas(found)), list(_ports(found, ports))
    slips = [*formulas, *others]
    alone = (*_forms(found, off), *(slip for slip in slips if slip.adds == wanted))
    if alone:
        return alone
    return tuple(
        SumSlip(wanted, f"{one.text} and {other.text}")
        for one, other in product(_link_local(found), slips)
        if one.side != other.side and (one.adds + other.adds) % 0xFFFF == wanted
    )[:2]


def port_words(found: Differences, off: int) -> str:
    """Return in words which port, in place of that in the header, makes all sums right; "" where ports are several."""
    if len(found.ports) != 1:
        return ""
    (pair,) = found.ports
    others = [
        f"{side} {(port + off) % 0xFFFF} in place of {port}"
        for side, port in zip(("source", "destination"), pair, strict=True)
    ]
    return f"with one port other than in the header: {' or '.join(others)}"


def _forms(found: Differences, off: int) -> Iterator[SumSlip]:
    """Yield the ports of which less is carried than tells them apart, with which all sums are right."""
    if len(found.forms) == 1:
        (forms,) = found.forms
        for form in forms:
            port = (form.port + off) % 0xFFFF
            if form.may_stand_for(port):
                yield SumSlip(off, form.text(port), of_form=True)


def _ports(found: Differences, heard: Collection[int]) -> Iterator[SumSlip]:
    """Yield what a sum makes of a known port in place of one in the header, which is carried as it is there."""
    if len(found.ports) != 1:
        return
    (pair,) = found.ports
    known = dict.fromkeys((*APPLICATION_PORTS, *list(heard)[-_MOST_PORTS:], 0))
    for side, port in zip(("source", "destination"), pair, strict=True):
        for other in known:
            if other != port:
                text = f"the {side} port is {other} in the sum, where the header has {port}"
                if not other:
                    text = f"the {side} port, {port}, is left out of the sum"
                yield SumSlip((other - port) % 0xFFFF, text)


def _link_local(found: Differences) -> Iterator[SumSlip]:
    """Yield what the prefix of link-local addresses adds in one address; alone it is read in each datagram."""
    for side, address in (("source", found.source), ("destination", found.destination)):
        prefix = address >> 64
        if prefix and prefix << 64 != LINK_LOCAL.value:
            told = IPv6Address(LINK_LOCAL.value | address & IID_MASK)
            more = (_LINK_LOCAL_WORDS - _words(prefix)) % 0xFFFF
            yield SumSlip(more, f"the {side} is {told} (the link-local address)", side)


def _formulas(found: Differences) -> Iterator[SumSlip]:
    """Yield the mistakes in making a checksum, be it for the one length that all cover."""
    there, own = "in the pseudo-header", found.kind if found.kind in _NAMES else ipv6.UDP
    (other,) = set(_NAMES) - {own}
    left_out = f"the next header, {own} for {_NAMES[own]}, is left out of the pseudo-header"
    yield SumSlip(0xFFFF - own, left_out)
    taken = f"the next header {there} is that of {_NAMES[other]}, not of {_NAMES[own]}"
    yield SumSlip((other - own) % 0xFFFF, taken)
    yield SumSlip(
        (own << 8) - own, f"the next header {there}, {own}, stands in the first octet of its word"
    )
    if own == ipv6.UDP:
        without = f"the length {there} leaves the {udp.OCTETS} octets of the UDP header out"
        yield SumSlip(0xFFFF - udp.OCTETS, without)
    yield SumSlip(0xFFFE, "the inversion at the end adds one, as a negation does")
    if len(found.lengths) == 1:
        (length,) = found.lengths
        if length <= 0xFFFF:
            turned = int.from_bytes(length.to_bytes(2, "big"), "little")
            text = f"the octets of the length {there}, {length}, are turned round"
            yield SumSlip((turned - length) % 0xFFFF, text)
    for side, address in (("source", found.source), ("destination", found.destination)):
        if address:
            text = f"the {side} is left out of the pseudo-header"
            yield SumSlip(-_words(address) % 0xFFFF, text, side)


def _words(value: int) -> int:
    """Return the sum of the words of a number."""
    return sum(value >> at & 0xFFFF for at in range(0, 128, 16)) % 0xFFFF
