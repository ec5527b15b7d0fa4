"""How many bits may fill up the last octet of a message: where its fields end, of any message of its format."""

from collections.abc import Iterable

from lowpanbudget.payload.codec.order import Order
from lowpanbudget.payload.kinds.elements import Array
from lowpanbudget.payload.kinds.field import Field
from lowpanbudget.payload.kinds.lengths import Counted
from lowpanbudget.payload.kinds.octets import Octets
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.codes import codec_of

_OCTET = 8

Ends = frozenset[int]  # bits of an octet, of which any may be the next one
_ANY: Ends = frozenset(range(_OCTET))


def most_spare(message: Message) -> int:
    """Return the most bits that fill up the last octet; no fewer than there may be."""
    return max(-end % _OCTET for end in _group(message.fields, message.order, frozenset({0})))


def _group(fields: tuple[Field, ...], order: Order, ends: Ends) -> Ends:
    if any(field.at is not None for field in fields):
        return _ANY
    ends = _moved(ends, order.rounded(sum(field.optional for field in fields)))
    for field in fields:
        behind = _field(field, order, ends)
        ends = ends | behind if field.optional else behind
    return ends


def _field(field: Field, order: Order, ends: Ends) -> Ends:
    codec = codec_of(field, order)
    if codec:
        return _moved(ends, codec.width)
    if isinstance(field, Counted):
        ends = _moved(ends, order.rounded(field.number_bits()))
    if isinstance(field, Octets):
        return ends
    if isinstance(field, Array):
        return _elements(field, order, ends)
    bodies = [_group(body.fields, order, ends) for body in field.bodies() if body.named]
    return frozenset[int]().union(*bodies) or _ANY


def _elements(field: Array, order: Order, ends: Ends) -> Ends:
    behind: Ends = frozenset()
    seen: set[Ends] = set()
    for count in range(field.most + 1):
        if count >= field.least:
            behind |= ends
            if ends in seen:
                break  # and so on, round and round
            seen.add(ends)
        ends = _field(field.element, order, ends)
    return behind


def _moved(ends: Iterable[int], bits: int) -> Ends:
    return frozenset((end + bits) % _OCTET for end in ends)
