"""The headers of a datagram, and what follows from them alone: worked out once for all frames that are alike."""

from collections.abc import Sequence
from ipaddress import IPv6Address
from typing import Any, NamedTuple

from lowpanbudget.env import IID_MASK, Contexts, interface_identifier
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.chain import ChainPlace
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.dtls.record import DtlsRecord, Unified
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.mac import BROADCAST
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.stack.applications import REGISTERED, Applications
from lowpanbudget.values import dataclass, found_once

Ends = tuple[int, int]  # addresses as numbers: they are keys for each datagram


class HeaderForm(NamedTuple):
    """Who sends on this hop, between which addresses, how they are carried, and where the last header begins."""

    link_source: bytes | None
    source: int
    destination: int
    carried: tuple[Any, ...]
    upper: int


@dataclass()
class HeardHeaders:
    """Headers as they came with a frame.

    ``header`` is the innermost IPv6 header as it was restored (lengths may be 0 in it), ``layers`` what was read in the
    frame or behind the header. ``iphc``, ``link_source`` and ``link_destination`` belong to the frame that brought
    them, ``sender`` is who sent it on this hop. ``upper`` is where the last header stands. ``mesh_left`` are the hops
    left in a mesh below IPv6, where another than its originator passes it on, or it is for all. ``applications`` say
    what ports carry.
    """

    header: Ipv6
    layers: Sequence[object]
    iphc: Iphc | None
    link_source: bytes | None
    link_destination: bytes | None
    sender: bytes | None
    pan_id: int | None
    contexts: Contexts
    upper: ChainPlace | None = None
    mesh_left: int | None = None
    applications: Applications = REGISTERED

    @property
    def destination(self) -> IPv6Address:
        """Return whom it is for in the end: as long as segments of a route are left, who is named last in it.

        The header names the next node of the route until then (RFC 8200 section 4.4, RFC 6554 section 4.2).
        """
        upper = self.upper
        return self.header.destination if upper is None else upper.destination

    @found_once
    def ends(self) -> Ends:
        """Return who sent it, and whom it is for in the end."""
        return int(self.header.source), int(self.destination)

    @found_once
    def form(self) -> HeaderForm:
        """Return what readings of its checksum may depend on."""
        packed, upper = self.iphc, self.upper
        carried: tuple[Any, ...] = ()
        if packed is not None:
            rows = packed.rows
            carried = rows["source"].inline, rows["destination"].inline, packed.contexts
        return HeaderForm(
            self.link_source, *self.ends, carried, 0 if upper is None else upper.offset
        )

    @found_once
    def ports(self) -> tuple[int, int] | None:
        """Return the ports of its last header, where that is UDP and was read."""
        if self.upper is None or self.upper.kind != ipv6.UDP:
            return None
        first = next((one for one in self.layers if isinstance(one, UdpNhc | Udp)), None)
        return None if first is None else (first.source_port, first.destination_port)

    @found_once
    def has_records(self) -> bool:
        """Return whether DTLS records were found behind them."""
        return any(isinstance(one, DtlsRecord | Unified) for one in self.layers)

    @found_once
    def messages(self) -> tuple[CoapMessage, ...]:
        """Return the CoAP messages in the clear behind them."""
        return tuple(one for one in self.layers if isinstance(one, CoapMessage))

    @found_once
    def may_go_on(self) -> bool:
        """Return whether it would be known again where another node sends it on: not what stays on one link alone."""
        is_for_one = self.link_destination != BROADCAST or self.mesh_left is not None
        known = self.upper is not None and not self.upper.hidden
        return self.link_source is not None and known and is_for_one

    @found_once
    def is_of_link(self) -> bool:
        """Return whether the source is made of the link source."""
        return self.ends[0] & IID_MASK == interface_identifier(self.link_source)

    @found_once
    def is_of_sender(self) -> bool:
        """Return whether the source is made of the address of who sent it on this hop."""
        return self.ends[0] & IID_MASK == interface_identifier(self.sender)
