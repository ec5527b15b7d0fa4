"""Frames that are alike: a frame decoded in full is the template after which others are read.

Two frames are alike when they agree in all octets but the free ones (``Reader.free``): then they are read in the same
way, and differ only in numbers, checksums and payload. Tests compare both ways over many frames.
"""

from collections.abc import Sequence
from itertools import groupby
from math import inf
from operator import attrgetter
from typing import Any

from lowpanbudget.bits import Place, Span
from lowpanbudget.capture.follow.flows import FlowKey, flow_behind, upper_of
from lowpanbudget.layers.internet import chain, ipv6, udp
from lowpanbudget.layers.internet.coap.message import CoapMessage
from lowpanbudget.layers.internet.ipv6 import Ipv6
from lowpanbudget.layers.internet.udp import Udp
from lowpanbudget.layers.link.auxiliary import UNPROVEN
from lowpanbudget.layers.link.mac import Mac
from lowpanbudget.layers.link.security import Key
from lowpanbudget.layers.lowpan.extension_nhc import ExtensionNhc
from lowpanbudget.layers.lowpan.fragment import Fragment
from lowpanbudget.layers.lowpan.iphc import Iphc
from lowpanbudget.layers.lowpan.mesh import Broadcast, Mesh
from lowpanbudget.layers.lowpan.nhc import UdpNhc
from lowpanbudget.layers.lowpan.recovery import Rfrag
from lowpanbudget.stack.datagram import complete_checksum
from lowpanbudget.stack.frame import Frame
from lowpanbudget.stack.incoming import Notice
from lowpanbudget.values import dataclass, field, replace

# headers whose reading compares no length with the octets behind them
_ANY_LENGTH = (Mac, Mesh, Broadcast, Iphc, ExtensionNhc, UdpNhc, CoapMessage)
_USUAL = [Mac, Iphc, UdpNhc]
_OF_THE_HOP = (Mac, Mesh, Broadcast, Fragment)  # headers that leave nothing in the datagram
_LAYER, _BITS = attrgetter("layer"), attrgetter("bits")
_LENGTH_END = 6  # octets up to the end of the length in a header of IPv6 (RFC 8200 section 3) and of UDP (RFC 768)
_LONGEST = 0xFF00  # more octets may not fit a length of 16 bits with headers: such frames are decoded one by one
# notices that depend on octets that are free
_DEPENDENT = {"payload-unreadable", "fcs-wrong", "mic-wrong", "nonce-unknown", "nonce-of-eui-64"}
WRONG_CHECKSUMS = {"udp-checksum-wrong", "icmpv6-checksum-wrong"}
_OF_CHECKSUMS = _DEPENDENT | WRONG_CHECKSUMS
_WRONG_CODES = {"mic-wrong"} | WRONG_CHECKSUMS


@dataclass(slots=True, eq=False)
class HeaderTemplate:
    """A MAC header, where others have other sequence numbers and frame counters, and ``keys`` that may open them."""

    mac: Mac
    sequence: Place | None
    counter: Place | None
    keys: tuple[Key, ...]


def header_template(frame: Frame, keys: tuple[Key, ...]) -> HeaderTemplate | None:
    """Return the template that a frame's MAC header is; None when later octets decide about it."""
    mac = frame.mac
    if mac is None or mac.fault is not None or mac.ie_present or mac.header_length < 3:
        return None
    places = iter(frame.free)
    security = mac.security
    sequence = None if mac.sequence is None else next(places, None)
    carried = security is not None and security.frame_counter is not None
    counter = next(places, None) if carried else None
    usable = tuple(key for key in keys if security is not None and key.opens(security))
    if security is not None and security.level == UNPROVEN and len(usable) > 1:
        return None  # what each key gives tells which of them it is
    return HeaderTemplate(mac, sequence, counter, usable)


@dataclass(slots=True, eq=False)
class Template:
    """A frame decoded in full, and how frames that are alike are read.

    Its payload ends at octet ``end``, ``flow`` is that of the datagram, of a first fragment's too. ``free`` places
    count from the payload's first octet; None when no other frame can be read after this one. The octets of datagram or
    fragment are ``front``, then the payload's from ``verbatim`` on; ``upper`` is their last header, and ``pseudo`` the
    sum of its pseudo-header where a UDP checksum is to be tested. ``tag`` is where a fragment has its tag. From
    ``tail`` on, where that is known, there may be any number of octets, of which the example has so many in all
    (``octets``). ``facts`` are what others find out once for all frames that are alike. ``is_wrong``: the UDP checksum
    of all of them is wrong; ``beside`` is the template of those that are alike but for that.
    """

    example: Frame
    end: int
    flow: FlowKey | None = None
    notices: tuple[Notice, ...] = ()
    free: tuple[Place, ...] | None = None
    front: bytes = b""
    verbatim: int = 0
    upper: chain.ChainPlace | None = None
    pseudo: int | None = None
    tag: Place | None = None
    tail: int | None = None
    octets: int = 0
    tail_layer: str = ""
    lesson: object = None
    is_wrong: bool = False
    beside: "Template | None" = None
    facts: dict[object, object] = field(default_factory=dict)
    _fronts: dict[int, bytes] = field(default_factory=dict)
    _layers: dict[str, int] | None = None

    @property
    def fragment(self) -> Fragment | Rfrag | None:
        """Return the header of the fragment in it, also where the rest was cut off or cannot be read."""
        example = self.example
        if example.fragment is not None or example.fault is None:
            return example.fragment
        return next((one for one in example.layers if isinstance(one, Fragment | Rfrag)), None)

    def longer(self, payload: bytes | None) -> int:
        """Return by how many octets such a payload is longer than the example's."""
        return 0 if self.tail is None else len(payload or b"") - self.octets

    def layers_of(self, payload: bytes | None) -> dict[str, int]:
        """Return the bits of each layer of a frame with such a payload, without MIC and FCS."""
        if self._layers is None:
            self._layers = layer_bits(self.example.spans, self.end * 8)
        bits, longer = dict(self._layers), self.longer(payload)
        if longer:
            bits[self.tail_layer] += longer * 8
        return bits

    def is_right(self, octets: bytes) -> bool:
        """Return whether the UDP checksum of such a datagram is right."""
        assert self.pseudo is not None
        assert self.upper is not None
        return udp.is_right(self.pseudo, octets[self.upper.offset :])

    def build(self, payload: bytes) -> bytes | None:
        """Return the octets of datagram or fragment in such a payload, whether its checksum is right or wrong.

        None of a payload too long for the lengths in its headers.
        """
        front = self.front
        if self.tail is not None and len(payload) != self.octets:
            longer = self.longer(payload)
            if len(payload) > _LONGEST:
                return None
            front = self._fronts.get(longer) or self._front(longer)
        octets = front + payload[self.verbatim :]
        is_elided = self.pseudo is not None and self.example.checksum_elided
        return complete_checksum(octets) if is_elided else octets

    def _front(self, longer: int) -> bytes:
        """Return the front with its lengths, for so many octets more; kept for the next of this length."""
        whole = b"".join([bytes(_lengthened(value, longer)) for value in self.example.values])
        front = self._fronts[longer] = whole[: len(self.front)]
        return front

    def fragment_of(self, payload: bytes) -> Fragment | Rfrag | None:
        """Return the fragment header of such a payload."""
        part = self.example.fragment
        if self.tag is None or not isinstance(part, Fragment):
            return part
        return Fragment(part.size, self.tag.number(payload), part.offset, part.first)


def layer_bits(spans: Sequence[Span], end: float = inf) -> dict[str, int]:
    """Return the bits of each layer before bit ``end``, of spans in the order of their octets."""
    bits: dict[str, int] = {}
    last = len(spans)
    while last and spans[last - 1].offset_bits >= end:
        last -= 1
    for layer, run in groupby(spans[:last], _LAYER):
        bits[layer] = bits.get(layer, 0) + sum(map(_BITS, run))
    return bits


def template_of(frame: Frame, end: int) -> Template:
    """Return the template that a decoded frame is, whose payload ends at octet ``end``; none is read after it yet."""
    template = Template(frame, end, notices=tuple(frame.notices))
    octets, part = _carried(frame), frame.fragment
    if octets and (part is None or (isinstance(part, Fragment) and part.first)):
        template.upper = upper = upper_of(octets, frame.values)
        template.flow = flow_behind(octets, upper, frame.values)
    return template


def _carried(frame: Frame) -> bytes:
    """Return the octets of the datagram in a frame, or of the fragment."""
    return frame.fragment_octets if frame.datagram is None else frame.datagram.octets


def share(template: Template, start: int, end: int, *, checksums: bool = True) -> None:
    """Find out which others can be read after a template whose clear payload stands in octets ``start`` to ``end``.

    Without ``checksums`` nobody asks whether checksums are right: frames are alike whatever stands there.
    """
    frame = template.example
    payload, part = frame.payload, frame.fragment
    if frame.fault is not None or payload is None or len(payload) != end - start:
        return
    template.is_wrong = checksums and _is_wrong_alone(template)
    dependent = _OF_CHECKSUMS if checksums and not template.is_wrong else _DEPENDENT
    if any(notice.name in dependent for notice in template.notices):
        return
    if frame.datagram is None and not isinstance(part, Fragment):
        template.free = () if not payload else None
        return
    octets = _carried(frame)
    free = tuple([shifted(place, -start) for place in frame.free if place.start >= start])
    same = _same_at_the_end(payload, octets)
    template.front, template.verbatim = octets[: len(octets) - same], len(payload) - same
    hop = max((h.end for h in frame.heads if isinstance(h.value, _OF_THE_HOP)), default=0) - start
    if any(place.end > hop and place.start < template.verbatim for place in free):
        return  # what is free there goes into the datagram, in a form of its own
    upper, checksum_counts = template.upper, frame.checksum_elided or (free and checksums)
    if part is not None:
        head = next(head for head in frame.heads if head.value is part)
        template.tag = next(place for place in free if place.start >= head.start - start)
    elif upper is not None and upper.kind == ipv6.UDP and checksum_counts:
        template.pseudo = udp.pseudo_sum(upper.source, upper.destination)
    template.free = free
    if part is None and free and free[-1].open and _is_open(frame, template):
        template.tail, template.octets = free[-1].start, len(payload)
        template.tail_layer = next(
            span.layer for span in frame.spans if span.offset_bits == (template.tail + start) * 8
        )


def _is_wrong_alone(template: Template) -> bool:
    """Return whether nothing but a wrong checksum was noticed of a frame, whose headers are the usual ones."""
    names = [notice.name for notice in template.notices]
    kinds = [type(head.value) for head in template.example.heads]
    return names == ["udp-checksum-wrong"] and kinds in (_USUAL, [*_USUAL, CoapMessage])


def shifted(place: Place, octets: int) -> Place:
    """Return a place so many octets further on."""
    return place._replace(start=place.start + octets, end=place.end + octets)


def _is_open(frame: Frame, template: Template) -> bool:
    """Return whether a longer or shorter payload would be read alike: all lengths in its headers are restored."""
    restored, lengths, front = b"", 0, template.front
    for value in frame.values:
        if isinstance(value, Ipv6 | Udp):
            lengths = len(restored) + _LENGTH_END
        restored += bytes(value)
    # a length that is in line by chance, where a port beside it is the same, is not that of others
    are_restored = lengths <= len(front) and restored.startswith(front)
    return are_restored and all(isinstance(head.value, _ANY_LENGTH) for head in frame.heads)


def _lengthened(value: Any, longer: int) -> Any:
    """Return a restored header as it is in a datagram that is so much longer."""
    if isinstance(value, Ipv6):
        return replace(value, payload_length=value.payload_length + longer)
    return replace(value, length=value.length + longer) if isinstance(value, Udp) else value


def _same_at_the_end(left: bytes, right: bytes) -> int:
    """Return how many octets two texts share at their ends."""
    most = min(len(left), len(right))
    differs = int.from_bytes(left, "big") ^ int.from_bytes(right, "big")
    last = (differs & -differs).bit_length() - 1  # the lowest bit that differs
    return most if last < 0 else min(last // 8, most)


def is_code_wrong(frame: Frame) -> bool:
    """Return whether a checksum or integrity code in a frame is wrong."""
    return any(notice.name in _WRONG_CODES for notice in frame.notices)
