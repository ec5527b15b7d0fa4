"""A shape: what all frames have in common that differ only in numbers, checksums and payload.

The first frame of a shape is decoded in full, and keeps its spans; of all later ones only what differs is read. Tests
compare both ways over many frames.
"""

import struct
from dataclasses import dataclass, field, replace

from lowpanbudget.bits import Span
from lowpanbudget.capture.follow.packet import FlowKey, flow_of
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.security import Key
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.stack.found import Notice
from lowpanbudget.stack.frame import Frame

# octets on which no reading depends, by layer and name of their span
_FREE = {
    ("UDP NHC", "checksum"),
    ("UDP", "checksum"),
    ("FRAG1", "datagram_tag"),
    ("FRAGN", "datagram_tag"),
    ("BC0", "sequence number"),
    ("CoAP", "message id"),
    ("CoAP", "token"),
}
_TAILS = {("payload", "payload"), ("payload", "fragment payload"), ("CoAP", "payload")}
# layers of compressed headers, behind which the datagram goes on as it is
_COMPRESSED = {
    "6LoWPAN dispatch", "page switch", "mesh", "BC0", "FRAG1", "FRAGN", "IPHC", "NHC extension",
    "UDP NHC", "6LoRH", "SRH-6LoRH", "RPI-6LoRH", "IP-in-IP-6LoRH",
}  # fmt: skip
# layers that read a payload of any length alike; behind others a length is compared with the octets there
_ANY_LENGTH = {"page switch", "mesh", "BC0", "IPHC", "NHC extension", "UDP NHC", "payload", "CoAP"}
# what cannot be told without the octets that are free
_DEPENDENT = {"udp-checksum-wrong", "payload-unreadable", "fcs-wrong", "mic-wrong", "nonce-unknown"}

_LONGEST = 0xFF00  # more octets may not fit a length of 16 bits with headers: such frames are decoded one by one


@dataclass(slots=True, eq=False)
class HeaderShape:
    """MAC headers that differ only in sequence number and frame counter; ``keys`` are those that may open them."""

    mac: Mac
    sequence_at: int | None
    counter_at: int | None
    keys: tuple[Key, ...]

    def numbers(self, octets: bytes) -> tuple[int | None, int | None]:
        """Return the sequence number and the frame counter of a frame with this header."""
        at, counter_at = self.sequence_at, self.counter_at
        return (
            None if at is None else octets[at],
            None
            if counter_at is None
            else int.from_bytes(octets[counter_at : counter_at + 4], "little"),
        )

    def mac_of(self, counter: int | None) -> Mac:
        """Return the header with another frame counter, for the nonce."""
        security = self.mac.security
        if security is None or counter is None:
            return self.mac
        return replace(self.mac, security=replace(security, frame_counter=counter))


@dataclass(slots=True)
class Template:
    """How a datagram follows from a payload: a front with lengths and checksum to fill in, then octets as they are."""

    front: bytes
    verbatim: int  # where in the payload the octets begin that stand in the datagram as they are
    lengths: tuple[
        tuple[int, int], ...
    ] = ()  # place in the front, and what the verbatim octets are added to
    checksum: tuple[int, int] | None = (
        None  # a checksum in line: its place in the payload, and in the front
    )
    computed: tuple[int, int] | None = (
        None  # a transport to check or complete: its place, sum of its pseudo-header
    )
    elided: bool = False

    def build(self, payload: bytes) -> bytes | None:
        """Return the datagram, or None when its checksum is wrong or it is too long."""
        rest = payload[self.verbatim :]
        count = len(rest)
        if count > _LONGEST:
            return None
        front = self.front
        if self.lengths or self.checksum is not None:
            changed = bytearray(front)
            for place, base in self.lengths:
                struct.pack_into(">H", changed, place, base + count)
            if self.checksum is not None:
                at, place = self.checksum
                changed[place : place + 2] = payload[at : at + 2]
            front = bytes(changed)
        octets = front + rest
        if self.computed is not None:
            at, pseudo = self.computed
            segment = octets[at:]
            padded = segment + b"\0" if len(segment) & 1 else segment
            total = (pseudo + len(segment) + int.from_bytes(padded, "big")) % 0xFFFF
            if self.elided:
                value = (0xFFFF - total) or 0xFFFF
                return octets[: at + 6] + value.to_bytes(2, "big") + octets[at + 8 :]
            if total or segment[6:8] == b"\0\0":
                return None
        return octets


@dataclass(slots=True, eq=False)
class Shape:
    """What frames of one kind have in common.

    ``example`` is the first of them, decoded in full. ``layers`` holds the octets of each layer without ``tail_layer``,
    whose octets from ``tail`` on differ. ``flow`` is that of its datagram, of a first fragment's too.
    """

    example: Frame
    layers: tuple[tuple[str, int], ...] = ()  # in bits
    tail: int | None = None
    tail_layer: str = ""
    flow: FlowKey | None = None
    notices: tuple[Notice, ...] = ()
    template: Template | None = None
    fragment: Fragment | None = None
    tag_at: int | None = None
    lessons: object = None
    facts: dict[object, object] = field(
        default_factory=dict
    )  # what others find out once for all frames of the shape

    def layer_bits(self, payload_octets: int) -> dict[str, int]:
        """Return the bits of each layer of a frame with a clear payload of so many octets, FCS not counted."""
        bits = dict(self.layers)
        if self.tail is not None:
            rest = (payload_octets - self.tail) * 8
            if rest:
                bits[self.tail_layer] = bits.get(self.tail_layer, 0) + rest
        return bits

    def fragment_of(self, payload: bytes) -> Fragment | None:
        """Return the fragment header of such a frame."""
        if self.fragment is None or self.tag_at is None:
            return self.fragment
        tag = int.from_bytes(payload[self.tag_at : self.tag_at + 2], "big")
        return Fragment(self.fragment.size, tag, self.fragment.offset, self.fragment.first)


def header_shape(
    frame: Frame, keys: tuple[Key, ...]
) -> tuple[HeaderShape, list[tuple[int, int]]] | None:
    """Return the shape of a frame's MAC header and its free octets; None when later octets decide about it."""
    mac = frame.mac
    if mac is None or mac.fault is not None or mac.ie_present or mac.header_length < 3:
        return None
    places: dict[str, int] = {}
    free = []
    for span in frame.spans:
        if span.offset_bits >= mac.header_length * 8:
            break
        if span.name in {"sequence number", "frame counter"}:
            at = span.offset_bits // 8
            places[span.name] = at
            free.append((at, at + span.bits // 8))
    usable = tuple(key for key in keys if mac.security is not None and key.opens(mac.security))
    shape = HeaderShape(mac, places.get("sequence number"), places.get("frame counter"), usable)
    return shape, free


def layer_bits(spans: tuple[Span, ...]) -> dict[str, int]:
    """Return the bits of each layer."""
    bits: dict[str, int] = {}
    for span in spans:
        bits[span.layer] = bits.get(span.layer, 0) + span.bits
    return bits


@dataclass(slots=True)
class Learned:
    """A shape and how it is found again: ``free`` octets of the payload and ``tail``; not at all unless ``kept``."""

    shape: Shape
    free: list[tuple[int, int]]
    tail: int | None
    kept: bool


def payload_shape(frame: Frame, start: int, end: int) -> Learned:
    """Return the shape of a decoded frame whose clear payload stands in octets ``start`` to ``end``."""
    spans = [span for span in frame.spans if start * 8 <= span.offset_bits < end * 8]
    # MIC and FCS are counted by the frame
    bits = layer_bits(tuple(span for span in frame.spans if span.offset_bits < end * 8))
    notices = tuple(frame.notices)
    shape = Shape(frame, tuple(bits.items()), notices=notices)
    if isinstance(frame.fragment, Fragment):
        shape.fragment = frame.fragment
    octets = frame.datagram.octets if frame.datagram is not None else frame.fragment_octets
    first = frame.fragment is None or frame.fragment.first
    if octets and first and not _is_recoverable(frame):
        shape.flow = flow_of(octets)
    payload = frame.payload
    kept = (
        frame.fault is None
        and payload is not None
        and not any(notice.name in _DEPENDENT for notice in notices)
        and (frame.datagram is not None or isinstance(frame.fragment, Fragment) or not payload)
    )
    if not kept or payload is None or len(payload) != end - start:
        return Learned(shape, [], None, kept=False)
    free = []
    tail = None
    for number, span in enumerate(spans):
        name = (span.layer, span.name)
        at, stop = span.offset_bits // 8 - start, (span.offset_bits + span.bits) // 8 - start
        if name in _FREE:
            free.append((at, stop))
        elif name in _TAILS and number == len(spans) - 1:
            free.append((at, stop))
            tail = at
    any_length = {span.layer for span in spans} <= _ANY_LENGTH
    if tail is None and any_length:
        tail = len(payload)
    if not _add_template(shape, frame, payload, start, spans, free):
        return Learned(shape, [], None, kept=False)
    if tail is not None:
        shape.tail = tail
        shape.tail_layer = spans[-1].layer if spans and tail < len(payload) else "payload"
        inside = (len(payload) - tail) * 8
        if inside:
            bits[shape.tail_layer] -= inside
        shape.layers = tuple((layer, count) for layer, count in bits.items() if count)
    return Learned(shape, free, tail if any_length else None, kept=True)


def _is_recoverable(frame: Frame) -> bool:
    return frame.fragment is not None and not isinstance(frame.fragment, Fragment)


def _add_template(
    shape: Shape,
    frame: Frame,
    payload: bytes,
    start: int,
    spans: list[Span],
    free: list[tuple[int, int]],
) -> bool:
    """Add how the datagram follows from the payload; return False when that cannot be told."""
    if isinstance(frame.fragment, Fragment):
        tag = next(span for span in spans if span.name == "datagram_tag")
        shape.tag_at = tag.offset_bits // 8 - start
        octets = frame.fragment_octets
    elif frame.datagram is not None:
        octets = frame.datagram.octets
    else:
        return True
    behind = next((span for span in spans if span.layer not in _COMPRESSED), None)
    verbatim = len(payload) if behind is None else behind.offset_bits // 8 - start
    rest = payload[verbatim:]
    if rest and not octets.endswith(rest):
        shape.template = Template(octets, len(payload))
        return not free  # every octet counts: the datagram is the same
    front = octets[: len(octets) - len(rest)]
    shape.template = template = Template(front, verbatim)
    inline = next((s for s in spans if (s.layer, s.name) == ("UDP NHC", "checksum")), None)
    transport = chain.find(octets, ipv6.UDP)
    if inline is not None or frame.checksum_elided:
        if transport is None or transport.offset + udp.OCTETS > len(front):
            return False
        if inline is not None:
            template.checksum = (inline.offset_bits // 8 - start, transport.offset + 6)
        if shape.fragment is None:
            addresses = transport.source.packed + transport.destination.packed
            pseudo = (int.from_bytes(addresses, "big") + ipv6.UDP) % 0xFFFF
            template.computed = (transport.offset, pseudo)
            template.elided = frame.checksum_elided
            if template.elided:
                at = transport.offset + 6
                template.front = front[:at] + b"\0\0" + front[at + 2 :]
    if shape.fragment is None:
        template.lengths = tuple(_lengths(octets, len(front)))
    return True


def _lengths(datagram: bytes, front: int) -> list[tuple[int, int]]:
    """Return the places of lengths in the front of a datagram, and what they count of the front itself."""
    places = [(4, front - ipv6.OCTETS)] if front >= ipv6.OCTETS else []
    for found in chain.walk(datagram):
        if found.kind == ipv6.IPV6 and found.offset + ipv6.OCTETS <= front:
            places.append((found.offset + 4, front - found.offset - ipv6.OCTETS))
        elif found.kind == ipv6.UDP and found.offset + udp.OCTETS <= front:
            places.append((found.offset + 4, front - found.offset))
    return places
