"""The front of two formats that both read alike, whatever stands in it: what is behind it alone is to be followed."""

from lowpanbudget.payload.codec.compiler import MAX_DEPTH, references
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.alignment import Alignment, Fields
from lowpanbudget.payload.search.extents import ends_in_octet, presence_width
from lowpanbudget.payload.search.layouts import Stretch


def behind_front(
    receiver: Message, sender: Message, renamed: dict[str, str]
) -> list[tuple[Stretch, Stretch]]:
    """Return the fields of both behind those that are alike, from each bit of an octet where they may begin.

    A bit where nothing begins may be among them. Presence bits lead all fields: those of the front are taken away, the
    others stand before what is left, as many in both.
    """
    ours, theirs, order = receiver.fields, sender.fields, sender.order
    leads = [presence_width(fields, order) for fields in (ours, theirs)]
    is_led_alike = receiver.order == order and leads[0] == leads[1]
    count = _alike(receiver, sender, renamed) if is_led_alike else 0
    while count and not (_is_apart(ours, count) and _is_apart(theirs, count)):
        count -= 1
    passed = sum(field.optional for field in theirs[:count])
    behind = [
        Stretch(fields[count:], one.order, lead=lead - passed)
        for fields, one, lead in zip((ours, theirs), (receiver, sender), leads, strict=True)
    ]
    return [
        (behind[0]._replace(start=start), behind[1]._replace(start=start))
        for start in sorted(ends_in_octet(theirs[:count], order, passed))
    ]


def _alike(receiver: Message, sender: Message, renamed: dict[str, str]) -> int:
    """Return how many fields at the front are the same in both, whatever stands in them."""
    step = Alignment(receiver.order, sender.order, renamed, references(sender.fields, MAX_DEPTH))
    pairs = list(zip(receiver.fields, sender.fields, strict=False))
    same = (step.is_same(field, other, inside=True) for field, other in pairs)
    return next((count for count, one in enumerate(same) if not one), len(pairs))


def _is_apart(fields: Fields, count: int) -> bool:
    """Return whether no field refers to one in front, or has a place that is counted from there."""
    named = references(fields[count:], MAX_DEPTH)
    return all(field.at is None for field in fields) and named.isdisjoint(
        field.name for field in fields[:count]
    )
