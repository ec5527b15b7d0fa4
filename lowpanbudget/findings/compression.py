"""Findings about 6LoWPAN headers: dispatch, compressed IPv6 and next headers."""

from collections import OrderedDict
from ipaddress import IPv6Address, IPv6Network
from typing import Any

from lowpanbudget.cites import rfc
from lowpanbudget.env import interface_identifier
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, named
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd import NeighborSolicitation, RouterAdvertisement
from lowpanbudget.layers.internet.nd_lowpan import ContextOption
from lowpanbudget.layers.lowpan import addresses, iphc, lorh, nhc
from lowpanbudget.layers.lowpan.addresses import Side
from lowpanbudget.layers.lowpan.iphc import HLIM, TF, Iphc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.layers.lowpan.nhc import PORTS, UdpNhc
from lowpanbudget.stack.found import Notice

_REMEMBERED = 4096
_CONNECTION_ID = rfc(9146, "4")  # a record that only its two ends can read: no fault
MLD_TYPES = frozenset({130, 131, 132, 143})
_SOLICITED_NODE = int(IPv6Address("ff02::1:ff00:0"))


class ContextUnknown(Rule):
    """An address is compressed against a context that is not known here.

    What it sees: a compressed address under a context number that neither the design, nor --context, nor an
    advertisement in the capture has given a prefix.
    Why it costs: nobody without the prefix can restore the address; a node in that place drops the datagram.
    When it is no fault: the capture began after the contexts were spread. That is why it is only a remark.
    Example: SAC 1, context octet 0x30: the source needs context 3.
    What to do: Give the prefix with --context 3=2001:db8::/64 or in the design file.
    """

    name = "context-unknown"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = iphc.CONTEXT_IDS
    reads = (WireError,)

    def check(self, scene: Scene, thing: WireError) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Take faults of a missing context."""
        found = faults.UNKNOWN_CONTEXT.search(thing.message)
        if not found:
            return NONE
        return (
            Hit(f"context {found[1]} has no prefix", (faults.where(thing),), f"context {found[1]}"),
        )


class ContextUsedTooSoon(Rule):
    """A context compresses addresses although it must not, or not yet, or no longer.

    What it sees: a context option in an advertisement that says "for expanding only" (C is 0), that withdraws a
    context (lifetime 0), or whose lifetime has run out; then, 1 s later or more, a frame that compresses with it.
    Why it costs: receivers that have not learned the context, or have dropped it, cannot restore the address: datagrams
    are lost for as long as the tables differ.
    When it is no fault: frames within a second of the change may have been on their way. Lifetimes are counted from
    the last advertisement in this capture, so one that it missed may have prolonged them.
    Example: frame 12 announces context 1 with C = 0; frame 15 compresses its destination with context 1.
    What to do: Announce with C = 0 until all nodes have the context, then with C = 1; withdraw the same way round
    (RFC 6775 section 7.2).
    """

    name = "context-used-too-soon"
    severity = Severity.FAILURE
    certainty = Certainty.CAPTURE
    cite = rfc(6775, "7.2")
    reads = (Icmpv6, Iphc)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.told: dict[int, tuple[ContextOption, float, int]] = {}

    def check(self, scene: Scene, thing: Icmpv6 | Iphc) -> Hits:
        """Learn from advertisements; compare each use."""
        if isinstance(thing, Iphc):
            return self._used(scene, thing) if self.told else NONE
        if isinstance(thing.message, RouterAdvertisement):
            for option in thing.message.options:
                if isinstance(option, ContextOption):
                    self.told[option.cid] = (option, scene.time_s, scene.number)
        return NONE

    def _used(self, scene: Scene, header: Iphc) -> Hits:
        hits = []
        for number in dict.fromkeys(header.contexts):
            if number is None or number not in self.told:
                continue
            option, since, frame = self.told[number]
            age = scene.time_s - since
            why = ""
            if option.removes and age >= 1:
                why = "was withdrawn"
            elif not option.may_compress and age >= 1:
                why = "is announced for expanding only (C = 0)"
            elif age > option.lifetime_s + 1:
                why = f"ran out after {option.lifetime_s} s"
            if why:
                cause = f"context {number} ({option.prefix}) {why}, and {scene.sender} compresses with it"
                evidence = (
                    f"frame {frame}: announcement; frame {scene.number}: used {age:.1f} s later",
                )
                hits.append(
                    Hit(cause, evidence, f"context {number}, {scene.sender}", (frame, scene.number))
                )
        return hits


class ContextLengthUnusual(Rule):
    """A context has a length that is neither 64 nor 128 bits.

    What it sees: a context option in an advertisement, or a context of the design, whose length is another.
    Why it costs: bits between its end and bit 64 are restored as zero, so it serves only addresses that are zero
    there: another subnet of the same prefix goes in line, or arrives wrong where a node keeps old bits.
    When it is no fault: all addresses have zeros between, as one subnet numbered 0 has. It is a remark by itself; it
    is a risk where an address in the capture or design lies under it with other bits there.
    Example: context 2 is 2001:db8::/32, and a host is 2001:db8:0:7::1.
    What to do: Use one context for each /64 that is in use.
    """

    name = "context-length-unusual"
    severity = Severity.REMARK
    certainty = Certainty.CONFIGURATION
    cite = addresses.BASE
    reads = (Icmpv6,)

    def check(self, scene: Scene, thing: Icmpv6) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Look at the lengths in an advertisement."""
        if not isinstance(thing.message, RouterAdvertisement):
            return NONE
        return [
            Hit(f"context {option.cid} is {option.prefix}", (), f"context {option.cid}")
            for option in thing.message.options
            if isinstance(option, ContextOption) and odd(option.prefix)
        ]

    def close(self) -> Hits:
        """Look at the contexts that were given, and at the prefixes seen under them."""
        for number, context in self.known.contexts.items():
            if not odd(context.prefix):
                continue
            lost = [
                IPv6Address(prefix << 64)
                for prefix in self.known.prefixes
                if IPv6Address(prefix << 64) in context.prefix and prefix << 64 != context.value
            ]
            cause = f"context {number} is {context.prefix}"
            subject = f"context {number}"
            if lost and context.prefix.prefixlen < 64:
                evidence = tuple(
                    f"{address}/64 lies under it and is not restored from it"
                    for address in lost[:3]
                )
                yield Hit(cause, evidence, subject, severity=Severity.RISK)
            else:
                yield Hit(cause, (), subject)


def odd(prefix: IPv6Network) -> bool:
    """Return whether a context of this length is unusual."""
    return prefix.prefixlen not in {64, 128}


class SolicitationToWrongGroup(Rule):
    """A neighbour solicitation goes to a group that its target is not in.

    What it sees: a multicast Neighbor Solicitation whose destination is not the solicited-node group of its target
    (ff02::1:ff and the last 24 bits).
    Why it costs: the node that is asked for does not listen there: resolution and duplicate address detection fail
    without any error.
    When it is no fault: the all-nodes group ff02::1 reaches everyone and is only a remark; unicast is not looked at.
    Example: target 2001:db8::12:3456, destination ff02::1:ff34:5600: the slice was taken one octet late.
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
    Example: ff3e:0030:2001:db8:1:1::1: a /48 prefix, and 16 bits behind it that are not zero.
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


class ReservedCodeUsed(Rule):
    """A frame uses a code that its standard reserves.

    What it sees: a frame type, address mode, dispatch, address mode of a compressed header or header number that is
    reserved: nothing can be restored from it.
    Why it costs: every receiver drops the frame.
    When it is no fault: a code assigned after this program was written; damaged frames are not looked at.
    Example: LOWPAN_IPHC with M 0, DAC 1, DAM 00.
    What to do: See which code the evidence names, and what the table allows (lowpanbudget explain iphc).
    """

    name = "reserved-code-used"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = addresses.BASE
    reads = (WireError,)

    def check(self, scene: Scene, thing: WireError) -> Hits:
        """Take faults of that kind."""
        return _fault(self.name, scene, thing)


class OctetsContradict(Rule):
    """The octets of a frame contradict the standard or themselves.

    What it sees: a length that does not fit, a header out of order, more headers than any datagram has: what no more
    special finding explains.
    Why it costs: receivers drop the frame, each after its own fashion.
    When it is no fault: frames of another protocol on the same channel, whose payload starts like 6LoWPAN by chance.
    Example: a mesh header behind a fragment header.
    What to do: Look at the frame with annotate; the evidence says where reading stopped and why.
    """

    name = "octets-contradict"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(4944, "5")
    reads = (WireError,)

    def check(self, scene: Scene, thing: WireError) -> Hits:
        """Take faults of that kind."""
        return _fault(self.name, scene, thing)


class FrameCutShort(Rule):
    """A frame ends before its headers do.

    What it sees: a header that needs more octets than the frame has left.
    Why it costs: nothing behind that place can be used; a receiver without bounds checks reads foreign memory.
    When it is no fault: a capture that keeps only the front of frames. Nothing is said where it says so itself.
    Example: LOWPAN_IPHC that promises a context octet, and the frame ends.
    What to do: Look at the frame with annotate; count header sizes as they are encoded, not as estimated.
    """

    name = "frame-cut-short"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(6282, "3.1")
    reads = (WireError,)

    def check(self, scene: Scene, thing: WireError) -> Hits:
        """Take faults of that kind."""
        return _fault(self.name, scene, thing)


class ExtensionHeaderNotWhole(Rule):
    """A compressed extension header does not come out as a multiple of 8 octets.

    What it sees: a LOWPAN_NHC extension header whose length, with the two octets before it, is no multiple of 8 and
    cannot be padded: only hop-by-hop and destination options may leave their padding out.
    Why it costs: IPv6 counts these headers in units of 8 octets: what follows is read from the wrong place, or the
    datagram is dropped.
    When it is no fault: never.
    Example: a routing header with 12 octets behind its length field.
    What to do: Write into the length field the octets that follow it, not units of 8; leave out trailing padding of
    options headers alone.
    """

    name = "extension-header-not-whole"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = nhc.EXTENSION_FORMAT
    reads = (WireError,)

    def check(self, scene: Scene, thing: WireError) -> Hits:
        """Take faults of that kind."""
        return _fault(self.name, scene, thing)


def _fault(name: str, scene: Scene, thing: WireError) -> Hits:
    if scene.explained or faults.owner(thing, scene) != name:
        return NONE
    octets = scene.frame.octets[max(thing.offset - 2, 0) : thing.offset + 6]
    evidence = f"{faults.where(thing)}; octets from {max(thing.offset - 2, 0)}: {octets.hex(' ')}"
    if scene.mac is not None and scene.mac.security is not None and scene.mac.security.level > 3:
        evidence = faults.where(thing)  # what was sent there is sealed
    cite = f" ({thing.cite})" if thing.cite is not None else ""
    return (Hit(f"{thing.message}{cite}", (evidence,), scene.sender),)


class HopLimitForbidden(Rule):
    """A message is sent with a hop limit that makes receivers drop it.

    What it sees: neighbour discovery whose hop limit is not 255, or multicast listener discovery whose hop limit is
    not 1, after everything is restored.
    Why it costs: receivers must discard it: neighbours are never found, and nothing tells why.
    When it is no fault: duplicate address messages pass several hops and are not held to 255.
    Example: a Neighbor Solicitation with hop limit 64, the compressor's default.
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


class HopLimitInLine(Rule):
    """A sender's own hop limit costs an octet.

    What it sees: five frames or more of a node whose source address is made of its own link address (so this is the
    first hop) with a hop limit other than 1, 64 or 255.
    Why it costs: one octet in every frame, first hop included.
    When it is no fault: on later hops the hop limit is in line always, and nothing is said. A limit chosen to keep
    packets near has its reason; one that a flow of the design has is planned, and nothing is said.
    Example: hop limit 16 from a node's default: 64 would be elided.
    What to do: Use 64, or 255 for what must not be forwarded.
    """

    name = "hop-limit-in-line"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = addresses.BASE
    reads = (Iphc,)
    least = 5

    def check(self, scene: Scene, thing: Iphc) -> Hits:
        """Look at hop limits in line on the first hop."""
        if (
            thing.rows["hlim"].code
            or scene.tunnelled
            or HLIM.best(thing.header.hop_limit).row.inline == 0
        ):
            return NONE
        limit = thing.header.hop_limit
        planned = () if self.known.design is None else self.known.design.flows
        if not from_its_source(scene, thing) or any(flow.hop_limit == limit for flow in planned):
            return NONE
        cause = f"{scene.sender} starts its datagrams with hop limit {limit}, in line"
        return (Hit(cause, (), scene.sender),)


def from_its_source(scene: Scene, header: Iphc) -> bool:
    """Return whether a frame is on the first hop: its IPv6 source is made of its link source."""
    link = scene.frame.link_source
    if link is None:
        return False
    return int(header.header.source) & ((1 << 64) - 1) == interface_identifier(link)


class HeaderNotShortest(Rule):
    """A compressed header is longer than it need be.

    What it sees: in a compressed IPv6 header, a form of traffic class, next header, hop limit or address that carries
    more octets than the shortest form for the same value, with no context but those that the same frame uses.
    Why it costs: the octets named, in every such frame; a datagram near the limit is cut for them.
    When it is no fault: a forwarder may pass headers on as they came: frames whose IPv6 source is not made of their
    link source are only a remark. What can be elided on this very hop alone is counted. Below three frames of a sender
    nothing is said.
    Example: fe80::ff:fe00:17 with its identifier in line in a frame from 0x0017.
    What to do: Let the compressor try the shorter forms first; annotate shows what each row needs.
    """

    name = "header-not-shortest"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = addresses.BASE
    reads = (Iphc,)
    least = 3

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.best: OrderedDict[tuple[Any, ...], int] = OrderedDict()

    def check(self, scene: Scene, thing: Iphc) -> Hits:
        """Compare each row with the best for its value."""
        if scene.tunnelled:
            return NONE
        header, rows = thing.header, thing.rows
        saved = []
        if rows["tf"].inline:
            spare = (
                rows["tf"].inline - TF.best((header.traffic_class, header.flow_label)).row.inline
            )
            if spare:
                saved.append(("traffic class and flow label", spare))
        if rows["hlim"].inline and HLIM.best(header.hop_limit).row.inline == 0:
            saved.append(("hop limit", 1))
        if rows["cid"].inline and not any(thing.contexts):
            saved.append(("context octet", 1))
        if not thing.nhc and rows["nh"].inline and header.next_header == 17:
            saved.append(("next header UDP", 1))
        for index, side in enumerate(("source", "destination")):
            spare = rows[side].inline and self._spare(scene, thing, side, index)
            if spare:
                saved.append((f"{side} address", spare))
        if not saved:
            return NONE
        octets = sum(count for _, count in saved)
        fields = ", ".join(f"{name} {count}" for name, count in saved)
        cause = f"{scene.sender} could leave out {octets} octets: {fields}"
        severity = None if from_its_source(scene, thing) else Severity.REMARK
        return (Hit(cause, (), f"{scene.sender}: {fields}", severity=severity),)

    def _spare(self, scene: Scene, thing: Iphc, side: str, index: int) -> int:
        """Return what the address carries beyond its shortest form in this frame."""
        frame = scene.frame
        link = (frame.link_source, frame.link_destination)[index]
        address = (thing.header.source, thing.header.destination)[index]
        used = thing.contexts[index]
        key = (side, int(address), link, used, thing.rows[side].code)
        known = self.best.get(key)
        if known is not None:
            return known
        choice = addresses.SOURCE if index == 0 else addresses.DESTINATION
        context = scene.contexts.get(used) if used is not None else None
        iid = interface_identifier(link)
        shortest = min(
            choice.best(address, Side(iid, one)).row.inline
            for one in dict.fromkeys((None, context))
        )
        spare = max(thing.rows[side].inline - shortest, 0)
        self.best[key] = spare
        if len(self.best) > _REMEMBERED:
            self.best.popitem(last=False)
        return spare


class PortsNotShortest(Rule):
    """UDP ports go in a longer form than they need.

    What it sees: three frames or more of a sender whose compressed UDP header carries ports in a form that is not the
    shortest for them.
    Why it costs: one to three octets in every frame.
    When it is no fault: never; but the 4-bit form wants *both* ports in 0xf0b0 to 0xf0bf: source 0xf000 with
    destination 0xf0b0 takes three octets, and nothing is said.
    Example: ports 0xf0b1 and 0xf0b2 with P = 00: four octets where one would do.
    What to do: Choose the form by both ports: 11 for 0xf0bX on both sides, 01 or 10 for 0xf0XX on one.
    """

    name = "ports-not-shortest"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = rfc(6282, "4.3.1")
    reads = (UdpNhc,)
    least = 3

    def check(self, scene: Scene, thing: UdpNhc) -> Hits:
        """Compare the form with the best for these ports."""
        used = thing.rows["ports"]
        if used.inline == 1:
            return NONE
        source, destination = thing.source_port, thing.destination_port
        if source >> 8 != 0xF0 and destination >> 8 != 0xF0:
            return NONE
        best = PORTS.best((source, destination)).row
        if best.inline >= used.inline:
            return NONE
        cause = f"ports {source:#06x} and {destination:#06x} take {used.inline} octets, {best.inline} would do"
        return (
            Hit(
                cause,
                (f"P = {used.code:02b}, P = {best.code:02b} is shorter",),
                f"{scene.sender}: {cause}",
            ),
        )


class ChecksumElidedWithoutCover(Rule):
    """The UDP checksum is elided and nothing on the link stands in for it.

    What it sees: a compressed UDP header with its C bit set in a frame whose integrity code was not verified. Without
    any integrity code it is a failure; with one that no key here verifies it is a remark.
    Why it costs: "the decompressor MUST drop the packet" when it cannot tell that another check was in place; one that
    does not may deliver a damaged datagram to the wrong node.
    When it is no fault: link security with an integrity code on every hop, and a check of the upper layer end to end.
    Example: C = 1 in a frame of an open network.
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
    Example: the root sends f1 8... to 0x0031, which answers with plain LOWPAN_IPHC always.
    What to do: Check that the node's software reads RFC 8138; spread it through the network before switching it on.
    """

    name = "page-one-not-answered"
    severity = Severity.REMARK
    certainty = Certainty.CAPTURE
    cite = rfc(8138, "10")
    reads = (Iphc, lorh.Rpi, lorh.SourceRoute, lorh.IpInIp)
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


class NotALowpanFrame(Rule):
    """Data frames on the channel are not 6LoWPAN.

    What it sees: a dispatch octet 0x00 to 0x3f, which RFC 4944 leaves to other protocols.
    Why it costs: nothing by itself; another network shares the channel, or a node sends without a dispatch.
    When it is no fault: two protocols may share a channel. It is a verdict, not an error.
    Example: payload 08 00 12 ...: some other network layer.
    What to do: If the node should speak 6LoWPAN, look at what it puts before the IPv6 header.
    """

    name = "not-a-lowpan-frame"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = rfc(4944, "5.1")
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of the decoder."""
        if thing.name != "not-lowpan" or scene.explained:
            return NONE
        pan = scene.mac.pan_id if scene.mac is not None else None
        return (
            Hit("the payload is of another protocol", (), "" if pan is None else f"PAN {pan:#06x}"),
        )


class OldHeaderCompression(Rule):
    """Headers are compressed the old way, with LOWPAN_HC1.

    What it sees: dispatch 0x42, the header compression of RFC 4944, which RFC 6282 has replaced.
    Why it costs: nodes that speak RFC 6282 alone drop it; global addresses go in full, 16 octets each.
    When it is no fault: a network of old nodes among themselves.
    Example: 42 fb ...: HC1 with HC_UDP behind it.
    What to do: Move the nodes to LOWPAN_IPHC; both kinds on one link do not understand each other.
    """

    name = "old-header-compression"
    severity = Severity.RISK
    certainty = Certainty.FRAME
    cite = rfc(6282, "1")
    reads = (Legacy,)

    def check(self, scene: Scene, thing: Legacy) -> Hits:  # noqa: ARG002  # that it is there is enough
        """Say so."""
        return (Hit(f"{scene.sender} compresses with LOWPAN_HC1", (), scene.sender),)


class ContentsUnreadable(Rule):
    """What the datagram carries cannot be read.

    What it sees: ICMPv6, CoAP or DTLS behind intact headers that breaks its own rules: an option length that overruns,
    a prefix longer than 128 bits, a token length that is reserved.
    Why it costs: the receiver rejects the message, often in silence.
    When it is no fault: another protocol on a port that is registered for CoAP or DTLS.
    Example: an RPL option whose length counts its type and length octets too: two too many.
    What to do: See the evidence for the place; RPL options count what follows, neighbour discovery options count
    units of 8 octets with type and length.
    """

    name = "contents-unreadable"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(6550, "6.7.1")
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of the decoder; try the commonest slip."""
        if thing.name != "payload-unreadable" or thing.cite == _CONNECTION_ID:
            return NONE
        cite = f" ({thing.cite})" if thing.cite is not None else ""
        evidence = [f"octet {thing.offset}"]
        counted = options_count_their_heads(scene)
        if counted:
            evidence.append(counted)
        return (Hit(f"{thing.text}{cite}", tuple(evidence), scene.sender),)


_RPL_BASE = {
    0: 2,
    1: 24,
    3: 4,
}  # octets before the options: DIS, DIO, DAO-ACK without DODAGID (RFC 6550 section 6)


def options_count_their_heads(scene: Scene) -> str:
    """Return words when RPL options can be walked only with lengths that are two less than carried."""
    datagram = scene.frame.datagram
    if datagram is None or len(datagram.octets) < 45 or datagram.octets[6] != 58:
        return ""
    message = datagram.octets[40:]
    if message[0] != 155 or message[1] not in _RPL_BASE:
        return ""
    octets = message[4 + _RPL_BASE[message[1]] :]
    if _walks(octets, 2) or not _walks(octets, 0):
        return ""
    return "every option length counts the option's own two octets: two too many"


def _walks(octets: bytes, head: int) -> bool:
    at = 0
    while at < len(octets):
        if octets[at] == 0:
            at += 1
        elif at + 1 < len(octets) and octets[at + 1] + head >= 2:
            at += octets[at + 1] + head
        else:
            return False
    return at == len(octets) and at > 0


COMPRESSION_RULES: tuple[type[Rule], ...] = (
    ContextUnknown,
    ContextUsedTooSoon,
    ContextLengthUnusual,
    SolicitationToWrongGroup,
    PrefixMulticastWrong,
    ReservedCodeUsed,
    OctetsContradict,
    FrameCutShort,
    ExtensionHeaderNotWhole,
    HopLimitForbidden,
    HopLimitInLine,
    HeaderNotShortest,
    PortsNotShortest,
    ChecksumElidedWithoutCover,
    PageOneNotAnswered,
    NotALowpanFrame,
    OldHeaderCompression,
    ContentsUnreadable,
)
