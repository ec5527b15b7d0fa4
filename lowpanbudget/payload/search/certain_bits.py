"""Messages that a receiver of another format refuses all: their sizes, or bits that are the same in each, prove it."""

from collections.abc import Iterator

from lowpanbudget.payload.codec.nodes import Codec
from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.codes import NOTHING, codec_of, decoded

_OCTET = 8  # bits whose codes are all looked at


def is_never_read(receiver: Message, sender: Message, *, ignore_tail: bool) -> bool:
    """Return whether it is proven that the receiver refuses every message of the sender."""
    too_long = sender.min_octets > receiver.max_octets and not ignore_tail
    if too_long or sender.max_octets < receiver.min_octets:
        return True
    sent = dict(_certain_bits(sender, is_sender=True))
    wanted = _certain_bits(receiver, is_sender=False)
    return any(sent.get(place, bit) != bit for place, bit in wanted)


def _certain_bits(message: Message, *, is_sender: bool) -> Iterator[tuple[tuple[int, int], bool]]:
    """Yield the bits at the front that are the same in all messages: octet, weight in it, and the bit."""
    order = message.order
    optional = sum(field.optional for field in message.fields)
    at = order.rounded(optional)
    if is_sender:
        yield from ((_place(order, bit), False) for bit in range(optional, at))  # they fill up
    for field in message.fields:
        codec = codec_of(field, order)
        if field.optional or codec is None:
            return  # what follows has no certain place
        at = max(at, field.at or 0)
        looked_at = is_sender or field.carries  # bits kept for later are zeros that nobody looks at
        ones, zeros = certain(field, codec, is_sent=is_sender) if looked_at else (0, 0)
        for index in range(codec.width):
            bit = codec.width - 1 - index if order.msb_first else index
            if (ones | zeros) >> bit & 1:
                yield _place(order, at + index), bool(ones >> bit & 1)
        at += codec.width


def _place(order: Order, bit: int) -> tuple[int, int]:
    """Return the octet in which a bit of a message stands, and its weight there."""
    octet, place = divmod(bit, _OCTET)
    return octet, 128 >> place if order.msb_first else 1 << place


def certain(field: Field, codec: Codec, *, is_sent: bool) -> tuple[int, int]:
    """Return the bits that are 1, and those that are 0, in every code of a field that stands for something.

    ``is_sent``: in every code that is sent, which are fewer where receivers ignore bits, as of flags without a name.
    """
    full = (1 << codec.width) - 1
    if not field.needs_value:
        code = codec.encode(None)
        return code, full & ~code
    if codec.width > _OCTET:
        return 0, 0
    ones = zeros = full
    for code in range(full + 1):
        meant = decoded(codec, code)
        if meant is not NOTHING and (not is_sent or codec.encode(meant) == code):
            ones, zeros = ones & code, zeros & ~code
    return ones, zeros
