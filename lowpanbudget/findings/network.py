"""Findings about RPL and about the capture itself."""

from ipaddress import IPv6Address

from lowpanbudget.capture.files.record import ReadingNotice
from lowpanbudget.capture.follow.fcs_check import STATUS, STRIPPED, FcsVerdict
from lowpanbudget.capture.follow.learning import announced_rpi_type
from lowpanbudget.cites import ieee, rfc
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene, Whole
from lowpanbudget.layers.internet import ipv6, rpi
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.rpl.messages import Dio
from lowpanbudget.stack.found import Notice


def rpl_option(datagram: bytes) -> bytes | None:
    """Return the RPL option of a datagram's hop-by-hop header, type and length included; None without one."""
    if len(datagram) < 48 or datagram[6] != ipv6.HOP_BY_HOP:
        return None
    end = min(ipv6.OCTETS + 8 * datagram[41] + 8, len(datagram))
    at = ipv6.OCTETS + 2
    while at + 1 < end:
        kind, length = datagram[at], datagram[at + 1]
        if kind in rpi.TYPES:
            return datagram[at : at + 2 + length]
        at += 1 if kind == 0 else 2 + length
    return None


class RplOptionNotAsAnnounced(Rule):
    """The RPL option has another type than the network announced.

    What it sees: a DODAG configuration whose 0x23 flag says one option type, and later a datagram of this network
    with the other.
    Why it costs: 0x63 means "discard if unknown": nodes that know the new type alone drop the packet; the other way
    round old nodes do.
    When it is no fault: several RPL instances with different configurations on one channel.
    Example: 0x0017 sends type 0x63, the network announced 0x23.
    What to do: Update the node, or clear the flag until all are updated (RFC 9008 section 4.1.3).
    """

    name = "rpl-option-not-as-announced"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = rfc(9008, "4.1.3")
    reads = (Icmpv6, Whole)
    varies = True

    def __init__(self, known: Known) -> None:
        super().__init__(known)
        self.told: tuple[int, int] | None = None

    def check(self, scene: Scene, thing: Icmpv6 | Whole) -> Hits:
        """Learn from DIOs; compare each option."""
        if isinstance(thing, Icmpv6):
            if isinstance(thing.message, Dio):
                told = announced_rpi_type(thing.message)
                if told is not None:
                    self.told = (told, scene.number)
            return NONE
        if self.told is None or not is_inline_option(scene):
            return NONE
        found = rpl_option(thing.octets)
        if found is None or found[0] == self.told[0]:
            return NONE
        cause = (
            f"{scene.sender} sends type {found[0]:#04x}, the network announced {self.told[0]:#04x}"
        )
        return (Hit(cause, (found.hex(" "),), scene.sender, (self.told[1], *thing.numbers)),)


def is_inline_option(scene: Scene) -> bool:
    """Return whether the option was carried as one: 6LoRH leaves its type to the reader's settings."""
    return not any(type(layer).__module__.endswith("lorh") for layer in scene.frame.layers)


class RplOptionLeavesNetwork(Rule):
    """A datagram with the RPL option of type 0x63 leaves the network.

    What it sees: the option as a hop-by-hop header of a datagram that is not tunnelled, from a global address to
    another /64.
    Why it costs: a host that does not know the option must discard the packet: type 0x63 says so.
    When it is no fault: two prefixes inside one RPL network; type 0x23, which others skip; the border router may take
    the header out. That is why it is only a remark.
    Example: a datagram to 2001:db8:f00d:2::10 carries an option that others must discard: 63 04 00 00 02 00.
    What to do: Use type 0x23 (RFC 9008), or tunnel to the border router.
    """

    name = "rpl-option-leaves-network"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = rfc(9008, "4.2")
    reads = (Whole,)

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Compare the prefixes of a datagram with the option."""
        if thing.octets[6] != ipv6.HOP_BY_HOP:
            return NONE
        source, destination = thing.octets[8:16], thing.octets[24:32]
        if (
            source == destination
            or destination[0] == 0xFF
            or source[0] == 0xFE
            or destination[0] == 0xFE
        ):
            return NONE
        found = rpl_option(thing.octets)
        if found is None or found[0] != rpi.OLD or thing.octets[40:41] == b"\x29":
            return NONE
        to = IPv6Address(thing.octets[24:40])
        return (
            Hit(
                f"a datagram to {to} carries an option that others must discard",
                (found.hex(" "),),
                scene.sender,
            ),
        )


class RplInformationAsOption(Rule):
    """RPL information goes as a hop-by-hop header.

    What it sees: five datagrams or more of a sender with the RPL option in an extension header.
    Why it costs: 8 octets of every datagram, and as many when compressed; as RPI-6LoRH (RFC 8138) it takes 3 to 5
    octets, and one for the page switch.
    When it is no fault: nodes that do not read page 1 of 6LoWPAN dispatch. Hence only a remark.
    Example: the RPL option takes 8 octets of the datagram, 4 would do with 6LoRH and its page switch.
    What to do: Use 6LoRH if all nodes understand it; budget shows what it gives.
    """

    name = "rpl-information-as-option"
    severity = Severity.REMARK
    certainty = Certainty.FRAME
    cite = rfc(8138, "6")
    reads = (Whole,)
    least = 5

    def check(self, scene: Scene, thing: Whole) -> Hits:
        """Look for the option carried in line."""
        if thing.octets[6] != ipv6.HOP_BY_HOP or not is_inline_option(scene):
            return NONE
        found = rpl_option(thing.octets)
        if found is None:
            return NONE
        short = 3 + (len(found) > 4 and bool(found[3])) + (len(found) > 5 and bool(found[5]))
        cause = f"the RPL option takes 8 octets of the datagram, {short + 1} would do with 6LoRH and its page switch"
        return (Hit(cause, (found.hex(" "),), scene.sender),)


class ContextAnnouncedOtherwise(Rule):
    """A context is announced with another prefix than the one that is configured.

    What it sees: a context option in an advertisement whose prefix differs from what the design or --context gives
    for that number, or a short address that an exchange gives to another device than the key file does.
    Why it costs: nodes that learned from the air and nodes that were configured restore different addresses.
    When it is no fault: the configuration given here is of another time or network.
    Example: context 1 is given as 2001:db8:2::/64, and announced as 2001:db8:99::/64.
    What to do: Decide which one is right, and spread that one to all.
    """

    name = "context-announced-otherwise"
    severity = Severity.RISK
    certainty = Certainty.CONFIGURATION
    cite = rfc(6775, "4.2")
    reads = (Notice,)
    varies = True

    def check(self, scene: Scene, thing: Notice) -> Hits:  # noqa: ARG002  # one signature for all rules
        """Take the notices of what was learned."""
        if thing.name not in {"context-differs", "device-differs"}:
            return NONE
        return (Hit(thing.text, (), thing.text),)


class CaptureDamaged(Rule):
    """The capture file itself is damaged or cut.

    What it sees: what reading the file noticed: an end in the middle of a record, lengths that cannot be, lines
    without octets. All whole frames before and after are used.
    Why it costs: frames are missing, so what several frames prove may be wrong: a lost fragment looks lost on the air.
    When it is no fault: a capture still being written ends in the middle of a record. A block of a kind that this
    program does not know is passed over, and is only a remark.
    Example: the last record has 17 of its 26 octets.
    What to do: Copy the file again, or capture again; take findings about losses with care.
    """

    name = "capture-damaged"
    severity = Severity.RISK
    certainty = Certainty.CAPTURE
    cite = ieee(2015, "5.1")
    reads = (ReadingNotice,)

    def check(self, scene: Scene, thing: ReadingNotice) -> Hits:  # noqa: ARG002
        """Take each notice; a block of a kind made later than this program is no damage."""
        severity = Severity.REMARK if thing.name == "block-unknown" else None
        evidence = (f"octet {thing.offset} of the file",)
        return (Hit(thing.text, evidence, thing.name, (thing.number,), severity=severity),)


class CheckSequenceNotAsSaid(Rule):
    """The capture says that frames end with a check sequence, and they do not.

    What it sees: by its link type the capture keeps check sequences; none of its first frames ends with the right one,
    and transport checksums or acknowledgements tell that it was taken off or replaced by radio status.
    Why it costs: a reader that believes it counts payload octets as check sequence, or two octets of signal strength
    as payload.
    When it is no fault: receivers that replace it are common; this program has seen it and read the frames right. That
    is why it is only a remark.
    Example: the FCS is right in none of 8 frames: it was stripped (by the checksums or lengths of 8 frames).
    What to do: Nothing for this program; for others choose the link type without check sequence.
    """

    name = "check-sequence-not-as-said"
    severity = Severity.REMARK
    certainty = Certainty.CAPTURE
    cite = ieee(2015, "7.2.10")
    reads = (FcsVerdict,)

    def check(self, scene: Scene, thing: FcsVerdict) -> Hits:  # noqa: ARG002
        """Take the verdict over the first frames."""
        if thing.state not in {STRIPPED, STATUS}:
            return NONE
        return (Hit(thing.text, (f"{thing.matched} of {thing.tested} match",), thing.state, (1,)),)
