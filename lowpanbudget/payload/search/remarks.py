"""What a format leaves out or words unusually: no faults, but worth a second look before nodes are built."""

from collections.abc import Iterator
from itertools import takewhile
from typing import NamedTuple

from lowpanbudget.cites import Cite
from lowpanbudget.payload.kinds.lengths import Repeated
from lowpanbudget.payload.kinds.number import Number
from lowpanbudget.payload.message import Message
from lowpanbudget.payload.search.tree import walk
from lowpanbudget.payload.units import CITE, advice
from lowpanbudget.payload.words import joined


class FormatRemark(NamedTuple):
    """A remark about a message: the field (empty for the whole), what was noticed, and what would help.

    ``loses``: values are lost, and no receiver sees it, or none of a message is sent. ``cite``: what says so; None:
    common practice, no source.
    """

    path: str
    text: str
    hint: str = ""
    loses: bool = False
    cite: Cite | None = None


_BEHIND = "optional fields into a group behind it, for presence bits lead"


def remarks(message: Message) -> tuple[FormatRemark, ...]:
    """Return the remarks about a message, those about its fields first."""
    noticed: list[FormatRemark] = []
    fields = [field for _, field in walk(message.fields)]
    for place, field in walk(message.fields):
        text, hint = advice(getattr(field, "unit", ""))
        if text:
            noticed.append(FormatRemark(joined(place), text, hint, cite=CITE))
        if isinstance(field, Repeated) and field.batch and field is not message.batch_field:
            text = "batch = true has no effect here"
            hint = "Use it once, for an array or a series of changing length in the message itself"
            noticed.append(FormatRemark(joined(place), text, hint))
        own = field.remark(message.order)
        if own is not None:
            noticed.append(FormatRemark(joined(place), *own))
    samples = any(isinstance(field, Repeated) for field in fields)
    dated = any(field.dates for field in fields)
    if samples and not dated:
        # Common practice, no source: a lost message shifts all later samples in time, unseen.
        text = (
            "several samples, and neither a sequence number nor a time: a lost message goes unseen"
        )
        hint = "Add a field of kind 'sequence' or 'time'"
        noticed.append(FormatRemark("", text, hint, loses=True))
    noticed += _of_version(message)
    if message.order.mixed and message.layout == "bit-packed":
        split = [joined(place) for place, field in walk(message.fields) if _is_split(field)]
        if split:
            text = f"{message.byte_order} byte order with {message.bit_order} bits cuts a number into groups of eight"
            hint = "Use big with msb-first or little with lsb-first, unless an existing format asks for this"
            noticed.append(FormatRemark(split[0], text, hint))
    return tuple(noticed)


def _of_version(message: Message) -> Iterator[FormatRemark]:
    """Yield a remark where nothing tells a format from its successor, or not at a place that a successor keeps."""
    before = list(takewhile(lambda field: not field.identifies, message.fields))
    bits = message.order.rounded
    optional = sum(field.optional for field in message.fields)
    moves = optional > 0 and bits(optional) != bits(optional + 1)
    if len(before) == len(message.fields):
        text = "nothing tells a receiver which version of the format this is"
        hint = "Add a field of kind 'version' as the first, unless the port says it"
        yield FormatRemark("", text, f"{hint}; put {_BEHIND}" if moves else hint)
        return
    name = message.fields[len(before)].name
    if moves:
        text = "presence bits stand before it: one optional field more moves it, and old receivers read other bits"
        yield FormatRemark(name, text, f"Put {_BEHIND}")
    if any(field.carries and not field.dates for field in before):
        names = ", ".join(field.name for field in before if field.name)
        text = f"what comes before it ({names}) moves it when it changes, and old receivers read other bits"
        yield FormatRemark(name, text, "Put it first")


def _is_split(field: object) -> bool:
    return isinstance(field, Number) and field.needed() > 8
