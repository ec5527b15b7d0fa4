"""Findings about frames that cannot be read to their end, each with its reason."""

from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Certainty, Hit, Severity
from lowpanbudget.findings.rule import NONE, Hits, Rule
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.lowpan import addresses, nhc
from lowpanbudget.layers.lowpan.legacy import Legacy
from lowpanbudget.stack.found import Notice

_CONNECTION_ID = rfc(9146, "4")  # a record that only its two ends can read: no fault


class ReservedCodeUsed(Rule):
    """A frame uses a code that its standard reserves.

    What it sees: a frame type, address mode, dispatch, address mode of a compressed header or header number that is
    reserved: nothing can be restored from it.
    Why it costs: every receiver drops the frame.
    When it is no fault: a code assigned after this program was written; another protocol on the channel whose payload
    starts like 6LoWPAN by chance; damaged frames are not looked at.
    Example: destination address mode (M DAC DAM) 0100 is reserved (RFC 6282 §3.1.1).
    What to do: See which code the evidence names, and what the table there allows (lowpanbudget explain
    iphc, or explain dispatch).
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
    Example: a mesh header stands behind a header that it must precede (RFC 4944 §5): fragment first, mesh after.
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
    Example: the IPHC header needs 2 octets, 1 octet left (RFC 6282 §3.1.1).
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
    Example: the routing header has 7 octets, no multiple of 8 that its length can count, and only options headers may
    leave out their pad (RFC 6282 §4.2).
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


class NotALowpanFrame(Rule):
    """Data frames on the channel are not 6LoWPAN.

    What it sees: a dispatch octet 0x00 to 0x3f, which RFC 4944 leaves to other protocols.
    Why it costs: nothing by itself; another network shares the channel, or a node sends without a dispatch.
    When it is no fault: two protocols may share a channel. It is a verdict, not an error.
    Example: a payload that starts with the dispatch of no header: the payload is of another protocol.
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
    Example: 0x0017 compresses with LOWPAN_HC1.
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
    Example: DODAG configuration option: length 16 makes 18 octets, not 16 (RFC 6550 §6.7.6): every option length counts
    the option's own two octets: two too many.
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
