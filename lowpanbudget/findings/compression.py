"""Findings about what 6LoWPAN headers carry: groups, hop limits, elided checksums, pages."""

from ipaddress import IPv6Address

from lowpanbudget.cites import rfc
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, named
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.messages import NeighborSolicitation
from lowpanbudget.layers.lowpan import lorh
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.stack.found import Notice

_REMEMBERED = 4096
MLD_TYPES = frozenset({130, 131, 132, 143})

_SOLICITED_NODE = int(IPv6Address("ff02::1:ff00:0"))


class SolicitationToWrongGroup(Rule):
    """A neighbour solicitation goes to a group that its target is not in.

    What it sees: a multicast Neighbor Solicitation whose destination is not the solicited-node group of its target
    (ff02::1:ff and the last 24 bits).
    Why it costs: the node that is asked for does not listen there: resolution and duplicate address detection fail
    without any error.
    When it is no fault: the all-nodes group ff02::1 reaches everyone and is only a remark; unicast is not looked at.
    Example: fe80::12:3456 is asked for at ff02::1:ff34:5600, it listens at ff02::1:ff12:3456: the slice was taken one
    octet late.
    What to do: Build the group from the last three octets of the target; when compressing, send the last 6, 4 or 1
    octets of the group.
    """

    name = "solicitation-to-wrong-group"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(4861, "4.3")
    reads = (Icmpv6,)

    def check(self, scene: Scene, thing: Icmpv6) -> Hits:
        """Compare destination and target."""
        header = scene.header
        if not isinstance(thing.message, NeighborSolicitation) or header is None:
            return NONE
        if not header.destination.is_multicast:
            return NONE
        target = thing.message.target
        group = IPv6Address(_SOLICITED_NODE | int(target) & 0xFFFFFF)
        if header.destination == group:
            return NONE
        everyone = header.destination == IPv6Address("ff02::1")
        cause = f"{target} is asked for at {header.destination}, it listens at {group}"
        return (Hit(cause, (), scene.sender, severity=Severity.REMARK if everyone else None),)


class PrefixMulticastWrong(Rule):
    """A multicast address that holds a prefix contradicts itself.

    What it sees: a destination ff30::/12 whose prefix length is over 64 or 0 with a prefix, or whose prefix has bits
    beyond that length.
    Why it costs: nobody has joined that group; leftovers of memory may be on the air.
    When it is no fault: addresses with an embedded rendezvous point (ff70::/12) follow other rules and are not looked
    at; ff3x::/96, source-specific multicast, has length and prefix zero and is right.
    Example: ff3e:30:2001:db8:1:1:0:1 has bits behind a prefix of 48 bits.
    What to do: Write the prefix length into octet 3 and zeros behind the prefix (RFC 3306 section 4).
    """

    name = "prefix-multicast-wrong"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(3306, "4")
    reads = (Iphc,)

    def check(self, scene: Scene, thing: Iphc) -> Hits:
        """Look at flags, length and prefix."""
        packed = thing.header.destination.packed
        if packed[0] != 0xFF or packed[1] >> 4 != 3:
            return NONE
        length, prefix = packed[3], int.from_bytes(packed[4:12], "big")
        beyond = prefix & ((1 << (64 - min(length, 64))) - 1)
        if length <= 64 and not beyond:
            return NONE
        what = (
            f"a prefix of {length} bits"
            if length > 64
            else f"bits behind a prefix of {length} bits"
        )
        return (Hit(f"{thing.header.destination} has {what}", (packed.hex(" "),), scene.sender),)


class HopLimitForbidden(Rule):
    """A message is sent with a hop limit that makes receivers drop it.

    What it sees: neighbour discovery whose hop limit is not 255, or multicast listener discovery whose hop limit is
    not 1, after everything is restored.
    Why it costs: receivers must discard it: neighbours are never found, and nothing tells why.
    When it is no fault: duplicate address messages pass several hops and are not held to 255.
    Example: the neighbor solicitation has hop limit 64, receivers want 255; the compressor put in its default.
    What to do: Send neighbour discovery with 255, listener discovery with 1; both have a form that costs no octet.
    """

    name = "hop-limit-forbidden"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(4861, "6.1")
    reads = (Icmpv6,)

    def check(self, scene: Scene, thing: Icmpv6) -> Hits:
        """Compare hop limit and message type."""
        header = scene.header
        wanted = 1 if thing.type in MLD_TYPES else thing.required_hop_limit
        if header is None or wanted is None or header.hop_limit == wanted:
            return NONE
        cause = f"the {thing.name} has hop limit {header.hop_limit}, receivers want {wanted}"
        return (Hit(cause, (f"type {thing.type}",), scene.sender),)


class ChecksumElidedWithoutCover(Rule):
    """The UDP checksum is elided and nothing on the link stands in for it.

    What it sees: a compressed UDP header with its C bit set in a frame whose integrity code was not verified. Without
    any integrity code it is a failure; with one that no key here verifies it is a remark.
    Why it costs: "the decompressor MUST drop the packet" when it cannot tell that another check was in place; one that
    does not may deliver a damaged datagram to the wrong node.
    When it is no fault: link security with an integrity code on every hop, and a check of the upper layer end to end.
    Example: an open network: C is set and the frame has no integrity code.
    What to do: Carry the checksum (2 octets), or secure the link with an integrity code and elide it only where the
    upper layer permits it.
    """

    name = "checksum-elided-without-cover"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(6282, "4.3.2")
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of the decoder, and look for an integrity code."""
        if thing.name != "elided-without-check":
            return NONE
        security = scene.mac.security if scene.mac is not None else None
        if security is not None and security.mic:
            cause = "the frame has an integrity code that could not be verified here"
            return (Hit(cause, (), scene.sender, severity=Severity.REMARK),)
        return (Hit("C is set and the frame has no integrity code", (), scene.sender),)


class PageOneNotAnswered(Rule):
    """Routing headers of page 1 go to a node that never sends any itself.

    What it sees: five frames or more with 6LoRH headers to a node that has sent 20 6LoWPAN datagrams, none with them.
    Why it costs: a node that knows page 0 alone drops them, saying "unsupported dispatch 0xf1" at best.
    When it is no fault: a leaf may read page 1 and have no reason to write it. That is why it is only a remark.
    Example: 0x0017 gets routing headers of page 1 and has never sent one: 25 datagrams of its own without.
    What to do: Check that the node's software reads RFC 8138; spread it through the network before switching it on.
    """

    name = "page-one-not-answered"
    severity = Severity.REMARK
    certainty = Certainty.CAPTURE
    cite = rfc(8138, "8")
    reads = (Iphc, lorh.Rpi, lorh.SrhLorh, lorh.IpInIp)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.plain: dict[bytes, int] = {}
        self.paged: dict[bytes, list[int]] = {}
        self.speaks: set[bytes] = set()

    def check(self, scene: Scene, thing: object) -> Hits:
        """Count who sends and who gets page 1."""
        mac = scene.mac
        if mac is None or mac.source is None or mac.destination is None:
            return NONE
        if isinstance(thing, Iphc):
            if len(self.plain) < _REMEMBERED:
                self.plain[mac.source] = self.plain.get(mac.source, 0) + 1
        elif len(self.speaks) < _REMEMBERED and len(self.paged) < _REMEMBERED:
            self.speaks.add(mac.source)
            if mac.destination != b"\xff\xff":
                numbers = self.paged.setdefault(mac.destination, [])
                if len(numbers) < 8 and scene.number not in numbers:
                    numbers.append(scene.number)
        return NONE

    def close(self) -> Hits:
        """Name the nodes that never answered in kind."""
        for node, numbers in self.paged.items():
            if node not in self.speaks and len(numbers) >= 5 and self.plain.get(node, 0) >= 20:
                cause = f"{named(node)} gets routing headers of page 1 and has never sent one"
                yield Hit(
                    cause,
                    (f"{self.plain[node]} datagrams of its own without",),
                    named(node),
                    tuple(numbers),
                )
