"""Findings about frames of the link: addresses, PAN IDs, numbers, elements, sizes."""

from collections.abc import Iterator

from lowpanbudget.cites import ieee, rfc
from lowpanbudget.env import IID_MASK, interface_identifier
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, named
from lowpanbudget.layers.link.addressing import addressing
from lowpanbudget.layers.link.elements import CITE as ELEMENTS
from lowpanbudget.layers.link.header_contents import TERMINATION_1, TERMINATION_2
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
    Example: frame control 0x8801 with PAN ID 0xabcd as destination and again as source; 0x8841 says the same once.
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
        if addressing(mac.version, *modes, 1).source_pan:
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


class SequenceSuppressionMisused(Rule):
    """The bit that suppresses the sequence number is set where it has no meaning.

    What it sees: bit 8 of the frame control set in a frame of version 0 or 1, where it is reserved; or an
    acknowledgement asked for by a frame of version 2 without sequence number.
    Why it costs: a receiver that honours the bit reads every field behind it one octet too early; an immediate
    acknowledgement has nothing but the number to name the frame.
    When it is no fault: version 2 may leave the number out; with enhanced acknowledgements, as time-slotted networks
    use them, asking for one is right. That case is only a remark.
    Example: frame control 0x8961: version 0 and bit 8 set.
    What to do: Clear the bit, or send version 2; ask for no immediate acknowledgement of an unnumbered frame.
    """

    name = "sequence-suppression-misused"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = ieee(2015, "7.2.2.8")
    reads = (Mac,)

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Look at the bit and at what it goes with."""
        octets = scene.frame.octets
        evidence = (f"frame control {control(scene.frame)}",)
        if not thing.later:
            if len(octets) > 1 and octets[1] & 1:
                cause = f"bit 8 is reserved in version {thing.version}, and it is set"
                return (Hit(cause, evidence, scene.sender),)
        elif thing.sequence is None and thing.ack_request and not thing.ie_present:
            cause = "an acknowledgement is asked for and no number tells which frame it is for"
            return (Hit(cause, evidence, scene.sender, severity=Severity.REMARK),)
        return NONE


class HeaderElementsUnreadable(Rule):
    """The information elements of a frame cannot be walked to their end.

    What it sees: a frame that says it has information elements, whose walk runs over the end or into octets that are no
    element: a termination is missing, or a length is wrong.
    Why it costs: everything behind the elements is lost: a receiver takes payload for elements.
    When it is no fault: a frame cut by the capture; elements may end with the frame without any termination.
    Example: one header element, then 6LoWPAN data, with no termination element between.
    What to do: End header elements with termination 1 before payload elements, with termination 2 before a payload;
    count lengths without the element's own two octets.
    """

    name = "header-elements-unreadable"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = ELEMENTS
    reads = (WireError, Notice)

    def check(self, scene: Scene, thing: WireError | Notice) -> Hits:
        """Take faults of the walk and of element contents."""
        if isinstance(thing, Notice):
            if thing.name != "element-wrong":
                return NONE
            return (
                Hit(thing.text, (f"octet {thing.offset}",), scene.sender, severity=Severity.RISK),
            )
        if faults.owner(thing, scene) != self.name:
            return NONE
        found = scene.mac.header_ies if scene.mac is not None else ()
        walked = ", ".join(f"{one.name or one.id} ({len(one.content)} octets)" for one in found)
        return (
            Hit(
                thing.message, (faults.where(thing), f"walked: {walked or 'nothing'}"), scene.sender
            ),
        )


class ElementsEndedForNothing(Rule):
    """A termination element stands where nothing follows it.

    What it sees: header elements that end with a termination although the frame ends there too.
    Why it costs: two octets in each such frame.
    When it is no fault: some senders end every list alike to keep code small; two octets are the price.
    Example: an enhanced acknowledgement with one header element, termination 2, and the check sequence.
    What to do: Leave the termination out where neither payload elements nor a payload follow.
    """

    name = "elements-ended-for-nothing"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = ELEMENTS
    reads = (Mac,)

    def check(self, scene: Scene, thing: Mac) -> Hits:
        """Look at the last header element of frames with an empty payload."""
        last = thing.header_ies[-1] if thing.header_ies else None
        if last is None or last.id not in {TERMINATION_1, TERMINATION_2}:
            return NONE
        if scene.frame.payload != b"" or thing.payload_ies:
            return NONE
        return (
            Hit("a termination element ends a list that the frame ends anyway", (), scene.sender),
        )


class CheckSequence(Rule):
    """The check sequence does not match the frames.

    What it sees: at the end of the capture, how many frames end with octets that are the check sequence of the rest.
    None of eight or more: it was taken off, or replaced by radio status, and the capture's link type says otherwise.
    More than one in ten of at least 20: frames were damaged on their way to this receiver.
    Why it costs: octets that are no check sequence are counted as one, or real payload is taken for it; damaged frames
    say where the link is poor.
    When it is no fault: a receiver at the edge of the range sees damaged frames that others receive well. Fewer than
    one in ten are only a remark.
    Example: 40 frames and no match: the receiver put signal strength and link quality in place of the check sequence.
    What to do: Say how the capture ends frames (--fcs none, or the right link type); move the receiver.
    """

    name = "check-sequence-wrong"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = ieee(2015, "7.2.10")
    reads = (Frame,)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.right = self.wrong = 0
        self.first: list[int] = []

    def check(self, scene: Scene, thing: Frame) -> Hits:  # noqa: ARG002
        """Count."""
        if scene.fcs_ok is None:
            return NONE
        if scene.fcs_ok:
            self.right += 1
        else:
            self.wrong += 1
            if len(self.first) < 8:
                self.first.append(scene.number)
        return NONE

    def close(self) -> Hits:
        """Judge the counts."""
        total = self.right + self.wrong
        if not self.wrong:
            return
        share = f"{self.wrong} of {total} frames do not match"
        frames = tuple(self.first)
        if not self.right and total >= 8:
            cause = "no frame ends with its check sequence: it was taken off or replaced"
            yield Hit(cause, (share,), frames=frames)
        else:
            heavy = total >= 20 and self.wrong * 10 > total
            severity = Severity.RISK if heavy else Severity.REMARK
            cause = "some frames were damaged before this receiver saw them; nothing is concluded from those"
            yield Hit(cause, (share,), frames=frames, severity=severity)


class AddressOctetsReversed(Rule):
    """An extended address is written with its octets in reversed order.

    What it sees: an extended address that is not known while its reverse is (key file, design), or an IPv6 interface
    identifier carried in line that belongs to the reverse of the frame's extended address.
    Why it costs: a neighbour looks for an address that nobody has; keys and nonces that depend on it fail.
    When it is no fault: two devices whose addresses are the reverse of each other, which nobody hands out on purpose.
    Example: source 17:00:00:00:00:10:5e:02 in the frame and fe80::5e:1000:0:17 in the IPv6 header, for 02:5e:10:...:17.
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


class FrameTooLong(Rule):
    """A frame is longer than the PHY can carry.

    What it sees: header, payload, integrity code and check sequence together over the PHY's limit (127 octets, or what
    the design's PHY allows). Frames with a 4-octet check sequence are taken for PHYs of 2047 octets.
    Why it costs: such a frame cannot have been sent; a driver that takes it without an error loses it in silence, and
    the sender blames its neighbour.
    When it is no fault: a capture made above the radio, where the driver still cuts or refuses.
    Example: 118 octets of payload, a 5-octet auxiliary header and a 4-octet code: 138 in all.
    What to do: Subtract auxiliary header, integrity code and check sequence from the room before cutting datagrams.
    """

    name = "frame-too-long"
    severity = Severity.FAILURE
    certainty = Certainty.FRAME
    cite = ieee(2015, "11.2")
    reads = (Frame,)
    varies = True

    def check(self, scene: Scene, thing: Frame) -> Hits:
        """Measure."""
        known = self.known
        octets = len(scene.octets) + (0 if scene.fcs else 2)
        limit = 2047 if scene.fcs == 4 and known.design is None else known.largest
        if octets <= limit:
            return NONE
        security = thing.mac.security if thing.mac is not None else None
        extra = ""
        if security is not None and security.level:
            extra = f", of which {len(security.mic)} are the integrity code"
        return (
            Hit(
                f"{octets} octets, {octets - limit} over the limit of {limit}{extra}",
                (),
                scene.sender,
            ),
        )


class ShortAddressUnusable(Rule):
    """A short address is used that is nobody's.

    What it sees: a source or unicast destination 0xfffe, a source 0xffff, or a 6LoWPAN frame from a source whose first
    bit is 1: RFC 4944 section 12 keeps those for multicast and for later.
    Why it costs: nobody can answer; a receiver that follows RFC 4944 takes the address for a group.
    When it is no fault: networks that hand out short addresses over the whole range work among themselves; that is
    a remark, not a failure. Frames without 6LoWPAN are only held to 0xfffe and 0xffff.
    Example: source 0xfffe: the node is associated but has not been given a short address.
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
    Example: version 2, extended addresses, compression bit set: the 2015 rule carries no PAN ID, the 2006 rule one.
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
            addressing(version, to, origin, int(mac.pan_id_compression))
            for version in (mac.version, other)
        ]
        if forms[0][:4] == forms[1][:4]:
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


LINK_RULES: tuple[type[Rule], ...] = (
    PanIdCarriedTwice,
    SequenceSuppressionMisused,
    HeaderElementsUnreadable,
    ElementsEndedForNothing,
    CheckSequence,
    AddressOctetsReversed,
    FrameTooLong,
    ShortAddressUnusable,
    PanIdRuleOfOtherVersion,
)
