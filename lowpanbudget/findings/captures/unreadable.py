"""Frames that cannot be read to their end, each with its reason."""

from lowpanbudget.capture.follow.protection import begins_as_record, clear_message
from lowpanbudget.cites import ieee, rfc
from lowpanbudget.env import link_text
from lowpanbudget.errors import Reserved, WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.captures.protection import in_words, record_in_words
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.rule import OWN_FAULT, FaultOf, Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.turned import told, turned_header
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.dtls.record import DEMULTIPLEX
from lowpanbudget.layers.internet.nd.messages import REDIRECT, RS
from lowpanbudget.layers.internet.rpl import messages as rpl
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.stack.incoming import Notice

_CONNECTION_ID = rfc(9146, "4")  # a record that only its two ends can read: no fault
UNREAD = FaultOf("a record that holds no frame")

_BESIDE = "Look whose it is: its PAN is none of the design's, and another protocol there is no fault of your network."
_LOOK_UP = "See which code the evidence names, and what the table there allows"

UNREADABLE = Subject("unreadable", across=True)


@UNREADABLE.rule("extension-header-not-whole", OWN_FAULT)
@UNREADABLE.rule("frame-cut-short", OWN_FAULT)
@UNREADABLE.rule("octets-contradict", OWN_FAULT)
@UNREADABLE.rule("reserved-code-used", OWN_FAULT)
def cannot_be_read(scene: Scene, fault: WireError) -> Hits:
    """Say why and where, unless a rule knows better."""
    if scene.explained or not scene.example:  # a record without octets is damage of the file
        return
    evidence, security = faults.where(fault), scene.security
    if (
        security is None or not LEVELS[security.level].encrypted
    ):  # else what was sent there is sealed
        start = max(fault.offset - 2, 0)
        octets = scene.example[start : fault.offset + 6]
        if octets:
            evidence += f"; octets from {start}: {octets.hex(' ')}"
    advice = (
        f"{_LOOK_UP} (lowpanbudget explain {fault.layer})." if isinstance(fault, Reserved) else ""
    )
    severity = None
    if scene.is_beside_design:
        severity, advice = Severity.REMARK, _BESIDE
    hit = Hit(fault.message, (evidence,), scene.sender, (), severity, advice, cite=fault.cite)
    turned = turned_header(scene)
    if turned is not None:
        name, cite = link_text(turned.source), ieee(2006, "7.2, from memory")
        hit = hit._replace(cause=told(turned), subject=name, severity=None, advice=_TURN, cite=cite)
    yield hit


_TURN = (
    "Write frame control, PAN IDs and addresses of the MAC header with their least significant octet first: nobody "
    "takes the frames of a node that turns them."
)


@UNREADABLE.rule("contents-unreadable", Noticed("payload-unreadable"))
@UNREADABLE.rule("contents-unreadable", Noticed("source-route-unreadable"))
def contents_unreadable(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder, each fault by itself; try the commonest slip."""
    if notice.cite == _CONNECTION_ID:
        return
    evidence = [f"octet {notice.offset}"]
    datagram = scene.datagram if notice.name == "payload-unreadable" else None
    if datagram is not None and datagram.udp is not None:
        if scene.known.flows is not None and scene.known.flows.unprotected(datagram) is not None:
            return  # told as what it is: the planned protection is missing
        octets = datagram.udp_octets
        message = clear_message(octets) if notice.cite == DEMULTIPLEX else None
        evidence += [] if message is None else [in_words(message)]
        if notice.cite != DEMULTIPLEX and begins_as_record(octets):
            evidence.append(record_in_words(octets))
    if options_count_their_heads(scene):
        evidence.append("every option length counts the option's own two octets: two too many")
    subject = f"{scene.sender}: {notice.text}"
    yield Hit(notice.text, tuple(evidence), subject, advice=_counting(scene), cite=notice.cite)


_RPL_COUNTS = "Let the length of an RPL option count what follows its type and length octets."
_ND_COUNTS = "Let the length of a neighbour discovery option count units of 8 octets, its type and length among them."


def _counting(scene: Scene) -> str:
    """Return how the options of an ICMPv6 message count, where it has some of which that is known to go wrong."""
    kind = _icmpv6(scene)[:1]
    if kind == bytes([rpl.TYPE]):
        return _RPL_COUNTS
    return _ND_COUNTS if kind and kind[0] in _ND else ""


@UNREADABLE.rule("not-read-further", UNREAD)
def record_unread(_scene: Scene, fault: WireError) -> Hits:
    """Take records that hold no frame."""
    advice = (
        fault.hint and f"{fault.hint}: capture as one of them, or look at these by other means."
    )
    yield Hit(fault.message, (), fault.message, advice=advice, cite=fault.cite)


@UNREADABLE.rule("not-read-further", OWN_FAULT)
def not_read_further(_scene: Scene, fault: WireError) -> Hits:
    """Take faults that only say so."""
    yield Hit(fault.message, (faults.where(fault),), fault.message, cite=fault.cite)


@UNREADABLE.rule("not-a-lowpan-frame", Noticed("not-lowpan"))
def not_a_lowpan_frame(scene: Scene, _notice: Notice) -> Hits:
    """Say so once for each PAN."""
    if not scene.explained:
        pan = scene.mac.pan_id if scene.mac is not None else None
        subject = "" if pan is None else f"PAN {pan:#06x}"
        yield Hit("the payload is of another protocol", (), subject)


_ND = range(RS, REDIRECT + 1)
# octets before the options, by code: DIS, DIO, DAO-ACK without DODAGID (RFC 6550 section 6)
_RPL_BASE = {0: 2, 1: 24, 3: 4}


def options_count_their_heads(scene: Scene) -> bool:
    """Return whether RPL options can be walked only with lengths that are two less than carried."""
    message = _icmpv6(scene)
    if len(message) < 4 or message[0] != rpl.TYPE or message[1] not in _RPL_BASE:
        return False
    octets = message[4 + _RPL_BASE[message[1]] :]
    return _walks(octets, 0) and not _walks(octets, 2)


def _icmpv6(scene: Scene) -> bytes:
    """Return the ICMPv6 message that follows the IPv6 header of a datagram; nothing without one."""
    datagram = scene.datagram
    if datagram is None or datagram.outer.next_header != ipv6.ICMPV6:
        return b""
    return datagram.octets[ipv6.OCTETS :]


def _walks(octets: bytes, head: int) -> bool:
    """Return whether options fill the octets when ``head`` is added to the length of each; Pad1 is one octet."""
    at = 0
    while at < len(octets):
        if octets[at] == 0:
            at += 1
        elif at + 1 < len(octets) and octets[at + 1] + head >= 2:
            at += octets[at + 1] + head
        else:
            return False
    return at == len(octets) > 0
