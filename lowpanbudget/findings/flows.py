"""Datagrams of a capture matched with the flows of a design, and what the design plans for each."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from ipaddress import IPv6Address
from typing import NamedTuple

from lowpanbudget.bits import Reader, Span
from lowpanbudget.design.flow import FIRST, Flow
from lowpanbudget.design.meaning import Design
from lowpanbudget.design.path import Path
from lowpanbudget.design.routing import UNROUTED
from lowpanbudget.errors import LowpanError, WireError
from lowpanbudget.findings.scene import Whole
from lowpanbudget.layers.internet import ipv6
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.message import Message

MOST_KNOWN = 4096
_NO_HEADERS = {"payload", "fragment payload", "sealed payload", "FCS"}
FieldBits = dict[tuple[str, str], int]


class Match(NamedTuple):
    """The flow that a datagram belongs to; ``back`` tells that it goes the other way, as answers do."""

    flow: Flow
    back: bool


class Book:
    """The flows of a design, found by ports and addresses."""

    def __init__(self, design: Design) -> None:
        self.design = design
        self._known: dict[tuple[bytes, bool, int, int], Match | None] = {}

    def match(self, whole: Whole, source_port: int, destination_port: int) -> Match | None:
        """Return the flow of a datagram with these ports, the one whose addresses fit best; None outside of any."""
        routed = whole.octets[6] != ipv6.UDP  # what RPL adds stands between IPv6 and UDP
        key = (whole.octets[8:40], routed, source_port, destination_port)
        if key not in self._known:
            if len(self._known) >= MOST_KNOWN:
                self._known.clear()
            self._known[key] = self._find(whole, source_port, destination_port, routed=routed)
        return self._known[key]

    def _find(
        self, whole: Whole, source_port: int, destination_port: int, *, routed: bool
    ) -> Match | None:
        source, destination = whole.header.source, whole.header.destination
        best: tuple[int, Match] | None = None
        for flow in self.design.flows:
            ports = (flow.source_port, flow.destination_port)
            for back in (False, True):
                if ports != (
                    (destination_port, source_port) if back else (source_port, destination_port)
                ):
                    continue
                to, start = (source, destination) if back else (destination, source)
                as_routed = routed == (flow.routing != UNROUTED)
                score = 8 * (not back) + 4 * as_routed + self._fits(flow, start, to)
                if best is None or score > best[0]:
                    best = (score, Match(flow, back))
        return None if best is None else best[1]

    def _fits(self, flow: Flow, source: IPv6Address, destination: IPv6Address) -> int:
        form = self.design.link.addresses
        planned = flow.group if flow.group is not None else flow.destination.ip(form)
        same_prefix = int(flow.source.ip(form)) >> 64 == int(source) >> 64
        return 2 * (planned == destination) + (flow.source.ip(form) == source) + same_prefix


@lru_cache(256)
def planned_bits(path: Path) -> FieldBits:
    """Return the bits of each header field in a frame of this path, application data left out."""
    return field_bits(path.frames(b"\0")[0].spans)


@lru_cache(256)
def link_bits(path: Path) -> FieldBits:
    """Return the bits of each field of the link's own header and trailer in a frame of this path."""
    return field_bits(path.link.frame(path.hop.source, path.hop.destination, b"").spans)


def field_bits(spans: tuple[Span, ...]) -> FieldBits:
    """Return the bits of each header field by layer and name."""
    bits: FieldBits = {}
    for span in spans:
        if span.name in _NO_HEADERS or span.layer == "payload":
            continue
        key = (span.layer, span.name)
        bits[key] = bits.get(key, 0) + span.bits
    return bits


def path_of(design: Design, flow: Flow, *, first: bool) -> Path:
    """Return the path of the first hop, or the one whose headers are longest."""
    paths = design.paths(flow)
    if first:
        return next(path for path in paths if path.hop.name == FIRST)
    return max(paths, key=lambda path: sum(planned_bits(path).values()))


def payload_of(flow: Flow, octets: bytes) -> bytes | None:
    """Return the application data in a UDP payload of this flow; None when it is protected or cannot be read."""
    application = flow.application
    if application.dtls is not None or application.oscore is not None:
        return None
    if application.coap is None:
        return octets
    try:
        message = coap.decode(Reader(octets))
    except WireError:
        return None
    return message.payload if message.code == application.coap.code else None


def messages_of(design: Design, flow: Flow) -> list[Message]:
    """Return the message formats that a flow carries."""
    return [design.message(name) for name in flow.messages]


def lengths(message: Message) -> tuple[int, int]:
    """Return the least and the greatest octets of a message."""
    return message.min_octets, message.max_octets


@lru_cache(256)
def padded_octets(message: Message) -> int | None:
    """Return the octets of a message laid out as C compilers do by default; None for fields that C has no type for.

    Each field stands at a multiple of its own size, and the whole is a multiple of the largest (common practice of
    ABIs, no source).
    """
    at, widest = 0, 1
    entries = message.bitmap("greatest")
    if message.min_octets != message.max_octets:
        return None
    for entry in entries:
        if entry.kind == "padding":
            return None
        size, rest = divmod(entry.bits - entry.padding, 8)
        if rest or entry.elements > 1 or size not in {1, 2, 4, 8}:
            return None
        at = -(-at // size) * size + size
        widest = max(widest, size)
    return -(-at // widest) * widest


@dataclass(frozen=True, slots=True)
class Variant:
    """A message format that differs in one thing, and what that is."""

    text: str
    message: Message


@lru_cache(256)
def variants(message: Message) -> tuple[Variant, ...]:
    """Return formats that a sender may have meant: the other byte order, and numbers with the other sign."""
    return tuple(_variants(message))


def _variants(message: Message) -> Iterator[Variant]:
    other = "little" if message.byte_order == "big" else "big"
    made = _made(message, byte_order=other)
    if made is not None:
        yield Variant(f"the sender writes octets {other}-endian", made)
    for index, field in enumerate(message.fields):
        if not isinstance(field, Number):
            continue
        for changed in _other_sign(field):
            fields = (*message.fields[:index], changed, *message.fields[index + 1 :])
            made = _made(message, fields=fields)
            if made is not None:
                kind = "signed (two's complement)" if changed.signed else "unsigned"
                yield Variant(f"the sender writes {field.name} {kind}", made)


def _other_sign(field: Number) -> Iterator[Number]:
    width = field.needed()
    step = field.step
    if field.signed:
        high = field.base + step * ((1 << width) - 1)
        yield replace(
            field,
            coding="offset",
            offset=field.base,
            min=field.base,
            max=high,
            bits=width,
            special=(),
        )
    else:
        base = field.base if field.offset is not None else field.min
        low = base - step * (1 << (width - 1))
        high = base + step * ((1 << (width - 1)) - 1)
        yield replace(
            field, coding="twos-complement", offset=base, min=low, max=high, bits=width, special=()
        )


def _made(message: Message, **changes: object) -> Message | None:
    try:
        return replace(message, **changes)  # type: ignore[arg-type]  # the keys are the caller's
    except (FlawedMessage, LowpanError, ValueError):
        return None
