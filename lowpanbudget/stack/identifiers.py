"""Which of the two rules made the identifier of a short address: RFC 6282 section 3.2.2, or RFC 4944 section 6.

RFC 6282's has no PAN ID in it, the older one's has. Senders of both kinds are on the air, and a receiver that restores
by the other rule sees a wrong checksum.
"""

from ipaddress import IPv6Address
from typing import Protocol

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, interface_identifier, old_interface_identifier
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.stack.upper import WrongChecksum

OLD_IDENTIFIERS = rfc(4944, "6")
# of headers with a checksum: the name of a notice, its name for people, and which section says what it covers
_CHECKSUMS = {
    ipv6.UDP: ("udp-checksum-wrong", "UDP", rfc(8200, "8.1")),
    ipv6.ICMPV6: ("icmpv6-checksum-wrong", "ICMPv6", rfc(4443, "2.3")),
}


class LinkEnds(Protocol):
    """Between whom a frame goes, as its header and its surroundings say both."""

    @property
    def source(self) -> bytes | None:
        """Return the link address of the sender."""

    @property
    def destination(self) -> bytes | None:
        """Return the link address of the receiver."""

    @property
    def pan_id(self) -> int | None:
        """Return the PAN of the sender."""


def _is_short(link: bytes | None) -> bool:
    return link is not None and len(link) == 2


def _is_older(address: IPv6Address, pan_id: int, link: bytes | None) -> bool:
    """Return whether an address holds the older identifier of its own short link address."""
    if link is None or not _is_short(link):
        return False
    old = old_interface_identifier(pan_id, link)
    # one with zeros in place of the PAN ID is that of the newer rule as well
    return bool(old >> 48) and int(address) & IID_MASK == old


def explains_checksum(wrong: WrongChecksum, hop: LinkEnds) -> str:
    """Return the addresses for which the older rule makes a wrong checksum right, such as "source"; "" for none."""
    if hop.pan_id is None or not wrong.sent:
        return ""
    source, destination, _ = wrong.ends
    added = []  # what the older rule adds to an address, and so to the sum (RFC 1071 section 2)
    for address, link in ((source, hop.source), (destination, hop.destination)):
        identifier, more = int(address) & IID_MASK, 0
        if link is not None and len(link) == 2 and identifier == interface_identifier(link):
            more = old_interface_identifier(hop.pan_id, link) - identifier
        added.append(more)
    first, second = added
    for off, sides in (
        (second, "destination"),
        (first, "source"),
        (first + second, "source and destination"),
    ):
        if off and not (wrong.sent - wrong.right + off) % 0xFFFF:
            return sides
    return ""


def note_addresses(
    wrong: WrongChecksum | None,
    header: Ipv6,
    hop: LinkEnds,
    at: int,
    checksum_at: int | None = None,
) -> list[Notice]:
    """Return the notices of a datagram's ``wrong`` checksum, or of older identifiers in its ``header``, at ``at``."""
    if wrong is None:
        return note_carried(header, hop, at)
    return note_wrong_checksum(wrong, hop, at, checksum_at)


def note_wrong_checksum(
    wrong: WrongChecksum, hop: LinkEnds, at: int, checksum_at: int | None = None
) -> list[Notice]:
    """Return the notices of a datagram with this checksum, whose compressed header stands at ``at``.

    ``checksum_at`` is where the checksum stands, if that is known.
    """
    name, header, cite = _CHECKSUMS[wrong.kind]
    text = (
        f"the {header} checksum {wrong.sent:#06x} is wrong: over the restored datagram it is {wrong.right:#06x}; "
        "compare the restored addresses, and the prefixes of their contexts, with the sender's own"
    )
    notices = [Notice(name, text, cite, at if checksum_at is None else checksum_at)]
    sides = explains_checksum(wrong, hop)
    if sides:
        text = (
            f"the checksum is right when the {sides} has an identifier of RFC 4944, with the PAN ID"
        )
        notices.append(Notice("old-identifiers", text, OLD_IDENTIFIERS, at))
    return notices


def note_carried(header: Ipv6, hop: LinkEnds, at: int) -> list[Notice]:
    """Return the notice of a header at octet ``at`` with older identifiers in its addresses, or none."""
    source, destination = hop.source, hop.destination
    is_short = (source and len(source) == 2) or (destination and len(destination) == 2)
    pan_id = hop.pan_id if is_short else None
    if pan_id is None:
        return []
    sides = []
    if _is_older(header.source, pan_id, source):
        sides.append("source")
    if _is_older(header.destination, pan_id, destination):
        sides.append("destination")
    if not sides:
        return []
    text = f"the {' and '.join(sides)} has an identifier of RFC 4944, with the PAN ID"
    return [Notice("old-identifiers", text, OLD_IDENTIFIERS, at)]
