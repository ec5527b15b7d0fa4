"""What rules look at: one frame in its surroundings, the datagram it makes whole, and what is known beside the air."""

from collections import OrderedDict
from dataclasses import dataclass, field
from ipaddress import IPv6Address
from typing import TYPE_CHECKING

from lowpanbudget.env import Contexts
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.link.mac import LARGEST_FRAME, Mac
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.stack.frame import Frame

if TYPE_CHECKING:
    from lowpanbudget.design.meaning import Design
    from lowpanbudget.findings.pieces import Assembly

MOST_PREFIXES = 64
MOST_PANS = 64


@dataclass(slots=True)
class Known:
    """What is known beside the frames, and what they have taught so far (bounded).

    ``largest``: octets of the longest frame, check sequence included. ``devices`` are EUI-64s that exist.
    ``timeout_s`` is the receivers' time for reassembly. ``prefixes`` are /64 prefixes seen, ``pans`` PAN IDs with the
    number of frames that carried them.
    """

    contexts: Contexts = field(default_factory=Contexts)
    design: "Design | None" = None
    devices: frozenset[bytes] = frozenset()
    largest: int = LARGEST_FRAME
    timeout_s: float = 60.0
    prefixes: "OrderedDict[int, int]" = field(default_factory=OrderedDict)
    pans: dict[int, int] = field(default_factory=dict)

    def learn_prefix(self, address: IPv6Address) -> None:
        """Remember the /64 of a unicast address that was carried in full or restored with a valid checksum."""
        prefix = int(address) >> 64
        if prefix >> 56 == 0xFF or not prefix:
            return
        if prefix in self.prefixes:
            self.prefixes.move_to_end(prefix)
            return
        self.prefixes[prefix] = 1
        if len(self.prefixes) > MOST_PREFIXES:
            self.prefixes.popitem(last=False)

    def learn_pan(self, pan: int | None) -> None:
        """Count a frame of this PAN."""
        if pan is not None and (pan in self.pans or len(self.pans) < MOST_PANS):
            self.pans[pan] = self.pans.get(pan, 0) + 1


@dataclass(slots=True)
class Scene:
    """One frame in its surroundings.

    ``time_s`` is not a number where the capture has no times. ``frame`` is the frame decoded; of frames that are alike
    but for numbers and payload the first stands for all, so what may differ is here: ``octets`` (with ``fcs`` octets
    of check sequence), ``payload`` in the clear, ``sequence``, ``counter``, ``fcs_ok``. ``contexts`` are those that
    held when it was read. ``header`` is the innermost IPv6 header in it, ``iphc`` the compressed header it came from.
    ``whole`` is the datagram that it brings or completes; ``assembly`` what its fragment belongs to.
    ``explained``: a rule has found why the frame cannot be read, and others need not say that it cannot.
    """

    number: int
    time_s: float
    frame: Frame
    contexts: Contexts
    octets: bytes
    fcs: int = 2
    payload: bytes | None = None
    sequence: int | None = None
    counter: int | None = None
    fcs_ok: bool | None = None
    header: Ipv6 | None = None
    iphc: Iphc | None = None
    tunnelled: bool = False
    whole: "Whole | None" = None
    assembly: "Assembly | None" = None
    explained: bool = False

    @property
    def mac(self) -> Mac | None:
        """Return the MAC header; None where there is none, or none that can be read."""
        return self.frame.mac

    @property
    def sender(self) -> str:
        """Return who sent the frame on this hop, as text; without link addresses the IPv6 source."""
        mac = self.frame.mac
        if mac is None and self.header is not None and self.frame.link_source is None:
            return str(self.header.source)
        return named(mac.source if mac is not None else self.frame.link_source)

    @property
    def hop(self) -> str:
        """Return sender and receiver of this hop, as text."""
        mac = self.frame.mac
        return f"{self.sender} to {named(mac.destination if mac is not None else self.frame.link_destination)}"

    def look(self) -> None:
        """Find the IPv6 header that counts."""
        for layer in self.frame.layers:
            if isinstance(layer, Iphc):
                self.tunnelled = self.header is not None
                self.iphc, self.header = layer, layer.header
            elif isinstance(layer, Ipv6):
                self.tunnelled = self.header is not None
                self.iphc, self.header = None, layer
            elif isinstance(layer, Legacy):
                self.header = layer.header


@dataclass(slots=True)
class Whole:
    """A whole datagram.

    ``header`` is its innermost IPv6 header as it was restored (lengths may be 0 in it), ``layers`` what was read behind
    it. ``iphc``, ``link_source`` and ``link_destination`` belong to the frame that brought its headers; ``numbers``
    are all frames that brought it.
    """

    octets: bytes
    header: Ipv6
    layers: list[object]
    iphc: Iphc | None
    link_source: bytes | None
    link_destination: bytes | None
    pan_id: int | None
    contexts: Contexts
    numbers: tuple[int, ...]
    time_s: float
    checksum_elided: bool = False
    _udp: tuple[tuple[int, int, bytes] | None, ...] = field(default=(), repr=False)

    @property
    def fragments(self) -> int:
        """Return how many frames brought it."""
        return len(self.numbers)

    def udp(self) -> tuple[int, int, bytes] | None:
        """Return UDP source port, destination port and payload; None when there is no UDP that can be read."""
        if not self._udp:
            self._udp = (_udp_of(self.octets),)
        return self._udp[0]


def _udp_of(octets: bytes) -> tuple[int, int, bytes] | None:
    at = ipv6.OCTETS
    if octets[6] != ipv6.UDP:
        found = None if octets[6] == ipv6.ICMPV6 else chain.find(octets, ipv6.UDP)
        if found is None:
            return None
        at = found.offset
    if len(octets) < at + udp.OCTETS:
        return None
    ports = int.from_bytes(octets[at : at + 4], "big")
    return ports >> 16, ports & 0xFFFF, octets[at + udp.OCTETS :]


def named(link: bytes | None) -> str:
    """Return a link address as text."""
    if link is None:
        return "an unnamed node"
    return f"0x{link.hex()}" if len(link) == 2 else link.hex(":")
