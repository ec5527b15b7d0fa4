"""Frames that cannot be read to their end, each with its reason."""

from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import OWN_FAULT, FaultOf, Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.stack.incoming import Notice

_CONNECTION_ID = rfc(9146, "4")  # a record that only its two ends can read: no fault
UNREAD = FaultOf("a record that holds no frame")

UNREADABLE = Subject("unreadable")


@UNREADABLE.rule("extension-header-not-whole", OWN_FAULT)
@UNREADABLE.rule("frame-cut-short", OWN_FAULT)
@UNREADABLE.rule("octets-contradict", OWN_FAULT)
@UNREADABLE.rule("reserved-code-used", OWN_FAULT)
def cannot_be_read(scene: Scene, fault: WireError) -> Hits:
    """Say why and where, unless a rule knows better."""
    if scene.explained:
        return
    evidence, security = faults.where(fault), scene.security
    if (
        security is None or not LEVELS[security.level].encrypted
    ):  # else what was sent there is sealed
        start = max(fault.offset - 2, 0)
        octets = scene.example[start : fault.offset + 6]
        if octets:
            evidence += f"; octets from {start}: {octets.hex(' ')}"
    cite = f" ({fault.cite})" if fault.cite is not None else ""
    yield Hit(f"{fault.message}{cite}", (evidence,), scene.sender)


@UNREADABLE.rule("contents-unreadable", Noticed("payload-unreadable"))
def contents_unreadable(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder; try the commonest slip."""
    if notice.cite == _CONNECTION_ID:
        return
    cite = f" ({notice.cite})" if notice.cite is not None else ""
    evidence = [f"octet {notice.offset}"]
    if options_count_their_heads(scene):
        evidence.append("every option length counts the option's own two octets: two too many")
    yield Hit(f"{notice.text}{cite}", tuple(evidence), scene.sender)


@UNREADABLE.rule("not-read-further", UNREAD)
def record_unread(_scene: Scene, fault: WireError) -> Hits:
    """Take records that hold no frame."""
    yield Hit(fault.message, (), fault.message)


@UNREADABLE.rule("not-read-further", OWN_FAULT)
def not_read_further(_scene: Scene, fault: WireError) -> Hits:
    """Take faults that only say so."""
    yield Hit(fault.message, (faults.where(fault),), fault.message)


@UNREADABLE.rule("not-a-lowpan-frame", Noticed("not-lowpan"))
def not_a_lowpan_frame(scene: Scene, _notice: Notice) -> Hits:
    """Say so once for each PAN."""
    if not scene.explained:
        pan = scene.mac.pan_id if scene.mac is not None else None
        subject = "" if pan is None else f"PAN {pan:#06x}"
        yield Hit("the payload is of another protocol", (), subject)


# octets before the options, by code: DIS, DIO, DAO-ACK without DODAGID (RFC 6550 section 6)
_RPL, _RPL_BASE = 155, {0: 2, 1: 24, 3: 4}


def options_count_their_heads(scene: Scene) -> bool:
    """Return whether RPL options can be walked only with lengths that are two less than carried."""
    datagram = scene.datagram
    if datagram is None or datagram.outer.next_header != ipv6.ICMPV6:
        return False
    message = datagram.octets[ipv6.OCTETS :]
    if len(message) < 4 or message[0] != _RPL or message[1] not in _RPL_BASE:
        return False
    octets = message[4 + _RPL_BASE[message[1]] :]
    return _walks(octets, 0) and not _walks(octets, 2)


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
