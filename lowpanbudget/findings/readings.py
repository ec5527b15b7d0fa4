"""Findings about transport checksums: each names the reading of the datagram that makes the checksum right."""

from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, UNIVERSAL_LOCAL, interface_identifier
from lowpanbudget.findings import guesses
from lowpanbudget.findings.checksum import Reading
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene, Whole, named
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.icmpv6 import CHECKSUM_CITE
from lowpanbudget.layers.lowpan import addresses, iphc
from lowpanbudget.layers.lowpan.iphc import Iphc


def hit_of(kind: str, scene: Scene, thing: Reading) -> Hits:
    """Return a hit when the reading is of this kind."""
    if thing.kind != kind:
        return NONE
    sums = f"checksum carried {thing.carried:#06x}, computed here {thing.computed:#06x}"
    evidence = (f"{sums}; {thing.tried} readings tried",)
    frames = scene.whole.numbers if scene.whole is not None else (scene.number,)
    return (
        Hit(
            f"the checksum is right when {thing.text}",
            evidence,
            f"{scene.sender}: {_what(thing)}",
            frames,
        ),
    )


def _what(thing: Reading) -> str:
    """Return what is the same in all frames of this kind: the words in brackets, without the addresses."""
    return thing.text.rpartition("(")[2].rstrip(")") if "(" in thing.text else thing.text


class ContextTableDiffers(Rule):
    """Sender and receiver hold different prefixes for one context.

    What it sees: a UDP or ICMPv6 checksum that is wrong for the restored addresses, and right when a compressed
    address is put under another context's prefix or another /64 that was seen.
    Why it costs: each such datagram is dropped for its checksum, on a link where every frame arrives.
    When it is no fault: contexts given here by mistake (--context, design); then it is this side that differs. By
    chance a wrong checksum matches one reading in 65535; a second frame with the same reading rules that out.
    Example: the checksum is right when the addresses are 2001:db8:2::ff:fe00:17 and 2001:db8:2::ff:fe00:1 (context 0
    read as 2001:db8:2::/64, here context 1).
    What to do: Spread the same contexts to all nodes (RFC 6775 section 7.2), and restart compression after that.
    """

    name = "context-table-differs"
    severity = Severity.FAILURE
    certainty = Certainty.CONFIGURATION
    cite = iphc.CONTEXT_IDS
    reads = (Reading,)

    def check(self, scene: Scene, thing: Reading) -> Hits:
        """Take readings of this kind."""
        return hit_of(guesses.CONTEXT, scene, thing)


class IdentifierByOldRule(Rule):
    """Interface identifiers of short addresses are made by the rule of RFC 4944.

    What it sees: a checksum that is right when an identifier made of a short address is PAN:00ff:fe00:XXXX (RFC 4944
    section 6) instead of 0000:00ff:fe00:XXXX (RFC 6282 section 3.2.2).
    Why it costs: two generations of software restore different addresses from the same frame: link-local traffic
    between them fails, all else works.
    When it is no fault: never on a link with LOWPAN_IPHC. A PAN ID of 0 or 0xffff makes both rules look alike to the
    checksum; nothing is said then.
    Example: the checksum is right when the addresses are fe80::a9cd:ff:fe00:17 and fe80::a9cd:ff:fe00:1 (identifiers by
    RFC 4944 section 6, with the PAN ID).
    What to do: Make identifiers by RFC 6282 on both sides.
    """

    name = "identifier-by-old-rule"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = addresses.IDENTIFIERS
    reads = (Reading,)

    def check(self, scene: Scene, thing: Reading) -> Hits:
        """Take readings of this kind."""
        return hit_of(guesses.OLD_RULE, scene, thing)


class AddressReversedInChecksum(Rule):
    """An identifier is made of the extended address in reversed octet order.

    What it sees: a checksum that is right when an elided identifier is made of the extended address read backwards.
    Why it costs: the other side restores an address that the checksum does not cover, and drops the datagram.
    When it is no fault: never.
    Example: the checksum is right when the source is fe80::1500:0:10:5e02 (the extended address in reversed octet
    order).
    What to do: Turn the octets round once where the frame's little-endian address is read.
    """

    name = "identifier-of-reversed-address"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = addresses.IDENTIFIERS
    reads = (Reading,)

    def check(self, scene: Scene, thing: Reading) -> Hits:
        """Take readings of this kind."""
        return hit_of(guesses.REVERSED, scene, thing)


class IdentifierBitWrong(Rule):
    """An interface identifier differs from its link address in the universal/local bit alone.

    What it sees: a source identifier carried in line whose only difference from the one made of the frame's extended
    address is bit 0x02 of its first octet; or a checksum that is right once that bit is inverted.
    Why it costs: the identifier cannot be elided, which costs eight octets in every frame; where it is elided, the
    other side restores an address that the checksum does not cover, and drops the datagram.
    When it is no fault: identifiers that are chosen freely; one that hits all other bits by chance does not happen.
    Example: the checksum is right when the source is fe80::25e:1000:0:17 (the universal/local bit the other way round)
    or the destination is fe80::25e:1000:0:1 (the universal/local bit the other way round): a sum does not tell which.
    What to do: Invert the universal/local bit exactly once where the identifier is made from an EUI-64.
    """

    name = "universal-local-bit-wrong"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = addresses.IDENTIFIERS
    reads = (Iphc, Reading)

    def check(self, scene: Scene, thing: Iphc | Reading) -> Hits:
        """Compare an identifier in line with the link address; take readings of this kind."""
        if isinstance(thing, Reading):
            return hit_of(guesses.UNIVERSAL, scene, thing)
        link = scene.frame.link_source
        if link is None or len(link) != 8 or thing.rows["source"].inline != 8:
            return NONE
        iid = int(thing.header.source) & IID_MASK
        if iid ^ (interface_identifier(link) or 0) != UNIVERSAL_LOCAL:
            return NONE
        cause = f"{thing.header.source} holds the link address with its universal/local bit as it is, not inverted"
        return (Hit(cause, (f"link source {named(link)}",), named(link)),)


class ChecksumCountsExtensions(Rule):
    """A checksum covers extension headers, or counts them.

    What it sees: a checksum of a datagram with extension headers (a RPL option, say) that is right when those are
    covered, counted in the pseudo-header's length, or named there as next header.
    Why it costs: datagrams are dropped once the option is put in: the sender computed over the wrong octets.
    When it is no fault: never.
    Example: UDP behind a hop-by-hop header: the checksum is right when the length in the pseudo-header counts the
    extension headers too.
    What to do: Compute over UDP or ICMPv6 alone, with their own length and number (RFC 8200 section 8.1).
    """

    name = "checksum-counts-extensions"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(8200, "8.1")
    reads = (Reading,)

    def check(self, scene: Scene, thing: Reading) -> Hits:
        """Take readings of this kind."""
        return hit_of(guesses.OPTION, scene, thing)


class ChecksumOverOtherDestination(Rule):
    """A checksum is computed over the wrong destination of a source route.

    What it sees: a checksum of a datagram with a routing header that is right for the IPv6 destination of this hop
    instead of the last address of the route, or the other way round.
    Why it costs: every datagram that the root sends down by a source route is dropped at its end.
    When it is no fault: never.
    Example: the checksum is right when the pseudo-header holds 2001:db8:1::ff:fe00:9, not 2001:db8:1::ff:fe00:17: the
    next router instead of the node.
    What to do: Use the last address of the routing header while Segments Left is not 0, else the IPv6 destination.
    """

    name = "checksum-over-other-destination"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(8200, "8.1")
    reads = (Reading,)

    def check(self, scene: Scene, thing: Reading) -> Hits:
        """Take readings of this kind."""
        return hit_of(guesses.ROUTE, scene, thing)


class ChecksumWrong(Rule):
    """A transport checksum is wrong and no reading explains it.

    What it sees: a UDP or ICMPv6 checksum that no known context, identifier rule, octet order or header reading makes
    right, or that several different ones do; or a UDP checksum of zero, which IPv6 does not allow.
    Why it costs: the receiver drops the datagram.
    When it is no fault: a context that is neither given nor seen. Give it, and the reading may be found.
    Example: checksum carried 0xb678, computed 0xec22; 11 readings tried, and none fits.
    What to do: Compare the restored addresses, and the prefixes of their contexts, with the sender's own; look for
    octets changed on the way.
    """

    name = "checksum-wrong"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = CHECKSUM_CITE
    reads = (Reading, Whole)

    def check(self, scene: Scene, thing: Reading | Whole) -> Hits:
        """Take what is left over."""
        if isinstance(thing, Whole):
            if (
                thing.octets[6] != ipv6.UDP
                or thing.octets[46:48] != b"\0\0"
                or len(thing.octets) < 48
            ):
                return NONE
            return (
                Hit(
                    "the UDP checksum is zero",
                    (thing.octets[40:48].hex(" "),),
                    scene.sender,
                    thing.numbers,
                ),
            )
        if thing.kind != guesses.NO_READING:
            return NONE
        evidence = (
            f"checksum carried {thing.carried:#06x}, computed {thing.computed:#06x}; {thing.tried} readings tried",
        )
        frames = scene.whole.numbers if scene.whole is not None else (scene.number,)
        return (Hit(thing.text, evidence, scene.sender, frames),)
