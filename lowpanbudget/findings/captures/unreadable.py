"""Frames that cannot be read to their end, each with its reason."""

from functools import partial

from lowpanbudget.bits import Reader
from lowpanbudget.cites import rfc
from lowpanbudget.errors import WireError
from lowpanbudget.findings import faults
from lowpanbudget.findings.finding import Hit
from lowpanbudget.findings.rule import Hits, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.link.auxiliary import LEVELS
from lowpanbudget.stack.found import Notice

UNREAD = "record-unread"  # the notice of a record that holds no frame
_CONNECTION_ID = rfc(9146, "4")  # a record that only its two ends can read: no fault

UNREADABLE = Subject("unreadable")


def _fault(scene: Scene, fault: WireError, *, name: str) -> Hits:
    """Take the faults that belong to the finding of this name."""
    if scene.explained or faults.owner(fault, scene) != name:
        return
    evidence, security = faults.where(fault), scene.security
    if (
        security is None or not LEVELS[security.level].encrypted
    ):  # else what was sent there is sealed
        start = max(fault.offset - 2, 0)
        octets = scene.example[start : fault.offset + 6]
        evidence += f"; octets from {start}: {octets.hex(' ')}"
    cite = f" ({fault.cite})" if fault.cite is not None else ""
    yield Hit(f"{fault.message}{cite}", (evidence,), scene.sender)


for _name in (
    "reserved-code-used",
    "octets-contradict",
    "frame-cut-short",
    "extension-header-not-whole",
):
    UNREADABLE.rule(_name, WireError)(partial(_fault, name=_name))


@UNREADABLE.rule("contents-unreadable", Notice)
def contents_unreadable(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder; try the commonest slip."""
    if notice.name != "payload-unreadable" or notice.cite == _CONNECTION_ID:
        return
    cite = f" ({notice.cite})" if notice.cite is not None else ""
    evidence = [f"octet {notice.offset}"]
    if options_count_their_heads(scene):
        evidence.append("every option length counts the option's own two octets: two too many")
    yield Hit(f"{notice.text}{cite}", tuple(evidence), scene.sender)


@UNREADABLE.rule("not-read-further", Notice)
def record_unread(_scene: Scene, notice: Notice) -> Hits:
    """Take records that hold no frame."""
    if notice.name == UNREAD:
        yield Hit(notice.text, (), notice.text)


@UNREADABLE.rule("not-read-further", WireError)
def not_read_further(scene: Scene, fault: WireError) -> Hits:
    """Take faults that only say so."""
    if faults.owner(fault, scene) == "not-read-further":
        yield Hit(fault.message, (faults.where(fault),), fault.message)


@UNREADABLE.rule("not-a-lowpan-frame", Notice)
def not_a_lowpan_frame(scene: Scene, notice: Notice) -> Hits:
    """Take the notice of the decoder."""
    if notice.name == "not-lowpan" and not scene.explained:
        pan = scene.mac.pan_id if scene.mac is not None else None
        subject = "" if pan is None else f"PAN {pan:#06x}"
        yield Hit("the payload is of another protocol", (), subject)


# octets before the options, by code: DIS, DIO, DAO-ACK without DODAGID (RFC 6550 section 6)
_RPL, _RPL_BASE = 155, {0: 2, 1: 24, 3: 4}


def options_count_their_heads(scene: Scene) -> bool:
    """Return whether RPL options can be walked only with lengths that are two less than carried."""
    datagram = scene.frame.datagram
    if datagram is None:
        return False
    reader = Reader(datagram.octets)
    try:
        if ipv6.decode(reader).next_header != ipv6.ICMPV6:
            return False
    except WireError:
        return False
    message = reader.raw(reader.left, "ICMPv6", None)
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
