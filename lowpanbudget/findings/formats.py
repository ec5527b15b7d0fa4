"""The message formats of a flow, and the formats that a sender may have meant instead."""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from lowpanbudget.bits import Reader
from lowpanbudget.design.flow import Flow
from lowpanbudget.errors import LowpanError, WireError
from lowpanbudget.findings.datagrams import UdpContent
from lowpanbudget.layers.internet.coap import message as coap
from lowpanbudget.payload.flaws import FlawedMessage
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.message import Message
from lowpanbudget.values import dataclass, replace

_LEAST_TURNED = 3  # our choice: of a message with few fixed bits chance reads one of two


def payload_of(flow: Flow, content: UdpContent) -> bytes | None:
    """Return the application data in a UDP payload of this flow; None when it is protected, a part or unreadable."""
    application = flow.application
    if (application.dtls is not None or application.oscore is not None) and not content.opened:
        return None
    if application.coap is None:
        return content.payload
    try:
        message = coap.decode(Reader(content.payload))
    except WireError:
        return None
    as_planned = message.code == application.coap.code and not message.is_part
    return message.payload if as_planned else None


@lru_cache(256)
def padded_octets(message: Message) -> int | None:
    """Return the octets of a message laid out as C compilers do by default; None for fields that C has no type for.

    Each field stands at a multiple of its own size, and the whole is a multiple of the largest (common practice of
    ABIs, no source).
    """
    at, widest = 0, 1
    if message.min_octets != message.max_octets:
        return None
    for entry in message.bitmap("greatest"):
        if entry.kind == "padding":
            return None
        size, rest = divmod(entry.bits - entry.padding, 8)
        if rest or entry.elements > 1 or size not in {1, 2, 4, 8}:
            return None
        at = -(-at // size) * size + size
        widest = max(widest, size)
    return -(-at // widest) * widest


@dataclass(frozen=True, slots=True)
class FormatVariant:
    """A message format that differs in one thing, and what that is: of a ``number`` the sign.

    One that is ``turned`` reads octets from the last to the first, and is told where it reads so many messages that
    differ, ``least``: chance reads one.
    """

    text: str
    message: Message
    number: Number | None = None
    turned: bool = False
    least: int = 1

    def _unpacked(self, data: bytes) -> dict[str, Any] | None:
        try:
            return self.message.unpack(data[::-1] if self.turned else data)
        except WireError:
            return None

    def reads(self, data: bytes) -> bool:
        """Return whether it reads a message."""
        return self._unpacked(data) is not None

    def explains(self, data: bytes) -> bool:
        """Return whether it reads a message that the design's format does not, for what differs in it.

        Either sign reads a code alike whose most significant bit is 0.
        """
        values = self._unpacked(data)
        if values is None or self.number is None:
            return values is not None
        value, base = values[self.number.name], self.number.base
        if self.number.signed:
            return bool(value < base)
        return bool(value >= base + self.number.step * (1 << self.number.needed() - 1))


@lru_cache(256)
def variants(message: Message) -> tuple[FormatVariant, ...]:
    """Return formats that a sender may have meant: another order of octets, and numbers with the other sign."""
    return tuple(_variants(message))


def _variants(message: Message) -> Iterator[FormatVariant]:
    other = "little" if message.byte_order == "big" else "big"
    changed = _changed(message, byte_order=other)
    if changed is not None:
        yield FormatVariant(f"the sender writes octets {other}-endian", changed)
    for index, field in _numbers(message):
        if field.base and not field.signed:
            continue  # a code that counts from the least value has no sign to leave out
        other_sign = _other_sign(field)
        fields = (*message.fields[:index], other_sign, *message.fields[index + 1 :])
        changed = _changed(message, fields=fields)
        if changed is not None:
            kind = "signed (two's complement)" if other_sign.signed else "unsigned"
            yield FormatVariant(f"the sender writes {field.name} {kind}", changed, other_sign)
    if message.max_octets > 1:
        text = "its octets are read from the last to the first: the sender writes the whole message in reverse"
        yield FormatVariant(text, message, turned=True, least=_LEAST_TURNED)


@lru_cache(256)
def widened(message: Message) -> tuple[tuple[Number, Message], ...]:
    """Return numbers of a message, each with the format in which every code of it stands for a value."""
    wide = []
    for index, field in _numbers(message):
        fields = (*message.fields[:index], _wide(field, message), *message.fields[index + 1 :])
        changed = _changed(message, fields=fields)
        if changed is not None:
            wide.append((field, changed))
    return tuple(wide)


def _numbers(message: Message) -> Iterator[tuple[int, Number]]:
    for index, field in enumerate(message.fields):
        if isinstance(field, Number):
            yield index, field


def _wide(field: Number, message: Message) -> Number:
    bits, base, step = message.order.rounded(field.needed()), field.base, field.step
    least = -(1 << bits - 1) if field.signed else 0
    low, high = base + step * least, base + step * (least + (1 << bits) - 1)
    return replace(field, offset=base, min=low, max=high, bits=bits, special=(), typical=None)


def _other_sign(field: Number) -> Number:
    """Return the number in as many bits, unsigned where it is signed and the other way round."""
    bits, step = field.needed(), field.step
    if field.signed:
        high = field.base + step * ((1 << bits) - 1)
        coding, base, low = "offset", field.base, field.base
    else:
        base = field.base
        low, high = base - step * (1 << bits - 1), base + step * ((1 << bits - 1) - 1)
        coding = "twos-complement"
    return replace(field, coding=coding, offset=base, min=low, max=high, bits=bits, special=())


def _changed(message: Message, **changes: object) -> Message | None:
    try:
        return replace(message, **changes)  # type: ignore[arg-type]  # the keys are the caller's
    except (FlawedMessage, LowpanError, ValueError):
        return None
