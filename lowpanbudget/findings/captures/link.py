"""Frames of the link: PAN IDs, addresses, sequence numbers, information elements, sizes, slots."""

from lowpanbudget.capture.follow.repeats import COPY_NS
from lowpanbudget.cites import rfc
from lowpanbudget.env import IID_MASK, interface_identifier, link_text
from lowpanbudget.errors import WireError
from lowpanbudget.findings import checksum, concerns, faults
from lowpanbudget.findings.finding import Hit, Severity
from lowpanbudget.findings.memory import FirstNamed, Frames
from lowpanbudget.findings.rule import OWN_FAULT, Hits, Noticed, Subject
from lowpanbudget.findings.scene import Scene
from lowpanbudget.findings.surroundings import Surroundings
from lowpanbudget.findings.wording import octets_text
from lowpanbudget.layers.internet.icmpv6 import Icmpv6
from lowpanbudget.layers.internet.nd.lowpan_options import AddressRegistration
from lowpanbudget.layers.internet.nd.messages import NeighborSolicitation
from lowpanbudget.layers.link.addressing import addressing, pan_ids
from lowpanbudget.layers.link.auxiliary import CITE as SECURITY
from lowpanbudget.layers.link.auxiliary import CITE_2006
from lowpanbudget.layers.link.header_contents import TERMINATION_1, TERMINATION_2
from lowpanbudget.layers.link.mac import (
    BROADCAST,
    LARGEST_FRAME,
    MODE_OCTETS,
    FrameType,
    Mac,
)
from lowpanbudget.layers.link.phy import LONG_FCS, largest_beside
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.stack.decoder import decode_frame
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field

NO_SHORT_ADDRESS = b"\xff\xfe"  # associated, and no short address assigned
_FEW = 3  # frames of a PAN that make it one that is known
RETRY_S = COPY_NS / 10**9

_UNTURNED = "Write the EUI-64 into the option as it is, most significant octet first: only the MAC header turns it."

_TELL_PHY = (
    "Give the design with the PHY; where it is none of SUN, fill frames no further than it carries."
)

LINK = Subject("link", across=True)


def _field(scene: Scene) -> int:
    return int.from_bytes(scene.frame.octets[:2], "little")


def _control(scene: Scene) -> str:
    return f"frame control {_field(scene):#06x}"


@LINK.rule("pan-id-carried-twice", Mac)
def pan_id_carried_twice(scene: Scene, mac: Mac) -> Hits:
    """Compare the PAN IDs of a frame that carries both."""
    if mac.source_pan is None or mac.source_pan != mac.destination_pan:
        return
    if mac.source is None or mac.destination is None:
        return
    modes = (MODE_OCTETS.index(len(mac.destination)), MODE_OCTETS.index(len(mac.source)))
    _, source_pan = pan_ids(addressing(mac.version, *modes, 1).layout)
    if source_pan:
        return
    pan = f"{mac.source_pan:#06x}"
    cause = f"PAN ID {pan} stands as destination and as source; two octets say it again"
    yield Hit(cause, (f"{_control(scene)}, PAN IDs {pan} and {pan}",), scene.sender)


@LINK.rule("sequence-suppression-misused", Mac)
def sequence_suppression_misused(scene: Scene, mac: Mac) -> Hits:
    """Look at the bit and at what it goes with."""
    if not mac.later:
        if _field(scene) >> 8 & 1:
            cause = f"bit 8 is reserved in version {mac.version}, and it is set"
            yield Hit(cause, (_control(scene),), scene.sender)
    elif mac.sequence is None and mac.ack_request and not mac.ie_present:
        cause = "an acknowledgement is asked for and no number tells which frame it is for"
        do = "Keep the number where a receiver sends no enhanced acknowledgements, or ask for none."
        yield Hit(cause, (_control(scene),), scene.sender, severity=Severity.REMARK, advice=do)


@LINK.rule("reserved-bits-set", Mac)
def reserved_bits_set(scene: Scene, mac: Mac) -> Hits:
    """Look at the frame control, whose bit 8 has a finding of its own, and at the security control."""
    bits = [bit for bit in (7,) if _field(scene) >> bit & 1 and mac.frame_type in _USUAL]
    bits += [9] if _field(scene) >> 9 & 1 and not mac.later else []
    for bit in bits:
        yield Hit(_RESERVED.format(bit, "frame", mac.version), (_control(scene),), scene.sender)
    if mac.security is None or mac.fault is not None:
        return
    behind = mac.security.octets + sum(2 + len(one.content) for one in mac.header_ies)
    control, is_first = scene.frame.octets[mac.header_length - behind], mac.version == 1
    for bit in (5, 6, 7) if is_first else (7,):
        if control >> bit & 1:
            cause = _RESERVED.format(bit, "security", mac.version)
            yield Hit(cause, (), scene.sender, cite=CITE_2006 if is_first else SECURITY)


_USUAL = {FrameType.BEACON, FrameType.DATA, FrameType.ACKNOWLEDGEMENT, FrameType.COMMAND}
_RESERVED = "bit {} of the {} control is reserved in version {}, and it is set"


@LINK.rule("element-content-unreadable", Noticed("element-wrong"))
def element_content_unreadable(scene: Scene, notice: Notice) -> Hits:
    """Take what is wrong in the content of an element, or of one nested in it."""
    yield Hit(notice.text, (f"octet {notice.offset}",), scene.sender, cite=notice.cite)


@LINK.rule("header-elements-unreadable", OWN_FAULT)
def header_elements_unreadable(scene: Scene, fault: WireError) -> Hits:
    """Take faults of the walk, with the elements before them."""
    elements = scene.mac.header_ies if scene.mac is not None else ()
    walked = ", ".join(
        f"{element.name or element.id} ({octets_text(len(element.content))})"
        for element in elements
    )
    evidence = (faults.where(fault), f"walked: {walked or 'nothing'}")
    yield Hit(fault.message, evidence, scene.sender, cite=fault.cite)


@LINK.rule("elements-ended-for-nothing", Mac)
def elements_ended_for_nothing(scene: Scene, mac: Mac) -> Hits:
    """Look at the last header element of frames with an empty payload."""
    last = mac.header_ies[-1] if mac.header_ies else None
    if last is None or last.id not in {TERMINATION_1, TERMINATION_2}:
        return
    if scene.example_payload == b"" and not mac.payload_ies:
        yield Hit("a termination element ends a list that the frame ends anyway", (), scene.sender)


@dataclass(slots=True)
class _Long:
    """How many frames, and which."""

    count: int = 0
    frames: Frames = field(default_factory=Frames)


@dataclass(slots=True)
class LongFrames:
    """Frames over 127 octets that do not tell of their PHY, by sender and cause.

    ``asked`` is the number of the last frame, where it is one of them and asks for an acknowledgement. Where one was
    acknowledged it ``is_carried`` here: only who has received a frame whole does that.
    """

    told: FirstNamed[tuple[str, str], _Long] = field(default_factory=FirstNamed)
    asked: int | None = None
    is_carried: bool = False


@LINK.rule("frame-too-long", Scene, varies=True, memory=LongFrames)
def frame_too_long(memory: LongFrames, scene: Scene, _frame: Scene) -> Hits | None:
    """Measure; without a design a frame tells of its PHY itself, as far as any PHY goes."""
    known, size, mac = scene.known, scene.size, scene.frame.mac
    if memory.asked is not None:
        if mac is not None and mac.frame_type == FrameType.ACKNOWLEDGEMENT:
            memory.is_carried |= scene.sequence == memory.asked and scene.fcs_ok is not False
        memory.asked = None
    if size <= (known.largest if known.design else LARGEST_FRAME):
        return None
    limit = known.largest if known.design else largest_beside(size, scene.fcs)
    security, extra = scene.security, ""
    if security is not None and security.level:
        extra = f", of which {len(security.mic)} are the integrity code"
    if size > limit:
        cause = f"{size} octets, {size - limit} over the limit of {limit}{extra}"
        return (Hit(cause, (), scene.sender),)
    if known.design is None and size > LARGEST_FRAME and scene.fcs != LONG_FCS:
        if mac is not None and mac.ack_request:
            memory.asked = scene.sequence
        over = f"{size - LARGEST_FRAME} over the {LARGEST_FRAME} of most PHYs"
        cause = f"{size} octets, {over}{extra}: the SUN PHYs alone carry it, with up to {limit}"
        told = memory.told.entry((scene.sender, cause), _Long)
        if told is not None:
            told.count += 1
            told.frames.note(scene.number)
    return None


@LINK.at_end("frame-too-long")
def frames_too_long_for_most(memory: LongFrames, _known: Surroundings) -> Hits:
    """Tell those of which none was acknowledged: their PHY may be none of SUN."""
    if memory.is_carried:
        return
    for (sender, cause), told in memory.told.items():
        frames = tuple(told.frames)
        yield Hit(cause, (), sender, frames, Severity.RISK, _TELL_PHY, told.count)


@LINK.rule("frame-longer-than-planned-slot", Mac, varies=True, concerns=concerns.design)
def frame_longer_than_planned_slot(scene: Scene, mac: Mac) -> Hits | None:
    """Compare data frames to one node with the longest frame that a slot of the design has time for."""
    design = scene.known.design
    if design is None or mac.frame_type != FrameType.DATA or mac.destination == BROADCAST:
        return None
    in_slot = design.link.in_slot
    if in_slot is None or not in_slot < scene.size <= scene.known.largest:
        return None
    us = float(design.link.timing.airtime(scene.size))
    cause = (
        f"{octets_text(scene.size)} take {us:g} µs, the slots of the design have time for {in_slot}"
    )
    return (Hit(cause, (), scene.sender),)


@LINK.rule("address-octets-reversed", Mac)
def address_of_reversed_device(scene: Scene, mac: Mac) -> Hits:
    """Look addresses up forwards and backwards among the devices that exist."""
    devices = scene.known.devices
    for which, link in (("source", mac.source), ("destination", mac.destination)):
        if link is None or len(link) != 8 or link in devices or link[::-1] not in devices:
            continue
        cause = f"the {which} {link_text(link)} is the reverse of a known device, {link_text(link[::-1])}"
        yield Hit(cause, (f"{which} as sent: {link[::-1].hex(' ')}",), link_text(link))


@LINK.rule("address-octets-reversed", Iphc)
def identifier_of_reversed_source(scene: Scene, header: Iphc) -> Hits:
    """Compare an identifier in line with the link source backwards."""
    link = scene.link_source
    if link is None or len(link) != 8 or link == link[::-1] or header.rows["source"].inline != 8:
        return
    source, turned = header.header.source, link[::-1]
    iid = int(source) & IID_MASK
    if iid == interface_identifier(link):
        return
    if iid in {interface_identifier(turned), int.from_bytes(turned, "big")}:
        cause = f"the identifier of {source} belongs to {link_text(turned)}, the frame is from its reverse"
        yield Hit(cause, (f"link source {link_text(link)}",), link_text(link))


@LINK.rule("address-octets-reversed", Icmpv6)
def registration_of_reversed_device(scene: Scene, message: Icmpv6) -> Hits:
    """Compare the EUI-64 that a node registers with the one that it sends from, and with the devices that exist."""
    content = message.message
    if not isinstance(content, NeighborSolicitation) or message.checksum_ok is False:
        return
    for option in content.options:
        if not isinstance(option, AddressRegistration) or len(option.rovr) != 8:
            continue
        link, turned = scene.link_source, option.rovr[::-1]
        if option.rovr in {link, turned} or option.rovr in scene.known.devices:
            continue
        if turned == link or turned in scene.known.devices:
            cause = f"the EUI-64 {link_text(option.rovr)} is registered, the reverse of {link_text(turned)}"
            evidence, name = (f"sent by {scene.sender}",), link_text(option.rovr)
            yield Hit(cause, evidence, name, advice=_UNTURNED, cite=rfc(6775, "4.1"))


@LINK.rule("short-address-unusable", Mac)
def short_address_unusable(scene: Scene, mac: Mac) -> Hits:
    """Look at both short addresses."""
    source = mac.source
    if mac.destination == NO_SHORT_ADDRESS:
        yield Hit("the destination 0xfffe means: no short address", (), scene.sender)
    elif source is None or len(source) != 2 or source[0] < 0x80:
        return
    elif source in {NO_SHORT_ADDRESS, BROADCAST}:
        means = "broadcast" if source == BROADCAST else "no short address assigned"
        yield Hit(f"the source 0x{source.hex()} means: {means}", (), scene.hop)
    elif scene.header is not None:
        cause = "sources start with a 1 bit, which RFC 4944 keeps for groups"
        yield Hit(cause, (f"source {link_text(source)}",), severity=Severity.REMARK)


@LINK.rule("pan-id-rule-of-other-version", WireError, Noticed("not-lowpan"))
def pan_id_rule_of_other_version(scene: Scene, _reason: WireError | Notice) -> Hits:
    """Read a frame that holds no 6LoWPAN, or not to its end, again by the rule of the other version."""
    mac, security = scene.mac, scene.security
    if mac is None or mac.frame_type != FrameType.DATA or mac.ie_present or mac.sequence is None:
        return
    if security is not None and security.level:
        return
    other = 1 if mac.version == 2 else 2
    to, origin = (
        0 if address is None else MODE_OCTETS.index(len(address))
        for address in (mac.destination, mac.source)
    )
    own, others = (
        pan_ids(addressing(version, to, origin, int(mac.pan_id_compression)).layout)
        for version in (mac.version, other)
    )
    if own == others:
        return
    control = _field(scene) & ~(3 << 12) | other << 12
    changed = control.to_bytes(2, "little") + scene.example[2:]
    again = decode_frame(changed, fcs=scene.fcs, contexts=scene.contexts)
    if again.fault is not None or again.mac is None:
        return
    datagram = again.datagram
    if datagram is None and again.fragment is None:
        return
    pan, source = again.mac.pan_id, link_text(again.mac.source)
    if pan is None:
        return
    if datagram is not None and not datagram.checksum_elided and checksum.is_right(datagram.octets):
        scene.known.learn_pan(pan)  # it covers addresses that the other rule gave: no chance
    elif scene.known.pans.get(pan, 0) < _FEW:
        return
    scene.explained = True
    cause = (
        f"version {mac.version} cannot be read by its own rule; by that of version {other} it comes from "
        f"{source} in PAN {pan:#06x}"
    )
    seeming = link_text(mac.source)
    # who reads of both in one report is not to look for two nodes
    both = (
        (f"{seeming}, as its own rule reads it, is the same sender",) if seeming != source else ()
    )
    yield Hit(cause, (_control(scene), *both), source)


@LINK.rule("sent-again-as-new", Mac, varies=True)
def sent_again_as_new(scene: Scene, _mac: Mac) -> Hits | None:
    """Take frames that have the contents of one before; which those are, every reader of a capture is told alike."""
    copied = scene.sighting.copied
    if copied is None:
        return None
    cause = "the same payload is sent again under a new number"
    evidence = (
        f"frame {copied.number} number {copied.sequence}, frame {scene.number} number {scene.sequence}, "
        f"{copied.before_ns / 1e6:.1f} ms apart"
    )
    severity = Severity.RISK if scene.is_fragment else Severity.REMARK
    return (Hit(cause, (evidence,), scene.hop, (copied.number, scene.number), severity),)
