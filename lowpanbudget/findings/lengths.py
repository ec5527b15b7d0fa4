"""A finding about lengths inside a datagram."""

from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene, Whole
from lowpanbudget.layers.internet import chain, ipv6


class LengthsDisagree(Rule):
    """Lengths inside a datagram disagree with what is there.

    What it sees: an IPv6 payload length, of the datagram or of one tunnelled in it, that is not the number of octets
    behind its header; or a UDP length that is not what IPv6 leaves for it.
    Why it costs: receivers cut or drop the datagram; checksums cover the wrong octets.
    When it is no fault: jumbograms, which no 6LoWPAN link carries; octets of padding below IPv6.
    Example: the inner IPv6 header says 23 octets follow, 15 do: its own UDP header was counted twice.
    What to do: Compute each length from its own header's end; with fragments from datagram_size.
    """

    name = "lengths-disagree"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(8200, "3")
    reads = (Whole,)

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Walk the headers; a restored header has its length computed, so only carried ones can be wrong."""
        octets = thing.octets
        length = int.from_bytes(octets[4:6], "big") + ipv6.OCTETS
        if length != len(octets):
            cause = f"the IPv6 header says {length} octets, {len(octets)} are there"
            return (Hit(cause, (octets[:8].hex(" "),), scene.sender, thing.numbers),)
        if octets[6] == ipv6.UDP:
            return self._udp(scene, thing, ipv6.OCTETS, len(octets))
        if octets[6] == ipv6.ICMPV6:
            return NONE
        end = len(octets)
        try:
            for found in chain.walk(octets):
                if found.kind == ipv6.IPV6:
                    inner = int.from_bytes(octets[found.offset + 4 : found.offset + 6], "big")
                    there = end - found.offset - ipv6.OCTETS
                    if inner != there:
                        cause = f"the inner IPv6 header says {inner} octets follow, {there} do"
                        return (
                            Hit(
                                cause,
                                (octets[found.offset :][:8].hex(" "),),
                                scene.sender,
                                thing.numbers,
                            ),
                        )
                elif found.kind == ipv6.UDP:
                    return self._udp(scene, thing, found.offset, end)
                elif found.kind == ipv6.FRAGMENT:
                    return NONE
        except WireError:
            return NONE  # a chain that cannot be walked has its own finding
        return NONE

    def _udp(self, scene: Scene, thing: Whole, at: int, end: int) -> Hits:
        carried = int.from_bytes(thing.octets[at + 4 : at + 6], "big")
        if carried == end - at or end - at < 8:
            return NONE
        cause = f"UDP says {plural(carried, 'octet')}, IPv6 leaves {end - at}"
        return (Hit(cause, (thing.octets[at : at + 8].hex(" "),), scene.sender, thing.numbers),)
