"""Findings about compressed extension headers: bits that senders must leave zero, checksums that a route hides."""

from lowpanbudget.cites import rfc
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.stack.found import Notice

_NOTICES = frozenset({"nhc-unused-bit-set", "fragment-reserved-not-zero"})


class ExtensionBitsNotZero(Rule):
    """A compressed extension header has bits set that senders must leave zero.

    What it sees: the NH bit before an inner IPv6 header (EID 7), where it has no use, or the Reserved octet of a
    fragment header; a Reserved octet of 6 is taken for a length, as the other extension headers have one there.
    Why it costs: a receiver that acts on the bit reads a LOWPAN_NHC octet where LOWPAN_IPHC stands; one that takes the
    Reserved octet for a length, or misses one, loses its place. Both drop the packet or deliver another.
    When it is no fault: receivers are told to ignore both, so nodes of one make understand each other.
    Example: the NH bit is 1 before an IPv6 header, where it has no use and must be 0.
    What to do: Clear the bits where the header is compressed; write no length into a fragment header.
    """

    name = "extension-bits-not-zero"
    severity = Severity.RISK
    certainty = Certainty.FRAME
    cite = rfc(6282, "4.2")
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notices of the decoder."""
        if thing.name not in _NOTICES:
            return NONE
        return (Hit(thing.text, (), scene.sender),)


class ChecksumElidedBehindUnknownRoute(Rule):
    """The UDP checksum is elided although nobody here can tell what it covers.

    What it sees: a compressed UDP header with its C bit set behind a routing header with segments left, of a type whose
    addresses cannot be read.
    Why it costs: the checksum covers the final destination. Whoever restores it without knowing that address writes a
    wrong one, and the end of the route drops the datagram.
    When it is no fault: all nodes that expand the datagram know the routing type.
    Example: C is set behind a route whose end cannot be read.
    What to do: Carry the checksum (2 octets) in datagrams with such routing headers.
    """

    name = "checksum-elided-behind-unknown-route"
    severity = Severity.RISK
    certainty = Certainty.FRAME
    cite = rfc(8200, "8.1")
    reads = (Notice,)

    def check(self, scene: Scene, thing: Notice) -> Hits:
        """Take the notice of the decoder."""
        if thing.name != "udp-checksum-unsure":
            return NONE
        return (Hit("C is set behind a route whose end cannot be read", (), scene.sender),)
