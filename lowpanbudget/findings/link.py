"""Findings about frames of the link: addresses, PAN IDs, numbers, elements, sizes."""

from lowpanbudget.cites import ieee
from lowpanbudget.errors import WireError, plural
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.link_addresses import (
    control,
)
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Known, Scene
from lowpanbudget.layers.link.elements import CITE as ELEMENTS
from lowpanbudget.layers.link.header_contents import TERMINATION_1, TERMINATION_2
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.stack.found import Notice
from lowpanbudget.stack.frame import Frame


class SequenceSuppressionMisused(Rule):
    """The bit that suppresses the sequence number is set where it has no meaning.

    What it sees: bit 8 of the frame control set in a frame of version 0 or 1, where it is reserved; or an
    acknowledgement asked for by a frame of version 2 without sequence number.
    Why it costs: a receiver that honours the bit reads every field behind it one octet too early; an immediate
    acknowledgement has nothing but the number to name the frame.
    When it is no fault: version 2 may leave the number out; with enhanced acknowledgements, as time-slotted networks
    use them, asking for one is right. That case is only a remark.
    Example: frame control 0x9961: bit 8 is reserved in version 1, and it is set.
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
    Example: one header element, then data and no termination between: the content of the unassigned header IE needs 122
    octets, 1 octet left.
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
        walked = ", ".join(
            f"{one.name or one.id} ({plural(len(one.content), 'octet')})" for one in found
        )
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
    Example: one header element and no payload: a termination element ends a list that the frame ends anyway.
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
    Example: 20 of 20 frames do not match: no frame ends with its check sequence: it was taken off or replaced.
    What to do: If all fail, say how the capture ends frames (--fcs none, or the right link type); if some do, move the
    receiver.
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


class FrameTooLong(Rule):
    """A frame is longer than the PHY can carry.

    What it sees: header, payload, integrity code and check sequence together over the PHY's limit (127 octets, or what
    the design's PHY allows). Frames with a 4-octet check sequence are taken for PHYs of 2047 octets.
    Why it costs: such a frame cannot have been sent; a driver that takes it without an error loses it in silence, and
    the sender blames its neighbour.
    When it is no fault: a capture made above the radio, where the driver still cuts or refuses.
    Example: 128 octets, 1 over the limit of 127: the driver took it, and nobody heard it.
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
