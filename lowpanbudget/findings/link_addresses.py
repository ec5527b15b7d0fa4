"""Findings about PAN IDs and link addresses."""

from collections.abc import Iterator

from lowpanbudget.cites import ieee, rfc
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.errors import WireError
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene, named
from lowpanbudget.layers.link.addressing import addressing, pan_ids
from lowpanbudget.layers.link.mac import MODE_OCTETS, FrameType, Mac
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.stack.found import Notice
from lowpanbudget.stack.frame import Frame, decode_frame

_FEW = 3  # frames of a PAN that make it one that is known


class PanIdCarriedTwice(Rule):
    """Both PAN IDs are carried although they are equal.

    What it sees: a frame of version 0 or 1 with both addresses, equal PAN IDs and the PAN ID compression bit clear, or
    a frame of version 2 with a short address that does the same.
    Why it costs: two octets in every frame; a receiver that expects the compressed form of traffic inside a PAN may
    read the source address two octets too early and drop the frame.
    When it is no fault: never between nodes of one PAN; with two different PAN IDs both must be carried, and then
    nothing is said.
    Example: frame control 0x9821, PAN IDs 0xabcd and 0xabcd; with the compression bit set one of them goes.
    What to do: Set the PAN ID compression bit and leave the source PAN ID out.
    """

    name = "pan-id-carried-twice"
    severity = Severity.WASTE
    certainty = Certainty.FRAME
    cite = ieee(2006, "7.2.1.1.5")
    reads = (Mac,)

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Compare the PAN IDs of a frame that carries both."""
        mac = thing
        if mac.source_pan is None or mac.source_pan != mac.destination_pan:
            return NONE
        if mac.source is None or mac.destination is None:
            return NONE
        modes = (MODE_OCTETS.index(len(mac.destination)), MODE_OCTETS.index(len(mac.source)))
        _, source_pan = pan_ids(addressing(mac.version, *modes, 1).layout)
        if source_pan:
            return NONE
        pan = f"{mac.source_pan:#06x}"
        cause = f"PAN ID {pan} stands as destination and as source; two octets say it again"
        return (
            Hit(
                cause,
                (f"frame control {control(scene.frame)}, PAN IDs {pan} and {pan}",),
                scene.sender,
            ),
        )


class AddressOctetsReversed(Rule):
    """An extended address is written with its octets in reversed order.

    What it sees: an extended address that is not known while its reverse is (key file, design), or an IPv6 interface
    identifier carried in line that belongs to the reverse of the frame's extended address.
    Why it costs: a neighbour looks for an address that nobody has; keys and nonces that depend on it fail.
    When it is no fault: two devices whose addresses are the reverse of each other, which nobody hands out on purpose.
    Example: the source 17:00:00:00:00:10:5e:02 is the reverse of a known device, 02:5e:10:00:00:00:00:17.
    What to do: Send extended addresses least significant octet first on the air, and store them the same way round
    everywhere in software.
    """

    name = "address-octets-reversed"
    severity = Severity.FAILURE
    certainty = Certainty.CONFIGURATION
    cite = ieee(2015, "7.1")
    reads = (Mac, Iphc)

    def check(self, scene: Scene, thing: Mac | Iphc) -> Hits:
        """Look addresses up forwards and backwards."""
        if isinstance(thing, Mac):
            return self._known(scene, thing) if self.known.devices else NONE
        link = scene.frame.link_source
        if link is None or len(link) != 8 or thing.rows["source"].inline != 8 or link == link[::-1]:
            return NONE
        iid = int(thing.header.source) & IID_MASK
        turned = interface_identifier(link[::-1])
        if iid not in {turned, int.from_bytes(link[::-1], "big")} or iid == interface_identifier(
            link
        ):
            return NONE
        cause = f"the identifier of {thing.header.source} belongs to {named(link[::-1])}, the frame is from its reverse"
        return (Hit(cause, (f"link source {named(link)}",), named(link)),)

    def _known(self, scene: Scene, mac: Mac) -> Iterator[Hit]:  # noqa: ARG002  # one signature for all rules
        for which, link in (("source", mac.source), ("destination", mac.destination)):
            if link is None or len(link) != 8 or link in self.known.devices:
                continue
            if link[::-1] in self.known.devices:
                cause = f"the {which} {named(link)} is the reverse of a known device, {named(link[::-1])}"
                yield Hit(cause, (f"{which} as sent: {link[::-1].hex(' ')}",), named(link))


class ShortAddressUnusable(Rule):
    """A short address is used that is nobody's.

    What it sees: a source or unicast destination 0xfffe, a source 0xffff, or a 6LoWPAN frame from a source whose first
    bit is 1: RFC 4944 section 12 keeps those for multicast and for later.
    Why it costs: nobody can answer; a receiver that follows RFC 4944 takes the address for a group.
    When it is no fault: networks that hand out short addresses over the whole range work among themselves; that is
    a remark, not a failure. Frames without 6LoWPAN are only held to 0xfffe and 0xffff.
    Example: the source 0xfffe means: no short address assigned; the node is associated all the same.
    What to do: Use the extended address until a short one is assigned; assign 0x0000 to 0x7fff.
    """

    name = "short-address-unusable"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = rfc(4944, "12")
    reads = (Mac,)

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Look at both short addresses."""
        source, destination = thing.source, thing.destination
        if destination == b"\xff\xfe":
            return (Hit("the destination 0xfffe means: no short address", (), scene.sender),)
        if source is None or len(source) != 2 or source[0] < 0x80:
            return NONE
        if source >= b"\xff\xfe":
            means = "broadcast" if source == b"\xff\xff" else "no short address assigned"
            return (Hit(f"the source 0x{source.hex()} means: {means}", (), scene.hop),)
        if scene.header is not None:
            cause = "sources start with a 1 bit, which RFC 4944 keeps for groups"
            return (Hit(cause, (f"source {named(source)}",), severity=Severity.REMARK),)
        return NONE


class PanIdRuleOfOtherVersion(Rule):
    """The PAN IDs follow the rule of another frame version.

    What it sees: a data frame that cannot be read by the PAN ID rule of its own version, while the rule of the other
    version gives a PAN ID that three other frames carry and a payload that is 6LoWPAN to its end.
    Why it costs: receivers read addresses that are shifted by two octets, half PAN ID, half address.
    When it is no fault: never; but encrypted frames without a key cannot be judged, and nothing is said of them.
    Example: version 2 cannot be read by its own rule; by that of version 1 it comes from 02:5e:10:00:00:00:00:17 in PAN
    0xabcd.
    What to do: Build frames of version 2 by table 7-2 of the 2015 edition, those before by the 2006 rule.
    """

    name = "pan-id-rule-of-other-version"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = ieee(2015, "table 7-2")
    reads = (WireError, Notice)

    def check(self, scene: Scene, thing: WireError | Notice) -> Hits:
        """Read the frame again by the other rule."""
        if isinstance(thing, Notice) and thing.name != "not-lowpan":
            return NONE
        mac, octets = scene.mac, scene.frame.octets
        if (
            mac is None
            or mac.frame_type != FrameType.DATA
            or mac.ie_present
            or mac.sequence is None
        ):
            return NONE
        if mac.security is not None and mac.security.level:
            return NONE
        other = 1 if mac.version == 2 else 2
        to, origin = [
            0 if one is None else MODE_OCTETS.index(len(one))
            for one in (mac.destination, mac.source)
        ]
        forms = [
            pan_ids(addressing(version, to, origin, int(mac.pan_id_compression)).layout)
            for version in (mac.version, other)
        ]
        if forms[0] == forms[1]:
            return NONE
        changed = octets[:1] + bytes([octets[1] & 0xCF | other << 4]) + octets[2:]
        again = decode_frame(changed, fcs=scene.fcs, contexts=scene.contexts)
        if (
            again.fault is not None
            or again.mac is None
            or (again.datagram is None and again.fragment is None)
        ):
            return NONE
        pan = again.mac.pan_id
        if pan is None or self.known.pans.get(pan, 0) < _FEW:
            return NONE
        scene.explained = True
        cause = (
            f"version {mac.version} cannot be read by its own rule; by that of version {other} it comes from "
            f"{named(again.mac.source)} in PAN {pan:#06x}"
        )
        return (Hit(cause, (f"frame control {control(scene.frame)}",), named(again.mac.source)),)


def control(frame: Frame) -> str:
    """Return the frame control field as text."""
    return f"{int.from_bytes(frame.octets[:2], 'little'):#06x}"
