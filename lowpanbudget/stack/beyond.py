"""What stands behind an address that cannot be restored, read all the same: its octets do not hang on the address.

It is read under two prefixes that stand in for the one that nobody gave; what both make otherwise is not known.
"""

from lowpanbudget.bits import Nature, Span
from lowpanbudget.env import Contexts, Env
from lowpanbudget.layers.lowpan.addresses import UnknownContext
from lowpanbudget.stack.frame import Frame, decode_lowpan
from lowpanbudget.values import replace

_NUMBERS = range(16)  # "SCI" and "DCI" have four bits (RFC 6282 section 3.1.2)
_STAND_INS = "::/64", "ffff:ffff:ffff:fffe::/64"  # no prefix of a network is either


def beyond_unknown_context(frame: Frame) -> Frame:
    """Return a frame whose fault is a context that is not known, with spans for what stands behind; others as they are.

    The fault stays, and no header or datagram is added: what needs the prefix has no value in these spans.
    """
    fault, payload = frame.fault, frame.payload
    unread = next((at for at, span in enumerate(frame.spans) if span.nature is Nature.UNREAD), None)
    if (
        fault is None
        or not isinstance(fault.about, UnknownContext)
        or payload is None
        or unread is None
    ):
        return frame
    gap = frame.spans[unread]
    start = gap.offset_bits + gap.bits - 8 * len(payload)
    number = fault.about.context_id
    ones, others = (_read(frame, payload, prefix) for prefix in _STAND_INS)
    behind = [
        _told(one, other, number)._replace(offset_bits=one.offset_bits + start)
        for one, other in zip(ones, others, strict=False)
        if one.offset_bits + start >= gap.offset_bits
    ]
    if len(ones) != len(others) or not behind or behind[0].offset_bits != gap.offset_bits:
        return frame
    return replace(frame, spans=(*frame.spans[:unread], *behind, *frame.spans[unread + 1 :]))


def _read(frame: Frame, payload: bytes, prefix: str) -> tuple[Span, ...]:
    """Return the spans of a payload under a prefix that stands in for those that are not known."""
    known, mac = frame.contexts, frame.mac
    contexts = Contexts({**dict.fromkeys(set(_NUMBERS) - set(known), prefix), **known})
    source, destination = frame.link_source, frame.link_destination
    if mac is not None:  # a mesh header in the payload names others itself
        source, destination = mac.source, mac.destination
    pan_id = None if mac is None else mac.pan_id
    return decode_lowpan(payload, Env(source, destination, pan_id, contexts=contexts)).spans


def _told(one: Span, other: Span, number: int) -> Span:
    """Return a span, without what two prefixes make otherwise."""
    if (one.value, one.meaning) == (other.value, other.meaning):
        return one
    return one._replace(value=None, meaning=f"not known without context {number}")
